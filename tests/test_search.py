"""Search of one unit: what is asked, told, kept, stopped and gone on with."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import optuna
import pytest
from optuna.samplers import NSGAIISampler
from optuna.trial import TrialState
from search_cases import inside_space, random_designs, small, with_space

from optimiser.base.front import feasible_front, hypervolume
from optimiser.evaluation.designs import Designs, Evaluation, FollowsRack, Range, Stock
from optimiser.search import sampler as search_sampler
from optimiser.search.progress import GRID_CELLS, merge_fronts
from optimiser.search.sampler import GenerationSampler, read_designs
from optimiser.search.seeds import choose_seeds, seed_designs
from optimiser.search.unit_search import SearchSettings, UnitSearch

SETTINGS = SearchSettings(trials=60, population=12, stop_window=0)


def searched(asked, settings=SETTINGS, *, seed=3, seeds=True, trials=(), until=None, **more):
    """A unit searched to its end, or until it has told so many batches."""
    unit = UnitSearch(asked, 0, seed, settings, trials=trials, **more)
    if seeds and not unit.batches:
        candidates = seed_designs(asked, 0, 200, seed)
        chosen = candidates.select(choose_seeds(asked.evaluate(candidates), settings.population))
        unit.add(chosen, asked.evaluate(chosen), "seed")
    while (until is None or len(unit.batches) < until) and (designs := unit.ask()) is not None:
        unit.tell(designs, asked.evaluate(designs))
    return unit


def same(one: UnitSearch, other: UnitSearch) -> bool:
    a, b = one.records(), other.records()
    return (
        np.array_equal(a.designs.values, b.designs.values)
        and np.array_equal(a.evaluation.objectives, b.evaluation.objectives, equal_nan=True)
        and np.array_equal(a.origin, b.origin)
    )


# --- what is told --------------------------------------------------------------------------------


def test_every_told_design_is_a_trial_with_all_that_rebuilds_it():
    asked = with_space(small(), spacer_mm=Stock((0.0, 10.0, 30.0)))
    asked = with_space(asked, arm_height_mm=FollowsRack(-6.0), arm_angle_deg=Stock((4.0,)))
    unit = searched(asked)
    records, trials = unit.records(), unit.study.get_trials(deepcopy=False)
    assert [trial.number for trial in trials] == list(range(60))
    rebuilt = read_designs(asked, trials)
    assert np.array_equal(rebuilt.values, records.designs.values)
    assert np.array_equal(rebuilt.rack, records.designs.rack)
    assert inside_space(asked, rebuilt)
    assert unit.study.metric_names == ["bump_steer_deg", "ackermann_error_deg"]
    assert {trial.params["rack"] for trial in trials} == {"Plain"}
    assert [trial.user_attrs["status"] for trial in trials] == records.evaluation.status.tolist()
    assert [trial.user_attrs["origin"] for trial in trials] == records.origin.tolist()
    assert set(records.origin) == {"seed", "search"}
    for trial, row, limits in zip(
        trials, records.evaluation.objectives, records.evaluation.constraints, strict=True
    ):
        if np.isfinite(row).all():
            assert trial.state == TrialState.COMPLETE
            assert trial.values == row.tolist()
            assert list(trial.constraints.values()) == limits.tolist()
            assert list(trial.constraints) == list(asked.constraint_names)
        else:
            assert trial.state == TrialState.FAIL
            assert trial.user_attrs["status"].startswith("cannot assemble: ")


def test_a_design_that_cannot_assemble_fails_with_its_reason_and_sets_no_nan():
    asked = small(travel_mm=400.0)  # so far that tie rod and arm line up
    unit = UnitSearch(asked, 0, 1, SETTINGS)
    designs = random_designs(asked, 40)
    found = asked.evaluate(designs)
    trials = unit.add(designs, found, "seed")
    failed = [trial for trial in trials if trial.state == TrialState.FAIL]
    assert len(failed) == (~found.assembles).sum() > 5
    assert all("line up" in trial.user_attrs["status"] for trial in failed)
    assert all(trial.values is None for trial in failed)
    assert not any(np.isnan(list(trial.constraints.values())).any() for trial in trials)


def test_values_outside_the_study_are_refused():
    asked = small()
    designs = random_designs(asked, 1)
    designs.values[0, 0] += 500.0
    with pytest.raises(ValueError, match="rack_height_mm"):
        UnitSearch(asked, 0, 1, SETTINGS).add(designs, asked.evaluate(designs), "refined")


def test_the_study_can_be_mirrored_trial_by_trial():
    heard = []
    unit = searched(small(), on_batch=heard.append)
    assert [len(batch) for batch in heard] == [12] * 5
    with warnings.catch_warnings(record=True):
        mirror = optuna.create_study(directions=["minimize"] * 2)
    for batch in heard:
        mirror.add_trials(batch)
    ours = unit.study.get_trials(deepcopy=False)
    theirs = mirror.get_trials(deepcopy=False)
    assert [(t.params, t.values, t.constraints) for t in ours] == [
        (t.params, t.values, t.constraints) for t in theirs
    ]
    assert [t.number for t in mirror.best_trials] == [t.number for t in unit.study.best_trials]


def test_nothing_told_gives_empty_records():
    records = UnitSearch(small(), 0, 1, SETTINGS).records()
    assert len(records.designs) == len(records.origin) == 0
    assert records.evaluation.objectives.shape == (0, 2)


def test_history_is_the_hypervolume_of_all_that_was_told():
    unit = searched(small())
    records, (count, volume) = unit.records(), unit.history[-1]
    values = records.evaluation.objectives[records.evaluation.feasible]
    assert count == 60
    assert volume == pytest.approx(hypervolume(values, unit.progress.reference), rel=1e-12)
    volumes = [volume for _, volume in unit.history]
    assert volumes == sorted(volumes)
    assert volumes[-1] > volumes[0]


@pytest.mark.parametrize("extra", [("part_lock_bump_steer_deg",), ("price", "mass_kg")])
def test_the_front_is_that_of_all_that_was_told(extra):
    asked = small()
    asked = replace(asked, objectives=replace(asked.objectives, extra=extra))
    unit = searched(asked, replace(SETTINGS, trials=150))
    found = unit.records().evaluation
    assert np.array_equal(
        unit.front, found.objectives[feasible_front(found.objectives, found.feasible)]
    )
    # The boxes lie inside of what the front dominates, all of them up to one box along each axis.
    exact = hypervolume(unit.front, unit.progress.reference)
    cells = GRID_CELLS[unit.front.shape[1]]
    moved = unit.front + unit.progress.reference / cells
    assert hypervolume(moved, unit.progress.reference) <= unit.history[-1][1] <= exact


@pytest.mark.parametrize("objectives", [1, 2, 3, 4])
def test_merging_equals_the_front_of_all_rows(objectives):
    rng = np.random.default_rng(objectives)
    front = np.empty((0, objectives))
    rows = np.round(rng.random((300, objectives)), 1)  # rounded, so that some are equal
    for start in range(0, 300, 60):
        front = merge_fronts(front, rows[start : start + 60])
        told = rows[: start + 60]
        assert np.array_equal(front, told[feasible_front(told, np.ones(len(told), dtype=bool))])


# --- determinism and going on --------------------------------------------------------------------


@pytest.mark.parametrize("sampler", ["nsga2", "tpe", "random"])
def test_same_seed_same_designs_and_another_seed_others(sampler):
    asked, settings = small(), replace(SETTINGS, sampler=sampler, trials=40)
    first = searched(asked, settings)
    assert same(first, searched(asked, settings))
    assert not same(first, searched(asked, settings, seed=4))


def test_a_rack_keeps_its_random_numbers_when_others_join_the_list():
    asked = small()
    longer = replace(asked, racks=(replace(asked.racks[0], name="Other"), asked.racks[0]))
    alone = UnitSearch(asked, 0, 5, SETTINGS).ask()
    joined = UnitSearch(longer, 1, 5, SETTINGS).ask()
    other = UnitSearch(longer, 0, 5, SETTINGS).ask()
    assert np.array_equal(alone.values, joined.values)
    assert not np.array_equal(alone.values, other.values)


@pytest.mark.parametrize("sampler", ["nsga2", "tpe", "random"])
@pytest.mark.parametrize("cut", [0, 12, 36])
def test_a_search_that_was_cut_off_goes_on_with_the_same_designs(sampler, cut):
    asked, settings = small(), replace(SETTINGS, sampler=sampler, trials=40)
    whole = searched(asked, settings)
    left = whole.study.get_trials(deepcopy=True)[:cut]
    added = []
    resumed = searched(asked, settings, trials=left, on_batch=added.extend)
    assert same(whole, resumed)
    assert len(added) == 40 - cut
    assert resumed.history == whole.history
    assert resumed.stop_reason == whole.stop_reason
    assert len(resumed.study.trials) == 40


def test_added_designs_are_gone_on_with_too():
    asked = small()
    refined = random_designs(asked, 7, seed=9)

    def run(trials=()):
        unit = searched(asked, until=3, trials=trials)
        if "refined" not in unit.batches:
            unit.add(refined, asked.evaluate(refined), "refined")
        while (designs := unit.ask()) is not None:
            unit.tell(designs, asked.evaluate(designs))
        return unit

    whole = run()
    assert whole.batches == ("seed", "search", "search", "refined", "search", "search")
    # Refined designs do not count towards the study's number.
    assert (whole.count, whole.tried) == (60 + 7, 60)
    trials = whole.study.get_trials(deepcopy=True)
    for cut in (36, 43, 55):
        assert same(whole, run(trials[:cut]))


def test_trials_of_something_else_are_refused():
    asked = small()
    trials = searched(asked).study.get_trials(deepcopy=True)
    with pytest.raises(ValueError, match="trial 0 does not follow"):
        UnitSearch(asked, 0, 3, SETTINGS, trials=trials[12:])
    with pytest.raises(ValueError, match="trial 12 does not follow"):
        UnitSearch(asked, 0, 3, SETTINGS, trials=trials[:17])


# --- the sampler ---------------------------------------------------------------------------------


def shared_values(designs: Designs, others: Designs) -> float:
    """Share of designs that hold some coordinate of another one exactly."""
    return float((designs.values[:, None] == others.values[None]).any(axis=(1, 2)).mean())


def test_added_designs_become_parents():
    # Crossover leaves about half of the coordinates of a child as a parent had them.
    asked, settings = small(), replace(SETTINGS, trials=300)
    unit = UnitSearch(asked, 0, 1, settings)
    given = random_designs(asked, 200)
    found = asked.evaluate(given)
    unit.add(given.select(found.assembles), found.select(found.assembles), "seed")
    assert shared_values(unit.ask(), given) > 0.7
    fresh = UnitSearch(asked, 0, 1, settings)
    assert shared_values(fresh.ask(), given) == 0.0


def test_too_few_designs_are_not_bred_from():
    asked = small()
    unit = UnitSearch(asked, 0, 1, SETTINGS)
    given = random_designs(asked, 3)
    unit.add(given, asked.evaluate(given), "seed")
    assert shared_values(unit.ask(), given) == 0.0


def test_parents_are_those_of_the_stock_genetic_sampler():
    """Selection by hand-fed generations equals Optuna's own, which finds them in the study."""
    asked = small()
    ours = searched(asked, seeds=False, until=3)
    ours.ask()
    key = f"{NSGAIISampler.__name__}:generation"
    stock = NSGAIISampler(population_size=12, seed=0)
    with warnings.catch_warnings(record=True):
        study = optuna.create_study(directions=["minimize"] * 2, sampler=stock)
    for trial in ours.study.get_trials():
        trial.system_attrs[key] = trial.user_attrs["batch"]
        study.add_trial(trial)
    theirs = stock.get_parent_population(study, 3)
    assert sorted(t.number for t in theirs) == sorted(t.number for t in ours._parents)


def test_optuna_still_asks_the_methods_that_feed_it():
    """What drawing relies on in Optuna: these names, and that it goes through them."""
    for name in ("get_trial_generation", "get_population", "get_parent_population"):
        assert name in GenerationSampler.__dict__
        assert callable(getattr(NSGAIISampler, name))
    asked = small()
    unit = searched(asked, until=3)
    trials = unit.study.get_trials(deepcopy=False)
    assert not any("generation" in key for trial in trials for key in trial.system_attrs)
    attributes = unit.study._storage.get_study_system_attrs(unit.study._study_id)
    assert not any("parent" in key or "generation" in key for key in attributes)
    pinned = tuple(map(int, optuna.__version__.split(".")[:2]))
    assert pinned == (5, 0), "look at search.sampler and search.record first"


def test_repeated_designs_are_drawn_again(monkeypatch):
    asked = with_space(small(spacers=(0.0, 10.0, 20.0, 30.0), arms=(100.0, 110.0, 120.0)))
    one = {name: Stock((0.5 * (c.low + c.high),)) for name, c in asked.space.items()
           if isinstance(c, Range)}  # fmt: skip
    asked = with_space(asked, **one)
    unit = searched(asked, replace(SETTINGS, trials=200, give_up_after=0), seeds=False)
    assert unit.stop_reason == "every combination of the stock values was tried"
    assert unit.count < 40
    assert len(np.unique(unit.records().designs.values, axis=0)) == 12


def test_a_problem_without_any_choice_is_tried_once():
    asked = small()
    one = {name: Stock((0.5 * (choice.low + choice.high),)) for name, choice in asked.space.items()}
    unit = searched(with_space(asked, **one), seeds=False)
    assert unit.count == SETTINGS.population
    assert unit.stop_reason == "every combination of the stock values was tried"


def test_a_range_of_no_width_is_a_fixed_value():
    asked = with_space(small(), spacer_mm=Range(20.0, 20.0))
    unit = searched(asked)
    assert (unit.records().designs.column("spacer_mm") == 20.0).all()
    assert "spacer_mm" not in unit.study.trials[0].params
    assert inside_space(asked, read_designs(asked, unit.study.trials))


# --- when it stops -------------------------------------------------------------------------------


def test_it_stops_at_the_number_of_trials():
    unit = searched(small(), replace(SETTINGS, trials=31))
    assert unit.count == 31
    assert unit.stop_reason == "all 31 designs that the study allows were tried"
    assert unit.ask() is None


def test_it_stops_when_time_is_up():
    unit = searched(small(), out_of_time=lambda: True)
    assert unit.count == 12
    assert unit.stop_reason == "the time allowed ran out"


def test_it_stops_when_the_front_no_longer_rises():
    settings = SearchSettings(trials=2000, population=20, stop_window=100, stop_tolerance=0.02)
    unit = searched(small(), settings)
    assert unit.stop_reason == (
        "the front gained less than 2 % of its hypervolume over the last 100 designs"
    )
    counts, volumes = np.array(unit.history).T
    then = volumes[counts <= unit.count - 100][-1]
    assert 100 < unit.count < 2000
    assert volumes[-1] - then <= 0.02 * volumes[-1]
    for last in range(len(counts) - 1):
        before = volumes[counts <= counts[last] - 100]
        assert not len(before) or volumes[last] - before[-1] > 0.02 * volumes[last]


def test_limits_that_exclude_everything_leave_the_nearest_design():
    asked = small()
    asked = replace(asked, limits=replace(asked.limits, rack_travel_margin_mm=60.0))
    settings = replace(SETTINGS, trials=300, give_up_after=100)
    unit = searched(asked, settings)
    assert unit.stop_reason == f"none of the first {unit.count} designs keeps the limits"
    assert 100 <= unit.count < 120
    assert not len(unit.front)
    assert not unit.history
    found = unit.records().evaluation
    assert not found.feasible.any()
    assert set(found.status[found.assembles]) >= {"breaks rack_travel_mm"}


@pytest.mark.parametrize(
    "wrong",
    [
        {"trials": 0},
        {"population": 3},
        {"stop_window": -1},
        {"stop_tolerance": 1.0},
        {"give_up_after": -5},
    ],
)
def test_settings_out_of_range_are_refused(wrong):
    with pytest.raises(ValueError, match="must"):
        SearchSettings(**wrong)


@pytest.mark.parametrize(("sampler", "trials"), [("nsga2", 400), ("tpe", 100)])
def test_a_sampler_that_learns_beats_random_search(sampler, trials):
    asked, reference = small(), np.array([0.4, 6.0])
    volumes = {}
    for name in (sampler, "random"):
        settings = SearchSettings(trials=trials, sampler=name, population=20, stop_window=0)
        ends = [searched(asked, settings, seeds=False, seed=seed).front for seed in range(3)]
        volumes[name] = np.median([hypervolume(front, reference) for front in ends])
    assert volumes[sampler] > 1.05 * volumes["random"]


def test_the_sampler_sees_every_trial_told_so_far(monkeypatch):
    asked, seen = small(), []
    draw = search_sampler.RandomSampler.sample_independent

    def look(self, study, trial, name, distribution):
        seen.append(len(study._get_trials(deepcopy=False, use_cache=True)))
        return draw(self, study, trial, name, distribution)

    monkeypatch.setattr(search_sampler.RandomSampler, "sample_independent", look)
    searched(asked, replace(SETTINGS, sampler="random"), seeds=False)
    assert sorted(set(seen)) == [0, 12, 24, 36, 48]


def test_extra_objectives_are_searched_and_a_constant_one_does_not_stop_it():
    asked = small()
    asked = replace(asked, objectives=replace(asked.objectives, extra=("price", "mass_kg")))
    unit = searched(asked)
    assert unit.front.shape[1] == 4
    assert unit.count == 60
    assert unit.history[-1][1] > 0.0
    assert unit.study.metric_names[2:] == ["price", "mass_kg"]


def test_one_write_records_a_design(monkeypatch):
    """No trial is ever half-way: drawing opens none."""
    asked = small()
    unit = UnitSearch(asked, 0, 1, SETTINGS)
    designs = unit.ask()
    assert len(unit.study.trials) == 0
    unit.tell(designs, asked.evaluate(designs))
    assert {trial.state for trial in unit.study.trials} <= {TrialState.COMPLETE, TrialState.FAIL}


def test_an_empty_batch_is_not_recorded():
    asked = small()
    unit = UnitSearch(asked, 0, 1, SETTINGS)
    found = asked.evaluate(random_designs(asked, 1))
    nothing = Designs(np.empty(0, dtype=np.intp), np.empty((0, 6)))
    assert unit.add(nothing, found.select(slice(0, 0)), "refined") == []
    assert unit.batches == ()
    assert isinstance(found, Evaluation)
    assert search_sampler.REDRAWS > 1
