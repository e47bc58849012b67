"""What a study says it wants: keys and files, every refusal, and what commands make of it."""

from __future__ import annotations

import re

import numpy as np
import pytest
from small_study import files_of, nothing_drawn, run_here, write_small_study

from optimiser.answer.as_drawn import describe_study
from optimiser.base.errors import InputError
from optimiser.folder.read import read_results
from optimiser.jobs.going_on import case_question
from optimiser.metrics.wanted import Curve
from optimiser.study.read import read_study, with_overrides

TOE = "travel_mm,toe_in_change_deg\n-70,0.14\n0,0\n70,-0.14\n"
ANGLES = "inner_deg,outer_deg\n10,9.5\n20,18\n40,33\n"
BUMP = "acceptable_bump_steer_deg = 0.1"
BANDS = "acceptable_bump_steer_deg = [[33, 0.05], [70, 0.15]]"
TOE_KEY, OUTER_KEY = 'wanted_toe = "toe.csv"', 'wanted_outer = "angles.csv"'


@pytest.fixture
def read(tmp_path):
    """The small study with lines added to [steering], one exchanged, and its two curves."""
    (tmp_path / "toe.csv").write_text(TOE, "utf-8")
    (tmp_path / "angles.csv").write_text(ANGLES, "utf-8")

    def reader(more="", *, bump=BUMP, target=True, name="small", extra="", **files):
        for file, text in files.items():
            (tmp_path / f"{file}.csv").write_text(text, "utf-8")
        for file in ("hardpoints.csv", "racks.csv"):
            (tmp_path / file).unlink(missing_ok=True)
        path = write_small_study(tmp_path, name=name, extra=extra)
        text = path.read_text("utf-8")
        text = re.sub(r"(?m)^acceptable_bump_steer_deg.*$", f"{bump}\n{more}", text, count=1)
        if not target:
            text = re.sub(r"(?m)^ackermann_target.*\n", "", text, count=1)
        path.write_text(text, "utf-8")
        return read_study(path)

    return reader


def test_keys_become_a_wish_in_radians(read):
    problem = read("wanted_toe_gradient_deg_per_m = -2").problem()
    wanted = problem.steering.wanted_toe
    # Hand value: -2 deg/m over 60 mm.
    np.testing.assert_allclose(np.degrees(wanted.change([-60.0, 60.0])), [0.12, -0.12])
    assert problem.conditions.wanted_toe == wanted
    problem = read(TOE_KEY, bump="acceptable_bump_steer_deg = [[33, 0.05], [70, 0.15]]").problem()
    wanted = problem.steering.wanted_toe
    np.testing.assert_allclose(np.degrees(wanted.change([-35.0, 35.0])), [0.07, -0.07])
    np.testing.assert_allclose(
        np.array(wanted.bands), [[33.0, np.radians(0.05)], [70.0, np.radians(0.15)]]
    )
    assert problem.acceptable[0] == pytest.approx(0.15)
    assert {-33.0, 33.0} <= set(problem.travel.grid().tolist())


def test_a_file_of_angles_takes_the_target_s_place(read):
    problem = read(OUTER_KEY, target=False).problem()
    curve = problem.steering.ackermann_target
    assert isinstance(curve, Curve)
    np.testing.assert_allclose(
        np.degrees(curve(np.radians([0.0, 10.0, 20.0, 40.0]))), [0.0, 9.5, 18.0, 33.0], atol=1e-12
    )


def test_a_study_that_wants_none_of_it_is_not_touched(read):
    problem = read().problem()
    assert problem.steering.wanted_toe.is_none
    assert problem.steering.wanted_toe.bands == ()
    assert problem.travel.also_mm == ()
    assert set(read().inputs) == {"study", "hardpoints", "catalogue"}
    assert not {"wanted_toe", "wanted_outer"} & set(read().resolved()["derived"])


def refused(read, *more, **changes) -> str:
    with pytest.raises(InputError) as caught:
        read(*more, **changes)
    line = str(caught.value)
    assert "\n" not in line
    return line


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (
            "wanted_toe_gradient_deg_per_m = 250",
            "wanted_toe_gradient_deg_per_m: 250 is not between -100 and 100 deg/m",
        ),
        (
            f"{TOE_KEY}\nwanted_toe_gradient_deg_per_m = 1",
            "[steering]: both wanted_toe and wanted_toe_gradient_deg_per_m are given; remove one",
        ),
        (
            f"{OUTER_KEY}\nackermann_target = 1",
            "[steering]: both ackermann_target and wanted_outer are given; remove one",
        ),
        ('wanted_toe = "none.csv"', "[steering] wanted_toe: no such file 'none.csv'"),
        ('wanted_outer = ""', "[steering] wanted_outer: '' is no file name"),
    ],
)
def test_keys_that_are_refused(read, more, message):
    assert message in refused(read, more, target=False)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("", "names columns but holds no rows"),
        ("-10,1\n-20,2\n", "line 3, column travel_mm: -20 is not above -10 in the row before"),
        ("-10,1\n20,\n", "line 3, column toe_in_change_deg: is blank"),
        ("-70,45\n70,0\n", "line 2, column toe_in_change_deg: 45 is not between -10 and 10 deg"),
        ("-70,0.2\n", "holds a single row; give two at least"),
        ("-70,0.2\n0,0.1\n70,0\n", "is 0.100 deg at rest, where nothing has changed yet; give"),
        (
            "-70,0.1\n0,0\n40,0\n",
            "wanted_toe: toe.csv goes from -70 to 40 mm, the wheel from -70 to 70 mm; add rows",
        ),
    ],
)
def test_curves_of_toe_that_are_refused(read, rows, message):
    assert message in refused(read, TOE_KEY, toe=f"travel_mm,toe_in_change_deg\n{rows}")


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("0,1\n40,30\n", "begins at 0 deg inner and 1 deg outer; count both from straight ahead"),
        ("10,9\n40,9\n", "column outer_deg: 9 at 40 deg inner is not above the row before"),
        (
            "10,9\n20,17\n",
            "wanted_outer: angles.csv ends at 20 deg of the inner wheel, which has to turn to",
        ),
    ],
)
def test_curves_of_angles_that_are_refused(read, rows, message):
    given = {"angles": f"inner_deg,outer_deg\n{rows}"}
    assert message in refused(read, OUTER_KEY, target=False, **given)


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("[]", "is no list of pairs of numbers; write one number in deg, or [[30, 0.05], [60"),
        ("[30, 0.05]", "is no list of pairs of numbers"),
        ("[[30, 0.05, 1]]", "is no list of pairs of numbers"),
        ('[[30, "0.05"]]', "is no list of pairs of numbers"),
        ('"0.1"', "write a number in deg or a list of [travel in mm, deg]"),
        ("8", ": 8 is not between 0.001 and 5 deg"),
        ("[[30, 0.05], [70, 8]]", ": 8 is not between 0.001 and 5 deg"),
        ("[[30, 0.05], [20, 0.15]]", ": travels and what is accepted up to them do not both rise"),
        ("[[30, 0.05], [70, 0.05]]", "do not both rise"),
        ("[[-30, 0.05], [70, 0.15]]", "do not both rise"),
        ("[[30, 0.05], [60, 0.15]]", "ends at 60 mm of travel, the wheel moves 70 mm; add [70, "),
    ],
)
def test_bands_that_are_refused(read, value, message):
    line = refused(read, bump=f"acceptable_bump_steer_deg = {value}")
    assert "[steering] acceptable_bump_steer_deg" in line
    assert message in line


def test_a_variant_that_gives_one_drops_the_other(read):
    study = read(
        f"{TOE_KEY}\n{OUTER_KEY}",
        target=False,
        extra='[[variant]]\nname = "plain"\n'
        "[variant.steering]\nackermann_target = 0.5\nwanted_toe_gradient_deg_per_m = -1\n",
    )
    (variant,) = study.variants
    assert isinstance(study.problem().steering.ackermann_target, Curve)
    steering = variant.problem().steering
    assert steering.ackermann_target == 0.5
    assert steering.wanted_toe.curve is None
    assert np.degrees(steering.wanted_toe.gradient) * 1000.0 == pytest.approx(-1.0)
    assert set(variant.inputs) == {"study", "hardpoints", "catalogue"}


def test_a_key_typed_later_is_held_against_the_curves(read):
    study = read(f"{TOE_KEY}\n{OUTER_KEY}", target=False)
    typed = with_overrides(study, {"steering": {"ackermann_target": 0.5}}, "typed")
    assert typed.problem().steering.ackermann_target == 0.5
    with pytest.raises(InputError, match=r"wanted_toe: toe\.csv goes from -70 to 70 mm, the wheel"):
        with_overrides(study, {"travel": {"bump_mm": 80.0}}, "typed")


def test_another_curve_is_another_question(read):
    first = read(TOE_KEY)
    again = case_question(read(TOE_KEY), quick=False)
    other = read(TOE_KEY, toe=TOE.replace("0.14", "0.15"))
    assert case_question(first, quick=False) == again
    assert case_question(other, quick=False) != again


def test_check_says_what_is_wanted_and_what_the_drawn_car_does(read):
    study = read(
        f"{TOE_KEY}\n{OUTER_KEY}",
        bump=BANDS,
        target=False,
    )
    parts = dict(describe_study(study))
    rows = {name: text for part in parts.values() for name, text in part}
    assert rows["wanted toe"] == (
        "toe-in by the curve of the study, +0.140 deg at -70 mm and -0.140 deg at +70 mm"
    )
    assert rows["wanted outer angle"].startswith("by the curve of the study, ")
    assert rows["acceptable"].startswith("bump steer 0.05 deg to 33 mm and 0.15 deg to 70 mm from")
    assert rows["bump steer to 33 mm from rest"].endswith(", 0.05 accepted")
    assert rows["bump steer to 70 mm from rest"].endswith(", 0.15 accepted")


def test_a_run_keeps_its_curves_and_reads_them_back(read, tmp_path):
    study = read(
        f"{TOE_KEY}\n{OUTER_KEY}",
        bump="acceptable_bump_steer_deg = [[33, 0.05], [70, 2.0]]",
        target=False,
    )
    with nothing_drawn():
        code, out, err = run_here("run", study.path, "--out", "out", "--workers", 1, cwd=tmp_path)
    assert code in {0, 1}, err
    assert "Bump steer is the departure of toe from what is wanted" in out
    assert "in proportion, 40 times to 33 mm" in out
    for name in ("toe.csv", "angles.csv"):
        (tmp_path / name).unlink()
    stored = read_results(tmp_path / "out" / "small")
    assert stored.result.problem.steering == study.problem().steering
    header = (tmp_path / "out" / "small" / "curves.csv").read_text("utf-8").splitlines()[3]
    assert header.endswith("wanted_toe_change_deg")
    kept = files_of(tmp_path / "out" / "small" / "inputs")
    assert kept["wanted_toe.csv"].decode() == TOE
    assert kept["wanted_outer.csv"].decode() == ANGLES
