"""Pairs of parts gathered over all designs, and measured in as few calls as possible.

A generation of the search is some fifty designs, of which each part is near a few obstacles:
numpy's overhead would outweigh the arithmetic if every pair of names were measured by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.clearance import minimum_segment_box, minimum_segment_segment
from optimiser.files import slug
from optimiser.packaging_parts import near_pairs
from optimiser.vectors import dot_first

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.packaging_parts import Obstacles, Part
    from optimiser.vectors import Array

    Index = NDArray[np.intp]


@lru_cache(maxsize=1024)
def column(part: str, other: str) -> str:
    """Name of the metric of one pair."""
    return f"clearance_{part}_{slug(other).lower().replace('-', '_')}_mm"


@dataclass(frozen=True, slots=True)
class _Job:
    """A part of some designs before an obstacle.

    Ends are (points (3, N or K, E or 1), rows of it (n,)), four of them: part, then obstacle.
    """

    ends: tuple[tuple[Array, Index], ...]
    thick: Array
    column: NDArray[np.object_]
    row: Index


class Pairs:
    """Clearance of N designs, collected pair by pair and then measured at once."""

    def __init__(self, count: int, far_mm: float) -> None:
        self._count, self._far = count, far_mm
        self._found: dict[str, Array] = {}
        self._jobs: dict[Literal["box", "fixed", "moving"], list[_Job]] = {
            "box": [],
            "fixed": [],
            "moving": [],
        }

    def add_keep_outs(self, part: Part, kind: str, group: Obstacles) -> None:
        """A part and the keep-outs of a kind."""
        names = np.array([column(part.name, name) for name in group.names], dtype=object)
        for name in names:
            self._begin(name, part)
        rows, columns = near_pairs(part.low, part.high, group, self._far)
        if len(rows):
            ends = (
                (part.start, rows),
                (part.end, rows),
                (group.start.T[..., None], columns),
                (group.end.T[..., None], columns),
            )
            thick = group.radius[columns] + part.radius[rows]
            job = _Job(ends, thick, names[columns], rows)
            self._jobs["box" if kind == "box" else "fixed"].append(job)

    def add_moving(self, part: Part, tube: Part) -> None:
        """A part and a tube that both move, in the same poses."""
        name, rows = self._near(part, tube)
        if len(rows):
            self._add("moving", name, part, tube, rows)

    def add_fixed(self, part: Part, tube: Part) -> None:
        """A part that stands still, and a tube that moves."""
        name, rows = self._near(part, tube)
        if len(rows):
            self._add("fixed", name, tube, part, rows)

    def _near(self, part: Part, tube: Part) -> tuple[str, Index]:
        name = column(part.name, tube.name)
        self._begin(name, part)
        gap = np.maximum(np.maximum(tube.low - part.high, part.low - tube.high), 0.0)
        return name, np.flatnonzero(dot_first(gap, gap) < self._far**2)

    def _add(
        self, kind: Literal["fixed", "moving"], name: str, first: Part, other: Part, rows: Index
    ) -> None:
        ends = tuple((p, rows) for p in (first.start, first.end, other.start, other.end))
        names = np.full(len(rows), name, dtype=object)
        thick = first.radius[rows] + other.radius[rows]
        self._jobs[kind].append(_Job(ends, thick, names, rows))

    def _begin(self, name: str, part: Part) -> None:
        if name not in self._found:
            self._found[name] = np.where(np.isnan(part.radius), np.nan, self._far)

    def measure(self) -> dict[str, Array]:
        """Least clearance of each pair by its column, (N,); NaN where a size is not known."""
        for kind, jobs in self._jobs.items():
            if not jobs:
                continue
            least = minimum_segment_box if kind == "box" else minimum_segment_segment
            thick = np.concatenate([job.thick for job in jobs])
            ends = [_joined([job.ends[index] for job in jobs]) for index in range(4)]
            distance = least(*ends, ceiling=self._far + float(thick.max())) - thick
            names = np.concatenate([job.column for job in jobs])
            rows = np.concatenate([job.row for job in jobs])
            for name in set(names.tolist()):
                mine = names == name
                np.minimum.at(self._found[name], rows[mine], distance[mine])
        return self._found


def _joined(parts: list[tuple[Array, Index]]) -> Array:
    """Chosen rows one after another, (n, E, 3); what stands still repeated where others move."""
    poses = max(points.shape[-1] for points, _ in parts)
    out = np.empty((3, sum(len(rows) for _, rows in parts), poses))
    at = 0
    for points, rows in parts:
        out[:, at : at + len(rows)] = points[:, rows]
        at += len(rows)
    return np.moveaxis(out, 0, -1)
