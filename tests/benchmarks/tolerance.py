"""Percentiles of cars built to tolerances: time and error to first order and of full cars.

Run from the top of the repository: python tests/benchmarks/tolerance.py

The first table: processor time a design, the least of several, beside the evaluation of the design
made exactly, in batches of one, 50 and 512 random designs of one rack of the demo. Ratios hold
within one run. Linear algebra has one thread, as in the program.

The second: how far `linear_percentiles` and 256 full cars are from 8,192 full cars, for random
designs and for those of least bump steer, of the demo and of an invented corner that steers from
behind the axle, with the demo's tolerances, with two and four times as large ones, rectangular and
normal. Designs that are judged by full cars are counted and left out.

The third: designs brought step by step to the end of what they reach, by the lock that is asked
for and by the travel. Of those judged to first order none may have cars that cannot be assembled
in a number that counts.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "cases")]

from optimiser.base.one_thread import ONE_THREAD  # noqa: E402

os.environ.update(ONE_THREAD)

import numpy as np  # noqa: E402
from search_cases import case  # noqa: E402

from optimiser.evaluation.problem import Range, Stock  # noqa: E402
from optimiser.linkage.at_rack import solve_linkage  # noqa: E402
from optimiser.metrics.kinematic import rack_for_steer  # noqa: E402
from optimiser.metrics.tolerance import (  # noqa: E402
    Tolerances,
    linear_percentiles,
    tolerance_spread,
)
from optimiser.study.read import read_study  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimiser.evaluation.problem import Designs, Problem
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance import Conditions

MADE = Tolerances(1.0, 0.2, 0.5, 0.5, float(np.radians(0.05)))
TRUE = 8192


def made(factor: float, distribution: str = "rectangular", samples: int = 256) -> Tolerances:
    """The demo's tolerances, larger by a factor."""
    sizes = (MADE.bracket_mm, MADE.spacer_mm, MADE.arm_mm, MADE.hardpoints_mm, MADE.toe)
    return Tolerances(*(factor * size for size in sizes), distribution, samples)  # type: ignore[arg-type]


def designs_of(problem: Problem, rack: int, count: int, seed: int) -> tuple[Designs, Designs]:
    """Random designs of a rack that assemble, and of sixteen times as many those of least bump."""
    rng, free, some = np.random.default_rng(seed), {}, 16 * count
    for name, choice in problem.space.items():
        if isinstance(choice, Range):
            free[name] = rng.uniform(choice.low, choice.high, some)
        elif isinstance(choice, Stock) and len(choice.values) > 1:
            free[name] = rng.choice(choice.values, some)
    designs = problem.designs(np.full(some, rack), free)
    found = problem.evaluate(designs, poses_between=False)
    whole = np.flatnonzero(found.assembles)
    best = whole[np.argsort(found.metrics["bump_steer_deg"][whole])]
    return designs.select(whole[:count]), designs.select(best[:count])


def corners(problem: Problem, rack: int, count: int, seed: int) -> tuple[Hardpoints, Hardpoints]:
    """Corners of the same."""
    some, best = designs_of(problem, rack, count, seed)
    return problem.corners(some)[0], problem.corners(best)[0]


def least(call: Callable[[], object], repeats: int) -> float:
    """Least processor time of several calls, s."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def times(repeats: int) -> None:
    """Print the first table."""
    problem = replace(read_study(ROOT / "studies" / "demo.toml").problem(), tolerances=MADE)
    designs, _ = designs_of(problem, 2, 512, 1)
    print("designs   exactly      to first order   256 full cars   (ms a design; times exactly)")
    for count in (1, 50, 512):
        some = designs.select(slice(0, count))
        points, _ = problem.corners(some)
        exact, linear, full = (
            1e3 * least(call, repeats) / count
            for call in (
                lambda d=some: problem.nominal.evaluate(d),
                lambda p=points: linear_percentiles(p, MADE, problem.conditions),
                lambda p=points: tolerance_spread(p, MADE, problem.conditions),
            )
        )
        print(
            f"{count:7} {exact:9.3f} {linear:9.2f} ({linear / exact:5.1f}) "
            f"{full:9.2f} ({full / exact:5.1f})   {full / linear:.1f} to 1"
        )


def errors(count: int) -> None:
    """Print the second table."""
    demo = read_study(ROOT / "studies" / "demo.toml").problem()
    cars = (("demo", demo, 2), ("rear steer", case("rear steer"), 0))
    print(
        "\nerror in % of 8,192 full cars: median, 95 %, worst\n"
        "tolerances         full   bump: first order     256 full cars         "
        "Ackermann: first order  256 full cars"
    )
    for factor in (1.0, 2.0, 4.0):
        for distribution in ("rectangular", "normal"):
            off, full = [], 0
            for _, problem, rack in cars:
                for points in corners(problem, rack, count, 7):
                    fails, found = _errors(points, problem.conditions, factor, distribution)
                    off.append(found)
                    full += fails
            bump, bump_256, error, error_256 = np.concatenate(off, axis=1)
            words = [
                " ".join(f"{100 * np.quantile(np.abs(each), q):5.2f}" for q in (0.5, 0.95, 1.0))
                for each in (bump, bump_256, error, error_256)
            ]
            total = 2 * len(cars) * count
            print(f"{factor:g} x {distribution:12} {full:4}/{total}  {'    '.join(words)}")


def _errors(
    points: Hardpoints, at: Conditions, factor: float, distribution: str
) -> tuple[int, Array]:
    """Number of designs judged in full, and errors (4, n) of the others."""
    found = linear_percentiles(points, made(factor, distribution), at)
    rest = np.flatnonzero(~found.full)
    chosen = points.select(rest)
    few = tolerance_spread(chosen, made(factor, distribution), at)
    true = tolerance_spread(chosen, made(factor, distribution, TRUE), at)
    bump, error = true.bump_steer_p95, true.ackermann_error_p95
    return int(found.full.sum()), np.stack(
        [
            found.bump_steer[rest] / bump - 1.0,
            few.bump_steer_p95 / bump - 1.0,
            found.ackermann_error[rest] / error - 1.0,
            few.ackermann_error_p95 / error - 1.0,
        ]
    )


def ends(count: int) -> None:
    """Print the third table."""
    print("\nnear the end   judged  to first order  of these with failing cars (most of 8,192)")
    for kind in ("lock", "travel"):
        judged, sums, failing = 0, 0, []
        for name in ("front steer", "rear steer", "large caster", "parallel equal arms"):
            problem = case(name, lock_deg=22.0)
            points, _ = corners(problem, 0, count, 3)
            for row in range(count):
                for at in _brought_near(problem, points.select(row), kind):
                    for factor in (0.5, 1.0, 3.0):
                        one = points.select(slice(row, row + 1))
                        found = linear_percentiles(one, made(factor), at)
                        judged += 1
                        if not found.full[0]:
                            sums += 1
                            true = tolerance_spread(one, made(factor, samples=TRUE), at)
                            failing.append(int(true.failing[0]))
        some = sum(number > 0 for number in failing)
        print(f"{kind:14} {judged:6}  {sums:14}  {some:6} ({max(failing, default=0)})")


def _brought_near(problem: Problem, points: Hardpoints, kind: str) -> list[Conditions]:
    """Conditions ever further from the greatest lock, or bump, that a corner reaches."""
    at, attitude = problem.conditions, problem.conditions.attitude
    if kind == "lock":
        tried = np.linspace(22.0, 75.0, 1061)
        reached = np.isfinite(rack_for_steer(points, np.radians(tried), attitude))
        last = tried[np.flatnonzero(reached)[-1]]
        if last > 74.0:
            return []
        locks = last - np.array([0.1, 0.3, 0.6, 1.0, 1.5, 2.5, 4.0, 6.0])
        return [replace(at, inner_lock=float(np.radians(lock))) for lock in locks if lock > 20.0]
    heights = np.linspace(0.0, 400.0, 801)
    reached = np.isfinite(solve_linkage(points, heights, 0.0, attitude).steer)
    if reached.all():
        return []
    last = heights[np.argmin(reached) - 1]
    return [
        replace(at, travel_mm=np.sort(np.append(np.linspace(-60.0, last - left, 13), 0.0)))
        for left in (0.5, 1.0, 2.0, 3.0, 5.0, 8.0)
    ]


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--designs", type=int, default=20)
    parser.add_argument("--near", type=int, default=4)
    options = parser.parse_args()
    times(options.repeats)
    errors(options.designs)
    ends(options.near)


if __name__ == "__main__":
    main()
