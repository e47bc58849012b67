"""The parts whose clearance is measured: capsules over poses, and the keep-outs before them.

Moving parts are those of the left corner. The right corner at rack displacement r is the left
one's mirror image at -r, and the poses hold both signs of r; so each keep-out stands before the
moving parts as it is and mirrored, and one corner stands for two. Housings do not move, and meet
keep-outs on the side where they are.

A part of unknown size has no clearance: its radius is NaN. Cylinders are taken as capsules whose
line is as long as they are, which contain them: rounded, they reach past their ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimiser.clearance import poses_between
from optimiser.mounting import check_hand
from optimiser.vectors import dot_first

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from optimiser.designs import Designs
    from optimiser.hardpoints import Hardpoints
    from optimiser.question import KeepOut, Room
    from optimiser.racks import Rack, Side
    from optimiser.sweep import Solved
    from optimiser.vectors import Array

_FLIP = np.array([1.0, -1.0, 1.0])


@dataclass(frozen=True, slots=True)
class Part:
    """One part of N designs: ends of its line (3, N, E), radius (N,), NaN where unknown.

    `low` and `high` (3, N) are the box around it over all poses, radius included.
    """

    name: str
    start: Array
    end: Array
    radius: Array
    low: Array
    high: Array


def part_of(name: str, start: Array, end: Array, radius: Array) -> Part:
    """A part, its box computed."""
    low, high = _extent(start)
    low_end, high_end = (low, high) if end is start else _extent(end)
    return Part(
        name,
        start,
        end,
        radius,
        np.minimum(low, low_end) - radius,
        np.maximum(high, high_end) + radius,
    )


def _extent(points: Array) -> tuple[Array, Array]:
    return points.min(axis=-1), points.max(axis=-1)


@dataclass(frozen=True, slots=True)
class Obstacles:
    """Keep-outs of one kind: corners or ends (K, 3), radii (K,), the boxes around them, names."""

    names: tuple[str, ...]
    start: Array
    end: Array
    radius: Array

    @property
    def low(self) -> Array:
        """(K, 3)."""
        return np.minimum(self.start, self.end) - self.radius[:, None]

    @property
    def high(self) -> Array:
        """(K, 3)."""
        return np.maximum(self.start, self.end) + self.radius[:, None]


# --- poses ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Joints:
    """Joints of the left corner over poses, (3, N, E)."""

    lower: Array
    upper: Array
    outer: Array
    inner: Array

    def select(self, rows: NDArray[np.intp]) -> Joints:
        """Some of the designs."""
        return Joints(*(p[:, rows] for p in (self.lower, self.upper, self.outer, self.inner)))


def solved_joints(solved: Solved) -> Joints:
    """In the solved poses."""
    poses = solved.envelope
    return Joints(poses.lower_ball_xyz, poses.upper_ball_xyz, poses.outer_xyz, poses.inner_xyz)


def joints_between(at: Joints, solved: Solved) -> Joints:
    """In poses between the solved ones `at`; see `clearance.between`."""
    weights = poses_between(solved.envelope_travel_mm, solved.envelope_share).weights
    # A product for each design: its numbers then do not depend on the batch it is in.
    rows = np.concatenate([at.lower, at.upper, at.outer, at.inner]).swapaxes(0, 1)
    lower, upper, outer, inner = np.split((np.ascontiguousarray(rows) @ weights).swapaxes(0, 1), 4)
    return Joints(lower, upper, outer, inner)


# --- parts ---------------------------------------------------------------------------------------


def rod_diameter(rack: Rack, room: Room) -> float | None:
    """Diameter of the tie rods: the rack's own where the catalogue has it."""
    return rack.tie_rod_diameter_mm or room.tie_rod_diameter_mm


def moving_parts(
    designs: Designs, joints: Joints, racks: Sequence[Rack], room: Room
) -> Iterator[Part]:
    """Tie rod, outer joint, steering arm, and the bar with its spacer outside the housing."""
    inner, outer = joints.inner, joints.outer
    rod = _radius([rod_diameter(rack, room) for rack in racks])[designs.rack]
    if np.isfinite(rod).any():
        yield part_of("tie_rod", inner, outer, rod)
    joint = room.joint_diameter_mm
    joint_radius = rod if joint is None else np.full(len(designs), 0.5 * joint)
    if np.isfinite(joint_radius).any():
        yield part_of("outer_joint", outer, outer, joint_radius)
    if room.steering_arm_diameter_mm is not None:
        yield part_of(
            "steering_arm",
            _foot(joints),
            outer,
            np.full(len(designs), 0.5 * room.steering_arm_diameter_mm),
        )
    if room.spacer_diameter_mm is not None:
        # Where the housing's length is not known, all of the bar moves.
        half = np.array([0.5 * (rack.housing_length_mm or 0.0) for rack in racks])[designs.rack]
        start = inner.copy()
        start[1] = np.minimum(half[:, None], inner[1])
        radius = np.full(len(designs), 0.5 * room.spacer_diameter_mm)
        yield part_of("spacer", start, inner, radius)


def _foot(joints: Joints) -> Array:
    """Where the steering arm, square to the steering axis, meets it."""
    axis = joints.upper - joints.lower
    up = dot_first(joints.outer - joints.lower, axis) / dot_first(axis, axis)
    return np.asarray(joints.lower + up * axis)


def _radius(diameters_mm: Sequence[float | None]) -> Array:
    return np.array([np.nan if value is None else 0.5 * value for value in diameters_mm])


def rack_housing(designs: Designs, solved: Solved, racks: Sequence[Rack]) -> Part | None:
    """The rack housing, about the middle of the car; None where no rack's is known."""
    known = [r.housing_diameter_mm is not None and r.housing_length_mm is not None for r in racks]
    if not any(known):
        return None
    radius = _radius(
        [rack.housing_diameter_mm if ok else None for rack, ok in zip(racks, known, strict=True)]
    )[designs.rack]
    half = np.array([0.5 * (rack.housing_length_mm or 0.0) for rack in racks])[designs.rack]
    centre = bar_middle(solved)
    reach = half * np.array([0.0, 1.0, 0.0])[:, None]
    return part_of("rack_housing", (centre - reach)[..., None], (centre + reach)[..., None], radius)


def bar_middle(solved: Solved) -> Array:
    """Middle of the rack, (3, N)."""
    return np.asarray((solved.points.inner_joint * np.array([1.0, 0.0, 1.0])).T)


def arm_tubes(points: Hardpoints, joints: Joints, room: Room) -> Iterator[Part]:
    """The four tubes of the two arms."""
    if room.arm_tube_diameter_mm is None:
        return
    for arm, ball in (("lower", joints.lower), ("upper", joints.upper)):
        radius = np.full(ball.shape[1], 0.5 * room.arm_tube_diameter_mm)
        for end in ("front", "rear"):
            pivot = np.atleast_2d(getattr(points, f"{arm}_{end}_pivot")).T[..., None]
            start = np.broadcast_to(pivot, (3, ball.shape[1], 1))
            yield part_of(f"{arm}_arm", start, ball, radius)


@dataclass(frozen=True, slots=True)
class Pinion:
    """Pinion housing of one rack: a capsule from the bar outward, square to it.

    `signs` are the sides where it may be, +1 left; both where the side is not known.
    """

    offset_mm: float
    length_mm: float
    radius_mm: float
    angle_deg: float | None
    signs: tuple[float, ...]


def pinion_of(rack: Rack, *, arm_ahead: bool, drive_side: Side | None) -> Pinion | None:
    """The pinion housing of a rack; None where offset, length or diameter is not known."""
    offset, length, diameter = (
        rack.pinion_offset_mm,
        rack.pinion_length_mm,
        rack.pinion_diameter_mm,
    )
    if offset is None or length is None or diameter is None:
        return None
    side = check_hand(rack, arm_ahead, drive_side).pinion_side
    signs = {"left": (1.0,), "right": (-1.0,)}.get(str(side), (1.0, -1.0))
    return Pinion(offset, length, 0.5 * diameter, rack.pinion_angle_deg, signs)


# --- keep-outs -----------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def obstacles(keep_outs: tuple[KeepOut, ...], *, both_sides: bool) -> dict[str, Obstacles]:
    """Keep-outs by kind; with their mirror images where those differ from them."""
    found: dict[str, list[tuple[str, Array, Array, float]]] = {"box": [], "capsule": []}
    for item in keep_outs:
        a, b = np.array(item.low), np.array(item.high)
        shapes = [(a, b)]
        if both_sides or item.mirror:
            shapes.append((a * _FLIP, b * _FLIP))
        if item.kind == "box":
            shapes = [(np.minimum(p, q), np.maximum(p, q)) for p, q in shapes]
        same = len(shapes) == 2 and {tuple(p) for p in shapes[0]} == {tuple(p) for p in shapes[1]}
        found[item.kind] += [
            (item.name, p, q, item.radius_mm) for p, q in (shapes[:1] if same else shapes)
        ]
    return {
        kind: Obstacles(
            tuple(entry[0] for entry in entries),
            np.array([entry[1] for entry in entries]),
            np.array([entry[2] for entry in entries]),
            np.array([entry[3] for entry in entries]),
        )
        for kind, entries in found.items()
        if entries
    }


def near_pairs(
    low: Array, high: Array, group: Obstacles, far_mm: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of boxes (3, N) and obstacles (K,) that may be closer than `far_mm`."""
    gap = np.maximum(group.low.T[:, None] - high[..., None], low[..., None] - group.high.T[:, None])
    gap = np.maximum(gap, 0.0)
    rows, columns = np.nonzero(dot_first(gap, gap) < far_mm**2)
    return rows, columns
