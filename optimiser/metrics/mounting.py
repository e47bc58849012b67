"""How a bought rack goes into the car: direction and hand, its own tie rods, mass.

Direction. The bar carries the outer joint along, and that turns the wheel about the steering axis:

        <--O            K         from above, x up and y to the left; K steering axis, O outer
           |            |         joint. The bar moves left: with O ahead of K the wheel steers
           K         <--O         left, with O behind K it steers right.

Hand. A rack made for one side of the axle moves the way that side needs when its pinion is turned.
Two ways of mounting leave the bar across the car and the pinion's shaft facing the column: as it
was made, or turned end for end about the vertical and then rolled about its own bar until the
shaft faces the column again. The second puts the pinion on the other side of the car, and for the
same turn of the steering wheel the bar moves the other way. Pinion side times way of moving is the
same for both: that product is the hand of the rack, and only a mirror image has the other.

A pinion in the middle of the bar stays in the middle, so that one rack serves either driver. Where
feet, pinion and bolts then come to lie is `metrics.laid_rack`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.vectors import norm

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.racks import Rack, Side
    from optimiser.linkage.vectors import Array

UNKNOWN = "unknown: the catalogue does not say"
DIRECTION_CAUTION = (
    "Before driving, turn the steering wheel to the left on the stand and see that both wheels "
    "steer to the left; check that the rack's mounts, seals and shaft allow the way it is turned."
)


# --- direction and hand --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HandCheck:
    """What it takes for the wheels to follow the steering wheel; None where it is not known.

    Attributes:
        right_way_as_made: the rack as made steers the wheels the way the steering wheel turns.
        turn_end_for_end: it must be turned about the vertical and rolled about its bar.
        pinion_side: side of the car on which the pinion then lies; None in the middle too.
        on_drivers_side: that is where the driver sits.
        opposite_hand_needed: only a rack of the other hand has its pinion on the driver's side.
        sentence: the same in words, for the comparison of racks.
    """

    right_way_as_made: bool | None
    turn_end_for_end: bool | None
    pinion_side: Side | None
    on_drivers_side: bool | None
    opposite_hand_needed: bool | None
    sentence: str

    @property
    def needs_saying(self) -> bool:
        """Whether it does not simply lie as made, with its pinion where the driver can be."""
        return bool(
            self.opposite_hand_needed or self.turn_end_for_end or self.right_way_as_made is None
        )


_FACING = (
    "then roll it about its bar until the pinion faces the column, which puts below the bar what "
    "was above it"
)


def check_hand(rack: Rack, arm_ahead: bool, drive_side: Side | None, rolled: str = "") -> HandCheck:
    """Direction and hand of `rack` in the car; the head of this module gives the reasons.

    Column and pinion are taken to be joined without a gear that reverses the turn, and a rack's
    own car to have had its steering arms on the side of the axle that `made_for` names.

    Args:
        rack: the catalogue's row; `made_for`, `pinion_side` and `pinion_offset_mm` count.
        arm_ahead: True when the design's outer joint is ahead of the steering axis, as
            `ArmPlacement.ahead` has it. That decides, and not where the bar lies; it is also
            where `Poses.steer_per_rack` is positive.
        drive_side: side of the car on which the driver sits; None when it is not given.
        rolled: what is done after it was turned end for end, in words; empty where it is not
            known.
    """
    if rack.made_for is None:
        reason = f"{UNKNOWN} on which side of the axle its steering arms were"
        return HandCheck(None, None, None, None, None, reason)
    as_made = (rack.made_for == "ahead") == arm_ahead
    mounting = (
        "steers the right way as made"
        if as_made
        else f"steers the wrong way as made: turn it end for end, {rolled or _FACING}"
    )
    if rack.pinion_offset_mm == 0.0:
        sentence = f"{mounting}; its pinion is in the middle of the bar, on neither side"
        return HandCheck(as_made, not as_made, None, None, False, sentence)
    if rack.pinion_side is None:
        sentence = f"{mounting}; side of the pinion {UNKNOWN}"
        return HandCheck(as_made, not as_made, None, None, None, sentence)
    side = rack.pinion_side if as_made else _other_side(rack.pinion_side)
    sentence = f"{mounting}; its pinion is then on the {side}"
    if drive_side is None:
        sentence += ", and the side of the driver is not given"
        return HandCheck(as_made, not as_made, side, None, None, sentence)
    fits = side == drive_side
    sentence += ", the driver's side" if fits else f", {_wanted(arm_ahead, drive_side)}"
    return HandCheck(as_made, not as_made, side, fits, not fits, sentence)


def _other_side(side: Side) -> Side:
    return "right" if side == "left" else "left"


def _wanted(arm_ahead: bool, drive_side: Side) -> str:
    """The two racks of the other hand: one used as made, one turned end for end."""
    here, there = ("ahead", "behind") if arm_ahead else ("behind", "ahead")
    return (
        f"but the driver sits on the {drive_side}: the opposite hand is needed, a rack made for "
        f"{here} with its pinion on the {drive_side}, or one made for {there} with its pinion on "
        f"the {_other_side(drive_side)} and turned end for end"
    )


# --- the tie rods that come with the rack --------------------------------------------------------


def kept_rod_length(
    points: Hardpoints, rod_length_mm: ArrayLike | None, adjustment_mm: ArrayLike | None = 0.0
) -> Array:
    """Length in mm to which kept tie rods are set: the one wanted, or the nearest they reach.

    Args:
        points: the design, its inner joint at the end of rack and spacer.
        rod_length_mm: inner to outer joint as sold; None or NaN when unknown, which gives NaN.
        adjustment_mm: how far that can be screwed either way; None or NaN count as zero.
    """
    wanted = norm(points.outer_joint - points.inner_joint)
    length, range_mm = np.asarray(rod_length_mm, float), np.asarray(adjustment_mm, float)
    range_mm = np.nan_to_num(range_mm, nan=0.0)
    return np.asarray(np.clip(wanted, length - range_mm, length + range_mm))


def track_growth(
    points: Hardpoints, rod_length_mm: ArrayLike | None, adjustment_mm: ArrayLike | None = 0.0
) -> Array:
    """Growth of the track in mm when the tie rods that came with the rack are kept.

        I----------O dy        the outboard end, and arms and wheel with it, moves straight out
        I--------------O'      until the rod fits: dy = y_I + sqrt(l^2 - dx^2 - dz^2) - y_O

    with l of `kept_rod_length` and dx, dz between the joints. The growth is twice dy, and half of
    it is what `Hardpoints.arms_moved` takes: zero exactly where the wanted length can be set,
    negative, the track narrower, where the rods are too short. NaN where the length is not known,
    or too short to reach across dx and dz at all. Elementary geometry.
    """
    length = kept_rod_length(points, rod_length_mm, adjustment_mm)
    apart = points.outer_joint - points.inner_joint
    with np.errstate(invalid="ignore"):
        across = np.sqrt(length**2 - apart[..., 0] ** 2 - apart[..., 2] ** 2)
    return np.where(length == norm(apart), 0.0, 2.0 * (across - apart[..., 1]))


def thread_left(length_mm: ArrayLike, rod_length_mm: ArrayLike, adjustment_mm: ArrayLike) -> Array:
    """How much further in mm a kept rod can be screwed the way it has been screwed; 0 at the end.

    Args:
        length_mm: between the joints, as set; see `kept_rod_length`.
        rod_length_mm: as sold.
        adjustment_mm: how far that can be screwed either way.
    """
    screwed = np.abs(np.asarray(length_mm, float) - np.asarray(rod_length_mm, float))
    return np.asarray(np.maximum(np.asarray(adjustment_mm, float) - screwed, 0.0))


# --- mass ----------------------------------------------------------------------------------------


def steering_mass(
    rack: Rack,
    spacer_mm: ArrayLike,
    spacer_kg_per_mm: ArrayLike,
    rod_mm: ArrayLike = 0.0,
    rod_kg_per_mm: ArrayLike = 0.0,
) -> Array:
    """Mass in kg of rack, two spacers and two tie rods.

    A rod is the catalogue's where that gives its mass, and else a bar from joint to joint: rod
    ends are not counted, and without a section neither is the rod.

    Args:
        rack: its `mass_kg`, and `tie_rod_mass_kg` of each rod; NaN for a rack of unknown mass.
        spacer_mm: length of each spacer, any batch shape.
        spacer_kg_per_mm: of the tube or bar that spacers are cut from.
        rod_mm: length of each tie rod.
        rod_kg_per_mm: of the tube or bar that tie rods are cut from.
    """
    bought = np.nan if rack.mass_kg is None else rack.mass_kg
    rod: ArrayLike = np.asarray(rod_mm, float) * np.asarray(rod_kg_per_mm, float)
    if rack.tie_rod_mass_kg is not None:
        rod = rack.tie_rod_mass_kg
    spacer = np.asarray(spacer_mm, float) * np.asarray(spacer_kg_per_mm, float)
    return np.asarray(bought + 2.0 * spacer + 2.0 * np.asarray(rod, float))
