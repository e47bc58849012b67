"""A batch of studies: all read first, their units side by side, each study written as it is done.

    studies -> a claimed folder each -> units of all of them -> results of each -> its folder

A study with variants has one folder for all, with a folder in it for each variant.
"""

from __future__ import annotations

import itertools
import json
import os
import time
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from optimiser import __version__
from optimiser.answer.run_result import RunResult, UnitResult
from optimiser.answer.starting import starting_note
from optimiser.base.errors import InputError, OptimiserError, StorageError
from optimiser.base.files import own_slug, slug
from optimiser.folder.claim import RECORD_FOLDER, Claim, claim_folder, question_hash
from optimiser.folder.progress_file import remove_progress
from optimiser.folder.variants import write_sweep
from optimiser.folder.write import write_inputs, write_run
from optimiser.jobs.going_on import (
    case_question,
    holds_part,
    known_records,
    lengths_of,
    search_asked,
    unit_question,
)
from optimiser.jobs.looking_on import LookingOn
from optimiser.jobs.processes import run_units
from optimiser.jobs.starting import earlier_designs
from optimiser.jobs.time_budget import Shares, TimeBudget
from optimiser.jobs.unit import TIME_UP, UnitFailure, UnitOutcome, UnitSpec, Watch
from optimiser.search.break_even import break_evens
from optimiser.search.unit_search import SearchSettings

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from optimiser.jobs.unit import Stop
    from optimiser.study.read import Study

QUICK_SUFFIX = "-quick"
SHORT_SEARCH = 20_000
"""Designs in all that one process searches as soon as several, which have to be started first."""


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the command line may say about a run; None leaves it to the study.

    Attributes:
        trials: designs for each unit.
        seed: random seed.
        workers: processes on this machine; None for as many as cores where the search is long, and
            one where starting more would take longer than it saves.
        seconds: time at work for the whole batch.
        until: `time.time()` at which everything is to be written, instead.
        cluster: address of a scheduler whose workers do the units instead.
        quick: no search, only what it would be opened with.
    """

    trials: int | None = None
    seed: int | None = None
    workers: int | None = 1
    seconds: float | None = None
    cluster: str | None = None
    quick: bool = False
    until: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one study or variant.

    Attributes:
        result: its designs; None when there are none.
        folder: where they were written.
        sentences: the answer in plain words.
        problems: what went wrong, a line each.
        finished: everything was searched and written.
        notes: what to know about the folder.
    """

    study: Study
    result: RunResult | None
    folder: Path
    sentences: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    finished: bool = True
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Case:
    """One study or variant on its way."""

    study: Study
    folder: Path
    specs: list[UnitSpec]
    outcomes: dict[int, UnitOutcome] = field(default_factory=dict)
    outcome: Outcome | None = None


@dataclass(slots=True)
class _Job:
    """One study file: its folder and its cases."""

    study: Study
    claim: Claim
    cases: list[_Case]
    budget: TimeBudget


def run_batch(
    studies: Sequence[Study],
    out: Path,
    options: RunOptions,
    watch: Watch,
    stop: Stop,
    settle: Callable[[], None] = lambda: None,
) -> list[Outcome]:
    """Run studies that were read and checked; each is written as soon as it is done.

    `settle` is called when all is written and the last folder is about to be marked as finished.

    Returns:
        One outcome for each study without variants, or for each variant, in order.

    Raises:
        InputError: a study is named twice, or `quick` leaves nothing to try.
        StorageError: a folder is in use or cannot be written; what was recorded is safe.
    """
    paths = [study.path.resolve() for study in studies]
    if twice := next((path for path in paths if paths.count(path) > 1), None):
        raise InputError(str(twice), "is named twice", "name each study once")
    for case in (case for study in studies for case in study.cases if options.quick):
        if not (case.file.search.seeds or case.start_from):
            problem = "seeds = false leaves nothing to try with --quick"
            raise InputError(
                f"{case.path}, [search]", problem, "run without --quick, or with seeds"
            )
    jobs: list[_Job] = []
    try:
        for study in studies:
            jobs.append(_begin(study, out, options))
        _run_jobs(jobs, options, watch, stop, settle)
    finally:
        for job in jobs:
            job.claim.release()
    return [case.outcome for job in jobs for case in job.cases if case.outcome is not None]


# --- before --------------------------------------------------------------------------------------


def _begin(study: Study, out: Path, options: RunOptions) -> _Job:
    name = study.path.stem + (QUICK_SUFFIX if options.quick else "")
    plan = _plan(study, options)
    claim = claim_folder(
        out,
        name,
        question_hash(_question(study, options)),
        {"lengths": lengths_of(plan)},
        partial(holds_part, plan=plan),
    )
    try:
        hours = study.file.search.hours
        budget = TimeBudget(None if hours is None else 3600.0 * hours, len(study.cases))
        return _Job(study, claim, _cases(study, claim, plan), budget)
    except (OptimiserError, OSError):
        claim.release()
        raise


def _plan(study: Study, options: RunOptions) -> dict[str, list[UnitSpec]]:
    """Units of each case by its folder in the study's, empty for the study itself."""
    plan: dict[str, list[UnitSpec]] = {}
    names: set[str] = set()
    for case in study.cases:
        folder = _unique(own_slug(case.variant), names) if case.variant else ""
        plan[folder] = _specs(case, options)
    return plan


def _cases(study: Study, claim: Claim, plan: dict[str, list[UnitSpec]]) -> list[_Case]:
    cases: list[_Case] = []
    for case, (name, specs) in zip(study.cases, plan.items(), strict=True):
        folder = claim.path / name
        write_inputs(folder, case, again=True)
        cases.append(_Case(case, folder, _placed(specs, folder)))
    return cases


def _placed(specs: list[UnitSpec], folder: Path) -> list[UnitSpec]:
    """Units with their records in a folder: the journal that is there already, or a new one."""
    labels = {spec.label for spec in specs}
    records = {name: path for name, path in known_records(folder).items() if name in labels}
    for spec in specs:
        taken = set(records.values())
        names = (f"{count:02d}-{spec.record.name}" for count in itertools.count(spec.rack + 1))
        paths = (folder / RECORD_FOLDER / name for name in names)
        records.setdefault(spec.label, next(path for path in paths if path not in taken))
    return [replace(spec, record=records[spec.label]) for spec in specs]


def _question(study: Study, options: RunOptions) -> Iterator[bytes]:
    """Everything that decides the designs; the time allowed only decides how many there are."""
    yield __version__.encode()
    for case in study.cases:
        record = case.resolved()
        record["search"] = search_asked(record)
        record["overridden"] = [options.trials, options.seed, *(["quick"] if options.quick else [])]
        yield json.dumps(record, sort_keys=True, default=str).encode()


def _unique(name: str, taken: set[str]) -> str:
    number, plain = 1, name
    while name.lower() in taken:
        number += 1
        name = f"{plain}-{number}"
    taken.add(name.lower())
    return name


def _specs(study: Study, options: RunOptions) -> list[UnitSpec]:
    """The units of one of a study's cases.

    Their records have the last part of their names only, until it is known where they go.
    """
    problem, table = study.problem(), study.file.search
    settings = SearchSettings(
        trials=options.trials or table.trials,
        sampler=table.sampler,
        population=table.population,
        stop_window=table.stop_window,
        give_up_after=table.give_up_after,
        quick=options.quick,
    )
    seed = study.seed if options.seed is None else options.seed
    question = case_question(study, quick=options.quick)
    earlier = earlier_designs(problem, study.start_from)
    specs = []
    for index, rack in enumerate(problem.racks):
        for repeat in range(table.repeats):
            again = f", repeat {repeat + 1}" if table.repeats > 1 else ""
            name = slug(rack.name) + (f"-{repeat + 1}" if again else "")
            specs.append(
                UnitSpec(
                    label=f"{study.name}, {rack.name}{again}",
                    problem=problem,
                    rack=index,
                    seed=seed + repeat,
                    settings=settings,
                    seeds=table.seeds,
                    refine=table.refine,
                    record=Path(f"{name}.journal"),
                    question=unit_question(question, rack, seed + repeat),
                    earlier=earlier.get(index),
                )
            )
    return specs


# --- during and after ----------------------------------------------------------------------------


def _run_jobs(
    jobs: list[_Job], options: RunOptions, watch: Watch, stop: Stop, settle: Callable[[], None]
) -> None:
    cases = [case for job in jobs for case in job.cases]
    places = [(case, index) for case in cases for index in range(len(case.specs))]
    specs = [case.specs[index] for case, index in places]
    trouble: list[str] = []
    notes: list[str] = []

    def done(number: int, outcome: UnitOutcome) -> None:
        case, index = places[number]
        case.outcomes[index] = outcome
        looking_on.end(number, outcome)
        if isinstance(outcome, UnitFailure) and outcome.storage:
            trouble.append(outcome.message)
        if trouble or len(case.outcomes) < len(case.specs):
            return
        job = next(job for job in jobs if case in job.cases)
        try:
            case.outcome = _write_case(case, job.claim, notes)
            if all(each.outcome for each in job.cases):
                last = all(each.outcome for each in cases)
                _write_job(job, settle if last else lambda: None)
        except StorageError as error:
            trouble.append(str(error))

    shares = _shares(jobs, options)
    studies = [
        (job.claim.path, job.study.title, [spec for case in job.cases for spec in case.specs])
        for job in jobs
    ]
    looking_on = LookingOn(studies, shares, watch)
    _run_specs(
        specs, shares, options, looking_on.watch, lambda: bool(trouble) or stop(), done, notes
    )
    if trouble:
        # A full disk hits every unit alike: one line says it.
        raise StorageError(trouble[0])


def _shares(jobs: Sequence[_Job], options: RunOptions) -> Shares:
    """Time for each unit: of the command's, else of its study's hours."""
    seconds, by_clock = options.seconds, options.until is not None
    if options.until is not None:
        seconds = max(0.0, options.until - time.time())
    whole = TimeBudget(seconds, sum(len(job.cases) for job in jobs), by_clock).begin()
    return Shares(
        [
            job.budget if seconds is None else whole
            for job in jobs
            for case in job.cases
            for _ in case.specs
        ]
    )


def _run_specs(
    specs: list[UnitSpec],
    shares: Shares,
    options: RunOptions,
    watch: Watch,
    stop: Stop,
    done: Callable[[int, UnitOutcome], None],
    notes: list[str],
) -> None:
    """Units on this machine or on a cluster."""
    if options.cluster is None:
        workers = options.workers or _workers(specs)
        run_units(specs, workers=workers, watch=watch, stop=stop, shares=shares, done=done)
        return
    try:
        from optimiser.jobs.cluster import run_units_on_cluster
    except ModuleNotFoundError as error:
        raise InputError(
            "--cluster",
            f"needs Dask, and {error.name} is not installed",
            "install it with: pip install 'tierod-optimiser[cluster]'",
        ) from None
    run_units_on_cluster(
        options.cluster,
        specs,
        watch=watch,
        stop=stop,
        shares=shares,
        done=done,
        note=notes.append,
    )


def _workers(specs: Sequence[UnitSpec]) -> int:
    """Processes that are worth starting: each imports everything again, for a second or so."""
    designs = sum(0 if spec.settings.quick else spec.settings.trials for spec in specs)
    return cores() if designs > SHORT_SEARCH else 1


def cores() -> int:
    """Cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def _write_job(job: _Job, settle: Callable[[], None]) -> None:
    """What is left when every case of a study is written."""
    if job.study.variants:
        results = {
            case.folder.name: case.outcome.result
            for case in job.cases
            if case.outcome is not None and case.outcome.result is not None
        }
        if results:
            write_sweep(job.claim.path, job.study.title, results)
    if all(case.outcome is not None and case.outcome.finished for case in job.cases):
        settle()
        remove_progress(job.claim.path)
        job.claim.finish()


def _notes(claim: Claim, units: Sequence[UnitResult]) -> Iterator[str]:
    """What to know about the folder, and about the records in it."""
    ran_out = any(unit.stop_reason == TIME_UP for unit in units)
    if claim.before == "cut off":
        yield f"{claim.path} had been cut off: went on where it stopped."
    elif claim.before == "lost":
        yield f"{claim.path} had lost its state.json: went on from its record."
    elif claim.before == "finished":
        if new := sum(len(unit.designs) - unit.kept for unit in units):
            yield f"{claim.path} was finished: went on from there, with {new} designs more."
        elif not ran_out:
            yield (
                f"{claim.path} was finished, and nothing is left to search: give more --trials or "
                "time; [search] stop_window and give_up_after end a search early."
            )
    if claim.passed_over:
        yield f"{claim.passed_over[0]} holds another run: this one is in {claim.path}."
    yield from (unit.note for unit in units if unit.note)
    if ran_out:
        yield "The time allowed ran out before every search was over: the same command goes on."


def _write_case(case: _Case, claim: Claim, noted: Sequence[str]) -> Outcome:
    outcomes = [case.outcomes[index] for index in range(len(case.specs))]
    failures = [outcome for outcome in outcomes if isinstance(outcome, UnitFailure)]
    units = [unit for unit in outcomes if isinstance(unit, UnitResult)]
    problems = tuple(failure.message for failure in failures)
    notes = (*_notes(claim, units), *noted)
    told = tuple(unit for unit in units if len(unit.designs))
    # A unit that had no time for a single design has still to be done.
    finished = len(told) == len(outcomes) and all(unit.finished for unit in told)
    if not told:
        return Outcome(case.study, None, case.folder, (), problems, finished, notes)
    result = RunResult(case.study, case.specs[0].problem, told)
    if note := starting_note(result):
        notes = (*notes, note)
    asked = case.specs[0]
    if finished and asked.refine and not asked.settings.quick:
        evens = break_evens(result.problem, result.designs, result.evaluation, case.study.seed)
        result = replace(result, break_even=evens)
    answer = write_run(case.folder, result, finished=finished, problems=problems)
    said = tuple(answer.sentences())
    return Outcome(case.study, result, case.folder, said, problems, finished, notes)
