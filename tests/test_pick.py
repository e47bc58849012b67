"""Choosing another point: the front in brief, other rules, points typed by hand."""

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from one_run import RACKS
from rich.console import Console
from small_study import run_here

from optimiser.answer.fitting import direction_sentences
from optimiser.answer.kept_rods import kept_rod_sentences
from optimiser.answer.rack_table import compare
from optimiser.answer.run_result import CAUTION, RunResult
from optimiser.base.errors import InputError, NothingFeasibleError
from optimiser.command.pick_screen import front_table, show_front
from optimiser.command.run_screen import rack_lines
from optimiser.evaluation.problem import VARIABLES, Limits
from optimiser.folder.choose import Picked, choose, parse_values, row_by
from optimiser.folder.export import export_design
from optimiser.folder.pick import cost_lines, write_pick
from optimiser.folder.read import read_results
from optimiser.folder.write import write_design
from optimiser.linkage.hardpoints import read_hardpoints
from optimiser.report.answer_words import answer_of

ROOT = Path(__file__).parents[1]


def test_the_front_is_listed_with_the_winner_marked(stored, capsys):
    show_front(stored)
    lines = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    result = stored.result
    assert lines[0].startswith(f"{len(result.front)} designs on the front")
    numbers = [int(line.split()[0]) for line in lines[2:-1] if line.split()[0].isdigit()]
    assert numbers == (result.front + 1).tolist()
    assert [line.endswith("chosen") for line in lines].count(True) == 1
    (marked,) = (line for line in lines if line.endswith("chosen"))
    assert int(marked.split()[0]) == result.winner + 1


def test_least_bump_steer_within_acceptable_ackermann_error(stored):
    result = stored.result
    row, notes = row_by(result, "least-bump-steer")
    values, ok = result.evaluation.objectives, result.evaluation.feasible
    usable = (
        ok & (values[:, 1] <= result.problem.acceptable[1]) & ~np.isin(result.designs.rack, [2])
    )
    assert notes == ()
    assert usable[row]
    assert values[row, 0] == values[usable, 0].min()


@pytest.mark.parametrize(("rule", "column"), [("cheapest", "price"), ("lightest", "mass_kg")])
def test_cheapest_and_lightest_of_the_acceptable(stored, rule, column):
    result = stored.result
    row, _ = row_by(result, rule)
    values, ok = result.evaluation.objectives, result.evaluation.feasible
    # The third rack has its pinion on the wrong side, and there are others.
    usable = ok & (values[:, :2] <= result.problem.acceptable).all(axis=1)
    usable &= ~np.isin(result.designs.rack, [2])
    assert usable[row]
    assert result.evaluation.metrics[column][row] == result.evaluation.metrics[column][usable].min()


def test_a_rule_that_nothing_keeps(stored, monkeypatch):
    outcome = stored.result.evaluation
    monkeypatch.setitem(outcome.metrics, "price", np.full(len(outcome.status), np.nan))
    with pytest.raises(NothingFeasibleError, match="no design is acceptable and has a price"):
        row_by(stored.result, "cheapest")


def test_refusals(stored):
    with pytest.raises(InputError, match="'dearest' is no rule; write one of best, cheapest"):
        choose(stored, None, "dearest")
    with pytest.raises(InputError, match="both are given"):
        choose(stored, 3, "cheapest")
    with pytest.raises(InputError, match="holds no design 9999"):
        choose(stored, 9999, None)


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ("rack_height_mm", "is not NAME=VALUE"),
        ("rack_height_mm=", "is not NAME=VALUE"),
        ("height=3", "unknown name 'height'; use rack, rack_height_mm"),
        ("rack_height_mm=1,5", "'1,5' is not a plausible number"),
        ("rack_height_mm=nan", "is not a plausible number"),
        ("rack_height_mm=1e9", "is not a plausible number"),
        ("rack=Nobody's", "unknown rack"),
        ("rack+=Short", "unknown rack"),
        ("rack_height_mm+=", "is not NAME=VALUE"),
        (
            "rack_height_mm=+5",
            "--at rack_height_mm=+5: may mean a place or a step; write rack_height_mm=5 for the "
            "place, rack_height_mm+=5 or rack_height_mm-=5 for a step",
        ),
        ("rack_height_mm-=-5", "may mean a place or a step"),
        ("rack_height_mm+=+5", "may mean a place or a step"),
    ],
)
def test_what_is_typed_wrongly(at, words):
    with pytest.raises(InputError, match=re.escape(words)):
        parse_values([at], RACKS)
    with pytest.raises(InputError, match="rack_height_mm stands twice"):
        parse_values(["rack_height_mm=1", "rack_height_mm=2"], RACKS)


def test_a_typed_point_is_evaluated_and_compared(stored):
    winner = stored.result.winner
    picked = choose(stored, None, None, ["rack_height_mm=265", "spacer_mm=5"])
    chosen, base = picked.chosen, picked.base
    assert base is not None
    assert base.label == f"design {winner + 1}"
    for name in VARIABLES:
        value = chosen.design.column(name)[0]
        wanted = {"rack_height_mm": 265.0, "spacer_mm": 5.0}.get(name)
        assert value == (base.design.column(name)[0] if wanted is None else wanted)
    again = stored.problem.evaluate(chosen.design)
    assert again.metrics["bump_steer_deg"][0] == chosen.metric("bump_steer_deg")
    assert picked.notes == ("spacer length 5 mm is not on the study's list, 0, 10, 20 mm.",)
    lines = list(cost_lines(picked))
    change = chosen.metric("bump_steer_deg") - base.metric("bump_steer_deg")
    (bump,) = (line for line in lines if line.startswith("  bump steer:"))
    assert f"({change:+.3f})" in bump


@pytest.mark.parametrize(("typed", "step"), [("+=5", 5.0), ("-=5", -5.0), (" += 0.5", 0.5)])
def test_a_step_is_taken_from_the_design_and_said(stored, typed, step):
    base = stored.result.chosen(stored.result.winner)
    height = float(base.design.column("rack_height_mm")[0])
    picked = choose(stored, None, None, [f"rack_height_mm{typed}"])
    assert picked.chosen.design.column("rack_height_mm")[0] == height + step
    assert f"(rack_height_mm = {height + step:g} ({step:+g}))" in picked.chosen.label
    same = choose(stored, None, None, [f"rack_height_mm={height + step!r}"])
    assert same.chosen.metric("bump_steer_deg") == picked.chosen.metric("bump_steer_deg")


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        (
            "rack_height_mm=-5",
            "--at rack_height_mm=-5: -5 mm is not between 0 and 1500; "
            "for a step write rack_height_mm-=5",
        ),
        ("spacer_mm=-2.5", "-2.5 mm is not between 0 and 250; for a step write spacer_mm-=2.5"),
        ("spacer_mm=251", "--at spacer_mm=251: 251 mm is not between 0 and 250; check the value"),
        ("spacer_mm-=200", "--at spacer_mm-=200: -"),
    ],
)
def test_a_place_that_no_study_takes_is_refused_and_a_step_offered(stored, typed, message):
    with pytest.raises(InputError, match=re.escape(message)):
        choose(stored, None, None, [typed])


def test_a_negative_place_outside_the_range_is_taken_and_a_step_offered(stored):
    """Behind the axle fore-aft is negative: -5 is a place there."""
    picked = choose(stored, None, None, ["arm_angle_deg=-16.5"])
    assert picked.notes == (
        "arm angle -16.5 deg is outside the study's range, -16 to 0 deg; "
        "for a step write arm_angle_deg-=16.5.",
    )


def test_typing_the_winner_changes_nothing(stored):
    """The design of the file, digit for digit, has the numbers of the file."""
    base = stored.result.chosen(stored.result.winner)
    at = [f"{name}={float(base.design.column(name)[0])!r}" for name in VARIABLES]
    picked = choose(stored, None, None, [*at, f"rack={base.rack.name}"])
    assert picked.notes == ()
    for name in ("bump_steer_deg", "ackermann_error_deg", "tie_rod_length_mm"):
        assert picked.chosen.metric(name) == pytest.approx(base.metric(name), abs=1e-9)


def test_a_value_outside_the_range_is_said(stored):
    picked = choose(stored, None, None, ["arm_angle_deg=0.5"])
    assert picked.notes[0] == "arm angle 0.5 deg is outside the study's range, -16 to 0 deg."
    assert picked.notes[0] in list(cost_lines(picked))


def test_what_a_point_breaks_is_said(stored):
    broken = np.flatnonzero(stored.result.evaluation.assembles & ~stored.result.evaluation.feasible)
    row = int(broken[0])
    lines = list(cost_lines(choose(stored, row + 1, None)))
    names = stored.result.evaluation.status[row].removeprefix("breaks ").split(", ")
    assert sum(line.startswith("BREAKS ") for line in lines) == len(names)
    assert "It keeps every limit and is acceptable." not in lines


def test_a_point_that_cannot_be_assembled_writes_nothing(stored):
    with pytest.raises(NothingFeasibleError, match=r"cannot assemble.*nothing was written"):
        choose(stored, None, None, ["rack_height_mm=1400", "rack_fore_aft_mm=1400"])


def test_a_design_that_cannot_be_assembled_gives_its_reason(copy, tmp_path):
    """Issue 12: its numbers were printed as 'nan deg'."""
    stored = read_results(copy)
    outcome = stored.result.evaluation
    row = int(np.flatnonzero(~outcome.assembles)[0])
    code, out, err = run_here("pick", copy, "--design", row + 1, cwd=tmp_path)
    assert (code, out) == (1, "")
    assert err == (
        f"optimiser: design {row + 1}, rack {stored.result.chosen(row).rack.name}: "
        f"{outcome.status[row]}; nothing was written\n"
    )
    assert outcome.status[row].startswith("cannot assemble: ")
    assert not (copy / "picked").exists()
    code, _, exported = run_here("export", copy, "--design", row + 1, "--to", "csv", cwd=tmp_path)
    assert (code, exported) == (1, err)
    # A point that is typed on top of it may be one that can.
    values = stored.result.chosen(stored.result.winner)
    at = [f"{name}={float(values.design.column(name)[0])!r}" for name in VARIABLES]
    lines = list(cost_lines(choose(stored, row + 1, None, [*at, f"rack={values.rack.name}"])))
    assert not any("nan" in line for line in lines)


def test_kept_rods_are_told_of_in_pick_and_at_the_head_of_the_points(stored, tmp_path):
    """A narrower track was taken without a word; these are the files that a builder takes."""
    result = stored.result
    chosen = result.chosen(result.winner)
    length = chosen.metric("tie_rod_length_mm")
    racks = tuple(
        replace(rack, tie_rod_length_mm=length - 12.0, tie_rod_adjustment_mm=5.0)
        for rack in chosen.problem.racks
    )
    steering = replace(chosen.problem.steering, keep_tie_rods=True)
    problem = replace(chosen.problem, racks=racks, steering=steering)
    kept = replace(chosen, problem=problem, outcome=problem.evaluate(chosen.design))
    growth = kept.metric("track_growth_mm")
    assert growth < -10.0
    track, thread = kept_rod_sentences(problem, kept.design, kept.outcome)
    assert f"{-growth:.1f} mm narrower than drawn" in track
    assert "screwed out to the end of their thread" in thread
    lines = list(cost_lines(Picked(kept, None)))
    assert [line for line in lines if line in (track, thread)] == [track, thread]
    write_design(tmp_path, kept)
    export_design(kept, "csv", tmp_path)
    for name in ("hardpoints.csv", next(p.name for p in tmp_path.glob("*-hardpoints.csv"))):
        head = (tmp_path / name).read_text("utf-8").split("lower_front_pivot")[0]
        assert f"# {track}\n" in head
        assert f"# {thread}\n" in head
    (row,) = (
        row
        for row in compare(problem, kept.design, kept.outcome)
        if row.rack.name == kept.rack.name
    )
    assert row.notes[:2] == (track.removesuffix("."), thread.removesuffix("."))
    origin = np.array(["search"], dtype=object)
    unit = replace(result.units[0], designs=kept.design, origin=origin)
    loose = replace(problem, limits=Limits())
    unit = replace(unit, evaluation=loose.evaluate(kept.design))
    answer = list(answer_of(RunResult(result.study, loose, (unit,))).sentences())
    assert [line for line in answer if line in (track, thread)] == [track, thread]


def test_a_wrong_hand_is_said(stored):
    picked = choose(stored, None, None, [f"rack={RACKS[2]}"])
    assert any(line.startswith("WRONG HAND: the rack steers") for line in cost_lines(picked))


def test_a_rack_that_must_be_turned_says_so_wherever_it_is_read(stored, tmp_path):
    """The terminal's answer and lines, `pick`, and the heads of both kinds of hardpoints."""
    result = stored.result
    name = result.problem.racks[int(result.designs.rack[result.winner])].name
    racks = tuple(
        replace(rack, made_for="behind" if result.problem.arm_ahead else "ahead", pinion_side=None)
        if rack.name == name
        else rack
        for rack in result.problem.racks
    )
    turned = RunResult(result.study, replace(result.problem, racks=racks), result.units)
    assert turned.winner == result.winner
    chosen = turned.chosen(turned.winner)
    (line,) = direction_sentences(chosen.problem, chosen.design)
    assert line.startswith("Direction and hand: steers the wrong way as made: turn it end for end")
    assert line in list(answer_of(turned).sentences())
    assert line in list(cost_lines(Picked(chosen, None)))
    said = list(rack_lines(turned))
    assert any(text.startswith("    it steers the wrong way as made") for text in said)
    write_design(tmp_path, chosen)
    export_design(chosen, "csv", tmp_path)
    for file in ("hardpoints.csv", next(p.name for p in tmp_path.glob("*-hardpoints.csv"))):
        assert f"# {line}\n" in (tmp_path / file).read_text("utf-8")
    as_made = result.chosen(result.winner)
    assert not list(direction_sentences(as_made.problem, as_made.design))


def test_racks_of_the_wrong_hand_are_marked_and_what_beats_the_winner_is_said_truly(stored, capsys):
    result = stored.result
    racks = result.designs.rack
    wrong = result.problem.wrong_hand
    table = front_table(result, np.array([result.winner, np.flatnonzero(wrong[racks])[0]]))
    assert list(table.columns[-1].cells) == ["chosen", "wrong hand"]
    # The numbers and the mark leave a name in one piece, in a narrow terminal too.
    table.add_row(
        "1234", "Dunnock", "0.001", "1.234", "185.9", "-150.0", "25.0", "95.0", "wrong hand"
    )
    Console(width=80).print(table)
    assert "Dunnock" in capsys.readouterr().out
    # A winner that only racks of the wrong hand beat.
    values = result.evaluation.objectives.copy()
    values[racks == np.flatnonzero(wrong)[0], :2] = 1e-6
    better = replace(result.evaluation, objectives=values)
    units, start = [], 0
    for unit in result.units:
        rows = slice(start, start + len(unit.designs))
        units.append(replace(unit, evaluation=better.select(rows)))
        start = rows.stop
    show_front(replace(stored, result=RunResult(result.study, result.problem, tuple(units))))
    assert "racks of the wrong hand beat it" in " ".join(capsys.readouterr().out.split())


def test_another_rack_at_the_place_of_the_first_is_warned_of(stored):
    result = stored.result
    base = result.chosen(result.winner)
    other = next(i for i, r in enumerate(result.problem.racks) if r.name != base.rack.name)
    name, best = RACKS[other], result.best_of(result.rack_fronts[other])
    picked = choose(stored, None, None, [f"rack={name}", "spacer_mm=10"])
    assert picked.notes[0] == (
        "rack height, rack fore-aft, arm length, arm height, arm angle: as found for "
        f"{base.rack.name}, not for {name}; for {name}'s own place add --design {best + 1}."
    )
    assert choose(stored, best + 1, None, [f"rack={name}", "spacer_mm=10"]).notes == ()


def test_files_go_into_a_folder_of_their_own(copy):
    before = {p: p.read_bytes() for p in copy.rglob("*") if p.is_file()}
    stored = read_results(copy)
    other = next(r for r in stored.result.front.tolist() if r != stored.result.winner)
    folder = write_pick(stored, choose(stored, other + 1, None))
    assert folder == copy / "picked" / f"design-{other + 1}"
    assert {p: p.read_bytes() for p in before} == before
    assert {p.name for p in folder.iterdir()} == {
        "hardpoints.csv",
        "curves.csv",
        "effort.csv",
        "bump_steer.svg",
        "wheel_angles.svg",
        "linkage.svg",
        "effort.svg",
        "pick.json",
        "sheet.html",
    }
    points = read_hardpoints(folder / "hardpoints.csv", stored.study.frame)
    expected = stored.result.chosen(other).points
    np.testing.assert_allclose(points.inner_joint, expected.inner_joint, atol=1e-9)
    record = json.loads((folder / "pick.json").read_text("utf-8"))
    assert record["compared_with"] == f"design {stored.result.winner + 1}"


def test_without_pictures_the_rest_is_the_same(copy):
    stored = read_results(copy)
    picked = choose(stored, int(stored.result.front[0]) + 1, None)
    with_them = {p.name: p.read_bytes() for p in write_pick(stored, picked).iterdir()}
    shutil.rmtree(copy / "picked")
    folder = write_pick(stored, picked, pictures=False)
    plain = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert set(plain) == {"hardpoints.csv", "curves.csv", "effort.csv", "pick.json"}
    assert all(with_them[name] == content for name, content in plain.items())


def test_typed_points_are_numbered_and_the_same_one_is_not_written_twice(copy, monkeypatch):
    monkeypatch.setattr("optimiser.report.figures.design_figures", lambda *_: {})
    stored = read_results(copy)
    for value, name in ((260, "typed-1"), (261, "typed-2"), (260, "typed-1")):
        picked = choose(stored, None, None, [f"rack_height_mm={value}"])
        assert write_pick(stored, picked).name == name


def test_commands(finished_run, copy, tmp_path):
    code, out, _ = run_here("pick", copy, cwd=tmp_path)
    assert code == 0
    assert "designs on the front" in out
    code, out, _ = run_here(
        "pick", copy, "--by", "cheapest", "--at", "rack_fore_aft_mm=-130", cwd=tmp_path
    )
    assert code in (0, 1)
    assert (copy / "picked" / "typed-1" / "hardpoints.csv").is_file()
    assert "written to" in out
    assert out.endswith(f"{CAUTION}\n")
    status = finished_run[1].evaluation.status
    broken = next(i for i, text in enumerate(status) if text.startswith("breaks"))
    code, out, _ = run_here("pick", copy, "--design", broken + 1, cwd=tmp_path)
    assert code == 1
    assert "BREAKS" in out
    assert (copy / "picked" / f"design-{broken + 1}" / "hardpoints.csv").is_file()
    for arguments, words in (
        (("--at",), "no values follow"),
        (("rack_height_mm=3",), "write --at before values"),
        (("--by", "x"), "'x' is no rule"),
        (("--at", "rack_height_mm=-5"), "for a step write rack_height_mm-=5"),
    ):
        code, out, err = run_here("pick", copy, *arguments, cwd=tmp_path)
        assert (code, out) == (2, "")
        assert words in err
        assert err.count("\n") == 1


def test_the_readme_shows_what_the_committed_example_says():
    readme = (ROOT / "README.md").read_text("utf-8")
    rule, typed = re.search(
        r"^optimiser pick results/demo --by (\S+) --at (.+)$", readme, re.M
    ).groups()
    shown = next(
        block
        for block in re.findall(r"```text\n(.*?)```", readme, re.S)
        if "  bump steer: " in block
    )
    example = read_results(ROOT / "results" / "example" / "demo")
    said = list(cost_lines(choose(example, None, rule, typed.split())))
    assert len(shown.splitlines()) >= 4
    assert [line for line in said if line in shown.splitlines()] == shown.splitlines()
