"""Clearance of one design over its whole sweep, for `references.rack_row`.

Distances of capsules by searching the unit square of two segments, of a segment to a box by
searching along it, since distance to a convex body is convex; the rim by many points of the rod.
Nothing of the package under test is imported.
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from references import carried

if TYPE_CHECKING:
    from references.rack_row import Row

MIRROR = np.array([1.0, -1.0, 1.0])
FAR_MM = 20.0
_TYRE_MEETS = ("tie_rod", "spacer")
TRAVELS, RACKS = 25, 33
_THIRDS = 40
"""They leave a ten-millionth of the way: some 5e-5 mm of a tie rod."""


def least_along(distance) -> np.ndarray:
    """Least of a convex function of t in 0..1, over any batch, by cutting off thirds."""
    low, high = np.zeros_like(distance(0.0)), np.ones_like(distance(0.0))
    for _ in range(_THIRDS):
        third = (high - low) / 3.0
        left = distance(low + third) < distance(high - third)
        low, high = np.where(left, low, low + third), np.where(left, high - third, high)
    return distance(0.5 * (low + high))


def to_segment(a: np.ndarray, b: np.ndarray, p: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Distance of segments a-b and p-q, (...)."""

    def from_point(t) -> np.ndarray:
        at = a + np.asarray(t)[..., None] * (b - a)
        along = q - p
        share = np.sum((at - p) * along, axis=-1) / np.maximum(np.sum(along**2, axis=-1), 1e-12)
        near = p + np.clip(share, 0.0, 1.0)[..., None] * along
        return np.linalg.norm(at - near, axis=-1)

    return least_along(from_point)


def to_box(a: np.ndarray, b: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Distance of segments a-b to a box; minus the depth where they enter it."""

    def from_point(t) -> np.ndarray:
        at = a + np.asarray(t)[..., None] * (b - a)
        over = np.maximum(low - at, at - high)
        outside = np.linalg.norm(np.maximum(over, 0.0), axis=-1)
        return np.where((over < 0.0).all(axis=-1), over.max(axis=-1), outside)

    # Outside the box this is convex, and inside it the depth is as well: minus a concave one.
    return least_along(from_point)


def clearances(row: Row) -> dict[str, float]:
    """Least clearance of all pairs whose size is known, at most what is told apart."""
    study, rack = row.study, row.rack
    limit = study.table("limits").get("clearance_mm", 5.0)
    far = max(FAR_MM, 0.0 if limit == "off" else limit)
    still = filter(carried.is_still, study.file.get("keep_out", []))
    others = [_keep_out(row, item) for item in still]
    others = [shape for shapes in others for shape in shapes]
    moving = row.sweep(
        np.linspace(row.grid[0], row.grid[-1], TRAVELS), np.linspace(-row.end, row.end, RACKS)
    )
    tubes, links = _tubes(row, moving), carried.links(row, moving)
    discs = carried.discs(row, moving)
    wheel = study.table("wheel")
    if not (others or tubes or wheel or links or discs):
        return {}
    parts = _moving(row, moving)
    least = [far]
    for name, start, end, radius in parts:
        for image in (np.ones(3), MIRROR):
            for kind, p, q, thick in others:
                a, b = start * image, end * image
                apart = to_box(a, b, p, q) if kind == "box" else to_segment(a, b, p, q) - thick
                least.append(float(apart.min()) - radius)
        if name in ("tie_rod", "outer_joint", "spacer"):
            for p, q, thick in tubes:
                least.append(float(to_segment(start, end, p, q).min()) - radius - thick)
        for p, q, thick in links:
            least.append(float(to_segment(start, end, p, q).min()) - radius - thick)
        for p, q, size, as_drawn in discs:
            a, b = as_drawn(start), as_drawn(end)
            apart = least_along(
                lambda t, a=a, b=b, p=p, q=q, size=size: carried.to_disc(
                    a + np.asarray(t)[..., None] * (b - a), p, q, size
                )
            )
            least.append(float(apart.min()) - radius)
        if wheel and name != "spacer":
            least.append(_rim(wheel, moving, start, end) - radius)
    for start, end, radius in _housing(rack, row):
        least.append(float(_still(start, end, radius, others, tubes + links)))
    pinion = _pinion(row, others, tubes + links, far)
    if pinion is not None:
        least.append(pinion)
    found = min(least)
    numbers = {"clearance_mm": found, "clearance_whole_sweep_mm": found}
    bars = [(start, end, radius) for name, start, end, radius in parts if name in _TYRE_MEETS]
    of_tyre = carried.tyre(row, moving, [*bars, *_housing(rack, row), *tubes, *links])
    return numbers if of_tyre is None else numbers | {"tyre_clearance_mm": min(of_tyre, far)}


def _keep_out(row: Row, item: dict) -> list[tuple]:
    p, q = row.study.body(item["from_mm"]), row.study.body(item["to_mm"])
    found = []
    for image in (np.ones(3), MIRROR) if item.get("mirror") else (np.ones(3),):
        a, b = p * image, q * image
        if item["kind"] == "box":
            a, b = np.minimum(a, b), np.maximum(a, b)
        found.append((item["kind"], a, b, item.get("radius_mm", 0.0)))
    return found


def _tubes(row: Row, at) -> list[tuple]:
    thick = row.study.table("arms").get("tube_diameter_mm")
    if thick is None:
        return []
    balls = {"lower": at.lower, "upper": at.upper}
    return [
        (row.points[f"{arm}_{end}_pivot"], balls[arm], 0.5 * thick)
        for arm, end in product(balls, ("front", "rear"))
    ]


def _moving(row: Row, at) -> list[tuple]:
    rods, arms = row.study.table("tie_rod"), row.study.table("arms")
    own = row.rack.get("tie_rod_diameter_mm")
    rod = float(own) if own else rods.get("diameter_mm")
    parts = []
    if rod:
        parts.append(("tie_rod", at.inner, at.outer, 0.5 * rod))
        joint = rods.get("joint_diameter_mm", rod)
        parts.append(("outer_joint", at.outer, at.outer, 0.5 * joint))
    if arms.get("steering_arm_diameter_mm"):
        axis = at.axis / np.linalg.norm(at.axis, axis=-1, keepdims=True)
        up = np.sum((at.outer - at.lower) * axis, axis=-1, keepdims=True)
        thick = 0.5 * arms["steering_arm_diameter_mm"]
        parts.append(("steering_arm", at.lower + up * axis, at.outer, thick))
    bar = row.study.table("spacer")
    if bar:
        length = row.rack.get("housing_length_mm")
        begin = at.inner.copy()
        farthest_in = at.inner[..., 1].min()
        begin[..., 1] = min(0.5 * float(length) if length else 0.0, farthest_in)
        parts.append(("spacer", begin, at.inner, 0.5 * bar["diameter_mm"]))
    return parts


def _rim(wheel: dict, at, start: np.ndarray, end: np.ndarray) -> float:
    """Points of the part in the wheel's own axes, before the wall and its two edges."""
    radius, half = wheel["rim_inside_radius_mm"], 0.5 * wheel["rim_inner_width_mm"]
    middle = at.wheel + wheel.get("rim_offset_mm", 0.0) * at.spin
    least = np.inf
    for share in np.linspace(0.0, 1.0, 2001):
        from_middle = start + share * (end - start) - middle
        along = np.sum(from_middle * at.spin, axis=-1)
        off = np.linalg.norm(from_middle - along[..., None] * at.spin, axis=-1)
        inward, beside = radius - off, np.abs(along) - half
        outside = np.hypot(np.maximum(inward, 0.0), np.maximum(beside, 0.0))
        in_wall = np.maximum(inward, beside)
        least = min(least, float(np.where(in_wall < 0.0, in_wall, outside).min()))
    return least


def _housing(rack: dict, row: Row) -> list[tuple]:
    length, thick = rack.get("housing_length_mm"), rack.get("housing_diameter_mm")
    if not (length and thick):
        return []
    middle = row.points["inner_joint"] * [1.0, 0.0, 1.0]
    half = np.array([0.0, 0.5 * float(length), 0.0])
    return [(middle - half, middle + half, 0.5 * float(thick))]


def _still(start, end, radius, others, tubes) -> np.ndarray:
    """Of parts from `start` (3) to one or several ends (..., 3), each over the whole sweep."""
    found = [np.full(end.shape[:-1], np.inf)]
    for kind, p, q, thick in others:
        apart = to_box(start, end, p, q) if kind == "box" else to_segment(start, end, p, q) - thick
        found.append(apart - radius)
    for p, q, thick in tubes:
        for image in (np.ones(3), MIRROR):
            apart = to_segment(start, end[..., None, None, :], p * image, q * image)
            found.append(apart.min(axis=(-2, -1)) - radius - thick)
    return np.min(found, axis=0)


def _pinion(row: Row, others, tubes, far: float) -> float | None:
    """Where it has the most room of the angles it may be turned to, on the side where it is."""
    rack = row.rack
    numbers = [rack.get(f"pinion_{name}_mm") for name in ("offset", "length", "diameter")]
    if not all(numbers) or not (others or tubes):
        return None
    offset, length, diameter = map(float, numbers)
    made_for, side = rack.get("made_for"), rack.get("pinion_side")
    signs = [1.0, -1.0]
    if made_for and side:
        as_made = (made_for == "ahead") == (row.side > 0.0)
        signs = [1.0 if (side == "left") == as_made else -1.0]
    fixed = rack.get("pinion_angle_deg")
    turn = np.radians([float(fixed)] if fixed else np.arange(-45.0, 136.0, 15.0))
    out = length * np.stack([-np.sin(turn), np.zeros(len(turn)), np.cos(turn)], axis=-1)
    here = np.full(len(turn), far)
    for sign in signs:
        start = row.points["inner_joint"] * [1.0, 0.0, 1.0] + [0.0, sign * offset, 0.0]
        here = np.minimum(here, _still(start, start + out, 0.5 * diameter, others, tubes))
    return float(here.max())
