"""Readings of toe: units and signs by hand, refusals, and what proves their sign."""

from __future__ import annotations

import numpy as np
import pytest
from references import constraints
from tolerance_cases import corner

from optimiser.base.errors import InputError
from optimiser.linkage.attitude import Attitude
from optimiser.questions.measured.readings import read_readings
from optimiser.questions.measured.signs import sign_of
from optimiser.study.measuring import MeasuringTable

ATTITUDE = Attitude(float(np.radians(0.1)), float(np.radians(-0.5)), 280.0)


@pytest.fixture
def read(tmp_path):
    """Readings from text."""

    def reader(text, **keys):
        path = tmp_path / "readings.csv"
        path.write_text(text, "utf-8")
        return read_readings(path, MeasuringTable(**keys))

    return reader


def test_angles_lengths_and_gauges_are_one_toe(read):
    degrees = read("side,travel_mm,toe_in_deg\nleft,10,0.5\n").toe_in
    assert degrees[0] == pytest.approx(0.5 * np.pi / 180.0)
    # 400 mm across the wheel and 3.49 mm less in front than behind: 0.5 deg, by hand.
    length = read("side,travel_mm,toe_in_mm\nleft,10,3.4907\n", toe_over_mm=400.0).toe_in
    np.testing.assert_allclose(length, degrees, rtol=1e-4)
    # A plate that toes in goes inboard in front: the front gauge reads less.
    gauges = "side,travel_mm,front_gauge_mm,rear_gauge_mm\nleft,10,1.0,4.4907\n"
    np.testing.assert_allclose(read(gauges, gauge_distance_mm=400.0).toe_in, degrees, rtol=1e-4)
    away = read(gauges, gauge_distance_mm=400.0, gauges_read="distance").toe_in
    np.testing.assert_allclose(away, -degrees, rtol=1e-4)


def test_gauges_on_a_plate_that_the_referee_turns(read):
    """A plate on the wheel in droop: where gauges outboard of it touch, by its own rotation."""
    points = {name: np.asarray(at) for name, at in corner().items()}
    spin = ATTITUDE.spin_axis
    found = constraints.solve_corner(points, spin, np.array([-40.0, 0.0]), np.array([0.0]))
    turned, centre = found["rotation"][0, 0], found["wheel_centre"][0, 0]
    normal = turned @ spin
    readings = []
    for ahead in (200.0, -200.0):
        # Along y at this x and the wheel centre's height: (p - centre) . normal = 0.
        readings.append(centre[1] - ahead * normal[0] / normal[1])
    text = f"side,travel_mm,front_gauge_mm,rear_gauge_mm\nleft,-40,{readings[0]},{readings[1]}\n"
    toe = np.degrees(read(text, gauge_distance_mm=400.0).toe_in[0])
    assert toe == pytest.approx(found["toe_in_deg"][0, 0], abs=1e-9)


@pytest.mark.parametrize(
    ("text", "keys", "said"),
    [
        ("side,travel_mm,total_toe_deg\nleft,0,1\n", {}, "is total toe"),
        ("side,travel_mm,toe_in_deg\nboth,0,1\n", {}, "is total toe"),
        ("side,travel_mm,toe_in_deg\nnear,0,1\n", {}, "'near' is no side"),
        ("side,travel_mm\nleft,0\n", {}, "names no column of toe"),
        ("side,travel_mm,toe_in_deg,toe_in_mm\nleft,0,1,1\n", {}, "in two ways"),
        ("side,travel_mm,toe_in_mm\nleft,0,1\n", {}, "[measuring] toe_over_mm"),
        (
            "side,travel_mm,front_gauge_mm,rear_gauge_mm\nleft,0,1,1\n",
            {},
            "[measuring] gauge_distance_mm",
        ),
        (
            "side,travel_mm,front_gauge_mm\nleft,0,1\n",
            {"gauge_distance_mm": 300.0},
            "column rear_gauge_mm is missing",
        ),
        ("side,travel_mm,toe_in_deg\nleft,0,\n", {}, "is blank"),
        ("side,travel_mm,toe_in_deg\nleft,,1\n", {}, "is blank"),
        ("side,travel_mm,toe_in_deg\nleft,0,45\n", {}, "45 deg of toe-in"),
        ("side,travel_mm,toe_in_deg\nleft,900,1\n", {}, "900 is not between"),
        ("side,travel_mm,toe_in_deg,round\nleft,0,1,2\n", {}, "is round 2"),
        ("side,travel_mm,toe_in_deg,round\nleft,0,1,1.5\n", {}, "1.5 is no round"),
        ("side,travel_mm,toe_in_deg,rack_mm\nleft,0,1,5\n", {}, "with the rack at its centre"),
    ],
)
def test_what_cannot_be_used_is_refused_in_a_line(read, text, keys, said):
    with pytest.raises(InputError, match=r"readings\.csv") as caught:
        read(text, **keys)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_is_thin_is_said(read):
    rows = "left,0,0\nleft,20,0\nright,-20,0\nright,0,0\nright,20,0\n"
    notes = list(read("side,travel_mm,toe_in_deg\n" + rows).notes())
    assert len(notes) == 2
    assert "left wheel has readings at 2 travels only" in notes[0]
    assert "left wheel has no reading in droop" in notes[1]
    (note,) = read("side,travel_mm,toe_in_deg\nleft,-9,0\nleft,0,0\nleft,9,0\n").notes()
    assert note.startswith("The right wheel was not measured")


def test_repeated_readings_tell_the_noise(read):
    head = "side,travel_mm,toe_in_deg\n"
    few = read(head + "left,0,0.1\nleft,0,0.2\nleft,9,0\n")
    assert few.repeated_noise(0.02) is None
    assert read(head + "left,0,0.1\n" * 10).repeated_noise(0.02) is None
    rows = "left,0,0.1\nleft,0,0.2\nleft,0,0.3\nleft,9,1.0\nleft,9,1.1\nleft,9,0.9\n"
    # By hand: squares 0.01 + 0.01 four times, ten readings to spare.
    noise = read(head + 2 * rows).repeated_noise(float(np.radians(0.02)))
    assert np.degrees(noise) == pytest.approx(np.sqrt(0.008))
    same = read(head + "left,0,0.1\n" * 11).repeated_noise(0.04)
    assert same == pytest.approx(0.01)


def test_a_misread_one_among_repeated_ones_is_no_noise(read):
    pairs = [f"left,{t},{0.1 + half}\n" for t in range(0, 55, 5) for half in (-0.02, 0.02)]
    head, stated = "side,travel_mm,toe_in_deg\n", float(np.radians(0.02))
    # By hand: each pair 0.0008 of squares, one reading to spare.
    alike = np.degrees(read(head + "".join(pairs)).repeated_noise(stated))
    assert alike == pytest.approx(np.sqrt(0.0008))
    once = "".join([*pairs, "left,60,0.1\nleft,60,1.1\n"])
    misread = np.degrees(read(head + once).repeated_noise(stated))
    assert misread == pytest.approx(1.5 * np.sqrt(0.0008) / 0.6745, rel=1e-3)  # not 0.21


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize(
    ("share", "proof"),
    [(1.0, "proved"), (0.8, "proved"), (-1.0, "contradicted"), (0.1, "not proved")],
)
def test_the_rack_proves_the_sign(read, side, share, proof):
    """The turn by the referee: to the left a wheel toes out, on the other side in."""
    points = corner()
    mine = {name: np.asarray(at) for name, at in points.items()}
    rack = 5.0 if side == 0 else -5.0
    toe = constraints.solve_corner(mine, ATTITUDE.spin_axis, np.array([0.0]), np.sort([0.0, rack]))[
        "toe_in_deg"
    ][0]
    turn = (toe[1] - toe[0]) * np.sign(rack)
    assert (turn < 0.0) == (side == 0)  # arms ahead of the axle
    name = ("left", "right")[side]
    readings = read(
        f"side,travel_mm,toe_in_deg,rack_mm\n{name},0,0.3,\n{name},0,{0.3 + share * turn},5\n"
    )
    sign = sign_of(readings, side, points, ATTITUDE, None)
    assert sign.proof == proof
    assert sign.trusted == (proof == "proved")
    assert f"{share * turn:+.2f} deg in the readings" in sign.words


def test_too_small_a_turn_proves_nothing(read):
    text = "side,travel_mm,toe_in_deg,rack_mm\nleft,0,0,0\nleft,0,-0.22,0.5\n"
    sign = sign_of(read(text), 0, corner(), ATTITUDE, None)
    assert sign.proof == "not proved"
    assert "take 5 mm" in sign.words


@pytest.mark.parametrize(
    ("toe", "proof"), [(0.1, "settled"), (-0.1, "contradicted"), (0.0, "not proved")]
)
def test_toe_at_rest_settles_it_twenty_to_one(read, toe, proof):
    """Drawn 0.1 deg, known to 0.03: 0.2 deg apart is 6.7 deviations, odds of 250 by Student."""
    readings = read(f"side,travel_mm,toe_in_deg\nleft,0,{toe}\nleft,30,{toe}\n")
    error = float(np.radians(0.03))
    sign = sign_of(readings, 0, corner(), ATTITUDE, error)
    assert sign.proof == proof
    if toe > 0.0:
        # (1 + 44.4 / 3)^2, by hand.
        assert "250 to 1 for that sign" in sign.words
    assert sign_of(readings, 0, corner(), ATTITUDE, None).proof == "not proved"


@pytest.mark.parametrize(
    ("second", "proof"),
    [
        ("", "not proved"),
        ("left,0,{right},5,2\n", "proved"),
        ("left,0,{wrong},5,2\n", "contradicted"),
    ],
)
def test_each_round_has_to_prove_its_sign(read, second, proof):
    """Gauges may be set up the other way round when it is measured again."""
    text = (
        "side,travel_mm,toe_in_deg,rack_mm,round\n"
        "left,0,0.1,,1\nleft,0,-2.1,5,1\nleft,-30,0.2,,2\nleft,0,0.1,,2\nleft,30,0.1,,2\n"
    )
    readings = read(
        text + second.format(right=-2.1, wrong=2.3), fitted_shims_mm=((0, 0, 0, 0), (1, 1, 0, 0))
    )
    sign = sign_of(readings, 0, corner(), ATTITUDE, None)
    assert sign.proof == proof
    if proof != "proved":
        assert sign.words.startswith("left wheel, round 2: ")
