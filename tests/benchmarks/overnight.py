"""What a night costs: the record on disk, units side by side, a cluster, a hundred thousand trials.

    python tests/benchmarks/overnight.py [--quick] [record units cluster long]

Prints tables; ratios within one run carry over to other machines, times do not.
"""

from __future__ import annotations

import argparse
import functools
import os
import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in (".", "cases"))]
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np  # noqa: E402
import optuna  # noqa: E402
from optuna.storages import InMemoryStorage, JournalStorage  # noqa: E402
from optuna.storages.journal import JournalFileBackend  # noqa: E402
from small_study import small_study  # noqa: E402

from optimiser.jobs import cluster  # noqa: E402
from optimiser.jobs.processes import attempt, run_units  # noqa: E402
from optimiser.jobs.time_budget import Shares, TimeBudget  # noqa: E402
from optimiser.jobs.unit import UnitSpec, open_record, run_unit  # noqa: E402
from optimiser.search.record import UnitRecord  # noqa: E402
from optimiser.search.unit_search import SearchSettings, UnitSearch  # noqa: E402

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem

POPULATION = 50
LINE = "{:44}{:10.2f}{:15.2f}x"


def silent(*_: object) -> None:
    pass


def never() -> bool:
    return False


def spec_of(folder: Path, trials: int, seed: int = 1) -> UnitSpec:
    """One unit of the starter study with a coarse step, searched to the last trial."""
    settings = SearchSettings(trials, "nsga2", POPULATION, stop_window=0, give_up_after=0)
    record = folder / f"{time.monotonic_ns()}.journal"
    return UnitSpec(f"unit {seed}", the_problem(), 0, seed, settings, False, False, record)


@functools.cache
def the_problem() -> Problem:
    with tempfile.TemporaryDirectory() as place:
        return small_study(Path(place), racks=("Middle",)).problem()


# --- the record ----------------------------------------------------------------------------------


def told_batches(folder: Path, trials: int) -> list:
    spec, batches = spec_of(folder, trials), []
    search = UnitSearch(spec.problem, 0, 1, spec.settings, on_batch=batches.append)
    while (designs := search.ask()) is not None:
        search.tell(designs, spec.problem.evaluate(designs))
    return batches


def bench_record(folder: Path, quick: bool) -> None:
    """Milliseconds and bytes per trial of ways to keep finished trials."""
    batches = told_batches(folder, 500 if quick else 2000)
    trials = [trial for batch in batches for trial in batch]
    print(f"\nRecord of {len(trials)} finished trials, {POPULATION} a generation")
    print(f"{'':44}{'ms a trial':>12}{'bytes a trial':>15}")

    def stock(storage: object, some: list) -> float:
        study = optuna.create_study(storage=storage, directions=["minimize"] * 2)
        began = time.perf_counter()
        for trial in some:
            study.add_trial(trial)
        return 1000.0 * (time.perf_counter() - began) / len(some)

    print(f"{'in memory only':44}{stock(InMemoryStorage(), trials):12.3f}")
    path = folder / "ours.journal"
    began = time.perf_counter()
    with UnitRecord(path, "unit", ("a", "b")) as record:
        for batch in batches:
            record.append(batch)
    taken = 1000.0 * (time.perf_counter() - began) / len(trials)
    size = path.stat().st_size / len(trials)
    print(f"{'ours: a write and a sync a generation':44}{taken:12.3f}{size:15.0f}")
    path = folder / "stock.journal"
    taken = stock(JournalStorage(JournalFileBackend(str(path))), trials)
    size = path.stat().st_size / len(trials)
    print(f"{'Optuna journal file, a sync a trial':44}{taken:12.3f}{size:15.0f}")
    path, some = folder / "stock.db", trials[:200]
    taken = stock(f"sqlite:///{path}", some)
    print(f"{'Optuna on sqlite':44}{taken:12.3f}{path.stat().st_size / len(some):15.0f}")
    began = time.perf_counter()
    with UnitRecord(folder / "ours.journal", "unit", ("a", "b")) as record:
        count = len(record.trials)
    print(f"read back: {1000.0 * (time.perf_counter() - began) / count:.3f} ms a trial")


# --- units side by side --------------------------------------------------------------------------


def bench_units(folder: Path, quick: bool) -> None:
    """Units per second in one process, in the pool and through a cluster."""
    trials, count = (100, 6) if quick else (500, 12)
    print(f"\n{count} units of {trials} trials")
    print(f"{'':44}{'units/s':>10}{'of one process':>16}")

    def specs() -> list[UnitSpec]:
        return [spec_of(folder, trials, seed) for seed in range(count)]

    batch = specs()
    attempt(spec_of(folder, 50), silent, never, None)  # imports and caches
    began = time.perf_counter()
    for spec in batch:
        attempt(spec, silent, never, None)
    one = count / (time.perf_counter() - began)
    print(LINE.format("one process, one after the other", one, 1.0))
    for workers in (2,):
        rate = count / timed_pool(specs(), workers)
        print(LINE.format(f"--workers {workers}, start of processes included", rate, rate / one))
    for workers in (1, 2):
        with Shop(folder, workers) as shop:
            rate = count / timed_cluster(specs(), shop.address)
            print(LINE.format(f"through Dask, {workers} workers on this machine", rate, rate / one))


def timed_pool(specs: list[UnitSpec], workers: int) -> float:
    began = time.perf_counter()
    run_units(
        specs,
        workers=workers,
        watch=silent,
        stop=never,
        shares=Shares([TimeBudget()] * len(specs)),
        done=silent,
    )
    return time.perf_counter() - began


def timed_cluster(specs: list[UnitSpec], address: str) -> float:
    began = time.perf_counter()
    cluster.run_units_on_cluster(
        address,
        specs,
        watch=silent,
        stop=never,
        shares=Shares([TimeBudget()] * len(specs)),
        done=silent,
        note=print,
    )
    return time.perf_counter() - began


class Shop:
    """A scheduler and workers on loopback, warm."""

    def __init__(self, folder: Path, workers: int) -> None:
        from dask_shop import Shop as Begun

        self._begun = Begun(folder)
        self.address = self._begun.address
        for number in range(workers):
            self._begun.worker(f"worker {number}")
        self._folder, self._workers = folder, workers

    def __enter__(self) -> Shop:
        self._begun.wait_for_workers(self._workers)
        timed_cluster([spec_of(self._folder, 50, n) for n in range(self._workers)], self.address)
        return self

    def __exit__(self, *_: object) -> None:
        self._begun.close()


# --- the cluster on paper ------------------------------------------------------------------------


def bench_cluster(folder: Path, quick: bool) -> None:
    """Overhead per unit, sizes of messages, and how many workers that leaves room for."""
    count = 10 if quick else 40
    tiny = [spec_of(folder, POPULATION, seed) for seed in range(count)]
    began = time.perf_counter()
    for spec in tiny:
        with open_record(replace(spec, record=spec.record.with_suffix(".alone"))) as record:
            run_unit(spec, record, silent, never)
    alone = (time.perf_counter() - began) / count
    with Shop(folder, 1) as shop:
        through = timed_cluster(tiny, shop.address) / count
    overhead = 1000.0 * (through - alone)
    print(
        f"\nCluster: a unit of one generation takes {1000.0 * alone:.0f} ms here, "
        f"{1000.0 * through:.0f} ms through it: {overhead:.0f} ms of overhead a unit"
    )
    spec = spec_of(folder, 2000)
    batches = told_batches(folder, 2000 if not quick else 500)
    unit = len(cluster._packed((spec, [])))
    generation = len(cluster._packed((0, 0, batches[3], None)))
    trials = [trial for batch in batches for trial in batch]
    with open_record(spec) as record:
        began = time.perf_counter()
        result = run_unit(spec, record, silent, never)
        seconds = time.perf_counter() - began
    answer = len(cluster._packed((result, 0, trials)))
    print(
        f"messages: unit {unit / 1e3:.1f} kB, generation {generation / 1e3:.1f} kB, "
        f"result of {len(trials)} trials {answer / 1e3:.0f} kB"
    )
    began = time.perf_counter()
    for batch in batches:
        cluster._unpacked(cluster._packed((0, 0, batch, None)))
    packing = (time.perf_counter() - began) / len(batches)
    path = folder / "receiving.journal"
    began = time.perf_counter()
    with UnitRecord(path, "unit", ("a", "b")) as record:
        for batch in batches:
            record.append(batch)
    storing = (time.perf_counter() - began) / len(batches)
    each = seconds / (len(result.designs) / POPULATION)
    print(
        f"a generation takes a worker {1000.0 * each:.0f} ms; this machine unpacks it in "
        f"{1000.0 * packing:.1f} ms and stores it in {1000.0 * storing:.1f} ms: "
        f"room for about {each / (packing + storing):.0f} workers"
    )


# --- a long search -------------------------------------------------------------------------------


def bench_long(folder: Path, quick: bool) -> None:
    """Memory, file size and cost per trial of one unit of very many trials."""
    trials = 5_000 if quick else 100_000
    spec = spec_of(folder, trials)
    print(f"\nOne unit of {trials} trials with its record")
    marks: list[float] = []
    with open_record(spec) as record:
        run_unit(spec, record, lambda *_: marks.append(time.process_time()), never)
    steps = np.diff(marks) * 1000.0 / POPULATION
    tenth = max(1, len(steps) // 10)
    first, last = np.median(steps[1:tenth]), np.median(steps[-tenth:])
    print(
        f"processor ms a trial, median: first tenth {first:.3f}, last tenth {last:.3f}, "
        f"ratio {last / first:.2f} (aim: at most 2)"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"peak memory {peak:.0f} MB (aim: under 1500)")
    size = spec.record.stat().st_size
    print(f"record {size / 1e6:.0f} MB, {size / trials:.0f} bytes a trial")
    began = time.perf_counter()
    with open_record(spec) as record:
        count = len(record.trials)
        opened = time.perf_counter() - began
        UnitSearch(spec.problem, 0, spec.seed, spec.settings, trials=record.trials)
    print(
        f"gone on with: {count} trials read in {opened:.1f} s, "
        f"searching again after {time.perf_counter() - began:.1f} s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small numbers, to see that it works")
    parser.add_argument("parts", nargs="*", default=["record", "units", "cluster", "long"])
    given = parser.parse_args()
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    parts = {
        "record": bench_record,
        "units": bench_units,
        "cluster": bench_cluster,
        "long": bench_long,
    }
    for name in given.parts:
        with tempfile.TemporaryDirectory() as place:
            parts[name](Path(place), given.quick)


if __name__ == "__main__":
    main()
