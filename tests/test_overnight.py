"""The program as a process that is cut off, stopped, starved of disk, started twice."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import time

import pytest
from cut_off import OPTIONS, check_nothing_half_written, told, wait_for_designs
from shared import made_once
from small_study import files_of, nothing_drawn, run_here, start_warm, write_small_study

from optimiser.command.cli import main

ALONE = ("--out", "out", "--workers", "1")
TRIALS = 300


def uninterrupted(folder):
    write_small_study(folder / "in", trials=TRIALS)
    with start_warm("run", "in/small.toml", *OPTIONS, cwd=folder) as process:
        out, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    assert "Written to out/small" in out
    return folder


@pytest.fixture(scope="module")
def whole():
    """Folder with a study in it and the result of an uninterrupted run of it."""
    return made_once("whole-night", uninterrupted)


def place(tmp_path, whole):
    """The same study in a folder of its own."""
    (tmp_path / "in").mkdir()
    for name, content in files_of(whole / "in").items():
        (tmp_path / "in" / name).write_bytes(content)
    return tmp_path


def go_on(folder):
    """The next run of the same study, in this process and without drawing."""
    with nothing_drawn():
        code, out, err = run_here("run", "in/small.toml", *ALONE, cwd=folder)
    assert code == 0, err
    assert "out/small had been cut off: went on where it stopped.\n" in out


def check_same(folder, whole):
    """The results of a run that was cut off are those of one that was not."""
    for name in ("trials.csv", "front.csv", "hardpoints.csv", "curves.csv"):
        ours, theirs = (f / "out/small" / name for f in (folder, whole))
        assert ours.read_bytes() == theirs.read_bytes(), name
    assert len(told(folder)) == 2 * TRIALS
    record = json.loads((folder / "out/small/run.json").read_text("utf-8"))
    assert record["finished"] is True


def test_killed_at_random_moments_nothing_told_is_lost(whole, tmp_path):
    folder = place(tmp_path, whole)
    moments = random.Random(6)
    safe = []
    for options, whole_group in ((OPTIONS, True), (ALONE, True), (OPTIONS, False)):
        with start_warm(
            "run", "in/small.toml", *options, cwd=folder, start_new_session=True
        ) as process:
            wait_for_designs(folder, len(safe) + moments.randrange(1, 120), process)
            time.sleep(moments.random() * 0.2)
            safe = told(folder)
            if whole_group:
                os.killpg(process.pid, signal.SIGKILL)
            else:
                # Its processes live on for a moment, and may still be writing.
                process.kill()
            process.communicate()
        assert set(safe) <= set(told(folder))
        check_nothing_half_written(folder)
    go_on(folder)
    check_same(folder, whole)
    assert set(safe) <= set(told(folder))
    assert sorted(path.name for path in (folder / "out").iterdir()) == ["small"]


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_a_signal_finishes_the_generation_and_writes(whole, tmp_path, name):
    folder = place(tmp_path, whole)
    options = ALONE if name == "SIGTERM" else OPTIONS
    with start_warm("run", "in/small.toml", *options, cwd=folder) as process:
        wait_for_designs(folder, 40, process)
        process.send_signal(getattr(signal, name))
        out, err = process.communicate(timeout=180)
    assert process.returncode == 130, err
    assert "optimiser: stopping after the designs at hand, then writing what there is" in err
    assert "Cut short: the same command goes on from here." in out
    assert "Traceback" not in err
    record = json.loads((folder / "out/small/run.json").read_text("utf-8"))
    assert record["finished"] is False
    assert 0 < record["designs"] < 2 * TRIALS
    assert record["designs"] == len(told(folder))
    assert all(unit["designs"] % 20 == 0 for unit in record["units"])
    if name == "SIGTERM":
        go_on(folder)
        check_same(folder, whole)


def test_the_second_run_on_one_folder_refuses(whole, tmp_path):
    folder = place(tmp_path, whole)
    with start_warm("run", "in/small.toml", *ALONE, cwd=folder) as first:
        wait_for_designs(folder, 20, first)
        code, out, err = run_here("run", "in/small.toml", *OPTIONS, cwd=folder)
        assert first.poll() is None
        first.kill()
        first.communicate()
    assert code == 2
    assert out == ""
    assert err.strip() == (
        "optimiser: out/small: another run of the same study is working in it; "
        "wait for it or stop it, or choose another folder with --out"
    )


@pytest.fixture
def small_disk(tmp_path):
    """A disk of its own, of 1 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)]
    try:
        done = subprocess.run(mount, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("no mount command: a small disk cannot be made")
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {done.stderr.strip()}")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_is_one_line_and_the_run_goes_on_when_space_returns(
    whole, tmp_path, small_disk
):
    folder = place(tmp_path, whole)
    (folder / "out").symlink_to(small_disk)
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(600_000))
    code, out, err = run_here("run", "in/small.toml", *OPTIONS, cwd=folder)
    assert code == 2
    assert out == ""
    lines = [line for line in err.splitlines() if line.startswith("optimiser:")]
    assert len(lines) == 1
    assert "cannot be written (No space left on device); everything recorded" in lines[0]
    assert "Traceback" not in err
    kept = told(folder)
    assert 20 <= len(kept) < 2 * TRIALS
    subprocess.run(["mount", "-o", "remount,size=20m", str(small_disk)], check=True)
    ballast.unlink()
    go_on(folder)
    check_same(folder, whole)
    assert set(kept) <= set(told(folder))


def test_nothing_is_written_outside_the_result_folder(whole):
    assert sorted(path.name for path in whole.iterdir()) == ["in", "out"]
    assert sorted(files_of(whole / "in")) == ["hardpoints.csv", "racks.csv", "small.toml"]
    assert sorted(path.name for path in (whole / "out").iterdir()) == ["small"]
    names = {path.name for path in (whole / "out/small").iterdir()}
    assert not [name for name in names if name.startswith(".")]
    assert {"record", "inputs", "state.json", "run.json", "trials.csv"} <= names


def test_every_study_is_read_before_the_first_is_begun(whole, tmp_path):
    folder = place(tmp_path, whole)
    text = (folder / "in/small.toml").read_text("utf-8")
    (folder / "in/ninth.toml").write_text(text.replace("wheelbase_mm", "wheelbase_mn"), "utf-8")
    code, out, err = run_here("run", "in/small.toml", "in/ninth.toml", *OPTIONS, cwd=folder)
    assert code == 2
    assert out == ""
    assert "ninth.toml" in err
    assert "wheelbase_mn" in err
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--hours", "0"), "--hours: 0 is not between 0 and 1000; give hours, such as 8 or 0.5"),
        (("--hours", "nan"), "--hours: nan is not between 0 and 1000"),
        (("--until", "6.30"), "--until: '6.30' is no time of day; write hours and minutes"),
        (("--until", "25:00"), "--until: '25:00' is no time of day"),
        (("--until", "06:30", "--hours", "8"), "--hours, --until: both are given; give one"),
    ],
)
def test_times_that_are_none_are_one_line(monkeypatch, capsys, arguments, message):
    monkeypatch.setattr("sys.argv", ["optimiser", "run", "none.toml", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert message in capsys.readouterr().err
