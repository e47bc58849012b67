"""Processor time of `try`: of each kind of line, beside what importing numpy takes alone.

    python tests/benchmarks/what_if.py [PATH]

PATH is a result folder or a study; the kept example of the demo by default. Everything a line does
is counted, words too. A first round is not: it is what a session has behind it after a few lines.
A ratio to the import of numpy, measured before and after, holds between machines better than
seconds do. Wanted are 0.3 s for a line and 0.5 s for `best`, as medians.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from optimiser.base.one_thread import ONE_THREAD  # noqa: E402

for name, value in ONE_THREAD.items():
    os.environ.setdefault(name, value)

import numpy as np  # noqa: E402

from optimiser.base.errors import OptimiserError  # noqa: E402
from optimiser.questions.what_if.session import Session  # noqa: E402
from optimiser.questions.what_if.state import open_design  # noqa: E402

BEFORE_BEST = (
    "",
    "rack_height +5",
    "rack_height -20",
    "spacer 15",
    "spacer 0",
    "arm_length -10",
    "travel 80",
    "wheelbase 2400",
    "lock 37",
    "clearance 8",
)
WANTED = {"best": 0.5}


def numpy_alone() -> float:
    """Processor seconds of a process that imports numpy."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", "import numpy"], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


def timed(session: Session, line: str) -> float:
    """Processor seconds of the answer to a line."""
    start = time.process_time()
    try:
        session.answer(line)
    except OptimiserError as error:
        print(f"  {error}")
    return time.process_time() - start


def measure(path: Path) -> dict[str, list[float]]:
    """Processor seconds of every line of a kind: `best` from each place and rack, and the rest."""
    found: dict[str, list[float]] = {"a change": [], "best": [], "limits, show": []}
    opened = open_design(path, path)
    racks = [rack.name for rack in opened.state.chosen.problem.racks]
    places = [*BEFORE_BEST, *(f"rack {rack}" for rack in racks)]
    for line in ("", *places):  # the first round is not counted
        session = Session(opened)
        if line:
            found["a change"].append(timed(session, line))
        found["best"].append(timed(session, "best"))
        found["limits, show"] += [timed(session, "limits"), timed(session, "show")]
    found["best"] = found["best"][1:]
    return found


def main() -> None:
    """Measure and print."""
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "results" / "example" / "demo"
    numpy_alone()
    yard = numpy_alone()
    found = measure(path)
    yard = 0.5 * (yard + numpy_alone())
    print(f"{'':14} {'lines':>6} {'median s':>9} {'most s':>7} {'wanted':>7} {'times numpy':>12}")
    for kind, seconds in found.items():
        median = float(np.median(seconds))
        print(f"{kind:14} {len(seconds):6} {median:9.3f} {max(seconds):7.3f} "
              f"{WANTED.get(kind, 0.3):7g} {median / yard:12.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
