"""What the terminal cannot take ends nothing: full devices, closed pipes, closed terminals."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from cut_off import OPTIONS, told, wait_for_designs
from small_study import nothing_drawn, signals_kept, start_warm, write_small_study
from warm import CONTEXT

from optimiser.base.terminal import unfailing
from optimiser.command.cli import main
from optimiser.jobs import processes as pool
from optimiser.jobs.stop_flag import StopFlag

FULL = Path("/dev/full")
TRIALS = 300
needs_full = pytest.mark.skipif(not FULL.exists(), reason="needs a device that is always full")


@contextlib.contextmanager
def closed_pipe():
    """A pipe whose reader has ended."""
    reads, writes = os.pipe()
    os.close(reads)
    stream = os.fdopen(writes, "w", encoding="utf-8")
    yield stream
    with contextlib.suppress(OSError):
        stream.close()


@contextlib.contextmanager
def full_device():
    """A device without room."""
    stream = FULL.open("w", encoding="utf-8")
    yield stream
    with contextlib.suppress(OSError):
        stream.close()


def check_finished(folder):
    state = json.loads((folder / "out/small/state.json").read_text("utf-8"))
    assert state["finished"] is True
    assert (folder / "out/small/hardpoints.csv").is_file()


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("place", [closed_pipe, pytest.param(full_device, marks=needs_full)])
def test_a_run_that_cannot_say_anything_ends_as_any_other(monkeypatch, tmp_path, place, workers):
    write_small_study(tmp_path / "in", trials=TRIALS)
    monkeypatch.setattr(pool, "_CONTEXT", CONTEXT)
    monkeypatch.chdir(tmp_path)
    words = ["run", "in/small.toml", "--out", "out", "--workers", str(workers)]
    monkeypatch.setattr("sys.argv", ["optimiser", *words])
    with nothing_drawn(), signals_kept(), place() as nowhere:
        monkeypatch.setattr(sys, "stdout", nowhere)
        monkeypatch.setattr(sys, "stderr", nowhere)
        with pytest.raises(SystemExit) as ended:
            main()
    monkeypatch.undo()
    assert ended.value.code == 0
    check_finished(tmp_path)


@needs_full
def test_a_refusal_that_cannot_be_said_keeps_its_exit_code(monkeypatch):
    monkeypatch.setattr("sys.argv", ["optimiser", "check", "none.toml"])
    with full_device() as nowhere:
        monkeypatch.setattr(sys, "stderr", nowhere)
        with pytest.raises(SystemExit) as ended:
            main()
    assert ended.value.code == 2


@needs_full
def test_what_waits_in_a_buffer_does_not_change_the_exit_code():
    program = (
        "from optimiser.base.terminal import unfailing\n"
        "with unfailing('stdout', 'stderr'):\n"
        "    print('never said')\n"
    )
    with FULL.open("w") as nowhere:
        ended = subprocess.run([sys.executable, "-c", program], stdout=nowhere, check=False)
    assert ended.returncode == 0


def test_without_standard_streams_there_is_no_terminal(monkeypatch):
    monkeypatch.setattr(sys, "stdout", None)
    with unfailing("stdout"):
        assert not sys.stdout.isatty()
        assert sys.stdout.write("word") == 4
        sys.stdout.flush()
    assert sys.stdout is None


def test_a_line_to_a_closed_standard_error_lands_in_no_file_of_the_run(tmp_path):
    program = (
        "import os\n"
        "from optimiser.base.terminal import take_standard_numbers\n"
        "os.close(2)\n"
        "take_standard_numbers()\n"
        "with open('journal', 'w') as stream:\n"
        "    os.write(2, b'stopping')\n"
        "    assert stream.fileno() > 2\n"
    )
    ended = subprocess.run([sys.executable, "-c", program], cwd=tmp_path, check=False)
    assert ended.returncode == 0
    assert (tmp_path / "journal").read_bytes() == b""


@pytest.mark.parametrize("name", ["stdin", "stdout", "stderr"])
def test_a_standard_stream_that_was_closed_is_there_and_takes_no_result(monkeypatch, name):
    monkeypatch.setattr("sys.argv", ["optimiser", "--version"])
    monkeypatch.setattr(sys, name, None)
    with pytest.raises(SystemExit) as ended:
        main()
    stream = getattr(sys, name)
    assert stream is not None
    stream.close()
    assert ended.value.code == 0


# --- workers -------------------------------------------------------------------------------------


def noisy_worker(pipe):
    """A worker whose unit says something, on a full device."""

    def attempt(*_):
        print("a word on the way", file=sys.stderr, flush=True)
        return "done all the same"

    pool.attempt = attempt
    sys.stderr = FULL.open("w", encoding="utf-8")
    pool._work(pipe)


@needs_full
def test_a_worker_that_cannot_say_anything_goes_on():
    ours, theirs = CONTEXT.Pipe()
    process = CONTEXT.Process(target=noisy_worker, args=(theirs,), daemon=True)
    process.start()
    theirs.close()
    ours.send((None, None))
    assert ours.poll(30)
    assert ours.recv() == ("done", "done all the same")
    ours.close()
    process.join(30)


# --- signals -------------------------------------------------------------------------------------


@pytest.fixture
def standard_error_full():
    """Descriptor 2 without room."""
    kept = os.dup(2)
    full = os.open(FULL, os.O_WRONLY)
    os.dup2(full, 2)
    os.close(full)
    yield
    os.dup2(kept, 2)
    os.close(kept)


@needs_full
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_is_heard_where_nothing_can_be_said(standard_error_full, name):
    with StopFlag() as stop:
        os.kill(os.getpid(), getattr(signal, name))
        assert stop()


@pytest.mark.parametrize("name", ["SIGINT", "SIGHUP"])
def test_a_signal_that_was_to_be_ignored_is(name):
    number = getattr(signal, name)
    before = signal.signal(number, signal.SIG_IGN)
    try:
        with StopFlag() as stop:
            os.kill(os.getpid(), number)
            assert not stop()
        assert signal.getsignal(number) is signal.SIG_IGN
    finally:
        signal.signal(number, before)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal")
@pytest.mark.parametrize("nohup", [True, False])
def test_a_terminal_that_closes_ends_a_run_as_sigterm_does_but_for_nohup(tmp_path, nohup):
    write_small_study(tmp_path / "in", trials=TRIALS)
    ours, theirs = os.openpty()
    with start_warm(
        "run",
        "in/small.toml",
        *OPTIONS,
        cwd=tmp_path,
        start_new_session=True,
        terminal=os.ttyname(theirs),
        ignored=("SIGHUP",) if nohup else (),
    ) as process:
        wait_for_designs(tmp_path, 40, process)
        os.close(theirs)
        os.close(ours)
        process.wait()
    assert process.returncode == (0 if nohup else 130)
    record = json.loads((tmp_path / "out/small/run.json").read_text("utf-8"))
    assert record["finished"] is nohup
    assert record["designs"] == len(told(tmp_path))
