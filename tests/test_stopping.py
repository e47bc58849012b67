"""Signals at the end of a run: the mark in the folder and the exit code say the same."""

from __future__ import annotations

import json
import os
import signal

import pytest
from small_study import nothing_drawn, run_here, write_small_study

from optimiser.folder import claim as claims
from optimiser.folder import write as output

WORDS = ("--out", "out", "--workers", "1")


def told_to_stop(name, times):
    for _ in range(times):
        os.kill(os.getpid(), getattr(signal, name))


def finished(folder, name="small"):
    return json.loads((folder / "out" / name / "state.json").read_text("utf-8"))["finished"]


@pytest.fixture
def run_small(tmp_path):
    write_small_study(tmp_path / "in", trials=20)

    def run(*more):
        with nothing_drawn():
            return run_here("run", "in/small.toml", *more, *WORDS, cwd=tmp_path)

    return run


@pytest.fixture
def usual(tmp_path, run_small):
    """Exit code of a run that nobody disturbs; one with 20 designs may find no acceptable rack."""
    code, _, _ = run_small("--seed", "7")
    assert code in (0, 1)
    return code


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_a_signal_while_results_are_written_stops_nothing(
    monkeypatch, tmp_path, run_small, usual, name
):
    real = output.write_json

    def write_json(path, content):
        told_to_stop(name, 1)
        real(path, content)

    monkeypatch.setattr(output, "write_json", write_json)
    code, out, _ = run_small("--seed", "8")
    assert (code, finished(tmp_path, "small-2")) == (usual, True)
    assert "Cut short" not in out


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGHUP"])
def test_signals_at_the_mark_and_after_it_do_not_change_the_exit_code(
    monkeypatch, tmp_path, run_small, usual, name
):
    real = claims._write_state

    def write_state(folder, state):
        if state["finished"]:
            told_to_stop(name, 2)
        real(folder, state)
        if state["finished"]:
            told_to_stop(name, 2)

    monkeypatch.setattr(claims, "_write_state", write_state)
    code, _, _ = run_small("--seed", "8")
    assert (code, finished(tmp_path, "small-2")) == (usual, True)


def test_a_second_ctrl_c_while_results_are_written_ends_at_once(monkeypatch, tmp_path, run_small):
    monkeypatch.setattr(output, "write_json", lambda *_: told_to_stop("SIGINT", 2))
    code, out, _ = run_small()
    assert (code, out, finished(tmp_path)) == (130, "", False)
    monkeypatch.undo()
    _, out, _ = run_small()
    assert "out/small had been cut off: went on where it stopped." in out
    assert finished(tmp_path)


def test_the_mark_is_of_each_study_and_the_exit_code_of_all(monkeypatch, tmp_path, run_small):
    write_small_study(tmp_path / "more", trials=20, name="other")
    real = output.write_json
    written = []

    def write_json(path, content):
        real(path, content)
        written.append(path)
        told_to_stop("SIGTERM", 1)

    monkeypatch.setattr(output, "write_json", write_json)
    code, out, _ = run_small("more/other.toml")
    assert code == 130
    assert finished(tmp_path)
    assert not finished(tmp_path, "other")
    assert ": no design was tried; the same command begins it." in out
