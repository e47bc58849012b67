"""Sums of the columns of a table of designs: whether any number was typed over since the run.

Designs that are shown are evaluated again; one that was made worse is not shown, and another wins.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.base.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

TRIALS_SUMS = "trials_sums"
"""Of `run.json`: of every column of numbers of `trials.csv` how many there are, and their sum."""
_SAME = 1e-11
"""Share of the sizes added up: a program that keeps fifteen digits of each changes less."""


def sums_of(columns: Mapping[str, NDArray[Any]]) -> dict[str, list[float]]:
    """Of every column of numbers how many cells have one, and their sum."""
    numbers = {name: v[np.isfinite(v)] for name, v in columns.items() if v.dtype.kind == "f"}
    return {name: [len(values), float(values.sum())] for name, values in numbers.items()}


def check_sums(
    path: Path, noted: Mapping[str, list[float]], columns: Mapping[str, NDArray[Any]]
) -> None:
    """Compare with what the run noted; results of before that have nothing noted.

    Raises:
        InputError: a column is gone, or has other numbers than were written.
    """
    found = sums_of(columns)
    for name, (count, total) in noted.items():
        had, now = found.get(name, [0, np.nan])
        size = float(np.nansum(np.abs(columns[name]))) if name in found else 0.0
        if had != count or not abs(now - total) <= _SAME * (1.0 + size):
            raise InputError(
                f"{path}, column {name}",
                "has other numbers than the run wrote",
                "put the file back as it was, or run the study again into another folder",
            )
