"""Limits on any quantity, and further objectives in the measure in which they are made small."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import Bound
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import AS_BUILT, is_clearance, quantity

if TYPE_CHECKING:
    from optimiser.evaluation.asked import Limits, Objectives
    from optimiser.linkage.vectors import Array

_SHARE = 0.01
"""Share of a bound in another unit that counts as a millimetre or a degree does."""
_SMALL = 0.1
"""Share of a bound in millimetres or degrees that counts as one of them, where it is less than one:
half a tenth of a degree is little of a joint's 25, and much of what is accepted of toe."""
_ALIKE = ("mm", "deg")
_STEEP = 0.1
"""Share of the accepted value below which `made_small` goes on along its tangent."""


def bound_words(bound: Bound) -> str:
    """What a bound asks: 'at most 120 N'; 'at least 2.2, at most 3'."""
    unit = quantity(bound.name).unit
    sides = (("at least", bound.least), ("at most", bound.most))
    return ", ".join(
        f"{way} {value:g} {unit}".rstrip() for way, value in sides if value is not None
    )


def accepted_bound(name: str, accepted: float) -> Bound:
    """What is acceptable of a quantity as a bound on it."""
    return Bound(name, accepted) if quantity(name).better == "more" else Bound(name, None, accepted)


def bound_range(bound: Bound) -> str:
    """What is within a bound, without its unit: '120'; 'at least 2.2'; '2.2 to 3'."""
    if bound.least is None:
        return f"{bound.most:g}"
    return (
        f"at least {bound.least:g}" if bound.most is None else f"{bound.least:g} to {bound.most:g}"
    )


def bound_scale(bound: Bound) -> float:
    """How much of a bound's unit counts as much as a millimetre, where what is broken is added up.

    Millimetres and degrees count alike, of a bound below ten of them a tenth of it; of any other
    unit a hundredth of the bound does. No less than the last digit that people read; a bound of
    zero millimetres or degrees has no size to go by.
    """
    one, size = quantity(bound.name), bound_size(bound)
    if one.unit in _ALIKE:
        return min(1.0, max(_SMALL * size, 10.0**-one.digits)) if size else 1.0
    return max(_SHARE * size, 10.0**-one.digits)


def bound_size(bound: Bound) -> float:
    """The size of what a bound asks, in its unit; of two ends the greater."""
    return max(abs(end) for end in (bound.least, bound.most) if end is not None)


def with_accepted(limits: Limits, objectives: Objectives) -> Limits:
    """Limits with what is accepted of further objectives among them.

    For questions that make other things small: what is not acceptable is no answer there either.
    Bump steer and Ackermann error are left to those questions.
    """
    for name, accepted in zip(objectives.extra, objectives.accepted_of_extra, strict=True):
        if accepted is not None and name not in JUDGED:
            limits = _tightened(limits, name, accepted)
    return limits


def with_judged(limits: Limits, objectives: Objectives, acceptable: Array) -> Limits:
    """Limits with all that is acceptable among them, bump steer and Ackermann error too.

    What keeps them is acceptable, and the other way round. A percentile that is minimised is held
    against the same value as the drawing's own (`Evaluation.judged`).

    Args:
        limits: the study's.
        objectives: likewise.
        acceptable: of bump steer and Ackermann error, (2,) degrees.
    """
    limits = with_accepted(limits, objectives)
    measures = (objectives.bump_steer, objectives.ackermann_error)
    for value, drawn, built, measure in zip(
        acceptable.tolist(), JUDGED, AS_BUILT, measures, strict=True
    ):
        limits = _tightened(limits, drawn, value)
        if measure == "with tolerances":
            limits = _tightened(limits, built, value)
    return limits


def _tightened(limits: Limits, name: str, accepted: float) -> Limits:
    """Limits with one more, in the place that it has of its own where there is one."""
    angle = float(np.radians(accepted))
    if name == "clearance_mm":
        return replace(limits, clearance_mm=max(accepted, limits.clearance_mm or 0.0))
    if name == "tyre_clearance_mm":
        return replace(limits, tyre_clearance_mm=max(accepted, limits.tyre_clearance_mm or 0.0))
    if name == "toggle_margin_deg":
        return replace(limits, toggle_margin=max(angle, limits.toggle_margin or 0.0))
    if name == "inner_joint_angle_deg":
        return replace(limits, inner_joint_angle=_least(angle, limits.inner_joint_angle))
    if name == "outer_joint_angle_deg":
        return replace(limits, outer_joint_angle=_least(angle, limits.outer_joint_angle))
    bounds = {bound.name: bound for bound in limits.bounds}
    bound = bounds.get(name, Bound(name))
    if quantity(name).better == "less":
        bounds[name] = replace(bound, most=_least(accepted, bound.most))
    else:
        before = accepted if bound.least is None else bound.least
        bounds[name] = replace(bound, least=max(accepted, before))
    return replace(limits, bounds=tuple(bounds.values()))


def without_clearance(limits: Limits) -> Limits:
    """Limits without those on what may be touched."""
    others = tuple(bound for bound in limits.bounds if not is_clearance(bound.name))
    return replace(limits, clearance_mm=None, tyre_clearance_mm=None, bounds=others)


def _least(value: float, other: float | None) -> float:
    return value if other is None else min(value, other)


def made_small(name: str, values: Array, accepted: float | None) -> Array:
    """What is minimised of a further objective, (N,): less of it is better.

    Of a number of which more is better it is a / number, a being what is accepted or 1 in its unit:
    twice as much as accepted is half. Below a tenth of a it goes on along its tangent, so that it
    has a value, greater the worse, for nothing and for less than nothing too.
    """
    if quantity(name).better == "less":
        return values
    unit = 1.0 if accepted is None else accepted
    share = values / unit
    return np.where(
        share >= _STEEP,
        1.0 / np.maximum(share, _STEEP),
        (2.0 - share / _STEEP) / _STEEP,
    )


def small_enough(name: str, accepted: float | None) -> float:
    """What of `made_small` is acceptable; infinite where the study does not say."""
    if accepted is None:
        return np.inf
    return accepted if quantity(name).better == "less" else 1.0
