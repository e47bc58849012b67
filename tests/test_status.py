"""What is told of a run from outside: while it works, after a cut, when done, of any folder."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import time

import pytest
from small_study import ROOT, files_of, nothing_drawn, run_here, small_study

from optimiser.base.errors import StorageError
from optimiser.folder import claim, progress_file, status
from optimiser.folder.claim import LOCK_FILE, claim_folder
from optimiser.folder.progress_file import PROGRESS_FILE
from optimiser.folder.status import duration, status_of
from optimiser.jobs.batch import RunOptions, run_batch

NOW = 1_800_000_000.0
CUT = "cut off: no run is working in it; the same command goes on from there"


@pytest.fixture
def at_once(monkeypatch):
    monkeypatch.setattr(progress_file, "WRITE_EVERY_SECONDS", 0.0)


def run(studies, out, watch=lambda *_: None, stop=lambda: False, **options):
    with nothing_drawn():
        return run_batch(studies, out, RunOptions(**options), watch, stop)


@pytest.fixture(scope="module")
def cut(tmp_path_factory):
    """A run that was cut off in its second rack, as a kill leaves it."""
    folder = tmp_path_factory.mktemp("cut")
    told = []

    def watch(*got):
        told.append(got)
        if len(told) == 5:
            shutil.copytree(folder / "small", folder / "kept")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(progress_file, "WRITE_EVERY_SECONDS", 0.0)
        run([small_study(folder / "in")], folder, watch)
    return folder / "kept"


# --- a run ---------------------------------------------------------------------------------------


def test_a_run_tells_how_far_it_is_and_is_not_disturbed(tmp_path, at_once):
    seen = []

    def watch(*_):
        before = files_of(tmp_path / "small")
        seen.append(status_of(tmp_path / "small"))
        assert files_of(tmp_path / "small") == before

    (outcome,) = run([small_study(tmp_path / "in")], tmp_path, watch, seconds=3600.0)
    assert outcome.finished
    assert not any(found.finished for found in seen)
    for found in seen:
        assert found.lines[0] == f"{tmp_path / 'small'}: My car: which rack, and where?"
        assert found.lines[1] == "running"
        assert "the limit on searching ends in " in "\n".join(found.lines)
    # The watch is told before the file is written, so that it has the generation before.
    done = [found.lines[2] for found in seen]
    assert done == ["racks done: 0 of 2"] * 3 + ["racks done: 1 of 2"] * 3
    assert seen[0].lines[3] == "best so far: nothing within limits yet"
    assert seen[1].lines[3].startswith("best so far: small, Short, ")
    assert seen[1].lines[3].endswith(" times what is acceptable)")
    assert "  small, Short: 20 of 60 designs, best " in "\n".join(seen[1].lines)
    assert not (tmp_path / "small" / PROGRESS_FILE).exists()

    found = status_of(tmp_path / "small")
    assert found.finished
    assert found.lines[1] == "finished"
    assert found.lines[2].startswith("no rack is acceptable, nearest: ")
    assert "; 120 designs, " in found.lines[2]
    assert found.lines[3].startswith("last write: ")


def test_the_best_is_the_best_of_all_racks_and_of_the_right_hand(tmp_path):
    searches = [
        {"label": "a", "tried": 50, "best": "best 1", "ratio": 1.5},
        {"label": "b", "tried": 50, "best": "best 2", "ratio": 0.4},
        {"label": "c", "tried": 50, "best": "best 3", "ratio": 0.2, "wrong_hand": True},
        {"label": "d"},
    ]
    write_progress(tmp_path, searches)
    best = "best so far: b, 2 (at worst 0.4 times what is acceptable)"
    assert best in status_of(tmp_path).lines
    write_progress(tmp_path, searches[2:])
    best = "c, 3 (at worst 0.2 times what is acceptable; a rack of the wrong hand)"
    assert f"best so far: {best}" in status_of(tmp_path).lines


def test_all_searched_and_not_yet_written(tmp_path, at_once, monkeypatch):
    from optimiser.jobs import batch

    seen, real = [], batch.write_run

    def write_run(folder, *arguments, **options):
        seen.append(status_of(folder).lines)
        return real(folder, *arguments, **options)

    monkeypatch.setattr(batch, "write_run", write_run)
    run([small_study(tmp_path / "in")], tmp_path)
    (lines,) = seen
    assert lines[1:3] == (
        "running: all is searched, results are being written",
        "racks done: 2 of 2",
    )
    assert not [line for line in lines if line.startswith("time left")]


def test_a_cut_is_told_from_a_run_by_the_lock(cut, tmp_path):
    folder = shutil.copytree(cut, tmp_path / "small")
    assert (folder / LOCK_FILE).exists()
    found = status_of(folder)
    assert not found.finished
    assert found.lines[1:3] == (CUT, "racks done: 1 of 2")
    assert found.lines[3].startswith("best so far: small, ")
    assert len(found.lines) == 5
    with (folder / LOCK_FILE).open("ab") as lock:
        assert status.is_held(folder / LOCK_FILE) is False
        assert claim.wait_for_lock(lock, 0.0)
        assert status_of(folder).lines[1] == "running"
    assert status_of(folder).lines[1] == CUT


def test_a_run_that_was_stopped_has_not_done_the_racks_that_it_left(tmp_path):
    told = []
    run([small_study(tmp_path / "in")], tmp_path, lambda *_: told.append(0), lambda: len(told) == 2)
    lines = status_of(tmp_path / "small").lines
    assert lines[1:3] == (CUT, "racks done: 0 of 2")
    run([small_study(tmp_path / "again")], tmp_path)
    assert status_of(tmp_path / "small").finished


def test_who_looks_on_keeps_no_run_out(tmp_path):
    (tmp_path / "small").mkdir()
    with (tmp_path / "small" / LOCK_FILE).open("ab") as looking:
        assert claim.wait_for_lock(looking, 0.0)
        threading.Timer(0.1, looking.close).start()
        claim_folder(tmp_path, "small", "what is asked").release()


def test_progress_that_cannot_be_written_ends_nothing(tmp_path, at_once, monkeypatch):
    def full(*_, **__):
        raise StorageError("no space")

    monkeypatch.setattr(progress_file, "write_bytes", full)
    (outcome,) = run([small_study(tmp_path / "in")], tmp_path)
    assert outcome.finished


def test_studies_of_one_name_are_not_taken_for_each_other(tmp_path, at_once):
    seen = []

    def watch(*_):
        seen.append([status_of(tmp_path / name).lines[1:4] for name in ("small", "small-2")])

    studies = [small_study(tmp_path / "a"), small_study(tmp_path / "b", trials=40)]
    run(studies, tmp_path, watch)
    nothing = "best so far: nothing within limits yet"
    assert seen[0] == [("running", "racks done: 0 of 2", nothing)] * 2
    first, second = seen[-1]
    assert first[0] == "finished"
    assert second == ("running", "racks done: 1 of 2", nothing)


def test_searches_are_counted_where_a_rack_has_several(tmp_path, at_once):
    grid = '\n[[variant]]\nname = "w"\ngrid = { "car.wheelbase_mm" = [2200, 2300] }\n'
    study = small_study(tmp_path / "in", trials=20, extra=grid)
    seen = []
    run([study], tmp_path, lambda *_: seen.append(status_of(tmp_path / "small").lines[2]))
    assert seen == [f"searches done: {done} of 4" for done in range(4)]
    found = status_of(tmp_path / "small")
    assert found.finished
    assert found.lines[0] == f"{tmp_path / 'small'}: {study.title}"
    assert [line.partition(":")[0] for line in found.lines[2:4]] == [
        "w wheelbase_mm 2200",
        "w wheelbase_mm 2300",
    ]


# --- time left -----------------------------------------------------------------------------------


def write_progress(folder, searches, **changes):
    told = {"title": "T", "what": "racks", "began": NOW - 600.0, "written": NOW}
    told |= {"seconds_left": None, "searches": searches} | changes
    (folder / PROGRESS_FILE).write_text(json.dumps(told), "utf-8")


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        # 200 new designs in 600 s; 800 and 1,000 of the one that waits are left.
        ({}, "about 1 h 30 min at the pace so far, less where a search ends early; then writing"),
        (
            {"written": NOW - 1800.0, "began": NOW - 2400.0},
            "about 1 h 00 min at the pace so far, less where a search ends early; then writing",
        ),
        (
            {"seconds_left": 7200.0, "written": NOW - 300.0, "began": NOW - 900.0},
            "about 1 h 25 min at the pace so far, less where a search ends early; then writing; "
            "the limit on searching ends in 1 h 55 min",
        ),
    ],
)
def test_time_left_is_told_by_pace_and_by_limit(tmp_path, monkeypatch, changes, line):
    monkeypatch.setattr(status.time, "time", lambda: NOW)
    monkeypatch.setattr(status, "is_held", lambda _: True)
    searches = [
        {"label": "a", "tried": 700, "allowed": 1000, "new": 0, "ended": True, "done": True},
        {"label": "b", "tried": 200, "allowed": 1000, "new": 200, "best": "best 1", "ratio": 1.0},
        {"label": "c"},
    ]
    write_progress(tmp_path, searches, **changes)
    assert f"time left: {line}" in status_of(tmp_path).lines
    write_progress(tmp_path, searches[2:])
    assert "time left: not known yet" in status_of(tmp_path).lines


def test_ten_that_are_searched_are_shown_and_the_rest_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(status, "is_held", lambda _: True)
    at_work = {"tried": 50, "allowed": 100, "best": "nothing within limits yet"}
    write_progress(tmp_path, [{"label": f"r{n}", **at_work} for n in range(64)])
    lines = [line for line in status_of(tmp_path).lines if line.startswith("  ")]
    assert lines[0] == "  r0: 50 of 100 designs, nothing within limits yet"
    assert lines[10:] == ["  and 54 more"]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.4, "0 s"), (59.4, "59 s"), (60.0, "1 min"), (3540.0, "59 min"),
        (3661.0, "1 h 01 min"), (86400.0, "24 h 00 min"), (200_000.0, "2 days 7 h"),
    ],
)  # fmt: skip
def test_a_time_is_told_in_the_units_that_matter(seconds, words):
    assert duration(seconds) == words


# --- any folder ----------------------------------------------------------------------------------

BAD = [
    b"", b"\0" * 500, b"{", b"[]", b"null", b'"text"', b"[" * 100_000, b"\xff\xfe", b"{}",
    b'{"question": 1, "finished": "yes"}',
    b'{"title": 1, "what": 2, "began": "x", "written": 0, "seconds_left": 0, "searches": []}',
    b'{"title": "", "what": "", "began": 0, "written": 0, "seconds_left": null, "searches": 5}',
    b'{"title": "", "what": "", "began": 0, "written": 0, "seconds_left": 1, "searches": [{}]}',
    b'{"title": "", "what": "", "began": 0, "written": 0, "seconds_left": 1, "searches": []}',
    b'{"title": "", "what": "", "began": 0, "written": 0, "seconds_left": 1, "searches": '
    b'[{"label": "a", "ratio": "x"}]}',
    b'{"title": "", "what": "", "began": 0, "written": 0, "seconds_left": 1, "searches": '
    b'[{"label": "a", "done": null}]}',
    b'{"title": "", "what": "", "began": 0, "written": 0, "seconds_left": Infinity, "searches": '
    b'[{"label": "a"}]}',
    b'{"winner": 5, "designs": null, "variant": [1]}',
]  # fmt: skip


@pytest.mark.parametrize("name", ["state.json", PROGRESS_FILE, "run.json", LOCK_FILE])
def test_a_damaged_file_is_no_traceback(cut, tmp_path, name):
    folder = shutil.copytree(cut, tmp_path / "small")
    state = (folder / "state.json").read_bytes()
    for content in BAD:
        (folder / "state.json").write_bytes(state)
        (folder / name).write_bytes(content)
        found = status_of(folder)
        assert not found.finished, content
        assert found.lines[1] == CUT, content
        if name == PROGRESS_FILE and b'"searches": []' not in content:
            assert "progress.json is missing or damaged" in found.lines[2], content
        (folder / "state.json").unlink()
        assert not status_of(folder).finished, content


def test_a_result_that_was_copied_without_its_state_is_what_its_run_says():
    found = status_of(ROOT / "results/example/demo")
    assert found.finished
    assert found.lines[2].startswith("chosen: Finch, design ")


def test_what_is_no_run_is_one_line(tmp_path, cut):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x")
    shutil.copytree(cut, tmp_path / "results" / "small")
    for name, problem in (
        ("none", "cannot be read (No such file or directory)"),
        ("file", "cannot be read (Not a directory)"),
        ("empty", "holds nothing of a run"),
        ("results", "holds nothing of a run"),
        ("e" * 300, "cannot be read (File name too long)"),
    ):
        code, out, err = run_here("status", name, cwd=tmp_path)
        assert (code, out) == (2, "")
        line = f"optimiser: {name}: {problem}; give the folder of a result, such as results/demo\n"
        assert err == line


def test_exit_codes_tell_a_script_whether_to_wait(cut):
    assert run_here("status", cut, cwd=ROOT)[0] == 1
    code, out, err = run_here("status", "results/example/demo", cwd=ROOT)
    assert (code, err) == (0, "")
    assert out.splitlines()[1] == "finished"


def test_it_is_cheap():
    words = (
        "import sys; from optimiser.command.cli import main\n"
        "sys.argv = ['optimiser', 'status', 'results/example/demo']\n"
        "try: main()\n"
        "except SystemExit: print(sorted({'numpy', 'pandas', 'optuna'} & set(sys.modules)))"
    )
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", words], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"
    assert time.monotonic() - began < 10.0
