"""Poses per second of the kernel against two general solvers, and Optuna's share of a search.

Run from the top of the repository: python tests/benchmarks/kernel.py

All solvers are asked for the same poses of the same invented corner: 25 wheel travels with the
rack at centre and 25 rack displacements at rest, for 1, 64 or 4,096 tie rods placed at random
around the drawn one. The rivals solve one pose after another, each from its neighbour, and are
not charged for building the corner: exudyn for one static solve a pose and no polishing, and
`scipy.optimize.root` for the six distance equations of `references.constraints` with their exact
Jacobian. They are timed on a sample of the designs. Times are processor time of this process, the
least of several, so that other work on the machine counts little; ratios hold within one run.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING
from unittest.mock import patch

import numpy as np
from scipy.optimize import root

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from references import constraints, multibody  # noqa: E402
from references.corners import points_of, spin_axis_of  # noqa: E402

from optimiser.evaluation import solved  # noqa: E402
from optimiser.linkage.at_rack import solve_linkage  # noqa: E402
from optimiser.linkage.attitude import Attitude  # noqa: E402
from optimiser.linkage.hardpoints import Hardpoints  # noqa: E402
from optimiser.search.unit_search import SearchSettings, UnitSearch  # noqa: E402
from optimiser.study.read import read_study  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

CORNER = "front steer"
TRAVEL = np.concatenate([np.linspace(-60.0, 60.0, 25), np.zeros(25)])
RACK = np.concatenate([np.zeros(25), np.linspace(-45.0, 45.0, 25)])
BATCHES = (1, 64, 4096)


def best_time(call: Callable[[], object], repeats: int) -> float:
    """Least processor time of several calls, s."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def tie_rods(count: int) -> Hardpoints:
    """The corner with `count` tie rods within 8 mm of the drawn one."""
    points, rng = points_of(CORNER), np.random.default_rng(5)
    outer, inner = (
        points[name] + rng.uniform(-8.0, 8.0, (count, 3)) for name in ("outer_joint", "inner_joint")
    )
    return Hardpoints.from_mapping(points).with_tie_rod(outer, inner)


def point_dicts(corners: Hardpoints, count: int) -> list[dict[str, np.ndarray]]:
    return [dict(corners.select(index).items()) for index in range(count)]


# --- the rivals: steer angles of one corner, pose after pose -------------------------------------

# Outward from rest along travel and along rack, each pose from its neighbour; rest is given.
WALKS = (range(13, 25), range(11, -1, -1), range(38, 50), range(36, 24, -1))
WALKED = sum(len(walk) for walk in WALKS)


def exudyn_steer(points: dict[str, np.ndarray]) -> tuple[np.ndarray, float]:
    """Steer of the poses in radians, and the processor time of one solve."""
    corner = multibody._Corner(points)
    system, settings = corner.system, corner.settings
    design = corner.advance(None, 0.0, 0.0)
    steer, seconds = np.full(len(TRAVEL), steer_of(np.eye(3))), 0.0
    for walk in WALKS:
        corner.advance(design, 0.0, 0.0)
        for index in walk:
            start = time.process_time()
            inner = corner.at["inner_joint"] + [0.0, RACK[index] / 1000.0, 0.0]
            system.SetMarkerParameter(corner.inner_marker, "localPosition", inner)
            height = [0.0, 0.0, TRAVEL[index] / 1000.0]
            system.SetMarkerParameter(corner.travel_marker, "localPosition", height)
            system.SolveStatic(settings, updateInitialValues=True, showCausingItems=False)
            seconds += time.process_time() - start
            steer[index] = steer_of(corner._pose().rotation)
    return steer, seconds / WALKED


def root_steer(points: dict[str, np.ndarray]) -> tuple[np.ndarray, float]:
    """Steer of the poses in radians, and the processor time of one solve."""
    corner = constraints._Corner(points)
    steer, seconds = np.full(len(TRAVEL), steer_of(np.eye(3))), 0.0
    for walk in WALKS:
        unknowns = np.zeros(6)
        for index in walk:
            start = time.process_time()
            found = root(
                corner.equations, unknowns, args=(TRAVEL[index], RACK[index]), jac=True, tol=1e-10
            )
            seconds += time.process_time() - start
            if not found.success:
                raise RuntimeError(found.message)
            unknowns = found.x
            turn = unknowns[3:] / constraints.TURN_SCALE_MM
            steer[index] = steer_of(constraints._rotation(turn))
    return steer, seconds / WALKED


def steer_of(rotation: np.ndarray) -> float:
    x, y, _ = rotation @ spin_axis_of(CORNER)
    return float(np.arctan2(-x, y))


# --- poses ---------------------------------------------------------------------------------------


def kernel_poses(corners: Hardpoints):
    axis = spin_axis_of(CORNER)
    toe, camber = np.arctan2(axis[0], axis[1]), np.arcsin(-axis[2])
    return solve_linkage(
        corners.with_pose_axes(1),
        TRAVEL,
        RACK,
        Attitude(toe, camber),
        thorough=False,
    )


def compare_poses(samples: int) -> None:
    corners = tie_rods(max(BATCHES))
    ours = kernel_poses(corners).steer
    rivals: dict[str, list[float]] = {"exudyn, static solve": [], "scipy.optimize.root": []}
    gap = dict.fromkeys(rivals, 0.0)
    for index, points in enumerate(point_dicts(corners, samples)):
        for name, solve in zip(rivals, (exudyn_steer, root_steer), strict=True):
            steer, seconds = solve(points)
            rivals[name].append(seconds)
            gap[name] = max(gap[name], float(np.max(np.abs(steer - ours[index]))))
    per_pose = {name: min(seconds) for name, seconds in rivals.items()}

    print(f"{len(TRAVEL)} poses a design, {samples} designs of the rivals timed")
    print(f"{'designs':>8}  {'solver':<22}{'us a pose':>10}{'poses/s':>12}{'ratio':>8}")
    for batch in BATCHES:
        some = corners.select(slice(0, batch))
        seconds = best_time(lambda some=some: kernel_poses(some), max(5, 400 // batch))
        mine = seconds / (batch * len(TRAVEL))
        print(f"{batch:>8}  {'kernel':<22}{mine * 1e6:>10.3f}{1.0 / mine:>12,.0f}{1:>8}")
        for name, each in per_pose.items():
            ratio = each / mine
            print(f"{batch:>8}  {name:<22}{each * 1e6:>10.1f}{1.0 / each:>12,.0f}{ratio:>8,.0f}")
    for name, angle in gap.items():
        print(f"largest difference of steer from {name}: {np.degrees(angle):.1e} deg")


# --- a search ------------------------------------------------------------------------------------


class Clock:
    """Processor time spent inside wrapped functions."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def wrap(self, function):
        def timed(*arguments, **options):
            start = time.process_time()
            try:
                return function(*arguments, **options)
            finally:
                self.seconds += time.process_time() - start

        return timed


def compare_search(trials: int) -> None:
    study = read_study(ROOT / "studies" / "demo.toml")
    problem, table = study.problem(), study.file.search
    settings = SearchSettings(trials, population=table.population, stop_window=0)
    kernel, evaluation = Clock(), Clock()
    start = time.process_time()
    search = UnitSearch(problem, len(problem.racks) - 1, study.seed, settings)
    with (
        patch.object(solved, "solve_linkage", kernel.wrap(solved.solve_linkage)),
        patch.object(solved, "solve_lock", kernel.wrap(solved.solve_lock)),
    ):
        evaluate = evaluation.wrap(problem.evaluate)
        while (designs := search.ask()) is not None:
            search.tell(designs, evaluate(designs))
    total = time.process_time() - start
    asked = total - evaluation.seconds
    print(
        f"\nsearch of {search.count} trials, generations of {table.population}, {settings.sampler}"
    )
    for name, seconds in (
        ("Optuna and its bookkeeping", asked),
        ("evaluation without the kernel", evaluation.seconds - kernel.seconds),
        ("kernel", kernel.seconds),
    ):
        each = seconds / search.count * 1e6
        print(f"{name:<32}{seconds:>8.2f} s{seconds / total:>8.0%}{each:>10.0f} us a trial")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--samples", type=int, default=10, help="designs timed of each rival")
    parser.add_argument("--trials", type=int, default=2000, help="trials of the search")
    options = parser.parse_args()
    compare_poses(options.samples)
    compare_search(options.trials)


if __name__ == "__main__":
    main()
