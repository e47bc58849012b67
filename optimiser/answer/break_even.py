"""Break-even of what is bought, as `racks.csv` and `break_even.csv` have it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.search.break_even import BOUGHT, NUMBERS, SANE, BreakEven, End

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from optimiser.evaluation.problem import Problem
    from optimiser.search.break_even import Number, Stretch

    Evens = tuple[BreakEven, ...]

BREAK_EVEN_FILE = "break_even.csv"
COLUMNS: dict[Number, tuple[str, str]] = {
    "inner_joint_spacing_mm": ("acceptable_spacing_from_mm", "acceptable_spacing_to_mm"),
    "spacer_mm": ("acceptable_spacer_from_mm", "acceptable_spacer_to_mm"),
    "travel_mm": ("least_travel_mm", "most_travel_mm"),
}
"""Columns of `racks.csv` for the two ends of each number."""
ALL, BUT_CLEARANCE = "all", "all but clearance"
_ENDS = ("from", "to")
_DIGITS = 2
"""Digits of an end that is told: walks end within some hundredths."""
_AT_RANGE_MM = 1e-3


def of_rack(evens: Evens, rack: int) -> dict[Number, BreakEven]:
    """What is known of one rack."""
    return {one.number: one for one in evens if one.rack == rack}


def is_end(number: Number, at_mm: float, *, greatest: bool) -> bool:
    """Whether a stretch ends there, and not the range that was looked at; no spacer is an end."""
    low, high = SANE[number]
    if greatest:
        return at_mm < high - _AT_RANGE_MM
    return number == "spacer_mm" or at_mm > low + _AT_RANGE_MM


def inward(at_mm: float, digits: int, *, greatest: bool) -> float:
    """An end rounded so that it stays within its stretch."""
    scale = 10.0**digits
    rounded = (math.floor if greatest else math.ceil)(round(at_mm * scale, 6)) / scale
    return rounded + 0.0


def outer_ends(stretches: tuple[Stretch, ...], number: Number) -> tuple[float | None, float | None]:
    """Least and greatest number of all stretches, None where there is no end in a sane range."""
    if not stretches:
        return None, None
    low, high = stretches[0][0].at_mm, stretches[-1][1].at_mm
    return (
        inward(low, _DIGITS, greatest=False) if is_end(number, low, greatest=False) else None,
        inward(high, _DIGITS, greatest=True) if is_end(number, high, greatest=True) else None,
    )


def even_numbers(evens: Evens | None, rack: int) -> dict[str, float | None]:
    """Columns of `racks.csv` of one rack; nothing where break-even was not worked out."""
    found: dict[str, float | None] = {}
    for number, one in of_rack(evens or (), rack).items():
        if number in COLUMNS:
            found |= dict(zip(COLUMNS[number], outer_ends(one.stretches, number), strict=True))
    return found


# --- the table -----------------------------------------------------------------------------------


def table_columns(problem: Problem, evens: Evens) -> dict[str, list[object]]:
    """`break_even.csv` by column: a row for each stretch, with what ends it and a design there."""
    rows = [
        _row(problem, one, limits, stretch)
        for one in evens
        for limits, stretches in ((ALL, one.stretches), (BUT_CLEARANCE, one.bare))
        for stretch in stretches
    ]
    names = ["rack", "number", "limits"]
    for end in _ENDS:
        names += [f"{end}_mm", f"{end}_stopped_by"]
        names += [f"{end}_{name}" for name in problem.columns]
    return {name: [row[name] for row in rows] for name in names}


def _row(problem: Problem, one: BreakEven, limits: str, stretch: Stretch) -> dict[str, object]:
    row: dict[str, object] = {
        "rack": problem.racks[one.rack].name,
        "number": one.number,
        "limits": limits,
    }
    for name, end in zip(_ENDS, stretch, strict=True):
        row |= {f"{name}_mm": end.at_mm, f"{name}_stopped_by": " ".join(end.stops)}
        row |= {
            f"{name}_{variable}": float(value[0])
            for variable, value in problem.variable_values(end.design).items()
        }
    return row


def from_table(problem: Problem, columns: Mapping[str, Sequence[Any]]) -> Evens:
    """What `table_columns` wrote.

    Raises:
        KeyError, ValueError: a column or a rack is not there.
    """
    names = [rack.name for rack in problem.racks]
    found: dict[tuple[int, str, str], list[Stretch]] = {}
    for row in range(len(columns.get("rack", ()))):
        rack = names.index(columns["rack"][row])
        low, high = (_end(problem, columns, row, rack, name) for name in _ENDS)
        key = (rack, columns["number"][row], columns["limits"][row])
        found.setdefault(key, []).append((low, high))
    return tuple(
        BreakEven(
            rack,
            number,
            tuple(found.get((rack, number, ALL), ())),
            tuple(found.get((rack, number, BUT_CLEARANCE), ())),
        )
        for rack in range(len(names))
        for number in NUMBERS
        if number in BOUGHT or (rack, number, ALL) in found
    )


def _end(
    problem: Problem, columns: Mapping[str, Sequence[Any]], row: int, rack: int, name: str
) -> End:
    values = [[float(columns[f"{name}_{variable}"][row]) for variable in problem.columns]]
    return End(
        float(columns[f"{name}_mm"][row]),
        Designs(np.array([rack], dtype=np.intp), np.array(values)),
        tuple(str(columns[f"{name}_stopped_by"][row]).split()),
    )


def stretches_text(stretches: tuple[Stretch, ...], number: Number) -> str:
    """'28.6 to 77.6' of one stretch; of several '28.6 to 40.2 or 51.3 to 77.6'."""
    return " or ".join(_stretch_texts(stretches, number))


def _stretch_texts(stretches: tuple[Stretch, ...], number: Number) -> Iterator[str]:
    for low, high in stretches:
        ends = [
            f"{inward(end.at_mm, 1, greatest=greatest):.1f}"
            if is_end(number, end.at_mm, greatest=greatest)
            else None
            for greatest, end in ((False, low), (True, high))
        ]
        if ends[0] is None or ends[1] is None:
            yield f"{ends[0]} and more" if ends[0] else f"up to {ends[1]}" if ends[1] else "any"
        else:
            yield f"{ends[0]} to {ends[1]}"
