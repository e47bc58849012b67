"""Designs that a search begins with: the front of an earlier result, or the copy of one.

    results/mycar/fronts/*.csv, front.csv   ->   EarlierDesign   ->   inputs/start_from.csv

Only rack and values are read: what became of them there says nothing here, they are evaluated
again. Values are of the car's axes, so that another CAD frame is of no matter.
"""

from __future__ import annotations

import csv
import math
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.base.errors import InputError
from optimiser.base.files import csv_text, plain_text, read_json_table, table_lines
from optimiser.evaluation.designs import ALL_VARIABLES, VARIABLES
from optimiser.evaluation.moves import DIRECTIONS, MOVABLE, PAIRS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

START_FROM = "start_from"
"""The key of `[search]`, and the kind of the copy among a result's inputs."""
_RUN_FILE, _STATE_FILE = "run.json", "state.json"
_MOVES = tuple(f"{one}_{way}_mm" for one in (*PAIRS, *MOVABLE) for way in DIRECTIONS)
_REMEDY = "name the folder of a finished run, such as results/mycar, relative to the study file"


@dataclass(frozen=True, slots=True)
class EarlierDesign:
    """A design of an earlier result: name of its rack, and its values by column."""

    rack: str
    values: tuple[tuple[str, float], ...]


def read_earlier(folder: Path, where: str) -> tuple[EarlierDesign, ...]:
    """Designs of the fronts of a result, of each rack and over all, each once.

    Args:
        folder: the result.
        where: the key that names it, for messages.

    Raises:
        InputError: no such folder, no result, one that is not finished, or one without a front.
    """
    if not os.path.isdir(folder):
        raise InputError(where, f"no such folder {str(folder)!r}", _REMEDY)
    if not os.path.isfile(folder / _RUN_FILE):
        variants = sorted(path.parent.name for path in folder.glob(f"*/{_RUN_FILE}"))
        remedy = (
            f"name one of its variants, such as {folder / variants[0]}" if variants else _REMEDY
        )
        raise InputError(where, f"{str(folder)!r} holds no {_RUN_FILE}", remedy)
    marks = (read_json_table(folder / name) for name in (_RUN_FILE, _STATE_FILE))
    if not all(mark.get("finished", True) for mark in marks):
        problem = f"the run in {str(folder)!r} is not finished"
        raise InputError(where, problem, "give its own command again, or name another folder")
    files = [*sorted((folder / "fronts").glob("*.csv")), folder / "front.csv"]
    rows = (row for path in files if path.is_file() for row in _rows(path))
    found = tuple(dict.fromkeys(rows))
    if not found:
        problem = f"{str(folder)!r} has no front: none of its designs keeps every limit"
        raise InputError(where, problem, "name another folder, or leave the key out")
    return found


def read_copy(path: Path) -> tuple[EarlierDesign, ...]:
    """Designs of the copy that a result keeps.

    Raises:
        InputError: it cannot be read.
    """
    return tuple(_rows(path))


def copy_text(designs: Sequence[EarlierDesign]) -> str:
    """The copy, which `read_copy` reads back as it is."""
    names = [
        name for name in (*ALL_VARIABLES, *_MOVES) if any(name in dict(d.values) for d in designs)
    ]
    rows = ([one.rack, *(dict(one.values).get(name) for name in names)] for one in designs)
    return csv_text(
        ("rack", *names), rows, ("designs of an earlier front that the search began with",)
    )


def _rows(path: Path) -> Iterator[EarlierDesign]:
    """Rack and values of each row, whatever other columns there are."""
    try:
        for cells in csv.DictReader(table_lines(path), strict=True):
            values = {n: float(cells[n]) for n in (*ALL_VARIABLES, *_MOVES) if cells.get(n)}
            if not all(name in values for name in VARIABLES):
                raise ValueError("a row lacks a variable")
            if not all(map(math.isfinite, values.values())):
                raise ValueError("a value is not finite")
            yield EarlierDesign(plain_text(cells["rack"]), tuple(values.items()))
    except (OSError, ValueError, KeyError, csv.Error) as error:
        raise InputError(
            str(path), f"cannot be read ({error})", "name a result whose files are as they were"
        ) from None
