"""Clearance of what moves in the suspension: arms and brackets before keep-outs and rim.

Arms that stay where they are drawn are the builder's own affair. One of which a point moves, and a
bracket at a pivot that does, keep the study's clearance; or, where the drawn one has less, as much
as that. What the steering touches is measured to arms and brackets in `metrics`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine import poses_between as blended_poses
from optimiser.evaluation.clearance.measure import OUTSIDE_MM
from optimiser.evaluation.clearance.metrics import swept_to_rim
from optimiser.evaluation.clearance.pairs import Bounds, Table, column, near_keep_outs, to_keep_outs
from optimiser.evaluation.clearance.parts import NOT_THERE_MM, Lines, arm_tubes, between, obstacles

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Rim, Room
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.vectors import Array

MOVED_PAIR = "moved_clearance_"
"""How the names of these pairs begin, so that they are told from those of the steering."""


def moved_clearances(
    solved: Solved,
    room: Room,
    moved: Mapping[str, NDArray[np.bool_]] | None,
    far_mm: float,
    *,
    poses_between: bool = True,
) -> dict[str, Array]:
    """Clearance of arms and brackets by pair, (N,) each, NaN of designs that cannot assemble.

    Args:
        solved: poses of N designs.
        room: keep-outs, rim and thicknesses; parts of unknown size are left out.
        moved: which points of which designs are elsewhere than drawn, by their name; None measures
            the arms wherever they are.
        far_mm: distances beyond this, and all of what has not moved, are given as this.
        poses_between: as in `metrics.clearance_metrics`.
    """
    lines = arm_tubes(solved, room)
    if lines is None or not (room.still or room.rim):
        return {}
    whole = solved.reason == ""
    there = np.concatenate([whole & _there(name, moved, len(whole)) for name in lines.names])
    lines = Lines(lines.names, lines.start, lines.end, np.where(there, lines.radius, NOT_THERE_MM))
    found = _to_keep_outs(lines, solved, room, far_mm, poses_between)
    if room.rim is not None:
        found |= _in_rim(lines, there, solved, room.rim, far_mm, poses_between)
    return {f"moved_{name}": np.where(whole, value, np.nan) for name, value in found.items()}


def _there(name: str, moved: Mapping[str, NDArray[np.bool_]] | None, count: int) -> Array:
    """Where a part counts, (N,): a bracket stands at moved pivots alone as it is."""
    if moved is None or not name.endswith("_arm"):
        return np.ones(count, dtype=bool)
    arm = name.removesuffix("arm")
    ends = [where for point, where in moved.items() if point.startswith(arm)]
    return np.any(ends, axis=0) if ends else np.zeros(count, dtype=bool)


def _to_keep_outs(
    lines: Lines, solved: Solved, room: Room, far_mm: float, poses_between: bool
) -> dict[str, Array]:
    group = obstacles(room.still)
    if not group.names:
        return {}
    table, count = Table(lines.count, far_mm), lines.count
    columns = np.array([table.columns(name, group.names, np.zeros(count)) for name in lines.names])
    faces = np.ones((len(lines.names), len(group.names)), dtype=bool)
    reach = far_mm + (OUTSIDE_MM if poses_between else 0.0)
    rows, others = near_keep_outs(lines, Bounds.of(lines), group, reach, faces)
    some = lines.select(rows)
    values = to_keep_outs(between(some, solved) if poses_between else some, group, others, far_mm)
    table.put(columns, rows, others, values)
    return table.results()


def _in_rim(
    lines: Lines,
    there: NDArray[np.bool_],
    solved: Solved,
    rim: Rim,
    far_mm: float,
    poses_between: bool,
) -> dict[str, Array]:
    """Arms in the rim, from the pivots on; a bracket stands far from it."""
    poses, count = solved.envelope, lines.count
    grid = None
    if poses_between:
        grid = blended_poses(solved.envelope_travel_mm, solved.envelope_share)
    found: dict[str, Array] = {}
    for number, name in enumerate(lines.names):
        if not name.endswith("_arm"):
            continue
        name = column(name, "rim")
        least = np.full(count, far_mm)
        mine = np.flatnonzero(there[number * count : (number + 1) * count])
        if len(mine):
            part = lines.select(number * count + mine)
            shape = (3, len(mine), poses.shape[-1])
            ends = [
                np.broadcast_to(end.points.take(end.rows, axis=1), shape)
                for end in (part.start, part.end)
            ]
            wheel = [poses.wheel_centre_xyz[:, mine], poses.spin_xyz[:, mine]]
            least[mine] = swept_to_rim([*ends, *wheel], part.radius, rim, far_mm, grid)
        found[name] = np.minimum(found.get(name, least), least)
    return found
