"""Parts that move, a tyre, a frame file and collars in a study: refusals, a run, its files."""

from __future__ import annotations

import csv
import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from moving_study import FRAME, MOVING, TYRE, bare_demo, moving_study, write_frame
from small_study import run_here

from optimiser.answer.design_numbers import closest_pair, drawn_designs
from optimiser.base.errors import InputError
from optimiser.evaluation.quantities import closest_names, is_of_tyre, is_pair, pair_words
from optimiser.folder.cad import dxf_text, make_drawing
from optimiser.folder.cad.moved import tyre_wires
from optimiser.folder.read import read_results

DISC = MOVING.split("[[keep_out]]")[1]
COLLARS = ("acceptable_bump_steer_deg", 'stops = "collars"\nacceptable_bump_steer_deg')
SMALL = (
    ("trials = 1500", "trials = 20\npopulation = 10\nseeds = false\nrefine = false"),
    ("catalogue =", 'use = ["Finch", "Stork"]\ncatalogue ='),
)


@pytest.fixture(scope="module")
def moving(tmp_path_factory):
    return moving_study(tmp_path_factory.mktemp("moving"), tubes=12)


@pytest.fixture(scope="module")
def problem(moving):
    return moving.problem()


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ran")
    moving_study(folder, COLLARS, *SMALL, tubes=12)
    code, out, err = run_here("run", "mine.toml", cwd=folder)
    assert code in (0, 1), err
    return folder / "results" / "mine", out


# --- refusals ------------------------------------------------------------------------------------


def disc(*changes):
    text = DISC
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return f"[[keep_out]]{text}"


LINK = '[[keep_out]]\nname = "l"\nkind = "capsule"\nfrom_mm = [672, -420, 90]\nradius_mm = 5\n'
TO = "to_mm = [775, -430, 60]\n"
REFUSED = {
    "no such body": (disc(('"upright"', '"subframe"')), 'on: .*"lower_arm"'),
    "mirror": (disc(("radius_mm", "mirror = true\nradius_mm")), "mirror: does not go with"),
    "on the right": (disc(("-640", "640"), ("-652", "652")), "not on the left of the car"),
    "in the middle": (
        disc(("[850, -640, 160]", "[850, -40.1, 160]"), ("[850, -652, 160]", "[850, 40.1, 160]")),
        "not on the left of the car",
    ),
    "radius": (disc(("radius_mm = 120\n", "")), "radius_mm: is missing for a cylinder"),
    "no length": (disc(("-652", "-640")), "the cylinder has no length"),
    "same body": (
        f'{LINK}{TO}from_on = "upright"\nto_on = "upright"\n',
        'both ends are on upright; write on = "upright"',
    ),
    "one end": (f'{LINK}{TO}from_on = "upright"\n', "to_on is missing; give it beside from_on"),
    "both": (
        f'{LINK}{TO}on = "body"\nfrom_on = "body"\nto_on = "upright"\n',
        "on: does not go with from_on and to_on",
    ),
    "a box between": (
        f'{LINK}{TO}from_on = "body"\nto_on = "upright"\n'.replace("capsule", "cylinder"),
        "kind: a cylinder cannot lie between two bodies",
    ),
    "a point between": (
        f'{LINK}to_mm = [672, -420, 90]\nfrom_on = "body"\nto_on = "upright"\n',
        "it has no length",
    ),
    "length of one": (f"{LINK}{TO}length_mm = 30\n", "length_mm: is of a part between two bodies"),
    "file and more": ('[[keep_out]]\nfile = "frame.csv"\nname = "x"\n', "name: does not go with"),
    "neither": ("[[keep_out]]\nkind = 'box'\n", "name is missing; add name = ..."),
    "no file": ('[[keep_out]]\nfile = "none.csv"\n', "file: no such file 'none.csv'"),
}


def said(folder, *changes, **files):
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, "utf-8")
    with pytest.raises(InputError) as error:
        bare_demo(folder, *changes)
    message = str(error.value)
    assert "\n" not in message
    return message


@pytest.mark.parametrize(("text", "message"), REFUSED.values(), ids=REFUSED)
def test_keep_outs_that_cannot_be_are_refused(tmp_path, text, message):
    found = said(tmp_path, ("[wheel]\n", f"{text}\n[wheel]\n"))
    assert re.search(message, found), found
    assert "[[keep_out]]" in found


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tyre_diameter_mm = 340", "smaller than its rim: it is 350 mm inside"),
        ("tyre_diameter_mm = 570\ntyre_inside_diameter_mm = 330", "within the rim"),
        ("tyre_diameter_mm = 570\ntyre_shoulder_mm = 115", "more than the tyre is high"),
        ("tyre_diameter_mm = 570\ntyre_shoulder_mm = 90", "more than half the tyre's width"),
        ("tyre_shoulder_mm = 10", "is of a tyre, and there is none"),
    ],
)
def test_tyres_that_cannot_be_are_refused(tmp_path, text, message):
    found = said(tmp_path, ("[wheel]\n", f"[wheel]\n{text}\n"))
    assert message in found
    assert "[wheel] tyre_" in found


def test_a_tyre_needs_its_width_and_its_limit_a_tyre(tmp_path):
    tyre = ("[wheel]\n", TYRE)
    assert "add [car] tyre_width_mm" in said(tmp_path, tyre, ("tyre_width_mm = 175\n", ""))
    limit = ("clearance_mm = 5", "clearance_mm = 5\ntyre_clearance_mm = 8")
    assert "there is no tyre to keep clear" in said(tmp_path, limit)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("a,0,0,0,0,0,0,25", "line 2: tube 'a' has no length"),
        ("a,0,0,0,9,0,0,", "line 2, column diameter_mm: is blank"),
        ("a,0,0,0,9,0,0,0", "diameter_mm: 0 is not between"),
        (",0,0,0,9,0,0,25", "column name: is blank"),
        ("a,0,0,0,9,0,0,25\na,0,0,0,9,0,1,25", "name 'a' stands twice"),
        ("lower arm,0,0,0,9,0,0,25", "cannot be told from 'lower arm'"),
        ("a,0,0,0,9,0,0", "has 7 cells"),
    ],
)
def test_frames_that_cannot_be_are_refused(tmp_path, rows, message):
    head = "name,x1_mm,y1_mm,z1_mm,x2_mm,y2_mm,z2_mm,diameter_mm\n"
    found = said(tmp_path, ("[wheel]\n", f"{FRAME}[wheel]\n"), frame=f"{head}{rows}\n")
    assert message in found


def test_a_name_that_the_tyres_columns_have_is_refused(tmp_path):
    named, tyre = ('name = "pedal box"', 'name = "tie rod"'), ("[wheel]\n", TYRE)
    bare = ("shaft_diameter_mm = 19\n", "")
    bare_demo(tmp_path, named, bare)
    assert "cannot be told from 'tie rod'" in said(tmp_path, named, bare, tyre)
    # The shafts of a column have a pair with the tie rods too, and the tyre one with them.
    assert "cannot be told from 'tie rod'" in said(tmp_path, named)
    named = ('name = "pedal box"', 'name = "column"')
    bare_demo(tmp_path, named)
    bare_demo(tmp_path, named, bare, tyre)
    assert "cannot be told from 'column'" in said(tmp_path, named, tyre)


# --- what a study means --------------------------------------------------------------------------


def test_the_room_is_that_of_the_file(problem):
    room = problem.room
    parts = {item.name: item for item in room.keep_outs}
    assert parts["brake disc"].on == "upright"
    assert parts["brake disc"].low == pytest.approx((0.0, 640.0, 280.0))  # of CAD 850, -640, 160
    assert (parts["damper"].on, parts["damper"].to_on) == ("body", "lower_arm")
    assert parts["damper"].length_mm == 240.0
    assert parts["tube 3"].kind == "capsule"
    assert room.tyre.inside_radius_mm == 175.0  # half of twice the rim's 170, and 10
    assert room.tyre.width_mm == 175.0
    assert room.many
    assert "tyre_clearance_mm" in problem.constraint_names


def test_a_frame_is_as_its_tubes_one_by_one(tmp_path):
    write_frame(tmp_path / "frame.csv", 3)
    frame = bare_demo(tmp_path, ("[wheel]\n", f"{FRAME}[wheel]\n")).problem()
    with (tmp_path / "frame.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    parts = "".join(
        f'[[keep_out]]\nname = "{row["name"]}"\nkind = "capsule"\n'
        f"from_mm = [{row['x1_mm']}, {row['y1_mm']}, {row['z1_mm']}]\n"
        f"to_mm = [{row['x2_mm']}, {row['y2_mm']}, {row['z2_mm']}]\n"
        f"radius_mm = {float(row['diameter_mm']) / 2}\n\n"
        for row in rows
    )
    by_one = bare_demo(tmp_path, ("[wheel]\n", f"{parts}[wheel]\n")).problem()
    assert frame.room.keep_outs == by_one.room.keep_outs
    designs = drawn_designs(frame)
    few, each = frame.evaluate(designs), by_one.evaluate(designs)
    np.testing.assert_array_equal(few.metrics["clearance_mm"], each.metrics["clearance_mm"])
    assert not [name for name in few.metrics if is_pair(name)]
    assert len([name for name in each.metrics if is_pair(name)]) > 20


def test_the_closest_pairs_are_the_least_of_all(problem):
    designs = drawn_designs(problem)
    outcome = problem.evaluate(designs)
    solved = problem.solve(designs)
    pairs = problem.clearances(designs, solved, problem.drive(designs, solved))
    far = 20.0
    for row in range(len(designs)):
        mine = {n: v[row] for n, v in pairs.items() if is_pair(n) and np.isfinite(v[row])}
        own = sorted(v for n, v in mine.items() if not is_of_tyre(n))
        tyre = {n: v for n, v in mine.items() if is_of_tyre(n)}
        assert outcome.metrics["tyre_clearance_mm"][row] == min(tyre.values())
        for wanted, (name, column) in zip(own, closest_names(), strict=False):
            value, words = outcome.metrics[column][row], outcome.closest[name][row]
            assert value == wanted
            assert (words == "") == (value >= far)
            assert not words or wanted in [v for n, v in mine.items() if pair_words(n) == words]
        assert outcome.metrics["clearance_mm"][row] == own[0]
        assert closest_pair(outcome, row) == outcome.closest["closest_1_pair"][row]


def test_a_pair_asked_for_by_name_is_kept(tmp_path):
    bound = (
        "[[keep_out]]",
        "[limits.at_least]\nclearance_tie_rod_drop_link_mm = 7\n\n[[keep_out]]",
    )
    problem = moving_study(tmp_path, bound).problem()
    assert "clearance_tie_rod_drop_link_mm" in problem.constraint_names
    outcome = problem.evaluate(drawn_designs(problem))
    assert np.isfinite(outcome.metrics["clearance_tie_rod_drop_link_mm"]).all()
    wrong = (bound[0], bound[1].replace("drop_link", "drop_lynk"))
    with pytest.raises(InputError, match="name one of clearance_tie_rod_pedal_box_mm"):
        moving_study(tmp_path, wrong)


def test_the_limit_of_the_tyre_is_its_own(problem):
    designs = drawn_designs(problem)
    outcome = problem.evaluate(designs)
    for name, limit in (("tyre_clearance_mm", 10.0), ("clearance_mm", 5.0)):
        number = problem.constraint_names.index(name)
        left = limit - outcome.metrics[name]
        np.testing.assert_allclose(outcome.constraints[:, number], left)


def test_without_the_new_keys_every_pair_keeps_its_column(tmp_path):
    problem = bare_demo(tmp_path).problem()
    outcome = problem.evaluate(drawn_designs(problem))
    assert not outcome.closest
    assert "clearance_tie_rod_pedal_box_mm" in outcome.metrics
    assert not any("tyre" in name or "closest" in name for name in outcome.metrics)


# --- a run ---------------------------------------------------------------------------------------


def test_a_run_writes_the_closest_pairs_and_reads_them_back(ran):
    folder, _ = ran
    stored = read_results(folder)
    result = stored.result
    again = result.problem.evaluate(result.designs)
    for name, words in again.closest.items():
        assert result.evaluation.closest[name].tolist() == words.tolist()
    for name in ("clearance_mm", "closest_3_mm", "tyre_clearance_mm"):
        np.testing.assert_array_equal(result.evaluation.metrics[name], again.metrics[name])
    lines = (folder / "trials.csv").read_text("utf-8").splitlines()
    header = next(line for line in lines if not line.startswith("#")).split(",")
    assert [name for name in header if "closest" in name or "clearance" in name] == [
        "clearance_mm",
        *(name for pair in closest_names() for name in pair),
        "tyre_closest_pair",
        "tyre_clearance_mm",
        "limit_clearance_mm",
        "limit_tyre_clearance_mm",
    ]
    assert (folder / "inputs" / "frame.csv").is_file()


def test_a_run_with_collars_says_how_long_they_are(ran):
    folder, out = ran
    rows = list(csv.DictReader(_table(folder / "racks.csv")))
    for row in rows:
        needed = float(row["rack_needed_mm"])
        rack = {"Finch": 64.0, "Stork": 75.0}[row["rack"]]
        free = rack - float(row["stop_collar_mm"])
        assert float(row["free_lock_mm"]) == pytest.approx(needed - free, abs=1e-6)
        words = "collars of" if free < rack else "it needs no collars"
        assert words in row["notes"]
    text = " ".join(out.split())
    assert "collars" in text
    if (folder / "free_lock.csv").exists():
        free = list(csv.DictReader(_table(folder / "free_lock.csv")))
        assert list(free[0]) == [
            "travel_mm", "rack_way", "wheel", "rack_mm", "steer_deg", "stopped_by",
        ]  # fmt: skip
        assert "How far it may steer" in (folder / "report.html").read_text("utf-8")


def _table(path):
    return [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]


def test_curves_write_the_free_lock_of_a_rack_in_the_drawn_place(tmp_path):
    moving_study(tmp_path)
    asked = ("curves", "mine.toml", "--rack", "Stork", "--free-lock", "lock.csv")
    code, out, err = run_here(*asked, cwd=tmp_path)
    assert (code, err) == (0, "")
    assert "tyre to drop link" in out
    rows = list(csv.DictReader(_table(tmp_path / "lock.csv")))
    assert len(rows) == 2 * len(set(row["travel_mm"] for row in rows))
    assert {row["stopped_by"] for row in rows} == {"tyre to drop link"}
    assert all(0.0 < abs(float(row["rack_mm"])) < 75.0 for row in rows)
    to_its_end = ("curves", "mine.toml", "--rack", "Egret", "--free-lock", "end.csv")
    assert run_here(*to_its_end, cwd=tmp_path)[0] == 0
    ends = list(csv.DictReader(_table(tmp_path / "end.csv")))
    assert {row["stopped_by"] for row in ends} == {"rack"}
    assert {abs(float(row["rack_mm"])) for row in ends} == {58.0}
    for more, words in (
        (("--travel", "0:1:1"), "--travel: does not go with --free-lock"),
        (("--rack", "Lark"), "no rack 'Lark'"),
    ):
        code, _, err = run_here(*asked, *more, cwd=tmp_path)
        assert code == 2
        assert words in err


# --- CAD -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def chosen(ran):
    result = read_results(ran[0]).result
    return result.chosen(result.foremost)


def test_tyre_and_rod_are_drawn_in_nine_poses_of_both_sides(chosen):
    drawing = make_drawing(chosen)
    lines = {line.name: line for line in drawing.lines}
    names = [
        f"{side}{part}_{heave}_{way}"
        for side, part, heave, way in itertools.product(
            ("", "right_"),
            ("tyre", "tie_rod"),
            ("droop", "rest", "bump"),
            ("right_stop", "centre", "left_stop"),
        )
    ]
    assert set(names) <= set(lines)
    ends = drawing.points["inner_joint"], drawing.points["outer_joint"]
    np.testing.assert_allclose(lines["tie_rod_rest_centre"].segments[0], ends, atol=1e-8)
    length = np.linalg.norm(np.subtract(*ends))
    for name in names:
        if "tie_rod" in name:
            drawn = np.linalg.norm(np.subtract(*lines[name].segments[0]))
            assert drawn == pytest.approx(length, abs=1e-8)
    # The rack's way is the car's: both inner joints move by as much, to the same side.
    moved = [
        lines[f"{side}tie_rod_rest_left_stop"].segments[0, 0]
        - lines[f"{side}tie_rod_rest_centre"].segments[0, 0]
        for side in ("", "right_")
    ]
    np.testing.assert_allclose(*moved, atol=1e-9)
    # CAD y points to the right. Collars stop the rack where it is no longer free, past the lock.
    free = max(chosen.steering_end_mm, chosen.free_lock.least.rack_mm)
    assert moved[0][1] == pytest.approx(-free, abs=1e-8)
    assert "tyres" in dxf_text(drawing)


def test_the_drawn_ring_lies_on_the_tyre(chosen):
    tyre = chosen.problem.room.tyre
    spin = np.array([0.1, 0.99, -0.05])
    spin = spin / np.linalg.norm(spin)
    centre = np.array([3.0, 600.0, 280.0])
    points = tyre_wires(tyre, centre, spin).reshape(-1, 3) - centre
    along = points @ spin
    off = np.linalg.norm(points - along[:, None] * spin, axis=1)
    assert np.abs(along).max() == pytest.approx(0.5 * tyre.width_mm)
    assert off.max() == pytest.approx(tyre.outside_radius_mm)
    assert off.min() == pytest.approx(tyre.inside_radius_mm)


def test_what_is_on_the_rack_is_drawn_where_the_design_has_it(chosen):
    clamp = replace(
        chosen.problem.room.keep_outs[0], name="clamp", kind="box", on="rack",
        low=(60.0, 250.0, 220.0), high=(80.0, 270.0, 240.0), radius_mm=0.0,
    )  # fmt: skip
    room = replace(chosen.problem.room, keep_outs=(clamp,))
    drawing = make_drawing(replace(chosen, problem=replace(chosen.problem, room=room)))
    box = next(line for line in drawing.lines if line.name == "clamp")
    shift = chosen.points.inner_joint - chosen.problem.points.inner_joint
    frame = chosen.study.frame
    wanted = frame.to_cad(np.array([70.0, 260.0, 230.0]) + shift)
    np.testing.assert_allclose(box.segments.reshape(-1, 3).mean(axis=0), wanted, atol=1e-9)
