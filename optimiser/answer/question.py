"""What a study asked, in one short table: what must be reached, what is wanted, what is limited.

Every run has the same rows in the same order, what is not limited among them, so that two reports
can be laid side by side; what only some studies ask comes after them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.held import accepted_values
from optimiser.answer.wanted import (
    accepted_bump_text,
    ride_heights_text,
    wanted_outer_name,
    wanted_outer_text,
    wanted_toe_text,
)
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import limit_words, quantity
from optimiser.evaluation.wants import bound_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.asked import BumpObjective
    from optimiser.evaluation.problem import Problem
    from optimiser.study.tables import Prefer

NO_LIMIT = "no limit"
_MEASURES: dict[BumpObjective, tuple[str, str]] = {
    "largest": ("the greatest", ""),
    "rms": ("the root mean square", " at its greatest"),
    "with tolerances": ("what one in twenty built cars exceeds", ""),
}
"""What is made small, and what of it is held against the acceptable value where that differs."""
_RACKS: dict[Prefer, str] = {
    "cheapest": "the cheapest of those that are as good within a tenth of what is acceptable",
    "best": "the best, whatever its price",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """One row.

    Attributes:
        kind: 'to reach', 'wanted' or 'limit'.
        what: of what, in words.
        how: what is asked of it, with units.
    """

    kind: str
    what: str
    how: str


def what_was_asked(problem: Problem, prefer: Prefer) -> Iterator[Asked]:
    """The rows, what must be reached first, then wants, then limits."""
    travel, steering = problem.travel, problem.steering
    yield Asked("to reach", "wheel travel", f"{-travel.droop_mm:g} to {travel.bump_mm:g} mm")
    yield Asked("to reach", "inner wheel at lock", f"{np.degrees(steering.inner_lock):.1f} deg")
    yield Asked("to reach", wanted_outer_name(problem), wanted_outer_text(problem))
    yield from _wants(problem)
    yield Asked("wanted", "rack", _RACKS[prefer])
    for name, how in _own_limits(problem):
        yield Asked("limit", limit_words(name).removeprefix("the "), how)
    if toe := wanted_toe_text(problem):
        yield Asked("wanted", "toe over travel", toe)
    if heights := ride_heights_text(problem):
        yield Asked("wanted", "other ride heights", f"acceptable at {heights} too")
    for bound in problem.limits.bounds:
        yield Asked("limit", quantity(bound.name).words, bound_words(bound))


def _wants(problem: Problem) -> Iterator[Asked]:
    asked, accepted = problem.objectives, accepted_values(problem)
    for name, how in zip(JUDGED, (asked.bump_steer, asked.ackermann_error), strict=True):
        one, (measure, held_at) = quantity(name), _MEASURES[how]
        most = f"up to {accepted[name]:g} {one.unit}"
        if name == "bump_steer_deg" and problem.steering.wanted_toe.bands:
            most = accepted_bump_text(problem)
        text = f"made small: {measure}; acceptable {most}{held_at}"
        yield Asked("wanted", one.words, text)
    for one in map(quantity, asked.extra):
        more, value = one.better == "more", accepted.get(one.name)
        text = f"made {'large' if more else 'small'}"
        if value is not None:
            text += f"; acceptable {'from' if more else 'up to'} {value:g} {one.unit}".rstrip()
        yield Asked("wanted", one.words, text)


def _own_limits(problem: Problem) -> Iterator[tuple[str, str]]:
    """The limits that every study has, by the name of their quantity."""
    limits = problem.limits
    yield "rack_travel_mm", f"{limits.rack_travel_margin_mm:g} mm left at the required lock"
    yield "toggle_margin_deg", _angle("at least", limits.toggle_margin)
    own = " or the rack's own limit" if any(r.joint_limit_deg for r in problem.racks) else ""
    yield "inner_joint_angle_deg", _angle("at most", limits.inner_joint_angle) + own
    yield "outer_joint_angle_deg", _angle("at most", limits.outer_joint_angle)
    yield "spacer_mm", _length("at most", limits.spacer_max_mm)
    yield "track_growth_mm", _length("at most", limits.track_growth_mm)
    clear = _length("at least", limits.clearance_mm)
    yield "clearance_mm", clear if problem.has_pairs else "not checked, nothing is given to touch"
    if problem.has_tyre:
        yield "tyre_clearance_mm", _length("at least", limits.tyre_clearance_mm)


def _angle(way: str, limit: float | None) -> str:
    return NO_LIMIT if limit is None else f"{way} {np.degrees(limit):g} deg"


def _length(way: str, limit: float | None) -> str:
    return NO_LIMIT if limit is None else f"{way} {limit:g} mm"
