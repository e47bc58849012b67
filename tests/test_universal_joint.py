"""Universal joints against pins turned one by one, and against a page that was read."""

import numpy as np
import pytest
from references.driveline import pinion_turns
from scipy.spatial.transform import Rotation

from optimiser.metrics.universal_joint import (
    Driveline,
    bends,
    half_turn,
    joint_output,
    nearest_step,
    stretched,
)

RNG = np.random.default_rng(18)


def unit(vector):
    return np.asarray(vector, float) / np.linalg.norm(vector)


def random_columns(count, joints=2):
    """Directions of steering wheel, middle and pinion of invented cars, bends up to 45 deg.

    Every fourth pinion is entered from below.
    """
    cars = []
    while len(cars) < count:
        wheel = unit([0.9, *RNG.uniform(-0.25, 0.25, 2) - [0.0, 0.3]])
        middle = unit(wheel + RNG.uniform(-0.5, 0.5, 3))
        if len(cars) % 4 == 3:
            middle = unit([0.6, RNG.uniform(-0.3, 0.3), 0.55])
        pinion = unit(-middle + RNG.uniform(-0.5, 0.5, 3))
        both = bends(wheel, middle, pinion)
        if max(both[:2]) < np.radians(60.0):
            cars.append((wheel, middle, pinion))
    return cars


# --- a chain of pins -----------------------------------------------------------------------------


def chain(shafts, phase, turns):
    """Angle of the last shaft for turns of the first, every pin turned or crossed numerically.

    A cross has two pins square to each other: the driven one is square to its own shaft and to the
    driving pin. The first driving pin begins in the plane of the first bend.
    """
    wheel, *rest = shafts
    normal = np.cross(wheel, rest[0])
    first = np.cross(unit(normal), wheel)
    pins = Rotation.from_rotvec(np.outer(turns, wheel)).apply(first)
    for number, shaft in enumerate(rest):
        pins = np.cross(shaft, pins)
        pins /= np.linalg.norm(pins, axis=-1, keepdims=True)
        flip = np.cumprod(np.where(np.sum(pins[1:] * pins[:-1], axis=-1) < 0.0, -1.0, 1.0))
        pins[1:] *= flip[:, None]
        driven = pins
        if number == 0 and len(rest) > 1:
            pins = Rotation.from_rotvec(phase * shaft).apply(pins)
    side = np.cross(rest[-1], driven[0])
    return np.unwrap(np.arctan2(driven @ side, driven @ driven[0]))


def wheel_of(line, turns):
    """Turn of the pinion for turns of the wheel, from where its pin is in the plane of the bend."""
    middle = joint_output(turns, line.upper)
    pinion = joint_output(middle + 0.5 * np.pi + line.off, line.lower)
    return pinion - pinion[0]


@pytest.mark.parametrize("step_deg", [0.0, 10.0])
def test_two_joints_of_random_cars_against_a_chain_of_pins(step_deg):
    turns = np.linspace(0.0, 2.0 * np.pi, 721)
    for wheel, middle, pinion in random_columns(20):
        upper, lower, best = bends(wheel, middle, pinion)
        phase = nearest_step(best, np.radians(step_deg))
        line = Driveline(*(np.array([v]) for v in (upper, lower, half_turn(phase - best))))
        expected = chain((wheel, middle, -pinion), float(phase), turns)
        np.testing.assert_allclose(wheel_of(line, turns), expected, atol=1e-9)
        # The same backwards, from straight ahead.
        ahead = line.straight_ahead(light=True)
        wanted = np.linspace(-4.0, 4.0, 41)
        turned, rate = line.of_pinion(wanted[None], ahead)
        fork = float(stretched(ahead, np.cos(upper))[0])
        fine = fork + np.concatenate([[0.0], turned[0]])
        there = chain_at((wheel, middle, -pinion), float(phase), fine)
        np.testing.assert_allclose(there[1:] - there[0], wanted, atol=1e-9)
        # The rates, by differences of the chain.
        h = 1e-5
        ends = chain_at((wheel, middle, -pinion), float(phase), np.r_[fine + h, fine - h])
        slope = (ends[: len(fine)] - ends[len(fine) :]) / (2.0 * h)
        np.testing.assert_allclose(slope[1:], rate[0], atol=1e-8)
        # Ripple as greatest over least of those rates.
        rates = np.gradient(expected, turns, edge_order=2)
        assert line.ripple[0] == pytest.approx(rates.max() / rates.min() - 1.0, rel=3e-4)


def chain_at(shafts, phase, turns):
    """The same at any angles, from the least of them in small steps; only differences count."""
    steps = np.linspace(turns.min(), turns.max(), 401)
    path, where = np.unique(np.concatenate([turns, steps]), return_inverse=True)
    return chain(shafts, phase, path)[where[: len(turns)]]


def test_one_joint_against_a_chain_of_pins():
    turns = np.linspace(0.0, 2.0 * np.pi, 721)
    for wheel, middle, _ in random_columns(20):
        bend = bends(wheel, middle, middle)[0]
        expected = chain((wheel, middle), 0.0, turns)
        np.testing.assert_allclose(joint_output(turns, bend), expected, atol=1e-9)


def test_the_convention():
    # With the driving pin in the plane of the bend tan(out) = tan(in) / cos(beta); with it square
    # to the plane the other way about.
    bend = np.radians(30.0)
    assert np.degrees(joint_output(np.radians(45.0), bend)) == pytest.approx(49.107, abs=5e-4)
    square = joint_output(np.radians(135.0), bend) - joint_output(np.radians(90.0), bend)
    assert np.degrees(square) == pytest.approx(40.893, abs=5e-4)


def test_best_phase_is_the_angle_between_the_planes_and_its_ripple_that_of_the_cosines():
    for wheel, middle, pinion in random_columns(20):
        upper, lower, best = bends(wheel, middle, pinion)
        c1, c2 = np.cos(upper), np.cos(lower)
        phases = np.radians(np.linspace(-90.0, 90.0, 3601))
        line = Driveline(np.full(3601, upper), np.full(3601, lower), phases - best)
        least = int(np.argmin(line.ripple))
        assert half_turn(phases[least] - best) == pytest.approx(0.0, abs=np.radians(0.04))
        exact = Driveline(*(np.array([v]) for v in (upper, lower, 0.0))).ripple[0]
        assert exact == pytest.approx(max(c1 / c2, c2 / c1) ** 2 - 1.0, abs=1e-13)


def test_half_a_spline_step_of_36_costs_5_per_cent_at_30_and_30():
    bend = np.radians([30.0])
    ripple = Driveline(bend, bend, np.radians([5.0])).ripple[0]
    assert 100.0 * ripple == pytest.approx(5.2, abs=0.05)


def test_against_a_page_on_drivelines():
    # Non-uniformity U = tan(b) sin(b), greatest less least rate, at most 0.0027 at 2.97 deg: from a
    # page on drivelines (read).
    bend = np.radians(2.97)
    line = Driveline(*np.array([[bend], [0.0], [0.0]]))
    rates = line.of_pinion(np.radians([np.linspace(0.0, 360.0, 721)]), np.zeros(1))[1]
    span = float(np.ptp(rates))
    assert span == pytest.approx(np.tan(bend) * np.sin(bend), rel=1e-9)
    assert span <= 0.0027 == pytest.approx(span, abs=5e-5)
    # Of one joint the ripple is 1 / cos^2 - 1.
    assert line.ripple[0] == pytest.approx(np.cos(bend) ** -2 - 1.0, abs=1e-14)


def test_straight_joints_have_no_plane_and_no_ripple():
    forward = np.array([1.0, 0.0, 0.0])
    upper, lower, best = bends(forward, forward, -forward)
    assert (upper, lower, best) == (0.0, 0.0, 0.0)
    line = Driveline(*np.zeros((3, 1)))
    assert line.ripple[0] == 0.0
    turned, rate = line.of_pinion(np.array([[1.0, -7.0]]), np.zeros(1))
    np.testing.assert_allclose(turned, [[1.0, -7.0]], atol=1e-14)
    np.testing.assert_allclose(rate, 1.0, atol=1e-14)


def test_light_and_heavy_are_the_extremes_and_the_wheel_turns_as_far_either_way():
    upper, lower = np.radians([[28.0], [15.0]])
    line = Driveline(upper, lower, np.zeros(1))
    turns = np.linspace(-6.0, 6.0, 2001)[None]
    for light in (True, False):
        ahead = line.straight_ahead(light=light)
        wheel, rate = line.of_pinion(turns, ahead)
        extreme = rate.min() if light else rate.max()
        assert rate[0, 1000] == pytest.approx(extreme, abs=1e-9)
        np.testing.assert_allclose(wheel[0], -wheel[0, ::-1], atol=1e-12)
    # The greater bend is the upper one: straight ahead is light with its pin square to the plane.
    assert np.degrees(line.fork(line.straight_ahead(light=True))[0]) == pytest.approx(90.0)
    assert np.degrees(line.fork(line.straight_ahead(light=False))[0]) == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("angle", "step", "found"), [(83.0, 10.0, 80.0), (87.0, 10.0, 90.0), (-88.0, 10.0, 90.0)]
)
def test_the_nearest_spline_of_a_fork(angle, step, found):
    near = nearest_step(np.radians(angle), np.radians(step))
    assert np.degrees(near) == pytest.approx(found)
    assert nearest_step(0.3, 0.0) == 0.3


def test_two_joints_against_a_multibody_program():
    """Fork by fork in exudyn: two crosses, hinges, and nothing that knows of universal joints."""
    for wheel, middle, pinion in random_columns(4):
        upper, lower, best = bends(wheel, middle, pinion)
        phase = float(nearest_step(best, np.radians(10.0)))
        turns, expected = pinion_turns(wheel, middle, pinion, phase, 2.0 * np.pi)
        line = Driveline(*(np.array([v]) for v in (upper, lower, phase - best)))
        np.testing.assert_allclose(np.degrees(wheel_of(line, turns) - expected), 0.0, atol=1e-7)
