"""A study small enough to be run many times: the starter, cut down."""

from __future__ import annotations

import contextlib
import io
import os
import re
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

import numpy as np
from warm import WarmProcess

from optimiser.command.cli import main
from optimiser.folder import variants
from optimiser.folder import write as output
from optimiser.folder.read import read_results
from optimiser.jobs.batch import Outcome, RunOptions, run_batch
from optimiser.study.read import Study, read_study, write_starter

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem, Solved

ROOT = Path(__file__).resolve().parents[2]
RACKS = ("Short", "Middle")
SHOWN = {"COLUMNS": "160", "NO_COLOR": "1"}
"""How the program is told to show what it says."""


def write_small_study(
    folder: Path,
    *,
    trials: int = 60,
    name: str = "small",
    extra: str = "",
    racks=RACKS,
    search: str = "seeds = false\nrefine = false",
) -> Path:
    """The starter with few racks, few trials and small generations, as FOLDER/NAME.toml."""
    path, *_ = write_starter(folder)
    text = path.read_text("utf-8")
    for old, new in (
        ("trials = 1000", f"trials = {trials}\npopulation = 20\nstop_window = 0\n{search}"),
        ('use = "all"', f"use = {list(racks)!r}".replace("'", '"')),
        ("step_mm = 5", "step_mm = 35"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    target = folder / f"{name}.toml"
    path.unlink()
    target.write_text(text + extra, "utf-8")
    return target


def small_study(folder: Path, **changes) -> Study:
    return read_study(write_small_study(folder, **changes))


def demo_with(folder: Path, *changes: tuple[str, str], text: str = "", **options) -> Study:
    """The demo in a folder, as mine.toml, with some of its lines replaced; or another text."""
    for name in ("demo_hardpoints.csv", "demo_racks.csv"):
        shutil.copy(ROOT / "studies" / name, folder)
    text = text or (ROOT / "studies" / "demo.toml").read_text("utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "mine.toml"
    path.write_text(text, "utf-8")
    return read_study(path, **options)


def still_text() -> str:
    """The demo without what moves and without its tyre."""
    text = (ROOT / "studies" / "demo.toml").read_text("utf-8")
    text = re.sub(r"tyre_(?!width|pressure).*\n", "", text)
    parts = re.split(r"(?=^\[)", text, flags=re.MULTILINE)
    return "".join(part for part in parts if not re.search(r"^(from_)?on = ", part, re.MULTILINE))


def demo_plover() -> tuple[Problem, Solved]:
    """The demo, and the poses of rack Plover's compromise in the kept run of it, (1,)."""
    result = read_results(ROOT / "results" / "example" / "demo").result
    row = next(row.row for row in result.comparison if row.rack.name == "Plover")
    return result.problem, result.problem.solve(result.designs.select(np.array([row])))


def preferring(study: Study, prefer: str) -> Study:
    """The same study with another rule for the winner."""
    search = study.file.search.model_copy(update={"prefer": prefer})
    return replace(study, file=study.file.model_copy(update={"search": search}))


def command(*arguments: object) -> list[str]:
    """The program as its own process would be started."""
    return [sys.executable, "-m", "optimiser", *map(str, arguments)]


def start(*arguments: object, cwd: Path, **options) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **SHOWN}
    environment |= options.pop("env", {})
    return subprocess.Popen(
        command(*arguments),
        cwd=cwd,
        env=environment,
        encoding="utf-8",
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        **options,
    )


def start_warm(*arguments: object, cwd: Path, **options) -> WarmProcess:
    """The same for what is killed, stopped or watched, and needs no fresh interpreter."""
    environment = {"PYTHONPATH": str(ROOT), **SHOWN}
    return WarmProcess("optimiser", *arguments, cwd=cwd, env=environment, **options)


def run(*arguments: object, cwd: Path, timeout: float = 300, **options):
    """Exit code, standard output and standard error of the program."""
    with start(*arguments, cwd=cwd, **options) as process:
        out, err = process.communicate(timeout=timeout)
    return process.returncode, out, err


def run_here(*arguments: object, cwd: Path) -> tuple[int, str, str]:
    """The same as `run`, in this process: without its imports, and a traceback is an exception."""
    out, err = io.StringIO(), io.StringIO()
    with (
        mock.patch.object(sys, "argv", ["optimiser", *map(str, arguments)]),
        mock.patch.dict(os.environ, SHOWN),
        contextlib.chdir(cwd),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        signals_kept(),
    ):
        try:
            main()
        except SystemExit as ended:
            code = ended.code
    return code, out.getvalue(), err.getvalue()


@contextlib.contextmanager
def signals_kept():
    """What signals do here, back as it was after a command that takes them for its whole life."""
    numbers = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    before = {number: signal.getsignal(number) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def nothing_drawn():
    """Figures and report left out: most of the time of so small a run, and tested elsewhere."""
    with (
        mock.patch.object(output, "figures", return_value={}),
        mock.patch.object(output, "write_report"),
        mock.patch.object(variants, "drawn_svg", return_value=b"<svg></svg>"),
    ):
        yield


def run_undrawn(study: Study, out: Path) -> list[Outcome]:
    """A study run to its end, with `nothing_drawn`; an outcome for each variant."""
    with nothing_drawn():
        return run_batch([study], out, RunOptions(), lambda *_: None, lambda: False)


def files_of(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, by its path in it."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
