"""The record on disk: readable by Optuna as it is, never ruined by a cut, a full disk or a lock."""

from __future__ import annotations

import errno
import json
import os
import random
import re
import subprocess
import sys
import time

import optuna
import pytest
from optuna.storages import JournalStorage
from optuna.storages.journal import JournalFileBackend
from small_study import small_study

from optimiser.base.errors import StorageError
from optimiser.search import record as search_storage
from optimiser.search.journal import read_identity
from optimiser.search.record import UnitRecord
from optimiser.search.unit_search import SearchSettings, UnitSearch

NAMES = ("bump_steer_deg", "ackermann_error_deg")
SETTINGS = SearchSettings(trials=60, population=20, stop_window=0)


@pytest.fixture(scope="module")
def problem(tmp_path_factory):
    return small_study(tmp_path_factory.mktemp("study")).problem()


def told_batches(problem, size=3):
    """Batches of trials of one unit."""
    batches = []
    search = UnitSearch(problem, 0, 1, SETTINGS, on_batch=batches.append)
    while len(batches) < size and (designs := search.ask()) is not None:
        search.tell(designs, problem.evaluate(designs))
    return batches


def joined(batches):
    return [trial for batch in batches for trial in batch]


def write_record(path, batches):
    with UnitRecord(path, "unit", NAMES) as record:
        for batch in batches:
            record.append(batch)
    return path


def same_trials(found, wanted):
    assert [t.params for t in found] == [t.params for t in wanted]
    assert [t.user_attrs for t in found] == [t.user_attrs for t in wanted]
    assert [t.constraints for t in found] == [t.constraints for t in wanted]
    assert [t.state for t in found] == [t.state for t in wanted]
    for one, other in zip(found, wanted, strict=True):
        if one.state == optuna.trial.TrialState.COMPLETE:
            assert one.values == other.values  # bit for bit: parents are chosen by them


def test_ordinary_optuna_reads_the_record(problem, tmp_path):
    batches = told_batches(problem)
    path = write_record(tmp_path / "a.journal", batches)
    study = optuna.load_study(
        study_name="unit", storage=JournalStorage(JournalFileBackend(str(path)))
    )
    same_trials(study.trials, joined(batches))
    assert study.metric_names == list(NAMES)
    assert len(study.best_trials) >= 1


def test_a_batch_is_on_disk_when_append_returns(problem, tmp_path):
    batches = told_batches(problem)
    path = tmp_path / "a.journal"
    with UnitRecord(path, "unit", NAMES) as record:
        for count, batch in enumerate(batches, 1):
            record.append(batch)
            lines = [json.loads(line) for line in path.read_bytes().splitlines()]
            assert sum("params" in line for line in lines) == 20 * count


def test_a_record_that_is_opened_again_holds_the_same_trials(problem, tmp_path):
    batches = told_batches(problem)
    path = write_record(tmp_path / "a.journal", batches)
    size = path.stat().st_size
    with UnitRecord(path, "unit", NAMES) as record:
        same_trials(record.trials, joined(batches))
    assert path.stat().st_size == size


@pytest.mark.parametrize("cut", [1, 2, 100, 700, 5000])
def test_a_torn_last_line_is_dropped_and_the_rest_goes_on(problem, tmp_path, cut):
    batches = told_batches(problem)
    path = write_record(tmp_path / "a.journal", batches)
    content = path.read_bytes()
    path.write_bytes(content[:-cut])
    with UnitRecord(path, "unit", NAMES) as record:
        kept = len(record.trials)
        whole = content[:-cut].rpartition(b"\n")[0].splitlines()
        assert kept == sum(b'"params"' in line for line in whole) // 20 * 20
        assert kept < 60
        # What is left of the last line may be too little to know a design by.
        torn = len(content[:-cut].splitlines()) - 2 - kept
        where = f"{path} was cut off from line {kept + 3} on"
        assert record.note in [
            f"{where}: {n} designs are searched again." for n in (torn, torn - 1)
        ]
        record.append(joined(batches)[kept:])
    assert [file.name for file in tmp_path.iterdir()] == ["a.journal"]
    study = optuna.load_study(
        study_name="unit", storage=JournalStorage(JournalFileBackend(str(path)))
    )
    same_trials(study.trials, joined(batches))


def test_zeros_after_a_power_failure_are_dropped(problem, tmp_path):
    batches = told_batches(problem)
    path = write_record(tmp_path / "a.journal", batches)
    size = path.stat().st_size
    with path.open("ab") as stream:
        stream.write(bytes(4096))
    with UnitRecord(path, "unit", NAMES) as record:
        assert len(record.trials) == 60
        assert record.note == ""
    assert path.stat().st_size == size
    assert [file.name for file in tmp_path.iterdir()] == ["a.journal"]


def test_whole_lines_after_a_bad_one_are_kept_beside(problem, tmp_path):
    path = write_record(tmp_path / "a.journal", told_batches(problem))
    lines = path.read_bytes().splitlines(keepends=True)
    lines[-10] = bytes(len(lines[-10]) - 1) + b"\n"
    path.write_bytes(b"".join(lines))
    with UnitRecord(path, "unit", NAMES) as record:
        assert len(record.trials) == 40
        # The line of zeros was a design, but nothing in it says so.
        assert record.note == (
            f"{path} is damaged (what stood there is in a.journal.damaged) from line 43 on: "
            "19 designs are searched again."
        )
    assert (tmp_path / "a.journal.damaged").read_bytes() == b"".join(lines[-20:])


def flipped(content, where, bit):
    changed = bytearray(content)
    changed[where] ^= 1 << bit
    return bytes(changed)


def test_one_flipped_bit_anywhere_costs_no_more_than_what_stands_behind_it(problem, tmp_path):
    batches = told_batches(problem)
    content = write_record(tmp_path / "whole.journal", batches).read_bytes()
    path = tmp_path / "a.journal"
    header = 2
    chance = random.Random(14)
    places = [chance.randrange(len(content)) for _ in range(30)]
    # And some of the header and of a line's end.
    end = content.index(b"\n", len(content) // 2)
    places += [*range(0, content.index(b'"params"'), 41), *range(end - 18, end + 2, 2)]
    for place in places:
        path.write_bytes(flipped(content, place, chance.randrange(8)))
        line = content[:place].count(b"\n")
        with UnitRecord(path, "unit", NAMES) as record:
            kept = len(record.trials)
            # The sum of a line of the header cannot be told from its absence but by the next line.
            assert kept in {max(0, line - header) // 20 * 20, 0 if line <= header else 60}, place
            same_trials(record.trials, joined(batches)[:kept])
            assert "designs are searched again." in record.note, place
            record.append(joined(batches)[kept:])
        with UnitRecord(path, "unit", NAMES) as record:
            same_trials(record.trials, joined(batches))
            assert record.note == ""


@pytest.mark.parametrize("change", ["one is missing", "one stands twice", "two change places"])
def test_lines_that_do_not_follow_one_another_are_found(problem, tmp_path, change):
    batches = told_batches(problem)
    path = write_record(tmp_path / "a.journal", batches)
    lines = path.read_bytes().splitlines(keepends=True)
    lines[-30:-28] = {
        "one is missing": lines[-30:-29],
        "one stands twice": [lines[-30], *lines[-30:-28]],
        "two change places": [lines[-29], lines[-30]],
    }[change]
    path.write_bytes(b"".join(lines))
    with UnitRecord(path, "unit", NAMES) as record:
        same_trials(record.trials, joined(batches)[:20])
        record.append(joined(batches)[20:])
    study = optuna.load_study(
        study_name="unit", storage=JournalStorage(JournalFileBackend(str(path)))
    )
    same_trials(study.trials, joined(batches))


def without_sums(content):
    return re.sub(rb',"crc32":"[0-9a-f]{8}"', b"", content)


def test_a_record_from_before_the_sums_is_read_and_gone_on_with(problem, tmp_path):
    batches = told_batches(problem)
    path = write_record(tmp_path / "a.journal", batches[:2])
    old = without_sums(path.read_bytes())
    assert len(old) < path.stat().st_size
    path.write_bytes(old)
    with UnitRecord(path, "unit", NAMES) as record:
        same_trials(record.trials, joined(batches[:2]))
        assert record.note == ""
        record.append(batches[2])
    assert path.read_bytes().startswith(old)
    with UnitRecord(path, "unit", NAMES) as record:
        same_trials(record.trials, joined(batches))
    path.write_bytes(flipped(path.read_bytes(), len(old) + 500, 0))
    with UnitRecord(path, "unit", NAMES) as record:
        same_trials(record.trials, joined(batches[:2]))


def test_a_note_that_someone_keeps_with_the_study_is_passed_over(problem, tmp_path):
    batches = told_batches(problem)
    path = write_record(tmp_path / "a.journal", batches[:1])
    study = optuna.load_study(
        study_name="unit", storage=JournalStorage(JournalFileBackend(str(path)))
    )
    study.set_user_attr("mine", "ask the seller for a photo")
    with UnitRecord(path, "unit", NAMES) as record:
        for batch in batches[1:]:
            record.append(batch)
    with UnitRecord(path, "unit", NAMES) as record:
        same_trials(record.trials, joined(batches))
        assert record.note == ""
    assert b"ask the seller" in path.read_bytes()


def test_a_cut_anywhere_in_the_header_starts_afresh(tmp_path):
    path = write_record(tmp_path / "a.journal", [])
    content = path.read_bytes()
    for length in range(len(content)):
        path.write_bytes(content[:length])
        with UnitRecord(path, "unit", NAMES) as record:
            assert record.trials == []
        study = optuna.load_study(
            study_name="unit", storage=JournalStorage(JournalFileBackend(str(path)))
        )
        assert len(study.directions) == 2


def test_a_stale_lock_of_optuna_does_not_stall(problem, tmp_path):
    batches = told_batches(problem)
    path = tmp_path / "a.journal"
    # What Optuna's own backend leaves behind when its process is killed.
    (tmp_path / "a.journal.lock").symlink_to(path)
    began = time.monotonic()
    write_record(path, batches)
    assert time.monotonic() - began < 5.0


def test_a_full_disk_leaves_the_record_as_it_was(problem, tmp_path, monkeypatch):
    batches = told_batches(problem)
    path = tmp_path / "a.journal"
    with UnitRecord(path, "unit", NAMES) as record:
        record.append(batches[0])
        before = path.read_bytes()

        class Full:
            """The open file, on a disk with room for 1,000 bytes more."""

            room = 1000

            def __init__(self, stream):
                self._stream = stream

            def write(self, content):
                if not self.room:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                taken, self.room = min(len(content), self.room), 0
                return self._stream.write(content[:taken])

            def __getattr__(self, name):
                return getattr(self._stream, name)

        whole = record._lines._stream
        record._lines._stream = Full(whole)
        with pytest.raises(StorageError, match=r"a\.journal: cannot be written \(No space left"):
            record.append(batches[1])
        assert path.read_bytes() == before
        # Space returns: nothing that was told is missing.
        record._lines._stream = whole
        record.append(batches[2])
    with UnitRecord(path, "unit", NAMES) as record:
        same_trials(record.trials, joined(batches))


def test_another_question_in_the_file_is_refused(problem, tmp_path):
    path = write_record(tmp_path / "a.journal", told_batches(problem))
    with pytest.raises(StorageError, match=r"is not the record of other unit"):
        UnitRecord(path, "other unit", NAMES)
    with pytest.raises(StorageError, match=r"is not the record of unit"):
        UnitRecord(path, "unit", ("price", "mass_kg"))
    with pytest.raises(StorageError, match=r"is not the record of unit"):
        UnitRecord(path, "unit", (*NAMES, "price"))


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match=r"cannot be written \(Not a directory|File exists"):
        UnitRecord(tmp_path / "file" / "a.journal", "unit", NAMES)


def test_two_processes_never_write_one_record(tmp_path, monkeypatch):
    path = tmp_path / "a.journal"
    other = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, pathlib\n"
            "from optimiser.search.record import UnitRecord\n"
            "held = UnitRecord(pathlib.Path(sys.argv[1]), 'unit', ['a', 'b'])\n"
            "print('open', flush=True)\n"
            "sys.stdin.read()",
            str(path),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with other:
        assert other.stdout.readline() == "open\n"
        monkeypatch.setattr(search_storage, "LOCK_SECONDS", 0.2)
        with pytest.raises(StorageError, match="another process is still writing it"):
            UnitRecord(path, "unit", ["a", "b"])
        other.kill()
    # The lock died with its process.
    UnitRecord(path, "unit", ["a", "b"]).close()


def test_a_record_says_what_its_unit_asks(tmp_path):
    path = tmp_path / "a.journal"
    UnitRecord(path, "unit", NAMES, "one question").close()
    assert read_identity(path) == ("unit", "one question")
    UnitRecord(path, "unit", NAMES, "one question").close()
    UnitRecord(path, "unit", NAMES).close()
    with pytest.raises(StorageError, match="is not the record of unit"):
        UnitRecord(path, "unit", NAMES, "another")
