"""Make valid studies at random and run every command on each.

    python tests/stress/random_studies.py [--studies 300] [--first 0] [--processes 2]

No traceback, no number that is none in what is said or written, and the winner's points have the
bump steer that is said of them (`cases/random_studies.py`). Figures and report are made of every
tenth study only. Takes some 3 s of processor time a study.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import functools
import multiprocessing
import sys
import tempfile
import traceback
import warnings
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in (".", "cases"))]

from random_studies import RandomStudy, check_everything  # noqa: E402
from small_study import nothing_drawn  # noqa: E402

DRAWN = 10


def try_one(place: str, seed: int) -> tuple[int, str, str]:
    """Seed, what came of its study in a word, and the trouble."""
    with nothing_drawn() if seed % DRAWN else contextlib.nullcontext():
        try:
            warnings.simplefilter("error")
            return seed, check_everything(RandomStudy(Path(place, str(seed)), seed)), ""
        except BaseException:
            return seed, "TROUBLE", traceback.format_exc()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    count: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as place, multiprocessing.Pool(given.processes) as pool:
        seeds = range(given.first, given.first + given.studies)
        for seed, word, trouble in pool.imap_unordered(functools.partial(try_one, place), seeds):
            count[word] += 1
            print(f"{seed}: {word}\n{trouble}".rstrip(), flush=True)
    print("\n".join(f"{number:4} {word}" for word, number in count.most_common()))
    sys.exit(1 if count["TROUBLE"] else 0)


if __name__ == "__main__":
    main()
