"""Result folders: which one a run writes into, whether it goes on from a cut, and its lock.

    results/demo            new, or cut off while answering the same question: go on there
    results/demo-2          the first holds a finished run, or the answer to another question
    results/demo locked     another process is answering the same question: refuse

What the question is, is told by a hash of everything that decides the designs.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimiser.base.errors import InputError, StorageError
from optimiser.base.files import slug, write_text
from optimiser.base.locks import try_lock

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path
    from typing import IO

STATE_FILE = "state.json"
LOCK_FILE = ".lock"
RECORD_FOLDER = "record"
_TEMPORARY = re.compile(r"\..+\.[a-z0-9_]{8}")
_MOST_RUNS = 10_000


def question_hash(parts: Iterable[bytes]) -> str:
    """Hash of everything that decides the designs of a run."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.hexdigest()


@dataclass(frozen=True, slots=True, eq=False)
class Claim:
    """A result folder that this process alone may write into, until `release` or its end.

    Attributes:
        path: the folder.
        question: hash of what is asked.
        resumed: it was cut off before, and this run goes on from there.
        passed_over: folders of other runs, whose names were taken.
    """

    path: Path
    question: str
    resumed: bool
    passed_over: tuple[Path, ...]
    _lock: IO[bytes]

    def finish(self) -> None:
        """Note that everything is written, so that the next run does not go on here."""
        _write_state(self.path, self.question, finished=True)

    def release(self) -> None:
        """Let others in."""
        if self._lock.closed:
            return
        with contextlib.suppress(OSError):
            (self.path / LOCK_FILE).unlink()
        self._lock.close()


def claim_folder(out: Path, name: str, question: str) -> Claim:
    """The folder for the answer to a question: OUT/NAME, OUT/NAME-2, ...

    Raises:
        StorageError: another process is answering the same question, or nothing can be written.
        InputError: too many runs lie there.
    """
    plain = slug(name)
    passed_over: list[Path] = []
    for number in range(1, _MOST_RUNS):
        folder = out / (plain if number == 1 else f"{plain}-{number}")
        claim = _try_folder(folder, question, tuple(passed_over))
        if claim is not None:
            return claim
        passed_over.append(folder)
    raise InputError(str(out), f"holds ten thousand runs of {plain}", "clear some of them away")


def _try_folder(folder: Path, question: str, passed_over: tuple[Path, ...]) -> Claim | None:
    """A claim on one folder; None when it belongs to something else."""
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        return None
    state = _read_state(folder)
    if state is None and folder.is_dir() and _holds_something(folder):
        return None
    if state is not None and (state.get("question") != question or state.get("finished")):
        return None
    lock = _open_lock(folder)
    if lock is None:
        raise StorageError(
            f"{folder}: another run of the same study is working in it; wait for it or stop it, "
            "or choose another folder with --out"
        )
    # Only now is it certain that nobody changes it.
    state = _read_state(folder)
    claim = Claim(folder, question, state is not None, passed_over, lock)
    if state is not None and (state.get("question") != question or state.get("finished")):
        claim.release()
        return None
    try:
        _remove_temporaries(folder)
        if state is None:
            _write_state(folder, question, finished=False)
    except OSError as error:
        claim.release()
        raise _cannot_write(folder, error) from None
    except StorageError:
        claim.release()
        raise
    return claim


def _open_lock(folder: Path) -> IO[bytes] | None:
    """The folder's lock, made with the folder when need be; None when another process has it."""
    path = folder / LOCK_FILE
    while True:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            stream = path.open("ab")
        except OSError as error:
            raise _cannot_write(folder, error) from None
        if not try_lock(stream):
            stream.close()
            return None
        # Its last owner may have removed the file between our opening and our locking it.
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(stream.fileno()), path.stat()):
                return stream
        stream.close()


def _cannot_write(folder: Path, error: OSError) -> StorageError:
    return StorageError(
        f"{folder}: cannot be written ({error.strerror}); "
        "choose another folder with --out, or mend that one"
    )


def _holds_something(folder: Path) -> bool:
    try:
        return any(entry.name != LOCK_FILE for entry in folder.iterdir())
    except OSError:  # not ours to look into
        return True


def _remove_temporaries(folder: Path) -> None:
    """Remove what a killed process was writing under a temporary name."""
    for path in folder.rglob(".*"):
        if _TEMPORARY.fullmatch(path.name) and path.is_file() and not path.is_symlink():
            path.unlink()


def _read_state(folder: Path) -> dict[str, Any] | None:
    try:
        state = json.loads((folder / STATE_FILE).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return state if isinstance(state, dict) else None


def _write_state(folder: Path, question: str, *, finished: bool) -> None:
    content = {"question": question, "finished": finished}
    write_text(folder / STATE_FILE, json.dumps(content, indent=2) + "\n")
