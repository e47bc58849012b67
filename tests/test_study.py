"""Study files: what they mean, and every refusal by its message."""

import copy
import datetime
import importlib.resources
import json
import math
import pickle
import re
from pathlib import Path

import numpy as np
import pytest
from examples.tables import keys_table

from optimiser.base.errors import InputError
from optimiser.evaluation.moves import DIRECTIONS
from optimiser.evaluation.problem import VARIABLES, FollowsRack, Range, Stock
from optimiser.linkage.at_rack import steering_frame
from optimiser.metrics.kinematic import bump_steer, turning_diameter
from optimiser.study.messages import all_tables, heading, keys_of, table_of, unit_of
from optimiser.study.read import Study, read_study, write_starter
from optimiser.study.suspension_tables import MoverTable
from optimiser.study.toml import MAX_DEPTH, MAX_VARIANTS

ROOT = Path(__file__).parent.parent
GONE = object()

# Invented corner and racks.
POINTS = """name,x_mm,y_mm,z_mm
lower_front_pivot,150,310,160
lower_rear_pivot,-150,310,155
lower_ball_joint,5,630,150
upper_front_pivot,110,370,370
upper_rear_pivot,-120,370,362
upper_ball_joint,-18,600,400
wheel_centre,0,670,280
outer_joint,118,625,210
inner_joint,105,330,215
"""
RACKS = """name,inner_joint_spacing_mm,travel_mm,turns,mass_kg,price,tie_rod_length_mm
A,600,130,3.0,4.5,100,300
B,660,140,2.9,5.0,,295
C [red],640,120,2.5,,90,
"""
BASE = {
    "title": "A test",
    "car": {"wheelbase_mm": 2300, "loaded_radius_mm": 280.0},
    "hardpoints": {"file": "points.csv"},
    "travel": {"bump_mm": 60, "droop_mm": 50},
    "steering": {
        "inner_lock_deg": 34,
        "acceptable_bump_steer_deg": 0.1,
        "acceptable_ackermann_error_deg": 0.8,
    },
    "racks": {"catalogue": "racks.csv"},
    "search": {"vary": {"rack_height_mm": {"from": 170, "to": 250}}},
}
KEEP_OUT = {"name": "box", "kind": "box", "from_mm": [0, 0, 0], "to_mm": [9, 9, 9.5]}


def toml_value(value):
    """One value as TOML text."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, dict):
        return f"{{{', '.join(f'{json.dumps(k)} = {toml_value(v)}' for k, v in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, datetime.date):
        return value.isoformat()
    return repr(value)


def edited(edits):
    """BASE with keys set by their dotted path; GONE removes one."""
    raw = copy.deepcopy(BASE)
    for path, value in edits.items():
        *tables, key = path.split(".")
        table = raw
        for name in tables:
            table = table.setdefault(name, {})
        if value is GONE:
            table.pop(key, None)
        else:
            table[key] = value
    return raw


@pytest.fixture
def folder(tmp_path):
    """A folder with the invented corner and racks."""
    (tmp_path / "points.csv").write_text(POINTS, encoding="utf-8")
    (tmp_path / "racks.csv").write_text(RACKS, encoding="utf-8")
    return tmp_path


@pytest.fixture
def read(folder):
    """Read BASE with edits, or a text, from a file called study.toml."""

    def reader(edits=None, text=None, **options):
        path = folder / "study.toml"
        if text is None:
            raw = edited(edits or {})
            text = "\n".join(f"{key} = {toml_value(value)}" for key, value in raw.items())
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_study(path, **options)

    return reader


@pytest.fixture
def refuse(read):
    """Check that a study is refused by one line that says this."""

    def check(edits, message, **options):
        with pytest.raises(InputError, match=re.escape(message)) as caught:
            read(edits, **options)
        line = str(caught.value)
        assert line.isprintable()
        assert "study.toml" in line
        assert caught.value.remedy
        assert caught.value.exit_code == 2
        return line

    return check


# --- what a study means --------------------------------------------------------------------------


def test_a_study_becomes_a_problem_in_radians(read):
    study = read(
        {
            "car.static_toe_in_deg": 0.25,
            "car.static_camber_deg": -1,
            "car.drive_side": "right",
            "limits": {"toggle_margin_deg": 30, "inner_joint_angle_deg": "off"},
            "objectives": {"bump_steer": "rms", "also": ["part_lock_bump_steer_deg"]},
            "steering.ackermann_target": 0.5,
            "steering.stops": "lock",
        }
    )
    problem = study.problem()
    assert problem.car.attitude.toe_in == pytest.approx(math.radians(0.25), abs=1e-15)
    assert problem.car.attitude.camber == pytest.approx(math.radians(-1), abs=1e-15)
    assert problem.car.drive_side == "right"
    assert problem.car.wheelbase_mm == 2300.0
    assert problem.steering.inner_lock == pytest.approx(math.radians(34), abs=1e-15)
    assert problem.steering.acceptable_ackermann_error == pytest.approx(math.radians(0.8))
    assert problem.steering.ackermann_target == 0.5
    assert problem.steering.stops == "lock"
    assert not problem.steering.keep_tie_rods
    assert problem.limits.toggle_margin == pytest.approx(math.radians(30), abs=1e-15)
    assert problem.limits.inner_joint_angle is None
    assert problem.limits.clearance_mm == 5.0
    assert problem.limits.track_growth_mm is None
    assert problem.objectives.names == (
        "bump_steer_rms_deg",
        "ackermann_error_deg",
        "part_lock_bump_steer_deg",
    )
    assert problem.travel.grid()[[0, -1]].tolist() == [-50.0, 60.0]
    assert [rack.name for rack in problem.racks] == ["A", "B", "C [red]"]
    assert problem.arm_ahead
    np.testing.assert_allclose(problem.acceptable, [0.1, 0.8], rtol=1e-14)


def test_every_spelling_of_a_variable(read):
    study = read(
        {
            "search.vary": {
                "rack_height_mm": {"from": 170, "to": 250},
                "rack_fore_aft_mm": {"from": 90, "to": 90},
                "spacer_mm": [0, 12.5],
                "arm_length_mm": 115,
                "arm_height_mm": "follows rack",
            }
        }
    )
    space = study.space
    assert tuple(space) == VARIABLES
    assert space["rack_height_mm"] == Range(170.0, 250.0)
    assert space["rack_fore_aft_mm"] == Stock((90.0,))
    assert space["spacer_mm"] == Stock((0.0, 12.5))
    assert space["arm_length_mm"] == Stock((115.0,))
    assert space["arm_height_mm"] == FollowsRack(-5.0)
    assert isinstance(space["arm_angle_deg"], Stock)


def test_all_as_drawn_gives_back_the_drawing(read):
    study = read({"search": GONE})
    problem = study.problem()
    assert problem.space["spacer_mm"] == Stock((0.0,))
    designs = problem.designs([1], {})
    corner, moved = problem.corners(designs)
    assert moved == [0.0]
    # rack B is as long as the drawn spacing, 2 x 330 mm
    for name, drawn in study.points.items():
        np.testing.assert_allclose(
            getattr(corner, name),
            np.broadcast_to(drawn, (3,))[None] if (getattr(corner, name).ndim == 2) else drawn,
            atol=1e-9,
        )
    assert any("Nothing in [search.vary] is free" in note for note in study.notes())


def test_racks_come_in_the_order_of_the_catalogue(read):
    study = read({"racks.use": ["C [red]", "A"]})
    assert [rack.name for rack in study.racks] == ["A", "C [red]"]


def test_the_frame_is_applied(read, folder):
    plain = read({})
    rows = [line.split(",") for line in POINTS.splitlines()[1:]]
    # CAD: x rearward from 1000 mm ahead of the axle, y up, z to the left
    turned = [f"{n},{1000 - float(x)},{float(z) - 40},{y}" for n, x, y, z in rows]
    (folder / "points.csv").write_text("\n".join(["name,x_mm,y_mm,z_mm", *turned]), "utf-8")
    frame = {"forward": "-x", "left": "z", "up": "+y", "ground_origin_mm": [1000, -40, 0]}
    with pytest.raises(InputError, match="left-handed"):
        read({"frame": {**frame, "left": "-z"}})
    study = read({"frame": frame})
    for name, point in study.points.items():
        np.testing.assert_allclose(point, getattr(plain.points, name), atol=1e-9, rtol=0)


def test_units_and_names_of_the_points(read, folder):
    rows = [line.split(",") for line in POINTS.splitlines()[1:]]
    metres = [
        f"{'HUB' if name == 'wheel_centre' else name},{','.join(str(float(v) / 1000) for v in xyz)}"
        for name, *xyz in rows
    ]
    (folder / "points.csv").write_text("\n".join(["name,x,y,z", *metres]), "utf-8")
    study = read(
        {
            "hardpoints": {
                "file": "points.csv",
                "unit": "m",
                "names": {"wheel_centre": "HUB"},
            }
        }
    )
    np.testing.assert_allclose(study.points.wheel_centre, [0, 670, 280], atol=1e-9)


def test_names_and_titles(read, folder):
    assert read({}).title == "A test"
    assert read({"title": GONE}).title == "study"
    markup = "[bold]<b>&amp; {{ x }}[/bold] = \u00fc"
    study = read({"title": markup})
    assert study.title == markup
    assert study.name == "study"
    assert study.inputs == {
        "study": folder / "study.toml",
        "hardpoints": folder / "points.csv",
        "catalogue": folder / "racks.csv",
    }


def test_curves_need_only_car_and_hardpoints(read, refuse):
    rest = {"travel": GONE, "steering": GONE, "racks": GONE, "search": GONE}
    study = read(rest, whole=False)
    assert (study.racks, study.travel, study.inner_lock) == ((), None, None)
    assert "catalogue" not in study.inputs
    json.dumps(study.resolved(), allow_nan=False)
    with pytest.raises(InputError, match=re.escape("table [travel] is missing")):
        study.problem()
    # what is there is still checked
    refuse({**rest, "limits.spacer_max_mm": -1}, "spacer_max_mm: -1 is not", whole=False)


def test_a_study_survives_a_process_boundary(read):
    study = read({"variant": [{"name": "v", "car": {"wheelbase_mm": 2400}}]})
    again = pickle.loads(pickle.dumps(study))
    assert isinstance(again, Study)
    assert again.resolved() == study.resolved()
    assert again.variants[0].resolved() == study.variants[0].resolved()


def test_resolved_holds_every_default_as_json(read):
    # What is only asked after the run, and only in some studies, leaves no trace in the others.
    zone = {"from_mm": [0, 0, 0], "to_mm": [1, 1, 1]}
    study = read(
        {
            "keep_out": [KEEP_OUT],
            "tolerance": {"shimmed": True},
            "measuring": {},
            "parts": {},
            "search.start_from": str(ROOT / "results" / "example" / "demo"),
            "mount_zone": [zone],
            "suspension": {"may_move": {"lower_pivots": {"up": 5.0}}},
        }
    )
    record = json.loads(json.dumps(study.resolved(), allow_nan=False))
    for path, model in all_tables().items():
        if path == ("variant",):
            continue
        table = record
        for part in path:
            table = table[part]
        if path == ("suspension", "may_move"):
            (table,) = table.values()
        if isinstance(table, list):
            (table,) = table
        if table is not None:
            assert set(keys_of(model)) - {"variant"} <= set(table), path
    assert record["search"]["vary"]["rack_height_mm"] == {"from": 170.0, "to": 250.0}
    assert record["search"]["trials"] == 2000
    assert record["derived"]["inner_lock_deg"] == pytest.approx(34.0)
    assert record["derived"]["racks"][1]["price"] is None
    assert record["derived"]["hardpoints_iso_mm"]["inner_joint"] == [105.0, 330.0, 215.0]
    assert record["derived"]["space"]["spacer_mm"] == {"kind": "Stock", "values": [0.0]}


def test_bytes_of_every_editor(read):
    text = "\n".join(f"{key} = {toml_value(value)}" for key, value in BASE.items())
    assert read(text="\ufeff" + text.replace("\n", "\r\n")).seed == 1


# --- turning circle ------------------------------------------------------------------------------


def test_turning_circle_gives_the_lock_of_sae_j695(read, folder):
    # SAE J695 (read): l 2500, steering axes 1400 apart, offset 25 mm, outer 30 deg: diameter
    # 10 050 mm, inner 40.471 deg. Upright steering axis, no scrub radius, tyre 50 mm wide.
    points = POINTS.replace("5,630,150", "0,700,150").replace("-18,600,400", "0,700,400")
    points = points.replace("0,670,280", "0,700,280").replace("118,625", "118,695")
    (folder / "points.csv").write_text(points, "utf-8")
    study = read(
        {
            "car": {"wheelbase_mm": 2500, "loaded_radius_mm": 280, "tyre_width_mm": 50},
            "steering.inner_lock_deg": GONE,
            "steering.turning_circle_m": 10.05,
        }
    )
    assert study.inner_lock is not None
    assert math.degrees(study.inner_lock) == pytest.approx(40.471, abs=5e-4)
    assert study.problem().steering.inner_lock == study.inner_lock
    assert turning_diameter(math.radians(30), 2500, 25) == pytest.approx(10050)


def test_turning_circle_counts_the_scrub_radius_and_half_the_tyre(read):
    circle = {"steering.inner_lock_deg": GONE, "steering.turning_circle_m": 10.5}
    locks = [
        read({**circle, "car.tyre_width_mm": width, "steering.ackermann_target": 0.0}).inner_lock
        for width in (100, 200)
    ]
    # parallel wheels: inner = outer = arcsin(l / (R - offset)); 50 mm more offset
    radii = [2300 / math.sin(lock) for lock in locks]
    assert radii[0] - radii[1] == pytest.approx(50.0, abs=1e-6)


def test_turning_circle_out_of_reach(refuse):
    circle = {"steering.inner_lock_deg": GONE, "car.tyre_width_mm": 175}
    line = refuse(
        {**circle, "steering.turning_circle_m": 5.2},
        "[steering] turning_circle_m: 5.2 m needs more than 70 deg of the inner wheel; "
        "with this wheelbase and track the least is about ",
    )
    least = float(line.rsplit(" ", 2)[1])
    refuse({**circle, "steering.turning_circle_m": least - 0.2}, "needs more than 70 deg")
    refuse({**circle, "steering.turning_circle_m": 3.5}, "needs more than 70 deg")


def test_the_least_turning_circle_it_names_is_accepted(read):
    circle = {"steering.inner_lock_deg": GONE, "car.tyre_width_mm": 175}
    with pytest.raises(InputError) as caught:
        read({**circle, "steering.turning_circle_m": 4.0})
    least = float(str(caught.value).rsplit(" ", 2)[1])
    lock = read({**circle, "steering.turning_circle_m": least + 0.1}).inner_lock
    assert 60.0 < math.degrees(lock) <= 70.0


# --- refusals ------------------------------------------------------------------------------------

NUMBER = "is not a finite number; write a number"
VARY_WAYS = "write {from = LOW, to = HIGH} or a number in mm or a list of numbers in mm"

REFUSED = {
    # keys
    "misspelt key": (
        {"car.wheelbase_mm": GONE, "car.wheel_base_mm": 2300},
        "study.toml, [car]: unknown key wheel_base_mm; did you mean wheelbase_mm?",
    ),
    "key of another table": (
        {"steering.wheelbase_mm": 2300},
        "[steering]: unknown key wheelbase_mm; it belongs in [car]",
    ),
    "top key in a table": (
        {"car.seed": 3},
        "[car]: unknown key seed; it belongs in the top of the file",
    ),
    "key of two tables": (
        {"car.diameter_mm": 12},
        "unknown key diameter_mm; it belongs in [tie_rod] or [spacer]",
    ),
    "key like no other": (
        {"racks.zzz": 1},
        "[racks]: unknown key zzz; known here: catalogue, use",
    ),
    "key that is no word": ({"racks.a b\x1b": 1}, "[racks]: unknown key 'a b\\x1b'; known here:"),
    "misspelt table": (
        {"stering": {"x": 1}},
        "study.toml: unknown table stering; did you mean steering?",
    ),
    "misspelt top key": ({"sed": 1}, "study.toml: unknown key sed; did you mean seed?"),
    "key of a range": (
        {"search.vary.rack_height_mm": {"from": 1, "to": 2, "step": 1}},
        "[search.vary] rack_height_mm: unknown key step; write {from = LOW, to = HIGH}",
    ),
    "missing key": (
        {"car.loaded_radius_mm": GONE},
        "[car]: loaded_radius_mm is missing; add loaded_radius_mm = ... in mm (wheel centre to "
        "ground with the car at rest)",
    ),
    "missing word": (
        {"keep_out": [{k: v for k, v in KEEP_OUT.items() if k != "kind"}]},
        "[[keep_out]] number 1: kind is missing; add kind = ... (`box` along the CAD axes",
    ),
    "missing table": (
        {"car": GONE},
        "study.toml: table [car] is missing; add it with wheelbase_mm, loaded_radius_mm",
    ),
    "missing travel": (
        {"travel": GONE},
        "study.toml: table [travel] is missing; a search needs it: give bump_mm and droop_mm",
    ),
    "missing steering": ({"steering": GONE}, "table [steering] is missing; a search needs it"),
    "missing racks": (
        {"racks": GONE},
        "table [racks] is missing; a search needs it: give catalogue",
    ),
    "half a range": (
        {"search.vary.rack_height_mm": {"from": 170}},
        "[search.vary] rack_height_mm: to is missing; write {from = LOW, to = HIGH}",
    ),
    # types
    "text for a number": (
        {"car.wheelbase_mm": "2300"},
        f"[car] wheelbase_mm: '2300' {NUMBER} in mm",
    ),
    "bool for a number": ({"car.wheelbase_mm": True}, f"[car] wheelbase_mm: True {NUMBER} in mm"),
    "nan": ({"steering.ackermann_target": math.nan}, f"ackermann_target: nan {NUMBER}"),
    "infinity": ({"travel.bump_mm": -math.inf}, f"[travel] bump_mm: -inf {NUMBER} in mm"),
    "huge integer": (
        {"car.wheelbase_mm": 10**400},
        "... is not a finite number; write a number in mm",
    ),
    "long text": ({"car.wheelbase_mm": "x" * 999}, f"{'x' * 60}... {NUMBER}"),
    "date": ({"travel.bump_mm": datetime.date(2024, 5, 1)}, "2024, 5, 1) is not a finite number"),
    "number for text": ({"title": 5}, 'study.toml, title: 5 is not text; write text in "quotes"'),
    "number for a bool": (
        {"steering.keep_tie_rods": 1},
        "[steering] keep_tie_rods: 1 is not true or false; write true or false",
    ),
    "fraction for an integer": (
        {"search.trials": 1500.0},
        "[search] trials: 1500.0 is not a whole number; write a whole number",
    ),
    "word": (
        {"car.drive_side": "Right"},
        '[car] drive_side: \'Right\' is not a word known here; write "left" or "right"',
    ),
    "word in a list": (
        {"objectives.also": ["prize"]},
        "[objectives] also number 1: prize is no quantity; did you mean price?",
    ),
    "limit that is no number": (
        {"limits.at_most": {"rim_force_n": float("nan")}},
        "[limits] at_most rim_force_n: nan is not a finite number; write a number",
    ),
    "limit on what is not known": (
        {"limits.at_most": {"rim_forc_n": 120}},
        "[limits] at_most rim_forc_n: rim_forc_n is no quantity; did you mean rim_force_n?",
    ),
    "limit on a word": (
        {"limits.at_least": {"buckling_reserve": "high"}},
        "[limits] at_least buckling_reserve: 'high' is not a finite number",
    ),
    "limit that is not finite": (
        {"limits.at_least": {"buckling_reserve": float("inf")}},
        "[limits] at_least buckling_reserve: inf is not a finite number",
    ),
    "limit with a key of its own": (
        {"limits.at_least": {"toggle_margin_deg": 30}},
        "[limits] at_least toggle_margin_deg: toggle_margin_deg has a key of its own; write it as "
        "[limits] toggle_margin_deg",
    ),
    "limit that is always there": (
        {"limits.at_most": {"rack_travel_mm": 0}},
        "[limits] at_most rack_travel_mm: rack_travel_mm is a limit itself, always in force; set "
        "[limits] rack_travel_margin_mm",
    ),
    "limit on the best of many": (
        {"limits.at_most": {"best_bump_steer_deg": 0.1}},
        "[limits] at_most best_bump_steer_deg: best_bump_steer_deg is the least of a rack's "
        "designs, not a number of one; name the number itself",
    ),
    "limit on every pair": (
        {"limits.at_least": {"clearance_PART_OTHER_mm": 8}},
        "clearance_PART_OTHER_mm stands for a column of each pair; name one, such as "
        "clearance_tie_rod_rim_mm",
    ),
    "limits that cross": (
        {"limits.at_least": {"share_of_travel": 0.9}, "limits.at_most": {"share_of_travel": 0.5}},
        "[limits]: share_of_travel is to be at least 0.9 and at most 0.5; exchange them",
    ),
    "objective without a better way": (
        {"objectives.also": ["scrub_radius_mm"]},
        "[objectives] also number 1: neither less nor more of scrub_radius_mm is better; bound it "
        "by [limits.at_most] or [limits.at_least] scrub_radius_mm",
    ),
    "objective that is one already": (
        {"objectives.also": ["bump_steer_deg"]},
        "[objectives] also: bump_steer_deg is an objective already; leave it out",
    ),
    "accepted of no objective": (
        {"objectives.acceptable": {"price": 200}},
        "[objectives] acceptable price: price is no objective of also; list it in [objectives] "
        "also",
    ),
    "nothing accepted": (
        {"objectives.also": ["share_of_travel"], "objectives.acceptable": {"share_of_travel": 0}},
        "[objectives] acceptable share_of_travel: 0 is not above 0; give what you accept",
    ),
    "number for a list": (
        {"racks.use": 3},
        '[racks] use: 3 is not a way to write it; write "all" or a list of text in "quotes"',
    ),
    "number in a list": ({"racks.use": ["A", 3]}, "[racks] use number 2: 3 is not text"),
    "number for a table": ({"car": 3}, "[car]: 3 is not a table; write it under a heading [car]"),
    "number for an inner table": (
        {"search.vary": 3},
        "[search.vary]: 3 is not a table; write it under a heading [search.vary]",
    ),
    "table for tables": (
        {"keep_out": KEEP_OUT},
        "is not a list; write it under a heading [[keep_out]]",
    ),
    "number among tables": (
        {"keep_out": [KEEP_OUT, 3]},
        "[[keep_out]] number 2: 3 is not a table; write it under a heading [[keep_out]]",
    ),
    "number for names": (
        {"hardpoints.names": 3},
        "[hardpoints] names: 3 is not a table; write a table",
    ),
    "number for a name": (
        {"hardpoints.names": {"wheel_centre": 3}},
        "[hardpoints] names wheel_centre: 3 is not text",
    ),
    "two coordinates": (
        {"frame.ground_origin_mm": [1, 2]},
        "[frame] ground_origin_mm: does not hold three numbers; write [x, y, z] in mm",
    ),
    "four coordinates": (
        {"keep_out": [{**KEEP_OUT, "to_mm": [1, 2, 3, 4]}]},
        "[[keep_out]] number 1 to_mm: does not hold three numbers; write [x, y, z] in mm",
    ),
    "text among coordinates": (
        {"frame.ground_origin_mm": [1, "2", 3]},
        "[frame] ground_origin_mm number 2: '2' is not a finite number; write [x, y, z]",
    ),
    # plausible ranges
    "metres": (
        {"car.wheelbase_mm": 2.3},
        "[car] wheelbase_mm: 2.3 is not between 1000 and 6000 mm, and looks like metres; check "
        "the value, which is in mm",
    ),
    "inches": ({"car.wheelbase_mm": 92}, "92 is not between 1000 and 6000 mm, and looks like inch"),
    "centimetres": (
        {"car.wheelbase_mm": 230},
        "and looks like inches or centimetres; check the value, which is in mm",
    ),
    "minutes of arc": (
        {"car.static_toe_in_deg": 30},
        "[car] static_toe_in_deg: 30 is not between -3 and 3 deg, and looks like minutes of arc",
    ),
    "radians": (
        {"steering.inner_lock_deg": 0.6},
        "[steering] inner_lock_deg: 0.6 is not between 5 and 70 deg, and looks like radians",
    ),
    "millimetres": (
        {"steering.turning_circle_m": 10500},
        "10500 is not between 3 and 30 m, and looks like millimetres",
    ),
    "feet": (
        {"steering.turning_circle_m": 34.5},
        "34.5 is not between 3 and 30 m, and looks like feet; check the value, which is in m",
    ),
    "per cent": (
        {"steering.ackermann_target": 60},
        "60 is not between -2 and 2, and looks like per cent; check the value",
    ),
    "kilograms": (
        {"car.front_axle_load_n": 290},
        "[car] front_axle_load_n: 290 is not between 500 and 60000 N, and looks like kilograms",
    ),
    "bar": (
        {"loads": {"tyre_pressure_kpa": 1.8}},
        "[loads] tyre_pressure_kpa: 1.8 is not between 50 and 500 kPa, and looks like bar",
    ),
    "sign": (
        {"travel.droop_mm": -50},
        "[travel] droop_mm: -50 is not between 5 and 300 mm, and looks like the wrong sign",
    ),
    "no bump": ({"travel.bump_mm": 0}, "[travel] bump_mm: 0 is not between 5 and 300 mm; check"),
    "too much lock": (
        {"steering.inner_lock_deg": 71},
        "[steering] inner_lock_deg: 71 is not between 5 and 70 deg; check the value, which is",
    ),
    "far too much lock, and nobody writes a lock in minutes of arc": (
        {"steering.inner_lock_deg": 350},
        "[steering] inner_lock_deg: 350 is not between 5 and 70 deg; check the value, which is in",
    ),
    "bound of a range": (
        {"search.vary.rack_height_mm": {"from": -10, "to": 200}},
        "[search.vary] rack_height_mm: -10 is not between 0 and 1500 mm, and looks like the wrong",
    ),
    "stock value": (
        {"search.vary.spacer_mm": [0, 400]},
        "[search.vary] spacer_mm: 400 is not between 0 and 250 mm; check the value",
    ),
    "coordinate": (
        {"frame.ground_origin_mm": [0, 0, 1e6]},
        "[frame] ground_origin_mm: 1e+06 is not between -100000 and 100000 mm",
    ),
    "no trials": ({"search.trials": 0}, "[search] trials: 0 is not between 10 and 1e+07; check"),
    "huge trials": ({"search.trials": 10**400}, "[search] trials: "),
    "negative seed": ({"seed": -1}, "study.toml, seed: -1 is not between 0 and"),
    # spellings of variables
    "backwards range": (
        {"search.vary.rack_height_mm": {"from": 250, "to": 170}},
        "[search.vary] rack_height_mm: from = 250 is above to = 170; exchange them",
    ),
    "text in a range": (
        {"search.vary.rack_height_mm": {"from": "low", "to": 170}},
        "[search.vary] rack_height_mm from: 'low' is not a finite number; write a number",
    ),
    "drawn spacer": (
        {"search.vary.spacer_mm": "as drawn"},
        f"[search.vary] spacer_mm: 'as drawn' is not a way to write it; {VARY_WAYS}",
    ),
    "unknown word": (
        {"search.vary.arm_length_mm": "drawn"},
        f"arm_length_mm: 'drawn' is not a word known here; {VARY_WAYS} or \"as drawn\"",
    ),
    "rack follows": (
        {"search.vary.rack_height_mm": "follows rack"},
        "[search.vary] rack_height_mm: 'follows rack' is not a word known here",
    ),
    "bool for a variable": (
        {"search.vary.arm_height_mm": True},
        f'arm_height_mm: True is not a way to write it; {VARY_WAYS} or "as drawn" or "follows ra',
    ),
    "text among stock": (
        {"search.vary.spacer_mm": [0, "10"]},
        f"[search.vary] spacer_mm number 2: '10' is not a finite number; {VARY_WAYS}",
    ),
    "empty stock": (
        {"search.vary.spacer_mm": []},
        "[search.vary] spacer_mm: the list of stock values is empty; list at least one value",
    ),
    "stock twice": (
        {"search.vary.spacer_mm": [0, 10, 10.0]},
        "[search.vary] spacer_mm: a stock value stands twice; list each value once",
    ),
    "long spacers": (
        {"search.vary.spacer_mm": {"from": 0, "to": 60}},
        "[search.vary] spacer_mm: reaches 60 mm, above [limits] spacer_max_mm = 50; lower the "
        "one or raise the other",
    ),
    "long stock spacers": (
        {"search.vary.spacer_mm": [0, 30], "limits.spacer_max_mm": 25},
        "[search.vary] spacer_mm: reaches 30 mm, above [limits] spacer_max_mm = 25",
    ),
    "word for a limit": (
        {"limits.clearance_mm": "none"},
        "[limits] clearance_mm: 'none' is not a word known here; write a number in mm or \"off\"",
    ),
    # tables by themselves
    "step over the travel": (
        {"travel": {"bump_mm": 60, "droop_mm": 20, "step_mm": 25}},
        "[travel] step_mm: 25 mm is more than the travel itself, 20 mm; give a smaller step",
    ),
    "no lock": (
        {"steering.inner_lock_deg": GONE},
        "[steering]: neither of inner_lock_deg and turning_circle_m is given; give exactly one",
    ),
    "two locks": (
        {"steering.turning_circle_m": 10},
        "[steering]: both of inner_lock_deg and turning_circle_m are given; give exactly one",
    ),
    "no racks": (
        {"racks.use": []},
        '[racks] use: names no rack; list rack names, or write use = "all"',
    ),
    "rack twice": (
        {"racks.use": ["A", "A"]},
        "[racks] use: 'A' stands twice; name each rack once",
    ),
    "unknown point": (
        {"hardpoints.names": {"hub": "WC"}},
        "[hardpoints] names: unknown point 'hub'; write our_name = \"the file's name\", ours being",
    ),
    "no name for a point": (
        {"hardpoints.names": {"wheel_centre": " "}},
        "[hardpoints] names: ' ' is no name for wheel_centre; write the name that the file uses",
    ),
    "one name for two points": (
        {"hardpoints.names": {"wheel_centre": "P", "outer_joint": "P"}},
        "[hardpoints] names: two points are called 'P'; give each its own name",
    ),
    "objective twice": (
        {"objectives.also": ["price", "price"]},
        "[objectives] also: 2 more objectives, or one twice; name at most two different ones",
    ),
    "title of two lines": (
        {"title": "a\nb"},
        "study.toml, title: is too long or holds control characters; use up to 200 plain",
    ),
    "title with an escape": ({"title": "a\x1b[2J"}, "title: is too long or holds control"),
    "long title": ({"title": "a" * 201}, "title: is too long or holds control characters"),
    "box with a radius": (
        {"keep_out": [{**KEEP_OUT, "radius_mm": 5}]},
        '[[keep_out]] number 1 radius_mm: does not go with a box; remove it, or write kind = "cap',
    ),
    "capsule without": (
        {"keep_out": [KEEP_OUT, {**KEEP_OUT, "kind": "capsule"}]},
        "[[keep_out]] number 2 radius_mm: is missing for a capsule; give its radius in mm",
    ),
    "box without size": (
        {"keep_out": [{**KEEP_OUT, "to_mm": [0, 0, 0]}]},
        "[[keep_out]] number 1: the box has no size: from_mm and to_mm are one point; give opp",
    ),
    "keep-out twice": (
        {"keep_out": [KEEP_OUT, KEEP_OUT]},
        "study.toml, [[keep_out]]: name 'box' stands twice; name each differently",
    ),
    "thick wall": (
        {"tie_rod": {"diameter_mm": 12, "wall_mm": 7}},
        "[tie_rod] wall_mm: 7 mm is more than half of diameter_mm = 12; leave the wall out for a",
    ),
    # tables together, and with files
    "frame twice": (
        {"frame": {"forward": "x", "left": "x"}},
        "study.toml, [frame] forward, left, up: x, x, +z use one CAD axis twice",
    ),
    "left-handed frame": (
        {"frame.left": "-y"},
        "study.toml, [frame] forward, left, up: +x, -y, +z form a left-handed frame",
    ),
    "no such axis": ({"frame.up": "up"}, "study.toml, [frame] up: 'up' is not a signed axis"),
    "no file name": (
        {"hardpoints.file": " "},
        "study.toml, [hardpoints] file: ' ' is no file name; give a path to a CSV file",
    ),
    "NUL in a file name": (
        {"racks.catalogue": "a\0b"},
        "study.toml, [racks] catalogue: 'a\\x00b' is no file name",
    ),
    "unknown rack": (
        {"racks.use": ["A", "Z[b]"]},
        "[racks] use: 'Z[b]' is not in racks.csv; it holds A, B, C [red]",
    ),
    "tolerances not stated": (
        {"objectives.bump_steer": "with tolerances"},
        "[objectives] bump_steer: with tolerances needs to know them; add [tolerance]",
    ),
    "tolerances of Ackermann": (
        {"objectives.ackermann_error": "with tolerances"},
        "[objectives] ackermann_error: with tolerances needs to know them; add [tolerance]",
    ),
    "force without loads": (
        {"objectives.also": ["tie_rod_force_n"]},
        "[objectives] also: tie_rod_force_n cannot be computed; give [loads] tyre_pressure_kpa "
        "and [car] front_axle_load_n",
    ),
    "limit without loads": (
        {"limits.at_most": {"rim_force_n": 120}},
        "[limits.at_most] rim_force_n: rim_force_n cannot be computed; give [loads] tyre_pressure",
    ),
    "limit on a price that a rack has not": (
        {"limits.at_most": {"price": 200}},
        "[limits.at_most] price: rack 'B' has no price, which is to be bounded; fill it in, or "
        "leave the rack out of [racks] use",
    ),
    "limit that needs another column": (
        {
            "limits.at_most": {"pinion_angle_deg": 20},
            "arms": {"tube_diameter_mm": 25},
            "tie_rod": {"diameter_mm": 14},
        },
        "rack 'A' has no pinion_offset_mm, pinion_length_mm, pinion_diameter_mm, and "
        "pinion_angle_deg needs it; fill it in, or leave the rack out of [racks] use",
    ),
    "limit on a circle without a tyre": (
        {"limits.at_most": {"turning_circle_m": 10}},
        "[limits.at_most] turning_circle_m: between kerbs depends on the tyre's width; add [car] "
        "tyre_width_mm",
    ),
    "limit on a pair that is not there": (
        {
            "limits.at_least": {"clearance_tie_rod_rim_mm": 8},
            "arms": {"tube_diameter_mm": 25},
            "tie_rod": {"diameter_mm": 14},
        },
        "[limits.at_least] clearance_tie_rod_rim_mm: there is no pair clearance_tie_rod_rim_mm in "
        "this study; name one of clearance_tie_rod_lower_arm_mm",
    ),
    "limit on percentages beyond the lock": (
        {"limits.at_least": {"ackermann_at_20_percent": 40}, "steering.inner_lock_deg": 15},
        "[limits.at_least] ackermann_at_20_percent: the required lock is less than 20 deg; take "
        "ackermann_at_lock_percent",
    ),
    "price without prices": (
        {"objectives.also": ["price"]},
        "[objectives] also: rack 'B' has no price, which is to be minimised; fill it in, or leave "
        "the rack out of [racks] use",
    ),
    "mass without masses": (
        {"objectives.also": ["mass_kg"]},
        "[objectives] also: rack 'C [red]' has no mass_kg, which is to be minimised",
    ),
    "loads without a load": (
        {"loads": {"tyre_pressure_kpa": 180}},
        "[loads]: needs the weight on the front axle; add [car] front_axle_load_n",
    ),
    "rods without lengths": (
        {"steering.keep_tie_rods": True},
        "[steering] keep_tie_rods: rack 'C [red]' has no tie_rod_length_mm; fill it in, or leave "
        "the rack out of [racks] use",
    ),
    "growth without rods": (
        {"limits.track_growth_mm": 20},
        "[limits] track_growth_mm: nothing grows without [steering] keep_tie_rods = true; remove "
        'the limit, or write "off"',
    ),
    "circle without a tyre": (
        {"steering.inner_lock_deg": GONE, "steering.turning_circle_m": 10},
        "[steering] turning_circle_m: between kerbs depends on the tyre's width; add [car] tyre",
    ),
    "flying wheel": (
        {"frame.ground_origin_mm": [0, 0, -150]},
        "[frame] ground_origin_mm: the wheel would stand 150 mm above the ground; give the CAD "
        "coordinates of the ground under the middle of the front axle, and check [car] loaded",
    ),
    "sunken wheel": (
        {"frame.ground_origin_mm": [0, 0, 120]},
        "[frame] ground_origin_mm: the wheel would stand 120 mm below the ground",
    ),
}


@pytest.mark.parametrize(("edits", "message"), REFUSED.values(), ids=REFUSED)
def test_refusals(refuse, edits, message):
    refuse(edits, message)


@pytest.mark.parametrize(
    ("x", "y", "message"),
    [
        (0.0, 0.0, "[hardpoints] file: the outer joint is 0.0 mm from the steering axis"),
        (
            0.0,
            110.0,
            "[hardpoints] file: the outer joint is 110.0 mm from the steering axis and 90",
        ),
        (110.0 * np.cos(1.1), 110.0 * np.sin(1.1), " and 63 deg off straight ahead of it, so that"),
        (-110.0 * np.cos(1.1), 110.0 * np.sin(1.1), " and 63 deg off straight back of it, so that"),
    ],
)
def test_a_drawn_arm_that_is_neither_ahead_nor_behind(read, refuse, folder, x, y, message):
    study = read()
    low, high = study.points.lower_ball_joint, study.points.upper_ball_joint
    _, ahead, outboard = steering_frame(study.points)
    joint = low + 0.4 * (high - low) + x * ahead + y * outboard
    lines = [
        ",".join(["outer_joint", *map(repr, joint.tolist())]) if "outer_joint" in line else line
        for line in POINTS.splitlines()
    ]
    (folder / "points.csv").write_text("\n".join(lines), encoding="utf-8")
    refuse({}, message)
    # Curves of it may be drawn all the same.
    assert read(whole=False).points.outer_joint == pytest.approx(joint)


def test_files_that_are_not_there_or_wrong(read, refuse, folder):
    refuse(
        {"hardpoints.file": "none.csv"},
        "study.toml, [hardpoints] file: no such file 'none.csv'; paths start at the folder of the",
    )
    refuse({"hardpoints.file": "n" * 300}, "study.toml, [hardpoints] file: no such file 'nnn")
    refuse({"racks.catalogue": "a/b.csv"}, "study.toml, [racks] catalogue: no such file 'a/b.csv'")
    with pytest.raises(InputError, match=re.escape("racks.csv, line 1: column x_mm is missing")):
        read({"hardpoints.file": "racks.csv"})
    with pytest.raises(InputError, match=re.escape("no such study file; check the path")):
        read_study(folder / "none.toml")
    with pytest.raises(InputError, match=re.escape("no such study file; check the path")):
        read_study(folder / ("n" * 400))
    with pytest.raises(InputError, match=re.escape("is a folder; give the study file in it, such")):
        read_study(folder)
    with pytest.raises(InputError, match=re.escape("is no ordinary file; check the path")):
        read_study("/dev/zero")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "title = 'x'\n[car\n",
            "study.toml: is not valid TOML: Expected ']' at the end of a table declaration (at "
            'line 2, column 5); mend that line: text stands in "quotes", tables are headed by',
        ),
        (
            "a = 1 b\n",
            "Expected newline or end of document after a statement (at line 1, column 7)",
        ),
        ("a = 1\na = 2\n", "(at line 2, column 6); a key or table stands twice: keep one"),
        ("[car]\n[car]\n", "(at line 2, column 5); a key or table stands twice: keep one"),
        ("a = " + "[" * 5000 + "]" * 5000, "study.toml: nests tables or lists too deep for a stu"),
        ("a = " + "[" * 20 + "]" * 20, "study.toml: nests tables or lists too deep for a study"),
        (".".join("a" * 5000) + " = 1", "study.toml: nests tables or lists too deep for a study"),
        ("[" + ".".join("a" * 50) + "]", "study.toml: nests tables or lists too deep for a study"),
        ("a = " + "1" * 5000, "study.toml: is not valid TOML: Exceeds the limit"),
        (b"title = '\xff'", "study.toml: byte 9 is not UTF-8 text"),
        (b"title = '\0'", "study.toml: holds NUL bytes, so it is not plain text"),
        ("#" * 2_000_001, "study.toml: larger than 2 MB; check that it is the right file"),
        ("", "study.toml: table [car] is missing; add it with wheelbase_mm, loaded_radius_mm"),
    ],
    ids=range(13),
)
def test_what_is_no_toml(read, text, message):
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        read(text=text)
    assert str(caught.value).isprintable()


def test_depth_is_counted_from_the_top(read):
    deep = "a = " + "[" * (MAX_DEPTH - 1) + "]" * (MAX_DEPTH - 1)
    with pytest.raises(InputError, match="unknown key a"):
        read(text=deep)
    with pytest.raises(InputError, match="too deep"):
        read(text=deep.replace("[", "[[", 1).replace("]", "]]", 1))


def test_a_backslash_in_a_path_is_explained_as_such(read):
    with pytest.raises(InputError, match=r"line 2, column .*; in paths write / instead of \\$"):
        read(text='[hardpoints]\nfile = "cad\\points.csv"')
    # a backslash and r is a legal character in TOML, but not in a file name
    with pytest.raises(InputError, match=re.escape("'C:\\racks.csv' is no file name; give a")):
        read({"racks.catalogue": "C:\racks.csv"})


def test_unreachable_lock_is_no_reading_error(read):
    study = read({"steering.inner_lock_deg": 70})
    outcome = study.problem().evaluate(study.problem().designs([0], {"rack_height_mm": [215.0]}))
    assert not outcome.feasible.any()


def test_notes_on_a_drawing_that_disagrees_with_its_ground(read):
    assert read({}).notes() == []
    low = read({"frame.ground_origin_mm": [20, 0, -15]}).notes()
    assert low == [
        "By [frame] ground_origin_mm and [car] loaded_radius_mm the wheel stands 15 mm above the "
        "ground.",
        "The wheel centre is 20 mm behind the middle of the front axle as [frame] "
        "ground_origin_mm gives it.",
    ]
    high = read({"frame.ground_origin_mm": [-20, 0, 15]}).notes()
    assert "15 mm below" in high[0]
    assert "20 mm ahead of" in high[1]


# --- whatever is written, one line ---------------------------------------------------------------

NASTY = [
    math.nan, math.inf, -1, 0, 1e308, 10**400, 7.5, "", "x", "as drawn", "off", "\u0000", True,
    [], [[]], [1, 2, 3], ["A"], {}, {"from": 1}, {"from": 1, "to": 2}, [{}],
    datetime.date(2024, 1, 1),
]  # fmt: skip
NEEDED = {
    ("keep_out",): KEEP_OUT,
    ("wheel",): {"rim_inside_radius_mm": 170, "rim_inner_width_mm": 130},
    ("tie_rod",): {"diameter_mm": 14},
    ("spacer",): {"diameter_mm": 24},
    ("loads",): {"tyre_pressure_kpa": 180},
    ("variant",): {"name": "v"},
}


@pytest.mark.parametrize("path", all_tables(), ids=lambda path: ".".join(path) or "top")
def test_any_value_of_any_key_is_read_or_refused_in_one_line(read, path):
    listed = path in {("keep_out",), ("variant",)}
    read_or_refused = 0
    for key in (*keys_of(all_tables()[path]), "unknown"):
        for value in NASTY:
            raw = edited({})
            raw["car"]["front_axle_load_n"] = 3000
            table = raw
            for part in path:
                table = table.setdefault(part, dict(NEEDED.get((part,), {})))
            table[key] = value
            if listed:
                raw[path[0]] = [table]
            text = "\n".join(f"{key} = {toml_value(value)}" for key, value in raw.items())
            refusal = None
            try:
                read(text=text)
            except InputError as error:
                refusal = str(error)
            assert refusal is None or (refusal.isprintable() and re.search("toml|csv", refusal))
            read_or_refused += 1
    assert read_or_refused >= 2 * len(NASTY)


# --- variants ------------------------------------------------------------------------------------


def test_a_study_without_variants_is_its_own_case(read):
    study = read({})
    assert study.variants == ()
    assert study.cases == (study,)


def test_a_variant_overrides_keys_and_nothing_else(read):
    study = read(
        {
            "car.tyre_width_mm": 180,
            "variant": [
                {"name": "long", "car": {"wheelbase_mm": 2500}, "seed": 7},
                {"name": "circle", "steering": {"turning_circle_m": 11.0}},
                {"name": "high", "search": {"vary": {"rack_height_mm": {"from": 200}}}},
                {"name": "one rack", "racks": {"use": ["B"]}},
            ],
        }
    )
    long, circle, high, one = study.cases
    assert [case.variant for case in study.cases] == ["long", "circle", "high", "one rack"]
    assert (long.car.wheelbase_mm, long.seed) == (2500.0, 7)
    assert long.car.attitude == study.car.attitude
    assert circle.file.steering.inner_lock_deg is None
    assert circle.file.steering.acceptable_bump_steer_deg == 0.1
    assert high.space["rack_height_mm"] == Range(200.0, 250.0)
    assert [rack.name for rack in one.racks] == ["B"]
    assert long.name == "study long"
    assert long.title == "A test: long"
    assert study.car.wheelbase_mm == 2300.0
    assert "variant" not in long.resolved()
    assert long.resolved()["derived"]["variant"] == "long"


def test_a_grid_makes_every_combination(read):
    study = read(
        {
            "variant": [
                {
                    "name": "sweep",
                    "limits": {"toggle_margin_deg": 30},
                    "grid": {
                        "car": {"wheelbase_mm": [2200, 2400]},
                        "steering.ackermann_target": [0, 0.5, 1],
                    },
                }
            ]
        }
    )
    cases = study.cases
    assert [case.variant for case in cases][:2] == [
        "sweep wheelbase_mm 2200, ackermann_target 0",
        "sweep wheelbase_mm 2200, ackermann_target 0.5",
    ]
    got = [(c.car.wheelbase_mm, c.problem().steering.ackermann_target) for c in cases]
    assert got == [(w, t) for w in (2200.0, 2400.0) for t in (0.0, 0.5, 1.0)]
    assert all(case.file.limits.toggle_margin_deg == 30.0 for case in cases)


@pytest.mark.parametrize(
    ("variants", "message"),
    [
        (
            [{"name": "v", "car": {"wheelbas_mm": 2400}}],
            "study.toml, [[variant]] 'v', [car]: unknown key wheelbas_mm; did you mean wheelbase",
        ),
        ([{"name": "v", "carr": {}}], "[[variant]] 'v': unknown table carr; did you mean car?"),
        (
            [{"name": "v", "car": {"wheelbase_mm": 2.4}}],
            "[[variant]] 'v', [car] wheelbase_mm: 2.4 is not between 1000 and 6000 mm, and looks",
        ),
        (
            [{"name": "v", "racks": {"use": ["Z"]}}],
            "[[variant]] 'v', [racks] use: 'Z' is not in racks.csv; it holds A, B, C [red]",
        ),
        ([{"car": {}}], "[[variant]] number 1: name is missing; add name = ..."),
        ([3], "[[variant]] number 1: 3 is not a table; write it under a heading [[variant]]"),
        (
            [{"name": "v"}, {"name": "v"}],
            "[[variant]] 'v': variant 'v' stands twice; give each another name",
        ),
        (
            [{"name": "v", "grid": {"seed": list(range(MAX_VARIANTS + 1))}}],
            f"[[variant]] 'v': there are more than {MAX_VARIANTS} variants; make the grid coarser",
        ),
        (
            [{"name": "v", "grid": {"car": {"wheelbase_mm": 2300}}}],
            "[[variant]] 'v' grid car.wheelbase_mm: 2300 is not a list of values; write [FIRST,",
        ),
        (
            [{"name": "v", "grid": {"seed": []}}],
            "[[variant]] 'v' grid seed: [] is not a list of values; write [FIRST, SECOND, ...]",
        ),
        (
            [{"name": "v", "title": "w"}],
            "[[variant]] 'v': a variant cannot override title; use its name instead",
        ),
        (
            [{"name": "v", "variant": [{"name": "w"}]}],
            "[[variant]] 'v': a variant cannot override variant; use its name instead",
        ),
        (
            [{"name": "v\x1b"}],
            "[[variant]] number 1 name: is empty, too long or holds control characters; use up to",
        ),
        ([{"name": " "}], "[[variant]] number 1 name: is empty, too long or holds control"),
    ],
)
def test_refusals_of_variants(refuse, variants, message):
    refuse({"variant": variants}, message)


# --- the table of keys ---------------------------------------------------------------------------


def test_the_readme_of_studies_holds_the_table_of_keys():
    readme = (ROOT / "studies" / "README.md").read_text("utf-8")
    (between,) = re.findall(r"<!-- keys -->\n(.*?)<!-- /keys -->", readme, re.S)
    assert between.strip() == keys_table().strip()


def test_the_table_of_keys_names_every_key_of_every_model_once():
    rows = [
        tuple(cell.strip(" `") for cell in line.strip("|").split("|"))
        for line in keys_table().splitlines()
        if line.startswith(("| `[", "| (top)"))
    ]
    expected = [
        (heading(path) or "(top)", key)
        for path, model in all_tables().items()
        for key, info in keys_of(model).items()
        if table_of(info) is None
    ]
    assert [row[:2] for row in rows] == expected
    assert len(set(expected)) == len(expected) > 80
    assert all(row[3] and row[4] for row in rows)
    assert {len(row) for row in rows} == {5}


SUFFIXES = {
    "_mm": "mm", "_m": "m", "_deg": "deg", "_deg_per_m": "deg/m", "_n": "N", "_kpa": "kPa",
    "_gpa": "GPa", "_mpa": "MPa", "_kg_m3": "kg/m3", "hours": "h", "_n_per_mm": "N/mm",
    "_nm_per_deg": "N m/deg", "_kg": "kg",
}  # fmt: skip


def test_every_key_that_holds_a_unit_says_so_in_its_name():
    for model in all_tables().values():
        for key, info in keys_of(model).items():
            if model is MoverTable and key in DIRECTIONS:
                continue  # `{outboard = 25}`: millimetres, as its table says
            suffix = max((s for s in SUFFIXES if key.endswith(s)), key=len, default="")
            assert unit_of(info) == SUFFIXES.get(suffix, ""), key


# --- the studies that come along -----------------------------------------------------------------


def sample(problem, rack, count, seed=0):
    """Random designs of one rack."""
    rng = np.random.default_rng(seed)
    free = {}
    for name, choice in problem.space.items():
        if isinstance(choice, Range):
            free[name] = rng.uniform(choice.low, choice.high, count)
        elif isinstance(choice, Stock) and len(choice.values) > 1:
            free[name] = rng.choice(choice.values, count)
    designs = problem.designs(np.full(count, rack), free)
    return designs, problem.evaluate(designs)


def test_the_starter_reads_and_some_of_its_designs_are_feasible(tmp_path):
    written = write_starter(tmp_path / "new" / "car")
    assert [path.name for path in written] == ["car.toml", "hardpoints.csv", "racks.csv"]
    study = read_study(written[0])
    assert study.notes() == []
    problem = study.problem()
    assert not problem.arm_ahead
    for rack in range(len(problem.racks)):
        _, outcome = sample(problem, rack, 300)
        assert outcome.feasible.mean() > 0.02
    assert "invented" in written[0].read_text("utf-8")


def test_every_line_that_the_starter_comments_out_may_be_used(tmp_path):
    study_path = write_starter(tmp_path)[0]
    text = study_path.read_text("utf-8")
    used = re.sub(r"^# (?=\[|\w+(\.\w+)* = )", "", text, flags=re.M)
    used = used.replace('names = { wheel_centre = "WC" }', "")
    assert used.count("\n# ") < text.count("\n# ") - 25
    study_path.write_text(used, "utf-8")
    study = read_study(study_path)
    assert [item.kind for item in study.file.keep_out] == ["box", "capsule"]
    assert study.file.loads is not None
    assert study.problem().objectives.extra == ("mass_kg",)
    assert [case.variant for case in study.cases] == ["parallel wheels"]


def test_the_starter_overwrites_nothing(tmp_path):
    (tmp_path / "racks.csv").write_text("mine", "utf-8")
    with pytest.raises(InputError, match=re.escape("racks.csv: is already there; name a new fol")):
        write_starter(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["racks.csv"]
    assert (tmp_path / "racks.csv").read_text("utf-8") == "mine"
    with pytest.raises(InputError, match=r"cannot be written \(.*\); name another folder"):
        write_starter(tmp_path / "racks.csv")
    with pytest.raises(InputError, match=r"cannot be written \(.*\); name another folder"):
        write_starter(tmp_path / ("n" * 300))


def test_the_starter_is_package_data():
    starter = importlib.resources.files("optimiser.study") / "starter"
    names = {item.name for item in starter.iterdir()}
    assert names >= {"study.toml", "hardpoints.csv", "racks.csv"}


@pytest.fixture(scope="module")
def demo():
    return read_study(ROOT / "studies" / "demo.toml")


def test_the_demo_is_drawn_with_bump_steer_that_shows(demo):
    assert demo.notes() == []
    problem = demo.problem()
    drawn = bump_steer(demo.points, problem.travel.grid(), problem.car.attitude)
    assert 0.4 < math.degrees(drawn.largest) < 0.6
    assert len(problem.racks) >= 6
    assert sum(rack.price is None for rack in problem.racks) == 1
    assert {rack.made_for for rack in problem.racks} == {"ahead", "behind"}
    assert "invented" in demo.text


def test_the_demo_has_no_obvious_answer(demo):
    # Found by sampling, so what is not found is no proof; the margins are wide.
    problem = demo.problem()
    outcomes = {rack.name: sample(problem, i, 4000)[1] for i, rack in enumerate(problem.racks)}
    feasible = {name: bool(outcome.feasible.any()) for name, outcome in outcomes.items()}
    assert sum(feasible.values()) >= 5
    # enough length, too little travel: the shortest arm allowed needs more rack than there is
    assert not feasible["Heron"]
    assert all("rack_travel_mm" in status for status in outcomes["Heron"].status)
    # the cheapest is too short for the spacers in stock
    cheapest = min(problem.racks, key=lambda rack: rack.price or math.inf)
    assert cheapest.name == "Sparrow"
    least = {
        name: outcome.objectives[outcome.feasible, 0].min()
        for name, outcome in outcomes.items()
        if feasible[name]
    }
    acceptable = problem.acceptable[0]
    assert least["Sparrow"] > acceptable
    assert least["Stork"] > 2.0 * acceptable
    assert max(least["Finch"], least["Wren"], least["Plover"]) < acceptable
