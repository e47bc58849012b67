"""Angles of the joints of the tie rod against turned bodies and by hand; corners are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from references.corners import CORNERS
from scipy.spatial.transform import Rotation
from search_cases import case, random_designs
from small_study import small_study

from optimiser.answer.whole_sweep import sweep_whole
from optimiser.base.errors import InputError
from optimiser.evaluation.designs import VARIABLES, Range
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import CadFrame, Hardpoints
from optimiser.metrics import joints
from optimiser.search.residuals import Model
from optimiser.study.problem_parts import outer_bolt_of

DOWN_AND_OUT = (0.2, 0.3, -0.9)


def planar(rod_lift_mm: float = 0.0, lean_mm: float = 0.0) -> Hardpoints:
    """Parallel, equal, level arms of 300 mm and a tie rod that is parallel to them.

    `rod_lift_mm` raises the outer joint, `lean_mm` moves the upper arm inboard.
    """
    y = 640.0
    return Hardpoints.from_mapping(
        {
            "lower_front_pivot": (130.0, y - 300.0, 160.0),
            "lower_rear_pivot": (-130.0, y - 300.0, 160.0),
            "lower_ball_joint": (0.0, y, 160.0),
            "upper_front_pivot": (110.0, y - 300.0 - lean_mm, 390.0),
            "upper_rear_pivot": (-110.0, y - 300.0 - lean_mm, 390.0),
            "upper_ball_joint": (0.0, y - lean_mm, 390.0),
            "wheel_centre": (0.0, 690.0, 275.0),
            "outer_joint": (-120.0, y, 230.0 + rod_lift_mm),
            "inner_joint": (-120.0, y - 300.0, 230.0),
        }
    )


def test_tie_rod_angles():
    drawn = planar()
    rest = solve_linkage(drawn, 0.0, 0.0)
    assert joints.inner_joint_angle(rest) == pytest.approx(0.0, abs=1e-9)
    bumped = solve_linkage(drawn, 60.0, 0.0)
    # Rod and arms are parallel and equal: both swing by asin(60 / 300).
    assert joints.inner_joint_angle(bumped) == pytest.approx(np.arcsin(0.2), abs=1e-12)
    assert joints.tie_rod_swing(bumped, rest) == pytest.approx(np.arcsin(0.2), abs=1e-12)
    steered = solve_linkage(drawn, 0.0, 40.0)
    rod = steered.outer_joint - steered.inner_joint
    assert joints.inner_joint_angle(steered) == pytest.approx(np.arcsin(abs(rod[0]) / 300.0))


def test_misalignment_of_the_outer_joint_by_hand():
    """The upright of parallel arms does not turn as the wheel rises: only the rod leans."""
    drawn = planar()
    rest, bumped = solve_linkage(drawn, 0.0, 0.0), solve_linkage(drawn, 60.0, 0.0)
    each = joints.outer_joint_misalignment(bumped, rest, None)
    np.testing.assert_allclose(each, np.arcsin(0.2), rtol=0, atol=1e-12)
    # Steered, the rod turns about a vertical bolt, which it may.
    steered = solve_linkage(drawn, 0.0, 40.0)
    each = joints.outer_joint_misalignment(steered, rest, None)
    np.testing.assert_allclose(each, 0.0, rtol=0, atol=1e-12)
    # A bolt along the rod is as far off square as can be, and one lengthways stays square.
    for bolt, angle in (((0.0, 2.0, 0.0), np.pi / 2.0), ((5.0, 0.0, 0.0), 0.0)):
        found = joints.outer_joint_misalignment(rest, rest, bolt)
        np.testing.assert_allclose(found, [angle], rtol=0, atol=1e-7)


def test_misalignment_counts_from_the_bolt_and_not_from_rest():
    """A rod that rises outboard by 30 on 300, and an axis that leans inboard by 46 on 230."""
    rest = solve_linkage(planar(rod_lift_mm=30.0, lean_mm=46.0), 0.0, 0.0)
    rise, lean = np.arctan2(30.0, 300.0), np.arctan2(46.0, 230.0)
    found = dict(
        zip(joints.BOLT_WORDS, joints.outer_joint_misalignment(rest, rest, None), strict=True)
    )
    assert found["vertical"] == pytest.approx(rise, abs=1e-12)
    assert found["steering axis"] == pytest.approx(abs(rise - lean), abs=1e-12)
    assert found["square to rod"] == pytest.approx(0.0, abs=1e-12)


def turned_with_the_upright(vector, rest, poses):
    """The vector as scipy's fit of two bodies turns it: an outside rotation of each pose."""

    def body(at, index):
        points = [at.lower_ball_joint, at.upper_ball_joint, at.outer_joint, at.wheel_centre]
        points = np.array([point[index] for point in points])
        return points - points[0]

    drawn = body(rest, 0)
    for index in np.flatnonzero(poses.exists):
        turn, error = Rotation.align_vectors(body(poses, index), drawn)
        assert error < 1e-3  # it is one rigid body
        yield index, turn.apply(vector)


@pytest.mark.parametrize("name", CORNERS)
@pytest.mark.parametrize("bolt", [*joints.BOLT_WORDS, DOWN_AND_OUT])
def test_the_bolt_turns_with_the_upright(name, bolt):
    drawn = CORNERS[name]
    points = Hardpoints.from_mapping(drawn["points"])
    attitude = Attitude(
        *(np.radians(drawn[key]) for key in ("static_toe_in_deg", "static_camber_deg"))
    )
    low, high = drawn["travel_mm"]
    travel, rack = (a.ravel() for a in np.meshgrid(np.linspace(low, high, 5), [-30.0, 0.0, 25.0]))
    rest = solve_linkage(points, np.zeros(1), 0.0, attitude)
    poses = solve_linkage(points, travel, rack, attitude)
    axis = points.upper_ball_joint - points.lower_ball_joint
    rod = points.outer_joint - points.inner_joint
    vectors = {
        "steering axis": axis,
        "vertical": np.array([0.0, 0.0, 1.0]),
        # Square to the rod in the plane of rod and axis.
        "square to rod": np.cross(np.cross(rod, axis), rod),
    }
    vector = vectors[bolt] if isinstance(bolt, str) else np.array(bolt)
    ours = joints.outer_joint_misalignment(poses, rest, bolt)
    assert ours.shape == (1, len(travel))
    for index, along in turned_with_the_upright(vector, rest, poses):
        rod = (poses.outer_joint - poses.inner_joint)[index]
        cosine = along @ rod / np.linalg.norm(along) / np.linalg.norm(rod)
        assert ours[0, index] == pytest.approx(abs(np.pi / 2.0 - np.arccos(cosine)), abs=1e-9)


# --- what a study says of it ---------------------------------------------------------------------


def asked_with(bolt):
    asked = case(travel_mm=120.0)
    return replace(asked, car=replace(asked.car, outer_bolt=bolt))


def test_without_a_bolt_the_worst_of_the_three_counts():
    designs = random_designs(asked_with(None), 30)
    found = {
        bolt: asked_with(bolt).evaluate(designs).metrics["outer_joint_angle_deg"]
        for bolt in (None, *joints.BOLT_WORDS)
    }
    assert np.isfinite(found[None]).sum() > 10
    worst = np.max([found[word] for word in joints.BOLT_WORDS], axis=0)
    np.testing.assert_array_equal(found[None], worst)
    one = found["vertical"]
    assert np.nanmax(worst - one) > 1.0


def test_the_limit_and_the_whole_sweep_judge_the_same_angle():
    asked = asked_with(DOWN_AND_OUT)
    designs = random_designs(asked, 30)
    found = asked.evaluate(designs)
    angle = found.metrics["outer_joint_angle_deg"]
    column = asked.constraint_names.index("outer_joint_angle_deg")
    np.testing.assert_allclose(found.constraints[:, column], angle - 18.0, rtol=0, atol=1e-12)
    first = int(np.flatnonzero(found.assembles)[0])
    sweep = sweep_whole(asked, designs.select(slice(first, first + 1)))
    assert sweep is not None
    assert sweep.outer_joint_angle_deg == pytest.approx(angle[first], abs=0.3)


@pytest.mark.parametrize("bolt", [None, "square to rod", DOWN_AND_OUT])
def test_refinement_sees_every_pose_in_degrees(bolt):
    """Rows of the limits on joints and toggle, at poses that are not the worst."""
    asked = asked_with(bolt)
    model = Model(asked)
    free = [name for name in VARIABLES if isinstance(asked.space[name], Range)]
    low = np.array([asked.space[name].low for name in free])
    high = np.array([asked.space[name].high for name in free])
    designs = random_designs(asked, 20)
    values = np.stack([designs.column(name) for name in free], axis=1)
    table = model.table((values - low) / (high - low), designs)
    solved = asked.solve(model.designs(table.scaled, designs))
    angles = {
        "toggle_margin_deg": (-np.degrees(solved.envelope.toggle_margin), -25.0),
        "inner_joint_angle_deg": (np.degrees(joints.inner_joint_angle(solved.envelope)), 30.0),
        "outer_joint_angle_deg": (
            np.degrees(
                np.concatenate(
                    list(joints.outer_joint_misalignment(solved.envelope, solved.rest, bolt)),
                    axis=1,
                )
            ),
            18.0,
        ),
    }
    fine = np.flatnonzero(table.feasible | (solved.reason == ""))
    assert len(fine) > 5
    parts = model.parts[len(asked.objectives.names) :]
    for name, part in zip(asked.constraint_names, parts, strict=True):
        if name in angles:
            each, allowed = angles[name]
            excess = each[fine] - allowed
            np.testing.assert_allclose(table.rows[fine, part], excess, rtol=0, atol=1e-9)


def test_a_study_names_its_bolt_in_cad_axes(tmp_path):
    extra = "\n[arms]\nouter_bolt = {}\n"
    for number, (text, expected) in enumerate(
        (
            ('"square to rod"', "square to rod"),
            ("[0.0, 0.1, 1.0]", (0.0, 0.1, 1.0)),
        )
    ):
        study = small_study(tmp_path / f"s{number}", extra=extra.format(text))
        assert study.car.outer_bolt == expected
        assert study.problem().car.outer_bolt == expected
    assert small_study(tmp_path / "none").car.outer_bolt is None
    # CAD axes of another kind turn the direction, and where their origin lies does not.
    turned = CadFrame("-x", "+z", "+y", (100.0, 20.0, 3.0))
    assert outer_bolt_of(study.file, turned) == (0.0, 1.0, 0.1)
    np.testing.assert_array_equal(turned.direction([1.0, 2.0, 3.0]), [-1.0, 3.0, 2.0])


@pytest.mark.parametrize("bolt", ['"upright"', "[0.0, 0.0, 0.0]", "[0.0, 1.0]", "7"])
def test_what_is_no_direction_is_refused(tmp_path, bolt):
    with pytest.raises(InputError, match="outer_bolt"):
        small_study(tmp_path, extra=f"\n[arms]\nouter_bolt = {bolt}\n")
