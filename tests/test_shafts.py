"""A column's shafts before what moves with the suspension, and before the tyres."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bolted_study import COLUMN, bolted_demo
from fcl_shapes import distance
from moving_case import ROOMY, fcl_shape, placements, random_moving, round_bar
from packaging_case import RACK
from test_driven import WHOLE_LOW, driven_of, one
from test_moving import SOLVER_MM, solved_design
from test_tyre import signed

from optimiser.evaluation.asked import KeepOut, Tyre
from optimiser.evaluation.bolting import Column
from optimiser.evaluation.clearance.engine import Ring
from optimiser.evaluation.clearance.metrics import FAR_MM
from optimiser.evaluation.clearance.pairs import column
from optimiser.evaluation.quantities import closest_names
from optimiser.evaluation.shafts import shaft_clearances

PINION = replace(RACK, pinion_angle_deg=30.0)
THICK = Column((-600.0, 300.0, 500.0), (1.0, 0.0, 0.0), 2, 0.5, (10.0, 50.0), (10.0, 90.0),
               shaft_diameter_mm=16.0)  # fmt: skip
ACROSS = np.array([1.0, -1.0, 1.0])
TYRE = Tyre(outside_radius_mm=290.0, inside_radius_mm=180.0, width_mm=180.0, shoulder_mm=25.0)
RING = Ring(290.0, 180.0, 90.0, 25.0)


def measured(shafts, room, solved, design, *, poses_between=False):
    """Clearance by column of shafts (n, 2, 3) of one design."""
    ends = [(a[None], b[None]) for a, b in shafts]
    return shaft_clearances(
        ends, THICK, design, solved, (PINION,), room, FAR_MM, poses_between=poses_between
    )


def random_shafts(rng, low, high, count=2):
    """Lines in a box on the left of the car, every other one mirrored to the right."""
    ends = rng.uniform(low, high, (count, 2, 3))
    ends[1::2] *= ACROSS
    return ends


# --- measured ------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shafts_before_what_moves_agree_with_python_fcl(seed):
    """On arms, upright and rack, and between two bodies, on both sides of the car."""
    room = replace(ROOMY, keep_outs=random_moving(seed))
    _, design, solved = solved_design(room)
    shafts = random_shafts(np.random.default_rng(seed), (20.0, 200.0, 90.0), (220.0, 600.0, 380.0))
    ours = measured(shafts, room, solved, design)
    bars = [round_bar(*(ends * side), 8.0) for ends in shafts for side in (1.0, ACROSS)]
    poses = range(solved.envelope.exists.shape[1])
    least = dict.fromkeys((item.name for item in room.keep_outs), np.inf)
    for pose in poses:
        bodies = placements(solved, 0, pose)
        for item in room.keep_outs:
            shape = fcl_shape(item, bodies)
            least[item.name] = min(least[item.name], *(distance(shape, bar) for bar in bars))
    separated = 0
    for item in room.keep_outs:
        found, theirs = ours[column("column", item.name)][0], least[item.name]
        if theirs <= 0.0:
            assert found <= SOLVER_MM
        else:
            assert found == pytest.approx(min(theirs, FAR_MM), abs=SOLVER_MM)
            separated += theirs < FAR_MM
    assert separated > 1


def test_shafts_before_the_tyres_agree_with_points_along_them():
    """Of both sides, by the ring's profile; the poses of the right are the mirror image."""
    room = replace(ROOMY, keep_outs=(), tyre=TYRE)
    _, design, solved = solved_design(room)
    centre, spin = solved.envelope.wheel_centre[0], solved.envelope.spin_axis[0]
    rng, near = np.random.default_rng(5), 0
    for _ in range(25):
        shafts = random_shafts(rng, (-300.0, 340.0, 60.0), (320.0, 520.0, 520.0))
        ours = measured(shafts, room, solved, design)[column("tyre", "column")][0]
        share = np.linspace(0.0, 1.0, 1501)[:, None, None]
        points = np.concatenate([a + share * (b - a) for a, b in shafts])
        each = [signed(points * side, centre, spin, RING).min() for side in (1.0, ACROSS)]
        theirs = min(min(each) - 8.0, FAR_MM)
        step = 0.5 * np.linalg.norm(shafts[:, 1] - shafts[:, 0], axis=1).max() / 1500.0
        assert theirs - step - 0.01 <= ours <= theirs + 0.01
        near += ours < FAR_MM
    assert 5 < near < 25


def test_each_side_has_its_own_and_both_the_less():
    """Shafts of the mirrored car before one corner are those of the car before the other."""
    room = replace(ROOMY, keep_outs=random_moving(3), tyre=TYRE)
    _, design, solved = solved_design(room)
    rng, apart = np.random.default_rng(6), 0
    for _ in range(5):
        shafts = random_shafts(rng, (-200.0, 250.0, 90.0), (220.0, 600.0, 450.0))[:1]
        both, left, right = (
            measured(shafts, replace(room, side=side), solved, design)
            for side in (None, "left", "right")
        )
        image = measured(shafts * ACROSS, replace(room, side="right"), solved, design)
        for name in both:
            assert both[name][0] == min(left[name][0], right[name][0])
            assert image[name][0] == pytest.approx(left[name][0], abs=1e-9)
            apart += left[name][0] != right[name][0]
    assert apart > 5


def test_poses_between_the_solved_ones_count():
    """A shaft just clear of the tyre in the solved poses is nearer in the finer ones."""
    room = replace(ROOMY, keep_outs=random_moving(2), tyre=TYRE)
    _, design, solved = solved_design(room)
    rng, nearer = np.random.default_rng(8), 0.0
    for _ in range(20):
        shafts = random_shafts(rng, (-300.0, 340.0, 60.0), (320.0, 600.0, 520.0))
        rough, fine = (
            measured(shafts, room, solved, design, poses_between=way) for way in (False, True)
        )
        for name in rough:
            assert fine[name][0] <= rough[name][0] + 1e-9
            nearer = max(nearer, rough[name][0] - fine[name][0])
    assert nearer > 0.1


# --- in a study ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def free(tmp_path_factory):
    folder = tmp_path_factory.mktemp("free")
    # A pedal box that is out of the way, of a rack whose pinion can be reached.
    clear_box = ("from_mm = [660, -190, 140]", "from_mm = [660, -190, 320]")
    return bolted_demo(folder, clear_box, extra=COLUMN, cells=WHOLE_LOW).problem()


def in_room(problem, **room):
    limits = replace(problem.limits, tyre_clearance_mm=10.0)
    return replace(problem, limits=limits, room=replace(problem.room, **room))


def test_a_place_clear_of_what_moves_is_taken_where_there_is_one(free):
    design = one(free, "Finch")
    before, _ = driven_of(free, design)
    middle = 0.5 * (before.places.upper[0] + before.places.lower[0])
    # On the rack it slides along itself, and the places that it leaves are few.
    x, y, z = middle + np.array([0.0, 0.0, 12.0])
    ends = (x, y - 150.0, z), (x, y + 150.0, z)
    bar = KeepOut("bar", "capsule", *ends, 1.0, on="rack")
    problem = in_room(free, keep_outs=(*free.room.keep_outs, bar))
    name = column("column", "bar")
    blocked = problem.clearances(design, problem.solve(design), before)
    after, solved = driven_of(problem, design)
    found = problem.clearances(design, solved, after)
    assert blocked[name][0] < 5.0
    assert found[name][0] >= 5.0
    assert found["clearance_mm"][0] <= found[name][0]
    assert max(after.places.upper_bend[0], after.places.lower_bend[0]) <= np.radians(30.0) + 1e-9
    ripple = [drawn.metrics()["column_ripple_free_percent"][0] for drawn in (before, after)]
    assert ripple[0] <= ripple[1] + 0.01


def test_a_place_clear_of_the_tyre_is_taken_where_there_is_one(free):
    """A tyre so wide that the shafts at the best place are within its limit."""
    design = one(free, "Finch")
    before, solved = driven_of(free, design)
    problem = in_room(free, tyre=Tyre(285.0, 175.0, 700.0, 10.0))
    after, _ = driven_of(problem, design)
    least, best = (
        problem.clearances(design, solved, driven)[column("tyre", "column")][0]
        for driven in (before, after)
    )
    assert 0.0 < least < 10.0 <= best
    assert problem.clearances(design, solved, after)["tyre_clearance_mm"][0] <= best
    # The limit that moved them is the tyre's alone: half of it leaves them where they were.
    half = replace(problem, limits=replace(problem.limits, tyre_clearance_mm=0.5 * least))
    again, _ = driven_of(half, design)
    np.testing.assert_array_equal(again.places.upper, before.places.upper)


def test_a_limit_of_the_tyre_alone_leaves_the_rest_alone(free):
    """With clearance switched off keep-outs and rods move nothing where there is a tyre."""
    design = one(free, "Finch")
    off = replace(free, limits=replace(free.limits, clearance_mm=None))
    plain, _ = driven_of(replace(off, room=replace(off.room, keep_outs=())), design)
    kept, _ = driven_of(in_room(off, tyre=Tyre(285.0, 175.0, 600.0)), design)
    np.testing.assert_array_equal(kept.places.lower, plain.places.lower)


def test_shafts_alone_bring_a_tyres_limit_and_a_clearance_into_force(free):
    """Of a study in which nothing else that they could touch has a thickness."""
    bare = replace(free.room, tie_rod_diameter_mm=None, joint_diameter_mm=None, rim=None,
                   steering_arm_diameter_mm=None, arm_tube_diameter_mm=None,
                   spacer_diameter_mm=None)  # fmt: skip
    plain = ("tie_rod_diameter_mm", "housing_length_mm", "housing_diameter_mm",
             "pinion_diameter_mm")  # fmt: skip
    racks = tuple(replace(rack, **dict.fromkeys(plain)) for rack in free.racks)
    tyre = Tyre(285.0, 175.0, 900.0)
    none = replace(in_room(free, tyre=tyre), racks=racks)
    none = replace(none, room=replace(bare, keep_outs=(), tyre=tyre))
    assert none.has_tyre
    assert not none.has_pairs
    assert "tyre_clearance_mm" in none.constraint_names
    design = one(none, "Finch")
    outcome = none.evaluate(design)
    assert outcome.metrics["tyre_clearance_mm"][0] < 0.0
    assert outcome.closest["tyre_closest_pair"][0] == "tyre to column"
    assert "tyre_clearance_mm" in outcome.status[0]
    boxed = replace(none, room=replace(bare, tyre=None))
    assert boxed.has_pairs
    assert not boxed.has_tyre
    assert "clearance_mm" in boxed.constraint_names
    found = boxed.evaluate(design).metrics
    pairs = [found[name][0] for name in found if name.startswith("clearance_column_")]
    assert len(pairs) == 2
    assert found["clearance_mm"][0] == min(pairs)
    rods = replace(none, room=replace(bare, keep_outs=(), tie_rod_diameter_mm=14.0))
    assert rods.has_pairs
    silent = replace(boxed, bolting=replace(boxed.bolting, column=None))
    assert not silent.has_pairs


def test_the_closest_pairs_name_the_shafts(free):
    """A study with a tyre tells its closest pairs, those of the shafts among them."""
    box = KeepOut("box", "box", (-330.0, 200.0, 300.0), (-310.0, 330.0, 700.0))
    problem = in_room(free, keep_outs=(box,), tyre=Tyre(285.0, 175.0, 200.0, 10.0))
    outcome = problem.evaluate(one(free, "Finch"))
    pairs = {str(outcome.closest[name][0]): distance for name, distance in closest_names()}
    assert outcome.metrics[pairs["column to box"]][0] < 0.0
