"""Tyre and tie rod of both sides at droop, rest and bump, at centre and at both stops."""

from __future__ import annotations

from itertools import pairwise, product
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.hardpoints import RIGHT_PREFIX
from optimiser.linkage.mirror import mirrored, mirrored_rack

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.asked import Tyre
    from optimiser.linkage.vectors import Array

WAYS = ("right_stop", "centre", "left_stop")
"""Of the rack, from its right to its left."""
_AROUND, _MERIDIANS = 36, 8


def moved_parts(
    chosen: Chosen,
) -> Iterator[tuple[str, Literal["tyres", "tie rods in motion"], Array]]:
    """Name, what it is, and segments (n, 2, 3) in body axes; nothing without a tyre.

    What the linkage does not reach is left out.
    """
    tyre = chosen.problem.room.tyre
    if tyre is None:
        return
    grid, end = chosen.problem.travel.grid(), _stop_mm(chosen)
    travels = (("droop", grid[0]), ("rest", 0.0), ("bump", grid[-1]))
    racks = dict(zip(WAYS, (-end, 0.0, end), strict=True))
    for (heave, travel), (way, rack) in product(travels, racks.items()):
        for prefix, at in (("", rack), (RIGHT_PREFIX, float(mirrored_rack(np.array(rack))))):
            pose = solve_linkage(chosen.points, travel, at, chosen.problem.car.attitude)
            if not pose.exists:
                continue
            ring = tyre_wires(tyre, pose.wheel_centre, pose.spin_axis)
            rod = np.stack([pose.inner_joint, pose.outer_joint])[None]
            where = f"{heave}_{way}"
            if prefix:
                ring, rod = mirrored(ring), mirrored(rod)
            yield f"{prefix}tyre_{where}", "tyres", ring
            yield f"{prefix}tie_rod_{where}", "tie rods in motion", rod


def _stop_mm(chosen: Chosen) -> float:
    """Rack displacement at which the stops act, either way: collars may do so beyond the lock."""
    end = chosen.steering_end_mm
    if chosen.problem.steering.stops == "collars" and (found := chosen.free_lock) is not None:
        return max(end, found.least.rack_mm)
    return end


def tyre_wires(tyre: Tyre, centre: Array, spin: Array) -> Array:
    """Circles and outlines of a tyre's ring as segments (n, 2, 3); its edges rounded by chords."""
    ahead = np.cross(spin, (0.0, 0.0, 1.0))
    ahead = ahead / np.linalg.norm(ahead)
    up = np.cross(ahead, spin)
    outline = _outline(tyre)

    def at(angle: Array, off: Array, along: Array) -> Array:
        round_ = np.cos(angle)[:, None] * ahead + np.sin(angle)[:, None] * up
        return np.asarray(centre + off[:, None] * round_ + along[:, None] * spin)

    segments: list[tuple[Array, Array]] = []
    circle = np.linspace(0.0, 2.0 * np.pi, _AROUND + 1)
    for off, along in outline:
        same = np.ones(len(circle))
        segments += pairwise(at(circle, off * same, along * same))
    closed = np.concatenate([outline, outline[:1]])
    for angle in np.linspace(0.0, 2.0 * np.pi, _MERIDIANS, endpoint=False):
        segments += pairwise(at(np.full(len(closed), angle), closed[:, 0], closed[:, 1]))
    return np.array(segments)


def _outline(tyre: Tyre) -> Array:
    """Corners (k, 2) of the profile: off the axle and along it."""
    outside, inside, half = tyre.outside_radius_mm, tyre.inside_radius_mm, 0.5 * tyre.width_mm
    if not tyre.shoulder_mm:
        corners = [(inside, half), (outside, half), (outside, -half), (inside, -half)]
        return np.array(corners)
    angle = np.array([0.5, 0.25, 0.0]) * np.pi
    arc = np.stack([np.cos(angle), np.sin(angle)], axis=-1) * tyre.shoulder_mm
    arc += (outside - tyre.shoulder_mm, half - tyre.shoulder_mm)
    return np.concatenate([[(inside, half)], arc, arc[::-1] * (1.0, -1.0), [(inside, -half)]])
