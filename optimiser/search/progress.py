"""The front of a search as it grows, and whether it still rises."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.front import hypervolume, non_dominated

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array

REFERENCE_RATIO = 4.0
"""The reference point of the hypervolume, as a multiple of what the study calls acceptable."""
GRID_CELLS = {3: 64, 4: 16}
"""Boxes along each of three or four objectives, up to the reference point."""


class Progress:
    """Feasible front of all designs told so far, and its hypervolume after each batch.

    Args:
        objectives: how many are minimised.
        acceptable: values (m,) that the study calls acceptable, infinite where it does not say.
    """

    def __init__(self, objectives: int, acceptable: Array) -> None:
        self.front = np.empty((0, objectives))
        """Objectives (n, m) of the front, in rising order."""
        self.history: list[tuple[int, float]] = []
        """Trials told and hypervolume after each batch, from the first feasible design on."""
        self.reference: Array | None = None
        """Known from the first feasible design on, and the same from then on."""
        self._acceptable = acceptable
        self._boxes, self._boxed = np.empty((0, objectives)), 0.0

    def add(self, count: int, values: Array) -> None:
        """Take the feasible designs' objectives (k, m) of a batch; `count` trials in all so far."""
        if len(values):
            self.front = merge_fronts(self.front, values)
        if len(self.front):
            if self.reference is None:
                self.reference = self._choose_reference()
            self.history.append((count, self._volume(self.reference)))

    def rise(self, count: int, window: int) -> float | None:
        """Gain over the last `window` trials as a share of the hypervolume; None when too early."""
        before = [volume for told, volume in self.history if told <= count - window]
        if not before:
            return None
        now = self.history[-1][1]
        return (now - before[-1]) / now if now > 0.0 else 0.0

    def _choose_reference(self) -> Array:
        """A multiple of the acceptable values, and nothing worse than the first front."""
        reference = 1.1 * self.front.max(axis=0) + 1e-9
        far = REFERENCE_RATIO * self._acceptable
        return np.asarray(np.where(np.isfinite(far), np.maximum(reference, far), reference))

    def _volume(self, reference: Array) -> float:
        """Hypervolume of the front; with three or four objectives that of a grid's boxes.

        The exact volume of thousands of designs in four objectives takes seconds, and only its
        rise is of interest. Which boxes the front reaches changes seldom.
        """
        objectives = self.front.shape[1]
        if objectives <= 2:
            return hypervolume(self.front, reference)
        cell = reference / GRID_CELLS[objectives]
        boxes = np.unique(np.ceil(self.front / cell), axis=0)
        boxes = boxes[non_dominated(boxes)]
        if not np.array_equal(boxes, self._boxes):
            self._boxes, self._boxed = boxes, hypervolume(boxes * cell, reference)
        return self._boxed


def merge_fronts(front: Array, new: Array) -> Array:
    """Front of a front and new rows, in rising order; old rows are not compared again."""
    new = new[non_dominated(new)]
    below = np.all(front[:, None, :] <= new[None, :, :], axis=2)
    above = np.all(front[:, None, :] >= new[None, :, :], axis=2)
    worse = np.any(above & ~below, axis=1)
    beaten = np.any(below & ~above, axis=0)
    rows = np.concatenate([front[~worse], new[~beaten]])
    return np.asarray(rows[np.lexsort(tuple(rows.T[::-1]))])
