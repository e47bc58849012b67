"""The least change of the suspension: our walks against SLSQP from the same starts.

    python tests/benchmarks/adapt.py [--starts N]

First five invented cars, one of them with its file in inches, on the same vectorised residuals and
derivatives: share of starts that end within a hundredth or 0.02 mm of the least change that any of
either found, designs evaluated, processor time. SLSQP takes one start at a time, as it is made.
Then all ways of racks of the demo, with clearance and without: processor time (aims 15 and 5 s).
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "cases")]

from optimiser.base.one_thread import ONE_THREAD  # noqa: E402

for name, value in ONE_THREAD.items():
    os.environ.setdefault(name, value)

import numpy as np  # noqa: E402
from adapt_cases import FIVE, PIVOTS, invented, slsqp  # noqa: E402
from small_study import demo_with  # noqa: E402

from optimiser.questions.adapt.asked import Tightened, least_change  # noqa: E402
from optimiser.questions.adapt.rack import answer_rack  # noqa: E402
from optimiser.questions.adapt.starts import find_starts  # noqa: E402
from optimiser.questions.adapt.ways import STEPS, Search, everything  # noqa: E402
from optimiser.study.read import read_study  # noqa: E402

CLOSE_MM, CLOSE_SHARE = 0.02, 0.01


def walks(problem, starts) -> tuple[list[float], int, float]:
    """Ends of our walks, designs evaluated and seconds."""
    search = Search(Tightened(least_change(problem)))
    begun = time.process_time()
    search.follow(starts, [everything(problem)] * len(starts), STEPS)
    took = time.process_time() - begun
    ends = [float(t.objectives[0, -1]) if t.feasible[0] else np.inf for _, t in search.ends]
    return ends, search.model.evaluated, took


def general(problem, starts) -> tuple[list[float], int, float]:
    """The same of SLSQP, each start as it is."""
    ends, evaluated, begun = [], 0, time.process_time()
    for row in range(len(starts)):
        end, _, designs = slsqp(problem, starts.select(np.array([row])), 1, scatter=0.0)
        ends.append(float(end))
        evaluated += designs
    return ends, evaluated, time.process_time() - begun


def cars(count: int) -> None:
    print("car | change, mm | starts | walks: share, designs, s | SLSQP: share, designs, s")
    totals = np.zeros((2, 4))
    with tempfile.TemporaryDirectory() as folder:
        for name in FIVE:
            problem = invented(Path(folder), name).moving_problem()
            moved = find_starts(problem, 0).moved
            starts = moved.select(np.arange(min(count, len(moved))))
            found = [walks(problem, starts), general(problem, starts)]
            best = min(min(ends) for ends, _, _ in found)
            near = best + max(CLOSE_MM, CLOSE_SHARE * best)
            parts = []
            for row, (ends, designs, took) in enumerate(found):
                good = sum(end <= near for end in ends)
                totals[row] += good, len(starts), designs, took
                parts.append(f"{good} of {len(starts)}, {designs}, {took:.2f}")
            print(f"{name} | {best:.3f} | {len(starts)} | {' | '.join(parts)}")
            assert min(found[0][0]) <= near, "the walks missed the least change"
    for title, (good, tried, designs, took) in zip(("walks", "SLSQP"), totals, strict=True):
        print(f"{title}: {good:.0f} of {tried:.0f} starts, {designs:.0f} designs, {took:.2f} s")
    print(f"SLSQP takes {totals[1, 3] / totals[0, 3]:.1f} times as long")


def ways() -> None:
    print("all ways, s of processor time: rack | without clearance | with")
    with tempfile.TemporaryDirectory() as folder:
        study = demo_with(Path(folder))
        study.path.write_text(study.text + PIVOTS, "utf-8")
        study = read_study(study.path)
    problem = study.moving_problem()
    for index, rack in enumerate(study.racks):
        took = []
        for asked in (problem.without_clearance, problem):
            begun = time.process_time()
            answer_rack(asked, index)
            took.append(time.process_time() - begun)
        print(f"{rack.name} | {took[0]:.2f} | {took[1]:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--starts", type=int, default=8)
    cars(parser.parse_args().starts)
    ways()


if __name__ == "__main__":
    main()
