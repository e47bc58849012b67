"""Search of one unit of work: one problem, one rack, one seed, in one Optuna study in memory.

    add(seeds) -> ask -> evaluate -> tell -> ask -> ... -> None -> add(refined designs)

Designs are told in batches (a generation, the seeds, a round of refined designs). Every batch is
one entry of the record, marked with its number and size in each of its trials, so that the list
of trials alone is enough to go on: the record drops a batch that was cut off, it is drawn again and
is the same again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from optuna.distributions import CategoricalDistribution
from optuna.storages import InMemoryStorage
from optuna.trial import TrialState

from optimiser.evaluation.designs import Designs, Evaluation
from optimiser.search.progress import Progress
from optimiser.search.sampler import (
    Batch,
    Origin,
    SamplerName,
    draw,
    free_variables,
    fresh_view,
    generation_seed,
    make_sampler,
    make_trials,
    new_study,
    read_batch,
    read_designs,
    resolve,
    select_parents,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray
    from optuna.trial import FrozenTrial

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """How one unit is searched.

    Attributes:
        trials: designs told, seeds included and refined ones not, after which the search stops.
        sampler: 'nsga2', 'tpe' (few trials only: it slows down as they grow) or 'random'.
        population: designs in a generation, and NSGA-II's parents.
        stop_window: trials over which the hypervolume has to rise; 0 never stops for it.
        stop_tolerance: least rise over the window, as a share of the hypervolume.
        give_up_after: trials after which a rack without any feasible design is dropped; 0 never.
        quick: nothing is asked for after what the search was opened with.

    Raises:
        ValueError: a number out of its range.
    """

    trials: int = 2000
    sampler: SamplerName = "nsga2"
    population: int = 50
    stop_window: int = 150
    stop_tolerance: float = 1e-3
    give_up_after: int = 300
    quick: bool = False

    def __post_init__(self) -> None:
        if self.trials < 1 or self.population < 4:
            raise ValueError("trials must be at least 1 and population at least 4")
        if self.stop_window < 0 or self.give_up_after < 0 or not 0.0 <= self.stop_tolerance < 1.0:
            raise ValueError("stop_window, give_up_after and stop_tolerance must not be negative")


@dataclass(frozen=True, slots=True)
class Records:
    """Everything told so far, in order.

    Attributes:
        designs: N designs.
        evaluation: of them.
        origin: where each is from, (N,).
        starts: how many independent starts came to each, (N,).
    """

    designs: Designs
    evaluation: Evaluation
    origin: NDArray[np.object_]
    starts: NDArray[np.intp]


@dataclass(slots=True)
class _Told:
    """A finished batch; the evaluation is None until it is wanted, when it came from a record."""

    designs: Designs
    evaluation: Evaluation | None
    origin: Origin
    starts: NDArray[np.intp]


class UnitSearch:
    """Ask for designs, tell their evaluation; see the module.

    Args:
        problem: the question.
        rack: index of the rack in `problem.racks`.
        seed: of the study; the unit's own random numbers also depend on the rack's name.
        settings: how to search.
        trials: trials of an earlier search of the same unit to go on from, in order.
        out_of_time: asked before every generation; True ends the search.
        on_batch: called with the trials of every batch as soon as they are told.

    Raises:
        ValueError: `trials` are not those of this unit.
    """

    def __init__(
        self,
        problem: Problem,
        rack: int,
        seed: int,
        settings: SearchSettings,
        *,
        trials: Sequence[FrozenTrial] = (),
        out_of_time: Callable[[], bool] | None = None,
        on_batch: Callable[[list[FrozenTrial]], None] | None = None,
    ) -> None:
        self.problem, self.rack, self.seed, self.settings = problem, rack, seed, settings
        names = problem.objectives.names
        self._storage = InMemoryStorage()
        self.study = new_study(names, self._storage)
        self.stop_reason = ""
        self.progress = Progress(len(names), problem.ray)
        self._out_of_time, self._on_batch = out_of_time, on_batch
        self._space = free_variables(problem)
        self._combinations = _combinations(self._space)
        self._told: list[_Told] = []
        self._count = self._tried = 0
        self._seen: set[Any] = set()
        self._parents: list[FrozenTrial] = []
        self._since: list[FrozenTrial] = []
        self._replay(trials)

    # --- what run calls ----------------------------------------------------------------------

    @property
    def batches(self) -> tuple[Origin, ...]:
        """Origin of each finished batch: what a resumed run need not do again."""
        return tuple(told.origin for told in self._told)

    @property
    def count(self) -> int:
        """Trials told."""
        return self._count

    @property
    def tried(self) -> int:
        """Trials told that count towards the study's number: all but the refined ones."""
        return self._tried

    @property
    def front(self) -> Array:
        """Objectives (n, m) of the feasible front so far, in rising order."""
        return self.progress.front

    @property
    def history(self) -> list[tuple[int, float]]:
        """Trials told and hypervolume after each batch, from the first feasible design on."""
        return self.progress.history

    @property
    def gained(self) -> float:
        """Share of the hypervolume that came since designs were last refined."""
        refined = [n for n, told in enumerate(self._told) if told.origin == "refined"]
        later = sum(len(told.designs) for told in self._told[refined[-1] + 1 :]) if refined else 0
        if refined and not later:
            return 0.0
        rise = self.progress.rise(self._count, later) if self.history else None
        return 1.0 if rise is None else rise

    def ask(self) -> Designs | None:
        """The next generation, or None when the search is over; `stop_reason` then says why."""
        self.stop_reason = self._reason_to_stop()
        if self.stop_reason:
            return None
        self._choose_parents()
        settings = self.settings
        parents = self._parents if len(self._parents) >= settings.population else []
        seed = generation_seed(self.seed, self.problem.racks[self.rack].name, len(self._told))
        sampler = make_sampler(settings.sampler, seed, settings.population, parents)
        size = min(settings.population, settings.trials - self._tried)
        study = fresh_view(self.study, self._storage)
        params = [
            draw(study, sampler, self._space, self._count + row, self._seen) for row in range(size)
        ]
        return resolve(self.problem, self.rack, params)

    def tell(self, designs: Designs, evaluation: Evaluation) -> list[FrozenTrial]:
        """Record a generation that `ask` gave; returns the trials added."""
        return self._record(designs, evaluation, "search")

    def add(
        self,
        designs: Designs,
        evaluation: Evaluation,
        origin: Origin,
        starts: Sequence[int] = (),
    ) -> list[FrozenTrial]:
        """Record designs from elsewhere, which may become parents too; returns the trials added.

        `starts` says how many independent starts came to each.

        Raises:
            ValueError: a value outside the study's variables.
        """
        return self._record(designs, evaluation, origin, starts)

    def records(self) -> Records:
        """Everything told. Batches that came from a record of trials are evaluated again."""
        for told in self._told:
            if told.evaluation is None:
                told.evaluation = self.problem.evaluate(told.designs)
        if not self._told:
            return _empty_records(self.problem)
        evaluations = [told.evaluation for told in self._told if told.evaluation is not None]
        origin = [np.full(len(told.designs), told.origin, dtype=object) for told in self._told]
        return Records(
            Designs.join([told.designs for told in self._told]),
            Evaluation.join(evaluations),
            np.concatenate(origin),
            np.concatenate([told.starts for told in self._told]),
        )

    # --- the record --------------------------------------------------------------------------

    def _record(
        self,
        designs: Designs,
        evaluation: Evaluation,
        origin: Origin,
        starts: Sequence[int] = (),
    ) -> list[FrozenTrial]:
        if not len(designs):
            return []
        batch = Batch(len(self._told), len(designs), origin)
        trials = make_trials(
            self.problem, self._space, designs, evaluation, batch, self._count, starts
        )
        for trial in trials:
            self.study.add_trial(trial)
        self._absorb(_Told(designs, evaluation, origin, _starts(trials)), trials)
        if self._on_batch is not None:
            self._on_batch(trials)
        return trials

    def _replay(self, trials: Sequence[FrozenTrial]) -> None:
        start = 0
        while start < len(trials):
            batch = read_batch(trials[start])
            part = list(trials[start : start + batch.size])
            whole = len(part) == batch.size and all(read_batch(trial) == batch for trial in part)
            if not whole or batch.number != len(self._told):
                raise ValueError(f"trial {start} does not follow from the trials before it")
            for offset, trial in enumerate(part):
                self.study.add_trial(trial)
                trial.number = start + offset
            if batch.origin == "search":
                self._choose_parents()
            designs = read_designs(self.problem, part)
            self._absorb(_Told(designs, None, batch.origin, _starts(part)), part)
            start += batch.size

    def _absorb(self, told: _Told, trials: list[FrozenTrial]) -> None:
        self._told.append(told)
        self._count += len(trials)
        self._tried += 0 if told.origin == "refined" else len(trials)
        self._since += trials
        self._seen.update(tuple(trial.params[name] for name in self._space) for trial in trials)
        complete = [trial for trial in trials if trial.state == TrialState.COMPLETE]
        kept = [t.values for t in complete if all(v <= 0.0 for v in t.constraints.values())]
        self.progress.add(self._count, np.array(kept).reshape(-1, self.progress.front.shape[1]))

    def _choose_parents(self) -> None:
        if self.settings.sampler == "nsga2" and self._since:
            size = self.settings.population
            self._parents = select_parents(self.study, size, self._parents, self._since)
        self._since = []

    # --- when to stop ------------------------------------------------------------------------

    def _reason_to_stop(self) -> str:
        settings = self.settings
        if settings.quick:
            return "quick: nothing was searched beyond the seeds and what was made of them"
        if self._out_of_time is not None and self._out_of_time():
            return "the time allowed ran out"
        if self._tried >= settings.trials:
            return f"all {settings.trials} designs that the study allows were tried"
        if self._combinations is not None and len(self._seen) >= self._combinations:
            return "every combination of the stock values was tried"
        if not self.history:
            if settings.give_up_after and self._count >= settings.give_up_after:
                return f"none of the first {self._count} designs keeps the limits"
            return ""
        rise = self.progress.rise(self._count, settings.stop_window)
        if settings.stop_window and rise is not None and rise <= settings.stop_tolerance:
            return (
                f"the front gained less than {100.0 * settings.stop_tolerance:g} % of its "
                f"hypervolume over the last {settings.stop_window} designs"
            )
        return ""


def _combinations(space: dict[str, Any]) -> int | None:
    """Number of different designs when every variable has stock values only."""
    sizes = [
        len(item.choices) for item in space.values() if isinstance(item, CategoricalDistribution)
    ]
    return int(np.prod(sizes, dtype=int)) if len(sizes) == len(space) else None


def _starts(trials: Sequence[FrozenTrial]) -> NDArray[np.intp]:
    return np.array([trial.user_attrs.get("starts", 0) for trial in trials], dtype=np.intp)


def _empty_records(problem: Problem) -> Records:
    nothing = Designs(np.empty(0, dtype=np.intp), np.empty((0, len(problem.columns))))
    shape = (0, len(problem.objectives.names))
    return Records(
        nothing,
        Evaluation(
            np.empty(shape), np.empty((0, len(problem.constraint_names))), {}, np.empty(0, object)
        ),
        np.empty(0, dtype=object),
        np.empty(0, dtype=np.intp),
    )
