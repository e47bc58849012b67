"""A real scheduler and real workers, as processes of their own, on loopback."""

from __future__ import annotations

import json
import signal
import sys
import time

import pytest
from cut_off import told
from dask_shop import Shop, configured, made_certificate
from distributed import Client
from small_study import files_of, nothing_drawn, small_study, start_warm, write_small_study

from optimiser.jobs import cluster
from optimiser.jobs.batch import RunOptions, run_batch
from optimiser.jobs.cluster import ClusterError

TRIALS = 200
RACKS = ("Short", "Middle")


@pytest.fixture
def shop(tmp_path):
    folder = tmp_path / "shop"
    folder.mkdir()
    shop = Shop(folder)
    yield shop
    shop.close()


@pytest.fixture(scope="module")
def here(tmp_path_factory):
    """The result of a run without a cluster."""
    folder = tmp_path_factory.mktemp("here")
    with nothing_drawn():
        run_batch(
            [small_study(folder / "in", trials=TRIALS, racks=RACKS)],
            folder / "out",
            RunOptions(),
            lambda *_: None,
            lambda: False,
        )
    return folder / "out" / "small"


def begin_run(shop, tmp_path, *options):
    if not (tmp_path / "in").exists():
        write_small_study(tmp_path / "in", trials=TRIALS, racks=RACKS)
    arguments = ("run", "in/small.toml", "--out", "out", *options)
    return start_warm(*arguments, "--cluster", shop.address, cwd=tmp_path)


def another_version(tmp_path):
    """A path that makes a process believe that it has version 9.9 installed."""
    told = tmp_path / "old" / "tierod_optimiser-9.9.dist-info"
    told.mkdir(parents=True)
    (told / "METADATA").write_text("Metadata-Version: 2.1\nName: tierod-optimiser\nVersion: 9.9\n")
    return told.parent


def wait_until(true, process, seconds=180.0):
    ends = time.monotonic() + seconds
    while not true():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < ends
        time.sleep(0.01)


def check_same(tmp_path, here):
    out = tmp_path / "out" / "small"
    for name in ("trials.csv", "front.csv", "hardpoints.csv"):
        assert (out / name).read_bytes() == (here / name).read_bytes(), name
    assert len(told(tmp_path)) == 2 * TRIALS
    assert json.loads((out / "run.json").read_text("utf-8"))["finished"] is True


def test_one_worker_dies_another_comes_late_one_is_too_old(shop, here, tmp_path):
    first = shop.worker("first")
    shop.worker("old", path=[another_version(tmp_path)])
    with begin_run(shop, tmp_path) as run:
        wait_until(lambda: len(told(tmp_path)) >= 40, run)
        first.kill()
        late = shop.worker("late")
        out, err = run.communicate(timeout=240)
    # So few designs bring no acceptable rack, which is exit code 1 and no failure.
    assert run.returncode == 1, err
    assert "No rack is acceptable." in out
    assert late.poll() is None
    check_same(tmp_path, here)
    assert "died, another goes on with it" in out
    assert "worker old at tcp://127.0.0.1:" in out
    assert "is refused: it has tierod-optimiser 9.9, here is" in out
    assert "Traceback" not in out + err
    assert "distributed" not in err
    # Nothing of the study was written where the workers are.
    assert files_of(shop.folder) == {}


def test_the_scheduler_goes_away_and_the_run_goes_on_without_it(shop, here, tmp_path):
    shop.worker("first")
    with begin_run(shop, tmp_path) as run:
        wait_until(lambda: len(told(tmp_path)) >= 60, run)
        shop.scheduler.kill()
        out, err = run.communicate(timeout=180)
    assert run.returncode == 1
    lines = [line for line in err.splitlines() if "designs," not in line]
    assert len(lines) == 1, err
    assert lines[0].startswith(f"optimiser: --cluster {shop.address}: the scheduler went away (")
    assert out == ""
    assert 60 <= len(told(tmp_path)) < 2 * TRIALS
    with nothing_drawn():
        study = small_study(tmp_path / "again", trials=TRIALS, racks=RACKS)
        (outcome,) = run_batch(
            [study], tmp_path / "out", RunOptions(), lambda *_: None, lambda: False
        )
    assert "had been cut off" in outcome.notes[0]
    check_same(tmp_path, here)


def test_a_signal_stops_the_workers_too_and_the_rest_is_done_later(shop, here, tmp_path):
    shop.worker("first")
    with begin_run(shop, tmp_path) as run:
        wait_until(lambda: len(told(tmp_path)) >= 40, run)
        run.send_signal(signal.SIGTERM)
        out, err = run.communicate(timeout=180)
    assert run.returncode == 130, err
    assert "Cut short" in out
    count = len(told(tmp_path))
    assert 40 <= count < 2 * TRIALS
    assert count % 20 == 0
    record = json.loads((tmp_path / "out/small/run.json").read_text("utf-8"))
    assert record["designs"] == count
    with nothing_drawn():
        study = small_study(tmp_path / "again", trials=TRIALS, racks=RACKS)
        options = RunOptions(cluster=shop.address)
        run_batch([study], tmp_path / "out", options, lambda *_: None, lambda: False)
    check_same(tmp_path, here)


def test_tls_from_end_to_end(here, tmp_path):
    for name in ("shop", "ours", "theirs"):
        (tmp_path / name).mkdir()
    pair = made_certificate(tmp_path / "ours")
    shop = Shop(tmp_path / "shop", tls=pair)
    try:
        shop.worker("first")
        with configured(*pair):
            with Client(shop.address, set_as_default=False) as client:
                client.wait_for_workers(1, timeout=60)
                workers = client.scheduler_info(n_workers=-1)["workers"]
            assert [worker.split(":")[0] for worker in workers] == ["tls"]
            study = small_study(tmp_path / "in", trials=TRIALS, racks=RACKS)
            options = RunOptions(cluster=shop.address)
            with nothing_drawn():
                run_batch([study], tmp_path / "out", options, lambda *_: None, lambda: False)
            check_same(tmp_path, here)
        # Whoever has the certificate of somebody else is not let in.
        with configured(*made_certificate(tmp_path / "theirs")):
            run_refused(shop.address, tmp_path / "other")
    finally:
        shop.close()


def run_refused(address, tmp_path):
    study = small_study(tmp_path / "in", trials=20, racks=RACKS)
    options = RunOptions(cluster=address)
    with pytest.raises(ClusterError) as refused:
        run_batch([study], tmp_path / "out", options, lambda *_: None, lambda: False)
    return str(refused.value)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x:1", "tcp://"])
def test_no_scheduler_is_one_line(tmp_path, monkeypatch, address):
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 0.5)
    line = run_refused(address, tmp_path)
    assert line.startswith(f"--cluster {address}: no scheduler answers there (")
    assert line.isprintable()


def test_no_worker_and_none_that_can_be_used_are_one_line(shop, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "WORKERS_SECONDS", 0.5)
    line = run_refused(shop.address, tmp_path / "none")
    assert "no worker has come within 0 s; start one with `dask worker tcp://" in line
    shop.worker("only", path=[another_version(tmp_path)])
    shop.wait_for_workers(1)
    line = run_refused(shop.address, tmp_path / "other")
    assert "none of 1 workers can be used; worker only at tcp://127.0.0.1:" in line
    assert "it has tierod-optimiser 9.9, here is " in line


def test_without_dask_the_option_is_refused(tmp_path, monkeypatch):
    from optimiser.base.errors import InputError

    monkeypatch.delitem(sys.modules, "optimiser.jobs.cluster")
    monkeypatch.setitem(sys.modules, "distributed", None)
    study = small_study(tmp_path / "in", trials=20, racks=RACKS)
    with pytest.raises(InputError, match=r"--cluster: needs Dask, and distributed is not"):
        run_batch(
            [study], tmp_path, RunOptions(cluster="tcp://x:1"), lambda *_: None, lambda: False
        )
