"""Feet, zones and the drilling sheet: from the study to what is written."""

import csv
import datetime
import re

import numpy as np
import pytest
from bolted_study import COLUMN, FEET, ZONES, bolted_demo
from scipy.spatial.transform import Rotation

from optimiser.answer.bolted import (
    bolted_points,
    bolted_sentences,
    drilling_rows,
    lies_words,
    silent_notes,
)
from optimiser.answer.bolting_remedies import bolting_rescues
from optimiser.answer.design_numbers import drawn_designs, drawn_numbers
from optimiser.answer.run_result import Chosen
from optimiser.base.errors import InputError
from optimiser.folder.cad import dxf_text, make_drawing, step_text
from optimiser.folder.design import write_design
from optimiser.linkage.hardpoints import read_hardpoints
from optimiser.report.linkage_figure import glance_figure, linkage_figure


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return bolted_demo(tmp_path_factory.mktemp("bolted"), blank=("Stork",))


@pytest.fixture(scope="module")
def problem(study):
    return study.problem()


def design_of(problem, name):
    index = [rack.name for rack in problem.racks].index(name)
    return drawn_designs(problem).select(slice(index, index + 1))


def expected_feet(problem, design, turned, roll_deg):
    """Both feet in body axes, by scipy, that on the left first."""
    way = Rotation.from_euler("y", -roll_deg, degrees=True)
    way = way * Rotation.from_euler("z", 180.0 if turned else 0.0, degrees=True)
    own = [
        [FEET[f"{s}_foot_{w}_mm"] for w in ("forward", "along", "up")] for s in ("left", "right")
    ]
    fore_aft, height = (float(design.column(f"rack_{n}_mm")[0]) for n in ("fore_aft", "height"))
    feet = np.add(way.apply(own), [fore_aft, 0.0, height])
    return feet[::-1] if turned else feet


@pytest.mark.parametrize(("name", "turned", "roll"), [("Finch", False, 0.0), ("Wren", True, 80.0)])
def test_feet_and_their_distance_from_the_zones(study, problem, name, turned, roll):
    design = design_of(problem, name)
    feet = expected_feet(problem, design, turned, roll)
    points = bolted_points(problem, design)
    found = [points["rack_foot_left"], points["rack_foot_right"]]
    np.testing.assert_allclose(found, feet, atol=1e-9)
    # The zones as the study has them, in CAD: x 680 to 860, y 80 to 190 either side, z -40 to 190.
    cad = study.frame.to_cad(feet)
    gaps = [
        np.linalg.norm(np.maximum(np.maximum(low - at, at - high), 0.0))
        for at, low, high in zip(
            cad, ([680, -190, -40], [680, 80, -40]), ([860, -80, 190], [860, 190, 190]), strict=True
        )
    ]
    metrics = problem.evaluate(design).metrics
    assert metrics["mount_mm"][0] == pytest.approx(max(gaps), abs=1e-9)
    words = "turned end for end, rolled about its bar by 80.0 deg, its top rearward"
    assert lies_words(problem, design) == (words if turned else "as made, not rolled about its bar")


def test_a_rack_that_misses_its_zone_breaks_a_limit_by_the_distance(tmp_path):
    away = ZONES.replace("[680, -190, -40]", "[791, -190, -40]")
    problem = bolted_demo(tmp_path, extra=away).problem()
    design = design_of(problem, "Finch")
    outcome = problem.evaluate(design)
    # The drawn rack is at CAD x 742, its left foot 20 mm further back, at 762.
    assert outcome.metrics["mount_mm"][0] == pytest.approx(29.0)
    assert "mount_mm" in outcome.status[0]
    at = problem.constraint_names.index("mount_mm")
    assert outcome.constraints[0, at] == pytest.approx(29.0)


def test_another_limit_on_the_distance_is_the_studys(tmp_path):
    limit = "[limits.at_most]\nmount_mm = 4\n"
    study = bolted_demo(tmp_path, extra=ZONES + limit, blank=("Stork",))
    problem = study.problem()
    assert problem.bounds["mount_mm"].most == 4.0
    # A rack without feet is searched without it, as without the word.
    outcome = problem.evaluate(design_of(problem, "Stork"))
    assert np.isneginf(outcome.constraints[0, problem.constraint_names.index("mount_mm")])


def test_a_rack_without_feet_is_searched_without_the_limit_and_said_once(problem):
    stork = next(rack for rack in problem.racks if rack.name == "Stork")
    assert list(silent_notes(problem, stork)) == [
        "where its feet stand is not judged: the catalogue gives no left_foot_along_mm"
    ]
    outcome = problem.evaluate(design_of(problem, "Stork"))
    at = problem.constraint_names.index("mount_mm")
    assert np.isneginf(outcome.constraints[0, at])
    assert np.isnan(outcome.metrics["mount_mm"][0])
    assert not list(silent_notes(problem, next(r for r in problem.racks if r.name == "Finch")))


def test_without_zones_feet_are_only_reported(tmp_path):
    problem = bolted_demo(tmp_path, extra="").problem()
    design = design_of(problem, "Finch")
    assert "mount_mm" not in problem.constraint_names
    assert not {"mount_mm", "pinion_facing_deg"} & set(problem.evaluate(design).metrics)
    assert set(bolted_points(problem, design)) == {
        "rack_foot_left",
        "rack_foot_right",
        "rack_pinion_end",
    }


def test_a_study_without_feet_has_nothing_of_it(tmp_path):
    problem = bolted_demo(tmp_path, extra="", cells={}).problem()
    design = design_of(problem, "Finch")
    assert not bolted_points(problem, design)
    assert not list(bolted_sentences(problem, design))
    assert not list(drilling_rows(problem, design))


def test_numbers_of_the_car_as_drawn(problem):
    numbers = {(n.rack.name if n.rack else "", n.name): n for n in drawn_numbers(problem)}
    assert numbers["Finch", "mount_mm"].value == 0.0
    assert numbers["Finch", "pinion_facing_deg"].value == pytest.approx(40.0)
    tilt = np.degrees(np.arctan(0.1))
    assert numbers["Finch", "foot_bolt_tilt_deg"].value == pytest.approx(tilt)
    # The bolt leans 5.7 deg forward; turned end for end rearward, and rolled by 80 deg it is 4.3
    # deg short of straight back.
    assert numbers["Wren", "foot_bolt_tilt_deg"].value == pytest.approx(10.0 - tilt)
    assert "left_foot_along_mm" in numbers["Stork", "mount_mm"].missing


# --- what is written -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def chosen(study, problem):
    design = design_of(problem, "Finch")
    return Chosen(study, problem, "as drawn", design, problem.evaluate(design))


def test_drilling_sheet_has_three_distances_of_each_foot(study, problem, chosen, tmp_path):
    write_design(tmp_path, chosen)
    with (tmp_path / "drilling.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    with (tmp_path / "hardpoints.csv").open(encoding="utf-8") as lines:
        points = {
            row["name"]: np.array([float(row[f"{axis}_mm"]) for axis in "xyz"])
            for row in csv.DictReader(line for line in lines if not line.startswith("#"))
        }
    assert [(row["foot"], row["to"]) for row in rows] == [
        ("rack_foot_left", "lower_front_pivot"),
        ("rack_foot_left", "lower_rear_pivot"),
        ("rack_foot_left", "right_lower_front_pivot"),
        ("rack_foot_right", "right_lower_front_pivot"),
        ("rack_foot_right", "right_lower_rear_pivot"),
        ("rack_foot_right", "lower_front_pivot"),
    ]
    for row in rows:
        apart = np.linalg.norm(points[row["foot"]] - points[row["to"]])
        assert float(row["distance_mm"]) == pytest.approx(apart, abs=0.006)
    # Three distances and the side of the plane they lie in give the hole back.
    assert len({row["distance_mm"] for row in rows}) == 6
    corner = read_hardpoints(tmp_path / "hardpoints.csv", study.frame)
    np.testing.assert_allclose(corner.outer_joint, chosen.points.outer_joint, atol=1e-9)
    text = (tmp_path / "hardpoints.csv").read_text("utf-8")
    assert (
        "# The bolts of its feet point along (-0.0995, 0.0000, 0.9950) in CAD axes, 5.7 deg" in text
    )


def test_feet_and_bolts_go_to_cad(chosen):
    drawing = make_drawing(chosen)
    foot = drawing.points["rack_foot_left"]
    (line,) = (one for one in drawing.lines if one.name == "rack_foot_left_bolt")
    np.testing.assert_allclose(line.segments[0].mean(axis=0), foot, atol=1e-9)
    assert np.linalg.norm(np.diff(line.segments[0], axis=0)) == pytest.approx(60.0)
    dxf, step = dxf_text(drawing), step_text(drawing, "x", datetime.datetime(2000, 1, 1))
    for name in ("rack_foot_left", "rack_foot_right_bolt", "rack_pinion_end"):
        assert name in dxf
        assert f"'{name}'" in step
    assert "\ncolumn\n" not in dxf


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (ZONES.replace('"left"', '"front"'), "[[mount_zone]]"),
        (ZONES + "[limits.at_most]\nfoot_bolt_tilt_deg = 5\n", "rack 'Stork' has no made_for"),
        (ZONES.split("[[mount_zone]]\nfrom_mm = [680, 80")[0], "none is for the right foot"),
        (ZONES.replace("to_mm = [860, -80, 190]\n", ""), "number 1: to_mm is missing"),
        (
            "[objectives]\nalso = ['mount_mm']\n" + ZONES,
            "no left_foot_along_mm, and mount_mm needs",
        ),
        ("[limits.at_most]\nmount_mm = 5\n", "give [[mount_zone]]"),
    ],
)
def test_refusals(tmp_path, extra, said):
    blank = ("Stork",) if "tilt" in extra or "also" in extra else ()
    with pytest.raises(InputError) as caught:
        bolted_demo(tmp_path, extra=extra, blank=blank)
    assert said in str(caught.value)


# --- what would help -----------------------------------------------------------------------------


def test_a_foot_beside_its_zone_is_told_how_far_and_which_way(tmp_path):
    # Feet at CAD x 762 and 766: the left zone begins 29 mm further back, the right one holds.
    away = ZONES.replace("[680, -190, -40]", "[791, -190, -40]")
    problem = bolted_demo(tmp_path, extra=away).problem()
    first, *others = bolting_rescues(problem, design_of(problem, "Finch"))
    assert first == (
        "its left foot stands 29.0 mm forward of the nearest [[mount_zone]] for it: one that "
        "reaches there would do"
    )
    assert not any("right foot" in text for text in others)


def test_the_least_roll_that_would_do_is_one_at_which_it_can_be_bolted(tmp_path):
    away = ZONES.replace("[680, -190, -40]", "[768, -190, -40]")
    away = away.replace("[680, 80, -40]", "[768, 80, -40]")
    study = bolted_demo(tmp_path, extra=away)
    problem = study.problem()
    design = design_of(problem, "Finch")
    (text,) = (t for t in bolting_rescues(problem, design) if "rolled" in t)
    # By hand: the feet, 20 and 24 mm behind the bar and 32 and 28 below it, go further back as
    # they are rolled forward: the left one is 26 mm behind at 20 cos r - 32 sin r.
    found = [
        r
        for r in range(5, 181, 5)
        for turned in (r, -r)
        if min(
            20 * np.cos(np.radians(turned)) - 32 * np.sin(np.radians(turned)),
            24 * np.cos(np.radians(turned)) - 28 * np.sin(np.radians(turned)),
        )
        >= 26.0
    ]
    assert f"by {found[0]:.1f} deg, its top forward" in text


def test_a_column_whose_joints_cannot_reach_is_told_the_least_widening(tmp_path):
    short = COLUMN.replace("{from = 150, to = 450}", "{from = 400, to = 450}")
    short += "joint_limit_deg = 25\n"
    problem = bolted_demo(tmp_path, extra=short).problem()
    design = design_of(problem, "Finch")
    assert "column_" in problem.evaluate(design).status[0]
    texts = [t for t in bolting_rescues(problem, design) if t.startswith("with [column]")]
    (text,) = texts
    key, value = re.search(r"\[column\] (\w+) (?:from|up to) ([0-9.]+) mm", text).groups()
    old = re.search(rf"{key} = .*", short)[0]
    end = "from" if " from " in text else "to"
    new = re.sub(rf"({end} = )[0-9]+", rf"\g<1>{value}", old)
    again = bolted_demo(tmp_path, extra=short.replace(old, new)).problem()
    assert "column_" not in again.evaluate(design).status[0]


def test_the_figure_has_the_whole_column(tmp_path):
    """From the point on the steering wheel's shaft to the pinion, in every view."""
    study = bolted_demo(tmp_path, extra=COLUMN)
    problem = study.problem()
    design = design_of(problem, "Finch")
    chosen = Chosen(study, problem, "drawn", design, problem.evaluate(design))
    driven = problem.drive(design, problem.solve(design))
    ends = np.array(driven.shafts())[:, :, 0].reshape(-1, 3)
    for axes, page in zip(
        linkage_figure(chosen).axes,
        (
            ends[:, [1, 0]] * (-1.0, 1.0),
            ends[:, [1, 2]] * (-1.0, 1.0),
            ends[:, [0, 2]] * (-1.0, 1.0),
        ),
        strict=True,
    ):
        (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
        assert ((page > (left, bottom)) & (page < (right, top))).all()
        drawn = np.concatenate([line.get_xydata() for line in axes.lines])
        for at in page:
            assert np.linalg.norm(drawn - at, axis=1).min() < 1e-9
        assert "column" in [text.get_text() for text in axes.texts]
    bare = bolted_demo(tmp_path, extra=ZONES)
    plain = Chosen(bare, bare.problem(), "drawn", design, chosen.outcome)
    for with_it, without in zip(glance_figure(chosen).axes, glance_figure(plain).axes, strict=True):
        assert with_it.get_xlim() == pytest.approx(without.get_xlim())
        assert with_it.get_ylim() == pytest.approx(without.get_ylim())
        assert "column" not in [text.get_text() for text in with_it.texts]
