"""The rack catalogue: what is read, and every refusal by its message."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from search_cases import small

from optimiser.base.errors import InputError
from optimiser.linkage.racks import COLUMNS, REQUIRED_COLUMNS, Rack, read_racks


def catalogue(tmp_path, text):
    path = tmp_path / "racks.csv"
    path.write_text(text, encoding="utf-8")
    return read_racks(path)


def test_only_name_spacing_and_travel_are_needed(tmp_path):
    (rack,) = catalogue(tmp_path, "name,inner_joint_spacing_mm,travel_mm\nA,500,128\n")
    assert rack == Rack("A", 500.0, 128.0)
    assert rack.travel_per_turn_mm is None


def test_every_column_is_read_and_empty_cells_are_none(tmp_path):
    full = {
        "name": "A <b>",
        "inner_joint_spacing_mm": "500",
        "travel_mm": "150",
        "turns": "2.5",
        "mass_kg": "4.6",
        "price": "0",
        "made_for": "Behind",
        "pinion_side": "LEFT",
        "housing_length_mm": "350",
        "housing_diameter_mm": "45",
        "tie_rod_length_mm": "290",
        "joint_limit_deg": "30",
        "pinion_offset_mm": "120",
        "pinion_length_mm": "90",
        "pinion_diameter_mm": "48",
        "pinion_angle_deg": "-35",
        "tie_rod_adjustment_mm": "15",
        "tie_rod_diameter_mm": "14",
        "tie_rod_mass_kg": "0.5",
        "inner_joint_spacing_plus_minus_mm": "2",
        "travel_plus_minus_mm": "3.5",
        "pinion_lean_deg": "10",
        "pinion_bar_offset_mm": "-12",
        "left_foot_along_mm": "150",
        "left_foot_forward_mm": "-20",
        "left_foot_up_mm": "-30",
        "right_foot_along_mm": "-140",
        "right_foot_forward_mm": "-20",
        "right_foot_up_mm": "-30",
        "foot_bolt": "up",
    }
    assert tuple(full) == COLUMNS
    blank = ["B", "510", "90", *[""] * (len(full) - 3)]
    first, second = catalogue(
        tmp_path, "\n".join([",".join(full), ",".join(full.values()), ",".join(blank)])
    )
    assert first.name == "A <b>"
    assert (first.made_for, first.pinion_side) == ("behind", "left")
    assert first.price == 0.0
    assert all(getattr(first, column) is not None for column in COLUMNS)
    assert all(getattr(second, c) is None for c in COLUMNS if c not in REQUIRED_COLUMNS)


def test_the_page_on_studies_tells_every_column_and_which_are_required():
    page = (Path(__file__).parents[1] / "studies" / "README.md").read_text("utf-8")
    section = page.split("\n## Racks\n")[1].split("\n## ")[0]
    told = {}
    for line in section.splitlines():
        if line.startswith("| `"):
            names, _, meaning = (cell.strip() for cell in line.split("|")[1:-1])
            told |= {name: "required" in meaning for name in re.findall(r"`(\w+)`", names)}
    assert set(told) == set(COLUMNS)
    assert {name for name, required in told.items() if required} == set(REQUIRED_COLUMNS)


def test_semicolons_and_decimal_commas(tmp_path):
    (rack,) = catalogue(tmp_path, "name;inner_joint_spacing_mm;travel_mm;turns\nA;500,5;128;2,8\n")
    assert (rack.inner_joint_spacing_mm, rack.turns) == (500.5, 2.8)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (",500,128,,,", "line 2, column name: is blank; give the rack a name"),
        (
            f"{'n' * 81},500,128,,,",
            "column name: is too long or holds control characters; use up to 80 plain characters",
        ),
        ("a\x1b[31m,500,128,,,", "column name: is too long or holds control characters"),
        (
            "A,,128,,,",
            "line 2, column inner_joint_spacing_mm: is blank; measure it: every search needs "
            "inner_joint_spacing_mm and travel_mm",
        ),
        ("A,500,,,,", "column travel_mm: is blank; measure it"),
        (
            "A,0.5,128,,,",
            "column inner_joint_spacing_mm: 0.5 is not between 100 and 1500; check the value and "
            "its unit (lengths in mm, travel end to end)",
        ),
        ("A,19.7,128,,,", "column inner_joint_spacing_mm: 19.7 is not between 100 and 1500"),
        ("A,500,-128,,,", "column travel_mm: -128 is not between 20 and 400"),
        ("A,500,128,0,,", "column turns: 0 is not between 0.3 and 10"),
        ("A,500,128,,-5,", "column price: -5 is not between 0 and 1e+07"),
        ("A,500,128,,cheap,", "column price: 'cheap' is not a finite number"),
        (
            "A,500,128,,,front",
            "column made_for: 'front' is not known; write ahead or behind, or leave it empty",
        ),
        ("A,500,128,,,\nA,510,128,,,", "line 3: rack 'A' stands twice; give each rack one row"),
    ],
)
def test_refusals_of_a_catalogue(tmp_path, row, message):
    header = "name,inner_joint_spacing_mm,travel_mm,turns,price,made_for"
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        catalogue(tmp_path, f"{header}\n{row}\n")
    assert str(caught.value).isprintable()


def test_a_side_that_is_not_known(tmp_path):
    text = "name,inner_joint_spacing_mm,travel_mm,pinion_side\nA,500,128,middle\n"
    message = "column pinion_side: 'middle' is not known; write left or right, or leave it empty"
    with pytest.raises(InputError, match=re.escape(message)):
        catalogue(tmp_path, text)


def test_a_catalogue_without_racks_and_one_with_a_misspelt_column(tmp_path):
    header = "name,inner_joint_spacing_mm,travel_mm"
    with pytest.raises(InputError, match="names columns but holds no rows"):
        catalogue(tmp_path, header)
    with pytest.raises(InputError, match="unknown column 'weight_kg'; known columns: name, inner"):
        catalogue(tmp_path, f"{header},weight_kg\nA,500,128,4\n")


def test_the_joint_limit_of_a_row_is_held_against_the_angle_of_its_joint(tmp_path):
    rows = [f"r{limit},600,120,{limit}" for limit in (10, 18, 34)]
    racks = catalogue(
        tmp_path, "\n".join(["name,inner_joint_spacing_mm,travel_mm,joint_limit_deg", *rows])
    )
    asked = replace(small(), racks=racks)
    middle = {name: 0.5 * (one.low + one.high) for name, one in asked.space.items()}
    found = asked.evaluate(asked.designs([0, 1, 2], middle))
    angle = found.metrics["inner_joint_angle_deg"]
    column = asked.constraint_names.index("inner_joint_angle_deg")
    assert 10.0 < angle[0] < 18.0
    assert angle == pytest.approx(angle[0], abs=1e-9)
    assert found.constraints[:, column] == pytest.approx(angle - [10.0, 18.0, 34.0], abs=1e-9)
    assert "inner_joint_angle_deg" in found.status[0]
    assert "inner_joint_angle_deg" not in found.status[2]
