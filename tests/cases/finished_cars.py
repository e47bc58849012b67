"""Cars built inexactly, and readings of their toe, by the referee that shares no code.

Every coordinate of both corners is off by a rectangular error; the curves of the built car come
from `references.constraints`, the system of distance equations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from references import constraints
from scipy.interpolate import CubicSpline

POINTS_OF_HARDPOINTS = (
    "lower_front_pivot",
    "lower_rear_pivot",
    "lower_ball_joint",
    "upper_front_pivot",
    "upper_rear_pivot",
    "upper_ball_joint",
    "wheel_centre",
)
HARDPOINTS_MM, BRACKET_MM, ARM_MM, SPACER_MM = 1.0, 2.0, 0.5, 0.2
TOE_DEG = 0.05
NOISE_DEG, TRAVEL_NOISE_MM = 0.02, 0.3


@dataclass(frozen=True)
class Design:
    """A left corner (name to point), how its wheel stands, and what is looked at."""

    name: str
    points: dict[str, np.ndarray]
    toe_deg: float
    camber_deg: float
    travel_mm: np.ndarray  # the study's grid
    brackets_mm: float

    @property
    def spin(self) -> np.ndarray:
        """Unit spin axis at rest, out to the left."""
        toe, camber = np.radians([self.toe_deg, self.camber_deg])
        return np.array(
            [np.sin(toe) * np.cos(camber), np.cos(toe) * np.cos(camber), -np.sin(camber)]
        )

    @property
    def joints_mm(self) -> float:
        """Distance of the inner joints."""
        return 2.0 * float(self.points["inner_joint"][1])


@dataclass(frozen=True)
class Built:
    """A car: both corners as built, the right one in the mirror, and toe as set, degrees."""

    design: Design
    corners: tuple[dict[str, np.ndarray], dict[str, np.ndarray]]
    toe_off_deg: tuple[float, float]

    def moved(self, shims_mm) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """Its corners with shims under rack left and right, outer joint left and right."""
        left, right, *outer = shims_mm
        across = (left - right) / self.design.brackets_mm
        middle, half = 0.5 * (left + right), 0.5 * self.design.joints_mm
        out = []
        for side, corner in enumerate(self.corners):
            axis = corner["upper_ball_joint"] - corner["lower_ball_joint"]
            rise = middle + (1.0, -1.0)[side] * across * half
            out.append(
                corner
                | {
                    "inner_joint": corner["inner_joint"] + [0.0, 0.0, rise],
                    "outer_joint": corner["outer_joint"]
                    + outer[side] * axis / np.linalg.norm(axis),
                }
            )
        return out[0], out[1]

    def change_deg(self, shims_mm=(0.0, 0.0, 0.0, 0.0)) -> np.ndarray:
        """Change of toe-in over the study's travel, (2, P)."""
        grid, spin = self.design.travel_mm, self.design.spin
        found = []
        for corner in self.moved(shims_mm):
            toe = constraints.solve_corner(corner, spin, grid, np.array([0.0]))["toe_in_deg"][:, 0]
            found.append(toe - toe[np.flatnonzero(grid == 0.0)[0]])
        return np.stack(found)

    def greatest_deg(self, shims_mm=(0.0, 0.0, 0.0, 0.0)) -> np.ndarray:
        """Greatest change of toe of either wheel, (2,)."""
        return np.abs(self.change_deg(shims_mm)).max(axis=1)

    def turned_deg(self, side: int, rack_mm: float) -> float:
        """Change of a wheel's toe-in when the rack goes so far to the left, at rest."""
        own = np.array([0.0, rack_mm if side == 0 else -rack_mm])
        corner, spin = self.corners[side], self.design.spin
        toe = constraints.solve_corner(corner, spin, np.array([0.0]), np.sort(own))["toe_in_deg"][0]
        return float(toe[np.argmax(np.abs(np.sort(own)))] - toe[np.argmin(np.abs(np.sort(own)))])


def build(design: Design, rng: np.random.Generator) -> Built:
    """A car drawn from the tolerances above."""

    def off(size: float) -> np.ndarray:
        return rng.uniform(-size, size, 3)

    corners = []
    sideways = rng.uniform(-BRACKET_MM, BRACKET_MM)
    for side in (0, 1):
        corner = {name: np.asarray(at, float) for name, at in design.points.items()}
        for name in POINTS_OF_HARDPOINTS:
            corner[name] = corner[name] + off(HARDPOINTS_MM)
        corner["outer_joint"] = corner["outer_joint"] + off(ARM_MM)
        bracket = off(BRACKET_MM)
        bracket[1] = (1.0, -1.0)[side] * sideways + rng.uniform(-SPACER_MM, SPACER_MM)
        corner["inner_joint"] = corner["inner_joint"] + bracket
        corners.append(corner)
    toe = rng.uniform(-TOE_DEG, TOE_DEG, 2)
    return Built(design, (corners[0], corners[1]), (float(toe[0]), float(toe[1])))


def read(
    car: Built,
    rng: np.random.Generator,
    count: int,
    *,
    change_deg: np.ndarray | None = None,
    rack_mm: float | None = 5.0,
    sign: float = 1.0,
    outlier_deg: float = 0.0,
    round_: int = 1,
    places_mm: tuple[float, ...] | None = None,
) -> list[dict[str, object]]:
    """Rows of readings: `count` travels a side, and one with the rack off centre.

    `places_mm` are the travels; without them they are even over the study's.
    `outlier_deg` is added to one reading of each side, at random. `sign` -1 reads toe-out as in.
    """
    design, rows = car.design, []
    change = car.change_deg() if change_deg is None else change_deg
    places = np.linspace(design.travel_mm[0], design.travel_mm[-1], count)
    if places_mm is not None:
        places, count = np.array(places_mm), len(places_mm)
    for side, name in enumerate(("left", "right")):
        at = places + rng.normal(0.0, TRAVEL_NOISE_MM, count)
        zero = design.toe_deg + car.toe_off_deg[side]
        toe = zero + CubicSpline(design.travel_mm, change[side])(at)
        toe = toe + rng.normal(0.0, NOISE_DEG, count)
        if outlier_deg:
            toe[rng.integers(count)] += outlier_deg * rng.choice([-1.0, 1.0])
        rows += [
            {
                "side": name,
                "travel_mm": float(t),
                "toe_in_deg": float(sign * v),
                "rack_mm": 0.0,
                "round": round_,
            }
            for t, v in zip(places, toe, strict=True)
        ]
        if rack_mm is not None:
            turned = zero + car.turned_deg(side, rack_mm) + rng.normal(0.0, NOISE_DEG)
            rows.append(
                {
                    "side": name,
                    "travel_mm": 0.0,
                    "toe_in_deg": float(sign * turned),
                    "rack_mm": rack_mm,
                    "round": round_,
                }
            )
    return rows


def with_brackets(design: Design, share: float) -> Design:
    """The design with its brackets at this share of the joints' distance."""
    return replace(design, brackets_mm=share * design.joints_mm)
