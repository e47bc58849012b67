"""Clearance of solved designs: the least distance of every named pair of parts.

The moving parts are those of the left corner, over every pose of travel and rack. The right
corner at rack displacement r is the left one's mirror image at -r, and the poses hold both
signs of r; so each keep-out is checked where it is and mirrored, and one corner stands for two.
Parts are capsules: all within a radius of a line. Distances are negative where parts overlap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.clearance import (
    minimum_segment_box,
    minimum_segment_segment,
    segment_in_cylinder_clearance,
)
from optimiser.files import slug
from optimiser.mounting import check_hand
from optimiser.vectors import dot, unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.designs import Designs
    from optimiser.linkage import Poses
    from optimiser.question import KeepOut, Room
    from optimiser.racks import Rack, Side
    from optimiser.sweep import Solved
    from optimiser.vectors import Array

FAR_MM = 100.0
"""Distances beyond this are given as this: nobody asks how far a distant part is."""
PINION_ANGLES_DEG = np.arange(-45.0, 136.0, 15.0)
"""Angles tried for a pinion housing that may be turned: forward of up to below the rear, since
it has to face the column."""
_FLIP = np.array([1.0, -1.0, 1.0])


@dataclass(frozen=True, slots=True)
class _Capsule:
    """One part of N designs: ends of its line (N, E, 3), and radius (N,) or a number."""

    name: str
    start: Array
    end: Array
    radius: Array | float


@dataclass(frozen=True, slots=True)
class _Obstacles:
    """Keep-outs of one kind: corners or ends (K, 3), radii (K,), and their names."""

    names: tuple[str, ...]
    low: Array
    high: Array
    radius: Array


def has_pairs(room: Room, racks: Sequence[Rack]) -> bool:
    """Whether there is anything whose clearance can be known."""
    rod = room.tie_rod_diameter_mm is not None or any(r.tie_rod_diameter_mm for r in racks)
    return bool(room.keep_outs or (rod and (room.rim or room.arm_tube_diameter_mm)))


def clearance_metrics(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    room: Room,
    *,
    arm_ahead: bool,
    drive_side: Side | None,
) -> dict[str, Array]:
    """`clearance_mm`, the least of all, and `clearance_PART_OTHER_mm` of every pair, (N,) each.

    `pinion_angle_deg` is the angle of the pinion housing about the bar, from straight up and
    positive rearward: the rack's own, or the one of `PINION_ANGLES_DEG` with the most room.
    """
    pairs: dict[str, Array] = {}

    def note(part: str, other: str, distance: Array) -> None:
        name = f"clearance_{part}_{slug(other).lower().replace('-', '_')}_mm"
        value = np.minimum(distance, FAR_MM)
        pairs[name] = np.minimum(pairs[name], value) if name in pairs else value

    moving = list(_moving_parts(designs, solved, racks, room))
    both_sides = _obstacles(room.keep_outs, both_sides=True)
    as_is = _obstacles(room.keep_outs, both_sides=False)
    housings = list(_housings(solved, designs, racks))
    for part, obstacles in [(p, both_sides) for p in moving] + [(p, as_is) for p in housings]:
        for kind, group in obstacles.items():
            for name, distance in zip(group.names, _distances(part, kind, group), strict=True):
                note(part.name, name, distance)
    for tube in _arm_tubes(solved, room):
        for part in (*moving, *housings):
            if part.name in ("tie_rod", "spacer", "rack_housing"):
                note(part.name, tube.name, _between(part, tube))
    for part in moving:
        if room.rim is not None and part.name != "spacer":
            note(part.name, "rim", _in_rim(part, solved.envelope, room))
    pinion = _pinion(solved, designs, racks, as_is, arm_ahead, drive_side)
    if pinion is not None:
        angle, distances = pinion
        pairs["pinion_angle_deg"] = angle
        for name, distance in distances.items():
            note("pinion_housing", name, distance)
    least = [values for name, values in pairs.items() if name != "pinion_angle_deg"]
    overall = np.min(least, axis=0) if least else np.full(len(designs), FAR_MM)
    return {"clearance_mm": overall, **pairs}


# --- parts ---------------------------------------------------------------------------------------


def _moving_parts(
    designs: Designs, solved: Solved, racks: Sequence[Rack], room: Room
) -> Iterator[_Capsule]:
    poses = solved.envelope
    inner, outer = poses.inner_joint, poses.outer_joint
    own = np.array([r.tie_rod_diameter_mm or room.tie_rod_diameter_mm or np.nan for r in racks])
    rod = 0.5 * own[designs.rack]
    if np.isfinite(own).all():
        yield _Capsule("tie_rod", inner, outer, rod)
    joint = room.joint_diameter_mm
    if joint is not None or np.isfinite(own).all():
        yield _Capsule("outer_joint", outer, outer, rod if joint is None else 0.5 * joint)
    if room.steering_arm_diameter_mm is not None:
        axis = unit(poses.upper_ball_joint - poses.lower_ball_joint)
        up = dot(outer - poses.lower_ball_joint, axis)
        foot = poses.lower_ball_joint + up[..., None] * axis
        yield _Capsule("steering_arm", foot, outer, 0.5 * room.steering_arm_diameter_mm)
    if room.spacer_diameter_mm is not None:
        half = _half_housing(racks)[designs.rack]
        start = inner.copy()
        start[..., 1] = np.minimum(half[:, None], inner[..., 1])
        yield _Capsule("spacer", start, inner, 0.5 * room.spacer_diameter_mm)


def _half_housing(racks: Sequence[Rack]) -> Array:
    """Half the length of the housing, 0 where it is not known: then all of the bar moves."""
    return np.array([0.5 * (rack.housing_length_mm or 0.0) for rack in racks])


def _housings(solved: Solved, designs: Designs, racks: Sequence[Rack]) -> Iterator[_Capsule]:
    """Rack housings as fixed capsules (N, 1, 3) whose overall length is the housing's."""
    if all(rack.housing_diameter_mm is None for rack in racks):
        return
    radius = np.array([0.5 * (rack.housing_diameter_mm or 0.0) for rack in racks])[designs.rack]
    reach = np.maximum(0.0, _half_housing(racks)[designs.rack] - radius)
    centre = solved.points.inner_joint * np.array([1.0, 0.0, 1.0])
    offset = reach[:, None] * np.array([0.0, 1.0, 0.0])
    yield _Capsule("rack_housing", (centre - offset)[:, None], (centre + offset)[:, None], radius)


def _arm_tubes(solved: Solved, room: Room) -> Iterator[_Capsule]:
    """The four tubes of the two arms, moving; (N or 1, 1, 3) to (N, E, 3)."""
    if room.arm_tube_diameter_mm is None:
        return
    points, poses = solved.points, solved.envelope
    for arm, ball in (("lower", poses.lower_ball_joint), ("upper", poses.upper_ball_joint)):
        for end in ("front", "rear"):
            pivot = np.atleast_2d(getattr(points, f"{arm}_{end}_pivot"))[:, None]
            start = np.broadcast_to(pivot, ball.shape)
            yield _Capsule(f"{arm}_arm", start, ball, 0.5 * room.arm_tube_diameter_mm)


def _obstacles(keep_outs: Sequence[KeepOut], *, both_sides: bool) -> dict[str, _Obstacles]:
    """Keep-outs by kind; with their mirror images where those differ from them."""
    found: dict[str, list[tuple[str, Array, Array, float]]] = {"box": [], "capsule": []}
    for item in keep_outs:
        a, b = np.array(item.low), np.array(item.high)
        shapes = [(a, b)]
        if both_sides or item.mirror:
            shapes.append((a * _FLIP, b * _FLIP))
        if item.kind == "box":
            shapes = [(np.minimum(p, q), np.maximum(p, q)) for p, q in shapes]
        same = len(shapes) == 2 and {tuple(p) for p in shapes[0]} == {tuple(p) for p in shapes[1]}
        found[item.kind] += [
            (item.name, p, q, item.radius_mm) for p, q in (shapes[:1] if same else shapes)
        ]
    return {
        kind: _Obstacles(
            tuple(entry[0] for entry in entries),
            np.array([entry[1] for entry in entries]),
            np.array([entry[2] for entry in entries]),
            np.array([entry[3] for entry in entries]),
        )
        for kind, entries in found.items()
        if entries
    }


# --- distances ------------------------------------------------------------------------------------


def _distances(part: _Capsule, kind: str, group: _Obstacles) -> Array:
    """Least clearance of one part to each obstacle of a kind, (K, N)."""
    least = minimum_segment_box if kind == "box" else minimum_segment_segment
    radius = np.asarray(part.radius, float)
    thick = float(np.max(radius, initial=0.0) + np.max(group.radius, initial=0.0))
    found = least(
        part.start[:, None],
        part.end[:, None],
        group.low[:, None],
        group.high[:, None],
        ceiling=FAR_MM + thick,
    )
    return np.asarray(found.T - group.radius[:, None] - radius)


def _between(part: _Capsule, other: _Capsule) -> Array:
    """Least clearance of two parts in the same poses, (N,)."""
    thick = np.asarray(part.radius, float) + np.asarray(other.radius, float)
    found = minimum_segment_segment(
        part.start, part.end, other.start, other.end, ceiling=FAR_MM + float(np.max(thick))
    )
    return np.asarray(found - thick)


def _in_rim(part: _Capsule, poses: Poses, room: Room) -> Array:
    """Least clearance of a part to the inside of the rim, (N,)."""
    rim = room.rim
    if rim is None:
        return np.full(len(part.start), FAR_MM)
    radius = np.broadcast_to(np.asarray(part.radius, float), part.start.shape[:1])[:, None]
    found = segment_in_cylinder_clearance(
        part.start,
        part.end,
        poses.wheel_centre + rim.offset_mm * poses.spin_axis,
        poses.spin_axis,
        rim.inside_radius_mm,
        0.5 * rim.width_mm + radius,
    )
    return np.asarray(np.min(found - radius, axis=1))


def _pinion(
    solved: Solved,
    designs: Designs,
    racks: Sequence[Rack],
    obstacles: dict[str, _Obstacles],
    arm_ahead: bool,
    drive_side: Side | None,
) -> tuple[Array, dict[str, Array]] | None:
    """Angle of the pinion housing and its clearance to each keep-out; None where none is known.

    A capsule from the bar outward, square to it. Where the side is not known both are taken.
    """
    if not obstacles or all(rack.pinion_length_mm is None for rack in racks):
        return None
    chosen = np.full(len(designs), np.nan)
    names = [name for group in obstacles.values() for name in group.names]
    least = {name: np.full(len(designs), FAR_MM) for name in names}
    for index, rack in enumerate(racks):
        mine = np.flatnonzero(designs.rack == index)
        if not len(mine) or rack.pinion_length_mm is None or rack.pinion_diameter_mm is None:
            continue
        angles = PINION_ANGLES_DEG if rack.pinion_angle_deg is None else [rack.pinion_angle_deg]
        turn = np.radians(np.asarray(angles, float))
        out = np.stack([-np.sin(turn), 0.0 * turn, np.cos(turn)], axis=-1)
        radius = 0.5 * rack.pinion_diameter_mm
        reach = max(0.0, rack.pinion_length_mm - radius)
        side = check_hand(rack, arm_ahead, drive_side).pinion_side
        sides = {"left": (1.0,), "right": (-1.0,)}.get(str(side), (1.0, -1.0))
        centre = solved.points.inner_joint[mine] * np.array([1.0, 0.0, 1.0])
        by_name: dict[str, Array] = {}
        for sign in sides:
            start = centre + sign * (rack.pinion_offset_mm or 0.0) * np.array([0.0, 1.0, 0.0])
            begin = np.repeat(start, len(out), axis=0)[:, None]
            end = (start[:, None] + reach * out).reshape(-1, 1, 3)
            part = _Capsule("pinion_housing", begin, end, radius)
            for kind, group in obstacles.items():
                found = np.minimum(_distances(part, kind, group), FAR_MM)
                for name, row in zip(group.names, found, strict=True):
                    value = row.reshape(len(mine), len(out))
                    by_name[name] = np.minimum(by_name.get(name, FAR_MM), value)
        worst = np.min(list(by_name.values()), axis=0)
        best = np.argmax(np.nan_to_num(worst, nan=-np.inf), axis=1)
        rows = np.arange(len(mine))
        chosen[mine] = np.asarray(angles)[best]
        for name, values in by_name.items():
            least[name][mine] = values[rows, best]
    return chosen, least
