"""A study of the car with its moved points, written so that `run` takes it as it is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.evaluation.moves import MOVED_MM
from optimiser.study.case import frame_key

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from optimiser.study.read import Study

HARDPOINTS, CATALOGUE = "hardpoints.csv", "racks.csv"
_FILES = {"wanted_toe": "wanted_toe.csv", "wanted_outer": "wanted_outer.csv"}


def moved_study_text(study: Study, rack: str, comment: str) -> str:
    """Text of `study.toml` beside `hardpoints.csv`, `racks.csv` and the wanted curves.

    The study as it was read, of one rack, without what may move and without variants. A turning
    circle is given as the lock that it came to on the car as drawn, so that the question stays.
    """
    tables = study.file.model_dump(
        mode="json", by_alias=True, exclude_unset=True, exclude_none=True,
        exclude={"variant", "suspension"},
    )  # fmt: skip
    tables["title"] = f"{study.title}, suspension adapted to {rack}"
    tables["hardpoints"] = {"file": HARDPOINTS}
    tables["racks"] = {"catalogue": CATALOGUE, "use": [rack]}
    named = [item for item in tables.get("keep_out", ()) if item.get("file") is not None]
    for number, item in enumerate(named):
        item["file"] = f"{frame_key(number)}.csv"
    steering = tables["steering"]
    for name, file in _FILES.items():
        if name in steering:
            steering[name] = file
    if steering.pop("turning_circle_m", None) is not None:
        steering["inner_lock_deg"] = float(np.degrees(study.inner_lock or 0.0))
    _without_change(tables)
    # Its path is none from here, and another car's front is no start of this one.
    tables.get("search", {}).pop("start_from", None)
    lines = [f"# {line}" for line in comment.splitlines()]
    return "\n".join([*lines, "", *_table((), tables)]) + "\n"


def _without_change(tables: dict[str, Any]) -> None:
    """Take out what is said of the change, which a car of which nothing may move has not."""
    objectives, limits = tables.get("objectives", {}), tables.get("limits", {})
    if MOVED_MM in objectives.get("also", ()):
        objectives["also"] = [name for name in objectives["also"] if name != MOVED_MM]
    for table in (objectives.get("acceptable"), limits.get("at_most"), limits.get("at_least")):
        if table is not None:
            table.pop(MOVED_MM, None)


def copied_files(study: Study) -> dict[str, str]:
    """Name in the folder of each other file that the study reads, by its kind."""
    kinds = {"catalogue": CATALOGUE, **_FILES}
    others = (kind for kind in study.inputs if kind not in ("study", "hardpoints"))
    return {kinds.get(kind, f"{kind}.csv"): kind for kind in others}


def _table(path: tuple[str, ...], table: Mapping[str, Any]) -> Iterator[str]:
    """Lines of a table: its own keys, then the tables in it."""
    plain = {k: v for k, v in table.items() if not _is_table(v) and not _is_list_of_tables(v)}
    if path and (plain or not table):
        yield ""
        yield f"[{'.'.join(map(_key, path))}]"
    for key, value in plain.items():
        yield f"{_key(key)} = {_value(value)}"
    for key, value in table.items():
        if _is_table(value):
            if _is_inline(value):
                continue
            yield from _table((*path, key), value)
        elif _is_list_of_tables(value):
            for item in value:
                yield ""
                yield f"[[{'.'.join(map(_key, (*path, key)))}]]"
                yield from (f"{_key(k)} = {_value(v)}" for k, v in item.items())


def _is_inline(value: Any) -> bool:
    """A range `{from = LOW, to = HIGH}`, which is written on one line."""
    return isinstance(value, dict) and set(value) == {"from", "to"}


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) and not _is_inline(value)


def _is_list_of_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


def _key(name: str) -> str:
    bare = name.isascii() and all(letter.isalnum() or letter in "-_" for letter in name)
    return name if name and bare else _text(name)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError("a study holds no infinite number")
        return repr(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    return "[" + ", ".join(map(_value, value)) + "]"


def _text(value: str) -> str:
    """A basic string of TOML."""
    out = []
    for letter in value:
        if letter in '"\\':
            out.append("\\" + letter)
        elif ord(letter) < 0x20 or ord(letter) == 0x7F:
            out.append(f"\\u{ord(letter):04X}")
        else:
            out.append(letter)
    return '"' + "".join(out) + '"'
