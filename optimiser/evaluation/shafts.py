"""What a column's shafts come near: keep-outs, what moves, both tie rods and both tyres."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.bolting import missing_for_pinion
from optimiser.evaluation.clearance.bodies import Bodies
from optimiser.evaluation.clearance.carried import Carried
from optimiser.evaluation.clearance.engine import (
    segment_box_distance,
    segment_segment_distance,
)
from optimiser.evaluation.clearance.measure import OUTSIDE_MM
from optimiser.evaluation.clearance.metrics import some_designs
from optimiser.evaluation.clearance.pairs import column as pair_column
from optimiser.evaluation.clearance.parts import (
    Lines,
    between,
    moving_parts,
    rod_diameter,
)
from optimiser.evaluation.clearance.tyre import TyreRoom
from optimiser.evaluation.quantities import COLUMN_PART, TYRE_PART
from optimiser.evaluation.standing import to_what_stands, too_near_what_stands
from optimiser.linkage.mirror import mirrored

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Room
    from optimiser.evaluation.bolting import Column
    from optimiser.evaluation.column_least import Rows
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.laid import LaidRacks
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

    Shafts = list[tuple[Array, Array]]
    """Both ends (N, 3) of each shaft of N columns."""

_SIDES = (np.asarray, mirrored)
"""The left side as it is, and the right one."""
_SIDES_OF = {None: _SIDES, "left": _SIDES[:1], "right": _SIDES[1:]}
"""The same by `Room.side`."""


def are_measured(column: Column | None, racks: Sequence[Rack]) -> bool:
    """Whether the shafts of any of these racks have a thickness and a place."""
    thick = column is not None and column.shaft_diameter_mm is not None
    return thick and any(not missing_for_pinion(rack) for rack in racks)


def may_touch(column: Column | None, racks: Sequence[Rack], room: Room) -> bool:
    """Whether there are shafts and anything but a tyre that they may touch."""
    rods = any(rod_diameter(rack, room) is not None for rack in racks)
    return are_measured(column, racks) and (rods or bool(room.keep_outs))


# --- one kind of thing at a time -----------------------------------------------------------------


def _rods(
    designs: Designs, solved: Solved, racks: Sequence[Rack], room: Room
) -> tuple[Array, Array, Array] | None:
    """Inner and outer ends (N, E, 3) and radius (N,) of the left tie rods; None of no thickness."""
    rods = [part for part in moving_parts(designs, solved, racks, room) if part[0] == "tie_rod"]
    if not rods:
        return None
    _, inner, outer, radius = rods[0]
    return np.moveaxis(inner, 0, -1), np.moveaxis(outer, 0, -1), radius


class _Moving:
    """Keep-outs that move, and the tyre, of N designs that assemble, before shafts that stand.

    Parts of the left corner; those of the right are their mirror images in mirrored poses, so that
    shafts are looked at as they are and mirrored.
    """

    def __init__(
        self, solved: Solved, room: Room, radius_mm: float, far_mm: float, *, poses_between: bool
    ) -> None:
        self._radius, self.far, self._sides = radius_mm, far_mm, _SIDES_OF[room.side]
        bodies = Bodies.of(solved, room, between=poses_between)
        moves = len(room.still) < len(room.keep_outs)
        self._carried = Carried(room, bodies, far_mm) if moves else None
        self._tyre = TyreRoom.of(room, solved, bodies, far_mm)
        self.names = () if self._carried is None else self._carried.names

    def to_keep_outs(self, start: Array, stop: Array, designs: Rows) -> Array:
        """Clearance (names, m) of shafts (m, 3) to what moves of a design each, at most `far`."""
        found = np.full((len(self.names), len(designs)), self.far)
        if self._carried is None or not len(designs):
            return found
        lines = self._lines(start, stop)
        parts = range(len(self._sides))
        rows, others, values = self._carried.before(lines, parts, designs)
        np.minimum.at(found, (others, rows % len(designs)), values)
        return found

    def to_tyre(self, start: Array, stop: Array, designs: Rows) -> Array:
        """Likewise to both tyres, (m,)."""
        found = np.full(len(designs), self.far)
        if self._tyre is None or not len(designs):
            return found
        each = np.tile(designs, len(self._sides))
        rows, values = self._tyre.nearest(self._lines(start, stop), each)
        np.minimum.at(found, rows % len(designs), values)
        return found

    def _lines(self, start: Array, stop: Array) -> Lines:
        """Shafts (m, 3) as they are, and as the right corner has them in the mirror."""
        radius = np.full(len(start), self._radius)
        parts = [
            (COLUMN_PART, side(start).T[..., None], side(stop).T[..., None], radius)
            for side in self._sides
        ]
        lines = Lines.of(parts)
        assert lines is not None
        return lines


# --- where joints may be -------------------------------------------------------------------------


class Around:
    """Whether shafts with their joints at places are as far from all else as is wanted.

    Args:
        column: what is asked.
        laid: where the pinions are.
        designs: N designs.
        solved: their poses.
        racks: candidate racks.
        room: keep-outs, tyre and thicknesses.
        wanted_mm: clearance that the shafts have to keep; None: none.
        tyre_mm: likewise of the tyre.
    """

    def __init__(
        self,
        column: Column,
        laid: LaidRacks,
        designs: Designs,
        solved: Solved,
        racks: Sequence[Rack],
        room: Room,
        wanted_mm: float | None,
        tyre_mm: float | None,
    ) -> None:
        self._column, self._laid = column, laid
        self._radius = 0.5 * (column.shaft_diameter_mm or 0.0)
        self._wanted, self._room = wanted_mm, room
        self._rods = None if wanted_mm is None else _rods(designs, solved, racks, room)
        self._tyre_wanted = None if room.tyre is None else tyre_mm
        self._moving: _Moving | None = None
        moves = wanted_mm is not None and len(room.still) < len(room.keep_outs)
        if moves or self._tyre_wanted is not None:
            whole = np.flatnonzero(solved.reason == "")
            self._among = np.full(len(designs), -1)
            self._among[whole] = np.arange(len(whole))
            far = max(wanted_mm or 0.0, self._tyre_wanted or 0.0)
            there = some_designs(solved, whole)
            self._moving = _Moving(there, room, self._radius, far, poses_between=True)

    def __call__(
        self, rows: Rows, lower: Array, upper: Array, asked: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """See `column_places.Clear`."""
        column, laid = self._column, self._laid
        end, pinion = laid.pinion_end[rows], laid.pinion[rows]
        low = (end[:, None] + pinion[:, None] * lower[..., None])[:, :, None]
        high = np.array(column.wheel) + np.array(column.axis) * upper[..., None]
        wheel, foot = np.array(column.wheel), end[:, None, None]
        kept = asked.copy()
        shafts = ((wheel, high), (high, low), (low, foot))
        for start, stop in shafts:
            self._apart(rows, start, stop, kept)
        for start, stop in shafts:
            self._clear_of_what_moves(rows, start, stop, kept)
        return kept

    def ever(self, rows: Rows) -> NDArray[np.bool_]:
        """The pieces of the outer shafts that are there wherever the joints are."""
        column, laid = self._column, self._laid
        end, pinion = (v[rows][:, None, None] for v in (laid.pinion_end, laid.pinion))
        wheel, axis = np.array(column.wheel), np.array(column.axis)
        kept = np.ones((len(rows), 1, 1), dtype=bool)
        # Where a range begins behind the point on the wheel's shaft, none of it is sure.
        for start, stop in (
            (end, end + pinion * column.lower_mm[0]),
            (wheel, wheel + axis * max(0.0, column.upper_mm[0])),
        ):
            self._apart(rows, start, stop, kept)
            self._clear_of_what_moves(rows, start, stop, kept)
        return np.asarray(kept[:, 0, 0])

    def _apart(self, rows: Rows, start: Array, stop: Array, kept: NDArray[np.bool_]) -> None:
        """Take out of `kept` (n, S, T) the shafts that keep-outs or tie rods come too near."""
        if self._wanted is None:
            return
        reach = self._wanted + self._radius
        at, a, b, asked = _asked_for(kept, start, stop)
        asked[at] = ~too_near_what_stands(a, b, at[0], self._room, reach)
        kept &= asked
        kept &= self._clear_of_rods(rows, start, stop, reach)

    def _clear_of_rods(
        self, rows: Rows, start: Array, stop: Array, reach_mm: float
    ) -> NDArray[np.bool_]:
        """Whether both tie rods stay clear; the box around their poses is looked at first."""
        if self._rods is None:
            return np.ones((1, 1, 1), dtype=bool)
        inner, outer, thick = (part[rows] for part in self._rods)
        reach = (thick + reach_mm)[:, None, None]
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

    def _clear_of_what_moves(
        self, rows: Rows, start: Array, stop: Array, kept: NDArray[np.bool_]
    ) -> None:
        """Take out of `kept` (n, S, T) the shafts that what moves, or a tyre, comes too near.

        In the poses between the solved ones too, as these are farther apart than the parts are
        thick.
        """
        if self._moving is None:
            return
        place = self._among[rows]
        at, a, b, asked = _asked_for(kept & (place >= 0)[:, None, None], start, stop)
        clear = np.ones(len(a), dtype=bool)
        if self._wanted is not None:
            clear &= (self._moving.to_keep_outs(a, b, place[at[0]]) >= self._wanted).all(axis=0)
        if self._tyre_wanted is not None:
            clear &= self._moving.to_tyre(a, b, place[at[0]]) >= self._tyre_wanted
        blocked = np.zeros(asked.shape, dtype=bool)
        blocked[at] = ~clear
        kept &= ~blocked


def _asked_for(
    asked: NDArray[np.bool_], start: Array, stop: Array
) -> tuple[tuple[Rows, ...], Array, Array, NDArray[np.bool_]]:
    """Where shafts are asked for, both ends (m, 3) of these, and `asked` with each of them once.

    Shafts that are the same for every lower or upper place have one place there.
    """
    _, lower, upper, _ = np.broadcast_shapes((1, 1, 1, 3), start.shape, stop.shape)
    if lower == 1:
        asked = np.asarray(asked.any(axis=1, keepdims=True))
    if upper == 1:
        asked = np.asarray(asked.any(axis=2, keepdims=True))
    at, shape = np.nonzero(asked), (*asked.shape, 3)
    a, b = (np.broadcast_to(end, shape)[at] for end in (start, stop))
    return at, a, b, asked.copy()


# --- how far all is ------------------------------------------------------------------------------


def shaft_clearances(
    shafts: Shafts,
    column: Column,
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    room: Room,
    far_mm: float,
    *,
    poses_between: bool,
    only: Collection[str] | None = None,
) -> dict[str, Array]:
    """Clearance of the shafts to keep-outs, both tie rods and both tyres by column, (N,) each.

    Empty where the thickness of the shafts is not known, or no rack's pinion. Distances beyond
    `far_mm` are that; NaN of designs that cannot assemble, or whose pinion is not known. With
    `only` keep-outs that no shaft comes near and that are not among those may be left out.
    """
    if not are_measured(column, racks):
        return {}
    count = len(designs)
    whole = np.flatnonzero((solved.reason == "") & np.isfinite(shafts[0][1]).all(axis=1))
    shafts = [(a[whole], b[whole]) for a, b in shafts]
    designs, solved = designs.select(whole), some_designs(solved, whole)
    radius = 0.5 * (column.shaft_diameter_mm or 0.0)
    found = to_what_stands(shafts, room, radius, far_mm, only)
    found |= _to_what_moves(shafts, solved, room, radius, far_mm, poses_between=poses_between)
    rods = Lines.of([p for p in moving_parts(designs, solved, racks, room) if p[0] == "tie_rod"])
    if rods is not None:
        gap = _to_rods(shafts, rods, solved, room, radius, far_mm, poses_between=poses_between)
        found[pair_column(COLUMN_PART, "tie rod")] = gap
    out = {name: np.full(count, np.nan) for name in found}
    for name, gap in found.items():
        out[name][whole] = np.minimum(gap, far_mm)
    return out


def _to_what_moves(
    shafts: Shafts,
    solved: Solved,
    room: Room,
    radius_mm: float,
    far_mm: float,
    *,
    poses_between: bool,
) -> dict[str, Array]:
    """To keep-outs that move and to the tyres, by column, (N,) each; what there is of them."""
    if len(room.still) == len(room.keep_outs) and room.tyre is None:
        return {}
    moving = _Moving(solved, room, radius_mm, far_mm, poses_between=poses_between)
    count = len(solved.reason)
    start, stop = (np.concatenate(ends) for ends in zip(*shafts, strict=True))
    designs = np.tile(np.arange(count), len(shafts))
    gaps = moving.to_keep_outs(start, stop, designs)
    gaps = gaps.reshape(len(gaps), len(shafts), count).min(axis=1)
    names = [pair_column(COLUMN_PART, name) for name in moving.names]
    found = dict(zip(names, gaps, strict=True))
    if room.tyre is not None:
        gap = moving.to_tyre(start, stop, designs).reshape(len(shafts), count).min(axis=0)
        found[pair_column(TYRE_PART, COLUMN_PART)] = gap
    return found


def _to_rods(
    shafts: Shafts,
    rods: Lines,
    solved: Solved,
    room: Room,
    radius_mm: float,
    far_mm: float,
    *,
    poses_between: bool,
) -> Array:
    """To the tie rods, (N,); NaN where their thickness is not known."""
    found = np.where(np.isnan(rods.radius), np.nan, far_mm)
    near = np.flatnonzero(_may_be_near(shafts, rods, far_mm + radius_mm + rods.radius))
    if not len(near):
        return found
    lines = rods.select(near)
    lines = between(lines, solved) if poses_between else lines
    inner, outer = (np.moveaxis(p.points[:, p.rows], 0, -1) for p in (lines.start, lines.end))
    gaps = [
        segment_segment_distance(a[near, None], b[near, None], side(inner), side(outer)).min(axis=1)
        for a, b in shafts
        for side in _SIDES_OF[room.side]
    ]
    found[near] = np.min(gaps, axis=0) - radius_mm - rods.radius[near]
    return found


def _may_be_near(shafts: Shafts, rods: Lines, reach_mm: Array) -> NDArray[np.bool_]:
    """Where a shaft is nearer to the box around a tie rod's solved poses than `reach_mm`, (N,)."""
    ends = [np.moveaxis(p.points[:, p.rows], 0, -1) for p in (rods.start, rods.end)]
    near = np.zeros(len(reach_mm), dtype=bool)
    for side in _SIDES:
        cloud = np.concatenate([side(end) for end in ends], axis=1)
        low, high = cloud.min(axis=1), cloud.max(axis=1)
        for a, b in shafts:
            near |= segment_box_distance(a, b, low, high) < reach_mm + OUTSIDE_MM
    return near
