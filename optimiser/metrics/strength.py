r"""How much the tie rod and the spacer carry: estimates to compare designs, not an approval of any.

A tie rod is pinned at both joints and buckles between them. A spacer is screwed to the end of
the rack, and the inner joint at its other end is a hinge, so spacer and rod are not one column:

    bar =====s=====I____________l____________O        the rod buckles between I and O
    bar =====s=====I\_                                the spacer sways and the rod leans with it
                      \___________l____________O

The two shapes do not mix in the linear theory of buckling, so each has its own load and the less
counts. Parts are taken as straight, round and centred between their joints: a bent rod, a rod
end's shank, threads (unless the diameter given is that of their core), fatigue and impacts with
kerbs are not covered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

STEEL_MODULUS_MPA = 205e3
STEEL_DENSITY_KG_PER_MM3 = 7.85e-6
_SWAY_STEPS = 30


@dataclass(frozen=True, slots=True)
class Rod:
    """A straight round rod or tube; lengths and strengths may be arrays of one batch.

    Attributes:
        diameter_mm: outside diameter, at the thinnest place (the core of a thread).
        yield_strength_mpa: of the material, N/mm^2.
        wall_mm: wall of a tube; None when solid.
        youngs_modulus_mpa: of the material, N/mm^2.

    Raises:
        InputError: a diameter, wall, strength or modulus that is not positive, or a wall of
            more than half the diameter.
    """

    diameter_mm: float | Array
    yield_strength_mpa: float | Array
    wall_mm: float | Array | None = None
    youngs_modulus_mpa: float | Array = STEEL_MODULUS_MPA

    def __post_init__(self) -> None:
        """Refuse what is no rod."""
        for name in ("diameter_mm", "yield_strength_mpa", "wall_mm", "youngs_modulus_mpa"):
            value = getattr(self, name)
            if value is not None and not np.all(np.asarray(value) > 0.0):
                raise InputError(
                    f"rod, {name}", f"{value} is not greater than zero", "give a positive number"
                )
        if self.wall_mm is not None and np.any(2.0 * self.wall_mm > np.asarray(self.diameter_mm)):
            raise InputError(
                "rod, wall_mm",
                f"{self.wall_mm} is more than half of diameter_mm = {self.diameter_mm}",
                "leave the wall out for a solid rod",
            )

    @property
    def _bore_mm(self) -> Array:
        outside = np.asarray(self.diameter_mm, float)
        wall = 0.5 * outside if self.wall_mm is None else np.asarray(self.wall_mm, float)
        return np.asarray(outside - 2.0 * wall)

    @property
    def area(self) -> Array:
        """Cross-section, mm^2."""
        return np.asarray(np.pi / 4.0 * (np.asarray(self.diameter_mm) ** 2 - self._bore_mm**2))

    @property
    def second_moment(self) -> Array:
        """Second moment of area about a diameter, mm^4."""
        return np.asarray(np.pi / 64.0 * (np.asarray(self.diameter_mm) ** 4 - self._bore_mm**4))

    @property
    def radius_of_gyration(self) -> Array:
        """Square root of second moment over area, mm."""
        return np.sqrt(self.second_moment / self.area)

    @property
    def transition_slenderness(self) -> Array:
        """Length over radius of gyration where Euler's curve meets Johnson's parabola."""
        ratio = np.asarray(self.youngs_modulus_mpa) / np.asarray(self.yield_strength_mpa)
        return np.asarray(np.pi * np.sqrt(2.0 * ratio))

    def mass_per_mm(self, density_kg_per_mm3: float = STEEL_DENSITY_KG_PER_MM3) -> Array:
        """Mass in kg of a millimetre of the rod; steel unless told otherwise."""
        return np.asarray(self.area * density_kg_per_mm3)


def euler_load(rod: Rod, length_mm: ArrayLike) -> Array:
    """Buckling load in N of a slender pin-ended column: pi^2 E I / L^2."""
    stiffness = np.asarray(rod.youngs_modulus_mpa) * rod.second_moment
    return np.asarray(np.pi**2 * stiffness / np.asarray(length_mm, float) ** 2)


def johnson_load(rod: Rod, length_mm: ArrayLike) -> Array:
    """Buckling load in N of a stocky pin-ended column: A (S - (S L / (2 pi k))^2 / E).

    J. B. Johnson's parabola as in Shigley's Mechanical Engineering Design (from memory), S the
    yield strength and k the radius of gyration.
    """
    strength = np.asarray(rod.yield_strength_mpa)
    slenderness = np.asarray(length_mm, float) / rod.radius_of_gyration
    loss = (strength * slenderness / (2.0 * np.pi)) ** 2 / rod.youngs_modulus_mpa
    return np.asarray(rod.area * (strength - loss))


def buckling_load(rod: Rod, length_mm: ArrayLike) -> Array:
    """Buckling load in N of a pin-ended rod of joint-to-joint length `length_mm`, not zero.

    Euler's above the transition slenderness, Johnson's below it.
    """
    slenderness = np.asarray(length_mm, float) / rod.radius_of_gyration
    return np.where(
        slenderness > rod.transition_slenderness,
        euler_load(rod, length_mm),
        johnson_load(rod, length_mm),
    )


def rack_overhang(rack: Rack, rack_mm: ArrayLike) -> Array:
    """Length in mm of bar between housing and left end of the bare rack at displacement `rack_mm`.

    For the right end give -rack_mm. The end must be able to run in by half the travel, so at
    centre at least that much stands out; it is taken where the housing's length is unknown.
    """
    at_centre = rack.travel_each_way_mm
    if rack.housing_length_mm is not None:
        at_centre = max(at_centre, 0.5 * (rack.inner_joint_spacing_mm - rack.housing_length_mm))
    return np.maximum(0.0, at_centre + np.asarray(rack_mm, float))


def sway_length(spacer_mm: ArrayLike, rod_length_mm: ArrayLike) -> Array:
    """Length in mm of the pin-ended column that buckles when spacer and tie rod sway.

    When the end of the spacer, a cantilever of length s, moves aside by w_I, the rod of length l
    that pushes on it leans over and pushes it further, by N w_I / l. At x from the root

        E I w'' = N (w_I - w) + N (w_I / l) (s - x),

    and with w = w' = 0 at the root this has a solution where tan b = b (1 + l/s), b^2 = N s^2 / EI,
    and the column of the same load has length pi s / b. A long rod gives the 2 s of a plain
    cantilever. Derived here; the tests repeat it by energy. Zero for no spacer.
    """
    spacer, rod = np.broadcast_arrays(
        np.asarray(spacer_mm, float), np.asarray(rod_length_mm, float)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        lever = np.where(spacer > 0.0, 1.0 + rod / spacer, 2.0)
    root = np.full(lever.shape, 0.5 * np.pi)
    for _ in range(_SWAY_STEPS):  # Newton's method on a convex function, from above
        root = root - (root - np.arctan(lever * root)) / (1.0 - lever / (1.0 + (lever * root) ** 2))
    return np.asarray(np.pi * spacer / root)


def spacer_capacity(
    spacer: Rod,
    spacer_mm: ArrayLike,
    rod_length_mm: ArrayLike,
    rod_angle: ArrayLike,
    overhang_mm: ArrayLike = 0.0,
) -> Array:
    """Axial tie-rod force in N at which spacer and bar yield or sway, with or without a spacer.

    One pin-ended column of the summed length would overrate long spacers, and forget the bending.
    The spacer, with the bar that stands out of the housing added to its length, is a cantilever
    of the spacer's section (give the weaker of spacer and bar); with no spacer it is the bar
    alone, of the same section, so that racks with and without are comparable. The rod, at
    `rod_angle` radians from the bar, bends it by N sin(angle) s at the root, more by
    1 / (1 - N / N_e) as it sways, N_e being Euler's load of `sway_length`. Yield in the outer
    fibre is where

        N cos(angle) / A  +  N sin(angle) s (d/2) / I / (1 - N / N_e) = S,

    a quadratic in N. The least of its root and the buckling load of `sway_length` is returned.
    Play and give of the bar in its housing are not known and not counted.
    """
    length = np.asarray(spacer_mm, float) + np.asarray(overhang_mm, float)
    angle = np.asarray(rod_angle, float)
    strength = np.asarray(spacer.yield_strength_mpa)
    column = sway_length(length, rod_length_mm)
    with np.errstate(divide="ignore", invalid="ignore"):
        sway = 1.0 / euler_load(spacer, column)
        buckling = buckling_load(spacer, column)
    push = np.abs(np.cos(angle)) / spacer.area
    lever = 0.5 * np.asarray(spacer.diameter_mm) / spacer.second_moment * length
    linear = push + np.abs(np.sin(angle)) * lever + sway * strength
    root = np.sqrt(np.maximum(0.0, linear**2 - 4.0 * push * sway * strength))
    return np.asarray(np.minimum(2.0 * strength / (linear + root), buckling))


def reserve_factor(rod_force_n: ArrayLike, *capacities_n: ArrayLike) -> Array:
    """Least capacity over the size of the axial force; infinite where there is no force.

    Give `buckling_load` of the rod at the tie-rod length and, where the section of bar and spacer
    is known, `spacer_capacity`. The sign does not count: the rod that pulls in one turn pushes in
    the other.
    """
    least = np.asarray(capacities_n[0], float)
    for capacity in capacities_n[1:]:
        least = np.minimum(least, capacity)
    with np.errstate(divide="ignore"):
        return np.asarray(least / np.abs(np.asarray(rod_force_n, float)))
