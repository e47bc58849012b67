"""A rack that the search may roll about its bar, from the study to what is picked."""

import csv
from dataclasses import replace

import numpy as np
import pytest
from bolted_study import COLUMN, WHOLE, bolted_demo
from small_study import run_here, run_undrawn

from optimiser.answer.design_numbers import drawn_designs
from optimiser.base.errors import InputError
from optimiser.evaluation.designs import ROLL
from optimiser.folder.choose import choose
from optimiser.folder.read import read_results
from optimiser.questions.what_if.session import Session
from optimiser.questions.what_if.state import open_design
from optimiser.search.residuals import Model

# The feet hang 30 mm below the bar; the zones want them behind it instead: a roll of some 90 deg.
ZONES = """
[[mount_zone]]
from_mm = [700, -190, -20]
to_mm = [900, 190, 190]
[limits.at_most]
mount_mm = 0.001
"""
BEHIND = """
[[mount_zone]]
from_mm = [772, -190, -20]
to_mm = [960, 190, 190]
"""
HIGH = """
[[mount_zone]]
from_mm = [680, -190, 112]
to_mm = [900, 190, 250]
"""
"""Above the feet of a rack at the greatest height that the demo allows, unless it is rolled."""
ROOM_ABOVE = ("from_mm = [660, -190, 140]", "from_mm = [660, -190, 260]")
FREE = ("arm_angle_deg = {", "rack_roll_deg = {from = -60, to = 200}\narm_angle_deg = {")
COARSE = ("droop_mm = 60", "droop_mm = 60\nstep_mm = 30")
EXACT = (
    """
[tolerance]
bracket_mm = 1.0
spacer_mm = 0.2
arm_mm = 0.5
hardpoints_mm = 0.5
toe_deg = 0.05
""",
    "",
)
FEW = ("trials = 1500", "trials = 20\npopulation = 10")
ONE = ('catalogue = "demo_racks.csv"', 'catalogue = "demo_racks.csv"\nuse = ["Finch"]')


@pytest.fixture(scope="module")
def problem(tmp_path_factory):
    return bolted_demo(tmp_path_factory.mktemp("rolled"), FREE, extra=BEHIND).problem()


def test_the_roll_is_a_seventh_variable_and_begins_where_the_pinion_keeps_its_angle(problem):
    assert problem.variables[-1] == ROLL
    designs = drawn_designs(problem)
    assert designs.values.shape == (7, 7)
    rolls = dict(zip((r.name for r in problem.racks), designs.column(ROLL), strict=True))
    assert (rolls["Finch"], rolls["Wren"]) == (0.0, 80.0)


def test_feet_pinion_and_limits_follow_the_roll(problem):
    bounds = problem.bounds
    assert (bounds["pinion_facing_deg"].least, bounds["pinion_facing_deg"].most) == (-45.0, 135.0)
    design = drawn_designs(problem).select(slice(3, 4))
    assert problem.racks[3].name == "Finch"
    found = []
    for roll in (0.0, 90.0, 120.0):
        values = design.values.copy()
        values[:, -1] = roll
        outcome = problem.evaluate(replace(design, values=values))
        metrics = outcome.metrics
        assert metrics["pinion_facing_deg"][0] == pytest.approx(40.0 + roll)
        found.append(metrics["mount_mm"][0])
        assert ("pinion_facing_deg" in outcome.status[0]) == (roll == 120.0)
    # Feet as drawn at CAD x 762 and 766; rolled by 90 deg up goes rearward: 30 mm below is ahead.
    left, right = np.array([-20.0, -32.0]), np.array([-24.0, -28.0])  # forward and up
    for roll, mount in zip(np.radians([0.0, 90.0, 120.0]), found, strict=True):
        turn = np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
        places = [742.0 - (turn @ foot)[0] for foot in (left, right)]
        heights = [109.0 + (turn @ foot)[1] for foot in (left, right)]
        assert all(-20.0 <= z <= 190.0 for z in heights)
        assert mount == pytest.approx(max(max(772.0 - x, 0.0) for x in places), abs=1e-9)


def test_with_a_column_the_angle_of_the_pinion_is_left_to_it(tmp_path):
    problem = bolted_demo(tmp_path, FREE, extra=COLUMN).problem()
    assert "pinion_facing_deg" not in problem.bounds


def test_refinement_moves_the_roll(problem):
    model = Model(problem)
    assert len(model.columns) == 6
    design = drawn_designs(problem).select(slice(3, 4))
    table = model.table(model.scaled(design), design)
    slope = model.jacobian(table, np.ones((1, 6), dtype=bool))[0, -1]
    assert np.abs(slope).max() > 1.0  # of the feet's distance at least


def test_a_search_rolls_the_rack_into_its_zone_and_a_folder_keeps_the_roll(tmp_path):
    study = bolted_demo(tmp_path, FREE, FEW, ONE, ROOM_ABOVE, COARSE, EXACT, extra=HIGH)
    (outcome,) = run_undrawn(study, tmp_path / "out")
    stored = read_results(outcome.folder)
    result = stored.result
    assert result.winner is not None
    roll = float(result.designs.column(ROLL)[result.winner])
    assert abs(roll) > 10.0
    with (outcome.folder / "trials.csv").open(encoding="utf-8") as lines:
        table = csv.DictReader(line for line in lines if not line.startswith("#"))
        assert table.fieldnames.index(ROLL) == 8
    again = stored.problem.evaluate(result.designs.select(slice(0, 5)))
    np.testing.assert_allclose(again.metrics["mount_mm"], result.evaluation.metrics["mount_mm"][:5])
    picked = choose(stored, None, None, [f"{ROLL}=0"])
    assert picked.chosen.design.column(ROLL)[0] == 0.0
    assert "BREAKS" in "\n".join(
        run_here("pick", outcome.folder, "--at", f"{ROLL}=0", "--no-pictures", cwd=tmp_path)[1:]
    )


def test_without_the_key_nothing_of_it_is_there(tmp_path):
    problem = bolted_demo(tmp_path, extra=ZONES, cells=WHOLE).problem()
    assert ROLL not in problem.variables
    assert drawn_designs(problem).values.shape == (7, 6)
    assert "pinion_facing_deg" not in problem.bounds
    assert problem.without_roll is problem


# --- other questions of the same study ------------------------------------------------------------


def test_try_types_a_roll_like_any_variable(tmp_path):
    study = bolted_demo(tmp_path, FREE, ROOM_ABOVE, extra=BEHIND)
    session = Session(open_design(study.path, tmp_path))
    rack = session.state.chosen.problem.racks[0].name
    assert "rack_roll_deg" in " ".join(session.answer("help"))
    said = session.answer("rack_roll 70")
    assert said[0].startswith("roll of the rack 70.0 deg (+")
    assert session.state.values[ROLL] == 70.0
    session.answer("rack_rol +5")
    chosen = session.state.chosen
    assert chosen.design.column(ROLL)[0] == 75.0
    problem, values = chosen.problem, chosen.design.values.copy()
    values[0, -1] = 75.0
    again = problem.evaluate(replace(chosen.design, values=values)).metrics["mount_mm"]
    assert chosen.metric("mount_mm") == again[0]
    assert session.answer("rack_roll = -20")[0].endswith("(-95.0)")
    assert "outside the study" in "\n".join(session.answer("rack_roll -100"))
    with pytest.raises(InputError, match="is not between -360 and 360"):
        session.answer("rack_roll 400")
    session.answer("undo")
    assert session.state.values[ROLL] == -20.0
    session.answer(f"rack {problem.racks[1].name}")
    assert session.state.values[ROLL] == -20.0
    assert session.state.chosen.rack.name != rack


def test_try_says_what_a_study_without_a_roll_lacks(tmp_path):
    session = Session(open_design(bolted_demo(tmp_path, extra=ZONES).path, tmp_path))
    with pytest.raises(InputError, match=r"may be rolled; give \[search.vary\] rack_roll_deg"):
        session.answer("rack_roll 5")
    assert "roll" not in " ".join(session.answer("help"))


def test_heights_looks_at_the_roll_of_the_drawn_place_and_says_so(tmp_path):
    """A range that leaves out where the rack lies without a word: its nearest end."""
    far = (FREE[0], FREE[1].replace("-60", "60"))
    study = bolted_demo(tmp_path, far, ROOM_ABOVE, COARSE, EXACT, extra=BEHIND)
    rolled = study.problem()
    fixed = rolled.without_roll
    drawn = drawn_designs(rolled)
    np.testing.assert_array_equal(fixed.default_rolls_deg, drawn.column(ROLL))
    assert set(fixed.default_rolls_deg) == {60.0, 80.0}
    turned = [rack.name for rack in fixed.racks].index("Wren")
    assert "by 80.0 deg, its top rearward" in fixed.hands[turned].sentence
    plain = drawn_designs(fixed)
    for name in ("mount_mm", "clearance_mm"):
        one, other = (asked.evaluate(at).metrics[name] for asked, at in
                      ((rolled, drawn), (fixed, plain)))  # fmt: skip
        np.testing.assert_array_equal(one, other)
    code, out, err = run_here(
        "heights", "mine.toml", "--rack", "Finch", "--from", "200", "--to", "205", "--step", "5",
        cwd=tmp_path,
    )  # fmt: skip
    assert code in (0, 1), err
    said = " ".join(out.split())
    assert (
        "At every height the rack lies rolled about its bar by 60.0 deg, its top rearward" in said
    )
