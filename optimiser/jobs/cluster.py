"""Units on other machines, through the workers of a Dask scheduler.

    this machine                    scheduler                   workers
    unit, trials so far      ->         .            ->         run_unit
    record, a batch at a time <-   events of a topic  <-        each batch as it is told
    result                   <-         .            <-         result

A worker is given one unit at a time, since a unit keeps one core busy; for each unit that waits the
scheduler has a task that no worker can take, by which a cluster that adapts sees that more of them
are wanted. Everything that a worker tells is stored here as if it had been told here: a worker that
dies costs one generation, a scheduler that goes away nothing. Any worker may be sent anything by
whoever reaches the scheduler; see the README of results for what that means for a network.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import logging
import pickle
import platform
import queue
import time
import uuid
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from distributed import Client, get_worker
from distributed.comm.core import CommClosedError

from optimiser.base.errors import OptimiserError, StorageError
from optimiser.jobs.unit import (
    Stop,
    UnitFailure,
    UnitOutcome,
    UnitSpec,
    Watch,
    open_record,
    run_recorded,
    run_unit,
)
from optimiser.search.record import RecordError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from distributed import Future

    from optimiser.answer.run_result import UnitResult
    from optimiser.jobs.time_budget import Allowed, Shares
    from optimiser.search.record import Trials, UnitRecord

DISTRIBUTION = "tierod-optimiser"
# What decides the digits of a design, and so must be the same everywhere.
SAME_EVERYWHERE = (DISTRIBUTION, "numpy", "scipy", "optuna")
CONNECT_SECONDS = 10.0
WORKERS_SECONDS = 30.0
BACK_SECONDS = 3600.0
"""So long a run waits for another worker when all have gone: a queue may start new ones."""
ATTEMPTS = 3
"""Workers that may die of a unit one after the other without a generation in between."""
MOST_WANTED = 1000
NOWHERE = {"optimiser-wants-a-worker": 1.0}
"""A resource that no worker has."""
_PREFIX = "optimiser-unit"
_POLL_SECONDS = 0.2
_LOOK_SECONDS = 1.0
_LOGGERS = ("distributed", "distributed.client", "distributed.core", "tornado.application")


class ClusterError(OptimiserError):
    """The cluster cannot be used, or went away; what was told before is on disk."""


def run_units_on_cluster(
    address: str,
    specs: Sequence[UnitSpec],
    *,
    watch: Watch,
    stop: Stop,
    shares: Shares,
    done: Callable[[int, UnitOutcome], None],
    note: Callable[[str], None],
) -> None:
    """Do all units on the workers of a scheduler, each with the designs it would find here.

    Args:
        address: of the scheduler, such as `tcp://host:8786`; TLS as Dask is configured.
        specs: the units, in the order to begin them.
        watch: told of each generation of any unit.
        stop: once True, running units finish their generation.
        shares: time for each of them.
        done: told of each unit's index and outcome as it ends, in any order.
        note: told of what the user should know, a line each.

    Raises:
        ClusterError: no scheduler, no worker that can be used, or the scheduler went away.
    """
    with _quiet(), _connect(address) as client:
        run = _Run(client, address, specs, watch, shares, done, note)
        try:
            run.until_done(stop)
        except (CommClosedError, OSError, TimeoutError, RuntimeError) as error:
            raise _gone(address, error) from None
        finally:
            run.close()


@contextlib.contextmanager
def _connect(address: str) -> Iterator[Client]:
    try:
        client: Client = _Client(  # type: ignore[no-untyped-call]
            address, timeout=CONNECT_SECONDS, set_as_default=False
        )
    except (OSError, ValueError, TypeError) as error:
        raise ClusterError(f"--cluster {address}: {_no_answer(address, error)}") from None
    try:
        yield client
    finally:
        with contextlib.suppress(Exception):  # it may be gone already
            client.close(timeout=2.0)


class _Client(Client):
    """Dask's client, closed by `_connect`.

    One that could not be started would wait 20 s when it is thrown away, and print a traceback.
    """

    def __del__(self) -> None:
        pass


def _no_answer(address: str, error: BaseException) -> str:
    """Why a scheduler cannot be reached and what to do, from what Dask and OpenSSL say of it."""
    said = list(filter(None, (" ".join(str(one).split()) for one in _with_causes(error))))
    everything, reason = " ".join(said), type(error).__name__
    if said:
        # Dask puts the connection before it: in <TCP (closed) ...>: what happened.
        reason = said[-1].rpartition(">: ")[2][:120]
    if address.startswith("tls:") and any(words in everything for words in _NO_TLS):
        return "the scheduler there has no TLS; give its address as tcp://"
    if address.startswith("tls:") and (isinstance(error, _UNTRUSTED) or "SSL" in everything):
        return (
            f"certificates missing or not trusted ({reason}); give Dask here the authority, "
            "certificate and key that the scheduler was started with"
        )
    if "ConnectionReset" in everything:
        return (
            f"who answers there hung up ({reason}); if it is a scheduler with TLS, give its "
            "address as tls://"
        )
    return (
        f"no scheduler answers there ({reason}); start one with `dask scheduler`, and give the "
        "address that it prints"
    )


_NO_TLS = "cannot convert to SSL", "WRONG_VERSION_NUMBER"
_UNTRUSTED = FileNotFoundError, PermissionError, TypeError  # TypeError: nothing is configured


def _with_causes(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the engine's own log lines out of a terminal that shows progress."""
    levels = {name: logging.getLogger(name).level for name in _LOGGERS}
    for name in _LOGGERS:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for name, level in levels.items():
            logging.getLogger(name).setLevel(level)


def _gone(address: str, error: BaseException) -> ClusterError:
    return ClusterError(
        f"--cluster {address}: the scheduler went away ({type(error).__name__}); every generation "
        "told before is on disk: start it again, then run the same command to go on"
    )


# --- this side -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Task:
    """A unit that a worker is busy with."""

    index: int
    worker: str
    future: Future[bytes]
    record: UnitRecord
    told: int
    """Trials that it began with."""


@dataclass(slots=True)
class _Run:
    client: Client
    address: str
    specs: Sequence[UnitSpec]
    watch: Watch
    shares: Shares
    done: Callable[[int, UnitOutcome], None]
    note: Callable[[str], None]
    job: str = field(default_factory=lambda: uuid.uuid4().hex)
    waiting: list[int] = field(default_factory=list)
    wanted: list[Future[str]] = field(default_factory=list)
    tasks: dict[int, _Task] = field(default_factory=dict)
    losses: dict[int, int] = field(default_factory=dict)
    workers: dict[str, bool] = field(default_factory=dict)
    """Address of each worker seen, and whether it may be used."""
    live: set[str] = field(default_factory=set)
    looked: float = -1e9
    refusal: str = ""
    events: queue.SimpleQueue[bytes] = field(default_factory=queue.SimpleQueue)

    def until_done(self, stop: Stop) -> None:
        self.waiting = list(range(len(self.specs)))
        self.client.subscribe_topic(self.job, lambda event: self.events.put(event[1]))
        seen, patience = time.monotonic(), WORKERS_SECONDS
        stopping = False
        while self.waiting or self.tasks:
            self._look_at_workers()
            if self._usable() or self.tasks:
                seen, patience = time.monotonic(), BACK_SECONDS
            elif self.shares.left(self.waiting) <= 0.0:
                self._leave_waiting()
            elif time.monotonic() > seen + patience:
                raise self._nobody(patience)
            if stop() and not stopping:
                stopping = True
                self.client.run(_stop, self.job)
                self._leave_waiting()
            self._hand_out()
            self._ask_for_workers()
            self._hear()
            self._collect()

    def _leave_waiting(self) -> None:
        """Nothing more is begun, but what was told earlier counts."""
        for index in self.waiting:
            self._end(index, _attempt_here(self.specs[index]))
        self.waiting = []

    def close(self) -> None:
        for task in self.tasks.values():
            task.record.close()
        with contextlib.suppress(Exception):  # the scheduler may be gone
            self.client.cancel([*(task.future for task in self.tasks.values()), *self.wanted])

    # --- workers ---------------------------------------------------------------------------------

    def _usable(self) -> list[str]:
        return [address for address in self.live if self.workers[address]]

    def _look_at_workers(self) -> None:
        if time.monotonic() < self.looked + _LOOK_SECONDS:
            return
        self.looked = time.monotonic()
        if self.client.status != "running":
            raise CommClosedError("the client lost its scheduler")
        found = self.client.scheduler_info(n_workers=-1)["workers"]
        self.live = set(found)
        for address in self.live - set(self.workers):
            name = str(found[address].get("name", address))
            host = f"{name} at {address}" if name != address else address
            self.workers[address] = self._may_work(address, host)
        for task in list(self.tasks.values()):
            if task.worker not in self.live:
                self._lost(task)

    def _may_work(self, address: str, host: str) -> bool:
        for package in SAME_EVERYWHERE:
            wanted = importlib.metadata.version(package)
            # A function of the standard library, which every worker can unpack.
            answers = self.client.run(
                importlib.metadata.version, package, workers=[address], on_error="return"
            )
            answer = answers.get(address, wanted)
            if isinstance(answer, Exception):
                answer = "none"
            if answer != wanted:
                self.refusal = (
                    f"worker {host} is refused: it has {package} {answer}, here is {wanted}; "
                    "install the same there"
                )
                self.note(self.refusal)
                return False
        return True

    def _nobody(self, waited: float) -> ClusterError:
        if self.live:
            return ClusterError(
                f"--cluster {self.address}: none of {len(self.live)} workers can be used; "
                f"{self.refusal}"
            )
        return ClusterError(
            f"--cluster {self.address}: no worker has come within {waited:.0f} s; start "
            f"one with `dask worker {self.address} --nthreads 1`, then run the same command again"
        )

    def _lost(self, task: _Task) -> None:
        """A worker has died: its unit goes to another, with the trials that have come."""
        self._hear(0.0)
        if self.tasks.pop(task.index, None) is None:
            return
        task.record.close()
        self.client.cancel([task.future])
        # Who told something did not die of the unit, but of a time limit or a power cut.
        before = 0 if len(task.record.trials) > task.told else self.losses.get(task.index, 0)
        self.losses[task.index] = before + 1
        label = self.specs[task.index].label
        if self.losses[task.index] < ATTEMPTS:
            self.note(f"{label}: worker {task.worker} died, another goes on with it")
            self.waiting.insert(0, task.index)
            return
        message = (
            f"{label}: {ATTEMPTS} workers died of it; look at their memory, "
            "then run the same command again to go on"
        )
        self._end(task.index, UnitFailure(label, message))

    # --- units -----------------------------------------------------------------------------------

    def _hand_out(self) -> None:
        usable = self._usable()
        busy = {task.worker for task in self.tasks.values()}
        for worker in sorted(set(usable) - busy):
            if not self.waiting:
                return
            allowed = self.shares.share(self.waiting, len(usable))
            index = self.waiting.pop(0)
            spec = self.specs[index]
            try:
                record = open_record(spec)
            except StorageError as error:
                self._end(index, _failure(spec, error))
                continue
            if record.note:
                self.note(record.note)
            future = self.client.submit(
                _work,
                _packed((spec, record.trials)),
                self.job,
                index,
                allowed,
                key=f"{_PREFIX}-{uuid.uuid4().hex}",
                workers=[worker],
                pure=False,
            )
            self.tasks[index] = _Task(index, worker, future, record, len(record.trials))

    def _ask_for_workers(self) -> None:
        """As many tasks that no worker can take as there are units that wait."""
        count = min(len(self.waiting), MOST_WANTED)
        if len(self.wanted) > count:
            self.client.cancel(self.wanted[count:])
            del self.wanted[count:]
        for _ in range(count - len(self.wanted)):
            wanted = self.client.submit(
                platform.node, key=f"{_PREFIX}-{uuid.uuid4().hex}", resources=NOWHERE, pure=False
            )
            self.wanted.append(wanted)

    def _hear(self, seconds: float = _POLL_SECONDS) -> None:
        """Store and pass on what workers have told."""
        ends = time.monotonic() + seconds
        while True:
            try:
                content = self.events.get(timeout=max(0.0, ends - time.monotonic()))
            except queue.Empty:
                return
            index, first, trials, progress = _unpacked(content)
            if progress is not None:
                self.watch(*progress)
            self._store(index, first, trials)

    def _store(self, index: int, first: int, trials: Trials) -> None:
        """Add trials that begin at a number; those that are there already are the same."""
        task = self.tasks.get(index)
        if task is None:
            return
        new = trials[max(0, len(task.record.trials) - first) :]
        if not new or first > len(task.record.trials):
            return
        try:
            task.record.append(new)
        except StorageError as error:
            del self.tasks[index]
            task.record.close()
            self.client.cancel([task.future])
            self._end(index, _failure(self.specs[index], error))

    def _collect(self) -> None:
        for task in [task for task in self.tasks.values() if task.future.done()]:
            spec = self.specs[task.index]
            outcome: UnitOutcome
            if task.future.status == "finished":
                outcome, first, trials = _unpacked(task.future.result())
                # Whatever a lost message left out.
                self._store(task.index, first, trials)
            elif task.future.status == "error":
                error = task.future.exception()
                outcome = UnitFailure(spec.label, f"{spec.label}: {type(error).__name__}: {error}")
            else:
                # Cancelled or lost: the scheduler has forgotten it.
                self._lost(task)
                continue
            if self.tasks.pop(task.index, None) is not None:
                task.record.close()
                self._end(task.index, outcome)

    def _end(self, index: int, outcome: UnitOutcome) -> None:
        self.done(index, outcome)


def _failure(spec: UnitSpec, error: StorageError) -> UnitFailure:
    return UnitFailure(spec.label, str(error), storage=not isinstance(error, RecordError))


def _attempt_here(spec: UnitSpec) -> UnitOutcome:
    """What the unit's record holds, without going on."""
    try:
        return run_recorded(spec, lambda *_: None, lambda: True, None)
    except StorageError as error:
        return _failure(spec, error)


def _packed(content: object) -> bytes:
    return zlib.compress(pickle.dumps(content, protocol=pickle.HIGHEST_PROTOCOL), 1)


def _unpacked(content: bytes) -> Any:
    return pickle.loads(zlib.decompress(content))


# --- the workers' side ---------------------------------------------------------------------------

_STOPPED: set[str] = set()


def _stop(job: str) -> None:
    """Runs on every worker: units of this job end after their generation."""
    _STOPPED.add(job)


def _work(content: bytes, job: str, index: int, allowed: Allowed | None) -> bytes:
    """Runs on a worker: do one unit, sending each batch as it is told."""
    spec, trials = _unpacked(content)
    store = _Sender(job, index, list(trials), get_worker().log_event)

    def watch(*progress: object) -> None:
        store.send((), progress)

    result: UnitResult = run_unit(spec, store, watch, lambda: job in _STOPPED, allowed)
    return _packed((result, len(trials), store.trials[len(trials) :]))


@dataclass(slots=True)
class _Sender:
    """A unit's store on a worker: everything goes to where the run was begun, as it is told."""

    job: str
    index: int
    trials: list[Any]
    log_event: Callable[[str, bytes], None]

    def append(self, trials: Trials) -> None:
        self.send(trials, None)
        self.trials.extend(trials)

    def send(self, trials: Trials, progress: tuple[object, ...] | None) -> None:
        first = len(self.trials)
        self.log_event(self.job, _packed((self.index, first, list(trials), progress)))
