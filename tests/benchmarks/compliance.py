"""Compliance of a generation, in shares of its kinematics.

Run from the top of the repository: python tests/benchmarks/compliance.py

Processor time, the least of several, of toe and camber under load with every spring given, beside
solving the poses of the same designs of the demo. At most half of it is allowed.
"""

from __future__ import annotations

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

from search_cases import random_designs  # noqa: E402

from optimiser.evaluation.compliance import compliance_metrics  # noqa: E402
from optimiser.metrics.compliance import Stiffness  # noqa: E402
from optimiser.study.read import read_study  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

ALL = Stiffness(5000.0, 6000.0, 3000.0, 4000.0, 2000.0, 2e4, 3e4, 4e4, 15.0)
REPEATS = 20


def least(work: Callable[[], object]) -> float:
    """Milliseconds of processor time, the least of several."""
    times = []
    for _ in range(REPEATS):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return 1000.0 * min(times)


def main() -> None:
    problem = replace(
        read_study(ROOT / "studies" / "demo.toml").problem(), stiffness=ALL, tolerances=None
    )
    yielding = problem.yielding
    print("| designs | kinematics, ms | compliance, ms | share |\n| --- | --- | --- | --- |")
    for count in (1, 50, 512):
        designs = random_designs(problem, count)
        solved = problem.solve(designs)
        poses = least(lambda designs=designs: problem.solve(designs))
        give = least(
            lambda designs=designs, solved=solved: compliance_metrics(
                designs, solved, problem.racks, yielding
            )
        )
        print(f"| {count} | {poses:.2f} | {give:.2f} | {give / poses:.2f} |")


if __name__ == "__main__":
    main()
