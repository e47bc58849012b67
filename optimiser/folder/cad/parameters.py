"""Every length of a design as `name,value,unit`, for models that are driven by a spreadsheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.run_result import CAUTION
from optimiser.base.files import csv_text
from optimiser.evaluation.quantities import quantity
from optimiser.linkage.mirror import across

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen

COLUMNS = ("name", "value", "unit")


def parameters_text(chosen: Chosen) -> str:
    """CSV text: the design's variables, lengths that follow, and each coordinate of each point.

    Lengths are to 1e-4 mm, as people type them. Names are letters, digits and underscores only,
    without the unit, which has its own column.
    """
    return csv_text(COLUMNS, _rows(chosen), (chosen.title, CAUTION))


def _rows(chosen: Chosen) -> Iterator[tuple[str, float, str]]:
    for name, value, unit in _exact_rows(chosen):
        yield name, round(value, 4) + 0.0 if unit == "mm" else value, unit


def _exact_rows(chosen: Chosen) -> Iterator[tuple[str, float, str]]:
    for name, value in chosen.lengths_mm.items():
        unit = quantity(name).unit
        yield name.removesuffix(f"_{unit}"), value, unit
    if chosen.problem.suspension is not None:
        moves = chosen.problem.moves(chosen.design)[0].tolist()
        for name, value in zip(chosen.problem.suspension.names, moves, strict=True):
            yield f"moved_{name.removesuffix('_mm')}", value, "mm"
    rack, attitude, points = chosen.rack, chosen.problem.car.attitude, chosen.points
    yield "rack_spacing_bare", rack.inner_joint_spacing_mm, "mm"
    yield "inner_joint_spacing", float(across(points.inner_joint)), "mm"
    yield "rack_travel_each_way", rack.travel_each_way_mm, "mm"
    yield "static_toe_in", float(np.degrees(attitude.toe_in)), "deg"
    yield "static_camber", float(np.degrees(attitude.camber)), "deg"
    for prefix, side in points.both_sides():
        for name, point in side.items():
            for axis, value in zip("xyz", chosen.study.frame.to_cad(point).tolist(), strict=True):
                yield f"{prefix}{name}_{axis}", value, "mm"
