"""The report's tables of a design at other ride heights, and in roll, for a study that asks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.corner_numbers import corner_numbers
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import quantity
from optimiser.metrics.roll_table import both_ways, roll_table
from optimiser.report.words import number

if TYPE_CHECKING:
    from optimiser.answer.run_result import Chosen
    from optimiser.linkage.vectors import Array

    Cell = tuple[str, bool | None]

_DIGITS = 3
_POSITIONS = (("at centre", 0.0), ("half way to lock", 0.5), ("at the required lock", 1.0))
"""Rack positions in words and as a share of the displacement for the required lock."""


def height_table(chosen: Chosen) -> tuple[list[str], list[list[Cell]]] | None:
    """Headings, and a row for each ride height, the drawn one first; None without others.

    A cell has its text and whether it is acceptable, None where that is not asked.
    """
    problem = chosen.problem
    numbers = corner_numbers(problem, chosen.points) if problem.car.ride_heights_mm else None
    if numbers is None or (found := numbers.heights) is None:
        return None
    heights = (0.0, *problem.car.ride_heights_mm)
    texts = [f"{h:+g}".replace("-", "−") if h else "as drawn" for h in heights]
    bump, error = map(quantity, JUDGED)
    toe_in = np.degrees(problem.car.attitude.toe_in + np.array([0.0, *found.toe_at_rest[0]]))
    columns = [
        ("ride height (mm)", [(text, None) for text in texts]),
        ("toe-in at rest (deg)", _cells(toe_in)),
        (
            f"{bump.words} about it ({bump.unit})",
            _cells(np.degrees([numbers.bump.largest, *found.bump_steer[0]]), problem.acceptable[0]),
        ),
    ]
    if (turned := found.part_lock_bump_steer) is not None:
        one = quantity("part_lock_bump_steer_deg")
        values = np.degrees([numbers.part_lock, *turned[0]])
        columns.append((one.heading, _cells(values, problem.bounds[one.name].most)))
    values = np.degrees([numbers.ackermann.largest, *found.ackermann.largest[0]])
    columns.append((error.heading, _cells(values, problem.acceptable[1])))
    rows = zip(*(cells for _, cells in columns), strict=True)
    return [words for words, _ in columns], [list(row) for row in rows]


def _cells(values: Array, most: float | None = None) -> list[Cell]:
    return [
        (number(value, _DIGITS), None if most is None else bool(value <= most))
        for value in values.tolist()
    ]


def roll_rows(chosen: Chosen) -> list[tuple[str, ...]]:
    """Rows of rack position, roll and the angles of both wheels; none where it is not asked."""
    problem, points = chosen.problem, chosen.points
    if not problem.car.roll_angles_deg:
        return []
    attitude = problem.car.attitude
    lock = float(corner_numbers(problem, points).ackermann.rack_at_lock_mm)
    roll = both_ways(problem.car.roll_angles_deg)
    table = roll_table(points, lock * np.array([at for _, at in _POSITIONS]), roll, attitude)
    shown = ("left_steer_deg", "right_steer_deg", "mean_steer_deg", "difference_deg")
    changes = ("mean_change_deg", "difference_change_deg")
    where = np.repeat([words for words, _ in _POSITIONS], len(roll))
    return [
        (
            str(where[index]),
            f"{table['roll_deg'][index]:+g}".replace("-", "−") if table["roll_deg"][index] else "0",
            *(number(float(table[name][index]), _DIGITS) for name in (*shown, *changes)),
        )
        for index in range(len(where))
    ]
