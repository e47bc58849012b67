"""The character of the drawn car and of a changed one, side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.kinematic import wheel_attitude
from optimiser.metrics.suspension import anti_dive, roll_centre_mm

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

_STEPS = 48


@dataclass(frozen=True, slots=True)
class Curves:
    """Curves over wheel travel (P,) with the rack at centre, degrees and mm.

    Attributes:
        travel_mm: from full droop to full bump, 0 in it.
        camber_deg: of the left wheel.
        caster_deg: of its steering axis.
        toe_change_deg: of toe-in from rest.
        roll_centre_mm: height above the ground at that travel of both wheels.
        anti_dive_deg: slope of the contact point's path, brake locked.
    """

    travel_mm: Array
    camber_deg: Array
    caster_deg: Array
    toe_change_deg: Array
    roll_centre_mm: Array
    anti_dive_deg: Array

    @property
    def rest(self) -> int:
        """Row of the pose at rest."""
        return int(np.flatnonzero(self.travel_mm == 0.0)[0])

    def numbers(self) -> dict[str, float]:
        """What a table has of them: camber at the ends of travel, the others at rest."""
        rest = self.rest
        return {
            "camber_in_droop_deg": float(self.camber_deg[0]),
            "camber_in_bump_deg": float(self.camber_deg[-1]),
            "caster_deg": float(self.caster_deg[rest]),
            "roll_centre_mm": float(self.roll_centre_mm[rest]),
            "anti_dive_deg": float(self.anti_dive_deg[rest]),
        }


NUMBERS = {
    "camber_in_droop_deg": ("camber in full droop", "deg", 2),
    "camber_in_bump_deg": ("camber in full bump", "deg", 2),
    "caster_deg": ("caster at rest", "deg", 2),
    "roll_centre_mm": ("roll centre above the ground at rest", "mm", 1),
    "anti_dive_deg": ("anti-dive at rest", "deg", 2),
}
"""Words, unit and digits of `Curves.numbers`."""


def curves_of(problem: Problem, points: Hardpoints) -> Curves:
    """Curves of one corner over the study's travel."""
    grid = problem.travel.grid()
    travel = np.unique(np.concatenate([np.linspace(grid[0], grid[-1], _STEPS + 1), [0.0]]))
    attitude = problem.car.attitude
    poses = solve_linkage(points, travel, 0.0, attitude)
    rest = int(np.flatnonzero(travel == 0.0)[0])
    toe_in, radius = -poses.steer, attitude.loaded_radius_mm
    return Curves(
        travel_mm=travel,
        camber_deg=np.degrees(poses.camber),
        caster_deg=np.degrees(wheel_attitude(poses, radius).caster),
        toe_change_deg=np.degrees(toe_in - toe_in[rest]),
        roll_centre_mm=roll_centre_mm(poses, radius),
        anti_dive_deg=np.degrees(anti_dive(poses, radius)),
    )
