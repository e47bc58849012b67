"""The parts whose clearance is measured: capsules over poses, and the keep-outs before them.

Moving parts are those of the left corner. The right corner is its mirror image (`linkage.mirror`),
and the rack of the poses goes as far either way; so each keep-out stands before the moving parts as
it is and mirrored, and one corner stands for two. Housings do not move, and meet keep-outs on the
side where they are.

A part of unknown size has no clearance: its radius is NaN. Cylinders are taken as capsules whose
line is as long as they are, which contain them: rounded, they reach past their ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine import Picked, cylinder_box, poses_between
from optimiser.evaluation.moves import UNMOVED_MM
from optimiser.linkage.mirror import mirrored
from optimiser.linkage.steering_arm import arm_foot
from optimiser.linkage.vectors import Array

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import KeepOut, Room
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Rack, Side

Part = tuple[str, Array, Array, Array]
"""Name, both ends of the centre line (3, N, E) in mm and radius (N,) of a part of N designs."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Centre lines of P parts of N designs, a row for each part and design, part after part.

    Attributes:
        names: of the parts, (P,).
        start: one end of each line, (P N, E, 3) mm. E counts poses, and is 1 for what stands
            still.
        end: its other end.
        radius: (P N,) mm, NaN where it is not known.
    """

    names: tuple[str, ...]
    start: Picked
    end: Picked
    radius: Array

    @classmethod
    def of(cls, parts: Sequence[Part]) -> Lines | None:
        """Of one or more parts; None of none. Points that several share are kept once."""
        if not parts:
            return None
        names, starts, ends, radii = zip(*parts, strict=True)
        if starts[0].shape == ends[0].shape:
            start, end = _halves(_joined([*starts, *ends]))
        else:
            start, end = _joined(starts), _joined(ends)
        return cls(names, start, end, np.concatenate(radii))

    @property
    def count(self) -> int:
        """How many designs there are."""
        return len(self.radius) // len(self.names)

    @property
    def moves(self) -> bool:
        """Whether there are several poses."""
        return self.end.shape[1] > 1

    def select(self, rows: NDArray[np.intp]) -> Lines:
        """Some rows, and these of the parts no more."""
        return Lines(self.names, self.start.select(rows), self.end.select(rows), self.radius[rows])


def _joined(points: Sequence[Array]) -> Picked:
    """Arrays (3, N, E) one after another, each row in one piece."""
    unlike = {id(part): part for part in points}
    place = {key: index for index, key in enumerate(unlike)}
    axes, count, poses = points[0].shape
    # One row more than there are, as in `engine.between`.
    out = np.empty((axes, len(unlike) * count + 1, poses))[:, :-1]
    for index, part in enumerate(unlike.values()):
        out[:, index * count : (index + 1) * count] = part
    rows = [place[id(part)] * count + np.arange(count) for part in points]
    return Picked(out, np.concatenate(rows))


def _halves(both: Picked) -> tuple[Picked, Picked]:
    """Starts and ends that were kept one after the other."""
    half = len(both.rows) // 2
    return Picked(both.points, both.rows[:half]), Picked(both.points, both.rows[half:])


# --- parts ---------------------------------------------------------------------------------------


def rod_diameter(rack: Rack, room: Room) -> float | None:
    """Diameter of the tie rods: the rack's own where the catalogue has it."""
    return rack.tie_rod_diameter_mm or room.tie_rod_diameter_mm


def moving_parts(designs: Designs, solved: Solved, racks: Sequence[Rack], room: Room) -> list[Part]:
    """Tie rod, outer joint, steering arm and bar, of those of known size, in the solved poses.

    The bar, named `spacer` like the part around it, is what is outside the housing in any pose.
    """
    poses = solved.envelope
    inner, outer = poses.inner_xyz, poses.outer_xyz
    rods = _radius([rod_diameter(rack, room) for rack in racks])
    rod, known = rods[designs.rack], bool(np.isfinite(rods).any())
    joint, arm = room.joint_diameter_mm, room.steering_arm_diameter_mm
    parts: list[Part] = []
    if known:
        parts.append(("tie_rod", inner, outer, rod))
    if joint is not None:
        parts.append(("outer_joint", outer, outer, np.full(len(rod), 0.5 * joint)))
    elif known:
        parts.append(("outer_joint", outer, outer, rod))
    if arm is not None:
        foot = np.moveaxis(arm_foot(poses), -1, 0)
        parts.append(("steering_arm", foot, outer, np.full(len(rod), 0.5 * arm)))
    if room.spacer_diameter_mm is not None:
        begin = np.broadcast_to(
            across_car(solved, _bar_begins(designs, solved, racks)), inner.shape
        )
        parts.append(("spacer", begin, inner, np.full(len(rod), 0.5 * room.spacer_diameter_mm)))
    return parts


def _bar_begins(designs: Designs, solved: Solved, racks: Sequence[Rack]) -> Array:
    """How far left of the middle the bar leaves the housing, or is when farthest in it, (N,).

    Where the housing's length is not known, all of the bar moves.
    """
    half = np.array([0.5 * (rack.housing_length_mm or 0.0) for rack in racks])[designs.rack]
    return np.asarray(np.minimum(half, solved.envelope.inner_xyz[1].min(axis=1)))


def _radius(diameters_mm: Sequence[float | None]) -> Array:
    return np.array([np.nan if value is None else 0.5 * value for value in diameters_mm])


def still_parts(designs: Designs, solved: Solved, racks: Sequence[Rack], room: Room) -> list[Part]:
    """The bar drawn out along its way to its farthest, and the housing; of those of known size.

    The housing stands about the middle of the car.
    """
    parts: list[Part] = []
    if room.spacer_diameter_mm is not None:
        begin = across_car(solved, _bar_begins(designs, solved, racks))
        end = across_car(solved, solved.envelope.inner_xyz[1].max(axis=1))
        parts.append(("spacer", begin, end, np.full(len(designs), 0.5 * room.spacer_diameter_mm)))
    length = [rack.housing_length_mm for rack in racks]
    diameter = [
        rack.housing_diameter_mm if known is not None else None
        for rack, known in zip(racks, length, strict=True)
    ]
    if any(value is not None for value in diameter):
        half = np.array([0.5 * (value or 0.0) for value in length])[designs.rack]
        begin, end = across_car(solved, -half), across_car(solved, half)
        parts.append(("rack_housing", begin, end, _radius(diameter)[designs.rack]))
    return parts


def across_car(solved: Solved, left_mm: Array) -> Array:
    """Points of the bar so far to the left of the middle of the car, (3, N, 1)."""
    inner = solved.points.inner_joint
    return np.stack([inner[:, 0], left_mm, inner[:, 2]])[..., None]


NOT_THERE_MM = -1e4
"""Radius of a part that is not there: whatever is near it is far off."""


def arm_tubes(solved: Solved, room: Room) -> Lines | None:
    """The four tubes of the two arms, in the solved poses, and the brackets of moved pivots."""
    poses, count = solved.envelope, len(solved.reason)
    tubes: list[Part] = []
    if room.arm_tube_diameter_mm is not None:
        radius = np.full(count, 0.5 * room.arm_tube_diameter_mm)
        for arm, ball in (("lower", poses.lower_ball_xyz), ("upper", poses.upper_ball_xyz)):
            for end in ("front", "rear"):
                start = _standing(solved, f"{arm}_{end}_pivot")
                tubes.append((f"{arm}_arm", start, ball, radius))
    for bracket in room.brackets:
        at = _standing(solved, bracket.pivot)
        moved = np.abs(at[..., 0].T - np.array(bracket.drawn_mm)).max(axis=1) > UNMOVED_MM
        radius = np.where(moved, 0.5 * bracket.diameter_mm, NOT_THERE_MM)
        tubes.append(("moved_pivot", at, np.broadcast_to(at, poses.lower_ball_xyz.shape), radius))
    return Lines.of(tubes)


def _standing(solved: Solved, pivot: str) -> Array:
    """A pivot of each design, (3, N, 1)."""
    at = np.atleast_2d(getattr(solved.points, pivot)).T[..., None]
    return np.broadcast_to(at, (3, len(solved.reason), 1))


# --- poses ---------------------------------------------------------------------------------------


def between(lines: Lines, solved: Solved) -> Lines:
    """Lines in poses between the solved ones too; see `engine.between`."""
    grid = poses_between(solved.envelope_travel_mm, solved.envelope_share)

    def finer(points: Array, rows: NDArray[np.intp]) -> Picked:
        if points.shape[-1] == 1:
            return Picked(points, rows)
        used, at = np.unique(rows, return_inverse=True)
        return Picked(grid.blend(points.take(used, axis=1)), at)

    start, end = lines.start, lines.end
    if start.points is end.points:
        start, end = _halves(finer(start.points, np.concatenate([start.rows, end.rows])))
    else:
        start, end = finer(start.points, start.rows), finer(end.points, end.rows)
    return Lines(lines.names, start, end, lines.radius)


# --- keep-outs -----------------------------------------------------------------------------------


KINDS = ("box", "capsule", "cylinder")


@dataclass(frozen=True, slots=True)
class Obstacles:
    """K keep-outs that stand still in the body, or in the part of the car that carries them.

    Attributes:
        names: (K,).
        kind: index in `KINDS`, (K,).
        image: the mirror images that stand only before the moving parts.
        single: those that have such an image.
        start: one corner or end, (K, 3).
        end: the other.
        radius: of capsules, of which all is so far from the line, 0 of the others, (K,).
        round_mm: of cylinders, 0 of the others, (K,).
    """

    names: tuple[str, ...]
    kind: NDArray[np.intp]
    image: NDArray[np.bool_]
    single: NDArray[np.bool_]
    start: Array
    end: Array
    radius: Array
    round_mm: Array

    def before(self, side: Side | None) -> NDArray[np.bool_]:
        """Which stand before the moving parts of a side's corner, or of either one, (K,)."""
        if side is None:
            return np.ones(len(self.names), dtype=bool)
        return ~(self.image if side == "left" else self.single)

    def corners(self) -> tuple[Array, Array]:
        """Least and greatest coordinates of each, (K, 3)."""
        thick = self.radius[:, None]
        low = np.minimum(self.start, self.end) - thick
        high = np.maximum(self.start, self.end) + thick
        if (drums := self.kind == KINDS.index("cylinder")).any():
            low[drums], high[drums] = cylinder_box(
                self.start[drums], self.end[drums], self.round_mm[drums]
            )
        return low, high


@lru_cache(maxsize=64)
def obstacles(keep_outs: tuple[KeepOut, ...]) -> Obstacles:
    """Keep-outs and, of those on the body, their mirror images where those differ from them."""
    found: list[tuple[str, int, bool, bool, Array, Array, float]] = []
    for item in keep_outs:
        a, b = np.array(item.low), np.array(item.high)
        shapes = [(a, b), (mirrored(a), mirrored(b))]
        if item.kind == "box":
            shapes = [(np.minimum(p, q), np.maximum(p, q)) for p, q in shapes]
        if item.moves or {tuple(p) for p in shapes[0]} == {tuple(p) for p in shapes[1]}:
            shapes = shapes[:1]
        on_one_side = len(shapes) > 1 and not item.mirror
        for (p, q), image in zip(shapes, (False, on_one_side), strict=False):
            single, kind_of = on_one_side and not image, KINDS.index(item.kind)
            found.append((item.name, kind_of, image, single, p, q, item.radius_mm))
    columns = zip(*found, strict=True) if found else ((),) * 7
    names, kind_, image_, single_, start, end, radius_ = columns
    kind, radius = np.array(kind_, dtype=np.intp), np.array(radius_, dtype=float)
    drum = kind == KINDS.index("cylinder")
    return Obstacles(
        names,
        kind,
        np.array(image_, dtype=bool),
        np.array(single_, dtype=bool),
        np.array(start, dtype=float).reshape(-1, 3),
        np.array(end, dtype=float).reshape(-1, 3),
        np.where(drum, 0.0, radius),
        np.where(drum, radius, 0.0),
    )
