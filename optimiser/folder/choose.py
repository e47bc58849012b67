"""Another design than the winner: by its number, by another rule, or typed by hand."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from optimiser.base.errors import InputError, NothingFeasibleError
from optimiser.evaluation.problem import VARIABLES, FollowsRack, Range, Stock
from optimiser.evaluation.quantities import quantity
from optimiser.study.tables import VaryTable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.answer.run_result import Chosen, RunResult
    from optimiser.evaluation.problem import Choice
    from optimiser.folder.read import StoredRun

Rule = Literal["best", "cheapest", "lightest", "least-bump-steer"]
RULES: tuple[Rule, ...] = get_args(Rule)
# A sign before the number of a place is read as a step by some and as a place by others.
_TYPED = re.compile(r"\s*(?P<name>[^=+-]*?)\s*(?P<how>[+-]?=)\s*(?P<value>.*?)\s*")
_FORMS = "write for example rack_height_mm=142, or rack_height_mm+=5 for a step of 5 mm up"


@dataclass(frozen=True, slots=True)
class Typed:
    """One value that was typed: a place, a step from the design (`is_step`), or a rack's name."""

    name: str
    value: float | str
    is_step: bool = False


@dataclass(frozen=True, slots=True)
class Picked:
    """A design to write, and what to say of it.

    Attributes:
        chosen: the design.
        base: the design that it is compared with.
        notes: warnings, a line each.
        typed: what was typed; empty when nothing was.
    """

    chosen: Chosen
    base: Chosen | None
    notes: tuple[str, ...] = ()
    typed: tuple[Typed, ...] = ()


# --- which design --------------------------------------------------------------------------------


def choose(stored: StoredRun, design: int | None, by: str | None, at: Sequence[str] = ()) -> Picked:
    """The design that was asked for; the winner when nothing was.

    Args:
        stored: the result.
        design: its number in `trials.csv`.
        by: one of `RULES`.
        at: `NAME=VALUE`, `NAME+=STEP` or `NAME-=STEP` each, typed on top of the design, the
            rule's or the winner.

    Raises:
        InputError: no such design or rule, or something typed that cannot be used.
        NothingFeasibleError: no design is what the rule asks for, or it cannot be assembled.
    """
    if design is not None and by is not None:
        raise InputError("--design, --by", "both are given", "give one of the two")
    result = stored.result
    notes: tuple[str, ...] = ()
    if design is not None:
        row = stored.row(design)
    elif by is not None:
        row, notes = row_by(result, by)
    elif result.winner is not None:
        row = result.winner
    else:
        raise NothingFeasibleError(
            f"{stored.folder}: no design keeps every limit, so there is no winner; "
            "name one with --design"
        )
    stored.check([row])
    found = result.chosen(row)
    base = None if result.winner is None else result.chosen(result.winner)
    if not (at or found.outcome.assembles[0]):
        # There are no poses to draw and no points worth building.
        raise NothingFeasibleError(
            f"{found.label}, rack {found.rack.name}: {found.outcome.status[0]}; nothing was written"
        )
    if at:
        return _typed(found, at, (*notes, *_other_rack(result, found, at)))
    return Picked(found, None if row == result.winner else base, notes)


def _other_rack(result: RunResult, base: Chosen, at: Sequence[str]) -> Iterator[str]:
    """A warning when a rack is typed on top of a place that was found for another one."""
    names = [rack.name for rack in result.problem.racks]
    typed = {one.name: one.value for one in parse_values(at, names, result.problem.variables)}
    rack = typed.get("rack", base.rack.name)
    kept = [quantity(name).words for name in result.problem.variables if name not in typed]
    if rack == base.rack.name or not kept:
        return
    best = result.best_of(result.rack_fronts.get(names.index(str(rack)), result.front[:0]))
    begin = "" if best is None else f"; for {rack}'s own place add --design {best + 1}"
    yield f"{', '.join(kept)}: as found for {base.rack.name}, not for {rack}{begin}."


def row_by(result: RunResult, by: str) -> tuple[int, tuple[str, ...]]:
    """Row of the best design by a rule, and notes on it; see `choose` for what it raises."""
    if by not in RULES:
        raise InputError("--by", f"{by!r} is no rule", f"write one of {', '.join(RULES)}")
    problem, outcome = result.problem, result.evaluation
    values = outcome.judged
    good = problem.ratios(outcome) <= 1.0
    acceptable = outcome.feasible & good.all(axis=1)
    if by == "best":
        usable, what = np.zeros(len(values), dtype=bool), "keeps every limit"
        usable[[] if result.best is None else [result.best]] = True
        key = values[:, 0]
    elif by == "least-bump-steer":
        usable = outcome.feasible & good[:, 1:].all(axis=1)
        others = "all else" if good.shape[1] > 2 else "an acceptable Ackermann error"
        what = f"keeps every limit and has {others}{' acceptable' * (good.shape[1] > 2)}"
        key = values[:, 0]
    else:
        name, what = ("price", "a price") if by == "cheapest" else ("mass_kg", "a mass")
        usable = acceptable & np.isfinite(outcome.metrics[name])
        what = f"is acceptable and has {what}"
        key = outcome.metrics[name]
    right = usable & ~problem.wrong_hand[result.designs.rack]
    notes: tuple[str, ...] = ()
    if usable.any() and not right.any():
        notes = ("Only racks of the wrong hand are left: see the report before buying one.",)
        right = usable
    rows = np.flatnonzero(right)
    if not len(rows):
        raise NothingFeasibleError(f"--by {by}: no design {what}")
    best = result.best_of(rows[key[rows] == key[rows].min()])
    return int(rows[0] if best is None else best), notes


# --- typed by hand -------------------------------------------------------------------------------


def _typed(base: Chosen, at: Sequence[str], notes: tuple[str, ...]) -> Picked:
    problem = base.problem
    typed = parse_values(at, [rack.name for rack in problem.racks], problem.variables)
    given = problem.variable_values(base.design)
    free: dict[str, Any] = {name: float(value[0]) for name, value in given.items()}
    steps = dict(free)
    if isinstance(problem.space["arm_height_mm"], FollowsRack):
        del free["arm_height_mm"]
    rack, warned, words = int(base.design.rack[0]), list(notes), []
    for one in typed:
        if isinstance(one.value, str):
            rack = next(i for i, r in enumerate(problem.racks) if r.name == one.value)
            words.append(f"{one.name} = {one.value}")
            continue
        value = one.value + (steps[one.name] if one.is_step else 0.0)
        _check_plausible(one, value)
        free[one.name] = value
        words.append(f"{one.name} = {value:g}{f' ({one.value:+g})' if one.is_step else ''}")
        known = quantity(one.name)
        if text := outside_words(problem.space[one.name], value, known.unit):
            step = f"; for a step write {_step(one)}" if value < 0.0 and not one.is_step else ""
            warned.append(f"{known.words} {value:g} {known.unit} {text}{step}.")
    design = problem.designs([rack], free)
    outcome = problem.evaluate(design)
    said = ", ".join(words)
    if not outcome.assembles[0]:
        raise NothingFeasibleError(f"{said}: {outcome.status[0]}; nothing was written")
    label = f"typed by hand from {base.label} ({said})"
    chosen = replace(base, label=label, design=design, outcome=outcome)
    return Picked(chosen, base, tuple(warned), tuple(typed))


def _step(one: Typed) -> str:
    """How the value is written as a step."""
    value = float(one.value)
    return f"{one.name}{'-' if value < 0.0 else '+'}={abs(value):g}"


def plausible_span(name: str) -> tuple[float, float]:
    """Least and greatest value of a variable that a study file would take."""
    limits = VaryTable.model_fields[name].json_schema_extra
    low, high = (float(limits[end]) for end in ("low", "high"))  # type: ignore[index, arg-type]
    return low, high


def _check_plausible(one: Typed, value: float) -> None:
    """Refuse a place that the study file would not take either; `value` has the step in it."""
    low, high = plausible_span(one.name)
    if low <= value <= high:
        return
    unit = quantity(one.name).unit
    problem = f"{value:g} {unit} is not between {low:g} and {high:g}"
    if one.is_step:
        raise InputError(f"--at {_step(one)}", problem, "take a smaller step")
    remedy = f"for a step write {_step(one)}" if value < low else "check the value"
    raise InputError(f"--at {one.name}={value:g}", problem, remedy)


def parse_values(
    at: Sequence[str], racks: Sequence[str], variables: Sequence[str] = VARIABLES
) -> list[Typed]:
    """`NAME=VALUE`, `NAME+=STEP` and `NAME-=STEP`, in order.

    Raises:
        InputError: not of that form, an unknown or double name, no number, a sign that may mean
            a step as well as a place, an unknown rack.
    """
    found: list[Typed] = []
    names = ("rack", *variables)
    for text in at:
        parts = _TYPED.fullmatch(text)
        if parts is None or not parts["value"]:
            raise InputError(f"--at {text}", "is not NAME=VALUE", _FORMS)
        name, how, value = parts.group("name", "how", "value")
        if name not in names:
            raise InputError(f"--at {text}", f"unknown name {name!r}", f"use {', '.join(names)}")
        if name in (known.name for known in found):
            raise InputError(f"--at {text}", f"{name} stands twice", "give it once")
        if name == "rack":
            if how != "=" or value not in racks:
                raise InputError(
                    f"--at {text}", f"unknown rack {value!r}", f"the study has {', '.join(racks)}"
                )
            found.append(Typed(name, value))
        else:
            found.append(Typed(name, _number(text, name, how, value), how != "="))
    return found


def _number(text: str, name: str, how: str, value: str) -> float:
    """A place, or a step with its sign."""
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not abs(number) < 1e5:
        raise InputError(
            f"--at {text}", f"{value!r} is not a plausible number", "write it plainly: 142.5"
        )
    if value[0] == "+" or (how != "=" and value[0] == "-"):
        plain = value.lstrip("+-")
        raise InputError(
            f"--at {text}",
            "may mean a place or a step",
            f"write {name}={plain} for the place, {name}+={plain} or {name}-={plain} for a step",
        )
    return -number if how == "-=" else number


def outside_words(choice: Choice, value: float, unit: str) -> str:
    """How a value lies outside what the study allows; empty when it does not."""
    if isinstance(choice, Range) and not choice.low <= value <= choice.high:
        return f"is outside the study's range, {choice.low:g} to {choice.high:g} {unit}"
    if isinstance(choice, Stock) and value not in choice.values:
        if len(choice.values) == 1:
            return f"is not what the study fixes, {choice.values[0]:g} {unit}"
        return f"is not on the study's list, {', '.join(f'{v:g}' for v in choice.values)} {unit}"
    if isinstance(choice, FollowsRack):
        return "stands by itself: in the study it follows the rack"
    return ""
