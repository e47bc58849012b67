"""Clusters of workers that come, go and die, on one machine."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from functools import partial

import distributed
import pytest
from dask_shop import Shop
from distributed import LocalCluster
from small_study import ROOT, nothing_drawn, run_here, small_study, write_small_study

from optimiser.jobs import cluster
from optimiser.jobs.batch import RunOptions, run_batch
from optimiser.jobs.cluster import ClusterError
from optimiser.jobs.time_budget import Shares, TimeBudget
from optimiser.study.read import read_study

RACKS = ("Short", "Middle", "Long")
# Workers as threads of this process: what is looked at is how many there are.
THREADS = {"processes": False, "dashboard_address": "127.0.0.1:0"}


def quiet(*_):
    pass


def never():
    return False


def recipe():
    text = (ROOT / "results" / "README.md").read_text("utf-8")
    found = re.search(r"<!-- tried: tests/test_adaptive.py -->\n```python\n(.*?)```", text, re.S)
    return found[1]


def test_the_recipe_has_more_workers_come_while_searches_wait(tmp_path, monkeypatch):
    write_small_study(tmp_path / "in", trials=100_000, racks=RACKS)
    names = {"__name__": "__main__"}
    workers = []

    def watch(self, *_):
        workers.append(len(names["cluster"].scheduler.workers))
        if workers[-1] == len(RACKS):
            os.kill(os.getpid(), signal.SIGTERM)

    def call(command):
        assert command[:4] == [sys.executable, "-m", "optimiser", "run"]
        with pytest.MonkeyPatch.context() as patch, nothing_drawn():
            patch.setattr("optimiser.command.run_screen.TerminalWatch.generation", watch)
            return run_here(*command[3:], cwd=tmp_path)[0]

    monkeypatch.setattr(subprocess, "call", call)
    monkeypatch.setattr(distributed, "LocalCluster", partial(LocalCluster, **THREADS))
    monkeypatch.setattr(sys, "argv", ["night.py", "in/small.toml", "--hours", "0.01"])
    with pytest.raises(SystemExit) as ended:
        exec(recipe(), names)
    assert workers[0] == 1
    assert workers[-1] == len(RACKS)
    assert ended.value.code == 130
    record = json.loads((tmp_path / "results/small/run.json").read_text("utf-8"))
    assert record["designs"] > 0


def test_hours_are_shared_by_the_workers_that_there_are(tmp_path, monkeypatch):
    path = write_small_study(tmp_path / "in", trials=40, racks=RACKS)
    path.write_text(path.read_text("utf-8").replace("[search]", "[search]\nhours = 1.0"), "utf-8")
    shared, real = [], TimeBudget.share

    def share(budget, *arguments):
        shared.append(real(budget, *arguments))
        return shared[-1]

    monkeypatch.setattr(TimeBudget, "share", share)
    with LocalCluster(n_workers=3, threads_per_worker=1, **THREADS) as workers, nothing_drawn():
        options = RunOptions(cluster=workers.scheduler_address)
        run_batch([read_study(path)], tmp_path, options, quiet, never)
    # Side by side on any machine, and not one after the other where this one has one core.
    assert [one.seconds for one in shared] == [pytest.approx(3585.0, abs=5.0)] * 3


# --- workers that die ----------------------------------------------------------------------------


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "_LOOK_SECONDS", 0.1)
    folder = tmp_path / "shop"
    folder.mkdir()
    shop = Shop(folder)
    yield shop
    shop.close()


def run(shop, tmp_path, watch, stop=never, **changes):
    study = small_study(tmp_path / "in", racks=("Middle",), trials=changes.pop("trials", 200))
    options = RunOptions(cluster=shop.address, **changes)
    with nothing_drawn():
        (outcome,) = run_batch([study], tmp_path / "out", options, watch, stop)
    return outcome


def test_workers_that_a_queue_ends_one_after_the_other_cost_nothing(shop, tmp_path, monkeypatch):
    workers, ended, outlived = [shop.worker("0")], set(), []
    real = cluster._Run._look_at_workers

    def look(run):
        for task in run.tasks.values():
            if task.worker in ended or len(task.record.trials) == task.told:
                continue
            if len(ended) > cluster.ATTEMPTS:
                outlived.append(task.worker)
                continue
            ended.add(task.worker)
            workers.append(shop.worker(str(len(workers))))
            workers[-2].kill()
        real(run)

    monkeypatch.setattr(cluster._Run, "_look_at_workers", look)
    outcome = run(shop, tmp_path, quiet, lambda: bool(outlived), trials=100_000)
    assert outlived
    assert outcome.problems == ()
    died = [note for note in outcome.notes if "died, another goes on with it" in note]
    assert len(died) == cluster.ATTEMPTS + 1


def test_another_worker_is_waited_for_longer_than_the_first(shop, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "WORKERS_SECONDS", 0.1)
    workers = [shop.worker("first")]
    shop.wait_for_workers(1)
    real, looked = cluster._Run._look_at_workers, []

    def look(run):
        real(run)
        if not run.live:
            looked.append(run)
            if len(looked) == 5:
                workers.append(shop.worker("late"))

    def kill(*_):
        if not looked:
            workers[0].kill()
        elif len(workers) == 2:
            outlived.append(workers[1])

    outlived = []
    monkeypatch.setattr(cluster._Run, "_look_at_workers", look)
    run(shop, tmp_path, kill, lambda: bool(outlived), trials=100_000)
    assert outlived
    # But not for ever.
    monkeypatch.setattr(cluster, "BACK_SECONDS", 0.2)
    with pytest.raises(ClusterError, match="no worker has come within 0 s; start one"):
        run(shop, tmp_path / "again", lambda *_: workers[1].kill(), trials=100_000)


def test_what_there_is_is_written_when_the_time_ran_out_without_workers(
    shop, tmp_path, monkeypatch
):
    only = shop.worker("only")
    shop.wait_for_workers(1)

    def kill(*_):
        only.kill()
        monkeypatch.setattr(Shares, "left", lambda *_: 0.0)

    outcome = run(shop, tmp_path, kill, trials=100_000, seconds=1000.0)
    assert not outcome.finished
    assert len(outcome.result.designs) >= 20
