"""What the models of a study file say about a key, and what went wrong with it, in one line."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import Discriminator

from optimiser.study.keys import Span, Table
from optimiser.study.tables import StudyFile

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

_TAGS = ("range", "number", "stock", "word")


# --- what the models say about a key -------------------------------------------------------------


def keys_of(model: type[Table]) -> dict[str, FieldInfo]:
    """Fields of a table by the name that the file uses."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def table_of(info: FieldInfo) -> type[Table] | None:
    """Model of the table, or of the tables in a list, that a field holds; None for a plain key.

    A range is written as a value, `{from = LOW, to = HIGH}`, though it is read as a table.
    """
    if any(isinstance(item, Discriminator) for item in info.metadata) or _is_range(info):
        return None
    candidates = (info.annotation, *get_args(info.annotation))
    return next((c for c in candidates if isinstance(c, type) and issubclass(c, Table)), None)


def _is_range(info: FieldInfo) -> bool:
    return Span in (info.annotation, *get_args(info.annotation))


def all_tables() -> dict[tuple[str, ...], type[Table]]:
    """Every table by its path; the top of the file has the empty one."""
    tables: dict[tuple[str, ...], type[Table]] = {(): StudyFile}
    for path, model in _below((), StudyFile):
        tables[path] = model
    return tables


def _below(path: tuple[str, ...], model: type[Table]) -> list[tuple[tuple[str, ...], type[Table]]]:
    found = []
    for name, info in keys_of(model).items():
        if inner := table_of(info):
            found += [((*path, name), inner), *_below((*path, name), inner)]
    return found


def heading(path: tuple[str, ...]) -> str:
    """Heading of a table as the file has it, such as `[search.vary]` or `[[keep_out]] number 2`."""
    if not path:
        return ""
    name, _, number = path[-1].partition(" ")
    top = StudyFile.model_fields.get(name)
    listed = top is not None and get_origin(top.annotation) is tuple
    dotted = ".".join((*path[:-1], name))
    return f"[[{dotted}]] {number}".strip() if listed else f"[{dotted}]"


def unit_of(info: FieldInfo | None) -> str:
    """Unit of a key, empty for words and plain numbers."""
    extra = info.json_schema_extra if info is not None else None
    unit = str(extra["unit"]) if isinstance(extra, dict) else ""
    return "" if unit == "1" else unit


def ways(annotation: Any, unit: str = "") -> list[str]:
    """How a key of some type may be written."""
    plain = {
        float: f"a number{f' in {unit}' if unit else ''}",
        int: "a whole number",
        bool: "true or false",
        str: 'text in "quotes"',
        Span: "{from = LOW, to = HIGH}",
    }
    if annotation in plain:
        return [plain[annotation]]
    if _is_point(annotation):
        return ["[x, y, z]"]
    origin, inside = get_origin(annotation), get_args(annotation)
    if origin is tuple and inside == (float, float):
        return [f"[travel in mm, {unit}]"]
    if origin is Literal:
        return [f'"{word}"' if isinstance(word, str) else f"{word}" for word in inside]
    if origin is tuple:
        return ["a list of " + " or ".join(ways(inside[0], unit)).replace("a number", "numbers")]
    if origin is dict:
        return ["a table"]
    if origin is Annotated:
        return ways(inside[0], unit)
    if origin in (Union, UnionType):
        return [way for a in inside if a is not NoneType for way in ways(a, unit)]
    return ["a table"]


def _is_point(annotation: Any) -> bool:
    if get_origin(annotation) in (Union, UnionType):
        given = [one for one in get_args(annotation) if one is not NoneType]
        return len(given) == 1 and _is_point(given[0])
    if get_origin(annotation) is Annotated:
        return _is_point(get_args(annotation)[0])
    return get_origin(annotation) is tuple and get_args(annotation) == (float, float, float)


# --- from pydantic's errors to lines -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an error is: tables on the way, keys inside the last, and what the models say."""

    tables: tuple[str, ...]
    keys: tuple[str, ...]
    model: type[Table]
    info: FieldInfo | None

    def __str__(self) -> str:
        return " ".join(part for part in (heading(self.tables), *self.keys) if part)

    def up(self) -> _Place:
        """The same without its last key."""
        return replace(self, keys=self.keys[:-1])


def _find(error: ErrorDetails) -> _Place:
    """Place of an error, whose `loc` holds keys, indices into lists, and tags of unions."""
    tables: list[str] = []
    keys: list[str] = []
    model: type[Table] = StudyFile
    info: FieldInfo | None = None
    last = len(error["loc"]) - 1
    for index, part in enumerate(error["loc"]):
        is_unknown = error["type"] == "extra_forbidden" and index == last
        if isinstance(part, int):
            names = keys or tables
            names[-1] += f" number {part + 1}"
        elif part in keys_of(model) and not is_unknown:
            info = keys_of(model)[part]
            inner = table_of(info)
            (tables if inner else keys).append(part)
            model = inner or (Span if _is_range(info) else model)
        elif part in _TAGS and not is_unknown:
            model = Span if part == "range" else model
        else:
            keys.append(shown(part, quote=not part.isidentifier()))
    return _Place(tuple(tables), tuple(keys), model, info)


def explain(error: ErrorDetails) -> tuple[str, str, str]:
    """Place, problem and remedy of one error."""
    place, kind, value = _find(error), error["type"], error["input"]
    if kind == "refused":
        context = error["ctx"]
        if context["place"]:
            place = replace(place, keys=(*place.keys, context["place"]))
        return str(place), context["problem"], context["remedy"]
    if kind == "extra_forbidden":
        return _unknown(place, str(error["loc"][-1]), value)
    # Of the list, not the key as a whole.
    short = kind == "missing" and isinstance(error["loc"][-1], int)
    if (short or kind == "too_long") and place.info and _is_point(place.info.annotation):
        point = replace(place, keys=tuple(key.split()[0] for key in place.keys))
        return str(point), "does not hold three numbers", "write [x, y, z] in mm"
    if kind == "missing":
        return _missing(place)
    problem = f"{shown(value)} is not {_wanted(kind, place.info)}"
    return str(place), problem, _spellings(place)


def _unknown(place: _Place, name: str, value: Any) -> tuple[str, str, str]:
    known = keys_of(place.model)
    what = "table" if isinstance(value, dict) and not place.tables else "key"
    problem = f"unknown {what} {place.keys[-1]}"
    homes = [path for path, model in all_tables().items() if name in keys_of(model)]
    close = difflib.get_close_matches(name.lower(), known, 1, 0.6)
    if place.model is Span:
        remedy = "write {from = LOW, to = HIGH}"
    elif homes and what == "key":
        remedy = f"it belongs in {' or '.join(heading(h) or 'the top of the file' for h in homes)}"
    elif close:
        remedy = f"did you mean {close[0]}?"
    else:
        remedy = f"known here: {', '.join(known)}"
    return str(place.up()), problem, remedy


def _missing(place: _Place) -> tuple[str, str, str]:
    if place.model is Span:
        return str(place.up()), f"{place.keys[-1]} is missing", "write {from = LOW, to = HIGH}"
    if not place.keys:
        needed = [name for name, info in keys_of(place.model).items() if info.is_required()]
        return "", f"table {heading(place.tables)} is missing", f"add it with {', '.join(needed)}"
    unit = unit_of(place.info)
    described = (place.info.description or "") if place.info else ""
    remedy = f"add {place.keys[-1]} = ...{f' in {unit}' if unit else ''} ({described})"
    return str(place.up()), f"{place.keys[-1]} is missing", remedy


def _wanted(kind: str, info: FieldInfo | None) -> str:
    if kind in ("float_type", "finite_number"):
        return "a finite number"
    return {
        "int_type": "a whole number",
        "bool_type": "true or false",
        "string_type": "text",
        "tuple_type": "a list",
        "dict_type": "a table",
        "model_type": "a table",
        "literal_error": "a word known here",
        "union_tag_not_found": "a way to write it",
        "union_tag_invalid": "a way to write it",
    }.get(kind, "what is wanted here")


def _spellings(place: _Place) -> str:
    if not place.keys and place.tables:
        name = place.tables[-1].split()[0]
        return f"write it under a heading {heading((*place.tables[:-1], name))}"
    if place.info is None:
        return "check its value"
    wanted = place.info.annotation
    if get_origin(wanted) is dict and len(place.keys) > 1:  # one entry of a sub-table
        wanted = get_args(wanted)[1]
    return f"write {' or '.join(ways(wanted, unit_of(place.info)))}"


def shown(value: Any, *, quote: bool = True, longest: int = 70) -> str:
    """A value from the file, short and without control characters."""
    text = repr(value) if quote or not str(value).isprintable() else str(value)
    return text if len(text) <= longest else f"{text[: longest - 3]}..."
