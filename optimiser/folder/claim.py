"""Result folders: which one a run writes into, whether it goes on from a cut, and its lock.

    results/demo            new, or an answer to the same question or a part of it: go on there
    results/demo-2          the first holds something else
    results/demo locked     another process is answering the same question: refuse

What the question is, is told by a hash of everything that decides the designs. Whether what lies in
a folder is a part of another question, or of one whose state was lost, its caller can tell; who
cannot has a finished folder left alone.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from optimiser.base.errors import InputError, StorageError
from optimiser.base.files import read_json_table, slug, write_text
from optimiser.base.locks import wait_for_lock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path
    from typing import IO

    State = dict[str, Any]
    Part = Callable[[Path, State], bool]

STATE_FILE = "state.json"
LOCK_FILE = ".lock"
LOOKED_AT_SECONDS = 0.5
"""More than it takes to see whether the folder is locked, as `status` does."""
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
        state: hash of what is asked, as `question`, and what else is to stand in the state.
        before: what it was before: a run that was cut off or finished, or one whose state was lost;
            empty for a new one.
        passed_over: folders of other runs, whose names were taken.
    """

    path: Path
    state: State
    before: Literal["", "cut off", "finished", "lost"]
    passed_over: tuple[Path, ...]
    _lock: IO[bytes]

    def finish(self) -> None:
        """Note that everything is written."""
        _write_state(self.path, self.state | {"finished": True})

    def release(self) -> None:
        """Let others in."""
        if self._lock.closed:
            return
        with contextlib.suppress(OSError):
            (self.path / LOCK_FILE).unlink()
        self._lock.close()


def claim_folder(
    out: Path, name: str, question: str, noted: State | None = None, part: Part | None = None
) -> Claim:
    """The folder for the answer to a question: OUT/NAME, OUT/NAME-2, ...

    Args:
        out: where result folders go.
        name: of the folder.
        question: hash of what is asked.
        noted: what else is to stand in the state.
        part: whether a folder with that state, empty where it cannot be read, holds a part of the
            answer. Without it only a folder of the same question that was cut off is gone on with.

    Raises:
        StorageError: another process is answering the same question, or nothing can be written.
        InputError: too many runs lie there.
    """
    plain = slug(name)
    state = {"question": question} | (noted or {})
    passed_over: list[Path] = []
    for number in range(1, _MOST_RUNS):
        folder = out / (plain if number == 1 else f"{plain}-{number}")
        try:
            claim = _try_folder(folder, state, part, tuple(passed_over))
        except OSError as error:  # a name that no file system takes, or a folder not ours to see
            raise _cannot_write(folder, error) from None
        if claim is not None:
            return claim
        passed_over.append(folder)
    raise InputError(str(out), f"holds ten thousand runs of {plain}", "clear some of them away")


@contextlib.contextmanager
def claimed(out: Path, name: str, asked: Iterable[str]) -> Iterator[Path]:
    """The folder for an answer that is written in one go, held while it is and then finished.

    Args:
        out: where result folders go.
        name: of the folder.
        asked: all that decides the answer.

    Raises:
        InputError, StorageError: as `claim_folder`.
    """
    claim = claim_folder(out, name, question_hash(part.encode() for part in asked))
    try:
        yield claim.path
        claim.finish()
    finally:
        claim.release()


def _try_folder(
    folder: Path, state: State, part: Part | None, passed_over: tuple[Path, ...]
) -> Claim | None:
    """A claim on one folder; None when it belongs to something else."""
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        return None
    if not _is_ours(folder, state, part):
        return None
    lock = _open_lock(folder)
    if lock is None:
        raise StorageError(
            f"{folder}: another run of the same study is working in it; wait for it or stop it, "
            "or choose another folder with --out"
        )
    # Only now is it certain that nobody changes it.
    before = _before(folder)
    claim = Claim(folder, state, before, passed_over, lock)
    if not _is_ours(folder, state, part):
        claim.release()
        return None
    try:
        _remove_temporaries(folder)
        _write_state(folder, state | {"finished": False})
    except OSError as error:
        claim.release()
        raise _cannot_write(folder, error) from None
    except StorageError:
        claim.release()
        raise
    return claim


def _is_ours(folder: Path, asked: State, part: Part | None) -> bool:
    if not (folder.is_dir() and _holds_something(folder)):
        return True
    state = read_json_table(folder / STATE_FILE)
    if state.get("question") != asked["question"]:
        return part is not None and part(folder, state)
    return part is not None or not state.get("finished")


def _before(folder: Path) -> Literal["", "cut off", "finished", "lost"]:
    if not _holds_something(folder):
        return ""
    state = read_json_table(folder / STATE_FILE)
    if not isinstance(state.get("question"), str):
        return "lost"
    return "finished" if state.get("finished") else "cut off"


def _open_lock(folder: Path) -> IO[bytes] | None:
    """The folder's lock, made with the folder when need be; None when another process has it."""
    path = folder / LOCK_FILE
    while True:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            stream = path.open("ab")
        except OSError as error:
            raise _cannot_write(folder, error) from None
        try:
            mine = wait_for_lock(stream, LOOKED_AT_SECONDS)
        except OSError as error:
            stream.close()
            raise StorageError(
                f"{folder}: its file system gives no lock ({error.strerror}), so that two runs "
                "could write into it at once; choose a folder on another disk with --out"
            ) from None
        if not mine:
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


def _write_state(folder: Path, state: State) -> None:
    write_text(folder / STATE_FILE, json.dumps(state, indent=2) + "\n")
