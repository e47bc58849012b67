"""Hypervolume against evaluations and time: our search and its parts, pymoo, Optuna's samplers.

Run from the top of the repository: python tests/benchmarks/search_quality.py [--quick] [--seeds 5]
    [--bounded | --wanted]

(a) the pipeline as `run` uses it, Optuna's bookkeeping in memory included; and the same with its
    journal file;
(b) the same without seeds, without refinement, without both;
(c) pymoo's NSGA-II and NSGA-III (population 100) with the same vectorised problem, and scipy's
    differential evolution along rays that are spread over the front, each end polished;
(d) Optuna's own NSGA-II, TPE and random samplers, asked and told in batches.

With --bounded each problem has two limits more, on the force in the tie rod and on its swing; with
--wanted toe is wanted to change over travel as well, by -2 deg/m.

Every solver is asked of the same invented cars and racks; every design that it evaluates counts,
finite differences too. The hypervolume is that of all feasible designs told or evaluated so far,
up to four times the acceptable values. Times are processor time of this process; ratios hold
within one run.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
import warnings
from dataclasses import dataclass, field, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in (".", "cases"))]

import matplotlib as mpl  # noqa: E402

mpl.use("Agg")

import optuna  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402
from rivals import evolve, nsga2, nsga3, polish  # noqa: E402
from search_cases import case  # noqa: E402

from optimiser.base.front import hypervolume, non_dominated  # noqa: E402
from optimiser.evaluation.asked import Bound, LoadAssumptions  # noqa: E402
from optimiser.evaluation.designs import Evaluation  # noqa: E402
from optimiser.evaluation.problem import Problem  # noqa: E402
from optimiser.jobs.unit import UnitSpec, run_recorded, run_unit  # noqa: E402
from optimiser.metrics.wanted import WantedToe  # noqa: E402
from optimiser.search.sampler import free_variables, resolve  # noqa: E402
from optimiser.search.unit_search import SearchSettings, UnitSearch  # noqa: E402

REFERENCE_RATIO = 4.0
SAMPLES = (500, 2000, 10000, 40000)
RAYS, POLISHING = 8, 300  # of differential evolution, and the designs kept for polishing an end


def problems() -> dict[str, Problem]:
    """Different questions: what is free, what stands in the way, where the trade-off lies."""
    return {
        "all free": case("front steer"),
        "arm as drawn": case("rear steer", fixed_arm=True, spacing_mm=590.0),
        "stock spacers": case(
            "inclined arm axes", spacers=(0.0, 8.0, 16.0, 24.0, 32.0), spacing_mm=610.0, target=0.6
        ),
        "short rack": case("parallel equal arms", spacing_mm=540.0, target=0.8),
    }


BOUNDS = {
    "all free": (375.0, 15.0),
    "arm as drawn": (383.0, 12.7),
    "stock spacers": (400.0, 14.5),
    "short rack": (365.0, 13.5),
}
"""Limits on the force in the tie rod, N, and on the swing of its inner joint, deg: most of the
front of each problem without them is beyond."""


GRADIENT_DEG_PER_M = -2.0


def bounded() -> dict[str, Problem]:
    """The same questions, each with two limits on quantities."""
    found = {}
    for name, problem in problems().items():
        force, swing = BOUNDS[name]
        bounds = (Bound("tie_rod_force_n", most=force), Bound("inner_joint_swing_deg", most=swing))
        limits = replace(problem.limits, bounds=bounds)
        found[name] = replace(problem, limits=limits, loads=LoadAssumptions(1450.0, 160e3))
    return found


def wanted() -> dict[str, Problem]:
    """The same with two limits, where toe-out in bump is wanted."""
    found = {}
    for name, problem in bounded().items():
        toe = WantedToe(gradient=float(np.radians(GRADIENT_DEG_PER_M)) / 1000.0)
        found[name] = replace(problem, steering=replace(problem.steering, wanted_toe=toe))
    return found


# --- what is measured ----------------------------------------------------------------------------


@dataclass
class Trace:
    """Evaluations, seconds and hypervolume of one run, in order."""

    reference: np.ndarray
    evaluated: list[int] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    volumes: list[float] = field(default_factory=list)
    front: np.ndarray | None = None

    def add(self, evaluated: int, seconds: float, values: np.ndarray) -> None:
        """Take feasible designs' objectives."""
        both = values if self.front is None else np.concatenate([self.front, values])
        self.front = both[non_dominated(both)] if len(both) else both.reshape(0, 2)
        self.evaluated.append(evaluated)
        self.seconds.append(seconds)
        self.volumes.append(hypervolume(self.front, self.reference) if len(self.front) else 0.0)

    def at(self, evaluated: int) -> float:
        """Hypervolume after so many evaluations."""
        done = [v for n, v in zip(self.evaluated, self.volumes, strict=True) if n <= evaluated]
        return done[-1] if done else 0.0

    def reached(self, volume: float) -> tuple[float, float]:
        """Evaluations and seconds at which a hypervolume was reached; infinite if never."""
        for n, t, v in zip(self.evaluated, self.seconds, self.volumes, strict=True):
            if v >= volume:
                return n, t
        return np.inf, np.inf


class Watch:
    """Counts evaluations of a problem and the seconds since it began, its own work left out."""

    def __init__(self, problem: Problem) -> None:
        self.trace = Trace(REFERENCE_RATIO * problem.acceptable)
        self.count, self._judge = 0, Problem.judge
        self._own, self._start = 0.0, time.process_time()
        self.trials: list[optuna.trial.FrozenTrial] = []

    def __enter__(self) -> Watch:
        def judge(problem, designs, solved, **more):
            self.count += len(designs)
            return self._judge(problem, designs, solved, **more)

        self._patch = patch.object(Problem, "judge", judge)
        self._patch.start()
        self._start = time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        self._patch.stop()

    def note(self, values: np.ndarray) -> None:
        """Take feasible designs' objectives, off the clock."""
        now = time.process_time()
        self.trace.add(self.count, now - self._start - self._own, np.reshape(values, (-1, 2)))
        self._own += time.process_time() - now

    def told(self, _designs, found: Evaluation) -> None:
        """Take a batch of a rival's."""
        self.note(found.objectives[found.feasible])

    def append(self, trials) -> None:
        """Take told trials, as a unit's store does."""
        kept = [t.values for t in trials if t.values and t.user_attrs["status"] == "ok"]
        self.note(np.array(kept))


# --- ours ----------------------------------------------------------------------------------------


def settings(trials: int) -> SearchSettings:
    return SearchSettings(trials=trials)


def ours(problem: Problem, seed: int, trials: int, *, seeds: bool, refined: bool) -> Trace:
    """A unit of work as `run` does it, its trials kept in memory."""
    spec = UnitSpec("bench", problem, 0, seed, settings(trials), seeds, refined, Path("unused"))
    with Watch(problem) as watch:
        run_unit(spec, watch, lambda *_: None, lambda: False)
    return watch.trace


def recorded(problem: Problem, seed: int, trials: int) -> Trace:
    """The same with its journal file, each batch written and synced."""
    with tempfile.TemporaryDirectory() as folder, Watch(problem) as watch:
        path = Path(folder) / "unit.journal"
        spec = UnitSpec("bench", problem, 0, seed, settings(trials), True, True, path)
        absorb = UnitSearch._absorb

        def noted(self, told, batch):
            absorb(self, told, batch)
            watch.append(batch)

        with patch.object(UnitSearch, "_absorb", noted):
            run_recorded(spec, lambda *_: None, lambda: False, None)
    return watch.trace


# --- the others ----------------------------------------------------------------------------------


def pymoo(problem: Problem, seed: int, evaluations: int, solver=nsga2) -> Trace:
    with Watch(problem) as watch:
        solver(problem, seed, evaluations, watch.told)
    return watch.trace


def along_rays(problem: Problem, seed: int, evaluations: int) -> Trace:
    """Differential evolution along each of a few rays, and its end polished along the same."""
    angles = np.linspace(0.0, np.pi / 2.0, RAYS + 2)[1:-1]
    directions = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    with Watch(problem) as watch:
        for number, direction in enumerate(directions):
            ray = problem.acceptable * direction
            share = evaluations // RAYS - POLISHING
            ends = evolve(problem, 100 * seed + number, share, ray, watch.told)
            ends = polish(problem, ends, ray)
            watch.told(ends, problem.evaluate(ends))
    return watch.trace


def stock_sampler(problem: Problem, seed: int, name: str, trials: int) -> Trace:
    """Optuna alone, with its defaults."""
    samplers = optuna.samplers
    sampler = {
        "nsga2": samplers.NSGAIISampler,
        "tpe": samplers.TPESampler,
        "random": samplers.RandomSampler,
    }[name](seed=seed)
    space, batch = free_variables(problem), 10 if name == "tpe" else 50
    with Watch(problem) as watch:
        study = optuna.create_study(directions=["minimize"] * 2, sampler=sampler)
        while len(study.trials) < trials:
            asked = [study.ask(space) for _ in range(batch)]
            found = problem.evaluate(resolve(problem, 0, [trial.params for trial in asked]))
            for row, trial in enumerate(asked):
                if not found.assembles[row]:
                    study.tell(trial, state=optuna.trial.TrialState.FAIL)
                    continue
                for limit, value in zip(
                    problem.constraint_names, found.constraints[row].tolist(), strict=True
                ):
                    trial.set_constraint(limit, value)
                study.tell(trial, found.objectives[row].tolist())
            watch.note(found.objectives[found.feasible])
    return watch.trace


# --- Optuna's share ------------------------------------------------------------------------------


def overhead(trials: int) -> list[tuple[int, float, float]]:
    """Trials told, ms of asking and telling a trial about there, and memory in MB."""
    problem = case("front steer")
    limits = len(problem.constraint_names)

    def made_up(designs) -> Evaluation:
        # Two objectives that cost nothing, with a front of the usual kind.
        at = designs.values / np.array([250.0, 100.0, 60.0, 120.0, 220.0, 15.0])
        spread = ((at[:, 1:] - 0.7) ** 2).sum(axis=1)
        both = np.stack([at[:, 0] + spread, (1.2 - at[:, 0]) ** 2 + spread], axis=1)
        status = np.full(len(designs), "ok", dtype=object)
        return Evaluation(both, np.full((len(designs), limits), -1.0), {}, status)

    unit = UnitSearch(problem, 0, 1, SearchSettings(trials=trials, stop_window=0))
    rows, spent, last = [], 0.0, 0
    while True:
        start = time.process_time()
        designs = unit.ask()
        spent += time.process_time() - start
        if designs is None:
            return rows
        found = made_up(designs)
        start = time.process_time()
        unit.tell(designs, found)
        spent += time.process_time() - start
        if unit.count - last >= 2000 or unit.count == trials:
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
            rows.append((unit.count, 1000.0 * spent / (unit.count - last), memory))
            spent, last = 0.0, unit.count


# --- tables and figure ---------------------------------------------------------------------------


def median(traces: list[Trace], evaluated: float) -> float:
    return float(np.median([trace.at(evaluated) for trace in traces]))


def compare(name: str, runs: dict[str, list[Trace]], evaluations: int) -> None:
    """Hypervolumes, and what it took to pass pymoo's last."""
    print(f"\n{name}: median hypervolume after so many evaluations, and at the end")
    samples = [n for n in SAMPLES if n <= evaluations]
    print(
        " " * 26 + "".join(f"{n:>10,}" for n in samples) + "       end  evaluated  seconds  spread"
    )
    for label, traces in runs.items():
        ends = np.array([trace.volumes[-1] for trace in traces])
        told = int(np.median([trace.evaluated[-1] for trace in traces]))
        seconds = float(np.median([trace.seconds[-1] for trace in traces]))
        cells = "".join(f"{median(traces, n):10.4f}" if told >= n else " " * 10 for n in samples)
        spread = 100.0 * np.ptp(ends) / max(float(np.median(ends)), 1e-300)
        print(f"{label:26}{cells}{np.median(ends):10.4f} {told:10,} {seconds:8.2f} {spread:6.3f}%")
    for rival in (label for label in runs if label.startswith("(c)")):
        goal = median(runs[rival], np.inf)
        seconds = float(np.median([trace.seconds[-1] for trace in runs[rival]]))
        spent = int(np.median([trace.evaluated[-1] for trace in runs[rival]]))
        for label, traces in runs.items():
            if label.startswith("(c)"):
                continue
            passed = np.array([trace.reached(goal) for trace in traces])
            n, t = np.median(passed, axis=0)
            if np.isfinite(n):
                print(
                    f"  {label} passes {rival}, {goal:.4f}, after {int(n):,} evaluations "
                    f"({n / spent:.3f} of its) and {t:.2f} s ({t / seconds:.3f} of its)"
                )
            else:
                print(f"  {label} does not pass {rival}, {goal:.4f}")


def draw(everything: dict[str, dict[str, list[Trace]]], path: Path) -> None:
    """Share of the best hypervolume still missing, against evaluations and against time."""
    figure = Figure(figsize=(11.0, 3.0 * len(everything)), layout="constrained")
    axes = figure.subplots(len(everything), 2, squeeze=False)
    for row, (name, runs) in zip(axes, everything.items(), strict=True):
        best = max(trace.volumes[-1] for traces in runs.values() for trace in traces)
        for label, traces in runs.items():
            trace = sorted(traces, key=lambda one: one.volumes[-1])[len(traces) // 2]
            missing = np.maximum(1.0 - np.array(trace.volumes) / best, 1e-5)
            for axis, at in zip(row, (trace.evaluated, trace.seconds), strict=True):
                # There are more solvers than colours.
                style = "--" if label.startswith("(d)") else "-"
                axis.step(at, missing, style, where="post", label=label, linewidth=1.2)
        for axis, text in zip(row, ("evaluations", "seconds of processor time"), strict=True):
            axis.set(xscale="log", yscale="log", xlabel=text, ylim=(8e-6, 1.2))
            axis.grid(alpha=0.3)
        row[0].set(title=name, ylabel="share of hypervolume missing")
    axes[0, 1].legend(fontsize=7, loc="lower left")
    figure.savefig(path, dpi=130)


def main() -> None:
    """Run everything and print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer evaluations, trials and seeds")
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--only", nargs="*", help="names of problems")
    parser.add_argument("--figure", type=Path, help="PNG file to write")
    parser.add_argument("--trials", type=int, default=1000, help="trials of our search")
    parser.add_argument("--no-overhead", action="store_true")
    asked = parser.add_mutually_exclusive_group()
    asked.add_argument("--bounded", action="store_true", help="two limits on quantities each")
    asked.add_argument("--wanted", action="store_true", help="those, and a wanted change of toe")
    options = parser.parse_args()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    warnings.simplefilter("ignore")
    seeds = range(2 if options.quick else options.seeds)
    evaluations = 4000 if options.quick else 40000
    few = 200 if options.quick else 1000
    trials = 300 if options.quick else options.trials
    solvers = {
        "(a) as run uses it": lambda p, s: ours(p, s, trials, seeds=True, refined=True),
        "(a) with journal file": lambda p, s: recorded(p, s, trials),
        "(b) no seeds": lambda p, s: ours(p, s, trials, seeds=False, refined=True),
        "(b) no refinement": lambda p, s: ours(p, s, trials, seeds=True, refined=False),
        "(b) neither": lambda p, s: ours(p, s, trials, seeds=False, refined=False),
        "(c) pymoo NSGA-II": lambda p, s: pymoo(p, s, evaluations),
        "(c) pymoo NSGA-III": lambda p, s: pymoo(p, s, evaluations, nsga3),
        "(c) evolution along rays": lambda p, s: along_rays(p, s, evaluations),
        "(d) Optuna NSGA-II": lambda p, s: stock_sampler(p, s, "nsga2", 2 * few),
        "(d) Optuna TPE": lambda p, s: stock_sampler(p, s, "tpe", few // 2),
        "(d) Optuna random": lambda p, s: stock_sampler(p, s, "random", 2 * few),
    }
    everything = {}
    asked_of = wanted if options.wanted else bounded if options.bounded else problems
    for name, problem in asked_of().items():
        if options.only and name not in options.only:
            continue
        runs = {label: [run(problem, seed) for seed in seeds] for label, run in solvers.items()}
        compare(name, runs, evaluations)
        sys.stdout.flush()
        everything[name] = runs
        if options.figure:
            draw(everything, options.figure)
    if not options.no_overhead:
        rows = overhead(6000 if options.quick else 50000)
        first, last = rows[0], rows[-1]
        print("\nAsking and telling a trial, ms, without evaluating it")
        for count, cost, memory in (first, rows[len(rows) // 2], last):
            print(f"  about {count:7,}: {cost:.3f} ms, {memory:.0f} MB in all")
        print(
            f"  at {last[0]:,} it costs {last[1] / first[1]:.2f} times what it does at {first[0]:,}"
        )


if __name__ == "__main__":
    main()
