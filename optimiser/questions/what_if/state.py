"""The design that is being tried, and what a line makes of it."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.design_numbers import drawn_designs
from optimiser.answer.run_result import Chosen
from optimiser.base.errors import InputError
from optimiser.evaluation.designs import FollowsRack
from optimiser.evaluation.quantities import quantity
from optimiser.folder.choose import plausible_span
from optimiser.folder.pick import PICKED
from optimiser.folder.read import read_results
from optimiser.questions.what_if.lines import RACK, SETTINGS
from optimiser.study.read import read_study, with_overrides

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.questions.what_if.lines import Line
    from optimiser.study.read import Study


@dataclass(frozen=True, slots=True)
class State:
    """A design that is being tried.

    Attributes:
        chosen: the design, with the study as it is asked now.
        start: what it began as, with the study as it was read.
        arm_alone: an arm height was typed, so that it no longer follows the rack.
    """

    chosen: Chosen
    start: Chosen
    arm_alone: bool = False

    @property
    def values(self) -> dict[str, float]:
        """Its variables."""
        names = self.chosen.problem.variables
        return {name: float(self.chosen.design.column(name)[0]) for name in names}

    def asked_otherwise(self) -> dict[str, dict[str, Any]]:
        """Keys of the study that were changed, by table, with their values now."""
        found: dict[str, dict[str, Any]] = {}
        for table, key in dict.fromkeys(key for keys in SETTINGS.values() for key in keys):
            now = setting(self.chosen.study, table, key)
            if now != setting(self.start.study, table, key):
                found.setdefault(table, {})[key] = now
        return found


# --- where it begins -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Opened:
    """Where it begins.

    Attributes:
        words: what the design is.
        saves: what the folders of saved designs are called, before their number.
        notes: what was left aside.
    """

    state: State
    words: str
    saves: Path
    notes: tuple[str, ...] = ()


def open_design(path: Path, out: Path) -> Opened:
    """The winner of a result folder, or the drawn place of a study file.

    Args:
        path: the folder or the file.
        out: folder that designs saved from a study go into; a result has its own.

    Raises:
        InputError: neither can be read.
    """
    return _of_result(path) if os.path.isdir(path) else _of_study(path, out)


def _of_result(path: Path) -> Opened:
    stored = read_results(path)
    result, words = stored.result, "the winner"
    row = result.winner
    if row is None:
        row, words = result.nearest, "which breaks its limits least: there is no winner"
    elif not result.acceptable:
        words = "the nearest: no rack is acceptable"
    saves = stored.folder / PICKED / "tried"
    if row is None:
        state = _drawn(stored.study, stored.problem)
        why = f"no design of {path} can be assembled"
        return Opened(state, f"the drawn place, no spacers: {why}", saves)
    found = result.chosen(row)
    # Evaluated anew: a number that is compared with itself may not differ by how it was stored.
    start = evaluated(stored.study, stored.problem, found.label, found.design)
    return Opened(State(start, start), f"{found.label} of {path}, {words}", saves)


def _of_study(path: Path, out: Path) -> Opened:
    study = read_study(path)
    notes = ("The study's variants are left aside: this is the study itself.",)
    state = _drawn(study, study.problem())
    words = f"the drawn place of {path}, no spacers, the first rack"
    return Opened(state, words, out / f"{study.name}-tried", notes if study.variants else ())


def _drawn(study: Study, problem: Problem) -> State:
    first = drawn_designs(problem).select(slice(0, 1))
    start = evaluated(study, problem, "the drawn place", first)
    return State(start, start)


def evaluated(study: Study, problem: Problem, label: str, design: Designs) -> Chosen:
    """A design (a batch of one) with its outcome."""
    return Chosen(study, problem, label, design, problem.evaluate(design))


# --- what a line makes of it ---------------------------------------------------------------------


def changed(state: State, line: Line) -> State:
    """The state after a line that gives a rack, a variable or a key of the study.

    Raises:
        InputError: a value that no study would take.
    """
    if line.name in SETTINGS:
        return _asked(state, line)
    chosen, free, rack = state.chosen, state.values, int(state.chosen.design.rack[0])
    alone = state.arm_alone or line.name == "arm_height_mm"
    if line.name == RACK:
        rack = [item.name for item in chosen.problem.racks].index(str(line.value))
    else:
        free[line.name] = _placed(line, free[line.name])
    if isinstance(chosen.problem.space["arm_height_mm"], FollowsRack) and not alone:
        del free["arm_height_mm"]
    # What is moved of the suspension stays moved.
    problem = chosen.problem
    names, moves = problem.columns[len(problem.variables) :], problem.moves(chosen.design)[0]
    values: dict[str, Any] = {**free, **dict(zip(names, moves.tolist(), strict=True))}
    return moved(state, chosen.problem.designs([rack], values), alone)


def moved(state: State, design: Designs, arm_alone: bool) -> State:
    """The state with another design of the same study."""
    return _made(state, state.chosen.study, state.chosen.problem, design, arm_alone)


def _made(state: State, study: Study, problem: Problem, design: Designs, arm_alone: bool) -> State:
    chosen = evaluated(study, problem, state.start.label, design)
    new = State(chosen, state.start, arm_alone)
    return replace(new, chosen=replace(chosen, label=_label(new)))


def _placed(line: Line, before: float) -> float:
    """The value of a variable that was typed, of which a study would take any in its span."""
    value = float(line.value or 0.0) + (before if line.is_step else 0.0)
    low, high = plausible_span(line.name)
    if not low <= value <= high:
        unit = quantity(line.name).unit
        problem = f"{value:g} {unit} is not between {low:g} and {high:g}"
        raise InputError(line.text, problem, "check the value")
    return value


def _asked(state: State, line: Line) -> State:
    """The same design with a key of the study changed."""
    study, tables = state.chosen.study, dict[str, dict[str, Any]]()
    for table, key in SETTINGS[line.name]:
        value = line.value
        if line.is_step:
            before = setting(study, table, key)
            if isinstance(before, str):
                problem = f"[{table}] {key} is {plain(before)}"
                raise InputError(line.text, problem, "type a place, no step")
            value = float(line.value or 0.0) + float(before)
        tables.setdefault(table, {})[key] = value
    study = with_overrides(study, tables, line.text)
    return _made(state, study, study.problem(), state.chosen.design, state.arm_alone)


def setting(study: Study, table: str, key: str) -> Any:
    """Value of a key of the study; of the required lock, what a turning circle makes it.

    Where a file says what is wanted of the outer wheel, its name stands for the target.
    """
    steering = study.file.steering
    if key == "ackermann_target" and steering is not None and steering.wanted_outer is not None:
        return steering.wanted_outer
    value = getattr(getattr(study.file, table), key)
    return float(np.degrees(study.inner_lock or 0.0)) if value is None else value


def plain(value: Any) -> str:
    """A value of a key as a study file has it."""
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _label(state: State) -> str:
    """What was tried, of which design."""
    chosen, start = state.chosen, state.start
    parts = [] if chosen.rack == start.rack else [f"rack = {chosen.rack.name}"]
    for name, value in state.values.items():
        if value != float(start.design.column(name)[0]):
            parts.append(f"{name} = {value:g}")
    for table, keys in state.asked_otherwise().items():
        parts += [f"[{table}] {key} = {plain(value)}" for key, value in keys.items()]
    return f"tried from {start.label} ({', '.join(parts)})" if parts else start.label
