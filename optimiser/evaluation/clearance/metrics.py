"""Clearance of solved designs: the least distance of every named pair of parts, and of the tyre.

Distances are negative where parts overlap. What is measured is in `parts`; a pair of
which one part's size is not known is NaN, and counts for nothing in the least of all.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.bodies import Bodies
from optimiser.evaluation.clearance.engine import minimum_segment_rim
from optimiser.evaluation.clearance.engine import poses_between as blended_poses
from optimiser.evaluation.clearance.measure import OUTSIDE_MM, Measurement
from optimiser.evaluation.clearance.pairs import column
from optimiser.evaluation.clearance.parts import Part, moving_parts, rod_diameter, still_parts
from optimiser.evaluation.clearance.pinion import pinion_housings
from optimiser.evaluation.clearance.tyre import TyreRoom
from optimiser.linkage.at_rack import Poses
from optimiser.linkage.vectors import unit

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Rim, Room
    from optimiser.evaluation.clearance.engine import Between
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Rack, Side
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

FAR_MM = 20.0
"""Distances beyond this are given as this: nobody asks how far a distant part is."""


def told_apart_mm(limit_mm: float | None) -> float:
    """Distance from which on clearances are not told apart, where `limit_mm` is wanted."""
    return max(FAR_MM, limit_mm or 0.0)


def has_tyre_pairs(room: Room, racks: Sequence[Rack]) -> bool:
    """Whether there is a tyre and anything that it may touch."""
    others = any(item.on != "upright" or item.to_on is not None for item in room.keep_outs)
    bars = any(
        rod_diameter(rack, room) is not None or rack.housing_diameter_mm is not None
        for rack in racks
    )
    return room.tyre is not None and (others or bars or room.arm_tube_diameter_mm is not None)


def has_pairs(room: Room, racks: Sequence[Rack]) -> bool:
    """Whether there is anything whose clearance to the steering can be known."""
    return any(len(unchecked_parts(rack, room)) < len(MEASURED) for rack in racks) and bool(
        room.keep_outs or room.rim or room.arm_tube_diameter_mm or room.brackets
    )


MEASURED = (
    "tie rods",
    "outer joints",
    "steering arms",
    "spacers",
    "rack housing",
    "pinion housing",
)
"""Parts of the steering whose clearance is measured where their size is known."""


def unchecked_parts(rack: Rack, room: Room) -> tuple[str, ...]:
    """Of `MEASURED` those of unknown size, which have no clearance; none with nothing to touch."""
    if not (room.keep_outs or room.rim or room.arm_tube_diameter_mm):
        return ()
    housing = (rack.housing_length_mm, rack.housing_diameter_mm)
    pinion = (rack.pinion_offset_mm, rack.pinion_length_mm, rack.pinion_diameter_mm)
    rod = rod_diameter(rack, room) is not None
    known = (
        rod,
        rod or room.joint_diameter_mm is not None,
        room.steering_arm_diameter_mm is not None,
        room.spacer_diameter_mm is not None,
        None not in housing,
        None not in pinion,
    )
    return tuple(name for name, is_known in zip(MEASURED, known, strict=True) if not is_known)


def clearance_metrics(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    room: Room,
    *,
    arm_ahead: bool,
    drive_side: Side | None,
    limit_mm: float = 0.0,
    poses_between: bool = True,
    only: Collection[str] | None = None,
    roll_deg: Array | None = None,
) -> dict[str, Array]:
    """`clearance_mm`, the least of all, and `clearance_PART_OTHER_mm` of every pair, (N,) each.

    With a tyre `tyre_clearance_mm` is the least of its pairs, which the other does not count.

    `pinion_angle_deg` is the angle of the pinion housing about the bar, from straight up and
    positive rearward: the rack's own, or the one of `pinion.ANGLES_DEG` with the most
    room.

    Args:
        designs: N designs.
        solved: their poses; those that cannot assemble get NaN.
        racks: candidate racks.
        room: keep-outs and thicknesses.
        arm_ahead: as in `check_hand`, which says on which side the pinion lies.
        drive_side: likewise.
        limit_mm: clearance that is wanted.
        poses_between: measure tie rod, outer joint and steering arm in the poses of
            `engine.between` too; False for the poses of `solved` alone.
        only: columns of pairs that are given beside those that come near; None for every pair.
        roll_deg: as in `pinion_housings`.
    """
    count, whole = len(designs), np.flatnonzero(solved.reason == "")
    if len(whole) < count:
        designs, solved = designs.select(whole), some_designs(solved, whole)
        roll_deg = None if roll_deg is None else roll_deg[whole]
    pinions = pinion_housings(
        designs, solved, racks, arm_ahead=arm_ahead, drive_side=drive_side, roll_deg=roll_deg
    )
    moving = moving_parts(designs, solved, racks, room)
    still = still_parts(designs, solved, racks, room)
    bodies = None
    if room.closest_only:
        bodies = Bodies.of(solved, room, between=poses_between)
    pairs = Measurement(solved, room, told_apart_mm(limit_mm), poses_between, bodies)
    found = pairs.measure(moving, still, pinions, only)
    if room.rim is not None:
        grid = None
        if poses_between:
            grid = blended_poses(solved.envelope_travel_mm, solved.envelope_share)
        found |= _in_rim(moving, solved, room.rim, pairs.far, grid)
    known = [values for name, values in found.items() if name != "pinion_angle_deg"]
    if only is not None or not known:
        known.append(pairs.least_told)
    overall = np.fmin.reduce(known)
    found = {"clearance_mm": overall, **found}
    if room.tyre is not None and bodies is not None:
        housings = [part for part in still if part[0] == "rack_housing"]
        if pinions is not None:
            angle = found.get("pinion_angle_deg", pinions.angles_deg[:, 0])
            housings.append(pinions.turned_to(angle))
        found |= _of_tyre([*moving, *housings], solved, room, pairs.far, bodies)
    if len(whole) == count:
        return found
    out = {}
    for name, values in found.items():
        out[name] = np.full(count, np.nan)
        out[name][whole] = values
    return out


def _of_tyre(
    parts: list[Part], solved: Solved, room: Room, far_mm: float, bodies: Bodies
) -> dict[str, Array]:
    """Clearance of the tyre by pair, and the least of all of them."""
    tyre = TyreRoom.of(room, solved, bodies, far_mm)
    if tyre is None:
        return {}
    found = tyre.measure(parts, room)
    blank = np.full(len(solved.reason), np.nan)
    return {"tyre_clearance_mm": np.fmin.reduce([blank, *found.values()]), **found}


def some_designs(solved: Solved, rows: Index) -> Solved:
    """What clearance needs of some of the designs."""

    def cut(poses: Poses) -> Poses:
        return Poses(**{name: getattr(poses, name)[..., rows, :] for name in Poses.__slots__})

    return replace(
        solved,
        points=solved.points.select(rows),
        rest=cut(solved.rest),
        envelope=cut(solved.envelope),
        track_growth_mm=solved.track_growth_mm[rows],
        reason=solved.reason[rows],
    )


def _in_rim(
    moving: list[Part], solved: Solved, rim: Rim, far_mm: float, grid: Between | None
) -> dict[str, Array]:
    """Least clearance of parts to the rim by column, (N,), `far_mm` where it is more.

    Only the tie rod moves in the rim: outer joint and steering arm turn with the wheel, so that
    one pose is all. The rod is looked at in the poses of `grid` too, where it comes near at all.
    """
    poses = solved.envelope
    wheel = (poses.wheel_centre_xyz, poses.spin_xyz)
    found, still = {}, []
    for part in moving:
        name, start, end, radius = part
        if name in ("outer_joint", "steering_arm"):
            still.append(part)
        elif name == "tie_rod":
            least = swept_to_rim([start, end, *wheel], radius, rim, far_mm, grid)
            found[column(name, "rim")] = least
    if still:
        names, starts, ends, radii = zip(*still, strict=True)
        points = [starts, ends, *([part] * len(still) for part in wheel)]
        together = [np.concatenate([each[..., :1] for each in some], axis=1) for some in points]
        least = _to_rim(together, np.concatenate(radii), rim, far_mm)
        columns = [column(name, "rim") for name in names]
        found |= dict(zip(columns, np.split(least, len(still)), strict=True))
    return found


def swept_to_rim(
    points: list[Array], radius: Array, rim: Rim, far_mm: float, grid: Between | None
) -> Array:
    """`_to_rim` of lines that move in the rim, in the poses of `grid` too where they come near."""
    reach = far_mm + OUTSIDE_MM
    least = _to_rim(points, radius, rim, reach)
    if grid is not None:
        near = np.flatnonzero(least < reach)
        blended = [grid.blend(each[:, near]) for each in points]
        least[near] = _to_rim(blended, radius[near], rim, far_mm)
    return np.minimum(least, far_mm)


def _to_rim(points: Sequence[Array], radius: Array, rim: Rim, far_mm: float) -> Array:
    """Least clearance over the poses, (N,), of lines and wheels (3, N, E); at most `far_mm`."""
    start, end, centre, spin = (np.moveaxis(each, 0, -1) for each in points)
    spin = unit(spin)  # blended, it is no longer of unit length
    known = radius[np.isfinite(radius)]
    found = minimum_segment_rim(
        start,
        end,
        centre + rim.offset_mm * spin,
        spin,
        rim.inside_radius_mm,
        0.5 * rim.width_mm,
        ceiling=far_mm + float(np.max(known, initial=0.0)),
    )
    return np.asarray(np.minimum(found - radius, far_mm))
