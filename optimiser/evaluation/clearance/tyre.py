"""Clearance of the tyre: before arms, tie rod, bar, housings and keep-outs.

The tyre steers, cambers and travels with the upright; it is free, not deflected. What is inside its
own wheel, outer joint, steering arm and parts on the upright, is not measured to it. The other side
of the car is the mirror image, so that the left tyre stands before everything of the body as it is
and mirrored. A cylinder is taken as the prism around it, see `edges`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.edges import Shapes, shapes
from optimiser.evaluation.clearance.engine import (
    Picked,
    Ring,
    face_to_ring,
    floor_segment_ring,
    minimum_segment_ring,
    segment_cylinder_distance,
)
from optimiser.evaluation.clearance.pairs import column, each_of
from optimiser.evaluation.clearance.parts import Lines, arm_tubes, between

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Carrier, KeepOut, Room
    from optimiser.evaluation.clearance.bodies import Bodies
    from optimiser.evaluation.clearance.carriers import Corner, Motion
    from optimiser.evaluation.clearance.engine.components import Vector
    from optimiser.evaluation.clearance.parts import Part
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Side
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

OUTSIDE_MM = 10.0
"""How much nearer a tyre may come, between the solved poses, than in those."""
_BARS = ("tie_rod", "spacer", "rack_housing", "pinion_housing")
_CARRIERS: tuple[Carrier, ...] = ("body", "lower_arm", "upper_arm", "rack")


@dataclass(frozen=True, slots=True)
class Tyres:
    """The tyres of N designs in E poses: centre and unit vector along the axle, (3, N, E)."""

    ring: Ring
    centre: Array
    spin: Array

    @classmethod
    def of(cls, ring: Ring, corner: Corner) -> Tyres:
        """Of a corner; blended axes are no longer of unit length."""
        return cls(ring, corner.wheel, corner.spin / np.sqrt(np.sum(corner.spin**2, axis=0)))

    def seen_from(self, motion: Motion) -> Tyres:
        """As a body sees them, in body axes of the drawing."""
        spin = motion.to_drawing(self.spin + motion.place) - motion.rest
        return Tyres(self.ring, motion.to_drawing(self.centre), spin)

    def to_lines(
        self, lines: Lines, designs: Index, far_mm: float, *, bound: bool = False
    ) -> Array:
        """Clearance of lines (n,) to the tyre of a design each, at most `far_mm`.

        With `bound` no more than what it cannot fall below.
        """
        if not len(designs):
            return np.zeros(0)
        thick = float(np.fmax.reduce(lines.radius, initial=0.0))
        wheel = Picked(self.centre, designs), Picked(self.spin, designs)
        measure = floor_segment_ring if bound else minimum_segment_ring
        found = measure(lines.start, lines.end, wheel, self.ring, ceiling=far_mm + thick)
        return np.asarray(np.minimum(found - lines.radius, far_mm))

    def near_boxes(self, low: Array, high: Array, reach_mm: float) -> tuple[Index, Index]:
        """Design and box, of K from `low` to `high` (3, K), that may be within reach."""
        bottom, top = self.ring.box(self.centre, self.spin)
        bottom, top = bottom.min(axis=-1)[:, :, None], top.max(axis=-1)[:, :, None]
        gap = np.maximum(np.maximum(bottom - high[:, None], low[:, None] - top), 0.0)
        designs, which = np.nonzero(np.sum(gap * gap, axis=0) < reach_mm**2)
        return designs, which

    def to_shapes(
        self, some: Shapes, which: Index, designs: Index, far_mm: float, *, bound: bool = False
    ) -> Array:
        """Clearance of keep-outs `which` (n,) to the tyre of a design each, at most `far_mm`.

        With `bound` what is not near an edge nor a face may have a little less.
        """
        pair, edge = each_of(some.edges, which)
        start, end = (Picked(ends[..., None], edge) for ends in (some.start, some.end))
        lines = Lines(some.group.names, start, end, some.group.radius[which[pair]])
        out = np.full(len(which), far_mm)
        np.minimum.at(out, pair, self.to_lines(lines, designs[pair], far_mm, bound=bound))
        pair, face = each_of(some.faces, which)
        if len(pair):
            self._to_faces(some, (pair, face), designs, out)
        return out

    def _to_faces(
        self, some: Shapes, rows: tuple[Index, Index], designs: Index, out: Array
    ) -> None:
        """Lower `out` (n,) to the clearance of the faces of each pair."""
        pair, face = rows
        normal = _column(some.axes[0], face)
        offset = np.sum(some.axes[0] * some.middle, axis=0)[face, None]
        centre, axis = (_rows(each, designs[pair]) for each in (self.centre, self.spin))
        height, point = face_to_ring(normal, offset, centre, axis, self.ring)
        near = (height > 0.0) & (height < out[pair, None])
        row, pose = np.nonzero(near)
        inside = _inside(some, face[row], tuple(each[row, pose] for each in point))
        np.minimum.at(out, pair[row[inside]], height[row, pose][inside])
        self._pierced(some, rows, designs, (height, point), out)

    def _pierced(
        self,
        some: Shapes,
        rows: tuple[Index, Index],
        designs: Index,
        lowest: tuple[Array, Vector],
        out: Array,
    ) -> None:
        """Lower `out` where a tyre goes through a face of which it meets no edge.

        What it cuts out of the face is then all in it, so that any point of that tells. Minus the
        least way out along a normal.
        """
        pair, face = rows
        normal = _column(-some.axes[0], face)
        offset = -np.sum(some.axes[0] * some.middle, axis=0)[face, None]
        centre, axis = (_rows(each, designs[pair]) for each in (self.centre, self.spin))
        back, top = face_to_ring(normal, offset, centre, axis, self.ring)
        height, point = lowest
        row, pose = np.nonzero((height < 0.0) & (back < 0.0))
        down, up = -height[row, pose], -back[row, pose]
        share = down / np.maximum(down + up, 1e-12)
        x, y, z = (
            a[row, pose] + share * (b[row, pose] - a[row, pose])
            for a, b in zip(point, top, strict=True)
        )
        for index in np.flatnonzero(_inside(some, face[row], (x, y, z))):
            at, when = row[index], pose[index]
            mine = pair[at]
            if self._meets_an_edge(some, face[at], designs[mine], when):
                continue
            way_out = np.max(height[pair == mine, when])
            out[mine] = min(out[mine], float(way_out))

    def _meets_an_edge(self, some: Shapes, face: int, design: int, pose: int) -> bool:
        """Whether the tyre, its bore filled, meets an edge of the keep-out of a face."""
        item = int(np.searchsorted(some.faces, face, side="right")) - 1
        edges = slice(some.edges[item], some.edges[item + 1])
        middle, spin = self.centre[:, design, pose], self.spin[:, design, pose]
        ring = self.ring
        half = (ring.half - ring.shoulder) * spin
        apart = segment_cylinder_distance(
            some.start[:, edges].T,
            some.end[:, edges].T,
            middle - half,
            middle + half,
            ring.outside - ring.shoulder,
        )
        return bool(np.min(apart) <= ring.shoulder)


def _column(vectors: Array, rows: Index) -> Vector:
    x, y, z = (axis[rows, None] for axis in vectors)
    return x, y, z


def _rows(points: Array, rows: Index) -> Vector:
    x, y, z = (axis[rows] for axis in points)
    return x, y, z


def _inside(some: Shapes, face: Index, point: tuple[Array, ...]) -> NDArray[np.bool_]:
    """Whether points (n,) stand over their face, n of them."""
    off = np.stack(point) - some.middle[:, face]
    x, y = (np.sum(some.axes[axis][:, face] * off, axis=0) for axis in (1, 2))
    width, tall = some.size[:, face]
    return np.asarray(
        np.where(
            some.round[face],
            np.hypot(x, y) <= width,
            (np.abs(x) <= width) & (np.abs(y) <= tall),
        )
    )


def _each_in_turn(lines: Lines) -> Index:
    """Design of each row of lines that have a row for each design, part after part."""
    return np.arange(len(lines.radius)) % max(1, lines.count)


# --- all of a car --------------------------------------------------------------------------------


class TyreRoom:
    """The tyres of N designs before all that they may touch."""

    def __init__(self, ring: Ring, solved: Solved, bodies: Bodies, far_mm: float) -> None:
        self._ring, self._solved, self._bodies, self.far = ring, solved, bodies, far_mm
        self._blended = bodies.grid is not None
        self._reach = far_mm + (OUTSIDE_MM if self._blended else 0.0)
        self._tyres = Tyres.of(ring, bodies.corner)
        self._found: dict[str, Array] = {}

    @classmethod
    def of(cls, room: Room, solved: Solved, bodies: Bodies, far_mm: float) -> TyreRoom | None:
        """Of a study's tyre; None without one."""
        if (tyre := room.tyre) is None:
            return None
        half = 0.5 * tyre.width_mm
        ring = Ring(tyre.outside_radius_mm, tyre.inside_radius_mm, half, tyre.shoulder_mm)
        return cls(ring, solved, bodies, far_mm)

    @cached_property
    def _finer(self) -> Tyres:
        """In the poses between the solved ones too."""
        return Tyres.of(self._ring, self._bodies.finer.corner)

    def measure(self, parts: Sequence[Part], room: Room) -> dict[str, Array]:
        """Clearance by column, (N,) each, at most `far`.

        Args:
            parts: of the steering, moving and still, a row for each design.
            room: keep-outs and tubes.
        """
        for moves in (True, False):
            bars = [p for p in parts if p[0] in _BARS and (p[2].shape[-1] > 1) == moves]
            self._bars(Lines.of(bars))
        self._bars(arm_tubes(self._solved, room))
        for carrier in _CARRIERS:
            self._keep_outs(
                carrier,
                tuple(i for i in room.keep_outs if i.on == carrier and i.to_on is None),
                room.side,
            )
        self._links(tuple(item for item in room.keep_outs if item.to_on is not None))
        return self._found

    def _put(self, name: str, rows: Index, values: Array, radius: Array | None = None) -> None:
        """Least of the clearances of designs `rows`, in the column of a name."""
        where = column("tyre", name)
        if where not in self._found:
            begin = np.full(len(self._solved.reason), self.far)
            known = True if radius is None else np.isfinite(radius)
            self._found[where] = np.where(known, begin, np.nan)
        np.minimum.at(self._found[where], rows, values)

    def _bars(self, lines: Lines | None) -> None:
        if lines is not None:
            self._put_lines(lines, *self.nearest(lines, _each_in_turn(lines)))

    def nearest(self, lines: Lines, designs: Index) -> tuple[Index, Array]:
        """Rows of lines that come near the tyre of a design each, (R,), and their clearance."""
        rows = self._near(lines, designs)
        close = lines.select(rows)
        close = between(close, self._solved) if self._blended else close
        return rows, self._to_close(close, designs[rows])

    def _near(self, lines: Lines, designs: Index) -> Index:
        """Rows of lines that may come within reach of the tyre of a design each."""
        return np.flatnonzero(
            self._tyres.to_lines(lines, designs, self._reach, bound=True) < self._reach
        )

    def _links(self, ties: tuple[KeepOut, ...]) -> None:
        lines = self._bodies.links(ties)
        if lines is None:
            return
        designs = _each_in_turn(lines)
        rows, close = self._near(lines, designs), lines
        if self._blended and len(rows):
            close = self._bodies.finer.links(ties) or lines
        self._put_lines(lines, rows, self._to_close(close.select(rows), designs[rows]))

    def _to_close(self, lines: Lines, designs: Index) -> Array:
        """Clearance of lines, in the poses that are measured, to the tyre of a design each."""
        tyres = self._finer if self._blended and len(designs) else self._tyres
        return tyres.to_lines(lines, designs, self.far)

    def _put_lines(self, lines: Lines, rows: Index, values: Array) -> None:
        count = lines.count
        part, design = np.divmod(rows, max(1, count))
        for index, name in enumerate(lines.names):
            mine = part == index
            radius = lines.radius[index * count : (index + 1) * count]
            self._put(name, design[mine], values[mine], radius)

    def _keep_outs(self, carrier: Carrier, items: tuple[KeepOut, ...], side: Side | None) -> None:
        if not items:
            return
        some = shapes(items)
        for name in some.group.names:
            self._put(name, np.zeros(0, dtype=np.intp), np.zeros(0))
        tyres = self._tyres.seen_from(self._bodies.motion(carrier))
        low, high = (corner.T for corner in some.group.corners())
        designs, which = tyres.near_boxes(low, high, self._reach)
        if side is not None:
            mine = some.group.before(side)[which]
            designs, which = designs[mine], which[mine]
        if not len(designs):
            return
        blended = self._blended
        values = tyres.to_shapes(some, which, designs, self._reach, bound=blended)
        close = values < self._reach
        designs, which, values = designs[close], which[close], values[close]
        if blended and len(designs):
            tyres = self._finer.seen_from(self._bodies.finer.motion(carrier))
            values = tyres.to_shapes(some, which, designs, self.far)
        for index in np.unique(which).tolist():
            mine = which == index
            self._put(some.group.names[index], designs[mine], values[mine])
