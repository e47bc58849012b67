"""Units side by side on this machine, each in one process of its own.

The processes are started afresh ('spawn'), talk to this one through a pipe each and exchange
nothing per trial. A process that dies (killed, out of memory) is replaced and its unit is tried
once more from its record; one that is told to stop, or whose parent dies, ends.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import queue
import signal
import threading
import traceback
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import TYPE_CHECKING

from optimiser.base.errors import OptimiserError, StorageError
from optimiser.base.one_thread import ONE_THREAD
from optimiser.base.terminal import unfailing
from optimiser.jobs.unit import (
    Stop,
    UnitFailure,
    UnitOutcome,
    UnitSpec,
    Watch,
    open_units,
    run_recorded,
)
from optimiser.search.record import RecordError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from multiprocessing.process import BaseProcess

    from optimiser.jobs.time_budget import Allowed, Shares

ATTEMPTS = 2
OPENED_TOGETHER = 12
"""Racks whose searches are opened at once, in one process."""
OPENING_SECONDS = 60.0
"""With less time than this each search opens by itself, which looks at the clock in between."""
_POLL_SECONDS = 0.2
_CONTEXT = multiprocessing.get_context("spawn")


def run_units(
    specs: Sequence[UnitSpec],
    *,
    workers: int,
    watch: Watch,
    stop: Stop,
    shares: Shares,
    done: Callable[[int, UnitOutcome], None],
) -> None:
    """Do all units, `workers` at a time; the designs are the same for any number of them.

    Args:
        specs: the units, in the order to begin them.
        workers: processes; with one, everything happens in this process.
        watch: told of each generation of any unit.
        stop: once True, running units finish their generation and the others end at once.
        shares: time for each of them.
        done: told of each unit's index and outcome as it ends, in any order.
    """
    workers = min(workers, len(specs))
    if workers <= 1:
        waiting = list(specs)
        for index in range(len(specs)):
            to_begin = range(index, len(specs))
            if not stop() and shares.left(to_begin) > OPENING_SECONDS:
                waiting = _opened(waiting)
            allowed = shares.share(to_begin, 1)
            done(index, attempt(waiting.pop(0), watch, stop, allowed))
        return
    pool = _Pool(specs, workers, watch, shares, done)
    try:
        pool.run(stop)
    finally:
        pool.close()


def _opened(waiting: list[UnitSpec]) -> list[UnitSpec]:
    """The units to do, with the openings of the next ones found together where that is possible."""
    first = waiting[0]
    count = 0
    while count < min(OPENED_TOGETHER, len(waiting)) and _opens_with(first, waiting[count]):
        count += 1
    if count < 2:
        return waiting
    # What goes wrong with one of them goes wrong again when it is done by itself.
    with contextlib.suppress(Exception):
        return [*open_units(waiting[:count]), *waiting[count:]]
    return waiting


def _opens_with(first: UnitSpec, spec: UnitSpec) -> bool:
    """Whether a unit has nothing told and begins from the same problem in the same way."""
    return (
        spec.opens
        and spec.opening is None
        and not spec.record.exists()
        and spec.problem is first.problem
        and (spec.seed, spec.settings, spec.refine) == (first.seed, first.settings, first.refine)
    )


def attempt(spec: UnitSpec, watch: Watch, stop: Stop, allowed: Allowed | None) -> UnitOutcome:
    """Do one unit here; whatever goes wrong in it is its outcome."""
    try:
        return run_recorded(spec, watch, stop, allowed)
    except OptimiserError as error:
        storage = isinstance(error, StorageError) and not isinstance(error, RecordError)
        return UnitFailure(spec.label, str(error), storage=storage)
    except Exception as error:  # one unit's mistake must not cost the others
        message = f"{spec.label}: {type(error).__name__}: {error}"
        return UnitFailure(spec.label, message, traceback.format_exc())


# --- this side -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    pipe: Connection
    unit: int | None = None


class _Pool:
    def __init__(
        self,
        specs: Sequence[UnitSpec],
        workers: int,
        watch: Watch,
        shares: Shares,
        done: Callable[[int, UnitOutcome], None],
    ) -> None:
        self._specs, self._size = specs, workers
        self._watch, self._shares, self._done = watch, shares, done
        self._waiting = list(range(len(specs)))
        self._attempts = [0] * len(specs)
        self._workers: list[_Worker] = []
        self._stopping = False

    def run(self, stop: Stop) -> None:
        while self._waiting or any(worker.unit is not None for worker in self._workers):
            if not self._stopping and stop():
                self._stopping = True
                for worker in self._workers:
                    _send(worker, "stop")
            self._hand_out()
            for worker in self._ready():
                self._hear(worker)

    def close(self) -> None:
        for worker in self._workers:
            worker.pipe.close()
        for worker in self._workers:
            # An idle process ends when its pipe closes, and a busy one is safe to kill.
            worker.process.join(2.0)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()

    def _hand_out(self) -> None:
        while self._waiting:
            worker = next((w for w in self._workers if w.unit is None), None)
            if worker is None:
                if len(self._workers) >= self._size:
                    return
                worker = _start()
                self._workers.append(worker)
                if self._stopping:
                    _send(worker, "stop")
            allowed = self._shares.share(self._waiting, self._size)
            worker.unit = self._waiting.pop(0)
            self._attempts[worker.unit] += 1
            _send(worker, (self._specs[worker.unit], allowed))

    def _ready(self) -> Iterator[_Worker]:
        ready = wait([worker.pipe for worker in self._workers], _POLL_SECONDS)
        return iter([worker for worker in self._workers if worker.pipe in ready])

    def _hear(self, worker: _Worker) -> None:
        try:
            kind, content = worker.pipe.recv()
        except (EOFError, OSError):
            self._lost(worker)
            return
        if kind == "progress":
            self._watch(*content)
        elif worker.unit is not None:
            index, worker.unit = worker.unit, None
            self._done(index, content)

    def _lost(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.pipe.close()
        worker.process.join(2.0)
        if worker.unit is None:
            return
        if self._attempts[worker.unit] < ATTEMPTS:
            self._waiting.insert(0, worker.unit)
            return
        label = self._specs[worker.unit].label
        ended = worker.process.exitcode
        self._done(
            worker.unit,
            UnitFailure(
                label,
                f"{label}: its process died {ATTEMPTS} times (exit code {ended}); if memory ran "
                "short, give fewer --workers; run the same command again to go on",
            ),
        )


def _send(worker: _Worker, content: object) -> None:
    # A process that has just died is noticed when it is next listened to.
    with contextlib.suppress(OSError):
        worker.pipe.send(content)


def _start() -> _Worker:
    ours, theirs = _CONTEXT.Pipe()
    process = _CONTEXT.Process(target=_work, args=(theirs,), daemon=True)
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        process.start()
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
    theirs.close()
    return _Worker(process, ours)


# --- the other side ------------------------------------------------------------------------------


def _work(pipe: Connection) -> None:
    """Do units until the pipe closes."""
    # A terminal sends Ctrl-C to the whole group; only the parent decides what it means.
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    stopping = threading.Event()
    units: queue.SimpleQueue[tuple[UnitSpec, Allowed | None]] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(pipe, stopping, units), daemon=True).start()

    def watch(*content: object) -> None:
        pipe.send(("progress", content))

    with unfailing("stdout", "stderr"):
        while True:
            spec, allowed = units.get()
            pipe.send(("done", attempt(spec, watch, stopping.is_set, allowed)))


def _listen(
    pipe: Connection,
    stopping: threading.Event,
    units: queue.SimpleQueue[tuple[UnitSpec, Allowed | None]],
) -> None:
    while True:
        try:
            message = pipe.recv()
        except (EOFError, OSError):
            # The parent is gone or done. Nothing is lost: the record is safe at any moment.
            os._exit(0)
        if message == "stop":
            stopping.set()
        else:
            units.put(message)
