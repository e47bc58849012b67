"""Where the steering ends is said once: files, tables and figures of a run agree about it."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from packaging_case import RACK, problem
from small_study import nothing_drawn, write_small_study

from optimiser.evaluation.problem import Range
from optimiser.folder.choose import choose
from optimiser.folder.pick import write_pick
from optimiser.folder.read import read_results
from optimiser.jobs.start import run_study
from optimiser.linkage.at_rack import solve_linkage
from optimiser.report.figures import design_figures
from optimiser.study.read import read_study

SPARE_MM = 5.0
CIRCLE = "turning_circle_m"


@pytest.fixture(scope="module", params=["lock", "rack"])
def stops(request):
    return request.param


@pytest.fixture(scope="module")
def stored(stops, tmp_path_factory):
    """A run of one rack whose travel is more than the lock needs, with and without stops."""
    folder = tmp_path_factory.mktemp(f"stops-{stops}")
    path = write_small_study(folder, racks=("Short",), trials=40, search="refine = false")
    text = path.read_text("utf-8")
    for old, new in (
        ('stops = "rack"', f'stops = "{stops}"'),
        ("inner_lock_deg = 35", "inner_lock_deg = 28"),
        ("acceptable_bump_steer_deg = 0.12", "acceptable_bump_steer_deg = 2.0"),
        ("# tyre_width_mm = 195", "tyre_width_mm = 195"),
    ):
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")
    with nothing_drawn():
        outcome = run_study(read_study(path), out=folder / "results")
    assert outcome.finished, outcome.problems
    return read_results(outcome.folder)


@pytest.fixture(scope="module")
def winner(stored):
    return stored.result.chosen(stored.result.winner)


@pytest.fixture(scope="module")
def end_mm(stops, winner):
    """Where it has to end, from the catalogue and the lock alone."""
    needed = winner.metric("rack_needed_mm")
    assert 0.5 * winner.rack.travel_mm > needed + SPARE_MM
    return needed if stops == "lock" else 0.5 * winner.rack.travel_mm


def table(path):
    return pd.read_csv(path, comment="#")


def test_the_turning_circle_of_the_record_is_that_of_the_table_of_racks(stored, stops, winner):
    record = json.loads((stored.folder / "run.json").read_text("utf-8"))["winner"]
    racks = table(stored.folder / "racks.csv")
    (row,) = racks[racks["design"] == record["design"]].to_dict("records")
    assert record[CIRCLE] == row[CIRCLE]
    # The inner wheel stops at the lock that was asked for, or goes on as far as the rack.
    reached = row["inner_lock_reached_deg"]
    assert reached == pytest.approx(28.0, abs=1e-6) if stops == "lock" else reached > 29.0


def test_the_curves_end_where_the_steering_does(stored, end_mm):
    rack = table(stored.folder / "curves.csv")["rack_mm"]
    assert rack.max() == pytest.approx(end_mm, abs=1e-9)
    assert rack.min() == pytest.approx(-end_mm, abs=1e-9)


def test_the_curves_of_a_picked_design_do_too(stored, end_mm):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimiser.report.figures.design_figures", lambda *_: {})
        folder = write_pick(stored, choose(stored, stored.result.winner + 1, None))
    rack = table(folder / "curves.csv")["rack_mm"]
    assert rack.max() == pytest.approx(end_mm, abs=1e-9)


def test_the_steer_of_the_last_curve_is_what_the_table_of_racks_reaches(stored):
    curves = table(stored.folder / "curves.csv")
    level = curves[curves["travel_mm"] == 0.0].set_index("rack_mm")["steer_deg"]
    turned = (level - level[0.0]).abs()
    racks = table(stored.folder / "racks.csv").iloc[0]
    assert turned.max() == pytest.approx(racks["inner_lock_reached_deg"], abs=1e-9)
    ends = turned[[level.index.min(), level.index.max()]]
    assert ends.min() == pytest.approx(racks["outer_lock_reached_deg"], abs=1e-9)


def test_the_tie_rod_is_drawn_as_far_as_the_steering_goes(winner, end_mm):
    above = design_figures(winner)["linkage"].axes[0]
    swept = np.array([line.get_xydata() for line in above.lines if line.get_alpha() == 0.28])
    inner = -swept[swept[:, 0, 0] < 0.0, 0, 0]
    y = float(winner.points.inner_joint[1])
    assert inner.max() == pytest.approx(y + end_mm, abs=1e-9)
    assert inner.min() == pytest.approx(y - end_mm, abs=1e-9)


def test_wheel_angles_are_drawn_to_the_lock_that_is_asked_for(winner):
    """That figure is about the required lock: with stops there, it is where the steering ends."""
    figure = design_figures(winner)["wheel_angles"]
    assert isinstance(figure, Figure)
    for axes in figure.axes:
        assert axes.get_xlim() == pytest.approx((0.0, 28.0), abs=1e-6)


# --- the problem itself --------------------------------------------------------------------------


def asked(lock_deg, stops, travel_mm):
    question = problem(
        racks=(replace(RACK, travel_mm=travel_mm),),
        steering={"inner_lock": np.radians(lock_deg), "stops": stops},
    )
    return replace(question, space=question.space | {"rack_height_mm": Range(180.0, 240.0)})


def designs_of(question):
    return question.designs(np.zeros(7, int), {"rack_height_mm": np.linspace(185.0, 235.0, 7)})


def test_stops_end_the_steering_where_the_inner_wheel_has_the_lock():
    question = asked(20.0, "lock", 110.0)
    designs = designs_of(question)
    end = question.steering_end_mm(designs)
    assert (end < 55.0).all()
    points, _ = question.corners(designs)
    steer = solve_linkage(points.with_pose_axes(1), 0.0, np.array([-1.0, 0.0, 1.0]) * end[:, None])
    turned = np.degrees(np.abs(steer.steer - steer.steer[:, 1:2])).max(axis=1)
    np.testing.assert_allclose(turned, 20.0, atol=1e-9)
    np.testing.assert_array_equal(question.solve(designs).steering_end_mm, end)


@pytest.mark.parametrize(
    ("lock_deg", "stops", "travel_mm"),
    [
        (20.0, "rack", 110.0),
        (30.0, "lock", 50.0),  # the rack ends before the stops are reached
        (88.0, "lock", 60.0),  # a lock that the linkage cannot reach has no stops
    ],
)
def test_otherwise_the_rack_does(lock_deg, stops, travel_mm):
    question = asked(lock_deg, stops, travel_mm)
    end = question.steering_end_mm(designs_of(question))
    np.testing.assert_array_equal(end, np.full(7, 0.5 * travel_mm))
