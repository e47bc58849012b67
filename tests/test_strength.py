"""Buckling of tie rod and spacer against a handbook, an energy method and the exact beam."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.linalg import eigh

from optimiser.base.errors import InputError
from optimiser.linkage.racks import Rack
from optimiser.metrics.strength import (
    Rod,
    buckling_load,
    euler_load,
    johnson_load,
    rack_overhang,
    reserve_factor,
    spacer_capacity,
    sway_length,
)

# Steel rod of the outside check: 14 mm solid, E 205 GPa, yield 350 MPa.
ROD = Rod(14.0, 350.0, youngs_modulus_mpa=205e3)


def stiffness(rod):
    return float(rod.youngs_modulus_mpa * rod.second_moment)


# --- the rod between its joints ------------------------------------------------------------------


def test_column_of_the_handbook():
    # Shigley's Mechanical Engineering Design, Euler and J. B. Johnson columns (value from
    # memory); numbers recomputed from the formulas.
    assert 300.0 / ROD.radius_of_gyration == pytest.approx(85.7, abs=0.05)
    assert ROD.transition_slenderness == pytest.approx(107.5, abs=0.05)
    assert euler_load(ROD, 300.0) == pytest.approx(42390.0, abs=5.0)
    assert johnson_load(ROD, 300.0) == pytest.approx(36760.0, abs=5.0)
    assert buckling_load(ROD, 300.0) == johnson_load(ROD, 300.0)
    assert buckling_load(ROD, 450.0) == pytest.approx(18840.0, abs=5.0)
    assert buckling_load(ROD, 450.0) == euler_load(ROD, 450.0)


def test_parabola_meets_euler_at_half_of_yield_with_one_tangent():
    length = float(ROD.transition_slenderness * ROD.radius_of_gyration)
    below, above = buckling_load(ROD, [length - 0.01, length + 0.01])
    assert below == pytest.approx(0.5 * 350.0 * ROD.area, rel=1e-4)
    assert below - above == pytest.approx(2.0 * below / length * 0.02, rel=1e-3)
    steps = np.array([length - 0.02, length - 0.01, length + 0.01, length + 0.02])
    loads = buckling_load(ROD, steps)
    assert loads[0] - loads[1] == pytest.approx(loads[2] - loads[3], rel=1e-3)


def test_euler_load_by_energy():
    # Rayleigh-Ritz with four sines is exact for a pin-ended column: bending energy over work.
    length = 400.0
    bend, work = np.zeros((4, 4)), np.zeros((4, 4))
    for i in range(1, 5):
        a = i * np.pi / length
        bend[i - 1, i - 1] = stiffness(ROD) * a**4 * length / 2.0
        work[i - 1, i - 1] = a**2 * length / 2.0
    least = eigh(bend, work, eigvals_only=True)[0]
    assert euler_load(ROD, length) == pytest.approx(least, rel=1e-12)


def test_tube_section_by_integration():
    tube = Rod(18.0, 350.0, wall_mm=2.0)
    assert tube.area == pytest.approx(quad(lambda r: 2.0 * np.pi * r, 7.0, 9.0)[0], rel=1e-12)
    expected = quad(lambda r: np.pi * r**3, 7.0, 9.0)[0]
    assert tube.second_moment == pytest.approx(expected, rel=1e-12)
    assert Rod(18.0, 350.0, wall_mm=9.0).area == pytest.approx(Rod(18.0, 350.0).area)
    # Steel of 7850 kg/m^3: a metre of 20 mm round bar is 2.466 kg (recomputed).
    assert Rod(20.0, 350.0).mass_per_mm() * 1000.0 == pytest.approx(2.466, abs=5e-4)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"diameter_mm": 0.0}, "rod, diameter_mm: 0.0 is not greater than zero"),
        ({"yield_strength_mpa": -1.0}, "rod, yield_strength_mpa: -1.0 is not greater than zero"),
        ({"youngs_modulus_mpa": np.nan}, "rod, youngs_modulus_mpa: nan is not greater than zero"),
        ({"wall_mm": 0.0}, "rod, wall_mm: 0.0 is not greater than zero; give a positive number"),
        ({"wall_mm": 8.0}, "rod, wall_mm: 8.0 is more than half of diameter_mm = 14.0; leave"),
    ],
)
def test_what_is_no_rod_is_refused(given, message):
    with pytest.raises(InputError) as caught:
        Rod(**{"diameter_mm": 14.0, "yield_strength_mpa": 350.0, **given})
    assert str(caught.value).startswith(message)


# --- the spacer, swaying with the rod ------------------------------------------------------------


def ritz(rod, spacer, length, count=9):
    """Energy of cantilever and leaning rod over w = x^2 ... : bending, work of N, end shape.

    The end of the rod comes nearer by half the integral of w'^2 and by w_end^2 / 2 l.
    Coordinates are scaled to the spacer's length; the shapes are exact polynomials.
    """
    powers = np.arange(2, 2 + count)
    i, j = np.meshgrid(powers, powers, indexing="ij")
    bend = stiffness(rod) / spacer**3 * (i * (i - 1) * j * (j - 1)) / (i + j - 3)
    work = i * j / (i + j - 1) / spacer + 1.0 / length
    return bend, work


@pytest.mark.parametrize("spacer", [5.0, 20.0, 60.0, 150.0, 300.0, 900.0])
def test_sway_load_by_energy(spacer):
    length = 300.0
    least = eigh(*ritz(ROD, spacer, length), eigvals_only=True)[0]
    assert euler_load(ROD, sway_length(spacer, length)) == pytest.approx(least, rel=1e-8)


def test_sway_length_in_its_limits():
    # A rod without end only hinders nothing: the plain cantilever, effective length 2 s.
    assert sway_length(40.0, 1e9) == pytest.approx(80.0, rel=1e-6)
    # A short rod on a long spacer: the lean N w / l meets the end stiffness 3 E I / s^3.
    long, short = 1000.0, 2.0
    expected = 3.0 * stiffness(ROD) * short / long**3
    assert euler_load(ROD, sway_length(long, short)) == pytest.approx(expected, rel=5e-3)
    assert sway_length(0.0, 300.0) == 0.0
    assert sway_length([[0.0], [30.0]], [200.0, 300.0, 400.0]).shape == (2, 3)


def test_one_column_of_summed_length_would_be_unsafe_for_a_long_spacer():
    # Why spacer and rod are not treated so: with s = l the sum promises 1.8 times too much.
    ratio = euler_load(ROD, 600.0) / euler_load(ROD, sway_length(300.0, 300.0))
    assert ratio == pytest.approx(1.816, abs=1e-3)


def exact_root_stress(rod, spacer, length, angle, force):
    """Stress at the root of the leaning cantilever by the exact beam-column, from energy."""
    bend, work = ritz(rod, spacer, length)
    shape = np.linalg.solve(bend - force * work, np.full(len(bend), force * np.sin(angle)))
    moment = stiffness(rod) / spacer**2 * 2.0 * shape[0]
    return force * np.cos(angle) / rod.area + moment * 0.5 * rod.diameter_mm / rod.second_moment


@pytest.mark.parametrize("spacer", [10.0, 40.0, 120.0, 300.0])
@pytest.mark.parametrize("angle_deg", [1.0, 5.0, 15.0, 30.0])
def test_spacer_capacity_is_safe_and_not_wasteful(spacer, angle_deg):
    angle, length = np.radians(angle_deg), 300.0
    force = float(spacer_capacity(ROD, spacer, length, angle))
    assert force <= buckling_load(ROD, sway_length(spacer, length))
    stress = exact_root_stress(ROD, spacer, length, angle, force)
    assert stress <= 350.0
    if force < 0.999 * buckling_load(ROD, sway_length(spacer, length)):
        assert stress >= 0.9 * 350.0


def test_spacer_capacity_in_its_limits():
    # A stub in line with the rod carries yield times area; at an angle, the stress of a beam.
    assert spacer_capacity(ROD, 1e-3, 300.0, 0.0) == pytest.approx(350.0 * ROD.area, rel=1e-6)
    angle, spacer = np.radians(20.0), 30.0
    unit_stress = np.cos(angle) / ROD.area + np.sin(angle) * spacer * 7.0 / ROD.second_moment
    soft = float(spacer_capacity(ROD, spacer, 300.0, angle))
    assert 0.98 * 350.0 / unit_stress < soft < 350.0 / unit_stress
    # Without a spacer the bar alone carries, and a shim of a hair changes nothing.
    bare = spacer_capacity(ROD, 0.0, 300.0, angle, overhang_mm=60.0)
    assert bare == spacer_capacity(ROD, 60.0, 300.0, angle)
    assert spacer_capacity(ROD, 0.01, 300.0, angle, overhang_mm=60.0) == pytest.approx(bare, 1e-3)
    # The bar that stands out lengthens the cantilever; the rod's angle has no side.
    longer = spacer_capacity(ROD, spacer, 300.0, angle, overhang_mm=60.0)
    assert longer == spacer_capacity(ROD, 90.0, 300.0, angle)
    assert longer < soft
    assert spacer_capacity(ROD, spacer, 300.0, -angle) == soft
    batch = spacer_capacity(ROD, [[0.0], [20.0]], [[300.0], [320.0]], np.linspace(0.0, 0.4, 5))
    assert batch.shape == (2, 5)
    assert np.all(np.diff(batch[1]) <= 0.0)


def test_rack_overhang():
    rack = Rack("invented", inner_joint_spacing_mm=600.0, travel_mm=120.0, housing_length_mm=440.0)
    assert rack_overhang(rack, [-60.0, 0.0, 60.0]) == pytest.approx([20.0, 80.0, 140.0])
    # Housing unknown, or longer than the travel allows: half the travel at centre.
    for housing in (None, 560.0):
        unknown = Rack("invented", 600.0, 120.0, housing_length_mm=housing)
        assert rack_overhang(unknown, [-60.0, 0.0, 60.0]) == pytest.approx([0.0, 60.0, 120.0])


def test_reserve_factor_takes_the_least_and_no_sign():
    assert reserve_factor(-2000.0, 9000.0, 5000.0) == pytest.approx(2.5)
    assert reserve_factor([2000.0, 0.0, np.nan], 9000.0) == pytest.approx(
        [4.5, np.inf, np.nan], nan_ok=True
    )
