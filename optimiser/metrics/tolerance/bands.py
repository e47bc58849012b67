"""How far one dimension of a chosen place may be off by itself before bump steer is too much.

Seven things that a builder can set or get wrong, each alone, on one wheel:

    rack height, rack fore-aft     the inner joint moves up, or ahead
    spacer length                  the inner joint moves outboard
    arm length                     the outer joint moves away from the steering axis, square to it
    arm height                     the outer joint moves up, along the steering axis
    tie-rod length, ...            the rod is longer than drawn between its joints

Toe is reset after all of them by the tie rod, except after the last two. A rod of the wrong
length whose own thread then sets the toe is the right length again, and there is nothing to
tell. So the length of the rod is asked about where it does remain: with the toe left as it comes,
and with the toe reset at the rack, by moving the inner joint along the bar (spacer or shim).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

from optimiser.linkage.at_rack import describe_arm, place_outer_joint
from optimiser.metrics.tolerance.built import AsBuilt, join_corners, rod_length, set_rod_length
from optimiser.metrics.tolerance.spread import Conditions, largest_bump

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

Adjustment = Literal[
    "rack height",
    "rack fore-aft",
    "spacer length",
    "arm length",
    "arm height",
    "tie-rod length, toe reset at the rack",
    "tie-rod length, toe not reset",
]
ADJUSTMENTS: tuple[Adjustment, ...] = get_args(Adjustment)
End = Literal["limit", "range", "cannot assemble", "none"]
RANGE_MM = 10.0
GRID_STEPS = 40
_PARTS = 16
EDGE_MM = 1e-10


def adjusted_corner(
    points: Hardpoints, adjustment: Adjustment, amount_mm: ArrayLike, conditions: Conditions
) -> AsBuilt:
    """One design with one dimension larger by `amount_mm` (...); NaN where nothing fits.

    `points` is unbatched. See the head of this module for what moves and what toe does.
    """
    amount = np.asarray(amount_mm, float)
    attitude = conditions.attitude.over(amount.shape)
    outer, inner = points.outer_joint, points.inner_joint
    ways = {"rack fore-aft": 0, "spacer length": 1, "rack height": 2}
    if adjustment == "tie-rod length, toe not reset":
        return set_rod_length(points, attitude, rod_length(points) + amount)
    if adjustment in ways:
        inner = inner + amount[..., None] * np.eye(3)[ways[adjustment]]
    elif adjustment == "tie-rod length, toe reset at the rack":
        apart = outer - inner
        with np.errstate(invalid="ignore"):
            across = np.sqrt((rod_length(points) + amount) ** 2 - apart[0] ** 2 - apart[2] ** 2)
        slide = np.where(amount == 0.0, 0.0, apart[1] - across)
        inner = inner + slide[..., None] * np.eye(3)[1]
    else:
        arm = describe_arm(points)
        longer, higher = (
            np.where(adjustment == w, amount, 0.0) for w in ("arm length", "arm height")
        )
        outer = place_outer_joint(
            points, arm.length_mm + longer, arm.height_mm + higher, arm.angle, arm.ahead
        )
    return AsBuilt(points.with_tie_rod(outer, inner), attitude)


def _bump_after(
    points: Hardpoints, amounts_mm: Array, conditions: Conditions, which: tuple[Adjustment, ...]
) -> Array:
    """Largest bump steer after amounts (A, M) of A adjustments, in one call of the kernel."""
    corners = [
        adjusted_corner(points, name, amount, conditions)
        for name, amount in zip(which, amounts_mm, strict=True)
    ]
    bump = largest_bump(join_corners(corners), conditions)
    return np.asarray(bump.reshape(amounts_mm.shape))


@dataclass(frozen=True, slots=True)
class Band:
    """How far one dimension alone may be off.

    Attributes:
        adjustment: which dimension.
        low_mm: greatest acceptable deviation downward, at most 0; NaN without a band.
        high_mm: greatest acceptable deviation upward, at least 0; NaN without a band.
        low_end: what ends it: the acceptable bump steer ("limit"), the range looked at, or the
            linkage; "none" where the design itself is not acceptable.
        high_end: the same upward.
        bump_steer: of the design, radians.
        up: largest bump steer with the dimension 1 mm larger, radians; NaN: cannot assemble.
        down: the same 1 mm smaller.
    """

    adjustment: Adjustment
    low_mm: float
    high_mm: float
    low_end: End
    high_end: End
    bump_steer: float
    up: float
    down: float

    @property
    def text(self) -> str:
        """The band in words; its edges are rounded inward."""
        if "none" in (self.low_end, self.high_end):
            return (
                f"{self.adjustment}: no band, the design itself has "
                f"{np.degrees(self.bump_steer):.3f} deg of bump steer"
            )
        if self.low_end == self.high_end == "range":
            reach = min(self.high_mm, -self.low_mm)
            return f"{self.adjustment}: not critical, at least +/- {reach:g} mm"
        ends = (
            _end_text("+", self.high_mm, self.high_end),
            _end_text("-", -self.low_mm, self.low_end),
        )
        return f"{self.adjustment}: within {' / '.join(ends)} mm"


def _end_text(sign: str, size: float, end: End) -> str:
    # A little is added first so that a number that is exact in print is not cut down by a digit.
    inward = np.floor(size * 100.0 + 1e-6) / 100.0
    notes = {"range": " (or more)", "cannot assemble": " (then it cannot be assembled)"}
    return f"{sign}{inward:.2f}{notes.get(end, '')}"


def accuracy_bands(
    points: Hardpoints,
    conditions: Conditions,
    acceptable: float,
    *,
    range_mm: float = RANGE_MM,
    which: tuple[Adjustment, ...] = ADJUSTMENTS,
) -> tuple[Band, ...]:
    """How far each dimension alone may be off with bump steer at most `acceptable` (radians).

    Both ways at once and for all dimensions: a grid of `GRID_STEPS` steps to `range_mm` finds the
    first step on which the limit is passed, which is then cut into sixteenths until it is shorter
    than `EDGE_MM`; the acceptable end of it is the edge. An excursion narrower than a step of the
    grid that comes back within it is not seen.

    Raises:
        ValueError: a range or an acceptable value that is not above 0.
    """
    if not (range_mm > 0.0 and acceptable > 0.0):
        raise ValueError("range_mm and acceptable must be above 0")

    def bump(sizes: Array) -> Array:
        amounts = (sizes * np.array([-1.0, 1.0])[:, None]).reshape(len(which), -1)
        return _bump_after(points, amounts, conditions, which).reshape(sizes.shape)

    shape = (len(which), 2)
    grid = np.broadcast_to(np.linspace(0.0, range_mm, GRID_STEPS + 1), (*shape, GRID_STEPS + 1))
    on_grid = bump(grid)
    low, high, within = _first_crossing(grid, on_grid, acceptable)
    while np.max(high - low) > EDGE_MM:
        parts = low[..., None] + (high - low)[..., None] * np.linspace(0.0, 1.0, _PARTS + 1)
        low, high, _ = _first_crossing(parts, bump(parts), acceptable)
    beyond, one = bump(high[..., None])[..., 0], bump(np.ones((*shape, 1)))[..., 0]
    ends = np.where(within, "range", np.where(np.isnan(beyond), "cannot assemble", "limit"))
    ends = np.where(on_grid[..., 0] <= acceptable, ends, "none")
    size = np.where(ends == "none", np.nan, low)
    return tuple(
        Band(
            adjustment=name,
            low_mm=0.0 - float(size[row, 0]),
            high_mm=float(size[row, 1]),
            low_end=ends[row, 0].item(),
            high_end=ends[row, 1].item(),
            bump_steer=float(on_grid[row, 0, 0]),
            up=float(one[row, 1]),
            down=float(one[row, 0]),
        )
        for row, name in enumerate(which)
    )


def _first_crossing(
    at: Array, bump: Array, acceptable: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Last point (...) before, and first point after, `bump` (..., M) is not acceptable.

    The third result is True where all are acceptable; both points are then the last of all.
    NaN counts as not acceptable.
    """
    bad = np.asarray(~(bump[..., 1:] <= acceptable))
    within = np.asarray(~bad.any(axis=-1))
    after = np.where(within, at.shape[-1] - 1, np.argmax(bad, axis=-1) + 1)
    before = np.where(within, after, after - 1)
    low, high = (np.take_along_axis(at, i[..., None], -1)[..., 0] for i in (before, after))
    return low, high, within


@dataclass(frozen=True, slots=True, eq=False)
class ShimTable:
    """Largest bump steer with shims or packs added (k > 0) or taken out (k < 0).

    Attributes:
        steps: number k of shims, (K,).
        offset_mm: k times the thickness, (K,).
        bump_steer: radians, (K,); NaN where it cannot be assembled.
    """

    steps: tuple[int, ...]
    offset_mm: Array
    bump_steer: Array


def shim_table(
    points: Hardpoints,
    conditions: Conditions,
    *,
    thickness_mm: float = 1.0,
    count: int = 4,
    adjustment: Adjustment = "rack height",
) -> ShimTable:
    """Bump steer with the dimension moved by -count to +count shims, toe reset each time.

    Raises:
        ValueError: a thickness that is not above 0, or no shims at all.
    """
    if not (thickness_mm > 0.0 and count >= 1):
        raise ValueError("thickness_mm must be above 0 and count at least 1")
    steps = tuple(range(-count, count + 1))
    offset = thickness_mm * np.array(steps, float)
    return ShimTable(steps, offset, _bump_after(points, offset[None], conditions, (adjustment,))[0])
