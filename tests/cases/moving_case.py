"""Random parts that move with the packaging corner, and what python-fcl makes of them.

Where a body is in a pose is found by scipy's `Rotation.align_vectors` from points of it, which
shares no code with the package.
"""

from __future__ import annotations

from dataclasses import replace

import fcl
import numpy as np
from packaging_case import POINTS, ROOM
from scipy.spatial.transform import Rotation

from optimiser.evaluation.asked import KeepOut

ROOMY = replace(
    ROOM, keep_outs=(), rim=None, drawn_inner_joint=tuple(float(v) for v in POINTS.inner_joint)
)
PARTS = ("tie_rod", "outer_joint", "steering_arm", "spacer")


def near_the_rod(rng: np.random.Generator) -> tuple[float, ...]:
    return tuple(rng.uniform((50.0, 330.0, 130.0), (170.0, 580.0, 310.0)).tolist())


def random_part(rng: np.random.Generator, name: str, on: str, kind: str) -> KeepOut:
    """A part somewhere about the tie rod; of its own size, not of its distance."""
    middle, half = np.array(near_the_rod(rng)), rng.uniform(-45.0, 45.0, 3)
    low, high = middle - half, middle + half
    if kind == "box":
        low, high = np.minimum(low, high), np.maximum(low, high)
    radius = 0.0 if kind == "box" else float(rng.uniform(4.0, 25.0))
    return KeepOut(name, kind, tuple(low.tolist()), tuple(high.tolist()), radius, on=on)


def random_link(rng: np.random.Generator, name: str, on: str, to_on: str) -> KeepOut:
    length = float(rng.uniform(60.0, 160.0)) if rng.random() < 0.5 else None
    return KeepOut(
        name, "capsule", near_the_rod(rng), near_the_rod(rng), 8.0, on=on, to_on=to_on,
        length_mm=length,
    )  # fmt: skip


def random_moving(seed: int) -> tuple[KeepOut, ...]:
    """A part of each kind on each body that moves, and four between two."""
    rng = np.random.default_rng(seed)
    parts = [
        random_part(rng, f"{kind} on {on}", on, kind)
        for on in ("lower_arm", "upper_arm", "upright", "rack")
        for kind in ("box", "capsule", "cylinder")
    ]
    ends = [
        ("body", "lower_arm"),
        ("upper_arm", "body"),
        ("body", "upright"),
        ("lower_arm", "rack"),
    ]
    parts += [random_link(rng, f"link {i}", *pair) for i, pair in enumerate(ends)]
    return tuple(parts)


def placements(solved, row: int, pose: int) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Turn and shift of each body from the drawing to a pose: x -> turn x + shift."""
    now, rest = solved.envelope, solved.rest
    pivots = {name: np.asarray(getattr(POINTS, name)) for name in POINTS.__slots__}
    found = {"body": (np.eye(3), np.zeros(3))}

    def placed(before, after):
        before, after = np.array(before), np.array(after)
        a, b = before.mean(axis=0), after.mean(axis=0)
        turn = Rotation.align_vectors(after - b, before - a)[0].as_matrix()
        return turn, b - turn @ a

    def at(name, poses, index):
        return getattr(poses, name)[row, index]

    for arm in ("lower", "upper"):
        hinge = [pivots[f"{arm}_front_pivot"], pivots[f"{arm}_rear_pivot"]]
        ball = f"{arm}_ball_joint"
        found[f"{arm}_arm"] = placed([*hinge, at(ball, rest, 0)], [*hinge, at(ball, now, pose)])

    def upright(poses, index):
        wheel, spin = at("wheel_centre", poses, index), at("spin_axis", poses, index)
        return [
            at("lower_ball_joint", poses, index),
            at("upper_ball_joint", poses, index),
            wheel,
            wheel + 200.0 * spin,
        ]

    found["upright"] = placed(upright(rest, 0), upright(now, pose))
    shift = at("inner_joint", now, pose) - pivots["inner_joint"]
    found["rack"] = np.eye(3), shift
    return found


def fcl_shape(item: KeepOut, bodies) -> fcl.CollisionObject:
    """A keep-out in a pose."""
    low, high = np.array(item.low), np.array(item.high)
    turn, shift = bodies[item.on]
    if item.kind == "box":
        box = fcl.Box(*(high - low))
        return fcl.CollisionObject(box, fcl.Transform(turn, turn @ (0.5 * (low + high)) + shift))
    other_turn, other_shift = bodies[item.to_on or item.on]
    start, end = turn @ low + shift, other_turn @ high + other_shift
    if item.length_mm is not None:
        end = start + item.length_mm * (end - start) / np.linalg.norm(end - start)
    return round_bar(start, end, item.radius_mm, flat=item.kind == "cylinder")


def round_bar(start, end, radius: float, *, flat: bool = False) -> fcl.CollisionObject:
    along = np.asarray(end, float) - start
    length = float(np.linalg.norm(along))
    turn = np.eye(3)
    if length > 0.0:
        turn = Rotation.align_vectors([along / length], [[0.0, 0.0, 1.0]])[0].as_matrix()
    shape = fcl.Cylinder(radius, length) if flat else fcl.Capsule(radius, length)
    return fcl.CollisionObject(shape, fcl.Transform(turn, 0.5 * (np.asarray(start) + end)))
