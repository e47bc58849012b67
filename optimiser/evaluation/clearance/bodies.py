"""The bodies that carry parts, for all that look at them: in the solved poses and between.

How a body moves, and where lines between two bodies are, is asked by steering parts and tyre, more
than once each. It is found for all designs when it is first asked for, and kept.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.carriers import Corner
from optimiser.evaluation.clearance.engine import poses_between
from optimiser.evaluation.clearance.parts import Lines

if TYPE_CHECKING:
    from optimiser.evaluation.asked import Carrier, KeepOut, Room
    from optimiser.evaluation.clearance.carriers import Motion
    from optimiser.evaluation.clearance.engine import Between
    from optimiser.evaluation.clearance.parts import Part
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.vectors import Array


class Bodies:
    """The bodies of N left corners in some poses."""

    def __init__(self, corner: Corner, grid: Between | None) -> None:
        self.corner, self._grid = corner, grid
        self._motions: dict[Carrier, Motion] = {}
        self._links: dict[tuple[KeepOut, ...], Lines] = {}

    @classmethod
    def of(cls, solved: Solved, room: Room, *, between: bool) -> Bodies:
        """In the solved poses over which clearance is judged.

        Args:
            solved: the poses.
            room: has the inner joint as drawn.
            between: whether clearance is asked for between the solved poses too.
        """
        grid = grid_of(solved) if between else None
        return cls(Corner.of(solved, room.drawn_inner_joint), grid)

    @property
    def grid(self) -> Between | None:
        """The poses between the solved ones; None where they are not asked for."""
        return self._grid

    @cached_property
    def finer(self) -> Bodies:
        """The same in the poses of the grid; itself where there is none."""
        if self._grid is None:
            return self
        return Bodies(self.corner.between(self._grid), None)

    def motion(self, carrier: Carrier) -> Motion:
        """Of one of them."""
        if carrier not in self._motions:
            self._motions[carrier] = self.corner.motion(carrier)
        return self._motions[carrier]

    def links(self, ties: tuple[KeepOut, ...]) -> Lines | None:
        """Capsules between two bodies; None of none."""
        if not ties:
            return None
        if ties not in self._links:
            lines = Lines.of([self._link(tie) for tie in ties])
            assert lines is not None
            self._links[ties] = lines
        return self._links[ties]

    def _link(self, tie: KeepOut) -> Part:
        start, end = (
            self.motion(on).to_pose(np.array(at)[:, None, None])
            for on, at in ((tie.on, tie.low), (tie.to_on or tie.on, tie.high))
        )
        shape = self.corner.lower.shape
        start, end = np.broadcast_to(start, shape), np.broadcast_to(end, shape)
        if tie.length_mm is not None:
            run: Array = end - start
            end = start + run * (tie.length_mm / np.sqrt(np.sum(run * run, axis=0)))
        return tie.name, start, end, np.full(shape[1], tie.radius_mm)


def grid_of(solved: Solved) -> Between:
    """The poses between the solved ones."""
    return poses_between(solved.envelope_travel_mm, solved.envelope_share)
