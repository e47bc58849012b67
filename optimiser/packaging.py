"""Clearance of solved designs: the least distance of every named pair of parts.

Distances are negative where parts overlap. What is measured is in `packaging_parts`; a pair of
which one part's size is not known is NaN, and counts for nothing in the least of all.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.clearance import segment_in_cylinder_clearance
from optimiser.linkage import Poses
from optimiser.packaging_pairs import Pairs, column
from optimiser.packaging_parts import (
    Part,
    arm_tubes,
    joints_between,
    moving_parts,
    obstacles,
    pinion_of,
    rack_housing,
    rod_diameter,
    solved_joints,
)
from optimiser.packaging_pinion import pinion_clearance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.designs import Designs
    from optimiser.hardpoints import Hardpoints
    from optimiser.packaging_parts import Joints, Pinion
    from optimiser.question import Rim, Room
    from optimiser.racks import Rack, Side
    from optimiser.sweep import Solved
    from optimiser.vectors import Array

FAR_MM = 30.0
"""Distances beyond this are given as this: nobody asks how far a distant part is."""
LOOK_AGAIN_MM = 5.0
"""How far beyond the limit a clearance is measured again in poses between the solved ones."""
_BY_THE_ARMS = ("tie_rod", "outer_joint", "spacer")
"""Moving parts that could touch the arms; the steering arm is bolted next to their ball joints."""


def has_pairs(room: Room, racks: Sequence[Rack]) -> bool:
    """Whether there is anything whose clearance can be known."""
    return any(len(unchecked_parts(rack, room)) < len(_PARTS) for rack in racks) and bool(
        room.keep_outs or room.rim or room.arm_tube_diameter_mm
    )


_PARTS = ("tie rods", "steering arms", "spacers", "rack housing", "pinion housing")


def unchecked_parts(rack: Rack, room: Room) -> tuple[str, ...]:
    """Of `_PARTS` those of unknown size, which have no clearance; none with nothing to touch."""
    if not (room.keep_outs or room.rim or room.arm_tube_diameter_mm):
        return ()
    housing = (rack.housing_length_mm, rack.housing_diameter_mm)
    pinion = (rack.pinion_offset_mm, rack.pinion_length_mm, rack.pinion_diameter_mm)
    known = (
        rod_diameter(rack, room) is not None,
        room.steering_arm_diameter_mm is not None,
        room.spacer_diameter_mm is not None,
        None not in housing,
        None not in pinion,
    )
    return tuple(name for name, is_known in zip(_PARTS, known, strict=True) if not is_known)


def clearance_metrics(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    room: Room,
    *,
    arm_ahead: bool,
    drive_side: Side | None,
    limit_mm: float = 0.0,
    worth_it: NDArray[np.bool_] | bool = True,
) -> dict[str, Array]:
    """`clearance_mm`, the least of all, and `clearance_PART_OTHER_mm` of every pair, (N,) each.

    Measured first in the solved poses. Designs that keep `limit_mm` there are measured again in
    the poses between, see `clearance.between`, for what comes nearer than `LOOK_AGAIN_MM` beyond
    the limit.

    `pinion_angle_deg` is the angle of the pinion housing about the bar, from straight up and
    positive rearward: the rack's own, or the one of `packaging_pinion.ANGLES_DEG` with the most
    room.

    Args:
        designs: N designs.
        solved: their poses; those that cannot assemble get NaN.
        racks: candidate racks.
        room: keep-outs and thicknesses.
        arm_ahead: as in `check_hand`, which says on which side the pinion lies.
        drive_side: likewise.
        limit_mm: clearance that is wanted.
        worth_it: False, (N,) or for all, leaves it at the solved poses: of a design that breaks
            another limit nobody asks more.
    """
    count, whole = len(designs), np.flatnonzero(solved.reason == "")
    worth_it = np.broadcast_to(worth_it, count)[whole]
    if len(whole) < count:
        designs, solved = designs.select(whole), _some(solved, whole)
    pinions = [pinion_of(rack, arm_ahead=arm_ahead, drive_side=drive_side) for rack in racks]
    far = max(FAR_MM, limit_mm)
    joints = solved_joints(solved)
    moving = list(moving_parts(designs, joints, racks, room))
    housing = rack_housing(designs, solved, racks)
    found = _of_moving_parts(moving, housing, solved.points, joints, room, far)
    found |= _of_housings(designs, solved, housing, room, pinions, far)
    if room.rim is not None:
        for part in moving:
            if part.name != "spacer":
                found[column(part.name, "rim")] = _in_rim(part, solved, room.rim, far)
    overall = _least(found, len(designs))
    again = np.flatnonzero((overall >= limit_mm) & worth_it)
    if len(again):
        more = joints_between(joints.select(again), solved)
        moving = list(moving_parts(designs.select(again), more, racks, room))
        points = solved.points.select(again)
        nearest = limit_mm + LOOK_AGAIN_MM
        for name, values in _of_moving_parts(moving, None, points, more, room, nearest).items():
            closer = np.where(values < nearest, values, np.inf)
            found[name][again] = np.minimum(found[name][again], closer)
        overall = _least(found, len(designs))
    out = {}
    for name, values in {"clearance_mm": overall, **found}.items():
        out[name] = np.full(count, np.nan)
        out[name][whole] = values
    return out


def _least(found: dict[str, Array], count: int) -> Array:
    known = [values for name, values in found.items() if name != "pinion_angle_deg"]
    return np.fmin.reduce(known) if known else np.full(count, np.nan)


def _some(solved: Solved, rows: NDArray[np.intp]) -> Solved:
    """What clearance needs of some of the designs."""

    def cut(poses: Poses) -> Poses:
        return Poses(**{name: getattr(poses, name)[..., rows, :] for name in Poses.__slots__})

    return replace(
        solved,
        points=solved.points.select(rows),
        rest=cut(solved.rest),
        envelope=cut(solved.envelope),
        reason=solved.reason[rows],
    )


def _of_moving_parts(
    moving: Sequence[Part],
    housing: Part | None,
    points: Hardpoints,
    joints: Joints,
    room: Room,
    far_mm: float,
) -> dict[str, Array]:
    """Clearance by column of whatever moves in the poses of `joints`.

    Of the moving parts to keep-outs and arms, and of the rack housing to the arms.
    """
    groups = obstacles(room.keep_outs, both_sides=True)
    pairs = Pairs(joints.inner.shape[1], far_mm)
    for part in moving:
        for kind, group in groups.items():
            pairs.add_keep_outs(part, kind, group)
    for tube in arm_tubes(points, joints, room):
        for part in moving:
            if part.name in _BY_THE_ARMS:
                pairs.add_moving(part, tube)
        if housing is not None:
            pairs.add_fixed(housing, tube)
    return pairs.measure()


def _of_housings(
    designs: Designs,
    solved: Solved,
    housing: Part | None,
    room: Room,
    pinions: Sequence[Pinion | None],
    far_mm: float,
) -> dict[str, Array]:
    """Clearance by column of the housings to keep-outs, and of the pinion's to the arms too."""
    groups = obstacles(room.keep_outs, both_sides=False)
    tubes = list(arm_tubes(solved.points, solved_joints(solved), room))
    pairs = Pairs(len(designs), far_mm)
    if housing is not None:
        for kind, group in groups.items():
            pairs.add_keep_outs(housing, kind, group)
    found = pairs.measure()
    if any(pinions) and (groups or tubes):
        found["pinion_angle_deg"], by_name = pinion_clearance(
            designs, solved, pinions, groups, tubes, far_mm
        )
        found |= {column("pinion_housing", name): values for name, values in by_name.items()}
    return found


def _in_rim(part: Part, solved: Solved, rim: Rim, far_mm: float) -> Array:
    """Least clearance of a part to the inside of the rim, (N,).

    Only the tie rod moves in the rim: outer joint and steering arm turn with the wheel, so that
    one pose is all.
    """
    at = slice(None) if part.name == "tie_rod" else slice(1)
    poses = solved.envelope.select(at)
    found = segment_in_cylinder_clearance(
        np.moveaxis(part.start[..., at], 0, -1),
        np.moveaxis(part.end[..., at], 0, -1),
        poses.wheel_centre + rim.offset_mm * poses.spin_axis,
        poses.spin_axis,
        rim.inside_radius_mm,
        0.5 * rim.width_mm + part.radius[:, None],
    )
    return np.asarray(np.minimum(np.min(found, axis=1) - part.radius, far_mm))
