"""Kill a run at random moments, again and again, and look at what is left each time.

    python tests/stress/kills.py [--kills 30] [--seed 1]

Each time: no design that was on disk is missing, no file is half-written, and the next run goes
on. At the end the results are those of a run that was never killed. Takes a few minutes.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in (".", "cases"))]

from cut_off import OPTIONS, check_nothing_half_written, told, wait_for_designs  # noqa: E402
from small_study import run, start, write_small_study  # noqa: E402


def kill_once(folder: Path, moments: random.Random) -> int:
    """Start the run, kill it at a random moment; designs that were on disk just before.

    One kill in five comes while the program is still starting, the others once it searches.
    """
    before = set(told(folder))
    with start("run", "in/small.toml", *OPTIONS, cwd=folder, start_new_session=True) as process:
        if moments.random() < 0.2:
            time.sleep(2.0 * moments.random())
        else:
            wait_for_designs(folder, len(before) + 1, process)
            time.sleep(0.6 * moments.random())
        safe = set(told(folder))
        if moments.random() < 0.7:
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
        process.communicate()
    assert before <= safe, "a design that was on disk before the run is missing"
    assert safe <= set(told(folder)), "a design that was on disk before the kill is missing"
    check_nothing_half_written(folder)
    return len(safe)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trials", type=int, default=8000)
    given = parser.parse_args()
    moments = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as place:
        whole, folder = Path(place, "whole"), Path(place, "killed")
        for each in (whole, folder):
            write_small_study(each / "in", trials=given.trials)
        code, _, err = run("run", "in/small.toml", *OPTIONS, cwd=whole, timeout=600)
        assert code in (0, 1), err  # 1: no rack is acceptable
        for number in range(1, given.kills + 1):
            if (folder / "out/small/run.json").exists():
                print("finished early: nothing is left to kill")
                break
            count = kill_once(folder, moments)
            print(f"kill {number:2}: {count} designs on disk")
        again, _, err = run("run", "in/small.toml", *OPTIONS, cwd=folder, timeout=600)
        assert again == code, err
        for name in ("trials.csv", "front.csv", "hardpoints.csv", "curves.csv"):
            ours, theirs = (each / "out/small" / name for each in (folder, whole))
            assert ours.read_bytes() == theirs.read_bytes(), name
        assert len(told(folder)) == 2 * given.trials
        print(f"same {2 * given.trials} designs as the uninterrupted run")


if __name__ == "__main__":
    main()
