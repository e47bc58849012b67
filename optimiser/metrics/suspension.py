"""What the suspension does to the wheel, apart from steering it: the character of a corner.

Camber, caster, kingpin inclination and the path of the contact point over wheel travel with the
rack at centre; anti-dive, roll centre, scrub radius and trail at rest. Angles are radians.

        U                side view; the contact point P moves along the arrow as the wheel rises,
       /                 turned with the upright (the brake holds the wheel to it):
      L                  anti-dive = atan(dx/dz), positive where P goes forward in bump
     P ^
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.poses import arm_rates, steer_rate
from optimiser.linkage.vectors import cross_first
from optimiser.metrics.kinematic import wheel_attitude

if TYPE_CHECKING:
    from optimiser.linkage.at_rack import Poses
    from optimiser.linkage.vectors import Array

CURVES = ("camber", "caster", "kingpin_inclination", "track_change_mm")
"""Parts of a character that are curves over wheel travel; the others are numbers at rest."""


@dataclass(frozen=True, slots=True)
class Character:
    """Character of corners of batch shape (...) over P wheel travels, the rack at centre.

    Attributes:
        camber: (..., P).
        caster: (..., P).
        kingpin_inclination: (..., P).
        track_change_mm: contact point outboard of where it is at rest, one side, (..., P).
        anti_dive: at rest, (...); see `anti_dive`.
        roll_centre_mm: height above the ground at rest, (...); see `roll_centre_mm`.
        scrub_radius_mm: at rest, (...).
        trail_mm: at rest, (...).
    """

    camber: Array
    caster: Array
    kingpin_inclination: Array
    track_change_mm: Array
    anti_dive: Array
    roll_centre_mm: Array
    scrub_radius_mm: Array
    trail_mm: Array

    def less(self, drawn: Character) -> dict[str, Array]:
        """Departure from another character by the name of each part, (..., P) or (..., 1)."""
        found = {}
        for field in fields(self):
            name = field.name
            change = getattr(self, name) - getattr(drawn, name)
            found[name] = change if name in CURVES else change[..., None]
        return found


def character(poses: Poses, rest: int, loaded_radius_mm: float) -> Character:
    """Character of poses (..., P) over wheel travel, of which `rest` is the one at rest."""
    wheel = wheel_attitude(poses, loaded_radius_mm)
    lateral = wheel.contact[..., 1]
    at_rest = poses.select(slice(rest, rest + 1))
    return Character(
        camber=poses.camber,
        caster=wheel.caster,
        kingpin_inclination=wheel.kingpin_inclination,
        track_change_mm=lateral - lateral[..., rest : rest + 1],
        anti_dive=anti_dive(at_rest, loaded_radius_mm)[..., 0],
        roll_centre_mm=roll_centre_mm(at_rest, loaded_radius_mm)[..., 0],
        scrub_radius_mm=wheel.scrub_radius_mm[..., rest],
        trail_mm=wheel.trail_mm[..., rest],
    )


def anti_dive(poses: Poses, loaded_radius_mm: float) -> Array:
    """Slope of the contact point's path in side view, radians, of the poses' shape.

    The brake is locked, so that the point of the tyre at the ground moves as a part of the upright,
    and the steer angle is held, so that the tie rod's own bump steer does not count. Common
    definition: Milliken, Race Car Vehicle Dynamics, on suspension geometry (from memory).
    """
    lower, spin = poses.lower_ball_xyz, poses.spin_xyz
    link = poses.upper_ball_xyz - lower
    with np.errstate(invalid="ignore", divide="ignore"):
        v_lower, swing = arm_rates(poses.hinges_xyz, lower, poses.upper_ball_xyz)
        turn = swing - link * (steer_rate(spin, swing) / steer_rate(spin, link))
        contact = np.moveaxis(wheel_attitude(poses, loaded_radius_mm).contact, -1, 0)
        moved = v_lower + cross_first(turn, contact - lower)
        # Of the two ways along the path the one upward.
        return np.asarray(np.arctan(moved[0] / moved[2]))


def roll_centre_mm(poses: Poses, loaded_radius_mm: float) -> Array:
    """Height of the roll centre above the ground, of the poses' shape.

    d(contact y) / d(wheel travel) times contact y: the line from the contact point square to its
    path meets the middle of the car there. The rack is held. The contact point is the lowest of the
    leaning wheel; it is not a fixed point of it.

        P = C + R (s_z s - e_z) / sqrt(1 - s_z^2),  C the wheel centre, s the spin axis
    """
    lower, spin = poses.lower_ball_xyz, poses.spin_xyz
    v_lower, turn, *_ = poses.held_rack()
    with np.errstate(invalid="ignore", divide="ignore"):
        v_centre = v_lower + cross_first(turn, poses.wheel_centre_xyz - lower)
        spun = cross_first(turn, spin)
        z, flat = spin[2], 1.0 - spin[2] ** 2
        down = (spun[2] * spin[1] + z * spun[1]) / np.sqrt(flat)
        down += z * spin[1] * z * spun[2] / flat**1.5
        slope = (v_centre[1] + loaded_radius_mm * down) / v_centre[2]
        contact = wheel_attitude(poses, loaded_radius_mm).contact
    return np.asarray(slope * contact[..., 1])
