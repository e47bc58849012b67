"""Another point than the winner: from the front, by another rule, or typed by hand."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from optimiser.accuracy import accuracy
from optimiser.errors import InputError, NothingFeasibleError
from optimiser.figures import design_figures, figure_bytes
from optimiser.files import write_bytes
from optimiser.findings import WORDS, limit_rows, unit_of
from optimiser.mounting import check_hand
from optimiser.output import write_design
from optimiser.problem import VARIABLES, FollowsRack, Range, Stock
from optimiser.results import Chosen, write_json

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from optimiser.problem import Choice, Problem
    from optimiser.results import RunResult
    from optimiser.stored import StoredRun

Rule = Literal["least-bump-steer", "cheapest", "lightest"]
RULES: tuple[Rule, ...] = get_args(Rule)
PICKED, PICK_FILE = "picked", "pick.json"
_MOST_FRONT = 25
_MOST_TYPED = 10_000
# What a builder compares, its words and digits.
_COMPARED = (
    ("bump_steer_deg", "bump steer", "deg", 3),
    ("ackermann_error_deg", "Ackermann error", "deg", 3),
    ("tie_rod_length_mm", "tie-rod length", "mm", 1),
    ("rack_needed_mm", "rack used each way", "mm", 1),
    ("clearance_mm", "least clearance", "mm", 1),
    ("toggle_margin_deg", "toggle margin", "deg", 1),
    ("tie_rod_force_n", "tie-rod force", "N", 0),
    ("steering_wheel_torque_nm", "steering-wheel torque, parked", "N m", 1),
    ("mass_kg", "mass", "kg", 2),
    ("price", "price", "", 0),
)


@dataclass(frozen=True, slots=True)
class Picked:
    """A design to write, and what to say of it.

    Attributes:
        chosen: the design.
        base: the design that it is compared with.
        notes: warnings, a line each.
        typed: what was typed, by name; empty when nothing was.
    """

    chosen: Chosen
    base: Chosen | None
    notes: tuple[str, ...] = ()
    typed: tuple[tuple[str, float | str], ...] = ()


# --- which design --------------------------------------------------------------------------------


def choose(stored: StoredRun, design: int | None, by: str | None, at: Sequence[str] = ()) -> Picked:
    """The design that was asked for; the winner when nothing was.

    Args:
        stored: the result.
        design: its number in `trials.csv`.
        by: one of `RULES`.
        at: `NAME=VALUE` each, typed on top of the design, the rule's or the winner.

    Raises:
        InputError: no such design or rule, or something typed that cannot be used.
        NothingFeasibleError: no design is what the rule asks for.
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
    found = result.chosen(row)
    base = None if result.winner is None else result.chosen(result.winner)
    if at:
        return _typed(found, at, notes)
    return Picked(found, None if row == result.winner else base, notes)


def row_by(result: RunResult, by: str) -> tuple[int, tuple[str, ...]]:
    """Row of the best design by a rule, and notes on it; see `choose` for what it raises."""
    if by not in RULES:
        raise InputError("--by", f"{by!r} is no rule", f"write one of {', '.join(RULES)}")
    problem, outcome = result.problem, result.evaluation
    values = outcome.objectives[:, :2]
    acceptable = outcome.feasible & (values <= problem.acceptable).all(axis=1)
    keys: tuple[NDArray[np.float64], ...]
    if by == "least-bump-steer":
        usable = outcome.feasible & (values[:, 1] <= problem.acceptable[1])
        what = "keeps every limit and has an acceptable Ackermann error"
        keys = (values[:, 1], values[:, 0])
    else:
        name, what = ("price", "a price") if by == "cheapest" else ("mass_kg", "a mass")
        usable = acceptable & np.isfinite(outcome.metrics[name])
        what = f"is acceptable and has {what}"
        keys = (np.max(values / problem.acceptable, axis=1), outcome.metrics[name])
    right = usable & ~_wrong_hand(problem)[result.designs.rack]
    notes: tuple[str, ...] = ()
    if usable.any() and not right.any():
        notes = ("Only racks of the wrong hand are left: see the report before buying one.",)
        right = usable
    rows = np.flatnonzero(right)
    if not len(rows):
        raise NothingFeasibleError(f"--by {by}: no design {what}")
    order = np.lexsort(tuple(key[rows] for key in keys))
    return int(rows[order[0]]), notes


def _wrong_hand(problem: Problem) -> NDArray[np.bool_]:
    return np.array(
        [
            bool(check_hand(rack, problem.arm_ahead, problem.car.drive_side).opposite_hand_needed)
            for rack in problem.racks
        ]
    )


# --- typed by hand -------------------------------------------------------------------------------


def _typed(base: Chosen, at: Sequence[str], notes: tuple[str, ...]) -> Picked:
    problem = base.problem
    typed = parse_values(at, [rack.name for rack in problem.racks])
    free: dict[str, Any] = {name: float(base.design.column(name)[0]) for name in VARIABLES}
    if isinstance(problem.space["arm_height_mm"], FollowsRack):
        del free["arm_height_mm"]
    rack, warned = int(base.design.rack[0]), list(notes)
    for name, value in typed:
        if isinstance(value, str):
            rack = next(i for i, r in enumerate(problem.racks) if r.name == value)
            continue
        free[name] = value
        if text := _outside(problem.space[name], value, unit_of(name)):
            warned.append(f"{WORDS[name]} {value:g} {unit_of(name)} {text}.")
    design = problem.designs([rack], free)
    outcome = problem.evaluate(design)
    words = ", ".join(f"{n} = {v if isinstance(v, str) else format(v, 'g')}" for n, v in typed)
    if not outcome.assembles[0]:
        raise NothingFeasibleError(f"{words}: {outcome.status[0]}; nothing was written")
    label = f"typed by hand from {base.label} ({words})"
    chosen = replace(base, label=label, design=design, outcome=outcome)
    return Picked(chosen, base, tuple(warned), tuple(typed))


def parse_values(at: Sequence[str], racks: Sequence[str]) -> list[tuple[str, float | str]]:
    """`NAME=VALUE` as names and values, in order.

    Raises:
        InputError: not of that form, an unknown or double name, no number, an unknown rack.
    """
    found: list[tuple[str, float | str]] = []
    names = ("rack", *VARIABLES)
    for text in at:
        name, equals, value = text.partition("=")
        name, value = name.strip(), value.strip()
        if not equals or not value:
            raise InputError(
                f"--at {text}", "is not NAME=VALUE", "write for example rack_height_mm=142"
            )
        if name not in names:
            raise InputError(f"--at {text}", f"unknown name {name!r}", f"use {', '.join(names)}")
        if name in (known for known, _ in found):
            raise InputError(f"--at {text}", f"{name} stands twice", "give it once")
        if name == "rack":
            if value not in racks:
                raise InputError(
                    f"--at {text}", f"unknown rack {value!r}", f"the study has {', '.join(racks)}"
                )
            found.append((name, value))
            continue
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not abs(number) < 1e5:
            raise InputError(
                f"--at {text}", f"{value!r} is not a plausible number", "write it plainly: 142.5"
            )
        found.append((name, number))
    return found


def _outside(choice: Choice, value: float, unit: str) -> str:
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


# --- what to say ---------------------------------------------------------------------------------


def front_lines(stored: StoredRun) -> Iterator[str]:
    """The front briefly, a line each; the winner marked."""
    result = stored.result
    rows = result.front
    shown = _thinned(result, rows)
    yield f"{len(rows)} designs on the front of {stored.study.title}"
    head = ("design", "rack", "bump deg", "Ack. deg", "height", "fore-aft", "spacer", "arm", "")
    table: list[tuple[str, ...]] = [head]
    for row in shown.tolist():
        chosen = result.chosen(row)
        values = [float(chosen.design.column(n)[0]) for n in VARIABLES[:4]]
        table.append(
            (
                str(row + 1),
                chosen.rack.name,
                f"{chosen.outcome.objectives[0, 0]:.3f}",
                f"{chosen.outcome.objectives[0, 1]:.3f}",
                *(f"{value:.1f}" for value in values),
                "chosen" if row == result.winner else "",
            )
        )
    widths = [max(len(line[i]) for line in table) for i in range(len(head))]
    for line in table:
        cells = (
            cell.ljust(width) if i in (1, 8) else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        )
        yield "  ".join(cells).rstrip()
    if len(shown) < len(rows):
        yield f"{len(rows) - len(shown)} more are in front.csv."
    yield "heights and lengths in mm; write one out with --design ID, --by RULE or --at NAME=VALUE"


def _thinned(result: RunResult, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """At most `_MOST_FRONT` rows spread over the front, the winner among them."""
    if len(rows) <= _MOST_FRONT:
        return rows
    picks = np.unique(np.linspace(0, len(rows) - 1, _MOST_FRONT - 1).round().astype(int))
    kept = set(rows[picks].tolist()) | ({result.winner} if result.winner is not None else set())
    return np.array([row for row in rows.tolist() if row in kept], dtype=np.intp)


def cost_lines(picked: Picked) -> Iterator[str]:
    """What the design is and what it costs against the one it is compared with, a line each."""
    chosen, base = picked.chosen, picked.base
    yield chosen.title
    against = "" if base is None else f"against {base.label}, rack {base.rack.name}:"
    if against:
        yield against
    for name in VARIABLES:
        value = float(chosen.design.column(name)[0])
        before = None if base is None else float(base.design.column(name)[0])
        yield _change(WORDS[name], value, before, unit_of(name), 1)
    for name, words, unit, digits in _COMPARED:
        value = chosen.metric(name)
        if math.isfinite(value):
            yield _change(words, value, None if base is None else base.metric(name), unit, digits)
    yield from _verdict(chosen)
    yield from picked.notes


def _change(words: str, value: float, before: float | None, unit: str, digits: int) -> str:
    text = f"  {words}: {value:.{digits}f} {unit}".rstrip()
    if before is None or not math.isfinite(before):
        return text
    change = value - before
    if f"{abs(change):.{digits}f}" == f"{0.0:.{digits}f}":
        return f"{text} (the same)"
    return f"{text} ({change:+.{digits}f})"


def _verdict(chosen: Chosen) -> Iterator[str]:
    problem = chosen.problem
    broken = [row for row in limit_rows(chosen) if not row.left >= 0.0]
    for row in broken:
        yield f"BREAKS {row.words} by {-row.left:.2f} {row.unit}."
    values = chosen.outcome.objectives[0, :2]
    for words, value, most in zip(
        ("bump steer", "Ackermann error"), values, problem.acceptable, strict=True
    ):
        if not value <= most:
            yield f"NOT ACCEPTABLE: {words} {value:.3f} deg against {most:g} deg."
    if not broken and (values <= problem.acceptable).all():
        yield "It keeps every limit and is acceptable."
    hand = check_hand(chosen.rack, problem.arm_ahead, problem.car.drive_side)
    if hand.opposite_hand_needed:
        yield f"WRONG HAND: as it is the rack {hand.sentence}."


# --- writing -------------------------------------------------------------------------------------


def write_pick(stored: StoredRun, picked: Picked) -> Path:
    """Write hardpoints, curves and figures of a design into a folder of its own; returns it."""
    chosen = picked.chosen
    record = _record(picked)
    folder = _folder(stored.folder / PICKED, picked, record)
    write_design(folder, chosen)
    built = accuracy(chosen).built
    band = None if built is None else (built.toe_low_deg, built.toe_high_deg)
    for name, figure in design_figures(chosen, band).items():
        write_bytes(folder / f"{name}.png", figure_bytes(figure, "png"))
    write_json(folder / PICK_FILE, record)
    return folder


def _record(picked: Picked) -> dict[str, Any]:
    chosen, base = picked.chosen, picked.base
    return {
        "label": chosen.label,
        "rack": chosen.rack.name,
        "variables": {n: float(chosen.design.column(n)[0]) for n in VARIABLES},
        "metrics": {name: float(values[0]) for name, values in chosen.outcome.metrics.items()},
        "status": str(chosen.outcome.status[0]),
        "compared_with": None if base is None else base.label,
        "lines": list(cost_lines(picked)),
    }


def _folder(parent: Path, picked: Picked, record: dict[str, Any]) -> Path:
    """`design-ID`, or for a typed point the first `typed-N` that is free or holds the same."""
    if not picked.typed:
        return parent / picked.chosen.label.replace(" ", "-")
    for number in range(1, _MOST_TYPED):
        folder = parent / f"typed-{number}"
        try:
            old = json.loads((folder / PICK_FILE).read_text("utf-8"))
        except (OSError, ValueError):
            old = None
        same = isinstance(old, dict) and all(
            old.get(key) == record[key] for key in ("label", "rack", "variables")
        )
        if same or not folder.exists():
            return folder
    raise InputError(str(parent), "holds ten thousand typed points", "clear some of them away")
