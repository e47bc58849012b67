"""Parts that move and the tyre over the whole sweep of one design, for `references.clear`.

A disc is looked at from the upright, a part between body and lower arm is a line whose one end the
arm's own turn carries, and the tyre is met by many points of each bar: its profile is the union of
two rectangles and four circles. Nothing of the package under test is imported. Only what the
studies of the tests have: cylinders on the upright, capsules between body and lower arm, keep-outs
of the body as lines; boxes are taken by their edges.
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

if TYPE_CHECKING:
    from references.rack_row import Row, Swept

POINTS = 301


def is_still(item: dict) -> bool:
    return item.get("on", "body") == "body" and "from_on" not in item


def discs(row: Row, at: Swept) -> list[tuple]:
    """Both ends of each cylinder on the upright in the drawing, its radius, and a way there."""
    rest = row.points["wheel_centre"]
    shift = np.array([0.0, 0.5 * row.growth, 0.0])

    def as_drawn(points: np.ndarray) -> np.ndarray:
        off = points - at.wheel
        return rest - shift + np.einsum("...ji,...j->...i", at.rotation, off)

    return [
        (row.study.body(i["from_mm"]), row.study.body(i["to_mm"]), i["radius_mm"], as_drawn)
        for i in row.study.file.get("keep_out", [])
        if i.get("on") == "upright"
    ]


def to_disc(points: np.ndarray, start, end, radius: float) -> np.ndarray:
    """Signed distance of points to a cylinder with flat ends."""
    half = 0.5 * np.linalg.norm(end - start)
    axis = (end - start) / (2.0 * half)
    off = points - 0.5 * (start + end)
    along = off @ axis
    side = np.linalg.norm(off - along[..., None] * axis, axis=-1) - radius
    beyond = np.abs(along) - half
    outside = np.hypot(np.maximum(side, 0.0), np.maximum(beyond, 0.0))
    return np.where((side < 0.0) & (beyond < 0.0), np.maximum(side, beyond), outside)


def links(row: Row, at: Swept) -> list[tuple]:
    """Ends over the sweep and radius of what lies between the body and an arm."""
    found = []
    for item in row.study.file.get("keep_out", []):
        if "from_on" not in item:
            continue
        assert item["from_on"] == "body"
        arm = item["to_on"].removesuffix("_arm")
        start = row.study.body(item["from_mm"])
        end = _on_arm(row, arm, getattr(at, arm), row.study.body(item["to_mm"]))
        if "length_mm" in item:
            run = end - start
            end = start + item["length_mm"] * run / np.linalg.norm(run, axis=-1, keepdims=True)
        found.append((start, end, item["radius_mm"]))
    return found


def _on_arm(row: Row, arm: str, ball: np.ndarray, drawn: np.ndarray) -> np.ndarray:
    """Where a drawn point of an arm is, its ball joint being at `ball` (..., 3)."""
    pivot, other = (row.points[f"{arm}_{end}_pivot"] for end in ("rear", "front"))
    axis = (other - pivot) / np.linalg.norm(other - pivot)
    square = row.points[f"{arm}_ball_joint"] - pivot
    square = square - (square @ axis) * axis
    now = ball - pivot
    now = now - (now @ axis)[..., None] * axis
    angle = np.arctan2(np.cross(square, now) @ axis, now @ square)
    out = drawn + np.array([0.0, 0.5 * row.growth, 0.0]) - pivot
    turned = Rotation.from_rotvec(angle.reshape(-1, 1) * axis).apply(out)
    return pivot + turned.reshape(ball.shape)


# --- the tyre ------------------------------------------------------------------------------------


def tyre(row: Row, at: Swept, bars: list[tuple]) -> float | None:
    """Least clearance of the tyre to bars, (start, end, radius) each; None without a tyre."""
    wheel = row.study.table("wheel")
    if "tyre_diameter_mm" not in wheel:
        return None
    least = np.inf
    for start, end, radius in [*bars, *_still(row)]:
        for share in np.linspace(0.0, 1.0, POINTS):
            off = start + share * (end - start) - at.wheel
            along = np.sum(off * at.spin, axis=-1)
            out = np.linalg.norm(off - along[..., None] * at.spin, axis=-1)
            apart = _profile(out, np.abs(along), wheel, row.study.table("car")["tyre_width_mm"])
            least = min(least, float(apart.min()) - radius)
    return least


def _profile(out: np.ndarray, along: np.ndarray, wheel: dict, width: float) -> np.ndarray:
    """Distance to the union of rectangles and rounded corners; 0 within."""
    outside, half = 0.5 * wheel["tyre_diameter_mm"], 0.5 * width
    inside = 0.5 * wheel.get("tyre_inside_diameter_mm", 2.0 * wheel["rim_inside_radius_mm"] + 10.0)
    shoulder = wheel.get("tyre_shoulder_mm", 0.0)
    parts = [
        _rectangle(out, along, inside, outside - shoulder, half),
        _rectangle(out, along, inside, outside, half - shoulder),
        np.hypot(out - outside + shoulder, along - half + shoulder) - shoulder,
    ]
    return np.maximum(np.minimum.reduce(parts), 0.0)


def _rectangle(out, along, low: float, high: float, half: float) -> np.ndarray:
    off = np.maximum(np.maximum(low - out, out - high), 0.0)
    return np.hypot(off, np.maximum(along - half, 0.0))


def _still(row: Row) -> list[tuple]:
    """Lines of the keep-outs of the body, on both sides of it; edges of boxes."""
    found = []
    for item in filter(is_still, row.study.file.get("keep_out", [])):
        p, q = row.study.body(item["from_mm"]), row.study.body(item["to_mm"])
        ends = [(p, q)]
        if item["kind"] == "box":
            corners = [np.where(pick, p, q) for pick in product((False, True), repeat=3)]
            ends = [
                (corners[i], corners[i | bit]) for i in range(8) for bit in (1, 2, 4) if not i & bit
            ]
        for image in (np.ones(3), np.array([1.0, -1.0, 1.0])):
            found += [(a * image, b * image, item.get("radius_mm", 0.0)) for a, b in ends]
    return found
