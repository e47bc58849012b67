"""The record looked at through Optuna's own journal storage while a run writes it."""

from __future__ import annotations

import csv

import numpy as np
import optuna
import pytest
from optuna.storages import JournalStorage
from optuna.storages.journal import JournalFileBackend
from optuna.trial import TrialState
from small_study import files_of, nothing_drawn, small_study, start_warm, write_small_study

from optimiser.jobs.batch import RunOptions, run_batch

NAMES = ["bump_steer_deg", "ackermann_error_deg"]


def opened(path):
    return optuna.load_study(
        study_name="small, Middle", storage=JournalStorage(JournalFileBackend(str(path)))
    )


@pytest.fixture(autouse=True)
def silent():
    level = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    yield
    optuna.logging.set_verbosity(level)


def test_each_generation_is_there_as_it_is_told(tmp_path):
    study = small_study(tmp_path / "in", trials=80, racks=("Middle",))
    record = tmp_path / "small" / "record" / "01-Middle.journal"
    seen, kept = [], []

    def watch(*_):
        before = files_of(record.parent)
        if not kept:
            kept.append(opened(record))  # as somebody who has it open all night
        for looking in (kept[0], opened(record)):
            trials = looking.trials
            assert [trial.number for trial in trials] == list(range(len(trials)))
            assert looking.metric_names == NAMES
            whole = [trial for trial in trials if trial.state == TrialState.COMPLETE]
            assert whole
            assert all(trial.constraints and "spacer_mm" in trial.params for trial in whole)
            seen.append(len(trials))
        assert files_of(record.parent) == before

    with nothing_drawn():
        (outcome,) = run_batch([study], tmp_path, RunOptions(), watch, lambda: False)
    assert outcome.problems == ()
    assert seen == [20, 20, 40, 40, 60, 60, 80, 80]
    found = [trial.values for trial in kept[0].trials if trial.state == TrialState.COMPLETE]
    told = outcome.result.evaluation.objectives
    assert found == told[np.isfinite(told).all(axis=1)].tolist()


def test_another_process_reads_whole_trials_alone_at_any_moment(tmp_path):
    write_small_study(tmp_path / "in", trials=400, racks=("Middle",))
    record = tmp_path / "out" / "small" / "record" / "01-Middle.journal"
    counts = set()
    options = ("--out", "out", "--workers", "1")
    with start_warm("run", "in/small.toml", *options, cwd=tmp_path) as process:
        while process.poll() is None:
            if not record.exists() or record.stat().st_size < 10_000:
                continue
            trials = opened(record).trials
            assert [trial.number for trial in trials] == list(range(len(trials)))
            assert all(trial.state.is_finished() for trial in trials)
            counts.add(len(trials))
            if len(counts) >= 4:
                process.kill()
        process.communicate()
    assert len(counts) >= 4, counts
    assert files_of(record.parent).keys() == {record.name}
    # And it did not keep the run from going on.
    with nothing_drawn():
        study = small_study(tmp_path / "again", trials=400, racks=("Middle",))
        (outcome,) = run_batch(
            [study], tmp_path / "out", RunOptions(), lambda *_: None, lambda: False
        )
    assert outcome.finished
    with (outcome.folder / "trials.csv").open(encoding="utf-8") as lines:
        rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    assert len(rows) - 1 == len(opened(record).trials) >= max(counts)
