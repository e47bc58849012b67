"""What `check` says of the car as drawn, beside what a study lets vary."""

import numpy as np
import pytest
from small_study import ROOT, demo_with

from optimiser.answer.as_drawn import CANNOT_REACH, describe_study
from optimiser.evaluation.designs import VARIABLES, Designs
from optimiser.linkage.steering_arm import describe_arm

DRAWN = "The car as drawn"
RACKS = "Each rack in the drawn place, without spacers"


@pytest.fixture
def parts_of(tmp_path):
    """Rows by heading of the demo with some of its lines replaced."""

    def described(*changes):
        study = demo_with(tmp_path, *changes)
        return study.problem(), {heading: rows for heading, rows in describe_study(study)[1:]}

    return described


def test_the_drawn_place_and_arm_stand_beside_what_may_vary(parts_of):
    problem, parts = parts_of()
    said, arm = dict(parts["What may vary"]), describe_arm(problem.points)
    inner = problem.points.inner_joint
    for name, text in (
        ("rack_height_mm", f"130 to 260 (drawn {inner[2]:.1f} mm)"),
        ("rack_fore_aft_mm", f"70 to 150 (drawn {inner[0]:.1f} mm)"),
        ("arm_length_mm", f"95 to 130 (drawn {float(arm.length_mm):.1f} mm)"),
        ("arm_height_mm", f"180 to 255 (drawn {float(arm.height_mm):.1f} mm)"),
        ("arm_angle_deg", f"0 to 15 (drawn {np.degrees(arm.angle):.2f} deg)"),
        ("spacer_mm", "one of 0, 10, 20"),
    ):
        assert said[name] == text
    assert "Please check" not in parts


def test_a_range_far_from_the_drawn_part_is_warned_of(parts_of):
    """The drawn rack is at 229 mm and the arm at 7.25 deg."""
    height, angle = "{from = 130, to = 260}", "{from = 0, to = 15}"
    _, parts = parts_of((height, "{from = 270, to = 300}"), (angle, "{from = 20, to = 25}"))
    assert "Please check" not in parts
    _, parts = parts_of((height, "{from = 280, to = 300}"), (angle, "{from = -30, to = -10}"))
    high, turned = (text for _, text in parts["Please check"])
    assert high.startswith("[search.vary] rack_height_mm, 280 to 300, is 51 mm from the drawn 229")
    assert turned.startswith("[search.vary] arm_angle_deg, -30 to -10, is 17 deg from the drawn 7")


def test_clearance_and_loads_of_each_rack_in_the_drawn_place(parts_of):
    # With its drop link 15 mm further ahead: where it is no rack leaves the drawn rod room enough.
    ends = "from_mm = [700, -370, 30]\nto_mm = [765, -365, 235]"
    problem, parts = parts_of((ends, "from_mm = [685, -370, 30]\nto_mm = [750, -365, 235]"))
    rows, arm = dict(parts[RACKS]), describe_arm(problem.points)
    inner = problem.points.inner_joint
    place = {
        "rack_height_mm": inner[2],
        "rack_fore_aft_mm": inner[0],
        "spacer_mm": 0.0,
        "arm_length_mm": float(arm.length_mm),
        "arm_height_mm": float(arm.height_mm),
        "arm_angle_deg": float(np.degrees(arm.angle)),
    }
    assert len(rows) == len(problem.racks)
    broken = 0
    for index, rack in enumerate(problem.racks):
        design = Designs(np.array([index]), np.array([[place[name] for name in VARIABLES]]))
        metrics = problem.evaluate(design).metrics
        clearance = metrics["clearance_mm"][0]
        text = rows[rack.name]
        assert text.startswith(f"clearance {clearance:.1f} mm (")
        assert ("at least 5 wanted: BREAKS THE LIMIT" in text) == (clearance < 5.0)
        broken += clearance < 5.0
        assert f"; tie-rod force {metrics['tie_rod_force_n'][0]:.0f} N; " in text
        assert f"; rack force {metrics['rack_force_n'][0]:.0f} N; " in text
        assert f"parked {metrics['steering_wheel_torque_nm'][0]:.1f} N m; distance" in text
    assert 0 < broken < len(rows)


def test_where_nothing_can_touch_and_no_load_is_given_there_are_no_rows(parts_of):
    text = (ROOT / "studies" / "demo.toml").read_text("utf-8")
    cut = text[text.index("[[keep_out]]") : text.index("[tie_rod]")]
    arms = text[text.index("[arms]") : text.index("[loads]")]
    loads = text[text.index("[loads]") : text.index("[tolerance]")]
    limit = ("tyre_clearance_mm = 8\n", "")
    _, parts = parts_of((cut, ""), (arms, ""), (loads, ""), limit)
    assert RACKS not in parts


def test_what_the_drawn_linkage_cannot_reach_is_said_with_the_reason(parts_of):
    """A travel that ends the wishbones; a lock at which rod and arm line up in droop or bump."""
    toggle = "toggle margin up to the required lock"
    for change, unreached, reason in (
        (("droop_mm = 60", "droop_mm = 300"), "bump steer", "the arms do not reach -300 to 60 mm"),
        (("inner_lock_deg = 34", "inner_lock_deg = 69"), toggle, "tie rod and steering arm line"),
    ):
        _, parts = parts_of(change)
        rows = dict(parts[DRAWN])
        assert "nan" not in " ".join(rows.values())
        assert rows[unreached] == CANNOT_REACH
        assert rows[CANNOT_REACH].startswith(reason)
        if unreached == "bump steer":
            assert rows["bump steer is not acceptable"] == f"{CANNOT_REACH} against 0.1 deg"
            assert all("cannot assemble: " in text for text in dict(parts[RACKS]).values())
    _, parts = parts_of(("inner_lock_deg = 34", "inner_lock_deg = 18"))
    rows = dict(parts[DRAWN])
    assert rows["Ackermann percentage at 20 deg (likewise)"] == "the required lock is less"
    assert CANNOT_REACH not in rows


def test_the_outer_joints_angle_is_printed_and_held_against_its_limit(parts_of):
    for limit, broken in ((30, False), (2, True)):
        _, parts = parts_of(("outer_joint_angle_deg = 25", f"outer_joint_angle_deg = {limit}"))
        text = dict(parts[DRAWN])["outer joint's misalignment up to the required lock"]
        assert f"at most {limit} wanted" in text
        assert ("BREAKS THE LIMIT" in text) is broken
