"""A unit of work: one problem, one rack, one seed, searched by one process from start to end.

Units need nothing from each other, so that any number of them runs side by side, on this machine
(`processes`) or on others (`cluster`), with the same designs as one after the other. What a unit
has told so far lies in its store; a unit that was cut off is given its store again and goes on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import dropwhile
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.run_result import UnitResult
from optimiser.base.front import best_ratio
from optimiser.evaluation.designs import Stock
from optimiser.evaluation.quantities import said
from optimiser.jobs.time_budget import Timer
from optimiser.search.opening import Opening, open_racks
from optimiser.search.record import Store, Trials, UnitRecord
from optimiser.search.refine import TOUCH_UP, RefineSettings, refine
from optimiser.search.seeds import early_drop
from optimiser.search.starts import winners_ray
from optimiser.search.stock import stock_values
from optimiser.search.unit_search import Records, SearchSettings, UnitSearch

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.jobs.time_budget import Allowed
    from optimiser.linkage.vectors import Array
    from optimiser.search.sampler import Origin

Watch = Callable[[str, int, int, float, str, float], None]
"""Called after each generation: unit, designs done, designs in all, seconds, best so far in words,
and the worst of its numbers over what is acceptable."""
Stop = Callable[[], bool]
"""Asked before each generation: True ends the unit after what is being done."""

AGREE = 1.01
"""Starts that end within this factor of the best ratio ended at the same answer."""
UNMOVED, UNMOVED_AS_BUILT = 1e-5, 1e-3
"""Share of the hypervolume that a search must have gained for its front to be refined again. A
percentile of built cars is itself not known to better than a hundredth."""
STOPPED = "stopped before the search was over"
TIME_UP = "the time allowed ran out"
# Refinement evaluates about so many designs, for which a search keeps time; but never more than
# a share of the unit's time.
REFINE_DESIGNS = 2500
REFINE_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class UnitSpec:
    """Everything that a process needs to do one unit; it can be sent to another machine.

    Attributes:
        label: the unit's name in progress lines and messages, and of its Optuna study.
        problem: the question, files and all read.
        rack: index of the rack in it.
        seed: random seed.
        settings: how to search.
        seeds: begin with designs from the ideal inner joint.
        refine: refine the seeds before the search, and what was found after it.
        record: its journal file.
        question: hash of what it asks, however long; its record keeps it.
        opening: what its search begins with, where that was found with other racks; None leaves
            it to the unit.
        earlier: designs of its rack that were found before, to begin with.
    """

    label: str
    problem: Problem
    rack: int
    seed: int
    settings: SearchSettings
    seeds: bool
    refine: bool
    record: Path
    question: str = ""
    opening: Opening | None = None
    earlier: Designs | None = None

    @property
    def opens(self) -> bool:
        """Whether its search begins with designs that it has not to draw."""
        return self.seeds or self.earlier is not None


@dataclass(frozen=True, slots=True)
class UnitFailure:
    """A unit that could not be done.

    Attributes:
        label: the unit.
        message: one line for the user.
        detail: where in the program it happened, for whoever mends it.
        storage: files could not be written, which every other unit will find too.
    """

    label: str
    message: str
    detail: str = ""
    storage: bool = False


UnitOutcome = UnitResult | UnitFailure


def open_record(spec: UnitSpec) -> UnitRecord:
    """The unit's journal file.

    Raises:
        StorageError: it cannot be written, or belongs to something else.
    """
    return UnitRecord(spec.record, spec.label, spec.problem.objectives.names, spec.question)


def run_recorded(spec: UnitSpec, watch: Watch, stop: Stop, allowed: Allowed | None) -> UnitResult:
    """`run_unit` with the unit's own journal file as its store."""
    with open_record(spec) as record:
        return replace(run_unit(spec, record, watch, stop, allowed), note=record.note)


def run_unit(
    spec: UnitSpec, store: Store, watch: Watch, stop: Stop, allowed: Allowed | None = None
) -> UnitResult:
    """Do one unit, going on from what its store holds.

    Args:
        spec: the unit.
        store: trials told before, and where to put new ones.
        watch: told of each generation.
        stop: ends the unit early; the result then says that it is not finished.
        allowed: time that the unit may take; None for as long as it needs.

    Raises:
        StorageError: the store cannot be written.
        ValueError: the store's trials are not those of this unit.
    """
    timer, kept = Timer(), len(store.trials)
    stopped, refining = False, None

    def over() -> bool:
        nonlocal stopped
        stopped = stopped or stop()
        if stopped or allowed is None:
            return stopped
        taken = timer.seconds(by_clock=allowed.by_clock)
        return _time_is_up(spec, search, taken, allowed.seconds, refining)

    problem, settings = spec.problem, spec.settings
    search = UnitSearch(
        problem,
        spec.rack,
        spec.seed,
        settings,
        trials=store.trials,
        out_of_time=over,
        on_batch=store.append,
    )

    def tell_watch() -> None:
        best, ratio = best_so_far(problem, search.front)
        watch(spec.label, search.tried, settings.trials, timer.seconds(), best, ratio)

    if spec.opens and not _after_opening(search):
        # The seeds refined at once hold most of the front; the search then looks for what is not.
        started, going_on = timer.seconds(), spec.refine and not over()
        _tell_opening(spec, search, refine=going_on)
        refining = timer.seconds() - started if going_on else None
        tell_watch()
    reason = _ended(spec, search, store.trials)
    if not reason:
        while (designs := search.ask()) is not None:
            search.tell(designs, problem.evaluate(designs))
            tell_watch()
        reason = search.stop_reason
    searched = timer.seconds()
    if spec.refine and not stopped and _worth_refining(problem, search):
        again = "refined" in search.batches
        _tell_refined(spec, search, TOUCH_UP if again else RefineSettings())
        tell_watch()
    records = search.records()
    return UnitResult(
        rack=spec.rack,
        seed=spec.seed,
        designs=records.designs,
        evaluation=records.evaluation,
        origin=records.origin,
        stop_reason=STOPPED if stopped else reason,
        seconds={"search": searched, "refine": timer.seconds() - searched},
        dropped=early_drop(problem, spec.rack, records.evaluation) if len(records.designs) else "",
        finished=not stopped,
        starts=_agreeing(problem, records),
        kept=kept,
    )


def open_units(specs: Sequence[UnitSpec]) -> list[UnitSpec]:
    """Units of one problem, seed and way to search, with their openings found together."""
    openings = _openings(specs)
    return [replace(spec, opening=one) for spec, one in zip(specs, openings, strict=True)]


def _openings(specs: Sequence[UnitSpec]) -> list[Opening]:
    first = specs[0]
    return open_racks(
        first.problem,
        [spec.rack for spec in specs],
        first.seed,
        _seed_count(first.settings),
        refine=first.refine,
        seeds=first.seeds,
        earlier=[spec.earlier for spec in specs],
    )


def _seed_count(settings: SearchSettings) -> int:
    return min(settings.population, settings.trials)


def _tell_opening(spec: UnitSpec, search: UnitSearch, *, refine: bool) -> None:
    """Begin the search with seeds and with what is made of them; the seeds may be told already."""
    told = search.batches
    if "seed" in told and not refine:
        return
    opening = spec.opening or _openings([replace(spec, refine=refine)])[0]
    # Evaluated as the batch they are told in, as they are when a record is gone on with.
    if len(opening.earlier) and not told:
        search.add(opening.earlier, spec.problem.evaluate(opening.earlier), "earlier")
    if len(opening.seeds) and "seed" not in told:
        search.add(opening.seeds, spec.problem.evaluate(opening.seeds), "seed")
    if not refine:
        return
    refined = opening.refined
    search.add(refined, spec.problem.evaluate(refined), "refined", opening.starts.tolist())


def _worth_refining(problem: Problem, search: UnitSearch) -> bool:
    """Whether the search has moved the front since it was last refined, if it was."""
    if search.batches[-1:] == ("refined",):
        return False
    unmoved = UNMOVED_AS_BUILT if problem.needs_cars else UNMOVED
    return "refined" not in search.batches or search.gained > unmoved


def _agreeing(problem: Problem, records: Records) -> tuple[int, int]:
    """Independent starts that ended within a hundredth of the unit's best ratio, and all.

    Counted are those with the stock values of the best design; all where there is nothing else.
    """
    starts, feasible = records.starts, records.evaluation.feasible
    if not (starts.any() and feasible.any()):
        return 0, int(starts.sum())
    ratio = np.max(records.evaluation.objectives / winners_ray(problem), axis=1)
    best = int(np.flatnonzero(feasible)[np.argmin(ratio[feasible])])
    alike = np.ones(len(starts), dtype=bool)
    for name, choice in problem.space.items():
        if isinstance(choice, Stock) and stock_values(problem) is None:
            values = records.designs.column(name)
            alike &= values == values[best]
    near = alike & feasible & (ratio <= AGREE * ratio[best])
    return int(starts[near].sum()), int(starts[alike].sum())


def _after_opening(search: UnitSearch) -> tuple[Origin, ...]:
    """Batches behind those that were found before and the seeds."""
    return tuple(dropwhile(lambda origin: origin in ("earlier", "seed"), search.batches))


def _after_seeds(search: UnitSearch) -> tuple[Origin, ...]:
    """Batches without the seeds and what was made of them before the search."""
    batches, rest = search.batches, _after_opening(search)
    return rest[1:] if rest != batches and rest[:1] == ("refined",) else batches


def _tell_refined(spec: UnitSpec, search: UnitSearch, how: RefineSettings) -> None:
    """Refine what was found so far and tell the designs that nothing dominates."""
    records = search.records()
    if not len(records.designs):
        return
    found = refine(spec.problem, records.designs, records.evaluation, how)
    outcome = spec.problem.evaluate(found.designs)
    search.add(found.designs, outcome, "refined", found.starts.tolist())


def _ended(spec: UnitSpec, search: UnitSearch, trials: Trials) -> str:
    """Why an earlier process ended its search and began to refine; empty when it is to go on.

    It goes on when nothing was refined after it, or when what is asked now would not have ended
    it: that process had less time, or fewer trials.
    """
    if "refined" not in _after_seeds(search):
        return ""
    own = [n for n, trial in enumerate(trials) if trial.user_attrs["origin"] != "refined"]
    searched = list(trials)[: own[-1] + 1] if own else []
    before = UnitSearch(spec.problem, spec.rack, spec.seed, spec.settings, trials=searched)
    return before.stop_reason if before.ask() is None else ""


def _time_is_up(
    spec: UnitSpec, search: UnitSearch, taken: float, seconds: float, refining: float | None
) -> bool:
    """Whether what is left of a unit's time is needed for refining.

    `refining` is what refining the seeds took, which had more to do than the last time will have;
    None where this process did not do that.
    """
    needed = 0.0
    if spec.refine:
        needed = REFINE_DESIGNS * taken / max(1, search.count) if refining is None else refining
    return taken >= seconds - min(needed, REFINE_SHARE * seconds)


def best_so_far(problem: Problem, front: Array) -> tuple[str, float]:
    """The best compromise of a front in a few words, and its worse ratio to what is acceptable."""
    if not len(front):
        return "nothing within limits yet", math.inf
    counted = np.isfinite(problem.ray)
    ratios = front[:, counted] / problem.ray[counted]
    row = best_ratio(ratios, np.ones(ratios.shape[1]))
    best, ratio = front[row], float(ratios[row].max())
    return f"best {said('bump_steer_deg', best[0])}, {said('ackermann_error_deg', best[1])}", ratio
