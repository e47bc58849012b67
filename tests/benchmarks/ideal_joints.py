"""10,000 ideal inner joints in one call, against the same fits by scipy one at a time.

Run from the top of the repository: python tests/benchmarks/ideal_joints.py

The first line of the table times all that the package does, from hardpoints to residual toe. Its
rivals are given the paths for nothing and only fit (y, z, length) by
`scipy.optimize.least_squares`, started 300 mm inboard of the outer joint; a sample of them is timed
and scaled up, and the table says so. Times are processor time of this process, all threads, so
that other work on the machine counts little. The distance between the answers is that of a fit of
d^2 - l^2 to one of d - l. The car is invented.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "cases"))

from frozen_toe import fit_circle_at, frozen_toe_path

from optimiser.linkage.at_rack import place_outer_joint
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.ideal import ideal_inner_joint

if TYPE_CHECKING:
    from collections.abc import Callable

CAR = Hardpoints.from_mapping(
    {
        "lower_front_pivot": (150.0, 305.0, 160.0),
        "lower_rear_pivot": (-130.0, 300.0, 156.0),
        "lower_ball_joint": (12.0, 640.0, 150.0),
        "upper_front_pivot": (105.0, 365.0, 368.0),
        "upper_rear_pivot": (-110.0, 360.0, 362.0),
        "upper_ball_joint": (-18.0, 606.0, 398.0),
        "wheel_centre": (0.0, 680.0, 275.0),
        "outer_joint": (-120.0, 610.0, 230.0),
        "inner_joint": (-130.0, 320.0, 235.0),
    }
)
TRAVEL = np.linspace(-60.0, 60.0, 41)


def best_time(call: Callable[[], object], repeats: int) -> float:
    """Least of several times in seconds."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def scipy_fit(path: np.ndarray, x: float, method: str) -> np.ndarray:
    """(y, z) of the inner joint and the tie-rod length."""
    along = (path[:, 0] - x) ** 2

    def error(unknown: np.ndarray) -> np.ndarray:
        y, z, length = unknown
        return np.sqrt(along + (path[:, 1] - y) ** 2 + (path[:, 2] - z) ** 2) - length

    middle = path[len(path) // 2]
    return least_squares(error, [middle[1] - 300.0, middle[2], 300.0], method=method).x


def main() -> None:
    """Time, check that the answers agree, and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=10_000, help="ideal joints in one call")
    parser.add_argument("--sample", type=int, default=200, help="scipy fits that are timed")
    options = parser.parse_args()
    rng = np.random.default_rng(20)
    outer = place_outer_joint(
        CAR,
        rng.uniform(80.0, 140.0, options.count),
        rng.uniform(150.0, 390.0, options.count),
        rng.uniform(-0.3, 0.3, options.count),
        False,
    )
    x = outer[:, 0] + rng.uniform(-30.0, 30.0, options.count)
    paths = frozen_toe_path(CAR, outer, TRAVEL)
    whole = best_time(lambda: ideal_inner_joint(CAR, outer, x, TRAVEL), 7)
    fits = best_time(lambda: fit_circle_at(paths, x), 7)

    # A sample from all over the batch, so that no part of it is favoured.
    chosen = rng.choice(options.count, options.sample, replace=False)
    ours = fit_circle_at(paths[chosen], x[chosen]).centre[:, 1:]
    rows = [
        (f"package: hardpoints to residual toe, {options.count} in one call", whole, ""),
        (f"package: the fits alone, {options.count} in one call", fits, ""),
    ]
    for method in ("trf", "lm"):
        start = time.process_time()
        theirs = np.array([scipy_fit(paths[i], x[i], method)[:2] for i in chosen])
        taken = (time.process_time() - start) * options.count / options.sample
        apart = np.abs(theirs - ours).max()
        name = f"scipy least_squares, method {method}{' (its default)' if method == 'trf' else ''}"
        rows.append(
            (f"{name}: fits alone, {options.sample} timed and scaled", taken, f"{apart:.3f}")
        )

    print(f"{'what':86s} {'cpu s':>9s} {'times longer':>13s} {'apart, mm':>10s}")
    for name, seconds, apart in rows:
        print(f"{name:86s} {seconds:9.3f} {seconds / whole:13.1f} {apart:>10s}")


if __name__ == "__main__":
    main()
