"""The toe budget, and compliance as a study asks for it: keys, limits, report and files."""

from __future__ import annotations

import csv
from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from pictures import pixels
from small_study import demo_with, run_here

from optimiser.answer import run_result
from optimiser.answer.budget import Budget, Part, toe_budget
from optimiser.answer.design_numbers import drawn_designs
from optimiser.answer.giving_way import accepted_loss, giving_way
from optimiser.answer.run_result import Chosen
from optimiser.base.errors import InputError
from optimiser.evaluation.asked import Bound
from optimiser.folder.design import write_design
from optimiser.metrics.compliance import NAMES, Stiffness
from optimiser.report.budget_figure import budget_figure
from optimiser.report.under_load import load_part, needed_words
from optimiser.report.words import assumptions, number

GIVEN = """
[stiffness]
rack_mount_n_per_mm = 5000
lower_bush_n_per_mm = 6000
lower_bush_axial_n_per_mm = 3000
column_nm_per_deg = 15

[play]
inner_joint_mm = 0.05
outer_joint_mm = 0.05
rack_mm = 0.1
column_deg = 0.5

[tolerance]"""
LOADS = ("tyre_pressure_kpa = 160", "tyre_pressure_kpa = 160\nlateral_load_n = 2610\ntrail_mm = 45")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return demo_with(folder, ("\n[tolerance]", GIVEN), LOADS)


@pytest.fixture(scope="module")
def chosen(study):
    """The demo's second rack in the drawn place, which no search has to find."""
    return chosen_of(study, study.problem())


def chosen_of(study, problem):
    design = drawn_designs(problem).select(slice(1, 2))
    return Chosen(study, problem, "the drawn place", design, problem.evaluate(design))


def test_each_part_is_what_it_says(chosen):
    budget = toe_budget(chosen)
    geometry, tolerance, play, load = (part.toe_deg for part in budget.parts)
    assert [part.name for part in budget.parts] == ["geometry", "tolerance", "play", "load"]
    assert geometry == pytest.approx(chosen.metric("bump_steer_deg"), rel=1e-12)
    assert play == pytest.approx(
        chosen.metric("toe_play_deg") + chosen.metric("steer_play_deg"), rel=1e-12
    )
    # All of the side force is on the outside wheel.
    by_hand = 2.61 * chosen.metric("toe_lateral_per_kn_deg")
    assert load == pytest.approx(abs(by_hand), rel=1e-12)
    assert budget.accepted_deg == 0.1
    # Built cars depart from the design by what they differ from it, whatever it does itself.
    assert 0.05 < tolerance < 0.2
    assert geometry > 3.0 * tolerance
    assert budget.sentence == ""


def test_the_inside_wheel_may_be_the_worse(study, chosen):
    problem = chosen.problem
    loads = replace(problem.loads, outer_share=0.2)
    found = chosen_of(study, replace(problem, loads=loads))
    toe, other = (chosen.metric(f"toe_lateral{way}_per_kn_deg") for way in ("", "_other"))
    both = [2.61 * abs(0.2 * toe - 0.8 * other), 2.61 * abs(0.8 * toe - 0.2 * other)]
    assert toe_budget(found).parts[-1].toe_deg == pytest.approx(max(both), rel=1e-12)
    assert both[1] > both[0]


def test_geometry_matters_no_longer_below_a_third_of_the_greatest():
    def said(geometry, load, play=0.01):
        parts = (Part("geometry", geometry, ""), Part("play", play, ""), load)
        return Budget(parts, 0.1).sentence

    load = Part("load", 0.3, "", "rack mount")
    assert said(0.1, load) == ""
    words = "Geometry is no longer what matters: load is, the largest part of it in the rack mount."
    assert said(0.0999, load) == words
    assert said(0.05, Part("tolerance", 0.3, "")) == (
        "Geometry is no longer what matters: tolerance is."
    )
    # What is not known might be the greatest: none is named as such.
    assert said(0.0999, load, np.nan) == (
        "Geometry is no longer what matters: load moves toe more, the largest part of it in the "
        "rack mount; whether it is the most cannot be said, since of play nothing is known."
    )
    assert said(0.05, Part("load", np.nan, "")) == ""
    assert said(0.1, load, np.nan) == ""
    assert said(np.nan, load) == ""


def test_what_is_not_given_is_said(study, chosen):
    problem = replace(chosen.problem, tolerances=None, stiffness=None)
    told = {part.name: part.what for part in toe_budget(chosen_of(study, problem)).parts}
    assert told["tolerance"] == "not known: the study has no [tolerance]"
    assert told["load"] == "not known: the study has no [stiffness]"
    loads = replace(chosen.problem.loads, lateral_load_n=None)
    problem = replace(chosen.problem, loads=loads, play=None, tolerances=None)
    told = {part.name: part.what for part in toe_budget(chosen_of(study, problem)).parts}
    assert told["play"] == "not known: the study has no [play]"
    assert told["load"] == "not known: it takes [loads] lateral_load_n"
    racks = tuple(replace(rack, turns=None) for rack in chosen.problem.racks)
    problem = replace(chosen.problem, racks=racks, tolerances=None)
    told = {part.name: part.what for part in toe_budget(chosen_of(study, problem)).parts}
    assert told["play"].endswith("it takes catalogue column turns")
    assert told["load"].endswith("it takes catalogue column turns")


def test_shares_make_the_whole_and_what_is_rigid_is_named(chosen):
    found = giving_way(chosen.problem, chosen.design)
    assert sum(spring.share for spring in found.springs) == pytest.approx(1.0)
    whole = found.at_rest["steer_lost_per_kn_deg"]
    assert sum(spring.lost for spring in found.springs) == pytest.approx(whole, rel=1e-12)
    rigid = ("upper bushes", "upper bushes, axial", "brackets", "ball joints", "rod ends")
    assert found.rigid == rigid
    assert {s.name for s in found.springs if np.isinf(s.stiffness)} == set(rigid)
    assert found.at_rest == pytest.approx({name: chosen.metric(name) for name in NAMES}, rel=1e-12)
    text = load_part(chosen)["giving"]
    assert text["rigid"] == "; ".join(rigid)
    assert [row[1] for row in text["springs"]].count("rigid") == len(rigid)
    # The report has N/mm at the rack, the study N m/deg: what the one is in the other is said.
    column = next(spring for spring in found.springs if spring.name == "column")
    each = number(column.stiffness / 15.0, 0)
    assert f"column, at the rack {each} N/mm for each N m/deg" in [r[0] for r in text["springs"]]


def test_the_needed_stiffness_is_enough_and_no_more(study, chosen):
    problem = chosen.problem
    bounds = (Bound("steer_lost_per_kn_deg", None, 0.09),)
    bounded = replace(problem, limits=replace(problem.limits, bounds=bounds))
    found = giving_way(bounded, chosen.design)
    assert found.most == 0.09
    mount = next(spring for spring in found.springs if spring.name == "rack mount")
    assert 5000.0 < mount.needed < 1e6
    for stiffness, kept in ((1.001 * mount.needed, True), (0.999 * mount.needed, False)):
        stiff = replace(bounded, stiffness=replace(problem.stiffness, rack_mount=stiffness))
        status = chosen_of(study, stiff).outcome.status[0]
        assert ("steer_lost_per_kn_deg" in status) is not kept


def test_without_a_limit_the_accepted_bump_steer_is_what_may_be_lost(chosen):
    most, why = accepted_loss(chosen.problem)
    assert most == pytest.approx(0.1 / 2.61)
    assert why == "0.1 deg, as accepted of bump steer, under 2610 N on the axle"
    silent = replace(chosen.problem, loads=replace(chosen.problem.loads, lateral_load_n=None))
    assert np.isnan(accepted_loss(silent)[0])
    words = [needed_words(value) for value in (np.nan, 0.0, np.inf, 1234.4)]
    assert words == ["–", "no need", "not by this part", "1234"]


def test_the_wheel_at_lock_is_the_loaded_outside_one(study, chosen):
    # At lock the arms, rods and bars stand otherwise; at a lock of next to nothing they do not.
    found = giving_way(chosen.problem, chosen.design)
    assert found.at_lock["toe_lateral_per_kn_deg"] != pytest.approx(
        found.at_rest["toe_lateral_per_kn_deg"], rel=1e-2
    )
    steering = replace(chosen.problem.steering, inner_lock=float(np.radians(0.01)))
    near = giving_way(replace(chosen.problem, steering=steering), chosen.design)
    assert near.at_lock == pytest.approx(near.at_rest, rel=2e-2, abs=1e-5)


def test_files_and_figure(tmp_path, study, chosen):
    write_design(tmp_path, chosen)
    text = (tmp_path / "budget.csv").read_text()
    assert "# taken as rigid under load: upper bushes; upper bushes, axial; brackets" in text
    lines = [r for r in text.splitlines() if r[0] != "#"]
    rows = list(csv.DictReader(lines))
    assert [row["part"] for row in rows] == ["geometry", "tolerance", "play", "load"]
    budget = toe_budget(chosen)
    assert [float(row["toe_change_deg"]) for row in rows] == [p.toe_deg for p in budget.parts]
    assert pixels(budget_figure(chosen)).min() < 100.0
    words = " ".join(assumptions(chosen.problem))
    assert words.startswith("But for the toe budget all parts are rigid")


def test_it_is_worked_out_once(tmp_path, study, chosen):
    fresh = chosen_of(study, chosen.problem)
    with mock.patch.object(run_result, "toe_budget", wraps=toe_budget) as worked_out:
        write_design(tmp_path, fresh)
        budget_figure(fresh)
        load_part(fresh)
    assert worked_out.call_count == 1


def test_a_study_that_does_not_ask_has_none_of_it(tmp_path):
    study = demo_with(tmp_path)
    plain = chosen_of(study, study.problem())
    assert toe_budget(plain) is None
    assert giving_way(plain.problem, plain.design) is None
    assert load_part(plain) is None
    assert budget_figure(plain) is None
    write_design(tmp_path / "out", plain)
    assert not (tmp_path / "out" / "budget.csv").exists()
    asked = {*NAMES, "toe_play_deg", "steer_play_deg", "steering_wheel_play_deg"}
    assert not asked & set(plain.outcome.metrics)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("lower_bush_n_per_mm = 5000", "lower_bush_axial_n_per_mm: is missing"),
        ("upper_bush_axial_n_per_mm = 5000", "upper_bush_n_per_mm: is missing"),
        ("rack_mount_n_per_mm = 0", "between 1 and 1e+07 N/mm"),
        ("rack_mount = 5000", "rack_mount"),
    ],
)
def test_bad_stiffness_is_one_line(tmp_path, lines, words):
    with pytest.raises(InputError) as refused:
        demo_with(tmp_path, ("\n[tolerance]", f"\n[stiffness]\n{lines}\n\n[tolerance]"))
    assert words in str(refused.value)
    assert "[stiffness]" in str(refused.value)


def test_negative_play_is_one_line(tmp_path):
    with pytest.raises(InputError, match=r"\[play\].*rack_mm"):
        demo_with(tmp_path, ("\n[tolerance]", "\n[play]\nrack_mm = -1\n\n[tolerance]"))


def test_batches_do_not_matter(chosen):
    problem = replace(chosen.problem, stiffness=Stiffness(5000.0, 900.0, 400.0, 800.0, 300.0))
    designs = drawn_designs(problem)
    whole = problem.evaluate(designs).metrics
    for row in range(len(designs)):
        alone = problem.evaluate(designs.select(slice(row, row + 1))).metrics
        for name in NAMES:
            assert alone[name][0] == whole[name][row] or np.isnan(whole[name][row])


def test_check_says_what_is_missing_for_the_drawn_rod(tmp_path, study):
    code, _, err = run_here("check", study.path, "--numbers", tmp_path / "n.csv", cwd=tmp_path)
    assert (code, err) == (0, "")
    text = (tmp_path / "n.csv").read_text()
    assert "toe_play_deg" in text
    assert "missing: with [spacer] a rack, [racks] catalogue and catalogue column turns" in text
