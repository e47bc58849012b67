"""Steering columns of designs: joints and shafts, how evenly they turn the pinion, what is near."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.bolting import missing_for_pinion
from optimiser.evaluation.clearance.engine import (
    segment_box_distance,
    segment_cylinder_distance,
    segment_segment_distance,
)
from optimiser.evaluation.clearance.measure import OUTSIDE_MM
from optimiser.evaluation.clearance.parts import KINDS, Lines, between, moving_parts, obstacles
from optimiser.evaluation.column_places import Places, find_places
from optimiser.linkage.mirror import mirrored
from optimiser.metrics.universal_joint import Driveline, half_turn, nearest_step

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Room
    from optimiser.evaluation.bolting import Column
    from optimiser.evaluation.clearance.parts import Obstacles
    from optimiser.evaluation.column_places import Rows
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.laid import LaidRacks
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

COLUMN = (
    "column_upper_angle_deg",
    "column_lower_angle_deg",
    "column_phase_deg",
    "column_phase_stepped_deg",
    "column_fork_deg",
    "column_ripple_percent",
    "column_ripple_free_percent",
    "column_miss_mm",
    "column_shaft_mm",
)
"""Quantities of `Driven.metrics`."""
_PERCENT = 100.0
_SIDES = (np.asarray, mirrored)
"""The left side as it is, and the right one."""
_SIDES_OF = {None: _SIDES, "left": _SIDES[:1], "right": _SIDES[1:]}
"""The same by `Room.side`."""


@dataclass(frozen=True, slots=True)
class Driven:
    """The columns of N designs; NaN where the rack's pinion is not known.

    Attributes:
        column: what is asked.
        places: of the joints.
        end: of the pinion housing, where the lower shaft begins, (N, 3).
        line: the joints with their forks on the nearest splines.
        free: the same at the best phase.
        stepped: phase of `line`, radians, (N,); NaN with one joint.
        middle: angle of the middle straight ahead, (N,); see `Driveline.straight_ahead`.
    """

    column: Column
    places: Places
    end: Array
    line: Driveline
    free: Driveline
    stepped: Array
    middle: Array

    def select(self, rows: NDArray[np.intp]) -> Driven:
        """Some of the designs, repeated where they are."""

        def cut(part: Places | Driveline) -> dict[str, Array]:
            return {one.name: getattr(part, one.name)[rows] for one in fields(part)}

        return Driven(
            self.column,
            Places(**cut(self.places)),
            self.end[rows],
            Driveline(**cut(self.line)),
            Driveline(**cut(self.free)),
            self.stepped[rows],
            self.middle[rows],
        )

    def of_pinion(self, turned: Array) -> tuple[Array, Array]:
        """Turn of the steering wheel and d(pinion)/d(wheel) for turns (N, n) of the pinion.

        Where the column is not known the wheel is taken to turn as the pinion does.
        """
        wheel, rate = self.line.of_pinion(turned, self.middle)
        known = np.isfinite(rate)
        return np.where(known, wheel, turned), np.where(known, rate, 1.0)

    def metrics(self) -> dict[str, Array]:
        """Numbers of the columns by their name, (N,) each."""
        places = self.places
        return {
            "column_upper_angle_deg": np.degrees(places.upper_bend),
            "column_lower_angle_deg": np.degrees(places.lower_bend),
            "column_phase_deg": np.degrees(places.best_phase),
            "column_phase_stepped_deg": np.degrees(self.stepped),
            "column_fork_deg": np.degrees(self.line.fork(self.middle)),
            "column_ripple_percent": _PERCENT * self.line.ripple,
            "column_ripple_free_percent": _PERCENT * self.free.ripple,
            "column_miss_mm": places.miss_mm,
            "column_shaft_mm": places.length_mm,
        }

    def shafts(self) -> list[tuple[Array, Array]]:
        """Both ends (N, 3) of each shaft: the wheel's, the middle one if any, and the pinion's."""
        upper, lower = self.places.upper, self.places.lower
        wheel = np.broadcast_to(np.array(self.column.wheel), upper.shape)
        ends = [(wheel, upper), (upper, lower), (lower, self.end)]
        return ends if self.column.joints == 2 else [ends[0], ends[2]]


def drive(
    column: Column,
    laid: LaidRacks,
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    room: Room,
    wanted_mm: float | None,
) -> Driven:
    """The columns of N designs.

    Args:
        column: what is asked.
        laid: where the pinions are.
        designs: N designs.
        solved: their poses, of which the tie rods' count.
        racks: candidate racks.
        room: keep-outs and thicknesses.
        wanted_mm: clearance that the shafts have to keep; None: none.
    """
    clear = None
    if wanted_mm is not None and column.shaft_diameter_mm is not None:
        clear = _Around(column, laid, _rods(designs, solved, racks, room), room, wanted_mm)
    places = find_places(column, laid.pinion_end, laid.pinion, clear)
    lower, best = places.lower_bend, places.best_phase
    if column.joints == 1:
        lower = best = np.where(np.isnan(places.upper_bend), np.nan, 0.0)
    stepped = nearest_step(best, column.yoke_step)
    line = Driveline(places.upper_bend, lower, half_turn(stepped - best))
    free = Driveline(places.upper_bend, lower, 0.0 * best)
    middle = line.straight_ahead(light=column.straight_ahead == "light")
    stepped = stepped if column.joints == 2 else np.full(len(stepped), np.nan)
    return Driven(column, places, laid.pinion_end, line, free, stepped, middle)


# --- what is near --------------------------------------------------------------------------------


def _rods(
    designs: Designs, solved: Solved, racks: Sequence[Rack], room: Room
) -> tuple[Array, Array, Array] | None:
    """Inner and outer ends (N, E, 3) and radius (N,) of the left tie rods; None of no thickness."""
    rods = [part for part in moving_parts(designs, solved, racks, room) if part[0] == "tie_rod"]
    if not rods:
        return None
    _, inner, outer, radius = rods[0]
    return np.moveaxis(inner, 0, -1), np.moveaxis(outer, 0, -1), radius


def _keep_out_gap(start: Array, stop: Array, group: Obstacles, index: int) -> Array:
    """Least distance of lines (..., 3) to the surface of one of the keep-outs, (...)."""
    ends = start, stop, group.start[index], group.end[index]
    kind = KINDS[int(group.kind[index])]
    if kind == "cylinder":
        return segment_cylinder_distance(*ends, group.round_mm[index])
    if kind == "box":
        return segment_box_distance(*ends)
    return np.asarray(segment_segment_distance(*ends) - group.radius[index])


class _Around:
    """Whether shafts with their joints at places are as far from all else as is wanted."""

    def __init__(
        self,
        column: Column,
        laid: LaidRacks,
        rods: tuple[Array, Array, Array] | None,
        room: Room,
        wanted_mm: float,
    ) -> None:
        self._column, self._laid, self._rods = column, laid, rods
        self._radius = 0.5 * (column.shaft_diameter_mm or 0.0)
        self._wanted, self._room = wanted_mm, room

    def __call__(self, rows: Rows, lower: Array, upper: Array) -> NDArray[np.bool_]:
        """See `column_places.Clear`."""
        column, laid = self._column, self._laid
        end, pinion = laid.pinion_end[rows], laid.pinion[rows]
        low = (end[:, None] + pinion[:, None] * lower[..., None])[:, :, None]
        high = np.array(column.wheel) + np.array(column.axis) * upper[..., None]
        wheel, foot = np.array(column.wheel), end[:, None, None]
        kept = np.ones(upper.shape, dtype=bool)
        for start, stop in ((wheel, high), (high, low), (low, foot)):
            kept &= np.broadcast_to(self._apart(rows, start, stop), kept.shape)
        return kept

    def ever(self, rows: Rows) -> NDArray[np.bool_]:
        """The pieces of the outer shafts that are there wherever the joints are."""
        column, laid = self._column, self._laid
        end, pinion = (v[rows][:, None, None] for v in (laid.pinion_end, laid.pinion))
        wheel, axis = np.array(column.wheel), np.array(column.axis)
        first = self._apart(rows, end, end + pinion * column.lower_mm[0])
        # Where a range begins behind the point on the wheel's shaft, none of it is sure.
        other = self._apart(rows, wheel, wheel + axis * max(0.0, column.upper_mm[0]))
        return np.asarray((first & other)[:, 0, 0])

    def _apart(self, rows: Rows, start: Array, stop: Array) -> NDArray[np.bool_]:
        """Whether shafts (n, S, T) from start to stop are far enough from all else."""
        gap = self._keep_out_gap(start, stop) >= self._wanted + self._radius
        return np.asarray(gap & self._clear_of_rods(rows, start, stop))

    def _keep_out_gap(self, start: Array, stop: Array) -> Array:
        """Least distance of the shaft's line to the surfaces of keep-outs."""
        group, gaps = obstacles(self._room.still), [np.full((1, 1, 1), np.inf)]
        for index in np.flatnonzero(~group.image).tolist():
            gaps.append(_keep_out_gap(start, stop, group, index))
        return np.asarray(np.minimum.reduce(np.broadcast_arrays(*gaps)))

    def _clear_of_rods(self, rows: Rows, start: Array, stop: Array) -> NDArray[np.bool_]:
        """Whether both tie rods stay clear; the box around their poses is looked at first."""
        if self._rods is None:
            return np.ones((1, 1, 1), dtype=bool)
        inner, outer, thick = (part[rows] for part in self._rods)
        reach = (thick + self._radius + self._wanted)[:, None, None]
        clear = np.ones((1, 1, 1), dtype=bool)
        for side in _SIDES:
            one, other = side(inner), side(outer)
            cloud = np.concatenate([one, other], axis=1)
            low, high = (end[:, None, None] for end in (cloud.min(axis=1), cloud.max(axis=1)))
            # Of poses that do not exist nothing is asked.
            away = ~(segment_box_distance(start, stop, low, high) < reach)
            for row in np.flatnonzero(~away.all(axis=(1, 2))).tolist():
                near = np.nonzero(~away[row])
                shape = (*away.shape, 3)
                a, b = (np.broadcast_to(end, shape)[row][near] for end in (start, stop))
                gap = segment_segment_distance(a[:, None], b[:, None], one[row], other[row])
                away[row][near] = ~(gap.min(axis=1) < reach[row, 0, 0])
            clear = clear & away
        return np.asarray(clear)


def column_clearances(
    driven: Driven,
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    room: Room,
    far_mm: float,
    *,
    poses_between: bool,
) -> dict[str, Array]:
    """Clearance of the shafts to every keep-out and to both tie rods by column, (N,) each.

    Empty where the thickness of the shafts is not known, or no rack's pinion. Distances beyond
    `far_mm` are that; NaN of designs that cannot assemble.
    """
    known = any(not missing_for_pinion(rack) for rack in racks)
    if driven.column.shaft_diameter_mm is None or not known:
        return {}
    radius, shafts = 0.5 * driven.column.shaft_diameter_mm, driven.shafts()
    found: dict[str, Array] = {}
    group = obstacles(room.still)
    for index in np.flatnonzero(~group.image).tolist():
        name = group.names[index]
        gap = np.min([_keep_out_gap(a, b, group, index) for a, b in shafts], axis=0) - radius
        found[name] = np.fmin(found[name], gap) if name in found else gap
    rods = Lines.of([p for p in moving_parts(designs, solved, racks, room) if p[0] == "tie_rod"])
    if rods is not None:
        reach = far_mm + radius + rods.radius
        found["tie rod"] = np.full(len(designs), far_mm)
        found["tie rod"][np.isnan(rods.radius) | np.isnan(shafts[0][1]).any(axis=1)] = np.nan
        near = np.flatnonzero(_may_be_near(shafts, rods, reach))
        if len(near):
            lines = rods.select(near)
            lines = between(lines, solved) if poses_between else lines
            ends = (np.moveaxis(p.points[:, p.rows], 0, -1) for p in (lines.start, lines.end))
            inner, outer = ends
            gaps = [
                segment_segment_distance(
                    a[near, None], b[near, None], side(inner), side(outer)
                ).min(axis=1)
                for a, b in shafts
                for side in _SIDES_OF[room.side]
            ]
            found["tie rod"][near] = np.min(gaps, axis=0) - radius - rods.radius[near]
    there = solved.reason == ""
    return {name: np.where(there, np.minimum(gap, far_mm), np.nan) for name, gap in found.items()}


def _may_be_near(
    shafts: list[tuple[Array, Array]], rods: Lines, reach_mm: Array
) -> NDArray[np.bool_]:
    """Where a shaft is nearer to the box around a tie rod's solved poses than `reach_mm`, (N,)."""
    ends = [np.moveaxis(p.points[:, p.rows], 0, -1) for p in (rods.start, rods.end)]
    near = np.zeros(len(reach_mm), dtype=bool)
    for side in _SIDES:
        cloud = np.concatenate([side(end) for end in ends], axis=1)
        low, high = cloud.min(axis=1), cloud.max(axis=1)
        for a, b in shafts:
            near |= segment_box_distance(a, b, low, high) < reach_mm + OUTSIDE_MM
    return near
