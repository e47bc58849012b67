"""The table of quantities: it names every number that is written, and `check` gives them all."""

from __future__ import annotations

import csv
import io
import re

import pytest
from small_study import ROOT, run_here, small_study, write_small_study

from optimiser.answer.as_drawn import numbers_text
from optimiser.answer.corner_numbers import corner_numbers, corner_values
from optimiser.answer.design_numbers import drawn_numbers
from optimiser.base.errors import InputError
from optimiser.evaluation.designs import JUDGED, VARIABLES
from optimiser.evaluation.quantities import (
    QUANTITIES,
    excess_words,
    is_pair,
    limit_words,
    quantity,
    shown,
)
from optimiser.study.read import read_study

UNITS = {  # of a column, by its suffix
    "_deg_per_deg": "deg per deg of roll",
    "_deg_per_m": "deg/m",
    "_per_kn_deg": "deg/kN",
    "_per_100nm_deg": "deg/100 N m",
    "_per_rack_mm_deg": "deg/mm",
    "_percent": "%",
    "_deg": "deg",
    "_mm": "mm",
    "_nm": "N m",
    "_kg": "kg",
    "_n": "N",
    "_m": "m",
}


@pytest.fixture(scope="module")
def demo():
    return read_study(ROOT / "studies" / "demo.toml")


@pytest.fixture(scope="module")
def drawn(demo):
    return list(drawn_numbers(demo.problem()))


def test_no_name_and_no_words_stand_twice():
    for values in ([q.name for q in QUANTITIES], [q.words for q in QUANTITIES]):
        assert len(set(values)) == len(values)


@pytest.mark.parametrize("one", QUANTITIES, ids=lambda one: one.name)
def test_the_unit_is_that_of_the_suffix(one):
    suffix = next((s for s in UNITS if one.name.endswith(s)), "")
    assert one.unit == UNITS.get(suffix, "")


def test_every_column_that_an_evaluation_writes_is_in_the_table(demo):
    problem = demo.problem()
    drawn = problem.evaluate(problem.designs([0], {key: [200.0] for key in VARIABLES}))
    for name in (*drawn.metrics, *problem.constraint_names, *problem.objectives.names, *VARIABLES):
        assert quantity(name).name == name


def test_an_unknown_name_is_refused_with_the_nearest():
    with pytest.raises(KeyError, match="did you mean rim_force_n"):
        quantity("rim_forc_n")


def test_words_of_a_pair_and_of_a_limit():
    assert is_pair("clearance_tie_rod_pedal_box_mm")
    assert not is_pair("clearance_mm")
    assert not is_pair("clearance_whole_sweep_mm")
    assert quantity("clearance_tie_rod_pedal_box_mm").words == "clearance of tie rod to pedal box"
    assert limit_words("rack_travel_mm") == "the rack's travel less its margin (each way)"


def test_what_is_not_zero_is_not_shown_as_zero():
    bump = quantity("bump_steer_deg")
    assert bump.text(0.0) == "0.000 deg"
    assert bump.text(1e-13) == "0.000 deg"
    assert bump.text(0.0004) == "below 0.001 deg"
    assert bump.text(0.0006) == "0.001 deg"
    assert bump.text(-0.0004) == "above -0.001 deg"
    assert quantity("mass_kg").number(0.001) == "below 0.01"


def test_a_zero_has_no_sign():
    toe = quantity("bump_gradient_deg_per_m")
    assert toe.text(-0.0) == "0.00 deg/m"
    assert toe.text(-0.006) == "-0.01 deg/m"
    assert toe.text(float("nan")) == "nan deg/m"


def test_the_corner_gives_the_numbers_that_it_is_asked_for(demo):
    problem = demo.problem()
    assert set(corner_values(corner_numbers(problem, problem.points))) == {
        one.name for one in shown("corner") if not one.missing(problem, None)
    }


def test_what_acceptable_values_are_held_against_is_better_when_less():
    assert {quantity(name).better for name in JUDGED} == {"less"}


# --- the car as drawn ----------------------------------------------------------------------------


def test_every_quantity_is_given_for_every_rack_or_named_with_what_is_missing(demo, drawn):
    table = {one.name for one in QUANTITIES} - {"clearance_PART_OTHER_mm", "closest_N_mm"}
    for rack in (None, *demo.racks):
        mine = [one for one in drawn if one.rack is rack]
        assert table <= {one.name for one in mine}
        for one in mine:
            assert (one.value is None) == bool(one.missing), one


def test_what_is_missing_is_the_key_or_column_that_would_give_it(demo, drawn):
    why = {(one.rack.name, one.name): one.missing for one in drawn if one.rack and one.missing}
    assert why["Egret", "price"] == "catalogue column price"
    assert "catalogue columns pinion_offset_mm" in why["Egret", "pinion_angle_deg"]
    assert why["Finch", "best_bump_steer_deg"] == "a search: optimiser run"
    assert ("Finch", "price") not in why


def test_what_a_study_lacks_is_named(tmp_path):
    study = small_study(tmp_path)
    why = {one.name: one.missing for one in drawn_numbers(study.problem()) if one.rack}
    assert "[loads]" in why["rack_force_n"]
    assert why["bump_steer_p95_deg"] == "[tolerance]"


def test_numbers_of_a_rack_in_the_drawn_place_are_those_of_its_evaluation(demo, drawn):
    """The rack's own spacing, no spacers, the rest as drawn, evaluated as the search does."""
    problem = demo.problem()
    index = next(i for i, rack in enumerate(problem.racks) if rack.name == "Plover")
    at = {one.name: one.value for one in drawn if one.rack is problem.racks[index]}
    free = {name: [at[name]] for name in VARIABLES}
    outcome = problem.evaluate(problem.designs([index], free))
    for name in ("bump_steer_deg", "tie_rod_length_mm", "rack_force_n", "clearance_mm"):
        assert at[name] == pytest.approx(outcome.metrics[name][0], rel=1e-9), name
    assert at["rack_height_mm"] == problem.points.inner_joint[2]
    assert at["spacer_mm"] == 0.0


def test_the_file_has_a_row_for_each_number_and_comments_for_the_rest(tmp_path, demo, drawn):
    path = ROOT / "studies" / "demo.toml"
    code, out, err = run_here("check", path, "--numbers", tmp_path / "n.csv", cwd=tmp_path)
    assert (code, err) == (0, "")
    assert "n.csv" in out
    text = (tmp_path / "n.csv").read_text("utf-8")
    assert text == numbers_text(demo)
    lines = text.splitlines()
    rows = list(csv.DictReader(io.StringIO("\n".join(x for x in lines if x[0] != "#"))))
    assert list(rows[0]) == ["rack", "quantity", "value", "unit"]
    assert len(rows) == sum(one.value is not None for one in drawn)
    cells = {(row["rack"], row["quantity"]): row for row in rows}
    for one in drawn:
        if one.value is not None:
            row = cells["" if one.rack is None else one.rack.name, one.name]
            assert (float(row["value"]), row["unit"]) == (one.value, quantity(one.name).unit)
    missing = [line for line in lines if ": price; missing: " in line]
    assert missing == [
        "# not computed for the tie rod as drawn: price; missing: a rack, [racks] catalogue and "
        "catalogue column price",
        "# not computed for Egret: price; missing: catalogue column price",
    ]


def test_a_file_that_cannot_be_written_is_one_line(tmp_path):
    path = ROOT / "studies" / "demo.toml"
    code, _, err = run_here("check", path, "--numbers", tmp_path, cwd=tmp_path)
    assert code == 2
    assert "is a folder" in err
    assert "Traceback" not in err


MARKS = {  # of a source, wherever it is named: whether it was read
    "SAE J695": "(read)",
    "SAE 2006-01-3638": "(abstract read)",
    "ISO 8855:2011, 7.1.6": "(read)",
    "ISO 8855:2011": "(from memory)",
    "Gough, as quoted by Sharp and Granger": "(abstract read, formula from memory)",
}


def test_a_source_is_said_to_be_read_or_remembered_alike_everywhere():
    found = dict.fromkeys(MARKS, 0)
    paths = [*ROOT.glob("*.md"), *ROOT.glob("*/*.md")]
    paths += [*(ROOT / "optimiser").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]
    for path in paths:
        text = " ".join(re.sub(r'["\s]*\n\s*[#"]*\s*', " ", path.read_text("utf-8")).split())
        if path.name == "test_quantities.py":
            text = text.split("MARKS = {")[0]
        for name, mark in MARKS.items():
            for after in text.split(name)[1:]:
                if not after.startswith(", 7.1.6"):
                    assert after.lstrip().startswith(mark), (path.name, name, after[:50])
                    found[name] += 1
        assert text.count("Sharp and Granger") == text.count(
            "Gough, as quoted by Sharp and Granger"
        )
    assert all(found.values()), found


@pytest.mark.parametrize("name", ["small.toml", "points.csv", "racks.csv"])
def test_the_study_is_not_written_over_with_its_numbers(tmp_path, name):
    path = write_small_study(tmp_path)
    target = {
        "small.toml": path,
        "points.csv": read_study(path).inputs["hardpoints"],
        "racks.csv": read_study(path).inputs["catalogue"],
    }[name]
    before = target.read_bytes()
    code, _, err = run_here("check", path, "--numbers", target, cwd=tmp_path)
    assert code == 2
    assert "is the study's own" in err
    assert target.read_bytes() == before


@pytest.mark.parametrize(
    ("names", "other"),
    [(["rim"], "rim"), (["Lower arm"], "lower arm"), (["pedal box", "pedal_box"], "pedal box")],
)
def test_a_keep_out_that_would_hide_another_part_is_refused(tmp_path, names, other):
    tables = "".join(
        f'\n[[keep_out]]\nname = "{name}"\nkind = "box"\n'
        "from_mm = [0, 0, 0]\nto_mm = [10, 10, 10]\n"
        for name in names
    )
    path = write_small_study(tmp_path)
    path.write_text(path.read_text("utf-8") + tables, "utf-8")
    with pytest.raises(InputError, match=f"cannot be told from '{other}'"):
        read_study(path)


def test_a_number_is_not_printed_as_the_limit_that_it_is_not():
    one = quantity("ackermann_error_deg")
    assert one.against(0.6004, 0.6) == "0.6004 deg"
    assert one.against(0.59996, 0.6) == "0.59996 deg"
    assert one.against(0.6, 0.6) == "0.600 deg"
    assert one.against(0.7, 0.6) == "0.700 deg"
    assert one.against(float("nan"), 0.6).startswith("nan")
    assert excess_words("clearance_mm", 4.1e-5, ".2g").endswith("by less than 0.001 mm")
