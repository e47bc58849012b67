"""A run's time: who gets how much of it, and what a sleep or a clock set anew does to it."""

from __future__ import annotations

import time

import pytest
from small_study import nothing_drawn, small_study

from optimiser.command import cli
from optimiser.jobs import batch, time_budget
from optimiser.jobs.batch import RunOptions, run_batch
from optimiser.jobs.time_budget import Allowed, Shares, TimeBudget
from optimiser.jobs.unit import TIME_UP
from optimiser.study.read import read_study


class Clocks:
    """The two clocks of a machine, which stand still until they are moved."""

    def __init__(self):
        self.worked, self.wall = 5000.0, 1_800_000_000.0

    def monotonic(self):
        return self.worked

    def time(self):
        return self.wall

    def work(self, seconds):
        self.worked += seconds
        self.wall += seconds

    def sleep(self, seconds):
        """The lid is closed: on some systems the monotonic clock stands still, too."""
        self.wall += seconds


@pytest.fixture
def clocks(monkeypatch):
    clocks = Clocks()
    monkeypatch.setattr(time_budget, "time", clocks)
    monkeypatch.setattr(batch, "time", clocks)
    return clocks


def test_time_is_shared_among_what_is_left(clocks):
    budget = TimeBudget(100.0)
    assert budget.writing == 15.0
    assert budget.share(10, 2) == Allowed(85.0 / 5)
    assert budget.share(3, 2) == Allowed(85.0 / 2)
    clocks.work(25.0)
    assert budget.share(1, 2) == Allowed(60.0)
    clocks.work(75.0)
    assert budget.share(5, 2) == Allowed(0.0)
    assert TimeBudget(1000.0, 3).writing == 45.0
    assert TimeBudget(None, 3).share(5, 2) is None


def test_time_begins_with_the_first_that_gets_some(clocks):
    budget = TimeBudget(100.0)
    clocks.work(50.0)
    assert budget.share(1, 1) == Allowed(85.0)
    clocks.work(50.0)
    assert budget.share(1, 1) == Allowed(35.0)


def test_each_study_has_its_own_hours(clocks):
    one, other = TimeBudget(100.0), TimeBudget(1000.0)
    shares = Shares([one, one, one, other, other])
    assert shares.share([0, 1, 2, 3, 4], 3) == Allowed(85.0)
    assert shares.share([1, 2, 3, 4], 1) == Allowed(85.0 / 2)
    assert shares.share([3, 4], 1) == Allowed(985.0 / 2)
    clocks.work(185.0)
    # What an earlier search left over goes to the next; one that was begun again counts again.
    assert shares.share([4], 1) == Allowed(800.0)
    assert shares.share([3, 4], 2) == Allowed(800.0)
    assert shares.share([2, 4], 8) == Allowed(0.0)


@pytest.mark.parametrize(
    ("by_clock", "what", "left"),
    [
        (True, lambda clocks: clocks.work(1000.0), 2000.0),
        (True, lambda clocks: clocks.sleep(1000.0), 2000.0),  # or the clock was slow, and is set
        (True, lambda clocks: clocks.sleep(9000.0), 0.0),
        # Set back: no later than there was time for when the run began.
        (True, lambda clocks: (clocks.sleep(-86400.0), clocks.work(1000.0)), 2000.0),
        (False, lambda clocks: clocks.sleep(9000.0), 3000.0),
        (False, lambda clocks: (clocks.sleep(-86400.0), clocks.work(1000.0)), 2000.0),
    ],
)
def test_what_a_sleep_and_a_clock_set_anew_leave(clocks, by_clock, what, left):
    budget = TimeBudget(3015.0, by_clock=by_clock).begin()
    what(clocks)
    assert budget.left == pytest.approx(left)
    assert budget.share(1, 1) == Allowed(budget.left, by_clock)


@pytest.mark.parametrize("until", [True, False])
def test_a_search_that_slept_past_the_time_of_day_ends_and_hours_go_on(tmp_path, clocks, until):
    study = small_study(tmp_path / "in", trials=200, racks=("Middle",))
    ends = {"until": clocks.time() + 3600.0} if until else {"seconds": 3600.0}
    told = []

    def watch(*got):
        told.append(got)
        if len(told) == 3:
            clocks.sleep(8 * 3600.0)

    with nothing_drawn():
        (outcome,) = run_batch([study], tmp_path, RunOptions(**ends), watch, lambda: False)
    (unit,) = outcome.result.units
    assert outcome.finished
    assert (unit.stop_reason == TIME_UP) is until
    assert len(unit.designs) == (60 if until else 200)


def test_a_rack_for_which_a_sleep_left_no_time_is_done_by_the_next_run(tmp_path, clocks):
    study = small_study(tmp_path / "in", trials=60)
    told = []

    def watch(*got):
        told.append(got)
        if len(told) == 2:
            clocks.sleep(3600.0)

    options = RunOptions(until=clocks.time() + 3000.0)
    with nothing_drawn():
        (cut,) = run_batch([study], tmp_path, options, watch, lambda: False)
        assert [unit.rack for unit in cut.result.units] == [0]
        assert not cut.finished
        (whole,) = run_batch([study], tmp_path, RunOptions(), watch, lambda: False)
    assert whole.folder == cut.folder
    assert [len(unit.designs) for unit in whole.result.units] == [60, 60]
    assert whole.finished


# --- the hours of a study ------------------------------------------------------------------------


def allowed(study, out, monkeypatch, workers, **options):
    """What the first unit of each round may take, and how many of them there are."""
    shared = []

    def run_units(specs, *, workers, watch, stop, shares, done):
        shared.append(shares.share(range(len(specs)), workers))

    monkeypatch.setattr(batch, "run_units", run_units)
    run_batch([study], out, RunOptions(workers=workers, **options), print, lambda: False)
    return shared[0]


def test_the_hours_of_a_study_are_its_own(tmp_path, clocks, monkeypatch):
    path = small_study(tmp_path / "in").path
    text = path.read_text("utf-8").replace("[search]", "[search]\nhours = 1.0")
    path.write_text(text, "utf-8")
    study = read_study(path)
    assert allowed(study, tmp_path / "1", monkeypatch, 1) == Allowed(3585.0 / 2)
    assert allowed(study, tmp_path / "2", monkeypatch, 2) == Allowed(3585.0)
    # Short searches are done by one process, which has the hours to itself, on any machine.
    monkeypatch.setattr(batch, "cores", lambda: 64)
    assert allowed(study, tmp_path / "3", monkeypatch, None) == Allowed(3585.0 / 2)
    # What the command says comes first.
    assert allowed(study, tmp_path / "4", monkeypatch, 1, seconds=60.0) == Allowed(51.0 / 2)
    ends = clocks.time() + 60.0
    assert allowed(study, tmp_path / "5", monkeypatch, 1, until=ends) == Allowed(51.0 / 2, True)
    # Three variants of two racks share the hours of the one study.
    grid = '[[variant]]\nname = "w"\ngrid = { "car.wheelbase_mm" = [2200, 2300, 2400] }\n'
    path.write_text(f"{text}\n{grid}", "utf-8")
    varied = read_study(path)
    assert len(varied.cases) == 3
    assert allowed(varied, tmp_path / "6", monkeypatch, 1) == Allowed(3555.0 / 6)
    assert allowed(varied, tmp_path / "7", monkeypatch, 2) == Allowed(3555.0 / 3)


# --- a time of day -------------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the time zone cannot be changed here")
@pytest.mark.parametrize(
    ("now", "until", "hours"),
    [
        ("2026-10-10 22:00", "06:30", 8.5),
        ("2026-10-10 06:00", "06:30", 0.5),
        ("2026-10-10 06:30", "06:30", 24.0),
        ("2026-10-24 22:00", "06:30", 9.5),  # summer time ends at 03:00
        ("2026-03-28 22:00", "06:30", 7.5),  # and began at 02:00
    ],
)
def test_a_time_of_day_is_that_of_the_clock_on_the_wall(monkeypatch, now, until, hours):
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    try:
        began = time.mktime(time.strptime(now, "%Y-%m-%d %H:%M"))

        class Now(cli.datetime.datetime):
            @classmethod
            def now(cls):
                return cls.fromtimestamp(began)

        monkeypatch.setattr(cli.datetime, "datetime", Now)
        seconds, ends = cli._time_allowed(None, until)
        assert seconds is None
        assert ends - began == hours * 3600.0
    finally:
        monkeypatch.undo()
        time.tzset()
