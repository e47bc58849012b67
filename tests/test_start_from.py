"""A search that begins with an earlier front: what it is given, says, keeps and refuses."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import nothing_drawn, run_here, write_small_study

from optimiser.evaluation.designs import Stock, allows
from optimiser.folder.read import read_results
from optimiser.jobs.starting import earlier_designs
from optimiser.jobs.unit import UnitSpec, run_unit
from optimiser.search.unit_search import SearchSettings
from optimiser.study.read import read_study
from optimiser.study.start_from import EarlierDesign, copy_text, read_copy, read_earlier

NARROW = ("rack_height_mm = {from = 210, to = 320}", "rack_height_mm = {from = 250, to = 320}")


def study_from(folder, earlier, *, search: str = "seeds = false\nrefine = false", **options):
    """The small study of `one_run`'s racks' like, begun from an earlier result."""
    path = write_small_study(
        folder, search=f'{search}\nstart_from = "{earlier}"', trials=40, **options
    )
    text = path.read_text("utf-8")
    assert NARROW[0] in text
    path.write_text(text.replace(*NARROW), "utf-8")
    return path


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with an earlier result, and one that began from it and has lost it since."""
    folder = tmp_path_factory.mktemp("begun")
    first = write_small_study(folder / "first", trials=60, search="refine = false")
    code, _, err = run_here("run", first, "--out", folder / "results", cwd=folder)
    assert code in (0, 1), err
    return folder


@pytest.fixture(scope="module")
def begun(place):
    """Its folder, what was printed, and the earlier designs."""
    moved = place / "moved"
    shutil.copytree(place / "results" / "small", moved)
    path = study_from(place / "second", "../moved", name="second")
    earlier = read_earlier(moved, "here")
    code, out, err = run_here("run", path, "--out", place / "results", cwd=place)
    assert code in (0, 1), err
    shutil.rmtree(moved)
    return place / "results" / "second", out, earlier


def test_the_fronts_of_every_rack_are_read(place) -> None:
    stored = read_results(place / "results" / "small")
    result, found = stored.result, read_earlier(place / "results" / "small", "here")
    rows = sorted({int(row) for front in result.rack_fronts.values() for row in front})
    assert len(rows) > 3
    told = {(one.rack, *(value for _, value in one.values)) for one in found}
    assert told == {
        (result.problem.racks[result.designs.rack[row]].name, *result.designs.values[row].tolist())
        for row in rows
    }


def test_the_copy_is_read_back_as_it_was(place, tmp_path) -> None:
    found = read_earlier(place / "results" / "small", "here")
    rolled = replace(found[0], rack="=Odd, #1", values=(*found[0].values, ("rack_roll_deg", 0.1)))
    designs = (*found, rolled)
    path = tmp_path / "copy.csv"
    path.write_text(copy_text(designs), "utf-8")
    assert read_copy(path) == designs


def test_the_search_begins_with_them_and_says_so(begun) -> None:
    folder, out, earlier = begun
    stored = read_results(folder)
    result, problem = stored.result, stored.problem
    first = [unit.origin[0] for unit in result.units]
    assert "earlier" in first
    told = result.origin == "earlier"
    assert f"Began with {told.sum()} designs of the fronts of ../moved" in out
    assert f"Began with {told.sum()} designs" in (folder / "report.html").read_text("utf-8")
    # What lay lower than the new range now lies at its end; nothing else was changed.
    wanted = {rack.name: set() for rack in problem.racks}
    for one in earlier:
        values = dict(one.values)
        values["rack_height_mm"] = max(250.0, values["rack_height_mm"])
        wanted[one.rack].add(tuple(values.values()))
    assert any(dict(one.values)["rack_height_mm"] < 250.0 for one in earlier)
    for row in np.flatnonzero(told):
        rack = problem.racks[result.designs.rack[row]].name
        assert tuple(result.designs.values[row].tolist()) in wanted[rack]
    assert told[: told.sum()].all() or len(result.units) > 1


def test_it_can_be_picked_when_the_earlier_result_is_gone(begun, place) -> None:
    folder, _, earlier = begun
    assert not (place / "moved").exists()
    assert read_copy(folder / "inputs" / "start_from.csv") == earlier
    code, out, err = run_here("pick", folder, "--design", 1, "--no-pictures", cwd=place)
    assert code in (0, 1), err
    assert "design 1" in out
    code, _, err = run_here("export", folder, "--to", "csv", "--design", 1, cwd=place)
    assert code == 0, err
    page = (folder / "report.html").read_text("utf-8")
    code, _, err = run_here("report", folder, cwd=place)
    assert code == 0, err
    assert (folder / "report.html").read_text("utf-8") == page


def test_a_copy_that_was_changed_is_refused(begun, tmp_path) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(begun[0], folder)
    path = folder / "inputs" / "start_from.csv"
    lines = path.read_text("utf-8").splitlines()
    path.write_text("\n".join(lines[:-1]) + "\n", "utf-8")
    code, _, err = run_here("pick", folder, "--design", 1, cwd=tmp_path)
    assert code == 2
    assert "does not say any more what this run answered" in err


@nothing_drawn()
def test_the_same_command_goes_on_and_other_designs_are_another_question(place, tmp_path) -> None:
    earlier = tmp_path / "earlier"
    shutil.copytree(place / "results" / "small", earlier)
    path = study_from(tmp_path / "study", "../earlier", name="third", racks=("Middle",))
    code, _, err = run_here("run", path, "--out", tmp_path / "results", cwd=tmp_path)
    assert code in (0, 1), err
    trials = (tmp_path / "results" / "third" / "trials.csv").read_bytes()
    # Elsewhere by another name it is the same question.
    shutil.move(earlier, tmp_path / "renamed")
    path.write_text(path.read_text("utf-8").replace("../earlier", "../renamed"), "utf-8")
    code, out, err = run_here("run", path, "--out", tmp_path / "results", cwd=tmp_path)
    assert "nothing is left to search" in out, err
    assert (tmp_path / "results" / "third" / "trials.csv").read_bytes() == trials
    front = tmp_path / "renamed" / "front.csv"
    for one in (front, *(tmp_path / "renamed" / "fronts").glob("*.csv")):
        lines = one.read_text("utf-8").splitlines()
        one.write_text("\n".join(lines[:4]) + "\n", "utf-8")
    code, out, err = run_here("run", path, "--out", tmp_path / "results", cwd=tmp_path)
    assert "holds another run" in out, err


def test_without_the_key_a_study_is_what_it_was(tmp_path) -> None:
    study = read_study(write_small_study(tmp_path))
    record = study.resolved()
    assert "start_from" not in record["search"]
    assert "start_from" not in record["derived"]
    assert "start_from" not in study.inputs


def test_values_are_brought_into_the_ranges_and_stock_of_a_problem(tmp_path) -> None:
    problem = read_study(write_small_study(tmp_path)).problem()
    values = {name: -500.0 for name in problem.variables} | {"spacer_mm": 14.0}
    designs = [
        EarlierDesign("Middle", tuple(values.items())),
        EarlierDesign("Middle", tuple({**values, "spacer_mm": 11.0}.items())),
        EarlierDesign("Gone", tuple(values.items())),
    ]
    (index,) = found = earlier_designs(problem, designs)
    assert problem.racks[index].name == "Middle"
    # Both come to the same design, which is told once.
    assert len(found[index]) == 1
    for name, choice in problem.space.items():
        assert allows(choice, found[index].column(name)).all()
    assert isinstance(problem.space["spacer_mm"], Stock)
    assert found[index].column("spacer_mm")[0] == 10.0


class Kept:
    """A store in memory, which may have been cut off behind some batches."""

    def __init__(self, trials=()) -> None:
        self.trials = list(trials)
        self.batches = []

    def append(self, trials) -> None:
        self.batches.append(list(trials))


def told(spec: UnitSpec, kept: Kept):
    result = run_unit(spec, kept, lambda *_: None, lambda: False)
    return result.origin.tolist(), result.designs.values


@pytest.mark.parametrize("seeds", [True, False])
@pytest.mark.parametrize("refine", [True, False])
def test_a_unit_tells_them_first_and_goes_on_from_any_cut(tmp_path, seeds, refine, place) -> None:
    problem = read_study(write_small_study(tmp_path)).problem()
    fronts = earlier_designs(problem, read_earlier(place / "results" / "small", "here"))
    rack, mine = next(iter(fronts.items()))
    settings = SearchSettings(trials=12, population=8, quick=True)
    spec = UnitSpec("unit", problem, rack, 1, settings, seeds, refine, Path("unused"), earlier=mine)
    whole = Kept()
    origin, values = told(spec, whole)
    order = list(dict.fromkeys(origin))
    assert order == ["earlier", *["seed"] * seeds, *["refined"] * refine]
    assert origin.count("earlier") == min(len(mine), 4 if seeds else 8)
    assert origin.count("earlier") + origin.count("seed") <= 8
    for cut in range(1, len(whole.batches)):
        again = Kept(trial for batch in whole.batches[:cut] for trial in batch)
        found = told(spec, again)
        assert found[0] == origin
        np.testing.assert_array_equal(found[1], values)
        assert len(again.batches) == len(whole.batches) - cut


# --- what cannot be begun from -------------------------------------------------------------------


def spoilt(place, tmp_path, how: str):
    folder = tmp_path / "earlier"
    shutil.copytree(place / "results" / "small", folder)
    if how == "unfinished":
        record = json.loads((folder / "run.json").read_text("utf-8"))
        (folder / "run.json").write_text(json.dumps(record | {"finished": False}), "utf-8")
    elif how == "going on":
        (folder / "state.json").write_text('{"finished": false}', "utf-8")
    elif how in ("no front", "no number"):
        for path in (folder / "front.csv", *(folder / "fronts").glob("*.csv")):
            lines = path.read_text("utf-8").splitlines()
            head = next(n for n, line in enumerate(lines) if not line.startswith("#"))
            more = [] if how == "no front" else [lines[head + 1].replace(",", ",x", 3)]
            path.write_text("\n".join([*lines[: head + 1], *more]) + "\n", "utf-8")
    elif how == "no run":
        (folder / "run.json").unlink()
    else:
        shutil.rmtree(folder)


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("gone", "no such folder"),
        ("no run", "holds no run.json"),
        ("unfinished", "is not finished"),
        ("going on", "is not finished"),
        ("no front", "has no front"),
        ("no number", "cannot be read"),
    ],
)
def test_what_cannot_be_begun_from_is_one_line(place, tmp_path, how: str, said: str) -> None:
    spoilt(place, tmp_path, how)
    path = study_from(tmp_path / "study", "../earlier")
    for command in ("run", "check"):
        code, out, err = run_here(command, path, cwd=tmp_path)
        assert code == 2
        assert out == ""
        assert said in err
        assert err.count("\n") == 1
    assert not (tmp_path / "results").exists()
