"""Runs that are gone on with: with more of the same asked, or with their state lost."""

from __future__ import annotations

import json
import shutil

import pandas as pd
import pytest
from small_study import nothing_drawn, small_study, write_small_study

from optimiser.folder.read import read_results
from optimiser.jobs import processes as pool
from optimiser.jobs import unit as units
from optimiser.jobs.batch import RunOptions, run_batch
from optimiser.study.read import read_study

ONE = RunOptions(workers=1)


@pytest.fixture(autouse=True)
def undrawn():
    with nothing_drawn():
        yield


def run_here(study, out, options=ONE, stop=lambda: False):
    return run_batch([study], out, options, lambda *_: None, stop)


def one(study, out, **options):
    (outcome,) = run_here(study, out, RunOptions(workers=1, **options))
    return outcome


def state_of(folder):
    return json.loads((folder / "state.json").read_text("utf-8"))


def designs_of(folder):
    return (folder / "trials.csv").read_bytes(), (folder / "front.csv").read_bytes()


def rows_of(folder, rack):
    frame = pd.read_csv(folder / "trials.csv", comment="#")
    frame = frame[frame["rack"] == rack].drop(columns=["design", "on_front"])
    return frame.reset_index(drop=True)


@pytest.fixture
def counted(monkeypatch):
    """Designs that are asked of a search, by the label of its unit."""
    asked: dict[str, int] = {}
    real = pool.run_recorded

    def run_recorded(spec, *rest):
        result = real(spec, *rest)
        asked[spec.label] = len(result.designs) - result.kept
        return result

    monkeypatch.setattr(pool, "run_recorded", run_recorded)
    return asked


# --- more is asked -------------------------------------------------------------------------------


@pytest.mark.parametrize("stopped", [False, True], ids=["finished", "cut off"])
def test_more_trials_are_added_to_those_that_are_there(tmp_path, counted, stopped):
    study = small_study(tmp_path / "in", trials=40)
    told = []

    def stop():
        told.append(None)
        return stopped and len(told) > 3

    (first,) = run_here(study, tmp_path, stop=stop)
    assert first.finished is not stopped
    before = {rack: rows_of(first.folder, rack) for rack in ("Short", "Middle")}
    more = one(study, tmp_path, trials=70)
    assert more.finished
    assert more.folder == first.folder == tmp_path / "small"
    for rack, kept in before.items():
        rows = rows_of(more.folder, rack)
        assert len(rows) == 70
        pd.testing.assert_frame_equal(rows[: len(kept)], kept)
    assert counted == {f"small, {rack}": 70 - len(kept) for rack, kept in before.items()}
    if not stopped:
        assert more.notes == (
            f"{more.folder} was finished: went on from there, with 60 designs more.",
        )
    assert state_of(more.folder)["finished"] is True
    assert state_of(more.folder)["lengths"][""]["trials"] == 70
    assert len(read_results(more.folder).trials) == 140


def test_an_extension_that_is_cut_off_goes_on_with_the_same_designs(tmp_path, monkeypatch):
    monkeypatch.setattr(units, "UNMOVED", -1.0)
    study = small_study(tmp_path / "in", trials=40, racks=("Middle",), search="seeds = false")
    first = one(study, tmp_path / "whole")
    assert (first.result.origin == "refined").any()
    shutil.copytree(tmp_path / "whole", tmp_path / "cut")
    whole = one(study, tmp_path / "whole", trials=80)
    origin = whole.result.origin.tolist()
    assert origin.count("search") == 80
    assert origin[-1] == "refined"
    count = len(first.result.designs)
    lines = next((whole.folder / "record").iterdir()).read_bytes().splitlines(keepends=True)
    header = len(lines) - len(origin)
    for told in (count, count + 20, count + 27, len(origin) - 1, len(origin)):
        path = tmp_path / "cut/small/record/01-Middle.journal"
        path.write_bytes(b"".join(lines[: header + told]))
        rest = one(study, tmp_path / "cut", trials=80)
        assert rest.finished
        assert designs_of(rest.folder) == designs_of(whole.folder), told
        assert rest.result.units[0].stop_reason == whole.result.units[0].stop_reason


def test_a_search_that_ran_out_of_time_goes_on_with_more_of_it(tmp_path, monkeypatch):
    study = small_study(tmp_path / "in", trials=60, racks=("Middle",), search="seeds = false")
    monkeypatch.setattr(units, "_time_is_up", lambda spec, search, *_: search.count >= 20)
    first = one(study, tmp_path, seconds=100.0)
    assert first.result.units[0].stop_reason == units.TIME_UP
    assert first.finished
    ran_out = "The time allowed ran out before every search was over: the same command goes on."
    assert first.notes == one(study, tmp_path, seconds=100.0).notes == (ran_out,)
    monkeypatch.undo()
    more = one(study, tmp_path, seconds=100.0)
    assert more.folder == first.folder
    assert ran_out not in more.notes
    assert more.result.origin.tolist().count("search") == 60
    assert more.result.units[0].stop_reason.startswith("all 60 designs")


def test_a_later_end_of_each_search_goes_on_and_an_earlier_one_is_another_run(tmp_path):
    path = write_small_study(tmp_path / "in", trials=400, racks=("Middle",))
    text = path.read_text("utf-8")

    def with_window(window):
        path.write_text(text.replace("stop_window = 0", f"stop_window = {window}"), "utf-8")
        return read_study(path)

    first = one(with_window(20), tmp_path / "out")
    count = len(first.result.designs)
    assert count < 400
    more = one(with_window(0), tmp_path / "out")
    assert more.folder == first.folder
    assert len(more.result.designs) == 400
    less = one(with_window(20), tmp_path / "out")
    assert less.folder.name == "small-2"
    assert len(less.result.designs) == count


def test_racks_that_join_the_catalogue_are_searched_and_no_others(tmp_path, counted):
    path = write_small_study(tmp_path / "in", trials=40, racks=("Middle",))
    first = one(read_study(path), tmp_path / "out")
    before = rows_of(first.folder, "Middle")
    record = first.folder / "record" / "01-Middle.journal"
    told = record.read_bytes()
    write_small_study(tmp_path / "in2", trials=40, racks=("Short", "Middle"))
    path.write_text((tmp_path / "in2/small.toml").read_text("utf-8"), "utf-8")
    counted.clear()
    more = one(read_study(path), tmp_path / "out")
    assert more.folder == first.folder
    assert more.finished
    assert counted == {"small, Short": 40, "small, Middle": 0}
    pd.testing.assert_frame_equal(rows_of(more.folder, "Middle"), before)
    assert record.read_bytes() == told
    assert sorted(p.name for p in record.parent.iterdir()) == [
        "01-Middle.journal",
        "01-Short.journal",
    ]
    # All that is read back is of the study as it is now.
    assert sorted(p.name for p in (more.folder / "fronts").iterdir()) == [
        "01-Short.csv",
        "02-Middle.csv",
    ]
    stored = read_results(more.folder)
    assert [rack.name for rack in stored.problem.racks] == ["Short", "Middle"]
    alone = one(small_study(tmp_path / "in3", trials=40, racks=("Short",)), tmp_path / "alone")
    pd.testing.assert_frame_equal(rows_of(alone.folder, "Short"), rows_of(more.folder, "Short"))
    # One rack less is another question.
    write_small_study(tmp_path / "in4", trials=40, racks=("Short",))
    path.write_text((tmp_path / "in4/small.toml").read_text("utf-8"), "utf-8")
    assert one(read_study(path), tmp_path / "out").folder.name == "small-2"


def test_a_rack_that_changes_is_another_question(tmp_path):
    study = small_study(tmp_path / "in", trials=20)
    one(study, tmp_path / "out")
    catalogue = tmp_path / "in" / "racks.csv"
    catalogue.write_text(catalogue.read_text("utf-8").replace("600,146", "601,146"), "utf-8")
    changed = one(read_study(study.path), tmp_path / "out", trials=40)
    assert changed.folder.name == "small-2"
    assert changed.notes == (
        f"{tmp_path / 'out/small'} holds another run: this one is in {changed.folder}.",
    )


def test_two_studies_of_which_the_second_was_cut_off_go_on_in_their_folders(tmp_path):
    studies = [small_study(tmp_path / name, trials=40, name=name) for name in ("one", "two")]
    told = []

    def watch(label, *_):
        told.append(label)

    def stop():
        return any(label.startswith("two") for label in told)

    first = run_batch(studies, tmp_path / "out", ONE, watch, stop)
    assert [outcome.finished for outcome in first] == [True, False]
    rest = run_batch(studies, tmp_path / "out", ONE, watch, lambda: False)
    assert [outcome.finished for outcome in rest] == [True, True]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["one", "two"]


@pytest.mark.parametrize("name", ["w", "w" * 70])
def test_variants_that_are_added_are_searched_too(tmp_path, counted, name):
    grid = f'\n[[variant]]\nname = "{name}"\ngrid = {{{{ "car.wheelbase_mm" = [{{}}] }}}}\n'
    path = write_small_study(tmp_path / "in", trials=20, racks=("Middle",))
    text = path.read_text("utf-8")
    path.write_text(text + grid.format("2200, 2300"), "utf-8")
    run_here(read_study(path), tmp_path / "out")
    path.write_text(text + grid.format("2100, 2200, 2300"), "utf-8")
    counted.clear()
    more = run_here(read_study(path), tmp_path / "out")
    assert [outcome.finished for outcome in more] == [True] * 3
    assert sorted(counted.values()) == [0, 0, 20]
    assert len(pd.read_csv(tmp_path / "out/small/sweep.csv", comment="#")) == 3


# --- the state is lost ---------------------------------------------------------------------------


STATES = ("", "{", "[]", "null", "\0\0", '{"finished": true}', '{"question": 7}', "missing")


@pytest.mark.parametrize("content", STATES)
def test_a_folder_whose_state_is_lost_goes_on_from_its_record(tmp_path, counted, content):
    study = small_study(tmp_path / "in", trials=40)
    first = one(study, tmp_path)
    whole = designs_of(first.folder)
    path = first.folder / "state.json"
    if content == "missing":
        path.unlink()
    else:
        path.write_text(content, "utf-8")
    journal = first.folder / "record" / "02-Middle.journal"
    journal.write_bytes(b"".join(journal.read_bytes().splitlines(keepends=True)[:23]))
    counted.clear()
    again = one(study, tmp_path)
    assert again.finished
    assert again.folder == first.folder
    assert counted == {"small, Short": 0, "small, Middle": 20}
    assert designs_of(again.folder) == whole
    assert again.notes == (f"{again.folder} had lost its state.json: went on from its record.",)
    assert state_of(again.folder)["finished"] is True


def test_a_folder_whose_state_is_lost_and_that_holds_something_else_is_left_alone(tmp_path):
    study = small_study(tmp_path / "in", trials=20)
    first = one(study, tmp_path)
    (first.folder / "state.json").unlink()
    before = sorted(path.name for path in first.folder.iterdir())
    other = one(study, tmp_path, seed=5)
    assert other.folder.name == "small-2"
    assert sorted(path.name for path in first.folder.iterdir()) == before
    assert one(study, tmp_path).folder == first.folder


def test_a_journal_whose_first_line_is_damaged_does_not_make_a_folder_foreign(tmp_path, counted):
    study = small_study(tmp_path / "in", trials=20)
    first = one(study, tmp_path)
    whole = designs_of(first.folder)
    (first.folder / "state.json").unlink()
    path = first.folder / "record" / "01-Short.journal"
    path.write_bytes(b"x" + path.read_bytes()[1:])
    counted.clear()
    again = one(study, tmp_path)
    assert again.folder == first.folder
    assert counted == {"small, Short": 20, "small, Middle": 0}
    assert designs_of(again.folder) == whole
    assert "20 designs are searched again." in again.notes[-1]
