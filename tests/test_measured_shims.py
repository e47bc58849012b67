"""Shims from measured toe, on cars whose curves come from the referee that shares no code."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from finished_cars import Built, Design, build, read
from references.corners import CORNERS

from optimiser.base.files import csv_text
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.tolerance import DIMENSIONS, Conditions, Tolerances
from optimiser.metrics.tolerance.shims import STOCK_MM, Lever
from optimiser.metrics.wanted import WantedToe
from optimiser.questions.measured.choice import choose_shims, judged, opened
from optimiser.questions.measured.estimate import estimate
from optimiser.questions.measured.model import CarModel, Unknowns
from optimiser.questions.measured.readings import read_readings
from optimiser.questions.measured.responses import response
from optimiser.study.measuring import MeasuringTable

NOISE = float(np.radians(0.02))
ACCEPTED = float(np.radians(0.1))
TOLERANCES = Tolerances(2.0, 0.2, 0.5, 1.0, float(np.radians(0.05)))
GRID = np.linspace(-50.0, 50.0, 11)


def design(share=0.6):
    """The front-steer corner, its rack 6 mm lower than drawn, where bump steer is least."""
    drawn = CORNERS["front steer"]
    points = {name: np.array(at, float) for name, at in drawn["points"].items()}
    points["inner_joint"][2] -= 6.25
    found = Design(
        "front steer",
        points,
        drawn["static_toe_in_deg"],
        drawn["static_camber_deg"],
        GRID,
        0.0,
    )
    return replace(found, brackets_mm=share * found.joints_mm)


DESIGN = design()


def model(fitted=((0.0, 0.0, 0.0, 0.0),), **changes):
    attitude = Attitude(*np.radians([DESIGN.toe_deg, DESIGN.camber_deg]).tolist(), 280.0)
    conditions = Conditions(GRID, 2250.0, attitude, float(np.radians(28.0)))
    points = Hardpoints.from_mapping(DESIGN.points)
    start = CarModel(points, conditions, TOLERANCES, np.array(fitted), DESIGN.brackets_mm)
    return replace(start, **changes)


@pytest.fixture(scope="module")
def car() -> Built:
    return build(DESIGN, np.random.default_rng(11))


@pytest.fixture(scope="module")
def change(car):
    """Of the car as built, (2, P) degrees."""
    return car.change_deg()


def readings_of(rows, folder, fitted=((0.0, 0.0, 0.0, 0.0),)):
    path = folder / "readings.csv"
    path.write_text(csv_text(list(rows[0]), [list(row.values()) for row in rows]), "utf-8")
    return read_readings(path, MeasuringTable(fitted_shims_mm=fitted))


def fitted_to(readings, known=None, *, free_travel=False, noise=NOISE):
    known = known or model()
    unknowns = Unknowns.of(known.tolerances, readings, free_travel)
    return estimate(known, readings, unknowns, noise)


def curves_of(found, known=None, shims=None):
    """Cars that are open, (2, S, P) degrees."""
    known = known or model()
    sets = {"leave": known.now_mm if shims is None else shims}
    return np.degrees(judged(known, found, found.samples(), sets)["leave"].curves)


# --- brackets ------------------------------------------------------------------------------------


def test_the_lever_of_brackets_inside_the_joints():
    """By hand: 300 mm apart under joints 600 mm apart, 1 mm lifts its joint 1.5, drops 0.5."""
    lever = Lever(600.0, 300.0)
    np.testing.assert_allclose(lever.rises([1.0, 0.0]), [1.5, -0.5])
    np.testing.assert_allclose(lever.rises([1.0, 1.0]), [1.0, 1.0])
    np.testing.assert_allclose(lever.shims(lever.rises([2.0, -0.5])), [2.0, -0.5])


def test_shims_do_to_the_referee_s_car_what_they_do_to_ours(car):
    shims = np.array([1.5, 0.5, 2.0, 0.0])
    for side, corner in enumerate(car.corners):
        known = model(points=Hardpoints.from_mapping(corner), conditions=model().conditions)
        rise, outer = model().rises(shims, side)
        ours = known.change(known.built(np.zeros((1, len(DIMENSIONS))), rise, outer))[0]
        np.testing.assert_allclose(np.degrees(ours), car.change_deg(shims)[side], atol=1e-8)


def test_the_polynomial_is_the_kernel():
    known, deviations = model(), np.zeros(len(DIMENSIONS))
    found = response(known, deviations, np.array([-2.0, 7.0]), np.array([0.0, 5.0]))
    rng = np.random.default_rng(3)
    rise, outer, spacer = rng.uniform([[-2.0], [0.0], [-5.0]], [[7.0], [5.0], [5.0]], (3, 40))
    exact = known.change(known.built(deviations, rise, outer, spacer))
    np.testing.assert_allclose(np.degrees(found(rise, outer, spacer)), np.degrees(exact), atol=2e-5)


# --- what readings leave open --------------------------------------------------------------------


def test_thirteen_readings_tell_the_curve(car, change, tmp_path):
    """Within three standard deviations of what is said to be open, which is less than before."""
    readings = readings_of(read(car, np.random.default_rng(1), 13, change_deg=change), tmp_path)
    curves = curves_of(fitted_to(readings))
    off, open_ = np.abs(curves.mean(axis=1) - change), curves.std(axis=1)
    assert (off <= 3.0 * open_ + 1e-9).all()
    assert open_.max() < 0.015 < 0.1 < np.abs(change).max()


def test_a_misread_one_is_named_and_hardly_counts(car, change, tmp_path):
    rng = np.random.default_rng(2)
    rows = read(car, rng, 13, change_deg=change)
    rows[3]["toe_in_deg"] += 0.4
    found = fitted_to(readings_of(rows, tmp_path))
    assert found.outliers.tolist() == [3]
    assert found.noise_from == "stated"
    assert np.abs(curves_of(found).mean(axis=1) - change).max() < 0.03


def test_readings_that_scatter_more_than_stated_say_so(car, change, tmp_path):
    readings = readings_of(read(car, np.random.default_rng(3), 13, change_deg=change), tmp_path)
    found = fitted_to(readings, noise=NOISE / 8.0)
    assert found.noise_from == "scatter"
    assert np.degrees(found.noise) == pytest.approx(0.02, rel=0.5)


def test_ride_height_that_was_not_known_is_found(car, change, tmp_path):
    """Readings 6 mm off: taken as known they bend the curve, left free they hardly do."""
    rows = read(car, np.random.default_rng(4), 13, change_deg=change)
    for row in rows:
        row["travel_mm"] += 6.0
    readings = readings_of(rows, tmp_path)
    free = curves_of(fitted_to(readings, free_travel=True))
    assert (np.abs(free.mean(axis=1) - change) <= 3.0 * free.std(axis=1) + 1e-9).all()


def test_a_car_far_from_its_drawing_is_noticed(car, change, tmp_path):
    readings = readings_of(read(car, np.random.default_rng(5), 13, change_deg=change), tmp_path)
    assert fitted_to(readings).strain < 2.2
    exact = Tolerances(0.2, 0.02, 0.05, 0.1, 0.0)
    assert fitted_to(readings, model(tolerances=exact)).strain > 2.2


# --- which shims ---------------------------------------------------------------------------------


def chosen(found, sides=(0, 1), known=None, stock=STOCK_MM):
    known = known or model()
    return choose_shims(known, opened(known, found, stock), sides, ACCEPTED)


def test_shims_mend_the_referee_s_car(car, change, tmp_path):
    readings = readings_of(read(car, np.random.default_rng(6), 13, change_deg=change), tmp_path)
    choice = chosen(fitted_to(readings))
    before, after = np.abs(change).max(axis=1), car.greatest_deg(choice.best)
    assert (after < before + 0.005).all()
    assert after.sum() < 0.5 * before.sum()
    assert (choice.best >= 0.0).all()
    assert np.count_nonzero(choice.least) <= np.count_nonzero(choice.best)
    assert 0.0 <= np.degrees(choice.another_round) < 0.02


def test_a_second_round_goes_with_the_first(car, change, tmp_path):
    """After the shims of the first round both together tell more, and the car is no worse."""
    rng = np.random.default_rng(7)
    rows = read(car, rng, 5, change_deg=change)
    none = (0.0, 0.0, 0.0, 0.0)
    first = chosen(fitted_to(readings_of(rows, tmp_path))).best
    fitted = (none, tuple(first.tolist()))
    rows += read(car, rng, 5, change_deg=car.change_deg(first), round_=2)
    known, readings = model(fitted), readings_of(rows, tmp_path, fitted)
    found = fitted_to(readings, known)
    shimmed = car.change_deg(first)
    curves = curves_of(found, known)
    assert (np.abs(curves.mean(axis=1) - shimmed) <= 3.0 * curves.std(axis=1) + 1e-9).all()
    alone = fitted_to(readings_of(rows[:12], tmp_path))
    assert curves.std(axis=1).max() < 0.85 * curves_of(alone, shims=first).std(axis=1).max()
    second = chosen(found, known=known).best
    after = first if second is None else second
    assert car.greatest_deg(after).sum() < car.greatest_deg(first).sum() + 0.02


def test_a_car_as_drawn_is_left(tmp_path):
    """Its toe does not change at all: what the readings show of it is their noise alone."""
    drawn = CORNERS["parallel equal arms"]["points"]
    points = {name: np.array(at, float) for name, at in drawn.items()}
    level = replace(DESIGN, points=points)
    exact = Built(level, (points, points), (0.0, 0.0))
    readings = readings_of(read(exact, np.random.default_rng(8), 5, rack_mm=None), tmp_path)
    known = model(points=Hardpoints.from_mapping(points))
    assert np.abs(readings.toe_in).max() > 0.0
    assert chosen(fitted_to(readings, known), known=known).best is None


def test_what_is_good_enough_may_be_left(tmp_path):
    """As drawn it has a bend of half of what is accepted: shims would do better, none is needed."""
    exact = Built(DESIGN, (DESIGN.points, DESIGN.points), (0.0, 0.0))
    readings = readings_of(read(exact, np.random.default_rng(8), 13, rack_mm=None), tmp_path)
    choice = chosen(fitted_to(readings))
    assert choice.best is not None
    np.testing.assert_array_equal(choice.least, np.zeros(4))


def test_without_their_distance_both_brackets_are_shimmed_alike(car, change, tmp_path):
    readings = readings_of(read(car, np.random.default_rng(6), 13, change_deg=change), tmp_path)
    known = model(brackets_mm=None)
    best = chosen(fitted_to(readings, known), known=known).best
    assert best[0] == best[1]


def test_a_wheel_that_was_not_measured_is_left_alone(car, change, tmp_path):
    rows = read(car, np.random.default_rng(6), 13, change_deg=change)
    readings = readings_of([row for row in rows if row["side"] == "left"], tmp_path)
    assert readings.sides == (0,)
    best = chosen(fitted_to(readings), sides=(0,)).best
    assert best[3] == 0.0
    assert car.greatest_deg(best)[0] < np.abs(change).max(axis=1)[0]


def test_packs_that_are_fitted_can_be_taken_out(tmp_path):
    """A car as drawn but for 2 mm under its rack: out they go, and never below nothing."""
    fitted = (2.0, 2.0, 0.0, 0.0)
    exact = Built(DESIGN, (DESIGN.points, DESIGN.points), (0.0, 0.0))
    moved = exact.change_deg(fitted)
    rows = read(exact, np.random.default_rng(9), 13, change_deg=moved)
    known = model((fitted,))
    found = fitted_to(readings_of(rows, tmp_path, (fitted,)), known)
    best = chosen(found, known=known).best
    assert (best >= 0.0).all()
    assert (best[:2] < 2.0).any() or (best[2:] > 0.0).any()
    assert exact.greatest_deg(best).max() < 0.5 * np.abs(moved).max()


def test_the_greatest_change_is_the_departure_from_what_is_wanted():
    wanted = WantedToe(gradient=float(np.radians(0.002)))
    known = model(conditions=replace(model().conditions, wanted_toe=wanted))
    as_wanted = np.radians(0.002) * GRID
    assert known.greatest(as_wanted) == pytest.approx(0.0, abs=1e-12)
    assert np.degrees(known.greatest(0.0 * GRID)) == pytest.approx(0.1)


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_bands_hold_and_no_wheel_is_made_much_worse(seed, tmp_path):
    car = build(DESIGN, np.random.default_rng(seed))
    change = car.change_deg()
    readings = readings_of(read(car, np.random.default_rng(seed), 5, change_deg=change), tmp_path)
    found = fitted_to(readings)
    best = chosen(found).best
    shims = model().now_mm if best is None else best
    after = car.change_deg(shims)
    assert (np.abs(after).max(axis=1) <= np.abs(change).max(axis=1) + 0.015).all()
    curves = curves_of(found, shims=shims)
    assert (np.abs(curves.mean(axis=1) - after) <= 3.5 * curves.std(axis=1) + 1e-9).all()
