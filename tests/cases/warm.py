"""`python -m MODULE` as a process of its own that has its imports behind it.

For what needs a real process, to be killed, stopped or looked at, but no fresh interpreter: one
process imports everything once and forks whenever another is wanted, for `WarmProcess` and for
whatever else takes its processes from `CONTEXT`.
"""

from __future__ import annotations

import multiprocessing
import os
import runpy
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

if "forkserver" in multiprocessing.get_all_start_methods():
    CONTEXT = multiprocessing.get_context("forkserver")
    CONTEXT.set_forkserver_preload(
        ["optimiser.command.run_screen", "optimiser.jobs.start", "optimiser.jobs.cluster", "pandas"]
    )
else:  # as slow as any other
    CONTEXT = multiprocessing.get_context("spawn")


class WarmProcess:
    """Looks like `subprocess.Popen` with both outputs kept as text.

    Args:
        module: what `python -m` would run.
        arguments: its arguments.
        cwd: where.
        env: changes of the environment.
        path: folders that come first in the search for modules.
        start_new_session: make it the leader of a group of its own.
        terminal: path of a terminal that takes what it says; it is then its own.
        ignored: names of signals that it ignores from its start.
    """

    def __init__(
        self,
        module: str,
        *arguments: object,
        cwd: Path,
        env: Mapping[str, str] | None = None,
        path: Sequence[Path] = (),
        start_new_session: bool = False,
        terminal: str = "",
        ignored: Sequence[str] = (),
    ) -> None:
        self._said = Path(tempfile.mkdtemp(prefix="warm-"))
        words = [module, *map(str, arguments)]
        said = [terminal] * 2 if terminal else [str(self._said / name) for name in ("out", "err")]
        told = (words, cwd, dict(env or {}), list(map(str, path)), start_new_session, said, ignored)
        self._process = CONTEXT.Process(target=_become, args=told)
        self._process.start()
        self.pid = self._process.pid
        self.kill = self._process.kill

    def __enter__(self) -> WarmProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.wait()

    def poll(self) -> int | None:
        return self._process.exitcode

    @property
    def returncode(self) -> int | None:
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        os.kill(self.pid, number)

    def wait(self) -> None:
        """Wait for the end; what it said is then forgotten."""
        self._process.join()
        shutil.rmtree(self._said, ignore_errors=True)

    def communicate(self, timeout: float | None = None) -> tuple[str, str]:
        """Wait for the end; what it said on standard output and on standard error."""
        self._process.join(timeout)
        assert self._process.exitcode is not None, "it does not end"
        out, err = ((self._said / name).read_text("utf-8") for name in ("out", "err"))
        return out, err


def _become(
    words: list[str],
    cwd: Path,
    env: dict[str, str],
    path: list[str],
    start_new_session: bool,
    said: Sequence[str],
    ignored: Sequence[str],
) -> None:
    if start_new_session:
        os.setsid()
    for name in ignored:
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    os.chdir(cwd)
    os.environ.update(env)
    sys.path[:0] = path
    for number, name in enumerate(said, start=1):
        os.dup2(os.open(name, os.O_RDWR | os.O_CREAT), number)
    sys.argv = words
    runpy.run_module(words[0], run_name="__main__", alter_sys=True)
