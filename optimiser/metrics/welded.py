r"""Forces in every joint of one corner under a load: what brackets and welds have to carry.

        upper arm   o--o===U        the upright is held by U, L, the tie rod, and by the spring on
                           |\       whichever part that stands: on an arm, the ball joint of that
        tie rod     I======O \      arm has the part of its force along the arm's path; on the
                           |  |     upright, neither has one and the spring is a force of its own
        lower arm   o--o===L  P

Six unknowns and six equations for the upright, solved as they stand; then each arm by itself. How
the two pivots of an arm share what is along their axis statics does not say: half each. Elementary
statics; no source needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from optimiser.linkage.steering_arm import arm_foot
from optimiser.linkage.vectors import cross, dot, rotate, unit

if TYPE_CHECKING:
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.poses import Poses
    from optimiser.linkage.vectors import Array

Stands = Literal["lower_arm", "upper_arm", "upright"]
_LEVER_MM = 100.0  # makes moments as large as forces, for the equations
_SINGULAR = 1e9


@dataclass(frozen=True, slots=True)
class Spring:
    """The spring of the left corner at rest, in body axes (mm), and the part that it stands on."""

    arm_point: tuple[float, float, float]
    body_point: tuple[float, float, float]
    on: Stands


def spring_moved_out(spring: Spring, out_mm: float) -> Spring:
    """The spring with both of its ends further out, as kept tie rods move the arms."""
    (a, b, c), (x, y, z) = spring.arm_point, spring.body_point
    return Spring((a, b + out_mm, c), (x, y + out_mm, z), spring.on)


class Load(NamedTuple):
    """What the road does to one wheel: a force (3,) N at a point (3,) mm and a moment (3,) N mm."""

    force: Array
    point: Array
    moment: Array


def lever_mm(points: Hardpoints, spring: Spring) -> float:
    """Lever of the spring about the axis of the arm that it stands on; NaN on the upright."""
    if spring.on == "upright":
        return float("nan")
    rear, axis = _axis(points, spring.on.removesuffix("_arm"))
    foot = np.array(spring.arm_point)
    along = unit(np.array(spring.body_point) - foot)
    return float(axis @ np.cross(foot - rear, along))


def corner_forces(
    pose: Poses, points: Hardpoints, loads: list[Load], spring: Spring | None
) -> dict[str, Array]:
    """Forces (3,) in N by the name of the joint, of a left corner whose arms are at rest.

    Pivots: of the arm on the body. Ball joints: of the upright on the arm. `outer_joint`: of the
    tie rod on the steering arm. `inner_joint`: of the tie rod on the bar. `spring`: on the body.
    `steering_arm_root`: the moment in N mm there of the rod's force. Without a spring it is taken
    to stand on the lower arm, one does not know where, and pivots and spring are left out.

    NaN where the pose does not exist, or nothing holds the upright.
    """
    holds = _holds(pose, points, spring)
    lower = pose.lower_ball_joint
    applied = np.concatenate(
        [
            sum((one.force for one in loads), np.zeros(3)),
            sum((_moment(one.point - lower, one.force) + one.moment for one in loads), np.zeros(3))
            / _LEVER_MM,
        ]
    )
    matrix = np.array([[*way, *_moment(at - lower, way) / _LEVER_MM] for _, way, at in holds]).T
    size = np.full(len(holds), np.nan)
    if np.isfinite(matrix).all() and np.linalg.cond(matrix) < _SINGULAR:
        size = np.linalg.solve(matrix, -applied)
    on_upright = dict.fromkeys(("lower", "upper", "rod", "spring"), np.zeros(3))
    for (name, way, _), amount in zip(holds, size, strict=True):
        on_upright[name] = on_upright[name] + way * amount
    rod = on_upright["rod"]
    found = {
        "lower_ball_joint": -on_upright["lower"],
        "upper_ball_joint": -on_upright["upper"],
        "outer_joint": rod,
        "inner_joint": -rod,
        "steering_arm_root": _moment(pose.outer_joint - arm_foot(pose), rod),
    }
    if spring is None:
        return found
    found["spring"] = -on_upright["spring"]
    for which, ball in (("lower", lower), ("upper", pose.upper_ball_joint)):
        found |= _arm_forces(points, spring, which, ball, found)
    return found


def _holds(
    pose: Poses, points: Hardpoints, spring: Spring | None
) -> list[tuple[str, Array, Array]]:
    """What holds the upright: the part it is of, its direction and where it acts."""
    on: Stands = "lower_arm" if spring is None else spring.on
    holds = []
    for which, ball in (("lower", pose.lower_ball_joint), ("upper", pose.upper_ball_joint)):
        rear, axis = _axis(points, which)
        out = unit((ball - rear) - ((ball - rear) @ axis) * axis)
        ways = [axis, out, _moment(axis, out)]
        # An arm that nothing holds about its axis takes no force along its path.
        holds += [(which, way, ball) for way in ways[: 3 if on == f"{which}_arm" else 2]]
    holds.append(("rod", unit(pose.outer_joint - pose.inner_joint), pose.outer_joint))
    if spring is not None and on == "upright":
        foot = moved_with_upright(pose, points, np.array(spring.arm_point))
        holds.append(("spring", unit(foot - np.array(spring.body_point)), foot))
    return holds


def _arm_forces(
    points: Hardpoints, spring: Spring, which: str, ball: Array, found: dict[str, Array]
) -> dict[str, Array]:
    """Forces of one arm on its pivots, and on the spring where that stands on it."""
    rear, axis = _axis(points, which)
    front = getattr(points, f"{which}_front_pivot")
    on_arm = [(found[f"{which}_ball_joint"], ball)]
    more = {}
    if spring.on == f"{which}_arm":
        foot = np.array(spring.arm_point)
        along = unit(np.array(spring.body_point) - foot)
        turning = float(axis @ _moment(ball - rear, on_arm[0][0]))
        push = turning / float(axis @ _moment(foot - rear, along)) * along
        on_arm.append((-push, foot))
        more["spring"] = push
    force = sum((part for part, _ in on_arm), np.zeros(3))
    moment = sum((_moment(at - rear, part) for part, at in on_arm), np.zeros(3))
    apart = float(np.linalg.norm(front - rear))
    # The front pivot holds the moment about the rear one; of what is along the axis it has half.
    at_front = _moment(moment, axis) / apart + 0.5 * (force @ axis) * axis
    return more | {f"{which}_front_pivot": at_front, f"{which}_rear_pivot": force - at_front}


def _axis(points: Hardpoints, which: str) -> tuple[Array, Array]:
    """Rear pivot of an arm, and the direction of its axis to the front one."""
    rear = getattr(points, f"{which}_rear_pivot")
    return rear, unit(getattr(points, f"{which}_front_pivot") - rear)


def moved_with_upright(poses: Poses, points: Hardpoints, at_rest: Array) -> Array:
    """Where a point (..., 3) of the upright is in poses with the arms at rest; shapes broadcast."""
    lower = points.lower_ball_joint
    axis = unit(points.upper_ball_joint - lower)
    before, after = (joint - lower for joint in (points.outer_joint, poses.outer_joint))
    sine = dot(axis, cross(before, after))
    cosine = dot(before, after) - dot(before, axis) * dot(after, axis)
    return np.asarray(lower + rotate(at_rest - lower, axis, np.arctan2(sine, cosine)))


def _moment(arm: Array, force: Array) -> Array:
    return np.asarray(np.cross(arm, force))
