"""Batches in this process and in several: the same designs, each study on its own feet."""

from __future__ import annotations

import json
import re
import time
from dataclasses import replace
from types import SimpleNamespace

import optuna
import pandas as pd
import pytest
from optuna.storages import JournalStorage
from optuna.storages.journal import JournalFileBackend
from search_cases import small
from small_study import files_of, nothing_drawn, small_study
from warm import CONTEXT

from optimiser.base.errors import InputError, StorageError
from optimiser.evaluation.problem import Objectives
from optimiser.folder.claim import claim_folder, question_hash
from optimiser.jobs import batch
from optimiser.jobs import processes as pool
from optimiser.jobs import unit as units
from optimiser.jobs.batch import RunOptions, run_batch
from optimiser.jobs.unit import UnitFailure
from optimiser.metrics.tolerance import Tolerances

TABLES = ("trials.csv", "front.csv", "hardpoints.csv", "curves.csv", "run.json")
ONE = RunOptions(workers=1)


@pytest.fixture(autouse=True)
def undrawn():
    with nothing_drawn():
        yield


@pytest.fixture(autouse=True)
def warm(monkeypatch):
    """Processes for the units have their imports behind them, but for those of a night."""
    monkeypatch.setattr(pool, "_CONTEXT", CONTEXT)


@pytest.fixture
def started(monkeypatch):
    """The processes for the units, as they are started."""
    workers = []
    real = pool._start

    def start():
        workers.append(real())
        return workers[-1]

    monkeypatch.setattr(pool, "_start", start)
    return workers


def never():
    return False


def silent(*_):
    pass


def run_here(studies, out, options=ONE, watch=silent, stop=never):
    return run_batch(studies, out, options, watch, stop)


def designs_of(folder):
    """What must not depend on how a run came about."""
    record = json.loads((folder / "run.json").read_text("utf-8"))
    del record["date"]
    for unit in record["units"]:
        del unit["seconds"]
    return (folder / "trials.csv").read_bytes(), (folder / "front.csv").read_bytes(), record


class StopAfter:
    """Stops once so many generations were told."""

    def __init__(self, count):
        self.left = count

    def watch(self, *_):
        self.left -= 1

    def __call__(self):
        return self.left <= 0


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """An uninterrupted run, to compare with."""
    folder = tmp_path_factory.mktemp("whole")
    study = small_study(folder / "in")
    with nothing_drawn():
        (outcome,) = run_here([study], folder / "out")
    assert outcome.finished
    return study, outcome.folder


# --- the same designs ----------------------------------------------------------------------------


def test_two_processes_find_the_same_designs_as_one(whole, tmp_path):
    study, folder = whole
    seen = []
    (outcome,) = run_here([study], tmp_path, RunOptions(workers=2), lambda *got: seen.append(got))
    assert outcome.finished
    assert outcome.problems == ()
    assert designs_of(outcome.folder) == designs_of(folder)
    assert {label for label, *_ in seen} == {"small, Short", "small, Middle"}
    assert len(seen) == 6
    assert max(done for _, done, *_ in seen) == 60


@pytest.mark.parametrize("generations", [1, 2, 3, 4, 5])
def test_a_run_that_was_stopped_goes_on_and_ends_with_the_same_designs(
    whole, tmp_path, generations
):
    study, folder = whole
    stop = StopAfter(generations)
    (cut,) = run_here([study], tmp_path, watch=stop.watch, stop=stop)
    assert not cut.finished
    assert len(cut.result.designs) == 20 * generations
    record = json.loads((cut.folder / "run.json").read_text("utf-8"))
    assert record["finished"] is False
    assert units.STOPPED in {unit["stopped_because"] for unit in record["units"]}
    (rest,) = run_here([study], tmp_path)
    assert rest.finished
    assert rest.folder == cut.folder == tmp_path / "small"
    assert rest.notes == (f"{cut.folder} had been cut off: went on where it stopped.",)
    assert designs_of(rest.folder) == designs_of(folder)


def test_stopped_before_anything_was_told_there_is_nothing_to_write(whole, tmp_path):
    study, _ = whole
    (cut,) = run_here([study], tmp_path, stop=lambda: True)
    assert cut.result is None
    assert not cut.finished
    assert not (cut.folder / "run.json").exists()


def test_a_finished_run_that_is_asked_for_again_is_as_it_was(whole, tmp_path):
    study, folder = whole
    (first,) = run_here([study], tmp_path)
    before = files_of(first.folder)
    (second,) = run_here([study], tmp_path)
    assert second.finished
    assert second.folder == first.folder
    assert second.notes == (
        f"{first.folder} was finished, and nothing is left to search: give more --trials or time; "
        "[search] stop_window and give_up_after end a search early.",
    )
    after = files_of(first.folder)
    assert {name for name in before | after if before.get(name) != after.get(name)} <= {"run.json"}
    assert designs_of(second.folder) == designs_of(folder)


def test_fewer_trials_or_another_seed_are_another_question(whole, tmp_path):
    study, folder = whole
    stop = StopAfter(1)
    run_here([study], tmp_path, watch=stop.watch, stop=stop)
    (more,) = run_here([study], tmp_path, RunOptions(trials=40))
    assert more.folder.name == "small-2"
    assert len(more.result.designs) == 80
    (other,) = run_here([study], tmp_path, RunOptions(seed=7))
    assert other.folder.name == "small-3"
    assert other.result.units[0].seed == 7
    assert (other.folder / "trials.csv").read_bytes() != (folder / "trials.csv").read_bytes()


def test_a_change_of_the_inputs_is_another_question_and_hours_are_not(tmp_path):
    def asked(study):
        return question_hash(batch._question(study, ONE))

    plain = asked(small_study(tmp_path / "a"))
    assert plain == asked(small_study(tmp_path / "b"))
    assert plain != asked(small_study(tmp_path / "c", racks=("Short", "Long")))
    hours = small_study(tmp_path / "d")
    text = hours.path.read_text("utf-8").replace("[search]", "[search]\nhours = 2")
    hours.path.write_text(text, "utf-8")
    assert plain == asked(small_study_again(hours.path))
    catalogue = tmp_path / "b" / "racks.csv"
    catalogue.write_text(catalogue.read_text("utf-8").replace("600,146", "601,146"), "utf-8")
    assert plain != asked(small_study_again(tmp_path / "b" / "small.toml"))


def small_study_again(path):
    from optimiser.study.read import read_study

    return read_study(path)


def test_a_study_edited_while_it_runs_is_recorded_as_it_was(tmp_path):
    study = small_study(tmp_path / "in")
    text = study.path.read_bytes()

    def edit(*_):
        study.path.write_text("# changed in the night\n", "utf-8")

    (outcome,) = run_here([study], tmp_path / "out", watch=edit)
    assert (outcome.folder / "inputs" / "study.toml").read_bytes() == text


# --- the record ----------------------------------------------------------------------------------


def test_the_record_opens_with_optuna_on_the_documented_path(whole):
    _, folder = whole
    for name, rack in (("01-Short", "Short"), ("02-Middle", "Middle")):
        path = folder / "record" / f"{name}.journal"
        storage = JournalStorage(JournalFileBackend(str(path)))
        study = optuna.load_study(study_name=f"small, {rack}", storage=storage)
        assert len(study.trials) == 60
        assert optuna.load_study(study_name=None, storage=storage).trials == study.trials
    frame = pd.read_csv(folder / "trials.csv", comment="#")
    assert len(frame) == 120
    assert list(frame["rack"][60:]) == ["Middle"] * 60
    assert frame["bump_steer_deg"][60:].dropna().tolist() == pytest.approx(
        [trial.values[0] for trial in study.trials if trial.values], rel=1e-12
    )


def test_repeats_have_seeds_and_records_of_their_own(tmp_path):
    study = small_study(tmp_path / "in", trials=20, racks=("Short",))
    text = study.path.read_text("utf-8").replace("[search]", "[search]\nrepeats = 2")
    study.path.write_text(text, "utf-8")
    (outcome,) = run_here([small_study_again(study.path)], tmp_path / "out")
    one, other = outcome.result.units
    assert (one.seed, other.seed) == (1, 2)
    assert (one.designs.values != other.designs.values).any()
    names = sorted(path.name for path in (outcome.folder / "record").iterdir())
    assert names == ["01-Short-1.journal", "01-Short-2.journal"]


# --- trouble -------------------------------------------------------------------------------------


def test_one_study_named_twice_is_one_line(whole, tmp_path):
    study, _ = whole
    with pytest.raises(InputError, match="is named twice; name each study once"):
        run_here([study, study], tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_use_stops_the_batch_before_anything_is_begun(whole, tmp_path):
    study, _ = whole
    other = small_study(tmp_path / "in", name="other")
    out = tmp_path / "out"
    held = claim_folder(out, "small", question_hash(batch._question(study, ONE)))
    with pytest.raises(StorageError, match="another run of the same study"):
        run_here([other, study], out)
    held.release()
    assert not (out / "other" / "record").exists()
    (outcome,) = run_here([other], out)
    assert outcome.folder == out / "other"


@pytest.mark.parametrize("workers", [1, 2])
def test_a_unit_that_fails_costs_nothing_but_itself(whole, tmp_path, workers):
    study, folder = whole
    # A record that is not this unit's: the trials of the other rack.
    first = tmp_path / "small"
    run_here([study], tmp_path, stop=lambda: True)
    (first / "record").mkdir(exist_ok=True)
    record = first / "record" / "01-Short.journal"
    other = (folder / "record" / "02-Middle.journal").read_bytes()
    other = re.sub(rb',"crc32":"[0-9a-f]{8}"', b"", other)
    record.write_bytes(other.replace(b"small, Middle", b"other"))
    (outcome,) = run_here([study], tmp_path, RunOptions(workers=workers))
    (problem,) = outcome.problems
    assert "is not the record of small, Short" in problem
    assert [unit.rack for unit in outcome.result.units] == [1]


def test_storage_trouble_ends_the_batch_with_one_line(whole, tmp_path, monkeypatch):
    study, _ = whole

    def full(spec, watch, stop, seconds):
        return UnitFailure(spec.label, "disk: cannot be written", storage=True)

    monkeypatch.setattr(pool, "attempt", full)
    with pytest.raises(StorageError, match=r"^disk: cannot be written$"):
        run_here([study], tmp_path)
    monkeypatch.undo()
    (outcome,) = run_here([study], tmp_path)
    assert outcome.finished
    assert outcome.folder == tmp_path / "small"


def test_a_mistake_in_one_unit_leaves_the_others_and_is_tried_again(whole, tmp_path, monkeypatch):
    study, folder = whole
    real = pool.run_recorded

    def fails(spec, watch, stop, seconds):
        if spec.rack == 0:
            raise ZeroDivisionError("an error of the program")
        return real(spec, watch, stop, seconds)

    monkeypatch.setattr(pool, "run_recorded", fails)
    (outcome,) = run_here([study], tmp_path)
    assert outcome.problems == ("small, Short: ZeroDivisionError: an error of the program",)
    assert not outcome.finished
    assert [unit.rack for unit in outcome.result.units] == [1]
    record = json.loads((outcome.folder / "run.json").read_text("utf-8"))
    assert record["problems"] == list(outcome.problems)
    monkeypatch.undo()
    (mended,) = run_here([study], tmp_path)
    assert designs_of(mended.folder) == designs_of(folder)


def test_a_process_that_is_killed_is_replaced(whole, tmp_path, started):
    study, folder = whole

    def kill_once(*_):
        if len(started) == 2:
            started[0].process.kill()

    (outcome,) = run_here([study], tmp_path, RunOptions(workers=2), kill_once)
    assert len(started) == 3
    assert outcome.problems == ()
    assert designs_of(outcome.folder) == designs_of(folder)


def test_a_process_that_is_killed_again_and_again_is_one_line(whole, tmp_path, started):
    study, _ = whole

    def kill(label, *_):
        for worker in started:
            if label.endswith("Short") and worker.unit == 0:
                worker.process.kill()

    (outcome,) = run_here([study], tmp_path, RunOptions(workers=2), kill)
    (problem,) = outcome.problems
    assert problem.startswith("small, Short: its process died 2 times (exit code -9)")
    assert [unit.rack for unit in outcome.result.units] == [1]


# --- time ----------------------------------------------------------------------------------------


def test_a_run_out_of_time_is_written_in_time_and_finished(tmp_path):
    study = small_study(tmp_path / "in", trials=100_000)
    began = time.monotonic()
    (outcome,) = run_here([study], tmp_path / "out", RunOptions(seconds=1.5))
    taken = time.monotonic() - began
    assert outcome.finished
    reasons = {unit.stop_reason for unit in outcome.result.units}
    assert reasons == {"the time allowed ran out"}
    assert len(outcome.result.designs) > 40
    assert 1.0 < taken < 7.0


# --- the whole of a unit -------------------------------------------------------------------------


@pytest.mark.parametrize("again", [True, False], ids=["refined again", "front not moved"])
def test_seeds_search_refinement_and_a_cut_anywhere_changes_nothing(tmp_path, monkeypatch, again):
    monkeypatch.setattr(units, "UNMOVED", -1.0 if again else 1.0)
    study = small_study(tmp_path / "in", trials=60, racks=("Middle",), search="")
    (whole,) = run_here([study], tmp_path / "whole")
    origin = whole.result.origin.tolist()
    seeds, refined = origin.count("seed"), origin.count("refined")
    assert 0 < seeds <= 20
    assert refined > 0
    # What the seeds hold before the search, and after it where the search has moved the front.
    early = origin.index("search") - seeds
    assert early > 0
    assert (early < refined) is again
    assert origin == (
        ["seed"] * seeds
        + ["refined"] * early
        + ["search"] * (60 - seeds)
        + ["refined"] * (refined - early)
    )
    (unit,) = whole.result.units
    agree, followed = unit.starts
    assert 0 < agree <= followed >= 2
    assert unit.stop_reason == "all 60 designs that the study allows were tried"
    (record,) = (whole.folder / "record").iterdir()
    lines = record.read_bytes().splitlines(keepends=True)
    header = len(lines) - len(origin)
    cuts = (1, seeds + 3, seeds + early, seeds + early + 25, 61 + early, len(origin))
    cuts = cuts[::2] if again else cuts[3:4]
    for told in [cut for cut in cuts if cut <= len(origin)]:
        out = tmp_path / f"cut after {told}"
        # A run that is stopped at once, and the record of one that was cut off there.
        run_here([study], out, stop=lambda: True)
        torn = b"" if told == len(origin) else lines[header + told][:-7]
        path = out / "small" / "record" / record.name
        path.write_bytes(b"".join(lines[: header + told]) + torn)
        (rest,) = run_here([study], out)
        assert designs_of(rest.folder) == designs_of(whole.folder), told
        assert rest.result.units[0].starts == unit.starts
        assert path.read_bytes().count(b"\n") == len(lines)


def test_a_front_of_built_cars_is_not_refined_again_for_less_than_is_known():
    asked = small()
    built = replace(
        asked,
        tolerances=Tolerances(),
        objectives=Objectives("with tolerances", "with tolerances"),
    )
    for problem, gained, again in (
        (asked, 5e-4, True),
        (asked, 5e-6, False),
        (built, 5e-4, False),
        (built, 5e-3, True),
    ):
        search = SimpleNamespace(batches=("seed", "refined", "search"), gained=gained)
        assert units._worth_refining(problem, search) is again


@pytest.mark.parametrize("origin", ["seed", "refined", "search"])
def test_a_batch_that_was_cut_off_fails_nothing_when_there_is_no_time_left(tmp_path, origin):
    study = small_study(tmp_path / "in", trials=60, racks=("Middle",), search="")
    (whole,) = run_here([study], tmp_path / "whole")
    (record,) = (whole.folder / "record").iterdir()
    lines = record.read_bytes().splitlines(keepends=True)
    first = next(n for n, line in enumerate(lines) if f'"origin":"{origin}"'.encode() in line)
    out = tmp_path / "cut"
    run_here([study], out, stop=lambda: True)
    (out / "small/record" / record.name).write_bytes(b"".join(lines[: first + 3]))
    (rest,) = run_here([study], out, RunOptions(seconds=1e-6))
    assert rest.problems == ()
    assert rest.finished
    assert "3 designs are searched again." in rest.notes[1]
    same = [line.split(b'"datetime')[0] for line in lines[:first]]
    now = (out / "small/record" / record.name).read_bytes().splitlines(keepends=True)
    assert [line.split(b'"datetime')[0] for line in now[:first]] == same
    assert len(rest.result.designs) == len(now) - 3


def test_a_damaged_record_is_said_and_ends_with_the_same_designs(whole, tmp_path):
    study, folder = whole
    run_here([study], tmp_path, stop=lambda: True)
    record = tmp_path / "small" / "record"
    for path in (folder / "record").iterdir():
        (record / path.name).write_bytes(path.read_bytes())
    path = record / "01-Short.journal"
    lines = path.read_bytes().splitlines(keepends=True)
    # A digit of the first objective of the 24th design, which no reader can know to be wrong.
    place = lines[26].index(b'"values":[') + 12
    digit = bytes([lines[26][place] ^ 1])
    assert digit.isdigit()
    lines[26] = lines[26][:place] + digit + lines[26][place + 1 :]
    path.write_bytes(b"".join(lines))
    (rest,) = run_here([study], tmp_path)
    assert rest.finished
    assert rest.notes[1:] == (
        f"{path} is damaged (what stood there is in 01-Short.journal.damaged) from line 24 on: "
        "40 designs are searched again.",
    )
    assert designs_of(rest.folder) == designs_of(folder)


def test_a_unit_keeps_time_for_refining(tmp_path):
    study = small_study(tmp_path / "in", trials=100_000, racks=("Middle",), search="seeds = false")
    began = time.monotonic()
    (outcome,) = run_here([study], tmp_path / "out", RunOptions(seconds=3.0))
    taken = time.monotonic() - began
    (unit,) = outcome.result.units
    assert unit.stop_reason == units.TIME_UP
    assert (unit.origin == "refined").any()
    assert taken < 7.0
