"""Clearance of steering parts to what moves: parts on arms, upright and rack, and between two.

What one body carries stands still as seen from that body: so the steering parts are looked at from
there, where they meet it as they meet what stands in the car. What lies between two bodies is a
line that moves, as an arm's tube does.

        in the car                         seen from the lower arm
          rod  ------o                            o  rod, sweeping
      arm ====[box]==o                      [box]     still
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import CARRIERS
from optimiser.evaluation.clearance.engine import Picked
from optimiser.evaluation.clearance.pairs import (
    Bounds,
    near_keep_outs,
    near_tubes,
    to_keep_outs,
    to_tubes,
)
from optimiser.evaluation.clearance.parts import Lines, obstacles
from optimiser.evaluation.quantities import COLUMN_PART

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Carrier, KeepOut, Room
    from optimiser.evaluation.clearance.bodies import Bodies
    from optimiser.evaluation.clearance.carriers import Motion
    from optimiser.evaluation.clearance.engine import Between
    from optimiser.evaluation.clearance.parts import Obstacles
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]
    Found = tuple[Index, Index, Array]

OUTSIDE_MM = 15.0
"""How far a part may reach, between the solved poses, out of the box around those, as a body sees
it that turns: a tie rod's end moves on an arc about the steering axis."""
_OFF_THE_RACK = ("tie_rod", "outer_joint", "steering_arm", COLUMN_PART)
"""Parts that are measured to what is on the rack; bar and housing always touch that."""
_ROWS = 64
"""Rows in a block of what a body sees, of some 160 poses: 48 to 128 cost the same, all at once half
as much again."""


class Carried:
    """Everything of a study that moves, in the poses of N designs, before steering parts."""

    def __init__(self, room: Room, bodies: Bodies, far_mm: float) -> None:
        groups, ties = _sorted(room.keep_outs)
        self._bodies, self.far = bodies, far_mm
        self._groups, self._ties = groups, ties
        self._links = bodies.links(ties)
        self._link_bounds = None if self._links is None else Bounds.of(self._links)
        names = [tie.name for tie in ties]
        for _, group in groups:
            names += group.names
        self.names = tuple(names)

    def faces(self, part: str) -> NDArray[np.bool_]:
        """Which of `names` a part is measured to."""
        found = [_faces_tie(part, tie) for tie in self._ties]
        for carrier, group in self._groups:
            found += [_faces(part, carrier)] * len(group.names)
        return np.array(found, dtype=bool)

    def before(self, lines: Lines, parts: Sequence[int], designs: Index) -> Found:
        """Rows of lines, what of `names` each comes near, and the clearance, at most `far`.

        Args:
            lines: parts in the solved poses, or that stand still.
            parts: those of them that are measured.
            designs: design of each row of a part.
        """
        found, bounds = [], Bounds.of(lines)
        if self._links is not None:
            found.append(self._before_links(lines, bounds, parts, designs))
        first = len(self._ties)
        for carrier, group in self._groups:
            rows = self._about(lines, bounds, parts, designs, carrier, group)
            rows, others, values = self._before_group(lines, rows, designs, carrier, group)
            found.append((rows, others + first, values))
            first += len(group.names)
        rows, others, values = (np.concatenate(part) for part in zip(*found, strict=True))
        return rows, others, values

    # --- on one body ---

    def _about(
        self,
        lines: Lines,
        bounds: Bounds,
        parts: Sequence[int],
        designs: Index,
        carrier: Carrier,
        group: Obstacles,
    ) -> Index:
        """Rows of lines that come near where a body's parts are at all: by boxes in the car."""
        low, high = group.corners()
        low, high = low.min(axis=0), high.max(axis=0)
        size = 0.5 * float(np.linalg.norm(high - low))
        middle = self._bodies.motion(carrier).to_pose(0.5 * (low + high)[:, None, None])
        bottom, top = middle.min(axis=-1) - size, middle.max(axis=-1) + size
        mine = [part for part in parts if _faces(lines.names[part], carrier)]
        each = np.arange(lines.count)
        rows = np.concatenate([np.zeros(0, np.intp), *(part * lines.count + each for part in mine)])
        here, there = bounds.corners(), designs[rows % max(1, lines.count)]
        gap = np.maximum(bottom[:, there] - here[1][:, rows], here[0][:, rows] - top[:, there])
        gap = np.maximum(gap, 0.0)
        near = np.sum(gap * gap, axis=0) < self._reach**2
        return np.asarray(rows[near])

    @property
    def _reach(self) -> float:
        return self.far + (OUTSIDE_MM if self._bodies.grid is not None else 0.0)

    def _before_group(
        self,
        lines: Lines,
        about: Index,
        designs: Index,
        carrier: Carrier,
        group: Obstacles,
    ) -> Found:
        if not len(about):
            return about, about, np.zeros(0)
        bodies, grid = self._bodies, self._bodies.grid
        seen = _seen(lines, about, designs, bodies.motion(carrier))
        faces = np.ones((1, len(group.names)), dtype=bool)
        rows, others = near_keep_outs(seen, Bounds.of(seen), group, self._reach, faces)
        if not len(rows) or grid is None:
            values = to_keep_outs(seen.select(rows), group, others, self.far)
            return about[rows], others, values
        rows = about[rows]
        close = _seen(lines, rows, designs, bodies.finer.motion(carrier), grid)
        return rows, others, to_keep_outs(close, group, others, self.far)

    # --- between two ---

    def _before_links(
        self,
        lines: Lines,
        bounds: Bounds,
        parts: Sequence[int],
        designs: Index,
    ) -> Found:
        links, bodies = self._links, self._bodies
        pairs = [
            (part, tie)
            for part in parts
            for tie, item in enumerate(self._ties)
            if _faces_tie(lines.names[part], item)
        ]
        if links is None or self._link_bounds is None or not pairs:
            return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp), np.zeros(0)
        count, each = lines.count, np.arange(lines.count)
        rows = np.concatenate([part * count + each for part, _ in pairs])
        others = np.concatenate([tie * links.count + designs for _, tie in pairs])
        near = near_tubes(
            ((lines, bounds, rows), (links, self._link_bounds, others)),
            self._reach,
            moving=lines.moves,
        )
        rows, others = rows[near], others[near]
        here, there = lines.select(rows), links
        if bodies.grid is not None and len(rows):
            here = _seen(lines, rows, designs, None, bodies.grid)
            there = bodies.finer.links(self._ties) or links
        return rows, others // links.count, to_tubes(here, there.select(others), self.far)


def _faces(part: str, carrier: Carrier) -> bool:
    return carrier != "rack" or part in _OFF_THE_RACK


def _faces_tie(part: str, tie: KeepOut) -> bool:
    return _faces(part, tie.on) and _faces(part, tie.to_on or tie.on)


@lru_cache(maxsize=64)
def _sorted(
    keep_outs: tuple[KeepOut, ...],
) -> tuple[tuple[tuple[Carrier, Obstacles], ...], tuple[KeepOut, ...]]:
    """Parts by the body that carries them, and those between two."""
    groups = []
    for carrier in CARRIERS[1:]:
        on_it = tuple(item for item in keep_outs if item.on == carrier and item.to_on is None)
        if on_it:
            groups.append((carrier, obstacles(on_it)))
    return tuple(groups), tuple(item for item in keep_outs if item.to_on is not None)


def _seen(
    lines: Lines,
    rows: Index,
    designs: Index,
    motion: Motion | None,
    grid: Between | None = None,
) -> Lines:
    """Those rows of the lines, in the poses of `grid` where one is given, as a body sees them.

    As one part, whatever they are of.
    """

    def moved(points: Array, at: Index) -> Picked:
        used, place = np.unique(at, return_inverse=True)
        finer = grid is not None and points.shape[-1] > 1

        def block(some: Index) -> Array:
            found = points.take(some, axis=1)
            if grid is not None and finer:
                found = grid.blend(found)
            if motion is not None:
                found = motion.select(designs[some % lines.count]).to_drawing(found)
            return found

        return Picked(_in_blocks(block, used), place)

    start, end = lines.start, lines.end
    if start.points is end.points:
        both = moved(start.points, np.concatenate([start.rows[rows], end.rows[rows]]))
        half = len(rows)
        start, end = Picked(both.points, both.rows[:half]), Picked(both.points, both.rows[half:])
    else:
        start, end = moved(start.points, start.rows[rows]), moved(end.points, end.rows[rows])
    return Lines(("",), start, end, lines.radius[rows])


def _in_blocks(points_of: Callable[[Index], Array], rows: Index) -> Array:
    """Points (3, rows, E) of rows, a block at a time: all at once they leave the cache."""
    parts = [points_of(rows[i : i + _ROWS]) for i in range(0, max(1, len(rows)), _ROWS)]
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)
