"""The record of one unit of work on disk: an Optuna study in a journal file.

The search itself runs in memory; every batch of trials it tells is added to this file with one
write and one sync before the next batch is drawn. Any Optuna reads the file:

    storage = JournalStorage(JournalFileBackend("results/demo/record/rack-1.journal"))
    study = optuna.load_study(study_name="demo, rack-1", storage=storage)

Optuna's own file backend syncs at every single trial, cannot open a file whose last line was cut
off once something was appended to it, and waits half a minute for the lock of a killed process.
`_Lines` below writes the same lines, each with a checksum (`search.journal`), and has none of
these troubles: one process owns the result folder (see `folder.claim`), and what a cut left behind
the last whole batch goes before anything else.
"""

from __future__ import annotations

import contextlib
import os
import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Protocol

import optuna
from optuna.exceptions import ExperimentalWarning
from optuna.storages import JournalStorage
from optuna.storages.journal import BaseJournalBackend
from optuna.trial import FrozenTrial

from optimiser.base.errors import StorageError
from optimiser.base.locks import wait_for_lock
from optimiser.search.journal import QUESTION, read_whole_batches, sealed

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

Trials = Sequence[FrozenTrial]

LOCK_SECONDS = 30.0
SHARE_EVERY = 2000
"""Trials after which those in memory are made smaller: looking for them takes as long as all."""


class RecordError(StorageError):
    """One record is not what it should be; the others may well be."""


class _Lines(BaseJournalBackend):
    """A journal whose new lines wait in memory until `flush` writes and syncs them at once."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stream = path.open("ab+", buffering=0)
        # A process whose parent was killed may still be ending.
        if not wait_for_lock(self._stream, LOCK_SECONDS):
            self._stream.close()
            raise StorageError(
                f"{path}: another process is still writing it; wait until it has ended, "
                "then run the same command again"
            )
        self._old, self._size, self._sum, self.note = read_whole_batches(path)
        self._stream.truncate(self._size)
        self._base = len(self._old)
        self._new: list[dict[str, Any]] = []

    def read_logs(self, log_number_from: int) -> Iterable[dict[str, Any]]:
        """Lines from a number on. What was read once is not kept: nobody asks for it again."""
        if log_number_from < self._base:
            lines, self._old = self._old[log_number_from:], []
            return [*lines, *self._new]
        return self._new[log_number_from - self._base :]

    def append_logs(self, logs: list[dict[str, Any]]) -> None:
        """Take lines; they are safe only after `flush`."""
        self._new += logs

    def flush(self) -> None:
        """Write and sync the waiting lines: all of them, or none when the disk is full."""
        text, check = sealed(self._new, self._sum)
        content = memoryview(text)
        size = self._size + len(content)
        try:
            while content:
                content = content[self._stream.write(content) :]
            os.fsync(self._stream.fileno())
        except OSError as error:
            # Half a line followed by a later append would make the file unreadable for good.
            with contextlib.suppress(OSError):
                self._stream.truncate(self._size)
            raise _cannot_write(self._path, error) from None
        self._size, self._sum = size, check
        self._base += len(self._new)
        self._new = []

    def close(self) -> None:
        """Give the file back."""
        self._stream.close()


class Store(Protocol):
    """What a unit told so far, and where it puts what it tells next."""

    @property
    def trials(self) -> Trials:
        """Trials told by an earlier process."""
        ...

    def append(self, trials: Trials) -> None:
        """Keep a batch; the unit goes on when this returns."""
        ...


class UnitRecord:
    """The study of one unit, on disk.

    Args:
        path: journal file; made when it does not exist, cut back to its last whole batch when it
            does.
        study_name: name of the Optuna study in it.
        names: objectives, all minimised.
        question: hash of what the unit asks, kept with the study; empty for none.

    Raises:
        StorageError: the file cannot be opened or written.
        RecordError: it is not the record of this study.
    """

    def __init__(
        self, path: Path, study_name: str, names: Sequence[str], question: str = ""
    ) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._lines = _Lines(path)
        except OSError as error:
            raise _cannot_write(path, error) from None
        try:
            self._study = _open_study(self._lines, study_name, names)
            attrs = self._study.user_attrs
            if question and attrs.get(QUESTION, question) != question:
                raise ValueError("another question")
            if question and not (attrs or self.trials):
                self._study.set_user_attr(QUESTION, question)
            self._lines.flush()
            self._own = len(self.trials)
            self._share()
        except (KeyError, ValueError, TypeError, AssertionError) as error:
            self._lines.close()
            raise RecordError(
                f"{path}: is not the record of {study_name} ({type(error).__name__}); "
                "move it away, then run the same command again"
            ) from None
        except StorageError:
            self._lines.close()
            raise

    def __enter__(self) -> UnitRecord:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def trials(self) -> list[FrozenTrial]:
        """Trials on disk, in order."""
        return self._study.get_trials(deepcopy=False)

    @property
    def note(self) -> str:
        """What was damaged or cut off when it was opened, and what that costs; else empty."""
        return self._lines.note

    def append(self, trials: Trials) -> None:
        """Add a batch; it is on disk when this returns.

        Raises:
            StorageError: the disk is full or gone; the file is as it was before.
        """
        for trial in trials:
            self._study.add_trial(trial)
        self._lines.flush()
        self._own += len(trials)
        if self._own >= SHARE_EVERY:
            self._share()

    def _share(self) -> None:
        """Let the last trials have the distributions of the first, where they are the same.

        Optuna makes new ones of each line that it reads, its own too: 6 of 8 kB a trial.
        """
        trials = self.trials
        for trial in trials[len(trials) - self._own :]:
            if trial.distributions == trials[0].distributions:
                trial.distributions = trials[0].distributions
        self._own = 0

    def close(self) -> None:
        """Give the file back."""
        self._lines.close()


def _open_study(lines: _Lines, name: str, names: Sequence[str]) -> optuna.Study:
    loud = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    try:
        storage = JournalStorage(lines)
        found = [study.study_name for study in storage.get_all_studies()]
        if found:
            study = optuna.load_study(study_name=name, storage=storage)
        else:
            study = optuna.create_study(
                storage=storage, study_name=name, directions=["minimize"] * len(names)
            )
        if len(study.directions) != len(names):
            raise ValueError("another number of objectives")
        with warnings.catch_warnings():
            # Optuna marks metric names as an interface that may change; its version is pinned.
            warnings.simplefilter("ignore", ExperimentalWarning)
            if study.metric_names != list(names):
                if study.get_trials(deepcopy=False):
                    raise ValueError("other objectives")
                study.set_metric_names(list(names))
    finally:
        optuna.logging.set_verbosity(loud)
    return study


def _cannot_write(path: Path, error: OSError) -> StorageError:
    return StorageError(
        f"{path}: cannot be written ({error.strerror}); everything recorded before is safe; "
        "free some space, then run the same command again to go on from there"
    )
