"""Direction and hand by composed rotations; own tie rods against the moved geometry; mass."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from packaging_case import BEHIND, POINTS, problem
from scipy.spatial.transform import Rotation

from optimiser.linkage.at_rack import describe_arm, solve_linkage
from optimiser.linkage.racks import Rack
from optimiser.linkage.vectors import norm
from optimiser.metrics.mounting import (
    DIRECTION_CAUTION,
    UNKNOWN,
    check_hand,
    kept_rod_length,
    steering_mass,
    track_growth,
)
from optimiser.report.words import CAUTIONS

ARM = 110.0


def rack(made_for=None, pinion_side=None, **more):
    return Rack("invented", 600.0, 120.0, made_for=made_for, pinion_side=pinion_side, **more)


# --- the truth table, by rotations ---------------------------------------------------------------
#
# A rack is three vectors in the axes of its own car (x ahead, y left, z up): where its pinion sits,
# the direction of its shaft, outward, and the motion of the bar for a unit angular velocity along
# the shaft. Mounting it is a rotation of all three. The driver, behind and above the rack, looks
# ahead along the column and turns the steering wheel clockwise: by the right-hand rule an angular
# velocity away from the driver. The wheels must then steer to the right.

TO_DRIVER = np.array([-np.cos(0.6), 0.0, np.sin(0.6)])
CLOCKWISE = -TO_DRIVER
LEFT = {"left": np.array([0.0, 1.0, 0.0]), "right": np.array([0.0, -1.0, 0.0])}
OUTER = {"ahead": np.array([ARM, 0.0, 0.0]), "behind": np.array([-ARM, 0.0, 0.0])}


def bar_motion_to_the_right_lock(position):
    """Motion of the bar that steers right: turn the upright right and see where O goes."""
    right_turn = Rotation.from_rotvec([0.0, 0.0, -0.1])
    moved = right_turn.apply(OUTER[position]) - OUTER[position]
    return np.array([0.0, np.sign(moved[1]), 0.0])


def vectors_of_rack(made_for, pinion_side):
    """Pinion, shaft and bar motion per shaft turn of a rack that is right in its own car."""
    motion = bar_motion_to_the_right_lock(made_for)  # for CLOCKWISE, whose part on the shaft is -1
    return LEFT[pinion_side], TO_DRIVER, motion / (CLOCKWISE @ TO_DRIVER)


def mirror_image(vectors):
    """The rack in a mirror across y: a turn of the shaft, being axial, changes sense as well."""
    pinion, shaft, motion = (v * [1.0, -1.0, 1.0] for v in vectors)
    return pinion, shaft, -motion


def mountings(vectors):
    """The mountings that leave the bar across the car and the shaft facing the driver.

    Every roll about the bar is tried, without and with a half turn about the vertical before it.
    """
    rolls = Rotation.from_rotvec(np.outer(np.radians(np.arange(0.0, 360.0, 0.05)), [0, 1, 0]))
    found = {}
    for turned, half_turn in ((False, [0.0, 0.0, 0.0]), (True, [0.0, 0.0, np.pi])):
        ways = rolls * Rotation.from_rotvec(half_turn)
        facing = ways.apply(vectors[1]) @ TO_DRIVER
        assert np.max(facing) == pytest.approx(1.0, abs=2e-7)
        found[turned] = tuple(ways[np.argmax(facing)].apply(v) for v in vectors)
    return found


def steers_right(vectors, position):
    """Whether a clockwise steering wheel moves this mounted rack towards right lock."""
    _, shaft, motion = vectors
    bar = motion * (CLOCKWISE @ shaft)
    return bar @ bar_motion_to_the_right_lock(position) > 0.0


@pytest.mark.parametrize(
    ("made_for", "pinion_side", "position", "drive_side"),
    list(product(("ahead", "behind"), ("left", "right"), ("ahead", "behind"), ("left", "right"))),
)
def test_truth_table_by_rotations(made_for, pinion_side, position, drive_side):
    vectors = vectors_of_rack(made_for, pinion_side)
    ways = mountings(vectors)
    right_ways = [turned for turned, v in ways.items() if steers_right(v, position)]
    (turned,) = right_ways  # exactly one of the two mountings steers the right way
    pinion = ways[turned][0]
    side = next(name for name, y in LEFT.items() if pinion @ y > 0.5)
    # Does the mirror image, mounted the right way, put its pinion where the driver sits?
    mirrored = [
        v[0] for v in mountings(mirror_image(vectors)).values() if steers_right(v, position)
    ]
    assert len(mirrored) == 1

    found = check_hand(rack(made_for, pinion_side), position == "ahead", drive_side)

    assert found.right_way_as_made == steers_right(ways[False], position)
    assert found.turn_end_for_end == turned
    assert found.pinion_side == side
    assert found.on_drivers_side == (pinion @ LEFT[drive_side] > 0.5)
    assert found.opposite_hand_needed == (
        not pinion @ LEFT[drive_side] > 0.5 and mirrored[0] @ LEFT[drive_side] > 0.5
    )


@pytest.mark.parametrize(("points", "steers_left"), [(POINTS, True), (BEHIND, False)])
def test_the_arm_decides_which_way_the_bar_steers(points, steers_left):
    assert describe_arm(points).ahead is steers_left
    poses = solve_linkage(points, np.linspace(-40.0, 40.0, 5), 0.0)
    assert np.all((poses.steer_per_rack > 0.0) == steers_left)
    # Not the place of the bar: a bar behind the steering axis with the arm ahead of it.
    moved = points.with_tie_rod(points.outer_joint, points.inner_joint * [-0.3, 1.0, 1.0])
    assert (solve_linkage(moved, 0.0, 0.0).steer_per_rack > 0.0) == steers_left


@pytest.mark.parametrize(
    ("made_for", "pinion_side", "arm_ahead", "sentence"),
    [
        (
            "ahead",
            "left",
            True,
            "steers the right way as made; its pinion is then on the left, the driver's side",
        ),
        (
            "ahead",
            "right",
            False,
            "steers the wrong way as made: turn it end for end, then roll it about its bar until "
            "the pinion faces the column, which puts below the bar what was above it; "
            "its pinion is then on the left, the driver's side",
        ),
        (
            "behind",
            "left",
            True,
            "steers the wrong way as made: turn it end for end, then roll it about its bar until "
            "the pinion faces the column, which puts below the bar what was above it; "
            "its pinion is then on the right, but the driver sits on "
            "the left: the opposite hand is needed, a rack made for ahead with its pinion on the "
            "left, or one made for behind with its pinion on the right and turned end for end",
        ),
    ],
)
def test_the_sentence(made_for, pinion_side, arm_ahead, sentence):
    assert check_hand(rack(made_for, pinion_side), arm_ahead, "left").sentence == sentence


@pytest.mark.parametrize(
    ("arm_ahead", "drive_side"), list(product((True, False), ("left", "right")))
)
def test_the_racks_it_asks_for_do_fit(arm_ahead, drive_side):
    here, there = ("ahead", "behind") if arm_ahead else ("behind", "ahead")
    other = "right" if drive_side == "left" else "left"
    asked = check_hand(rack(here, other), arm_ahead, drive_side).sentence
    assert f"made for {here} with its pinion on the {drive_side}" in asked
    assert f"made for {there} with its pinion on the {other} and turned end for end" in asked
    for made_for, side, turned in ((here, drive_side, False), (there, other, True)):
        found = check_hand(rack(made_for, side), arm_ahead, drive_side)
        assert (found.on_drivers_side, found.turn_end_for_end) == (True, turned)
        assert not found.opposite_hand_needed


@pytest.mark.parametrize("drive_side", ["left", "right", None])
@pytest.mark.parametrize("made_for", ["ahead", "behind"])
@pytest.mark.parametrize("side", ["left", "right", None])
def test_a_pinion_in_the_middle_serves_either_driver(made_for, side, drive_side):
    found = check_hand(rack(made_for, side, pinion_offset_mm=0.0), True, drive_side)
    assert found.turn_end_for_end == (made_for == "behind")
    assert found.opposite_hand_needed is False
    assert {found.pinion_side, found.on_drivers_side} == {None}
    assert found.sentence.endswith("; its pinion is in the middle of the bar, on neither side")
    # A hair beside the middle it has a side again.
    beside = check_hand(rack(made_for, "left", pinion_offset_mm=1.0), True, drive_side)
    assert beside.pinion_side == ("left" if made_for == "ahead" else "right")


def test_turned_end_for_end_what_was_above_the_bar_is_below_it():
    """Square to shaft and bar: as the sentence says, and the reason why the bar then moves back."""
    above = np.cross(TO_DRIVER, [0.0, 1.0, 0.0])
    above *= np.sign(above[2])
    vectors = (*vectors_of_rack("ahead", "left")[:2], above)
    ways = mountings(vectors)
    np.testing.assert_allclose(ways[False][2], above, atol=1e-3)
    np.testing.assert_allclose(ways[True][2], -above, atol=1e-3)
    turned = check_hand(rack("behind", "left"), True, "left")
    assert "which puts below the bar what was above it" in turned.sentence


def test_unknown_is_said_and_not_guessed():
    found = check_hand(rack(None, "left"), True, "left")
    assert found.sentence == f"{UNKNOWN} on which side of the axle its steering arms were"
    assert found.sentence.startswith("unknown: the catalogue does not say")
    assert {found.right_way_as_made, found.turn_end_for_end, found.pinion_side} == {None}
    assert {found.on_drivers_side, found.opposite_hand_needed} == {None}

    found = check_hand(rack("ahead", None), True, "left")
    assert found.sentence == f"steers the right way as made; side of the pinion {UNKNOWN}"
    assert (found.right_way_as_made, found.turn_end_for_end) == (True, False)
    assert {found.pinion_side, found.on_drivers_side, found.opposite_hand_needed} == {None}

    found = check_hand(rack("ahead", "left"), False, None)
    assert found.sentence.endswith("on the right, and the side of the driver is not given")
    assert (found.turn_end_for_end, found.pinion_side) == (True, "right")
    assert {found.on_drivers_side, found.opposite_hand_needed} == {None}


def test_caution_asks_for_a_trial_by_hand():
    assert "see that both wheels steer to the left" in DIRECTION_CAUTION
    assert DIRECTION_CAUTION in CAUTIONS


@pytest.mark.parametrize(
    ("drive_side", "wrong"),
    [
        ("left", [False, True, False, False]),
        ("right", [True, False, False, False]),
        (None, [False, False, False, False]),
    ],
)
def test_a_problem_knows_which_racks_are_of_the_wrong_hand(drive_side, wrong):
    racks = [rack("ahead", "left"), rack("ahead", "right"), rack("ahead", None), rack(None, "left")]
    asked = problem(racks=racks)
    asked = replace(asked, car=replace(asked.car, drive_side=drive_side))
    assert asked.wrong_hand.tolist() == wrong
    assert list(asked.hands) == [check_hand(one, True, drive_side) for one in racks]


# --- own tie rods --------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [250.0, 290.0, 330.0, 380.0])
def test_moved_out_by_half_the_growth_the_rod_fits(length):
    growth = track_growth(POINTS, length)
    moved = POINTS.arms_moved(0.5 * growth)
    assert norm(moved.outer_joint - moved.inner_joint) == pytest.approx(length, abs=1e-10)
    assert (growth > 0.0) == (length > norm(POINTS.outer_joint - POINTS.inner_joint))


def test_growth_of_a_rod_along_the_bar_is_twice_its_excess():
    # Kept rods let a 1300 mm track grow by 50 to 80 mm (common practice, no source): that is what
    # rods 25 to 40 mm longer than wanted give.
    straight = POINTS.with_tie_rod((110.0, 620.0, 210.0), (110.0, 320.0, 210.0))
    assert track_growth(straight, [300.0, 325.0, 340.0, 290.0]) == pytest.approx(
        [0.0, 50.0, 80.0, -20.0]
    )


def test_adjustable_length():
    straight = POINTS.with_tie_rod((110.0, 620.0, 210.0), (110.0, 320.0, 210.0))
    assert kept_rod_length(straight, [305.0, 295.0, 330.0, 270.0], 8.0) == pytest.approx(
        [300.0, 300.0, 322.0, 278.0]
    )
    assert track_growth(straight, [305.0, 295.0, 308.0, 292.0], 8.0).tolist() == [0.0] * 4
    assert track_growth(straight, [330.0, 270.0], 8.0) == pytest.approx([44.0, -44.0])
    assert track_growth(straight, 330.0, None) == track_growth(straight, 330.0, 0.0) == 60.0
    # Within reach the growth is zero exactly, on a slanted rod as well.
    assert track_growth(POINTS, 300.0, 15.0) == 0.0


def test_no_growth_where_the_rod_is_unknown_or_cannot_reach():
    assert np.isnan(track_growth(POINTS, None, None))
    assert np.isnan(track_growth(POINTS, 20.0))
    far = POINTS.with_tie_rod((118.0, 628.0, 205.0), (-60.0, 325.0, 215.0))
    assert track_growth(far, [170.0, np.nan, 400.0]) == pytest.approx(
        [np.nan, np.nan, 2.0 * (np.sqrt(400.0**2 - 178.0**2 - 100.0) - 303.0)], nan_ok=True
    )


def test_growth_over_a_batch():
    inner = np.stack([np.full(3, 95.0), [300.0, 325.0, 350.0], np.full(3, 215.0)], axis=-1)
    batch = POINTS.with_tie_rod(POINTS.outer_joint, inner)
    growth = track_growth(batch, np.array([[300.0], [340.0]]), 2.0)
    assert growth.shape == (2, 3)
    assert np.all(np.diff(growth, axis=1) > 0.0)
    assert np.all(np.diff(growth, axis=0) > 0.0)


# --- mass ----------------------------------------------------------------------------------------


def test_mass():
    assert steering_mass(rack(mass_kg=3.5), [0.0, 50.0], 0.002) == pytest.approx([3.5, 3.7])
    with_rods = rack(mass_kg=3.5, tie_rod_mass_kg=0.4)
    assert steering_mass(with_rods, 50.0, 0.002) == pytest.approx(4.5)
    assert np.all(np.isnan(steering_mass(rack(tie_rod_mass_kg=0.4), [0.0, 50.0], 0.002)))
