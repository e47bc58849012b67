"""What is not the same in two studies: points, keys, racks, verdicts, and numbers side by side."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.design_numbers import numbers_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from optimiser.answer.run_result import Chosen, RunResult
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array
    from optimiser.study.read import Study

SAME_MM = 1e-6
"""What is less is the arithmetic of changing axes and units."""
THERE = "in the study"
_SAME = "the same by name, what it holds is not"
_LAID_OUT = {"title", "variant"}
"""Of a study what decides nothing."""
_FILES = (("wanted_toe", "[steering] wanted_toe"), ("wanted_outer", "[steering] wanted_outer"))


@dataclass(frozen=True, slots=True)
class PointMove:
    """A point of the left corner that is not where it was, in the car's axes.

    Attributes:
        before: (3,) mm, forward, left and up.
        after: likewise.
    """

    name: str
    before: Array
    after: Array

    @property
    def by(self) -> Array:
        """Move (3,) in mm, forward, left and up."""
        return np.asarray(self.after - self.before)

    @property
    def distance_mm(self) -> float:
        """How far it moves."""
        return float(np.sqrt(np.sum(self.by**2)))


@dataclass(frozen=True, slots=True)
class Change:
    """Something that was one thing and is another; empty where it was or is not there."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class NumberRow:
    """A quantity of the old design, of the same in the new study, and of the new design.

    None where it is not known, and of what is not compared. `change` is from the old design to the
    new one; to the same in the new study where that has no rack and the old one does.
    """

    name: str
    old: float | None
    carried: float | None
    new: float | None
    change: float | None


def point_moves(before: Hardpoints, after: Hardpoints) -> tuple[PointMove, ...]:
    """Points that moved, matched by name."""
    new = dict(after.items())
    found = (PointMove(name, old, new[name]) for name, old in before.items())
    return tuple(move for move in found if move.distance_mm > SAME_MM)


# --- keys ----------------------------------------------------------------------------------------


def key_changes(before: Study, after: Study) -> tuple[Change, ...]:
    """Keys of the study files that say something else, defaults filled in."""
    old, new = _keys(before), _keys(after)
    names = dict.fromkeys((*old, *new))
    found = [Change(name, old.get(name, ""), new.get(name, "")) for name in names]
    changed = [one for one in found if one.before != one.after]
    changed += [
        Change(words, _SAME, _SAME)
        for name, words in _FILES
        if getattr(before, name) != getattr(after, name) and old.get(words) == new.get(words)
    ]
    if before.frames != after.frames and len(before.frames) == len(after.frames):
        changed.append(Change("[[keep_out]] file", _SAME, _SAME))
    return tuple(changed)


def _keys(study: Study) -> dict[str, str]:
    """Every key with its value as text, by '[table] key'."""
    tables = study.file.model_dump(mode="json", by_alias=True, exclude=_LAID_OUT)
    return dict(_flat("", tables))


def _flat(table: str, value: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for key, item in value.items():
        if item is None:
            continue
        path = f"{table}.{key}" if table else key
        if isinstance(item, dict) and set(item) != {"from", "to"}:
            yield from _flat(path, item)
        elif isinstance(item, list) and item and all(isinstance(one, dict) for one in item):
            for number, one in enumerate(item, start=1):
                name = one.get("name") or f"number {number}"
                yield from _flat(f"{path} {name}", one)
        else:
            yield f"[{table}] {key}" if table else key, _text(item)


def _text(value: Any) -> str:
    """A value nearly as a study file has it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.9g}"
    if isinstance(value, dict):
        return f"{_text(value['from'])} to {_text(value['to'])}"
    if isinstance(value, list):
        return f"[{', '.join(map(_text, value))}]"
    return str(value)


# --- racks ---------------------------------------------------------------------------------------


def rack_changes(before: Study, after: Study) -> tuple[Change, ...]:
    """Racks gained and lost, and what the catalogue says of others now, by name and column."""
    old, new = ({rack.name: rack for rack in study.racks} for study in (before, after))
    found = [Change(name, THERE, "") for name in old if name not in new]
    found += [Change(name, "", THERE) for name in new if name not in old]
    for name in (name for name in old if name in new):
        found += _columns(old[name], new[name])
    return tuple(found)


def _columns(before: Rack, after: Rack) -> list[Change]:
    old, new = asdict(before), asdict(after)
    changed = (column for column in old if old[column] != new[column])
    return [
        Change(f"{before.name}, {column}", _cell(old[column]), _cell(new[column]))
        for column in changed
    ]


def _cell(value: Any) -> str:
    if value is None:
        return "not given"
    if isinstance(value, tuple):
        return " ".join(map(_text, value))
    return _text(value)


def verdict_changes(before: RunResult, after: RunResult) -> tuple[Change, ...]:
    """Racks of both whose verdict is another now."""
    old = {row.rack.name: row.verdict for row in before.comparison}
    new = {row.rack.name: row.verdict for row in after.comparison}
    both = (name for name in old if name in new)
    return tuple(Change(n, old[n], new[n]) for n in both if old[n] != new[n])


# --- numbers -------------------------------------------------------------------------------------


def numbers(chosen: Chosen, *, bare: bool) -> dict[str, float | None]:
    """Every quantity of a design by its column; None: not known."""
    rack = None if bare else chosen.rack
    return {one.name: one.value for one in numbers_of(rack, chosen.problem, chosen.design)}


def side_by_side(
    old: Mapping[str, float | None],
    moved: Mapping[str, float | None],
    new: Mapping[str, float | None],
    *,
    to_moved: bool,
) -> tuple[NumberRow, ...]:
    """Rows of what any of the three has a number for; `to_moved`: changes are to the second."""
    rows = []
    for name in dict.fromkeys((*old, *new, *moved)):
        values = old.get(name), moved.get(name), new.get(name)
        before, after = values[0], values[1 if to_moved else 2]
        change = None if before is None or after is None else after - before
        if values != (None, None, None):
            rows.append(NumberRow(name, *values, change))
    return tuple(rows)
