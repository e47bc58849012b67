r"""How far a design may steer before anything reaches its limit, over its whole wheel travel.

From the centre outwards, at each wheel travel and each way of the rack, the first displacement at
which a clearance, a joint's angle or the toggle margin is at its limit, the linkage ends, or the
rack does:

    left of limit                      every pose solved by the kernel
      |\            graze
      | \___       .                   where two samples leave room for a crossing between them,
      |     \__   / \                  by how fast that number changes anywhere, more are taken;
    0 +--------\-/---\------> rack     the first sign change is bisected
      |         x
              free

A first crossing jumps where a graze appears, so that a search holds the greatest violation up to
the needed rack to nothing instead: its own limits, with the steering ending there. This is for the
design that was chosen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.pose_margins import PoseMargins
from optimiser.linkage.mirror import mirrored_rack, mirrored_steer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Side
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

COLUMNS = ("travel_mm", "rack_way", "wheel", "rack_mm", "steer_deg", "stopped_by")
RACK = "rack"
_STEPS_MM = (1.0, 0.125, 0.0125)
"""Between samples of the rack; each next one only where a number could cross its limit."""
_BEYOND_MM = 2.0
_EXACT_MM = 1e-4
ALIKE = 0.05
"""Millimetres or degrees beyond a limit that still keep it, half of the last digit that is read. A
search leaves its designs on their limits, where the least rounding would stop the rack at once."""
_FASTER = 1.5
"""What a number may change by anywhere, over the fastest change from one sample to the next."""
_TRAVEL_MM = 2.5
_NEAREST_TRAVEL_MM = 0.01


@dataclass(frozen=True, slots=True)
class Stop:
    """Where one way of the rack ends at one wheel travel.

    Attributes:
        travel_mm: of both wheels.
        rack_way: `left` or `right`.
        wheel: whose limit it is, `left` or `right`; `both` where the rack ends.
        rack_mm: free displacement, 0 where something is broken at the centre.
        steer: angle of that wheel there in radians, of both that of the inner; ISO 8855.
        stopped_by: what reaches its limit, in words; `rack` where nothing does.
    """

    travel_mm: float
    rack_way: str
    wheel: str
    rack_mm: float
    steer: float
    stopped_by: str


@dataclass(frozen=True, slots=True)
class FreeLock:
    """How far a design may steer.

    Attributes:
        stops: one for each travel of the study's grid and each way of the rack.
        least: of all of them and of every travel between, of either wheel.
        rack_mm: half the travel of the rack.
        needed_mm: displacement for the required lock; NaN where it does not exist.
    """

    stops: tuple[Stop, ...]
    least: Stop
    rack_mm: float
    needed_mm: float

    @property
    def collar_mm(self) -> float:
        """Collar on either side of the rack that stops it in time whatever the wheels do."""
        return self.rack_mm - self.least.rack_mm

    @property
    def lacking_mm(self) -> float:
        """What the required lock needs beyond the least free displacement; kept at most 0."""
        return self.needed_mm - self.least.rack_mm

    def columns(self) -> dict[str, list[object]]:
        """The table by column."""
        rows = [
            (s.travel_mm, s.rack_way, s.wheel, s.rack_mm, float(np.degrees(s.steer)), s.stopped_by)
            for s in self.stops
        ]
        return {name: [row[i] for row in rows] for i, name in enumerate(COLUMNS)}


def free_lock(problem: Problem, design: Designs) -> FreeLock | None:
    """Of a batch of one; None where it does not stand at rest."""
    margins = PoseMargins.of(problem, design)
    if margins is None:
        return None
    sweep = _Sweeps.of(margins)
    grid = problem.travel.grid()
    count = max(2, int(np.ceil((grid[-1] - grid[0]) / _TRAVEL_MM)) + 1)
    travels = np.union1d(grid, np.linspace(grid[0], grid[-1], count))
    lanes = sweep.lanes(travels)
    _narrow_down(sweep, lanes)
    least = min((end for ends in lanes.values() for end in ends), key=lambda end: end.rack_mm)
    stops = tuple(
        _stop(margins, float(t), way, lanes[float(t)]) for t in grid for way in ("left", "right")
    )
    where = next(t for t, ends in lanes.items() if least in ends)
    way = "left" if least in (lanes[where][0], lanes[where][-1]) else "right"
    return FreeLock(
        stops,
        _stop(margins, where, way, lanes[where]),
        margins.end_mm,
        float(np.abs(margins.solved.ackermann.rack_at_lock_mm[0])),
    )


FREE_LOCK = ("free_lock_mm", "stop_collar_mm")


def collar_numbers(problem: Problem, design: Designs) -> tuple[dict[str, float | None], list[str]]:
    """Numbers of `FREE_LOCK` of a batch of one, and what a builder has to know of its collars."""
    found = free_lock(problem, design)
    if found is None:
        return dict.fromkeys(FREE_LOCK), []
    lacking = found.lacking_mm if np.isfinite(found.lacking_mm) else None
    numbers = {"free_lock_mm": lacking, "stop_collar_mm": found.collar_mm}
    return numbers, list(collar_notes(found))


def collar_notes(found: FreeLock) -> Iterator[str]:
    """Sentences on collars: how long, what they keep apart, and whether the lock is within them."""
    least = found.least
    if least.stopped_by == RACK:
        yield "nothing reaches its limit before the rack ends: it needs no collars"
    else:
        collar = np.ceil(100.0 * found.collar_mm) / 100.0  # a shorter one would not do
        yield (
            f"before anything reaches its limit it steers {found.rack_mm - collar:.2f} mm of rack "
            f"either way ({least.stopped_by}, at {least.travel_mm:+.0f} mm of travel): collars of "
            f"{collar:.2f} mm or more on either side stop it in time"
        )
    if found.lacking_mm > 0.0:
        yield (
            f"the required lock needs {found.needed_mm:.2f} mm of rack, "
            f"{found.lacking_mm:.2f} mm more than is free"
        )


@dataclass(frozen=True, slots=True)
class _End:
    """Where one way of the rack ends for the left wheel, or for the image of the right one."""

    rack_mm: float
    stopped_by: str


_Ends = tuple[_End, ...]
"""For the rack to the left and to the right, of the left wheel; then of the right one's image where
its side of the car is not the mirror image of the left."""


@dataclass(frozen=True, slots=True)
class _Sweeps:
    """Both wheels, in one where the car is the same on both sides."""

    margins: PoseMargins
    each: tuple[_Sweep, ...]

    @classmethod
    def of(cls, margins: PoseMargins) -> _Sweeps:
        sides: tuple[Side | None, ...] = (None,) if margins.symmetric else ("left", "right")
        return cls(margins, tuple(_Sweep(margins, side) for side in sides))

    def lanes(self, travel_mm: Array) -> dict[float, _Ends]:
        """Where the ways of the rack end at each travel."""
        ends = [
            sum(both, ()) for both in zip(*(s.pairs(travel_mm) for s in self.each), strict=True)
        ]
        return dict(zip(travel_mm.tolist(), ends, strict=True))


def _narrow_down(sweep: _Sweeps, lanes: dict[float, _Ends]) -> None:
    """More travels about the least free displacements, until the next could not be less by much.

    The free displacement is smooth over travel but where what stops it changes: halving the way to
    the neighbours of every low point finds the least of both.
    """
    while True:
        travels = sorted(lanes)
        more: set[float] = set()
        for way in range(2 * len(sweep.each)):
            ends = [lanes[t][way].rack_mm for t in travels]
            low = min(ends)
            if low <= 0.0:  # nothing is less
                return
            for index, end in enumerate(ends):
                beside = ends[max(0, index - 1) : index + 2]
                if end > min(beside) or end - low > _TRAVEL_MM or end >= sweep.margins.end_mm:
                    continue
                for other in (index - 1, index + 1):
                    if 0 <= other < len(travels):
                        gap = abs(travels[other] - travels[index])
                        if gap > _NEAREST_TRAVEL_MM:
                            more.add(0.5 * (travels[other] + travels[index]))
        if not more:
            return
        lanes |= sweep.lanes(np.array(sorted(more)))


def _stop(margins: PoseMargins, travel: float, way: str, ends: _Ends) -> Stop:
    """The wheel that stops one way of the rack; the right one's image has it the other way."""
    own, other = (ends[0], ends[-1]) if way == "left" else (ends[1], ends[-2])
    sign = 1.0 if way == "left" else -1.0
    end = min(own.rack_mm, other.rack_mm)
    left = margins.steer(travel, sign * end)
    image = margins.steer(travel, float(mirrored_rack(np.array(sign * end))))
    right = float(mirrored_steer(np.array(image)))
    if own.stopped_by == other.stopped_by == RACK:
        inner = max(left, right, key=abs)
        return Stop(travel, way, "both", end, inner, RACK)
    if own.rack_mm <= other.rack_mm:
        return Stop(travel, way, "left", end, left, own.stopped_by)
    return Stop(travel, way, "right", end, right, other.stopped_by)


# --- one way of the rack, for the left wheel -----------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Samples:
    """Poses of several lanes, a lane after another and outwards: n of them.

    Attributes:
        lane: of each.
        cell: which of the intervals that are looked at it belongs to; both ends of each are there.
        rack_mm: displacement either way.
        left: what is left of each limit, (limits, n).
    """

    lane: Index
    cell: Index
    rack_mm: Array
    left: Array

    @property
    def broken(self) -> NDArray[np.bool_]:
        """Where a limit is reached."""
        return np.asarray(~(self.left > -ALIKE).all(axis=0))


class _Sweep:
    """Where lanes, a travel and a way of the rack each, end for the left wheel.

    With a side before what stands on that side of the car alone; the right one in mirror image.
    """

    def __init__(self, margins: PoseMargins, side: Side | None) -> None:
        self.margins, self.side = margins, side

    def pairs(self, travel_mm: Array) -> list[_Ends]:
        """Where both ways end at each travel."""
        travel, way = np.repeat(travel_mm, 2), np.tile([1.0, -1.0], len(travel_mm))
        reach = self._reach(travel, way)
        ends = self._ends(travel, way, reach)
        # What the quick solver gave up for lost was there: all the way, then.
        more = [
            i for i, end in enumerate(ends) if end.stopped_by == RACK and reach[i] < end.rack_mm
        ]
        if more:
            whole = np.full(len(more), self.margins.end_mm)
            for index, end in zip(more, self._ends(travel[more], way[more], whole), strict=True):
                ends[index] = end
        return [(ends[i], ends[i + 1]) for i in range(0, len(ends), 2)]

    def _reach(self, travel_mm: Array, way: Array) -> Array:
        """Where it pays to look: a little beyond what a quick solver reaches, (L,).

        To be sure of poses that are not there takes long.
        """
        end_mm = self.margins.end_mm
        rack = np.linspace(0.0, end_mm, max(2, int(np.ceil(end_mm))))
        lost = ~self.margins.reaches(travel_mm[:, None], way[:, None] * rack)
        first = np.where(lost.any(axis=1), rack[np.argmax(lost, axis=1)], end_mm)
        return np.asarray(np.minimum(first + _BEYOND_MM, end_mm))

    def _ends(self, travel_mm: Array, way: Array, reach_mm: Array) -> list[_End]:
        end_mm, lanes = self.margins.end_mm, len(way)
        every = np.arange(lanes)
        cells = (every, np.zeros(lanes), reach_mm)
        names: list[str] | None = None
        speed: Array | None = None
        for step in _STEPS_MM:
            lane, cell, rack = _spread(cells, step)
            names, left = self.margins.left(travel_mm[lane], way[lane] * rack, names, self.side)
            some = _Samples(lane, cell, rack, left)
            if speed is None:
                speed = _fastest(some)
            cells = _doubtful(some, speed)
            if not len(cells[0]):
                return [_End(end_mm, RACK)] * lanes
        ends = [_End(end_mm, RACK)] * lanes
        first = _first_broken(some)
        if names is None or not len(first):
            return ends
        at = some.lane[first]
        begins = (first == 0) | (some.cell[np.maximum(first - 1, 0)] != some.cell[first])
        low = np.where(begins, some.rack_mm[first], some.rack_mm[np.maximum(first - 1, 0)])
        high, here = some.rack_mm[first], some.left[:, first]
        while np.any(high - low > _EXACT_MM):
            middle = 0.5 * (low + high)
            _, left = self.margins.left(travel_mm[at], way[at] * middle, names, self.side)
            kept = (left > -ALIKE).all(axis=0)
            low, high = np.where(kept, middle, low), np.where(kept, high, middle)
            here = np.where(kept, here, left)
        for index, lane_ in enumerate(at.tolist()):
            ends[lane_] = _End(float(low[index]), names[int(np.argmin(here[:, index]))])
        return ends


def _spread(cells: tuple[Index, Array, Array], step: float) -> tuple[Index, Index, Array]:
    """Lane, cell and rack displacement of samples of each cell at most `step` apart."""
    lane, low, high = cells
    parts = np.maximum(1, np.ceil((high - low) / step - 1e-9).astype(np.intp))
    cell = np.repeat(np.arange(len(lane)), parts + 1)
    begin = np.cumsum(parts + 1) - (parts + 1)
    share = (np.arange(len(cell)) - begin[cell]) / np.maximum(parts, 1)[cell]
    return lane[cell], cell, low[cell] + share * (high - low)[cell]


def _fastest(some: _Samples) -> Array:
    """How fast each number changes at most, per mm of rack; (limits,)."""
    inside = some.cell[1:] == some.cell[:-1]
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.abs(np.diff(some.left, axis=1)) / np.diff(some.rack_mm)
    rate = np.where(np.isfinite(rate) & inside, rate, 0.0)
    return np.asarray(_FASTER * np.max(rate, axis=1, initial=0.0))


def _doubtful(some: _Samples, speed: Array) -> tuple[Index, Array, Array]:
    """Lane and ends of the intervals in which a number could cross its limit.

    In each lane up to the first that does; of one that is broken at once that sample alone.
    """
    gap = np.diff(some.rack_mm)
    with np.errstate(invalid="ignore"):
        least = 0.5 * (some.left[:, :-1] + some.left[:, 1:] - speed[:, None] * gap)
    broken = some.broken
    crosses = broken[:-1] | broken[1:]
    doubt = (some.cell[1:] == some.cell[:-1]) & ((least <= -ALIKE).any(axis=0) | crosses)
    stop = np.full(int(some.lane.max()) + 1, np.inf)
    first = _first_broken(some)
    stop[some.lane[first]] = some.rack_mm[first]
    low, high, lane = some.rack_mm[:-1], some.rack_mm[1:], some.lane[:-1]
    # An interval that begins where its lane is broken is beyond the first crossing.
    doubt &= (low < stop[lane]) | ((low == 0.0) & broken[:-1])
    return lane[doubt], low[doubt], high[doubt]


def _first_broken(some: _Samples) -> Index:
    """The first broken sample of each lane that has one."""
    rows = np.flatnonzero(some.broken)
    _, first = np.unique(some.lane[rows], return_index=True)
    return np.asarray(rows[first])
