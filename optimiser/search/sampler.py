"""Optuna's side of one unit of work: distributions, samplers of one generation, trials.

A sampler is built afresh for every generation, with a seed made from the unit's seed and the
number of the generation. What it draws is then a function of those and of the trials told so
far, not of how the process got there, and a resumed search goes on with the same designs.

The stock genetic sampler works its generations out from all trials at every single draw, so
that a trial costs more the later it comes. Here the parents are handed to it: the cost is flat,
and every told trial can be a parent, whether the sampler itself drew it or not. This rests on
`NSGAIISampler` asking its own public methods `get_trial_generation`, `get_population` and
`get_parent_population`; no private name of Optuna is used, and a test fails if that changes.
"""

from __future__ import annotations

import warnings
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import optuna
from optuna.distributions import BaseDistribution, CategoricalDistribution, FloatDistribution
from optuna.exceptions import ExperimentalWarning
from optuna.samplers import BaseSampler, NSGAIISampler, RandomSampler, TPESampler
from optuna.samplers.nsgaii import PolynomialMutation, SBXCrossover
from optuna.trial import FrozenTrial, TrialState, create_trial

from optimiser.evaluation.designs import Designs, FollowsRack, Range, Stock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike
    from optuna.storages import InMemoryStorage

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem

SamplerName = Literal["nsga2", "tpe", "random"]
Origin = Literal["earlier", "seed", "search", "refined"]
Space = dict[str, BaseDistribution]

# Distribution indices of crossover and mutation: see DEVELOPERS.md for what was compared.
CROSSOVER_INDEX = 10.0
MUTATION_INDEX = 20.0
# A design drawn before is drawn again this often at most.
REDRAWS = 4


# --- variables -----------------------------------------------------------------------------------


def free_variables(problem: Problem) -> Space:
    """Distributions of the variables that a sampler may choose, in the order of its `variables`.

    Stock values are categories: an ordered list of two lengths is no scale, and the trial then
    holds the length itself.
    """
    space: Space = {}
    for name in problem.variables:
        choice = problem.space[name]
        if isinstance(choice, Range) and choice.low < choice.high:
            space[name] = FloatDistribution(choice.low, choice.high)
        elif isinstance(choice, Stock) and len(choice.values) > 1:
            space[name] = CategoricalDistribution(choice.values)
    if problem.suspension is not None:
        room = problem.suspension.room_mm.tolist()
        for name, most in zip(problem.suspension.names, room, strict=True):
            space[name] = FloatDistribution(-most, most)
    return space


def resolve(problem: Problem, rack: int, params: Sequence[dict[str, Any]]) -> Designs:
    """Designs of the free variables' values, with fixed and following ones filled in."""
    names = [name for name in problem.variables if not isinstance(problem.space[name], FollowsRack)]
    free: dict[str, ArrayLike] = {}
    for name in names:
        choice = problem.space[name]
        if isinstance(choice, Range) and choice.low == choice.high:
            free[name] = np.full(len(params), choice.low)
        elif not (isinstance(choice, Stock) and len(choice.values) == 1):
            free[name] = np.array([values[name] for values in params], dtype=float)
    for name in problem.columns[len(problem.variables) :]:
        free[name] = np.array([values[name] for values in params], dtype=float)
    return problem.designs(np.full(len(params), rack), free)


# --- samplers -------------------------------------------------------------------------------------


def generation_seed(seed: int, rack_name: str, generation: int) -> int:
    """Seed of one generation of one unit; a rack keeps its own whatever else is searched."""
    sequence = np.random.SeedSequence([seed, zlib.crc32(rack_name.encode()), generation])
    return int(sequence.generate_state(1)[0])


class GenerationSampler(NSGAIISampler):
    """NSGA-II for one generation, with the parents and the population handed to it."""

    def __init__(
        self,
        seed: int,
        population_size: int,
        parents: list[FrozenTrial],
        population: list[FrozenTrial],
    ) -> None:
        with warnings.catch_warnings():
            # Both operators carry Optuna's mark of an interface that may change; it is pinned.
            warnings.simplefilter("ignore", ExperimentalWarning)
            super().__init__(
                population_size=population_size,
                crossover=SBXCrossover(eta=CROSSOVER_INDEX),
                mutation=PolynomialMutation(eta=MUTATION_INDEX),
                seed=seed,
            )
        self._held_parents, self._held_population = parents, population

    def get_trial_generation(self, study: optuna.Study, trial: FrozenTrial) -> int:
        """0 draws at random, 1 from the parents."""
        return 1 if self._held_parents else 0

    def get_population(self, study: optuna.Study, generation: int) -> list[FrozenTrial]:
        """Trials told since the parents were chosen."""
        return self._held_population

    def get_parent_population(self, study: optuna.Study, generation: int) -> list[FrozenTrial]:
        """The parents."""
        return self._held_parents


def select_parents(
    study: optuna.Study, size: int, parents: list[FrozenTrial], told: list[FrozenTrial]
) -> list[FrozenTrial]:
    """NSGA-II's survivors among old parents and newly told trials; failed ones do not count."""
    complete = [trial for trial in told if trial.state == TrialState.COMPLETE]
    if not parents and not complete:
        return []
    return GenerationSampler(0, size, parents, complete).select_parent(study, 1)


def make_sampler(
    name: SamplerName, seed: int, population: int, parents: list[FrozenTrial]
) -> BaseSampler:
    """The sampler of one generation; without parents NSGA-II draws at random."""
    if name == "nsga2":
        return GenerationSampler(seed, population, parents, [])
    if name == "random":
        return RandomSampler(seed=seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExperimentalWarning)
        # The constant liar tells other processes what is being tried; here none would listen.
        return TPESampler(seed=seed, multivariate=True, constant_liar=False)


def draw(
    study: optuna.Study, sampler: BaseSampler, space: Space, number: int, seen: set[Any]
) -> dict[str, Any]:
    """Parameters of a new trial by Optuna's own rule: relative sampling, then independent.

    Drawn without opening a trial, so that one write records the finished design and a stopped
    process leaves no trial half-way. A design that was drawn before is drawn again, a few times.
    """
    trial = create_trial(state=TrialState.RUNNING)
    trial.number = number
    sampler.before_trial(study, trial)
    for _ in range(REDRAWS):
        params = sampler.sample_relative(study, trial, space)
        for name, distribution in space.items():
            if name not in params:
                params[name] = sampler.sample_independent(study, trial, name, distribution)
        key = tuple(params[name] for name in space)
        if key not in seen:
            break
    seen.add(key)
    return params


# --- trials ---------------------------------------------------------------------------------------


def new_study(names: Sequence[str], storage: InMemoryStorage) -> optuna.Study:
    """An empty study in memory that minimises the named objectives."""
    loud = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    try:
        study = optuna.create_study(
            storage=storage, study_name="unit", directions=["minimize"] * len(names)
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExperimentalWarning)
            study.set_metric_names(list(names))
    finally:
        optuna.logging.set_verbosity(loud)
    return study


@dataclass(frozen=True, slots=True)
class Batch:
    """Where a trial belongs: which batch of trials told together, its size, where it is from."""

    number: int
    size: int
    origin: Origin


def make_trials(
    problem: Problem,
    space: Space,
    designs: Designs,
    evaluation: Evaluation,
    batch: Batch,
    first_number: int,
    starts: Sequence[int] = (),
) -> list[FrozenTrial]:
    """Finished trials that hold everything needed to rebuild the designs.

    Parameters are the rack and the free variables; the other variables are user attributes, next
    to `status`, `origin`, `batch` and `batch_size`, and `starts` where independent starts came
    to the design. A design that cannot assemble fails.
    """
    racks = [problem.racks[index].name for index in designs.rack.tolist()]
    # Each its own rack alone, so that the study's other racks may change.
    choices = {name: CategoricalDistribution((name,)) for name in racks}
    trials = []
    for row, values in enumerate(designs.values.tolist()):
        named = dict(zip(problem.columns, values, strict=True))
        params = {"rack": racks[row]}
        params.update((name, named.pop(name)) for name in space)
        objectives = evaluation.objectives[row]
        limits = zip(problem.constraint_names, evaluation.constraints[row].tolist(), strict=True)
        works = bool(np.isfinite(objectives).all())
        trial = create_trial(
            state=TrialState.COMPLETE if works else TrialState.FAIL,
            values=objectives.tolist() if works else None,
            params=params,
            distributions={"rack": choices[racks[row]], **space},
            user_attrs={
                "status": str(evaluation.status[row]),
                "origin": batch.origin,
                "batch": batch.number,
                "batch_size": batch.size,
                **({"starts": int(starts[row])} if len(starts) and starts[row] else {}),
                **named,
            },
            # Optuna refuses a NaN, and a limit that is not set counts as kept: only failed
            # trials, which are never compared, may miss some.
            constraints={name: value for name, value in limits if not np.isnan(value)},
        )
        trial.number = first_number + row
        trials.append(trial)
    return trials


def fresh_view(study: optuna.Study, storage: InMemoryStorage) -> optuna.Study:
    """The same study as another object.

    A study remembers the trials it has shown to a sampler until it is asked for a new trial
    itself, and added trials do not make it look again. A new object does.
    """
    return optuna.load_study(study_name=study.study_name, storage=storage)


def read_batch(trial: FrozenTrial) -> Batch:
    """The batch that `make_trials` wrote into a trial."""
    attrs = trial.user_attrs
    return Batch(attrs["batch"], attrs["batch_size"], attrs["origin"])


def read_designs(problem: Problem, trials: Sequence[FrozenTrial]) -> Designs:
    """The designs of trials that `make_trials` made."""
    index = {rack.name: number for number, rack in enumerate(problem.racks)}
    rack = np.array([index[trial.params["rack"]] for trial in trials], dtype=np.intp)
    values = [
        [trial.params[n] if n in trial.params else trial.user_attrs[n] for n in problem.columns]
        for trial in trials
    ]
    return Designs(rack, np.array(values, dtype=float).reshape(len(trials), len(problem.columns)))
