"""What changed, and whether the old design still does: against brute force and other frames."""

from __future__ import annotations

import csv
import re
import shutil
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING
from unittest import mock

import numpy as np
import pytest
from small_study import ROOT, demo_with, run_here

from optimiser.answer.run_result import Chosen
from optimiser.evaluation.asked import Travel
from optimiser.evaluation.bolting import Bolting
from optimiser.evaluation.designs import Designs, Range, Stock
from optimiser.folder.read import read_results
from optimiser.questions.compare import cures as cures_module
from optimiser.questions.compare.answer import Compared, Judged
from optimiser.questions.compare.changes import (
    key_changes,
    point_moves,
    rack_changes,
    verdict_changes,
)
from optimiser.questions.compare.cures import (
    ANY,
    ARM,
    BRACKET,
    SHIM,
    SPACER,
    WAYS,
    change_mm,
    cheapest,
    cure_by,
    cures,
    outside_of,
)
from optimiser.questions.compare.sides import Carried, carried, is_wrong_hand, open_side
from optimiser.questions.compare.words import cure_words, headline, step_words
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

HEIGHT = 0
GOOD = (217.6119, 83.2328, 20.0, 123.9, 226.0385, 10.9744)
"""Values of a design that a run of the demo found, but for an arm 0.2 mm shorter."""


def design_of(good: Chosen, **by: float) -> Chosen:
    """A design beside another, in the same study."""
    values = good.design.values.copy()
    for name, step in by.items():
        values[0, good.problem.variables.index(name)] += step
    design = Designs(good.design.rack, values)
    return replace(good, label="old", design=design, outcome=good.problem.evaluate(design))


@pytest.fixture(scope="module")
def good():
    """A design of the demo, without what takes longest: clearance, column, loads, cars."""
    study = read_study(ROOT / "studies" / "demo.toml")
    whole = study.problem().without_clearance
    problem = replace(
        whole,
        travel=Travel(60.0, 60.0, 20.0),
        bolting=Bolting(),
        loads=None,
        tolerances=None,
        limits=replace(whole.limits, bounds=()),
    )
    rack = [one.name for one in problem.racks].index("Finch")
    design = Designs(np.array([rack]), np.array([GOOD]))
    return Chosen(study, problem, "good", design, problem.evaluate(design))


def test_the_design_that_the_others_lie_beside_is_good(good) -> None:
    assert good.acceptable
    assert outside_of(good.problem, good.design, bare=False) == ()


# --- what is not the same ------------------------------------------------------------------------


def rewritten(folder: Path, move: dict[str, tuple[float, float, float]]) -> Path:
    """The demo's points in other axes, another origin and inches, some moved in the car's axes."""
    study = read_study(ROOT / "studies" / "demo.toml")
    rows = ["name,x,y,z"]
    for name, place in study.points.items():
        x, y, z = (place + np.array(move.get(name, (0.0, 0.0, 0.0)))).tolist()
        # CAD: x to the left, y up, z forward; the origin 100 mm to the left of the middle.
        rows.append(f"{name},{(y - 100.0) / 25.4!r},{(z - 10.0) / 25.4!r},{(x + 7.0) / 25.4!r}")
    shutil.copy(ROOT / "studies" / "demo_racks.csv", folder)
    (folder / "points.csv").write_text("\n".join(rows) + "\n", "utf-8")
    text = (ROOT / "studies" / "demo.toml").read_text("utf-8")
    for old, new in (
        ('forward = "-x"', 'forward = "+z"'),
        ('left = "-y"', 'left = "+x"'),
        ('up = "+z"', 'up = "+y"'),
        ("ground_origin_mm = [850, 0, -120]", "ground_origin_mm = [-100, -10, 7]"),
        ('file = "demo_hardpoints.csv"', 'file = "points.csv"\nunit = "in"'),
    ):
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "other.toml"
    # What is else in CAD coordinates is of no matter here, nor is a tyre.
    text = text[: text.index("[[keep_out]]")]
    lines = [line for line in text.splitlines() if not line.startswith("tyre_clearance_mm")]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def test_points_are_matched_in_the_cars_axes_whatever_the_frame(tmp_path) -> None:
    demo = read_study(ROOT / "studies" / "demo.toml")
    same = read_study(rewritten(tmp_path, {}))
    assert point_moves(demo.points, same.points) == ()
    moved = read_study(rewritten(tmp_path, {"upper_rear_pivot": (1.0, 2.0, -3.0)}))
    (move,) = point_moves(demo.points, moved.points)
    assert move.name == "upper_rear_pivot"
    np.testing.assert_allclose(move.by, (1.0, 2.0, -3.0), atol=1e-9)
    assert move.distance_mm == pytest.approx(14.0**0.5)


def test_keys_are_those_that_say_something_else(tmp_path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    before = demo_with(tmp_path / "a")
    after = demo_with(
        tmp_path / "b",
        ("inner_lock_deg = 34", 'inner_lock_deg = 33\nstops = "rack"'),
        ("spacer_mm = [0, 10, 20]", "spacer_mm = {from = 0, to = 20}"),
        ("title =", 'title = "Another"  #'),
    )
    found = {one.name: (one.before, one.after) for one in key_changes(before, after)}
    # The default of stops, written down, and the title are no change.
    assert found == {
        "[steering] inner_lock_deg": ("34", "33"),
        "[search.vary] spacer_mm": ("[0, 10, 20]", "0 to 20"),
    }
    assert key_changes(before, before) == ()


def test_racks_gained_lost_and_changed() -> None:
    demo = read_study(ROOT / "studies" / "demo.toml")
    first, second, *rest = demo.racks
    after = replace(demo, racks=(replace(second, price=1.0), replace(first, name="New"), *rest))
    found = [(one.name, one.before, one.after) for one in rack_changes(demo, after)]
    assert found == [
        (first.name, "in the study", ""),
        ("New", "", "in the study"),
        (f"{second.name}, price", f"{second.price:g}", "1"),
    ]


def test_verdicts_that_changed(stored) -> None:
    result = stored.result
    assert verdict_changes(result, result) == ()
    steering = replace(
        result.problem.steering, acceptable_bump_steer=1e-9, acceptable_ackermann_error=1e-9
    )
    strict = replace(result, problem=replace(result.problem, steering=steering))
    before = {row.rack.name: row.verdict for row in result.comparison}
    changed = {one.name: (one.before, one.after) for one in verdict_changes(result, strict)}
    assert changed
    for name, (old, new) in changed.items():
        assert old == before[name] != new


# --- the old design in the new study -------------------------------------------------------------


def test_a_design_is_judged_as_it_stands_outside_the_ranges_too(finished_run, tmp_path) -> None:
    old = open_side(finished_run[0])
    study = old.study
    vary = study.file.search.vary
    height = float(old.chosen.design.values[0, HEIGHT])
    narrow = type(vary).model_validate(
        {
            **vary.model_dump(by_alias=True),
            "rack_height_mm": {"from": height + 4, "to": height + 40},
        }
    )
    search = study.file.search.model_copy(update={"vary": narrow})
    new = replace(study, file=study.file.model_copy(update={"search": search}))
    found = carried(old, new)
    np.testing.assert_array_equal(found.chosen.design.values, old.chosen.design.values)
    for name, value in old.chosen.outcome.metrics.items():
        np.testing.assert_array_equal(found.chosen.outcome.metrics[name], value)
    assert outside_of(found.chosen.problem, found.chosen.design, bare=False) == ("rack_height_mm",)
    assert found.notes == ()


def test_a_rack_that_is_gone_comes_with_its_own_values(finished_run) -> None:
    old = open_side(finished_run[0])
    mine = old.chosen.rack.name
    new = replace(old.study, racks=tuple(r for r in old.study.racks if r.name != mine))
    found = carried(old, new)
    assert found.chosen.rack == old.chosen.rack
    assert mine in found.notes[0]
    assert found.chosen.outcome.judged == pytest.approx(old.chosen.outcome.judged)
    # The new catalogue's value counts where it has the rack.
    shorter = tuple(replace(r, inner_joint_spacing_mm=590.0) for r in old.study.racks)
    other = carried(old, replace(old.study, racks=shorter))
    assert other.chosen.rack.inner_joint_spacing_mm == 590.0
    assert other.chosen.outcome.judged[0, 0] != pytest.approx(old.chosen.outcome.judged[0, 0])


# --- cures ---------------------------------------------------------------------------------------


def least_by_scan(old: Chosen, name: str, steps: np.ndarray) -> float:
    """The least step of one variable that makes it acceptable, of a fine scan; infinite of none."""
    column = old.problem.variables.index(name)
    values = np.repeat(old.design.values, len(steps), axis=0)
    values[:, column] += steps
    good = old.problem.as_limits.evaluate(
        Designs(np.repeat(old.design.rack, len(steps)), values)
    ).feasible
    return float(np.abs(steps[good]).min(initial=np.inf))


def test_a_rack_that_is_gone_is_not_said_to_be_allowed(finished_run) -> None:
    old = open_side(finished_run[0])
    study = old.study
    left = tuple(one for one in study.racks if one.name != old.chosen.rack.name)
    new = replace(old, chosen=replace(old.chosen, study=replace(study, racks=left)))
    judged = Judged(carried(old, study), (), 5.0, ())
    found = Compared(old, new, (), (), (), (), (), judged, ())
    words = headline(found, judged)
    assert judged.chosen.acceptable, words
    assert "with a rack that the new study does not have" in words
    assert "allowed" not in words
    assert "acceptable, and allowed" in headline(replace(found, new=old), judged)


def test_where_limits_meet_a_cure_is_rounded_further_off() -> None:
    """Between two limits that leave a wedge no rounding up or down does; typed in it must do."""
    names = ("rack_height_mm", "rack_fore_aft_mm", "spacer_mm", "arm_length_mm", "arm_height_mm")
    names = (*names, "arm_angle_deg")
    tip = np.array([3.333, 4.444])

    def evaluate(designs: Designs) -> SimpleNamespace:
        by = designs.values[:, :2] - tip
        return SimpleNamespace(feasible=np.abs(by[:, 0] - 0.8 * by[:, 1]) <= 0.06 * by[:, 1])

    problem = SimpleNamespace(
        variables=names, space=dict.fromkeys(names, Range(-90.0, 90.0)), evaluate=evaluate
    )
    here, best = (Designs(np.zeros(1, int), np.zeros((1, 6))) for _ in range(2))
    best.values[0, :2] = tip + 1e-9
    with mock.patch.object(
        cures_module, "change_mm", lambda _, new, old: np.abs(new.values - old.values).sum(axis=-1)
    ):
        found = cures_module._rounded(problem, here, best)
    assert evaluate(found).feasible[0]
    np.testing.assert_allclose(10.0 * found.values, np.round(10.0 * found.values), atol=1e-9)
    assert np.abs(found.values - best.values).max() <= 1.0


@pytest.mark.parametrize("off", [2.3, -3.4, 9.0])
def test_the_shim_is_the_least_of_a_fine_scan(good, off: float) -> None:
    old = design_of(good, rack_height_mm=off)
    assert not old.acceptable
    exact = least_by_scan(old, "rack_height_mm", np.linspace(-5.0, 5.0, 401))
    shim = cure_by(old, SHIM, 5.0, bare=False)
    if off == 9.0:
        assert not np.isfinite(exact)
        assert shim.chosen is None
        return
    # Exact to the tenth to which it is rounded up.
    assert exact - 0.025 <= shim.change_mm <= exact + 0.1
    assert shim.chosen.acceptable
    assert np.flatnonzero(shim.chosen.design.values != old.design.values).tolist() == [HEIGHT]
    way = "lower" if off > 0.0 else "higher"
    assert re.fullmatch(rf"the rack \d\.\d mm {way}", step_words(old, shim.chosen.design))
    said = cure_words(Judged(Carried(old, ()), (), 5.0, (shim,)), shim)
    assert ("shims can be taken out" in said) == (off > 0.0)


def test_every_cure_is_acceptable_changes_only_its_own_and_keeps_to_the_ranges(good) -> None:
    old = design_of(good, rack_height_mm=2.5, rack_fore_aft_mm=-20.0, spacer_mm=-10.0)
    assert "rack_fore_aft_mm" in outside_of(old.problem, old.design, bare=False)
    found = {cure.way: cure for cure in cures(old, 5.0, bare=False)}
    assert tuple(found) == WAYS
    assert found[ANY].chosen is not None
    assert found[ANY].change_mm <= found[BRACKET].change_mm or found[BRACKET].outside
    for cure in found.values():
        if cure.chosen is None:
            continue
        again = old.problem.evaluate(cure.chosen.design)
        assert again.feasible[0]
        assert (again.judged <= old.problem.acceptable).all()
        assert cure.outside == outside_of(old.problem, cure.chosen.design, bare=False)
    assert found[ANY].outside == ()
    best = cheapest(tuple(found.values()))
    assert best is not None
    assert best.outside == ()


def test_no_design_of_many_is_nearer_than_the_least_change(good) -> None:
    """The least change with everything free, against designs thrown about it at random."""
    old = design_of(good, rack_height_mm=7.0)
    least, rng = cure_by(old, ANY, 0.5, bare=False), np.random.default_rng(1)
    assert cure_by(old, SHIM, 0.5, bare=False).chosen is None
    values = np.repeat(old.design.values, 1500, axis=0)
    share = rng.uniform(0.0, 1.0, (len(values), 1))
    walk = least.chosen.design.values - old.design.values
    values += share * walk + share * rng.normal(0.0, 0.6, values.shape)
    values[:, 2] = old.design.values[0, 2]
    tried = Designs(np.repeat(old.design.rack, len(values)), values)
    ok = old.problem.as_limits.evaluate(tried).feasible
    assert ok.any()
    assert change_mm(old.problem, tried, old.design)[ok].min() > least.change_mm - 0.2


def test_spacers_of_stock_are_looked_at_one_by_one(good) -> None:
    space = good.problem.space | {"spacer_mm": Stock((0.0, 18.0, 19.0, 20.0))}
    problem = replace(good.problem, space=space)
    values = good.design.values.copy()
    values[0, 2] = 0.0
    design = Designs(good.design.rack, values)
    old = Chosen(good.study, problem, "old", design, problem.evaluate(design))
    tried = [least_by_scan(old, "spacer_mm", np.array([by])) for by in (18.0, 19.0, 20.0)]
    assert cure_by(old, SPACER, 1.0, bare=False).change_mm == min(tried)
    assert min(tried) <= 20.0


def test_what_the_study_fixes_is_not_tried(good) -> None:
    arm = ("arm_length_mm", "arm_height_mm", "arm_angle_deg")
    fixed = {name: Stock((float(good.design.column(name)[0]),)) for name in arm}
    problem = replace(good.problem, space=good.problem.space | fixed)
    old = replace(design_of(good, rack_height_mm=2.5), problem=problem)
    assert not cure_by(old, ARM, 5.0, bare=False).tried
    assert cure_by(old, SHIM, 5.0, bare=False).tried
    assert isinstance(problem.space["rack_height_mm"], Range)


def test_what_is_acceptable_and_not_allowed_is_brought_into_the_ranges(good) -> None:
    height = float(good.design.values[0, HEIGHT])
    space = good.problem.space | {"rack_height_mm": Range(height + 0.4, height + 30.0)}
    old = replace(good, problem=replace(good.problem, space=space))
    assert old.acceptable
    assert outside_of(old.problem, old.design, bare=False) == ("rack_height_mm",)
    found = {way: cure_by(old, way, 5.0, bare=False) for way in (SHIM, SPACER, ARM)}
    # What leaves the rack where it is changes nothing of this.
    assert found[SPACER].chosen is None
    assert found[ARM].chosen is None
    assert found[SHIM].outside == ()
    assert found[SHIM].change_mm == pytest.approx(0.4)


def test_no_change_cures_the_wrong_hand(finished_run) -> None:
    side = open_side(finished_run[0])
    car = side.chosen.problem.car
    other = replace(car, drive_side="right" if car.drive_side == "left" else "left")
    turned = replace(side.chosen, problem=replace(side.chosen.problem, car=other))
    (wrong,) = (one for one in (side.chosen, turned) if is_wrong_hand(one))
    assert wrong.acceptable
    judged = Judged(Carried(wrong, ()), (), 5.0, ())
    found = Compared(side, side, (), (), (), (), (), judged, ())
    assert not found.good
    assert "the rack is of the WRONG HAND" in headline(found, judged)


# --- the command ---------------------------------------------------------------------------------


def shown(*arguments, cwd) -> tuple[int, str]:
    code, out, err = run_here("compare", *arguments, cwd=cwd)
    assert err == ""
    return code, out


def table(folder: Path) -> list[dict[str, str]]:
    text = (folder / "compare.csv").read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in text if not line.startswith("#")))


def test_a_result_against_itself(finished_run, tmp_path) -> None:
    folder = finished_run[0]
    code, out = shown(folder, folder, cwd=tmp_path)
    assert code == 0
    assert "No drawn point moved." in out
    assert "No key of the study changed." in out
    assert "No rack that is in both has another verdict." in out
    rows = table(next((tmp_path / "results").iterdir()))
    assert {row["what"] for row in rows} == {"number"}
    assert all(row["before"] == row["before_in_new"] == row["after"] for row in rows)
    assert {float(row["change"]) for row in rows if row["change"]} == {0.0}


def test_a_result_against_a_changed_study(finished_run, tmp_path) -> None:
    """What is printed of the old winner is what evaluating it in the new study gives."""
    source = finished_run[0].parents[1] / "study"
    folder = tmp_path / "new"
    shutil.copytree(source, folder)
    path = folder / "small.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace("bump_steer_deg = 0.4", "bump_steer_deg = 0.15"), "utf-8")
    code, out = shown(finished_run[0], path, cwd=tmp_path)
    assert code == 1
    assert "NOT ACCEPTABLE" in out
    assert "acceptable_bump_steer_deg: 0.4 became 0.15" in out
    (place,) = (tmp_path / "results").iterdir()
    rows = {(row["what"], row["item"]): row for row in table(place)}
    bump = rows["number", "bump_steer_deg"]
    again = carried(open_side(finished_run[0]), read_study(path)).chosen.metric("bump_steer_deg")
    assert again > 0.15
    for column in ("before", "before_in_new"):
        assert float(bump[column]) == pytest.approx(again, rel=1e-9)
    page = (place / "compare.html").read_text("utf-8")
    assert "<script>" not in page
    assert "have a qualified person inspect" in page
    cured = {item.split()[0] for what, item in rows if what == "cure"}
    assert cured
    for way in cured:
        assert float(rows["cure", f"{way} bump_steer_deg"]["after"]) <= 0.15


def test_two_designs_of_one_result(finished_run, tmp_path) -> None:
    code, out = shown(finished_run[0], "--designs", 3, 5, cwd=tmp_path)
    stored = read_results(finished_run[0])
    assert code == (0 if stored.result.chosen(4).acceptable else 1)
    assert "From design 3 to design 5: " in out
    assert "Keys" not in out
    (place,) = (tmp_path / "results").iterdir()
    rows = {row["item"]: row for row in table(place) if row["what"] == "number"}
    for name, design in (("before", 2), ("after", 4)):
        written = float(stored.columns["rack_height_mm"][design])
        assert float(rows["rack_height_mm"][name]) == written
    assert any(row["what"] == "design_point" for row in table(place))


def test_studies_are_compared_as_drawn(tmp_path) -> None:
    other = rewritten(tmp_path, {"lower_rear_pivot": (0.0, 0.0, 2.0)})
    code, out = shown(ROOT / "studies" / "demo.toml", other, cwd=tmp_path)
    assert code == 1
    assert out.startswith("The car as drawn of ")
    assert "lower_rear_pivot 2.00 mm" in out
    assert "[hardpoints] unit: mm became in" in out
    rows = {row["item"]: row for row in table(next((tmp_path / "results").iterdir()))}
    bump = rows["bump_steer_deg"]
    assert float(bump["before"]) != float(bump["after"])
    # What was drawn is in both where it was drawn: only the pivot moved.
    assert float(bump["before_in_new"]) == pytest.approx(float(bump["after"]), abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("RESULT",), "is compared with nothing"),
        (("RESULT", "--designs", 3, 3), "are one design"),
        (("RESULT", "--designs", 3, 100000), "holds no design 100000"),
        (("STUDY", "RESULT", "--designs", 3, 4), "is no result"),
        (("RESULT", "no-such-folder"), "no such study file"),
        (("RESULT", "EMPTY"), "holds no run.json"),
    ],
)
def test_what_cannot_be_compared_is_one_line(finished_run, tmp_path, arguments, said) -> None:
    (tmp_path / "empty").mkdir()
    places = {
        "RESULT": finished_run[0],
        "STUDY": ROOT / "studies" / "demo.toml",
        "EMPTY": tmp_path / "empty",
    }
    code, out, err = run_here("compare", *(places.get(a, a) for a in arguments), cwd=tmp_path)
    assert code == 2
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
