"""`optimiser measured`: what it says, what it writes, exit codes, and refusals in a line."""

from __future__ import annotations

import csv
from dataclasses import replace
from typing import TYPE_CHECKING
from unittest import mock

import numpy as np
import pytest
from finished_cars import Design, build, read
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pictures import pixels
from small_study import ROOT, run_here
from test_fuzz_inputs import INJURY, a_place, check_ending, injured

from optimiser.base.errors import InputError
from optimiser.base.files import csv_text
from optimiser.folder.read import read_results
from optimiser.metrics.tolerance import Tolerances
from optimiser.questions.measured import folder as folder_of
from optimiser.questions.measured.answer import measure
from optimiser.questions.measured.draw import measured_figure
from optimiser.questions.measured.folder import FITTED_COLUMNS, SHIM_COLUMNS
from optimiser.questions.measured.readings import read_readings
from optimiser.questions.measured.words import answer_lines
from optimiser.study.measuring import MeasuringTable
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

DEMO = ROOT / "results" / "example" / "demo"
MEASURING = "\n[measuring]\nbracket_spacing_mm = 324\n"


@pytest.fixture(scope="module")
def stored():
    return read_results(DEMO)


@pytest.fixture(scope="module")
def rows(stored):
    """Readings of a car built from the demo's winner, by the referee."""
    chosen = stored.result.chosen(stored.result.winner)
    points = {name: np.asarray(at) for name, at in chosen.points.items()}
    design = Design("demo", points, 0.1, -0.5, np.linspace(-60.0, 60.0, 13), 324.0)
    rng = np.random.default_rng(5)
    return read(build(design, rng), rng, 9)


def write(folder: Path, rows) -> Path:
    path = folder / "readings.csv"
    path.write_text(csv_text(list(rows[0]), [list(row.values()) for row in rows]), "utf-8")
    return path


@pytest.fixture
def answered(stored, rows, tmp_path):
    """The answer on the demo's winner, with rows or keys changed."""

    def answer(*, change=lambda row: row, keep=lambda row: True, problem=None, **keys):
        path = write(tmp_path, [change(dict(row)) for row in rows if keep(row)])
        table = MeasuringTable(**({"bracket_spacing_mm": 324.0} | keys))
        chosen = stored.result.chosen(stored.result.winner)
        readings = read_readings(path, table)
        return measure("demo", problem or stored.problem, chosen.points, table, readings)

    return answer


def table_of(path: Path):
    lines = [line for line in path.read_text("utf-8").splitlines() if line[:1] != "#"]
    return list(csv.DictReader(lines))


def test_the_command_writes_shims_curves_figure_and_words(rows, tmp_path):
    write(tmp_path, rows)
    (tmp_path / "more.toml").write_text(
        (ROOT / "studies" / "demo.toml")
        .read_text("utf-8")
        .replace('catalogue = "', f'catalogue = "{ROOT}/studies/')
        .replace('file = "', f'file = "{ROOT}/studies/')
        + MEASURING,
        "utf-8",
    )
    code, out, err = run_here(
        "measured", DEMO, "readings.csv", "--measuring", "more.toml", cwd=tmp_path
    )
    assert (code, err) == (0, "")
    assert out.startswith("Shims: ")
    assert "proved." in out
    assert "qualified person" in out
    assert "Where one hangs below what carries it a pack lowers it" in out
    assert "Nothing in the readings can show travel counted the other way round" in out
    folder = tmp_path / "results" / "demo-measured"
    assert sorted(path.name for path in folder.iterdir() if path.name != "state.json") == [
        "fitted.csv",
        "measured.svg",
        "measured.txt",
        "shims.csv",
    ]
    text = (folder / "measured.txt").read_text("utf-8")
    for line in out.splitlines()[:3]:
        assert line in text
    shims = table_of(folder / "shims.csv")
    assert tuple(shims[0]) == SHIM_COLUMNS
    assert [row["kind"] for row in shims] == ["best"] * 4 + ["least"] * 4 + ["leave"] * 4
    for row in shims:
        assert float(row["to_mm"]) - float(row["from_mm"]) == pytest.approx(float(row["add_mm"]))
        assert float(row["to_mm"]) in {0.5 * step for step in range(11)}
        assert float(row["after_deg"]) <= float(row["after95_deg"])
        assert (row["chance_better"] == "") == (row["kind"] == "leave")
    best = [row for row in shims if row["kind"] == "best"]
    assert all(float(row["after_deg"]) < float(row["before_deg"]) for row in best)
    fitted = table_of(folder / "fitted.csv")
    assert tuple(fitted[0]) == FITTED_COLUMNS
    assert {row["side"] for row in fitted} == {"left", "right"}
    # The greatest of the mean curve is near the mean of the greatest ones.
    for side in ("left", "right"):
        curve = [abs(float(r["fitted_deg"])) for r in fitted if r["side"] == side]
        before = next(float(r["before_deg"]) for r in best if r["side"] == side)
        assert max(curve) == pytest.approx(before, abs=0.02)
    again, *_ = run_here("measured", DEMO, "readings.csv", "--measuring", "more.toml", cwd=tmp_path)
    assert again == 0
    same = (tmp_path / "results" / "demo-measured-2" / "shims.csv").read_text("utf-8")
    assert same == (folder / "shims.csv").read_text("utf-8")


def test_the_car_as_drawn_without_racks_or_tolerances(tmp_path):
    """Cut down to what the question needs; its readings say that it is as drawn."""
    text = (ROOT / "studies" / "demo.toml").read_text("utf-8")
    text = text.split("[racks]")[0].replace('file = "', f'file = "{ROOT}/studies/')
    (tmp_path / "car.toml").write_text(text, "utf-8")
    study = read_study(tmp_path / "car.toml", racks=False)
    points = {name: np.asarray(at) for name, at in study.points.items()}
    design = Design("drawn", points, 0.1, -0.5, np.linspace(-60.0, 60.0, 13), 400.0)
    rng = np.random.default_rng(1)
    write(tmp_path, read(build(design, rng), rng, 5))
    code, out, err = run_here("measured", "car.toml", "readings.csv", cwd=tmp_path)
    assert (code in (0, 1), err) == (True, "")
    assert "The study has no [tolerance]: its defaults were taken." in out
    assert "both are shimmed alike" in out
    assert (tmp_path / "results" / "car-measured" / "shims.csv").is_file()


# --- the sign ------------------------------------------------------------------------------------


def backwards(row):
    return row | {"toe_in_deg": -row["toe_in_deg"]}


def centred(row):
    return row["rack_mm"] == 0.0


def test_a_wrong_sign_is_never_acted_on(answered):
    found = answered(change=backwards)
    assert set(found.outcomes) == {"leave"}
    assert not found.good
    lines = list(answer_lines(found))
    assert lines[0].startswith("Sign not proved: the readings contradict it")
    assert any("gauges_read" in line for line in lines)


def test_without_the_rack_off_centre_the_sign_is_not_proved(answered):
    found = answered(keep=centred, toe_zero="free")
    assert set(found.outcomes) == {"leave"}
    first = next(answer_lines(found))
    assert first.startswith("Sign not proved, so that no shims are given.")
    assert "rack_mm = 5 to the left" in first


def test_toe_at_rest_settles_it_and_says_so(answered):
    found = answered(keep=centred)
    assert {sign.proof for sign in found.signs} == {"settled"}
    assert "best" in found.outcomes
    assert next(answer_lines(found)).startswith("Sign not proved by the rack; toe at rest settles")
    wrong = answered(keep=centred, change=backwards)
    assert set(wrong.outcomes) == {"leave"}


# --- what is said --------------------------------------------------------------------------------


def test_no_bracket_is_named_as_guilty(answered):
    said = " ".join(answer_lines(answered()))
    assert "readings cannot tell which of them is off" in said
    assert "outer joint height" in said
    assert "lower ball joint height" in said
    assert "Not to be measured in this way are the fore-aft places of rack" in said
    assert "slope of the curve open" in said


def test_one_wheel_alone(answered):
    found = answered(keep=lambda row: row["side"] == "right")
    said = " ".join(answer_lines(found))
    assert "The left wheel was not measured" in said
    assert "Left wheel: greatest" not in said
    assert found.advised.shims_mm[2] == 0.0


def test_shims_that_are_fitted_are_named(answered):
    fitted = (1.0, 1.0, 0.5, 0.5)
    found = answered(fitted_shims_mm=(fitted,))
    best = found.outcomes["best"].shims_mm
    assert (best >= 0.0).all()
    said = next(answer_lines(found))
    for place, now in enumerate(fitted):
        if best[place] != now:
            assert f"({now:g} to {best[place]:g})" in said


def test_a_misread_one_is_told_by_its_line(answered):
    rows = iter(range(100))

    def misread(row):
        return row | {"toe_in_deg": row["toe_in_deg"] + (0.4 if next(rows) == 2 else 0.0)}

    said = " ".join(answer_lines(answered(change=misread)))
    assert "readings.csv, line 4: +0.4" in said
    assert "read it again" in said


def test_the_figure_has_bands_and_readings(answered):
    found = answered()
    drawn = pixels(measured_figure(found))
    assert drawn.shape[0] > 100
    labels = {
        text for axes in measured_figure(found).axes for text in axes.get_legend_handles_labels()[1]
    }
    assert labels == {"accepted", "fitted, as it is", "after the best shims", "measured"}


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((DEMO, "none.csv"), "none.csv: no such file"),
        ((DEMO, "readings.csv", "--design", "99999"), "holds no design 99999"),
        ((ROOT / "studies" / "demo.toml", "readings.csv", "--design", "3"), "is no result"),
        (
            (DEMO, "readings.csv", "--measuring", ROOT / "studies" / "demo.toml"),
            "[measuring]: is missing",
        ),
        (("nowhere.toml", "readings.csv"), "nowhere.toml: no such study file"),
    ],
)
def test_refusals_are_one_line(rows, tmp_path, arguments, said):
    write(tmp_path, rows)
    code, out, err = run_here("measured", *arguments, cwd=tmp_path)
    assert (code, out) == (2, "")
    assert said in err
    assert len(err.splitlines()) == 1
    assert not (tmp_path / "results").exists()


def test_a_pose_that_is_not_reached_is_refused(answered):
    from optimiser.base.errors import InputError

    def far(row):
        return row | {"travel_mm": 480.0 if row["travel_mm"] > 58.0 else row["travel_mm"]}

    with pytest.raises(InputError, match="does not reach 480 mm of travel"):
        answered(change=far)


def test_studies_without_the_table_leave_no_trace_of_it():
    study = read_study(ROOT / "studies" / "demo.toml")
    record = study.resolved()
    assert "measuring" not in record
    assert "shimmed" not in record["tolerance"]
    table = study.file.tolerance.model_copy(update={"shimmed": True})
    asked = replace(study, file=study.file.model_copy(update={"tolerance": table}))
    assert asked.resolved()["tolerance"]["shimmed"] is True


def far_off(row):
    """Of a car whose rack sits some 15 mm off: 0.9 deg of bump steer either way."""
    return row | {"toe_in_deg": row["toe_in_deg"] + 0.015 * row["travel_mm"]}


@pytest.mark.parametrize("step", [1, 2, 4])
def test_a_car_that_no_tolerance_allows_is_not_told_to_be_good(answered, step):
    """Nine, five and three readings a wheel: all of them once counted as misread ones."""
    travels = np.linspace(-60.0, 60.0, 9)[::step]

    def some(row):
        return np.abs(row["travel_mm"] - travels).min() < 2.0

    found = answered(change=far_off, keep=some)
    assert set(found.unfit) == {0, 1}
    assert min(found.unfit.values()) > np.radians(0.5)
    assert set(found.outcomes) == {"leave"}
    assert not found.good
    lines = list(answer_lines(found))
    assert lines[0].startswith("No shims are given: the readings fit no car that [tolerance] ")
    assert not any("as it is" in line or "each good to" in line for line in lines)
    assert {row[6:] for row in folder_of.shim_rows(found)} == {(None,) * 5}
    assert all(row[3:] == (None,) * 6 for row in folder_of.fitted_rows(found))
    assert "no car fits" in measured_figure(found).axes[0].get_title(loc="left")
    assert not answered(keep=some).unfit


def test_with_tolerances_as_wide_as_it_is_off_the_car_is_told(answered, stored):
    wide = replace(stored.problem, tolerances=Tolerances(15.0, 0.2, 2.0, 2.0, 0.001))
    found = answered(change=far_off, problem=wide)
    assert not found.unfit
    assert (np.degrees(found.outcomes["leave"].mean) > 0.6).all()


def test_cars_too_far_off_for_rates_are_judged_by_the_kernel(answered, stored):
    """Rates about the likeliest car promised 9 of 10; the kernel says 7, so that it is left."""
    wide = replace(stored.problem, tolerances=Tolerances(80.0, 1.0, 7.5, 30.0, 0.01))
    found = answered(problem=wide)
    assert found.trusted
    assert set(found.outcomes) == {"leave"}
    assert next(answer_lines(found)).startswith("Leave it: no shims are better")
    with pytest.raises(InputError, match="some do not reach the study's travel"):
        answered(problem=replace(wide, tolerances=Tolerances(150.0, 1.0, 20.0, 80.0, 0.01)))


def test_readings_in_inches_are_noticed(answered):
    found = answered(change=lambda row: row | {"travel_mm": row["travel_mm"] / 25.4})
    assert set(found.unfit) == {0, 1}
    assert not found.good
    said = [note for note in found.notes if "travel_mm is in mm" in note]
    assert len(said) == 2
    assert "where the study goes from -60 to +60" in said[0]


def test_one_misread_by_a_degree_is_no_other_car(answered):
    def once(row):
        off = 1.0 if row["side"] == "left" and row["travel_mm"] > 58.0 else 0.0
        return row | {"toe_in_deg": row["toe_in_deg"] + off}

    found = answered(change=once)
    assert not found.unfit
    assert any("deg off the curve of the others" in line for line in answer_lines(found))


def test_a_wrong_sign_of_a_car_far_off_is_said_first(answered):
    found = answered(change=lambda row: backwards(far_off(row)))
    lines = list(answer_lines(found))
    assert lines[0].startswith("Sign not proved")
    assert lines[1].startswith("No shims are given: the readings fit no car")


def test_what_few_readings_say_rests_on_the_drawing(answered):
    """Beside what is advised, before the rest; and a stock that is too thin is said."""
    found = answered(keep=lambda row: row["travel_mm"] == 0.0, shims_mm=(0.5,))
    lines = list(answer_lines(found))
    thin = [n for n, line in enumerate(lines) if "rests on the drawing" in line]
    assert len(thin) == 2
    assert max(thin) < next(n for n, line in enumerate(lines) if line.startswith("Sign,"))
    said = answered(shims_mm=(0.5,))
    assert any("thickest pack in stock, 0.5 mm" in line for line in answer_lines(said))


GOOD = (
    "side,travel_mm,toe_in_deg,rack_mm,round\n"
    "left,-50,0.21,,\nleft,0,0.10,,1\nleft,50,-0.03,,\nleft,0,-2.35,5,\n"
    "right,-50,0.25,,\nright,0,0.12,,1\nright,50,-0.01,,\nright,0,2.51,5,\n"
)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(injuries=st.lists(INJURY, min_size=1, max_size=3))
def test_readings_nobody_would_write_end_in_an_answer_or_one_line(injuries):
    """As `test_fuzz_inputs` does with the files of a study, nothing drawn."""
    content = GOOD.encode()
    for injury in injuries:
        content = injured(content, injury)
    with a_place() as folder, mock.patch.object(folder_of, "drawn_svg", return_value=b"<svg/>"):
        (folder / "readings.csv").write_bytes(content)
        study = ROOT / "studies" / "demo.toml"
        check_ending(*run_here("measured", study, "readings.csv", cwd=folder))
