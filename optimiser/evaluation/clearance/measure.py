"""Clearance of every named pair of parts but those with the rim.

What may come near is found first, by ever better bounds, over all designs at once; only that is
measured, what moves in the poses between the solved ones too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.carried import Carried
from optimiser.evaluation.clearance.pairs import (
    Bounds,
    Table,
    near_keep_outs,
    near_tubes,
    still_to_keep_outs,
    to_keep_outs,
    to_tubes,
)
from optimiser.evaluation.clearance.parts import Lines, arm_tubes, between, obstacles

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Room
    from optimiser.evaluation.clearance.bodies import Bodies
    from optimiser.evaluation.clearance.parts import Part
    from optimiser.evaluation.clearance.pinion import Pinions
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

OUTSIDE_MM = 5.0
"""How far a part may reach, between the solved poses, out of the box around those."""


class Measurement:
    """Clearance of every pair but those with the rim, near ones measured.

    Others than the parts themselves, keep-outs and then tubes, are numbered through.
    """

    def __init__(
        self,
        solved: Solved,
        room: Room,
        far_mm: float,
        poses_between: bool,
        bodies: Bodies | None = None,
    ) -> None:
        self._solved, self.far, self._between = solved, far_mm, poses_between
        self._reach = far_mm + (OUTSIDE_MM if poses_between else 0.0)
        self._keep_outs = obstacles(room.still)
        self._before = self._keep_outs.before(room.side)
        self._table = Table(len(solved.reason), far_mm)
        self._tubes = tubes = arm_tubes(solved, room)
        self._tube_bounds = None if tubes is None else Bounds.of(tubes)
        self._carried: Carried | None = None
        if bodies is not None and len(room.still) < len(room.keep_outs):
            self._carried = Carried(room, bodies, far_mm)
        self._moved = tubes is not None or self._carried is not None
        self._first_carried = len(self._keep_outs.names)
        if tubes is not None:
            self._first_carried += len(tubes.names)

    @property
    def least_told(self) -> Array:
        """What is told of designs that nothing is near, (N,); see `pairs.Table.far`."""
        return self._table.far

    def measure(
        self,
        moving: list[Part],
        still: list[Part],
        pinions: Pinions | None,
        only: Collection[str] | None = None,
    ) -> dict[str, Array]:
        """Clearance by column, and the angle of the pinion housing.

        With `only` of those pairs and of what comes near.

        `moving` are tie rods, outer joints, steering arms and bar; of these the bar only where it
        meets what moves, since before keep-outs it is one of the `still` ones.
        """
        self._moving(moving if self._moved else [p for p in moving if p[0] != "spacer"])
        angle = self._still(still, pinions)
        found = self._table.results(only)
        if angle is not None:
            found["pinion_angle_deg"] = angle
        return found

    # --- what moves ---

    def _moving(self, parts: list[Part]) -> None:
        """Moving parts before keep-outs and, where they could touch them, before the arms."""
        lines = Lines.of(parts)
        if lines is None:
            return
        bounds, columns = Bounds.of(lines), self._columns(lines)
        bar = np.array([name == "spacer" for name in lines.names])
        faces = ~bar[:, None] & self._before
        rows, others = near_keep_outs(lines, bounds, self._keep_outs, self._reach, faces)
        values = to_keep_outs(self._poses(lines, rows), self._keep_outs, others, self.far)
        self._table.put(columns, rows, others, values)
        if self._tubes is not None:
            everyone = np.arange(lines.count)
            rows, tube_rows = self._near_tubes(
                lines, bounds, _by_the_arms(lines), everyone, moving=True
            )
            tubes = self._poses(self._tubes, tube_rows)
            values = to_tubes(self._poses(lines, rows), tubes, self.far)
            self._table.put(columns, rows, self._tube_numbers(tube_rows), values)
        if self._carried is not None:
            all_of_them = range(len(lines.names))
            found = self._carried.before(lines, all_of_them, np.arange(lines.count))
            self._table.put(columns, found[0], found[1] + self._first_carried, found[2])

    def _poses(self, lines: Lines, rows: Index) -> Lines:
        """Those rows of the lines in all poses that are looked at."""
        some = lines.select(rows)
        return between(some, self._solved) if self._between else some

    # --- what stands still ---

    def _still(self, parts: list[Part], pinions: Pinions | None) -> Array | None:
        """Parts that stand still or have been drawn out along their way, and pinion housings.

        These where they have the most room, at an angle (N,) that is returned; None without them
        or with nothing that they could touch. Distances end at `far`, and of equal angles the
        first is taken: the others are tried only where there is not as much room at the first.
        """
        if pinions is not None and not self._moved and not self._keep_outs.names:
            pinions = None
        housings, faces, by_arms = self._housings(pinions, slice(1))
        lines = Lines.of(parts + housings)
        if lines is None:
            return None
        bar = np.array([part[0] == "spacer" for part in parts], dtype=bool)
        own = np.where(bar[:, None], self._before, ~self._keep_outs.image)
        faces = np.concatenate([own, faces])
        by_arms = [
            *np.flatnonzero(~bar).tolist(),
            *(len(parts) + index for index in by_arms),
        ]
        rows, others, values = self._standing(lines, faces, by_arms, np.arange(lines.count))
        own = rows < len(parts) * lines.count
        columns = self._columns(lines)
        self._table.put(columns, rows[own], others[own], values[own])
        if pinions is None:
            return None
        crowded = np.unique(rows[~own & (values < self.far)] % max(1, lines.count))
        angle = pinions.angles_deg[:, 0].copy()
        angle[crowded] = self._turned(pinions.select(crowded), crowded, columns[-1])
        return np.where(np.isnan(pinions.radius), np.nan, angle)

    def _housings(
        self, pinions: Pinions | None, angles: slice
    ) -> tuple[list[Part], NDArray[np.bool_], list[int]]:
        """Pinion housings as parts, keep-outs that each is measured to, parts before the arms.

        On their side before keep-outs; before the arms, which are the same on both, as if on the
        left.
        """
        if pinions is None:
            return [], np.zeros((0, len(self._keep_outs.names)), dtype=bool), []
        parts = pinions.sides(angles)
        faces = np.repeat(~self._keep_outs.image[None], len(parts), axis=0)
        if not self._moved:
            return parts, faces, []
        nothing = np.zeros((1, len(self._keep_outs.names)), dtype=bool)
        return [*parts, pinions.at_left(angles)], np.concatenate([faces, nothing]), [len(parts)]

    def _turned(self, pinions: Pinions, designs: Index, columns: Index) -> Array:
        """Best angle of those designs' pinion housings; the clearance there is put in the table."""
        housings, faces, by_arms = self._housings(pinions, slice(None))
        lines, angles = Lines.of(housings), pinions.angles_deg.shape[1]
        if lines is None or not len(designs):
            return np.zeros(0)
        each = np.repeat(designs, angles)
        rows, others, values = self._standing(lines, faces, by_arms, each)
        cells = rows % lines.count
        least = np.full(pinions.angles_deg.shape, self.far)
        np.minimum.at(least.reshape(-1), cells, values)
        best = np.argmax(least, axis=1)
        at, angle = np.divmod(cells, angles)
        there = np.flatnonzero(angle == best[at])
        self._table.put(columns[None], designs[at[there]], others[there], values[there])
        return np.asarray(pinions.angles_deg[np.arange(len(designs)), best])

    def _standing(
        self, lines: Lines, faces: NDArray[np.bool_], by_arms: Sequence[int], designs: Index
    ) -> tuple[Index, Index, Array]:
        """Rows of lines that stand still, what they are near, and the clearance.

        Args:
            lines: what stands still, P parts.
            faces: which of the keep-outs each is measured to, (P, K).
            by_arms: which parts are measured to the arms and to what else moves.
            designs: design of each row of a part.
        """
        bounds = Bounds.of(lines)
        rows, others = near_keep_outs(lines, bounds, self._keep_outs, self.far, faces)
        values = still_to_keep_outs(lines.select(rows), self._keep_outs, others, self.far)
        found = [(rows, others, values)]
        if self._tubes is not None:
            rows, tube_rows = self._near_tubes(lines, bounds, by_arms, designs, moving=False)
            values = to_tubes(lines.select(rows), self._tubes.select(tube_rows), self.far)
            found.append((rows, self._tube_numbers(tube_rows), values))
        if self._carried is not None:
            rows, others, values = self._carried.before(lines, by_arms, designs)
            found.append((rows, others + self._first_carried, values))
        rows, others, values = (np.concatenate(part) for part in zip(*found, strict=True))
        return rows, others, values

    # --- arms ---

    def _near_tubes(
        self,
        lines: Lines,
        bounds: Bounds,
        parts: Sequence[int],
        designs: Index,
        *,
        moving: bool,
    ) -> tuple[Index, Index]:
        """Rows of some parts, and of tubes that may come near them."""
        if self._tubes is None or self._tube_bounds is None or not parts:
            return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
        pairs = [(part, tube) for part in parts for tube in range(len(self._tubes.names))]
        rows = np.concatenate([part * lines.count + np.arange(lines.count) for part, _ in pairs])
        tube_rows = np.concatenate([tube * self._tubes.count + designs for _, tube in pairs])
        near = near_tubes(
            ((lines, bounds, rows), (self._tubes, self._tube_bounds, tube_rows)),
            self._reach,
            moving=moving,
        )
        return rows[near], tube_rows[near]

    def _tube_numbers(self, tube_rows: Index) -> Index:
        return len(self._keep_outs.names) + tube_rows // max(1, len(self._solved.reason))

    def _columns(self, lines: Lines) -> Index:
        """Column of each part and each of the others, (P, others).

        Parts that could touch what moves have such columns whether they come near or not.
        """
        tubes = () if self._tubes is None else self._tubes.names
        carried = () if self._carried is None else self._carried.names
        by_arms, still = _by_the_arms(lines), len(self._keep_outs.names)
        out = np.zeros((len(lines.names), still + len(tubes) + len(carried)), dtype=np.intp)
        for index, name in enumerate(lines.names):
            names = self._keep_outs.names + (tubes if index in by_arms else ())
            radius = lines.radius[index * lines.count : (index + 1) * lines.count]
            out[index, : len(names)] = self._table.columns(name, names, radius)
            if self._carried is not None:
                faces = self._carried.faces(name)
                names = tuple(other for other, face in zip(carried, faces, strict=True) if face)
                mine = self._first_carried + np.flatnonzero(faces)
                out[index, mine] = self._table.columns(name, names, radius)
        return out


def _by_the_arms(lines: Lines) -> list[int]:
    """Which parts could touch the arms; the steering arm is bolted next to their ball joints."""
    return [index for index, name in enumerate(lines.names) if name != "steering_arm"]
