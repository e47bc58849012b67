"""The report's tables of the toe budget and of what gives way under load, where asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.forces import ROOT, TWIST, force_notes, point_forces
from optimiser.answer.giving_way import giving_way
from optimiser.evaluation.quantities import quantity
from optimiser.metrics.compliance import NAMES, column_flexibility
from optimiser.metrics.play import ALLOWED_DEG
from optimiser.report.words import number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.giving_way import SpringRow
    from optimiser.answer.run_result import Chosen

_MOMENTS = {ROOT: "N m, bending", TWIST: "N m, about the line through both"}
_PLAY = ("toe_play_deg", "steer_play_deg", "steering_wheel_play_deg")


def load_part(chosen: Chosen) -> dict[str, Any] | None:
    """What the section on toe under load shows; None where the study asks for none."""
    budget = chosen.budget
    if budget is None:
        return None
    return {
        "budget": [(part.name, number(part.toe_deg, 3), part.what) for part in budget.parts],
        "accepted": f"{budget.accepted_deg:g}",
        "sentence": budget.sentence,
        "play": list(_play_rows(chosen)),
        "allowed": f"{ALLOWED_DEG:g}",
        "giving": _giving(chosen),
    }


def _play_rows(chosen: Chosen) -> Iterator[tuple[str, str]]:
    if chosen.problem.play is None:
        return
    for one in map(quantity, _PLAY):
        known = not one.missing(chosen.problem, chosen.rack)
        yield one.heading, number(chosen.metric(one.name) if known else None, one.digits)


def _giving(chosen: Chosen) -> dict[str, Any] | None:
    found = giving_way(chosen.problem, chosen.design)
    if found is None:
        return None
    rows = [
        (
            one.heading,
            number(found.at_rest[one.name], one.digits),
            number(found.at_lock[one.name], one.digits),
        )
        for one in map(quantity, NAMES)
    ]
    return {
        "rows": rows,
        "springs": [_spring_row(spring, found.most, chosen) for spring in found.springs],
        "why": found.why,
        "rigid": "; ".join(found.rigid),
    }


def _spring_row(spring: SpringRow, most: float, chosen: Chosen) -> tuple[str, ...]:
    rigid = np.isinf(spring.stiffness)
    return (
        _column_words(chosen) if spring.name == "column" else spring.name,
        "rigid" if rigid else number(spring.stiffness, 0),
        "–" if rigid else number(spring.lost, 3),
        "–" if rigid or np.isnan(spring.share) else f"{number(100.0 * spring.share, 0)} %",
        "" if np.isnan(most) else needed_words(spring.needed),
    )


def _column_words(chosen: Chosen) -> str:
    """The column's name, with what the study's unit of it is at the rack, straight ahead."""
    per_turn, problem = chosen.rack.travel_per_turn_mm, chosen.problem
    if per_turn is None:
        return "column"
    if (driven := problem.drive(chosen.design, problem.solve(chosen.design))) is not None:
        per_turn *= float(driven.of_pinion(np.zeros((1, 1)))[1][0, 0])
    each = 1.0 / float(column_flexibility(1.0, per_turn))
    return f"column, at the rack {number(each, 0)} N/mm for each N m/deg"


def forces_part(chosen: Chosen) -> dict[str, Any] | None:
    """The table of forces, the greater of both sides at each point; None where none are asked."""
    forces = point_forces(chosen)
    if not forces:
        return None
    cases = list(dict.fromkeys(one.case for one in forces))
    greatest: dict[tuple[str, str], float] = {}
    for one in forces:
        size = abs(one.moment_nm) if one.point in _MOMENTS else one.size_n
        key = one.point, one.case
        greatest[key] = max(size, greatest.get(key, 0.0))
    rows = []
    for point in dict.fromkeys(one.point for one in forces):
        cells = [number(greatest[point, case], 0) for case in cases]
        rows.append((point.replace("_", " "), _MOMENTS.get(point, "N"), cells))
    return {
        "cases": [case.replace("_", " ") for case in cases],
        "rows": rows,
        "notes": list(force_notes(chosen)),
    }


def needed_words(needed: float) -> str:
    """A least stiffness in words: '1,450', 'not by this part' or 'no need'."""
    if np.isnan(needed):
        return "–"
    if needed == 0.0:
        return "no need"
    return "not by this part" if np.isinf(needed) else number(needed, 0)
