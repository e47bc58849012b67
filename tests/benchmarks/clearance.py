"""What clearance costs beside the kinematics, and what the poses between solved ones find.

Run from the top of the repository: python tests/benchmarks/clearance.py

The first table: processor time of `Problem.solve` and of `clearance_metrics`, each the least of
several, for random designs of one rack of the demo, in a generation of 50 and a chunk of 512. Ten
keep-outs are two of the demo and eight invented boxes and capsules scattered over the space that
the rack may use, a hard case: nearly every design is near several. `all` counts arms and rim too.
Ratios hold within one run.

The second: small capsules scattered about the tie rods, each design and capsule a case; what is
measured in the solved poses, and with those between, against 49 x 41 poses of the kernel.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.whole_sweep import on_grid
from optimiser.evaluation.asked import KeepOut, Room
from optimiser.evaluation.clearance.metrics import clearance_metrics
from optimiser.evaluation.clearance.pairs import column
from optimiser.evaluation.problem import Range, Stock
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimiser.evaluation.problem import Designs, Problem
    from optimiser.evaluation.solved import Solved

DEMO = Path(__file__).resolve().parents[2] / "studies" / "demo.toml"
FAR_MM = 60.0
PARTS = ("tie_rod", "outer_joint", "steering_arm")


def without_what_moves(problem: Problem) -> Problem:
    """The same with what stands still of its room; `moving.py` has the rest."""
    return replace(problem, room=replace(problem.room, keep_outs=problem.room.still, tyre=None))


def random_designs(problem: Problem, rack: int, count: int, seed: int) -> Designs:
    """Designs of one rack anywhere in the demo's ranges, of those that can be assembled."""
    rng = np.random.default_rng(seed)
    free = {}
    for name, choice in problem.space.items():
        if isinstance(choice, Range):
            free[name] = rng.uniform(choice.low, choice.high, 2 * count)
        elif isinstance(choice, Stock) and len(choice.values) > 1:
            free[name] = rng.choice(choice.values, 2 * count)
    designs = problem.designs(np.full(2 * count, rack), free)
    whole = np.flatnonzero(problem.solve(designs).reason == "")
    return designs.select(whole[:count])


def scattered(count: int, seed: int) -> tuple[KeepOut, ...]:
    """Invented boxes and capsules, a third of them mirrored."""
    rng = np.random.default_rng(seed)
    items = []
    for index in range(count):
        low = rng.uniform((-50.0, -500.0, 60.0), (250.0, 500.0, 450.0))
        high = low + rng.uniform(30.0, 150.0, 3)
        kind, radius = (("box", 0.0), ("capsule", 12.0))[index % 2]
        items.append(
            KeepOut(f"extra {index}", kind, tuple(low), tuple(high), radius, index % 3 == 0)
        )
    return tuple(items)


def seconds(works: dict[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Least processor time of several runs of each, taken in turn so that noise is shared."""
    best = dict.fromkeys(works, np.inf)
    for _ in range(repeats):
        for name, work in works.items():
            start = time.process_time()
            work()
            best[name] = min(best[name], time.process_time() - start)
    return best


def measure(
    problem: Problem, designs: Designs, solved: Solved, room: Room, **options: Any
) -> dict[str, np.ndarray]:
    """Clearance as the problem asks for it, of a room of its own."""
    given = {"arm_ahead": True, "drive_side": "left", "limit_mm": 5.0, **options}
    return clearance_metrics(designs, solved, problem.racks, room, **given)


def share_of_time(repeats: int) -> None:
    """Print the first table."""
    problem = without_what_moves(read_study(DEMO).problem())
    ten = replace(problem.room, keep_outs=problem.room.keep_outs + scattered(8, 3))
    rooms = {
        "demo, all": problem.room,
        "ten, all": ten,
        "ten keep-outs": replace(ten, rim=None, arm_tube_diameter_mm=None),
    }
    print(
        "designs rack     kinematics us/design   clearance us/design (its share of the kinematics)"
    )
    for count in (50, 512):
        for rack in (0, 2, 6):
            designs = random_designs(problem, rack, count, count)
            solved = problem.solve(designs)
            works: dict[str, Callable[[], object]] = {
                "kinematics": lambda d=designs: problem.solve(d)
            }
            for name, room in rooms.items():
                works[name] = lambda d=designs, s=solved, r=room: measure(problem, d, s, r)
            taken = seconds(works, repeats * 512 // count)
            kinematics = taken.pop("kinematics")
            words = [
                f"{name} {each / count * 1e6:.0f} ({each / kinematics:.2f})"
                for name, each in taken.items()
            ]
            name = problem.racks[rack].name
            print(
                f"{count:7} {name:8} {kinematics / count * 1e6:12.0f}           {', '.join(words)}"
            )


def what_is_missed(count: int, capsules: int) -> None:
    """Print the second table."""
    problem = read_study(DEMO).problem()
    designs = random_designs(problem, 2, count, 1)
    solved = problem.solve(designs)
    rng = np.random.default_rng(2)
    items = []
    for index in range(capsules):
        middle = rng.uniform((40.0, 230.0, 100.0), (170.0, 640.0, 320.0))
        along = rng.normal(size=3)
        along *= rng.uniform(0.0, 60.0) / np.linalg.norm(along)
        items.append(
            KeepOut(f"k {index}", "capsule", tuple(middle - along), tuple(middle + along), 5.0)
        )
    room = replace(problem.room, keep_outs=tuple(items), spacer_diameter_mm=None)
    whole = on_grid(problem, solved, 49, 41)
    names = [column(part, item.name) for part in PARTS for item in items]

    def cases(poses: Solved, *, poses_between: bool) -> np.ndarray:
        found = measure(problem, designs, poses, room, limit_mm=FAR_MM, poses_between=poses_between)
        return np.array([found[name] for name in names])

    true, few = cases(whole, poses_between=False), cases(solved, poses_between=False)
    both = cases(solved, poses_between=True)
    print(
        f"\n{true.size} cases of a part and a small capsule, {np.sum(true < 5.0)} nearer than 5 mm"
    )
    for name, values in (("solved poses", few), ("and between", both)):
        shown = (values >= 5.0) & (true < FAR_MM)
        error = (values - true)[shown]
        print(
            f"{name:13}: taken for clear by mistake {np.sum((values >= 5.0) & (true < 5.0)):5}, "
            f"too much by {np.percentile(error, 99):.2f} mm (99 %), {np.max(error):.2f} mm (worst)"
        )


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--designs", type=int, default=100)
    parser.add_argument("--capsules", type=int, default=150)
    options = parser.parse_args()
    share_of_time(options.repeats)
    what_is_missed(options.designs, options.capsules)


if __name__ == "__main__":
    main()
