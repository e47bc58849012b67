"""Where the new points of one design are set out from, and how exactly.

Inner and outer joints, and the rack's feet where they are known. Those of the right side mirror
the left, so that a distance 'of the same side' or 'of the other side' holds for both; feet have
distances of their own. What is on the chassis is set out from what is there as well, the pivots,
and from the ground; the outer joint from the ball joints of its upright too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.bolted import bolted_points
from optimiser.linkage.mirror import mirrored
from optimiser.metrics.setting_out import Reference, best_three
from optimiser.metrics.tolerance.set_out import Allowed, allowed_off

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from optimiser.answer.run_result import Chosen
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

PIVOTS = ("lower_front_pivot", "lower_rear_pivot", "upper_front_pivot", "upper_rear_pivot")
BALL_JOINTS = ("lower_ball_joint", "upper_ball_joint")
JOINTS = ("inner_joint", "outer_joint")
FEET = ("rack_foot_left", "rack_foot_right")
GROUND, ITSELF, OTHER = "ground", "itself", "other "
"""Names of references: the ground, the same point of the other side, and what is there."""
_NEAR_MM = 1.0
"""What is nearer has no direction to speak of."""
_LOOSE = 0.02
"""Of a least singular value: a point that is held no better has no tolerance."""


@dataclass(frozen=True, slots=True)
class Distance:
    """One distance of a new point.

    Attributes:
        reference: name of the hardpoint, `other ` before it where it is of the other side,
            `ground` or `itself`.
        mm: distance or height.
        at_once_mm: what it may be off either way when all that are set out are; None: not known.
        alone_mm: likewise by itself.
    """

    reference: str
    mm: float
    at_once_mm: float | None = None
    alone_mm: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SetOut:
    """One new point and its distances.

    Attributes:
        name: `inner_joint`, `outer_joint`, `rack_foot_left` or `rack_foot_right`.
        at: body axes, of a joint that on the left, (3,).
        three: by which it is set out.
        least: least singular value of their directions: an error e in each moves it by at most
            1.73 e over that.
        checks: all others, to check it by.
    """

    name: str
    at: Array
    three: tuple[Distance, ...]
    least: float
    checks: tuple[Distance, ...]


@dataclass(frozen=True, slots=True)
class SettingOut:
    """All new points of a design; `allowed` is None where the design itself is not acceptable.

    It is None as well where the distances hardly hold a joint.
    """

    points: tuple[SetOut, ...]
    allowed: Allowed | None


def setting_out(chosen: Chosen) -> SettingOut:
    """Of a design that assembles."""
    points, problem = chosen.points, chosen.problem
    feet = bolted_points(problem, chosen.design)
    new = {name: getattr(points, name) for name in JOINTS}
    new |= {name: feet[name] for name in FEET if name in feet}
    threes = {name: _three(points, name, at) for name, at in new.items()}
    inner, outer = (threes[name] for name in JOINTS)
    allowed = None
    if min(inner[1], outer[1]) > _LOOSE:
        bump, error = np.radians(problem.acceptable).tolist()
        allowed = allowed_off(points, inner[0], outer[0], problem.conditions, (bump, error))
    return SettingOut(
        tuple(_set_out(points, new, name, *threes[name], allowed) for name in new), allowed
    )


def _three(points: Hardpoints, name: str, at: Array) -> tuple[list[Reference], float]:
    """What a point is set out from, and how well that holds it."""
    able = [
        one
        for one in _references(points, name)
        if _is_able(name, one.name) and (one.at is None or one.distance(at) > _NEAR_MM)
    ]
    best = best_three(at, able)
    return [able[index] for index in best.indices], best.least


def _is_able(name: str, reference: str) -> bool:
    """What is on the chassis is not set out from a ball joint, which the wheel carries along."""
    return name == "outer_joint" or reference not in BALL_JOINTS


def _references(points: Hardpoints, name: str) -> Iterator[Reference]:
    """What is there to measure a point from: of its own side, of the other, and the ground."""
    own, other = points, points.mirrored()
    if name == "rack_foot_right":
        own, other = other, own
    for there in (*PIVOTS, *BALL_JOINTS):
        yield Reference(there, getattr(own, there))
    for there in PIVOTS:
        yield Reference(f"{OTHER}{there}", getattr(other, there))
    yield Reference(GROUND, None)


def _set_out(
    points: Hardpoints,
    new: Mapping[str, Array],
    name: str,
    three: list[Reference],
    least: float,
    allowed: Allowed | None,
) -> SetOut:
    at = new[name]
    names = [one.name for one in three]
    offs: list[tuple[float | None, float | None]] = [(None, None)] * 3
    if allowed is not None and name in JOINTS:
        first = 3 * JOINTS.index(name)
        part = slice(first, first + 3)
        offs = list(zip(allowed.at_once_mm[part], allowed.alone_mm[part], strict=True))
    rest = [one for one in _references(points, name) if one.name not in names]
    image = mirrored(at) if name in JOINTS else new[FEET[1 - FEET.index(name)]]
    return SetOut(
        name,
        at,
        tuple(
            Distance(one.name, float(one.distance(at)), *off)
            for one, off in zip(three, offs, strict=True)
        ),
        least,
        tuple(
            Distance(one.name, float(one.distance(at))) for one in (*rest, Reference(ITSELF, image))
        ),
    )
