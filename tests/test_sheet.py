"""The workshop sheet: what is printed leads back to the points, and the list to the lengths."""

from __future__ import annotations

import csv
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from itertools import combinations
from unittest import mock

import numpy as np
import pytest
from bolted_study import bolted_demo
from scipy.optimize import least_squares, root
from small_study import ROOT, demo_with, run_here

from optimiser.answer.design_numbers import drawn_designs
from optimiser.answer.parts_list import (
    cut_rod,
    items_of,
    rod_of,
    summed,
    toe_per_turn,
    toe_reach,
)
from optimiser.answer.run_result import Chosen
from optimiser.answer.setting_out import setting_out
from optimiser.folder import pick, write
from optimiser.folder.read import read_results
from optimiser.jobs.going_on import case_question
from optimiser.linkage.attitude import Attitude
from optimiser.metrics.adjusters import set_ball_joint
from optimiser.metrics.kinematic import bump_steer
from optimiser.metrics.setting_out import Reference, best_three, point_at
from optimiser.metrics.tolerance.set_out import STEP_MM
from optimiser.report.sheet import sheet_html
from optimiser.study.parts import PartsTable
from optimiser.study.read import read_study

PARTS = """
[parts]
rod_end_length_mm = 45
inner_end_length_mm = 60
thread_length_mm = 30
least_engagement_mm = 18
pitch_mm = 1.5
hands = "opposite"
upper_adjust_mm = 6
rod_price = 12
rod_end_price = 18.5
rod_end_mass_kg = 0.15
"""
KEEPING = "ackermann_target = 0.6\nkeep_tie_rods = true"


class Tables(HTMLParser):
    """Cells of the tables of a page by the table's id, row by row, as a person reads them."""

    def __init__(self, page):
        super().__init__()
        self.rows: dict[str, list[list[str]]] = {}
        self._table, self._cell = "", False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag == "table":
            self._table = dict(attrs)["id"]
            self.rows[self._table] = []
        elif tag == "tr":
            self.rows[self._table].append([])
        elif tag in ("td", "th"):
            self._cell = True
            self.rows[self._table][-1].append("")

    def handle_endtag(self, tag):
        self._cell = self._cell and tag not in ("td", "th")

    def handle_data(self, data):
        if self._cell:
            self.rows[self._table][-1][-1] += data


def chosen_of(study, index=0):
    problem = study.problem()
    design = drawn_designs(problem).select(slice(index, index + 1))
    return Chosen(study, problem, "the drawn place", design, problem.evaluate(design))


@pytest.fixture(scope="module")
def winner():
    """The demo's winner in the kept run of it, which has feet."""
    result = read_results(ROOT / "results" / "example" / "demo").result
    return result.chosen(result.winner)


def with_parts(chosen, **keys):
    file = chosen.study.file.model_copy(update={"parts": PartsTable(**keys)})
    return replace(chosen, study=replace(chosen.study, file=file))


def inches(folder):
    """The demo as drawn, its points in inches in axes of another order."""
    for name in ("demo.toml", "demo_racks.csv"):
        shutil.copy(ROOT / "studies" / name, folder)
    lines = (ROOT / "studies" / "demo_hardpoints.csv").read_text("utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    with (folder / "inches.csv").open("w", encoding="utf-8") as out:
        out.write("name,x_in,y_in,z_in\n")
        for row in rows:
            x, y, z = (float(row[f"{axis}_mm"]) for axis in "xyz")
            # Forward z, left x, up y, and the ground under the axle at (25.4, -50.8, 762) mm.
            at = np.array([25.4 - y, -50.8 + z + 120.0, 762.0 - (x - 850.0)]) / 25.4
            out.write(f"{row['name']},{','.join(map(repr, at.tolist()))}\n")
    text = (folder / "demo.toml").read_text("utf-8")
    for old, new in (
        ('forward = "-x"', 'forward = "+z"'),
        ('left = "-y"', 'left = "+x"'),
        ('up = "+z"', 'up = "+y"'),
        ("[850, 0, -120]", "[25.4, -50.8, 762.0]"),
        ('"demo_hardpoints.csv"', '"inches.csv"\nunit = "in"'),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    # What else is in the CAD frame goes.
    text = re.sub(r"\n\[\[(keep_out|mount_zone)\]\].*?(?=\n\[)", "", text, flags=re.DOTALL)
    text = re.sub(r"\n\[\[(keep_out|mount_zone)\]\].*?(?=\n\[)", "", text, flags=re.DOTALL)
    text = re.sub(r"\n\[column\].*?(?=\n\[)", "", text, flags=re.DOTALL)
    (folder / "demo.toml").write_text(text, "utf-8")
    return chosen_of(read_study(folder / "demo.toml"), 3)


# --- setting out ---------------------------------------------------------------------------------


def rebuilt(page, frame, points):
    """Points of the sheet in the CAD frame from its distances alone, and those it prints.

    Distances are from hardpoints as drawn; of the two places that three of them leave, the checks
    tell which one is meant.
    """
    tables = Tables(page).rows
    letters = {row[0].split(" ", 1)[1]: row[0].split()[0] for row in tables["points"][1:]}
    printed = {row[0].split()[0]: row[1:] for row in tables["points"][1:]}
    printed = {k: np.array([float(v.replace("−", "-")) for v in at]) for k, at in printed.items()}
    up = np.zeros(3)
    up["xyz".index(frame.up[1])] = 1.0 if frame.up[0] == "+" else -1.0
    ground = up @ np.array(frame.ground_origin_mm)
    left = np.zeros(3)
    left["xyz".index(frame.left[1])] = 1.0
    origin = np.array(frame.ground_origin_mm)

    def place(text, on_right):
        """A reference in CAD axes, by its words; None: the ground."""
        if text.startswith("height"):
            return None
        name, side = re.fullmatch(r"\S+ (.*), (same|other) side", text).groups()
        at = frame.to_cad(getattr(points, name.replace(" ", "_")))
        swap = (side == "other") != on_right
        return at - 2.0 * left * (left @ (at - origin)) if swap else at

    def distance(at, reference):
        return up @ at - ground if reference is None else np.linalg.norm(at - reference)

    found, name = {}, ""
    threes: dict[str, list] = {}
    for row in tables["three"][1:]:
        name = row[1] or name
        threes.setdefault(name, []).append((row[2], float(row[3])))
    for column, name in enumerate(tables["checks"][0][1:], start=1):
        letter, on_right = name.split()[0], name.endswith("right")
        three = [(place(text, on_right), mm) for text, mm in threes[name]]
        checks = [
            (place(row[0], on_right), float(row[column]))
            for row in tables["checks"][1:]
            if not row[0].startswith("the same point")
        ]
        tried = []
        for start in np.random.default_rng(3).normal(origin, 400.0, (12, 3)):
            solved = root(lambda at, t=three: [distance(at, p) - mm for p, mm in t], start)
            if solved.success:
                off = max(abs(distance(solved.x, p) - mm) for p, mm in checks)
                tried.append((off, solved.x))
        off, at = min(tried, key=lambda one: one[0])
        assert off < 0.2
        found[letter] = at
    assert set(found) == {letters[n.split(" ", 1)[1]] for n in threes}
    return found, printed


@pytest.fixture(scope="module")
def cars(winner, tmp_path_factory):
    return {
        "winner": winner,
        "rescue": chosen_of(read_study(ROOT / "studies" / "rescue.toml")),
        "inches": inches(tmp_path_factory.mktemp("inches")),
        "bolted": chosen_of(bolted_demo(tmp_path_factory.mktemp("bolted")), 2),
        "kept": chosen_of(
            demo_with(tmp_path_factory.mktemp("kept"), ("ackermann_target = 0.6", KEEPING)), 3
        ),
    }


@pytest.mark.parametrize("name", ["winner", "rescue", "inches", "bolted", "kept"])
def test_the_printed_distances_lead_back_to_the_points(cars, name):
    chosen = cars[name]
    page = sheet_html(chosen)
    found, printed = rebuilt(page, chosen.study.frame, chosen.points)
    assert ("P" in found) == (name not in ("rescue",))
    for letter, joint in (("I", "inner_joint"), ("O", "outer_joint")):
        true = chosen.study.frame.to_cad(getattr(chosen.points, joint))
        assert np.linalg.norm(found[letter] - true) < 0.1
    for letter, at in found.items():
        assert np.linalg.norm(at - printed[letter]) < 0.1
    frame = chosen.study.frame
    said = f"forward {frame.forward}, left {frame.left}, up {frame.up}"
    assert said in page.replace("&#43;", "+")
    assert "mm, deg, kg" in page


def test_the_three_are_those_that_hold_a_point_best(winner):
    points = winner.points
    for one in setting_out(winner).points[:2]:
        seen = {d.reference: d for d in (*one.three, *one.checks)}
        ways = {}
        for name in seen:
            if name == "itself":
                continue
            plain = name.removeprefix("other ")
            if name == "ground":
                ways[name] = np.array([0.0, 0.0, 1.0])
                continue
            at = getattr(points, plain) * ([1, -1, 1] if plain != name else [1, 1, 1])
            assert seen[name].mm == pytest.approx(np.linalg.norm(one.at - at), rel=1e-12)
            ways[name] = (one.at - at) / np.linalg.norm(one.at - at)
        able = [n for n in ways if one.name == "outer_joint" or not n.endswith("ball_joint")]
        best = max(
            np.linalg.svd(np.array([ways[n] for n in three]), compute_uv=False)[-1]
            for three in combinations(able, 3)
        )
        assert one.least == pytest.approx(best, rel=1e-8)
        chosen = np.array([ways[d.reference] for d in one.three])
        assert np.linalg.svd(chosen, compute_uv=False)[-1] == pytest.approx(best, rel=1e-8)
        assert 0.3 < best < 1.0


def test_directions_square_to_one_another_are_best_and_a_plane_is_none():
    at = np.array([10.0, 20.0, 30.0])
    square = [Reference(name, at - 100.0 * way) for name, way in zip("xyz", np.eye(3), strict=True)]
    poor = Reference("poor", at - np.array([100.0, 90.0, 0.0]))
    assert best_three(at, [poor, *square]).indices == (1, 2, 3)
    assert best_three(at, square).least == pytest.approx(1.0)
    flat = [square[0], square[1], poor]
    assert best_three(at, flat).least == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(ValueError, match="three"):
        best_three(at, flat[:2])
    # The ground stands for a point far below.
    assert best_three(at, [*square[:2], Reference("ground", None)]).least == pytest.approx(1.0)


def test_a_point_is_found_at_given_distances():
    near = np.array([10.0, 20.0, 30.0])
    three = [Reference("a", np.array([300.0, 0.0, 0.0])), Reference("g", None)]
    three.insert(1, Reference("b", np.array([0.0, -400.0, 100.0])))
    wanted = np.array([12.5, 21.0, 28.0])
    distances = [np.linalg.norm(wanted - [300, 0, 0]), np.linalg.norm(wanted - [0, -400, 100]), 28]
    assert point_at(three, distances, near) == pytest.approx(wanted, abs=1e-9)


def bump_of(chosen, out, offs):
    """Bump steer of a car whose six distances are off, found by least squares; deg."""
    ends = []
    for one, off in zip(out.points[:2], (offs[:3], offs[3:]), strict=True):
        places = []
        for distance in one.three:
            plain = distance.reference.removeprefix("other ")
            flip = [1, -1, 1] if plain != distance.reference else [1, 1, 1]
            places.append(None if plain == "ground" else getattr(chosen.points, plain) * flip)
        wanted = np.array([d.mm for d in one.three]) + off
        ends.append(
            least_squares(
                lambda at, p=places, w=wanted: [
                    (at[2] if q is None else np.linalg.norm(at - q)) - mm
                    for q, mm in zip(p, w, strict=True)
                ],
                one.at,
                xtol=1e-12,
            ).x
        )
    corner = chosen.points.with_tie_rod(ends[1], ends[0])
    problem = chosen.problem
    found = bump_steer(corner, problem.travel.grid(), problem.car.attitude)
    return float(np.degrees(found.largest))


def test_what_distances_may_be_off_is_enough_and_not_too_little(winner):
    out = setting_out(winner)
    allowed = out.allowed
    assert allowed is not None
    accepted = float(winner.problem.acceptable[0])
    random = np.random.default_rng(5)
    worst = 0.0
    for signs in random.choice([-1.0, 1.0], (16, 6)):
        worst = max(worst, bump_of(winner, out, signs * allowed.at_once_mm))
    assert worst <= accepted
    assert np.degrees(allowed.bump_steer) <= accepted
    # Nothing is given away: a third more at once is too much.
    assert np.degrees(allowed.bump_steer) > 0.75 * accepted
    tight = int(np.argmin(allowed.alone_mm))
    alone = np.eye(6)[tight] * allowed.alone_mm[tight]
    more = np.eye(6)[tight] * (allowed.alone_mm[tight] + STEP_MM)
    assert max(bump_of(winner, out, alone), bump_of(winner, out, -alone)) <= accepted
    assert max(bump_of(winner, out, more), bump_of(winner, out, -more)) > accepted
    assert all(np.array(allowed.at_once_mm) <= allowed.alone_mm)


def test_a_design_that_is_not_acceptable_has_no_tolerances_and_says_so(cars):
    page = sheet_html(cars["rescue"])
    assert setting_out(cars["rescue"]).allowed is None
    assert page.count("NOT ACCEPTABLE: not to be built.") == 2
    assert "may be off" not in page.replace("What these may be off", "")
    assert "BREAKS A LIMIT: not to be built" in sheet_html(cars["kept"])


# --- parts ---------------------------------------------------------------------------------------

GIVEN = {
    "rod_end_length_mm": 45.0,
    "inner_end_length_mm": 60.0,
    "thread_length_mm": 30.0,
    "least_engagement_mm": 18.0,
    "pitch_mm": 1.5,
    "hands": "opposite",
}


def test_cut_lengths_add_up():
    rod = cut_rod(340.0, PartsTable(**GIVEN))
    # 24 mm of each shank are inside: 340 = 45 + 60 + cut - 48.
    assert rod.cut_mm == pytest.approx(283.0)
    assert (rod.engaged_mm, rod.shorter_mm, rod.longer_mm) == (24.0, 12.0, 12.0)
    assert (rod.threaded_ends, rod.per_turn_mm, rod.depth_mm) == (2, 3.0, 30.0)
    same = cut_rod(340.0, PartsTable(**GIVEN | {"hands": "same"}))
    assert same.per_turn_mm == 1.5
    one = cut_rod(340.0, PartsTable(**GIVEN | {"inner_end_length_mm": 0.0}))
    assert (one.cut_mm, one.threaded_ends, one.longer_mm) == (pytest.approx(319.0), 1, 6.0)
    assert one.per_turn_mm == 1.5  # one thread cannot turn both ways
    short = cut_rod(110.0, PartsTable(**GIVEN))
    assert short.cut_mm is None
    assert short.too_long_mm == pytest.approx(7.0)


@pytest.mark.parametrize("name", list(GIVEN))
def test_what_is_not_given_stays_open(winner, name):
    given = {key: value for key, value in GIVEN.items() if key != name}
    rod = cut_rod(340.0, PartsTable(**given))
    page = sheet_html(with_parts(winner, **given))
    assert f"[parts] {name}" in page
    if name in ("pitch_mm", "hands"):
        assert rod.cut_mm == pytest.approx(283.0)
        assert rod.per_turn_mm is None
    else:
        assert rod.cut_mm is None
        assert "cut length not given" in page


def test_prices_and_masses_are_summed_and_unknown_ones_named(winner):
    chosen = with_parts(winner, **GIVEN, rod_price=12.0, rod_end_price=18.5, rod_end_mass_kg=0.15)
    items = {item.kind: item for item in items_of(chosen)}
    assert list(items) == ["rack", "spacer", "inner end", "rod", "rod end"]
    price, mass = (summed(list(items.values()), of) for of in ("price", "mass_kg"))
    assert price.known == pytest.approx(140.0 + 2 * 12.0 + 2 * 18.5)
    assert price.open == ("spacer", "inner end")
    # Solid steel of 14 and 24 mm.
    rod = items["rod"].length_mm * np.pi / 4 * 14**2 * 7.85e-6
    spacer = 20.0 * np.pi / 4 * 24**2 * 7.85e-6
    assert items["rod"].length_mm == pytest.approx(winner.metric("tie_rod_length_mm") - 57.0)
    assert mass.known == pytest.approx(4.6 + 2 * rod + 2 * spacer + 0.3, rel=1e-9)
    assert mass.open == ("inner end",)
    rows = {row[1]: row for row in Tables(sheet_html(chosen)).rows["list"]}
    assert rows["sum of what is given"][3] == "201.00"
    assert rows["spacer, rack to inner joint"][3:5] == ["not given", ""]
    assert "0.00" not in [cell for row in rows.values() for cell in row]


def test_everything_given_is_a_sum_and_nothing_given_no_zero(winner):
    prices = {
        "inner_end_price": 0.0,
        "inner_end_mass_kg": 0.0,
        "spacer_price": 9.0,
        "rod_price": 12.0,
        "rod_end_price": 18.5,
        "rod_end_mass_kg": 0.15,
    }
    page = sheet_html(with_parts(winner, **GIVEN, **prices, upper_adjust_mm=6.0))
    rows = {row[1]: row for row in Tables(page).rows["list"]}
    assert rows["sum"][3] == "219.00"
    assert "Not in the sum" not in page
    assert "Open until" not in page
    bare = Tables(sheet_html(winner)).rows
    assert "0.00" not in [cell for row in bare["list"] for cell in row]
    assert dict(bare["settings"])["a turn of the rod"] == "not given"


def test_joints_hand_and_lengths_are_on_the_list(winner):
    page = sheet_html(winner)
    rows = {row[1]: row[2] for row in Tables(page).rows["list"]}
    inner, outer = (winner.metric(f"{n}_joint_angle_deg") for n in ("inner", "outer"))
    assert rows["part at the inner joint"].startswith(f"must take {inner:.1f} deg to the bar")
    assert rows["part at the outer joint"].startswith(f"must take {outer:.1f} deg off square")
    assert rows["spacer, rack to inner joint"] == "cut to 20.0, diameter 24"
    assert "the rack steers the right way as made; its pinion is then on the left" in page
    assert "qualified person" in page


def test_kept_rods_are_set_and_not_cut(cars):
    rows = {row[1]: row for row in Tables(sheet_html(cars["kept"])).rows["list"]}
    rod = rows["tie rod with its joints, sold with the rack"]
    assert rod[2:4] == ["set to 295.0 between the joints", "with the rack"]
    assert "part at the outer joint" not in rows
    assert toe_reach(cars["kept"], rod_of(cars["kept"])) is None
    rack = replace(cars["kept"].rack, tie_rod_adjustment_mm=8.0)
    racks = tuple(rack if one.name == rack.name else one for one in cars["kept"].problem.racks)
    problem = replace(cars["kept"].problem, racks=racks)
    chosen = replace(cars["kept"], problem=problem)
    design = chosen.design
    chosen = replace(chosen, outcome=problem.evaluate(design))
    rod = rod_of(chosen)
    assert rod.shorter_mm + rod.longer_mm == pytest.approx(16.0)
    assert rod.between_mm + rod.longer_mm == pytest.approx(303.0)


def with_collars(chosen, outer_joint_deg):
    """The same design where collars stop the steering as the outer joint comes to this angle."""
    steering = replace(chosen.problem.steering, stops="collars")
    limits = chosen.problem.limits
    limits = replace(limits, outer_joint_angle=np.radians(outer_joint_deg), clearance_mm=None)
    return replace(chosen, problem=replace(chosen.problem, steering=steering, limits=limits))


def test_collars_are_on_the_list_where_they_stop_the_steering(winner):
    chosen = with_collars(winner, 15.0)
    item = list(items_of(chosen))[-1]
    assert (item.kind, item.count) == ("collar", 2)
    needed = chosen.free_lock.collar_mm
    assert 0.0 < needed <= item.length_mm < needed + 0.01
    assert f"{item.length_mm:.2f} long or more" in sheet_html(chosen)
    assert "stop collar" not in sheet_html(winner)
    # Where a limit is broken with the rack at its centre none will do.
    broken = with_collars(winner, 5.0)
    assert broken.free_lock.least.rack_mm == 0.0
    assert "no length will do" in sheet_html(broken)


# --- what can be set -----------------------------------------------------------------------------


def test_toe_reach_is_what_the_thread_gives(winner):
    chosen = with_parts(winner, **GIVEN)
    rod = rod_of(chosen)
    reach, turn = toe_reach(chosen, rod), toe_per_turn(chosen, rod)
    # By the lever of the rod about the steering axis: small angles, so to a twentieth.
    points = chosen.points
    axis = points.upper_ball_joint - points.lower_ball_joint
    axis = axis / np.linalg.norm(axis)
    way = (points.outer_joint - points.inner_joint) / rod.between_mm
    lever = abs(np.cross(points.outer_joint - points.lower_ball_joint, way) @ axis)
    assert turn == pytest.approx(3.0 / lever, rel=0.05)
    assert reach.high - reach.low == pytest.approx(24.0 / lever, rel=0.05)
    assert reach.low < chosen.problem.car.attitude.toe_in < reach.high


@pytest.mark.parametrize("arm", ["upper", "lower"])
def test_an_adjusted_ball_joint_keeps_the_upright_rigid(winner, arm):
    points, attitude = winner.points, Attitude(0.02, -0.01, 280.0)
    amounts = np.array([-5.0, 0.0, 5.0])
    built = set_ball_joint(points, attitude, arm, amounts)
    now = built.points
    other = "lower" if arm == "upper" else "upper"

    def apart(corner, one, two):
        return np.linalg.norm(getattr(corner, one) - getattr(corner, two), axis=-1)

    names = ("upper_ball_joint", "lower_ball_joint", "outer_joint", "wheel_centre")
    for pair in combinations(names, 2):
        assert apart(now, *pair) == pytest.approx(float(apart(points, *pair)), abs=1e-9)
    fixed = getattr(now, f"{other}_ball_joint")
    assert np.abs(fixed - getattr(points, f"{other}_ball_joint")).max() == 0.0
    front, rear = (getattr(points, f"{arm}_{end}_pivot") for end in ("front", "rear"))
    along = (rear - front) / np.linalg.norm(rear - front)

    def radius(at):
        return np.linalg.norm(np.cross(at - front, along), axis=-1)

    joint = f"{arm}_ball_joint"
    before = float(radius(getattr(points, joint)))
    assert radius(getattr(now, joint)) == pytest.approx(before + amounts, abs=1e-9)
    # It stays where it was along the pivots' axis, toe stays, and nothing moves without a reason.
    shift = (getattr(now, joint) - getattr(points, joint)) @ along
    assert shift == pytest.approx(np.zeros(3), abs=1e-9)
    assert built.attitude.toe_in == pytest.approx(0.02, abs=1e-12)
    camber = np.asarray(built.attitude.camber)
    assert camber[1] == pytest.approx(-0.01, abs=1e-12)
    # The top further out, or the bottom further in, is more camber: about 5 mm over the height.
    height = float((points.upper_ball_joint - points.lower_ball_joint)[2])
    sign = 1.0 if arm == "upper" else -1.0
    assert camber[2] - camber[0] == pytest.approx(sign * 10.0 / height, rel=0.15)


# --- keys and files ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("thread_length_mm = 15\nleast_engagement_mm = 18", "[parts] least_engagement_mm"),
        ("thread_length_mm = 50\nrod_end_length_mm = 45", "[parts] thread_length_mm"),
        ("pitch_mm = 0.00125", "[parts] pitch_mm"),
        ('hands = "left"', "[parts] hands"),
        ("rod_end_price = -3", "[parts] rod_end_price"),
        ("rodend_price = 3", "did you mean rod_end_price"),
    ],
)
def test_bad_parts_are_refused_in_one_line(tmp_path, keys, said):
    for name in ("demo_hardpoints.csv", "demo_racks.csv"):
        shutil.copy(ROOT / "studies" / name, tmp_path)
    text = (ROOT / "studies" / "demo.toml").read_text("utf-8")
    (tmp_path / "mine.toml").write_text(f"{text}\n[parts]\n{keys}\n", "utf-8")
    code, out, err = run_here("check", "mine.toml", cwd=tmp_path)
    assert (code, out) == (2, "")
    assert said in err
    assert len(err.strip().splitlines()) == 1


def test_parts_decide_no_design(tmp_path):
    plain = demo_with(tmp_path)
    (tmp_path / "more").mkdir()
    asked = demo_with(tmp_path / "more", ("\n[tolerance]", f"{PARTS}\n[tolerance]"))
    assert "parts" not in plain.resolved()
    assert asked.resolved()["parts"]["pitch_mm"] == 1.5
    assert case_question(plain, quick=False) == case_question(asked, quick=False)
    changed = demo_with(tmp_path, ("inner_lock_deg = 34", "inner_lock_deg = 33"))
    assert case_question(plain, quick=False) != case_question(changed, quick=False)


def test_a_result_has_the_sheet_and_report_makes_it_again(copy):
    sheet = copy / "sheet.html"
    before = sheet.read_bytes()
    assert b"<script>alert" not in before
    assert b"&lt;script&gt;alert" in before
    sheet.unlink()
    with mock.patch.object(write, "figures", return_value={}):
        write.rewrite_report(read_results(copy))
    assert sheet.read_bytes() == before


def test_pick_writes_the_sheet_of_its_design(copy):
    with mock.patch.object(pick, "_write_figures"):
        code, out, _ = run_here("pick", copy, "--at", "rack_height_mm-=40", cwd=copy)
    assert code == 1
    page = (copy / "picked" / "typed-1" / "sheet.html").read_text("utf-8")
    assert "not to be built" in page
    assert "written to" in out
    code, *_ = run_here("pick", copy, "--no-pictures", "--by", "best", cwd=copy)
    assert code == 0
    (folder,) = (copy / "picked").glob("design-*")
    assert not (folder / "sheet.html").exists()


def test_pivots_that_are_moved_are_said_beside_the_distances(cars):
    """With kept rods arms and wheel move sideways; distances are from where they come to lie."""
    kept = cars["kept"]
    growth = abs(kept.metric("track_growth_mm")) / 2.0
    assert growth > 1.0
    page = sheet_html(kept)
    first = page[: page.index("To buy and to cut")]
    said = ", ".join(f"{letter} by {growth:.1f} mm" for letter in "ABCDEF")
    assert f"NOT AS DRAWN on both sides: {said}." in first
    assert "NOT AS DRAWN" not in sheet_html(cars["rescue"]) + sheet_html(cars["inches"])
