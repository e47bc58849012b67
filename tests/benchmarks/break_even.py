"""What break-even costs, whether it hangs on luck, and whether its ends are right.

    python tests/benchmarks/break_even.py              time and evaluations, the demo
    python tests/benchmarks/break_even.py --seeds 8    the same ends from other candidates?
    python tests/benchmarks/break_even.py --referee 20 random cars and the two studies

The referee knows nothing of walks: at a tenth of a millimetre outside each end it looks for an
acceptable design by differential evolution over every combination of stock values, its best
polished by Nelder and Mead's simplex; at a tenth inside the end's own design is tried, and where it
fails the same is done. What counts is `Problem.evaluate` of a catalogue with that rack changed.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.optimize import differential_evolution, minimize

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in (".", "cases"))]

from heights_referee import random_car  # noqa: E402

from optimiser.evaluation.asked import KeepOut, Room  # noqa: E402
from optimiser.evaluation.designs import VARIABLES, Designs, FollowsRack, Range, Stock  # noqa: E402
from optimiser.evaluation.problem import Problem  # noqa: E402
from optimiser.search.break_even import SANE, break_evens  # noqa: E402
from optimiser.search.opening import open_racks  # noqa: E402
from optimiser.study.read import read_study  # noqa: E402

STEP_MM = 0.1
MOST_COMBINATIONS = 24
NOWHERE = 1e3


def opened(problem: Problem) -> Designs:
    """What a search of every rack opens with."""
    found = open_racks(problem, range(len(problem.racks)), 1, 50, refine=True)
    return Designs.join([part for one in found for part in (one.seeds, one.refined)])


class Question:
    """One rack with one of its numbers changed: how far a design is from being acceptable."""

    def __init__(self, problem: Problem, rack: int, number: str, value: float) -> None:
        bought, space = problem.racks[rack], dict(problem.space)
        if number == "spacer_mm":
            space["spacer_mm"] = Stock((value,))
        else:
            bought = replace(bought, **{number: value})
        self.problem = replace(problem, racks=(bought,), space=space)

    def worst(self, designs: Designs) -> np.ndarray:
        """At most 0 where acceptable: the worst ratio less 1, or what limits are broken by."""
        outcome = self.problem.evaluate(designs)
        over = self.problem.ratios(outcome).max(axis=1) - 1.0
        excess = np.max(outcome.scaled_constraints, axis=1)
        worst = np.maximum(over, np.where(excess > 0.0, excess, -1.0))
        return np.where(np.isfinite(worst), worst, NOWHERE)

    def least(self, seed: int = 0) -> float:
        """The least that differential evolution comes to, of every combination of stock values."""
        space = self.problem.space
        free = [n for n, c in space.items() if isinstance(c, Range) and c.low < c.high]
        values = {
            name: choice.values if isinstance(choice, Stock) else (choice.low,)
            for name, choice in space.items()
            if name not in free and not isinstance(choice, FollowsRack)
        }
        combinations = list(itertools.product(*values.values()))[:MOST_COMBINATIONS]
        return min(self._of(free, dict(zip(values, c, strict=True)), seed) for c in combinations)

    def _of(self, free: list[str], held: dict[str, float], seed: int) -> float:
        def designs(x: np.ndarray) -> Designs:
            columns = {name: np.full(x.shape[1], value) for name, value in held.items()}
            columns |= {
                name: space.low + row * (space.high - space.low)
                for name, row, space in zip(
                    free, x, (self.problem.space[n] for n in free), strict=True
                )
            }
            height = self.problem.space["arm_height_mm"]
            if isinstance(height, FollowsRack):
                columns["arm_height_mm"] = columns["rack_height_mm"] + height.offset_mm
            rack = np.zeros(x.shape[1], dtype=np.intp)
            return Designs(rack, np.stack([columns[name] for name in VARIABLES], axis=1))

        if not free:
            return float(self.worst(designs(np.zeros((0, 1))))[0])
        found = differential_evolution(
            lambda x: self.worst(designs(np.atleast_2d(x.T).T)),
            [(0.0, 1.0)] * len(free),
            popsize=20,
            maxiter=150,
            tol=1e-8,
            rng=seed,
            vectorized=True,
            polish=False,
            updating="deferred",
            callback=lambda intermediate_result: intermediate_result.fun <= 0.0,
        )
        if found.fun <= 0.0:
            return float(found.fun)
        polished = minimize(
            lambda x: float(self.worst(designs(np.clip(x, 0.0, 1.0)[:, None]))[0]),
            found.x,
            method="Nelder-Mead",
            options={"maxfev": 1500, "xatol": 1e-9, "fatol": 1e-12},
        )
        return float(min(found.fun, polished.fun))


def check(problem: Problem, evens, *, bare: bool) -> list[str]:
    """What the referee finds wrong with the ends of a problem."""
    if bare:
        limits = problem.without_clearance.limits
        problem = replace(problem, limits=limits, room=problem.without_clearance.room)
    wrong = []
    for one in evens:
        stretches = one.bare if bare else one.stretches
        if one.number == "clearance_mm":
            continue
        name = f"{problem.racks[one.rack].name} {one.number}{' bare' if bare else ''}"
        for stretch in stretches:
            for way, end in zip((-1.0, 1.0), stretch, strict=True):
                wrong += [f"{name}: {text}" for text in _at_end(problem, one, way, end)]
        if not stretches:
            value = getattr(problem.racks[one.rack], one.number, 0.0)
            least = Question(problem, one.rack, one.number, value).least()
            if least <= 0.0:
                wrong.append(f"{name}: none was found, but {value:g} does")
    return wrong


def _at_end(problem: Problem, one, way: float, end) -> list[str]:
    low, high = SANE[one.number]
    wrong, inside, outside = [], end.at_mm - way * STEP_MM, end.at_mm + way * STEP_MM
    own = Designs(np.zeros(1, dtype=np.intp), end.design.values.copy())
    if Question(problem, one.rack, one.number, end.at_mm).worst(own)[0] > 0.0:
        wrong.append(f"the design at the end {end.at_mm:.3f} is not acceptable")
    question = Question(problem, one.rack, one.number, inside)
    if one.number == "spacer_mm":
        own.values[:, VARIABLES.index("spacer_mm")] = inside
    if low <= inside <= high and question.worst(own)[0] > 0.0 and question.least() > 0.0:
        wrong.append(f"{inside:.3f} inside the end is not acceptable")
    if low <= outside <= high:
        least = Question(problem, one.rack, one.number, outside).least()
        if least <= 0.0:
            wrong.append(f"{outside:.3f} outside the end is acceptable ({least:.2e})")
    return wrong


def timing() -> None:
    problem = read_study(ROOT / "studies" / "demo.toml").problem()
    designs = opened(problem)
    outcome, count, judge = problem.evaluate(designs), [0], Problem.judge

    def counted(self, some, *args, **more):
        count[0] += len(some)
        return judge(self, some, *args, **more)

    Problem.judge = counted
    began = time.process_time()
    evens = break_evens(problem, designs, outcome, 1)
    taken = time.process_time() - began
    Problem.judge = judge
    print(f"demo, seven racks: {taken:.2f} s of processor time, {count[0]} designs evaluated")
    for one in evens:
        ends = [f"{low.at_mm:.1f} to {high.at_mm:.1f}" for low, high in one.stretches]
        bare = [f"{low.at_mm:.1f} to {high.at_mm:.1f}" for low, high in one.bare]
        print(f"{problem.racks[one.rack].name} {one.number}: {ends}, without clearance {bare}")


def outer(evens) -> np.ndarray:
    values = []
    for one in evens:
        for stretches in (one.stretches, one.bare):
            ends = (stretches[0][0].at_mm, stretches[-1][1].at_mm) if stretches else (np.nan,) * 2
            values += ends if one.number != "clearance_mm" else ()
    return np.array(values)


def luck(seeds: int) -> None:
    for name in ("demo", "rescue"):
        problem = read_study(ROOT / "studies" / f"{name}.toml").problem()
        designs = opened(problem)
        outcome = problem.evaluate(designs)
        found = [outer(break_evens(problem, designs, outcome, seed)) for seed in range(seeds)]
        low, high = np.nanmin(found, axis=0), np.nanmax(found, axis=0)
        best = np.where(np.arange(len(low)) % 2 == 0, low, high)
        away = np.nan_to_num(np.abs(np.array(found) - best), nan=0.0)
        lost = np.isnan(found) & np.isfinite(best)
        print(f"{name}: {int((away > STEP_MM).sum() + lost.sum())} of {away.size} ends missed")


def car(seed: int) -> Problem:
    """A car that nobody drew, parts in the way of its steering; stock values now and then."""
    rng = np.random.default_rng([7, seed])
    drawn = random_car(seed)
    rack = replace(
        drawn.racks[0],
        travel_mm=float(rng.uniform(110.0, 180.0)),
        housing_length_mm=drawn.racks[0].inner_joint_spacing_mm - 150.0,
        housing_diameter_mm=45.0,
    )
    space = dict(drawn.space)
    if rng.random() < 0.5:
        space["spacer_mm"] = Stock((0.0, 10.0, 25.0))
    if rng.random() < 0.3:
        low, high = space["arm_height_mm"].low, space["arm_height_mm"].high
        space["arm_height_mm"] = Stock((low, 0.5 * (low + high), high))
    if rng.random() < 0.3:
        length = 0.5 * (space["arm_length_mm"].low + space["arm_length_mm"].high)
        space["arm_length_mm"] = Stock((length,))
    low = drawn.points.inner_joint + np.array(
        [rng.uniform(-80.0, 40.0), -rng.uniform(200.0, 500.0), rng.uniform(15.0, 60.0)]
    )
    high = low + rng.uniform([20.0, 50.0, 20.0], [80.0, 300.0, 80.0])
    part = KeepOut("box", "box", tuple(low.tolist()), tuple(high.tolist()), mirror=True)
    room = Room(
        (part,), tie_rod_diameter_mm=14.0, joint_diameter_mm=30.0, arm_tube_diameter_mm=24.0
    )
    steering = replace(
        drawn.steering,
        acceptable_bump_steer=float(np.radians(rng.choice([0.05, 0.15, 0.4]))),
        acceptable_ackermann_error=float(np.radians(rng.choice([0.5, 1.5, 3.0]))),
        stops=str(rng.choice(["rack", "lock"])),
    )
    limits = replace(drawn.limits, clearance_mm=float(rng.choice([0.0, 4.0])))
    return replace(drawn, racks=(rack,), space=space, room=room, steering=steering, limits=limits)


def referee(cars: int, first: int) -> None:
    problems = {f"car {seed}": car(seed) for seed in range(first, first + cars)}
    if not first:
        for name in ("demo", "rescue"):
            problems[name] = read_study(ROOT / "studies" / f"{name}.toml").problem()
    count = 0
    for name, problem in problems.items():
        designs = opened(problem)
        began = time.process_time()
        evens = break_evens(problem, designs, problem.evaluate(designs), 1)
        taken = time.process_time() - began
        wrong = check(problem, evens, bare=False) + check(problem, evens, bare=True)
        ends = sum(len(s) * 2 for one in evens for s in (one.stretches, one.bare))
        count += ends
        gaps = sum(max(0, len(one.stretches) - 1) for one in evens)
        print(f"{name}: {taken:.1f} s, {ends} ends, {gaps} gaps", flush=True)
        for line in wrong:
            print(f"    {line}", flush=True)
    print(f"{count} ends looked at")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=0)
    parser.add_argument("--referee", type=int, default=0)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    if given.seeds:
        luck(given.seeds)
    elif given.referee:
        referee(given.referee, given.first)
    else:
        timing()


if __name__ == "__main__":
    main()
