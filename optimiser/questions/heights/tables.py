"""The heights of a rack as tables: a row for every height and way, and a row for every rack."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import VARIABLES, Designs, Evaluation
from optimiser.questions.heights.words import answer_of, stopped_by

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.questions.heights.places import RackHeights
    from optimiser.questions.heights.ways import Way

_METRICS = (
    "tie_rod_length_mm",
    "rack_needed_mm",
    "toggle_margin_deg",
    "inner_joint_angle_deg",
    "outer_joint_angle_deg",
    "clearance_mm",
    "track_growth_mm",
)
HEIGHT_COLUMNS = (
    "rack",
    "arm",
    "spacers",
    "rack_height_mm",
    "within_limits",
    "acceptable",
    "converged",
    "bump_steer_deg",
    "ackermann_error_deg",
    *VARIABLES[1:],
    "inner_joints_apart_mm",
    *_METRICS,
    "balanced_bump_steer_deg",
    "balanced_ackermann_error_deg",
    *(f"balanced_{name}" for name in VARIABLES[1:]),
    "stopped_by",
)


def height_rows(found: RackHeights) -> Iterator[tuple[object, ...]]:
    """Rows of `HEIGHT_COLUMNS`, way by way; blank numbers where no design keeps the limits.

    `acceptable` is of the numbers beside it, not of the balanced ones.
    """
    for curve in found.curves:
        optima, steps = curve.optima, len(found.heights_mm)
        outcome = Evaluation.join([optima.evaluation, curve.between_evaluation])
        other = Evaluation.join([curve.both_evaluation, curve.between_evaluation])
        designs = Designs.join([optima.designs, curve.between])
        balanced = Designs.join([curve.both, curve.between])
        for row in np.argsort(designs.column("rack_height_mm"), kind="stable").tolist():
            kept = bool(outcome.feasible[row])
            if row >= steps and not kept:
                continue
            converged = row >= steps or bool(optima.converged[row])
            yield (
                found.problem.racks[found.rack].name,
                curve.way.arm,
                "yes" if curve.way.spacers else "no",
                *_height_cells(found, designs, outcome, row, kept),
                "" if not kept or row >= steps else "yes" if converged else "no",
                *_number_cells(found, (designs, balanced), (outcome, other), row, kept),
                stopped_by(found.problem, outcome, row),
            )


def _height_cells(
    found: RackHeights, designs: Designs, outcome: Evaluation, row: int, kept: bool
) -> tuple[object, ...]:
    good = kept and bool((outcome.objectives[row] <= found.problem.acceptable).all())
    height = float(designs.column("rack_height_mm")[row])
    return height, "yes" if kept else "no", "yes" if good else "no"


def _number_cells(
    found: RackHeights,
    designs: tuple[Designs, Designs],
    outcomes: tuple[Evaluation, Evaluation],
    row: int,
    kept: bool,
) -> list[object]:
    values = designs[0].values[row, 1:].tolist()
    apart = found.problem.racks[found.rack].inner_joint_spacing_mm
    apart += 2.0 * values[VARIABLES.index("spacer_mm") - 1]
    cells: list[object] = [
        *outcomes[0].objectives[row, :2].tolist(),
        *values,
        apart,
        *(_metric(outcomes[0], name, row) for name in _METRICS),
        *outcomes[1].objectives[row, :2].tolist(),
        *designs[1].values[row, 1:].tolist(),
    ]
    return cells if kept else [None] * len(cells)


def _metric(outcome: Evaluation, name: str, row: int) -> float | None:
    values = outcome.metrics.get(name)
    return None if values is None else float(values[row])


def rack_columns(ways: Sequence[Way]) -> tuple[str, ...]:
    """Columns of the table of racks: of each way its best place, and the least change."""
    return (
        "rack",
        "inner_joint_spacing_mm",
        "rescued_by_mounting_lower",
        "least_change_mm",
        *(f"{way.column}_{name}" for way in ways for name in _OF_A_WAY),
        "hand",
    )


_OF_A_WAY = (
    "bump_steer_deg",
    "ackermann_error_deg",
    "rack_height_mm",
    "arm_height_mm",
    "spacer_mm",
    "acceptable",
    "least_change_mm",
)


def rack_row(found: RackHeights) -> tuple[object, ...]:
    """A row of `rack_columns`: the best place of each way, blank where none keeps the limits."""
    rack, remedy = found.problem.racks[found.rack], found.remedy
    cells: list[object] = [rack.name, rack.inner_joint_spacing_mm, answer_of(found)]
    cells.append(None if remedy is None else remedy.change_mm)
    for way in found.ways:
        place, near = found.place(way), found.nearest(way)
        if place is None:
            cells += [None] * 5 + ["no", None]
            continue
        cells += [
            place.bump_steer_deg,
            place.ackermann_error_deg,
            *(place.at(name) for name in ("rack_height_mm", "arm_height_mm", "spacer_mm")),
            "yes" if place.acceptable else "no",
            None if near is None else near.change_mm,
        ]
    return (*cells, found.problem.hands[found.rack].sentence)
