"""The folder of `measured`: shims, fitted curves, the figure and the answer in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.run_result import CAUTION
from optimiser.base.files import csv_text, write_bytes, write_text
from optimiser.questions.measured.draw import measured_figure
from optimiser.questions.measured.readings import SIDES
from optimiser.questions.measured.words import PLACES, answer_lines
from optimiser.report.figures import drawn_svg

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.answer import Measured

SHIM_COLUMNS = (
    "kind",
    "place",
    "side",
    "from_mm",
    "to_mm",
    "add_mm",
    "before_deg",
    "before95_deg",
    "after_deg",
    "after95_deg",
    "chance_better",
)
FITTED_COLUMNS = (
    "side",
    "travel_mm",
    "drawn_deg",
    "fitted_deg",
    "fitted_low_deg",
    "fitted_high_deg",
    "after_deg",
    "after_low_deg",
    "after_high_deg",
)
SHIM_NOTE = (
    "greatest bump steer of the wheel on that side, mean over the cars that fit the readings and "
    "what 95 of 100 of them keep to; chance_better is a share of them; blank where nothing "
    "changes, or the wheel was not measured or its readings fit no car"
)
FITTED_NOTE = (
    "change of toe-in from rest; low and high hold 95 of 100 cars that fit the readings at each "
    "travel; after the best shims, blank where none are given"
)
BAND = (0.025, 0.975)


def write_measured(folder: Path, measured: Measured) -> None:
    """Everything."""
    title = f"{measured.title}: shims from measured toe"
    lines = list(answer_lines(measured))
    write_text(folder / "measured.txt", "\n".join([title, "", *lines, "", CAUTION]) + "\n")
    write_text(
        folder / "shims.csv",
        csv_text(SHIM_COLUMNS, shim_rows(measured), (title, lines[0], SHIM_NOTE, CAUTION)),
    )
    write_text(
        folder / "fitted.csv",
        csv_text(FITTED_COLUMNS, fitted_rows(measured), (title, FITTED_NOTE, CAUTION)),
    )
    write_bytes(folder / "measured.svg", drawn_svg(measured_figure(measured)))


def shim_rows(measured: Measured) -> Iterator[tuple[object, ...]]:
    """Every place of every set, the best first."""
    leave = measured.outcomes["leave"]
    for kind in ("best", "least", "leave"):
        outcome = measured.outcomes.get(kind)
        if outcome is None:
            continue
        for place, (what, name) in enumerate(PLACES):
            side, now = SIDES.index(name), float(measured.model.now_mm[place])
            to = float(outcome.shims_mm[place])
            known = side in measured.readings.sides and side not in measured.unfit
            numbers = (leave.mean, leave.most, outcome.mean, outcome.most)
            degrees = [float(np.degrees(of[side])) if known else None for of in numbers]
            chance = float(outcome.better[side]) if known else None
            yield kind, what, name, now, to, to - now, *degrees, chance


def fitted_rows(measured: Measured) -> Iterator[tuple[object, ...]]:
    """Curves of each wheel that was measured."""
    grid = measured.model.conditions.travel_mm
    best = measured.outcomes.get("best")
    for side in measured.readings.sides:
        drawn = np.degrees(drawn_curve(measured, side))
        columns: list[Array | None] = [drawn]
        fitted = measured.outcomes["leave"].curves[side]
        columns += [None] * 3 if side in measured.unfit else _band(fitted)
        columns += [None] * 3 if best is None else _band(best.curves[side])
        for row, travel in enumerate(grid.tolist()):
            values = [None if c is None else float(c[row]) for c in columns]
            yield SIDES[side], travel, *values


def drawn_curve(measured: Measured, side: int) -> Array:
    """Change of toe-in (P,) of the car as designed with the shims that are fitted, radians."""
    model = measured.model
    none = np.zeros((1, len(model.tolerances.sizes())))
    return np.asarray(model.change(model.built(none, *model.rises(model.now_mm, side)))[0])


def _band(curves: Array) -> list[Array]:
    """Mean, low and high edge over cars (S, P), degrees."""
    return [
        np.degrees(curves.mean(axis=0)),
        *np.degrees(np.quantile(curves, BAND, axis=0)),
    ]
