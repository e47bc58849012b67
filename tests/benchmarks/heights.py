"""How long `heights` takes for one rack, and how its optima compare with differential evolution.

    python tests/benchmarks/heights.py [RACK]
    python tests/benchmarks/heights.py --referee [every so many heights]

The first prints, for the rescue study (96 heights, no clearance) and the demo study (66 heights,
clearance in force), the time on the clock and of the processor, the number of designs that were
evaluated, and how many heights are not converged. The clock says little while other work runs on
the machine: wanted is less than 5 s of the processor for the first.

The second solves every rack of both studies and five random cars, and lists each height that is
more than 0.002 deg above what the referee finds.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in (".", "cases"))]

from heights_referee import least_bump_steer, random_car  # noqa: E402

from optimiser.evaluation.problem import Problem  # noqa: E402
from optimiser.questions.heights.folder import rack_figures  # noqa: E402
from optimiser.questions.heights.rack import solve_rack  # noqa: E402
from optimiser.questions.heights.ways import way_problem  # noqa: E402
from optimiser.study.read import read_study  # noqa: E402

STUDIES = ROOT / "studies"
WANTED_S = 5.0
AIM_DEG = 2e-3


class Counter:
    """Counts the designs that pass through the problem."""

    def __init__(self) -> None:
        self.designs = 0
        self._judge = Problem.judge

    def judge(self, problem, designs, solved):
        self.designs += len(designs)
        return self._judge(problem, designs, solved)


def heights_of(problem: Problem) -> np.ndarray:
    choice = problem.space["rack_height_mm"]
    return np.arange(choice.low, choice.high + 1e-9, 2.0)


def timing(only: str | None) -> None:
    """Time one rack of each study."""
    counter = Counter()
    Problem.judge = lambda self, designs, solved: counter.judge(self, designs, solved)
    print(f"load of the machine before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    for name, rack in (("rescue", "Linnet"), ("demo", "Finch")):
        if only not in (None, rack):
            continue
        study = read_study(STUDIES / f"{name}.toml")
        problem = study.problem()
        heights = heights_of(problem)
        index = [item.name for item in problem.racks].index(rack)
        counter.designs, clock, processor = 0, time.perf_counter(), time.process_time()
        longest = study.file.limits.spacer_max_mm
        found = solve_rack(problem, index, heights, longest)
        clock, processor = time.perf_counter() - clock, time.process_time() - processor
        start = time.process_time()
        rack_figures(found)
        figures = time.process_time() - start
        open_ = sum(
            int((c.optima.evaluation.feasible & ~c.optima.converged).sum()) for c in found.curves
        )
        print(
            f"{name}, {rack}: {len(heights)} heights x {len(found.ways)} ways, {counter.designs} "
            f"designs, {clock:.1f} s on the clock, {processor:.1f} s of processor (figures "
            f"{figures:.1f} s more); {open_} not converged; wanted for rescue {WANTED_S:g} s"
        )


def compared(title: str, problem: Problem, rack: int, longest: float, every: int) -> None:
    """Every so many heights of every way of one rack against the referee."""
    heights = heights_of(problem)
    found = solve_rack(problem, rack, heights, longest)
    over, count = 0, 0
    for curve in found.curves:
        way = way_problem(found.problem, curve.way, heights, longest)
        outcome = curve.optima.evaluation
        bump = np.where(outcome.feasible, outcome.objectives[:, 0], np.inf)
        for row in range(0, len(heights), every):
            least = least_bump_steer(way, rack, heights[row])
            count += bool(np.isfinite(least))
            if not bump[row] <= least + AIM_DEG:
                over += 1
                said = "" if curve.optima.converged[row] else ", not converged"
                print(f"  {curve.way.name}, {heights[row]:.1f} mm: {bump[row]:.4f} against "
                      f"{least:.4f} deg{said}", flush=True)  # fmt: skip
    title = f"{title}: {over} of {count} heights above the referee by more than {AIM_DEG:g} deg"
    print(title, flush=True)


def referee(every: int) -> None:
    """All racks of both studies and five random cars."""
    for name in ("rescue", "demo"):
        study = read_study(STUDIES / f"{name}.toml")
        problem = study.problem()
        for rack, item in enumerate(problem.racks):
            longest = study.file.limits.spacer_max_mm
            compared(f"{name}, {item.name}", problem, rack, longest, every)
    for seed in range(5):
        compared(f"random car {seed}", random_car(seed), 0, 50.0, every)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--referee"]:
        referee(int(sys.argv[2]) if len(sys.argv) > 2 else 8)
    else:
        timing(sys.argv[1] if len(sys.argv) > 1 else None)
