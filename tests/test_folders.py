"""Which folder a run writes into: new, numbered, or the one that was cut off."""

from __future__ import annotations

import subprocess
import sys

import pytest

from optimiser.base.errors import InputError, StorageError
from optimiser.folder import claim as folders
from optimiser.folder.claim import LOCK_FILE, STATE_FILE, question_hash

ASKED = question_hash([b"study", b"seed 1"])
OTHER = question_hash([b"study", b"seed 2"])


@pytest.fixture
def claim_folder():
    """`claim.claim_folder`; what is not released by the test is released after it."""
    claims = []

    def claim(*arguments):
        claims.append(folders.claim_folder(*arguments))
        return claims[-1]

    yield claim
    for claimed in claims:
        claimed.release()


def finished(claim_folder, out, name, question=ASKED):
    claim = claim_folder(out, name, question)
    claim.finish()
    claim.release()
    return claim.path


def test_the_first_run_takes_the_plain_name(claim_folder, tmp_path):
    claim = claim_folder(tmp_path / "results", "demo", ASKED)
    assert claim.path == tmp_path / "results" / "demo"
    assert claim.before == ""
    claim.release()
    assert [path.name for path in claim.path.iterdir()] == [STATE_FILE]


def test_a_finished_folder_is_left_alone_and_the_next_is_numbered(claim_folder, tmp_path):
    first = finished(claim_folder, tmp_path, "demo")
    second = claim_folder(tmp_path, "demo", ASKED)
    assert second.path == tmp_path / "demo-2"
    assert second.passed_over == (first,)
    assert second.before == ""


def test_a_folder_that_was_cut_off_is_gone_on_with(claim_folder, tmp_path):
    claim_folder(tmp_path, "demo", ASKED).release()
    claim = claim_folder(tmp_path, "demo", ASKED)
    assert claim.path == tmp_path / "demo"
    assert claim.before == "cut off"


def test_another_question_gets_another_folder(claim_folder, tmp_path):
    claim_folder(tmp_path, "demo", ASKED).release()
    claim = claim_folder(tmp_path, "demo", OTHER)
    assert claim.path == tmp_path / "demo-2"
    claim.release()
    # Each goes on in its own.
    assert claim_folder(tmp_path, "demo", ASKED).path == tmp_path / "demo"
    assert claim_folder(tmp_path, "demo", OTHER).path == tmp_path / "demo-2"


def test_a_folder_of_the_users_own_is_never_touched(claim_folder, tmp_path):
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / "notes.txt").write_text("mine")
    (tmp_path / "demo-2").write_text("a file")
    (tmp_path / "demo-3").symlink_to(tmp_path / "elsewhere")
    claim = claim_folder(tmp_path, "demo", ASKED)
    assert claim.path == tmp_path / "demo-4"
    assert [path.name for path in (tmp_path / "demo").iterdir()] == ["notes.txt"]
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize("state", ["", "{", "[]", "null", "\0\0"])
def test_a_damaged_state_is_not_taken_for_ours(claim_folder, tmp_path, state):
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / STATE_FILE).write_text(state)
    assert claim_folder(tmp_path, "demo", ASKED).path == tmp_path / "demo-2"


def test_a_folder_cut_off_before_its_state_was_written_is_ours(claim_folder, tmp_path):
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / LOCK_FILE).write_text("")
    assert claim_folder(tmp_path, "demo", ASKED).path == tmp_path / "demo"


def test_the_second_run_of_the_same_study_refuses(claim_folder, tmp_path):
    claim = claim_folder(tmp_path, "demo", ASKED)
    with pytest.raises(StorageError, match="another run of the same study is working in it"):
        claim_folder(tmp_path, "demo", ASKED)
    other = claim_folder(tmp_path, "demo", OTHER)
    assert other.path == tmp_path / "demo-2"
    claim.release()
    assert claim_folder(tmp_path, "demo", ASKED).before == "cut off"


def test_the_lock_dies_with_its_process(claim_folder, tmp_path):
    code = (
        "import os, pathlib, signal, sys\n"
        "from optimiser.folder.claim import claim_folder\n"
        "claim_folder(pathlib.Path(sys.argv[1]), 'demo', sys.argv[2])\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    killed = subprocess.run([sys.executable, "-c", code, str(tmp_path), ASKED], check=False)
    assert killed.returncode == -9
    assert (tmp_path / "demo" / LOCK_FILE).exists()
    assert claim_folder(tmp_path, "demo", ASKED).before == "cut off"


def test_what_a_killed_process_was_writing_is_removed(claim_folder, tmp_path):
    claim = claim_folder(tmp_path, "demo", ASKED)
    (claim.path / "sub").mkdir()
    left = claim.path / "sub" / ".trials.csv.k2j_9x0a"
    kept = claim.path / "sub" / ".keep"
    for path in (left, kept):
        path.write_text("half a")
    claim.release()
    claim_folder(tmp_path, "demo", ASKED)
    assert not left.exists()
    assert kept.exists()


def test_names_cannot_leave_the_folder(claim_folder, tmp_path):
    for name in ("../up", "/etc/x", "a/b", "..", "<b>", "nul\0"):
        claim = claim_folder(tmp_path / "results", name, ASKED)
        assert claim.path.parent == tmp_path / "results"
        claim.release()


def test_too_many_runs_are_one_line(claim_folder, tmp_path, monkeypatch):
    monkeypatch.setattr("optimiser.folder.claim._MOST_RUNS", 3)
    finished(claim_folder, tmp_path, "demo")
    finished(claim_folder, tmp_path, "demo")
    with pytest.raises(InputError, match="holds ten thousand runs of demo; clear some"):
        claim_folder(tmp_path, "demo", ASKED)


def test_a_place_that_is_a_file_is_one_line(claim_folder, tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(StorageError, match=r"out/demo: cannot be written"):
        claim_folder(tmp_path / "out", "demo", ASKED)


def test_the_hash_tells_parts_apart():
    assert question_hash([b"ab", b"c"]) != question_hash([b"a", b"bc"])
