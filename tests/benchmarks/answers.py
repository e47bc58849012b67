"""Processor time of each command, beside what importing numpy and scipy takes in the same minute.

Run from the top of the repository: python tests/benchmarks/answers.py [--only WORD]

A ratio says how many times as long a command takes as `import numpy, scipy.optimize` alone,
measured before and after it; it holds between machines better than seconds do. Modules are compiled
once, as they are for whoever has installed the program.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
COMPILED = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
YARDSTICK = [sys.executable, "-c", "import numpy, scipy.optimize"]
PICK = "pick results/demo --at rack_height_mm=218 spacer_mm=20"
COMMANDS = {
    "help": "--help",
    "check": "check studies/demo.toml",
    "curves": "curves studies/demo.toml",
    "quick": "run studies/demo.toml --quick",
    "demo": "run studies/demo.toml",
    "pick": f"{PICK} --no-pictures",
    "pick with pictures": PICK,
    "report": "report results/demo",
    "heights": "heights studies/rescue.toml --rack Linnet",
    "with tolerances": "run studies/tolerances.toml --trials 100",
}
AIMS = {"help": 0.3, "check": 0.7, "quick": 8.0, "demo": 11.0, "pick": 1.7, "heights": 5.0,
        "with tolerances": 8.0}  # fmt: skip
"""Seconds on the machine that the figures in DEVELOPERS.md are of."""


def processor_seconds(command: list[str], folder: Path) -> float:
    """User and system time of a command and all it starts."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        command, cwd=folder, env=COMPILED, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


def write_studies(folder: Path) -> None:
    """The studies, and the demo's one acceptable cheap rack asked as built."""
    shutil.copytree(ROOT / "studies", folder / "studies")
    text = (folder / "studies" / "demo.toml").read_text("utf-8")
    racks = 'catalogue = "demo_racks.csv"'
    assert racks in text
    text = text.replace(racks, f'{racks}\nuse = ["Finch"]')
    built = 'bump_steer = "with tolerances"\nackermann_error = "with tolerances"'
    text += f"\n[objectives]\n{built}\n"
    (folder / "studies" / "tolerances.toml").write_text(text, "utf-8")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", default="", help="commands whose name has this in it")
    given = parser.parse_args()
    print(f"{'':20} {'seconds':>8} {'aim':>6} {'times numpy and scipy':>22}")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_studies(folder)
        for words in ("--help", "check studies/demo.toml"):
            processor_seconds([sys.executable, "-m", "optimiser", *words.split()], folder)
        for name, words in COMMANDS.items():
            if given.only not in name:
                continue
            command = [sys.executable, "-m", "optimiser", *words.split()]
            yard = processor_seconds(YARDSTICK, folder)
            taken = processor_seconds(command, folder)
            yard = 0.5 * (yard + processor_seconds(YARDSTICK, folder))
            aim = f"{AIMS[name]:g}" if name in AIMS else ""
            print(f"{name:20} {taken:8.2f} {aim:>6} {taken / yard:22.1f}", flush=True)


if __name__ == "__main__":
    main()
