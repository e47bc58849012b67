"""How long `heights` takes for one rack: wanted is less than 20 s on two cores.

    python tests/benchmarks/heights.py [RACK]

Prints, for the rescue study (96 heights, no clearance) and the demo study (66 heights, clearance
in force), the time on the clock and of the processor, the number of designs that were evaluated,
and how many heights are not converged. The clock says little while other work runs on the machine.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np

from optimiser.evaluation.problem import Problem
from optimiser.questions.heights.folder import rack_figures
from optimiser.questions.heights.rack import solve_rack
from optimiser.study.read import read_study

STUDIES = Path(__file__).resolve().parents[2] / "studies"
WANTED_S = 20.0


class Counter:
    """Counts the designs that pass through the problem."""

    def __init__(self) -> None:
        self.designs = 0
        self._judge = Problem.judge

    def judge(self, problem, designs, solved):
        self.designs += len(designs)
        return self._judge(problem, designs, solved)


def main() -> None:
    """Time one rack of each study."""
    only = sys.argv[1] if len(sys.argv) > 1 else None
    counter = Counter()
    Problem.judge = lambda self, designs, solved: counter.judge(self, designs, solved)
    print(f"load of the machine before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    for name, rack in (("rescue", "Linnet"), ("demo", "Finch")):
        if only not in (None, rack):
            continue
        study = read_study(STUDIES / f"{name}.toml")
        problem = study.problem()
        choice = problem.space["rack_height_mm"]
        heights = np.arange(choice.low, choice.high + 1e-9, 2.0)
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
            f"{name}, {rack}: {len(heights)} heights x 4 ways, {counter.designs} designs, "
            f"{clock:.1f} s on the clock, {processor:.1f} s of processor (figures {figures:.1f} s "
            f"more); {open_} not converged; wanted {WANTED_S:g} s"
        )


if __name__ == "__main__":
    main()
