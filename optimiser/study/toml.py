"""The text of a study file to its models: TOML, variants, and refusals of one line each."""

from __future__ import annotations

import itertools
import tomllib
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from optimiser.base.errors import InputError
from optimiser.base.tables import read_text
from optimiser.study.messages import explain, shown
from optimiser.study.tables import StudyFile

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from optimiser.study.tables import Variant

MAX_DEPTH = 12
MAX_VARIANTS = 1000
_TOO_DEEP = "nests tables or lists too deep for a study"
# Of these only one may be given, so a variant that gives one drops the study's other.
_EITHER = (
    ("inner_lock_deg", "turning_circle_m"),
    ("ackermann_target", "wanted_outer"),
    ("wanted_toe", "wanted_toe_gradient_deg_per_m"),
)


# --- the text ------------------------------------------------------------------------------------


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """Text of a study file and its raw tables.

    Raises:
        InputError: no such file, not text, not TOML (with the line), or nested too deep.
    """
    try:
        is_folder, exists = path.is_dir(), path.exists()
    except (OSError, ValueError):  # a name that no file system takes
        is_folder, exists = False, False
    if is_folder:
        raise InputError(str(path), "is a folder", "give the study file in it, such as study.toml")
    if not exists:
        raise InputError(str(path), "no such study file", "check the path")
    text = read_text(path)
    try:
        raw = tomllib.loads(text)
    except RecursionError:
        raise InputError(str(path), _TOO_DEEP, "write it flatter") from None
    except ValueError as error:  # TOMLDecodeError, and integers of thousands of digits
        problem = f"is not valid TOML: {shown(str(error), quote=False, longest=200)}"
        raise InputError(str(path), problem, _toml_remedy(str(error))) from None
    if _depth_exceeds(raw, MAX_DEPTH):
        raise InputError(str(path), _TOO_DEEP, "write it flatter")
    return text, raw


def _toml_remedy(error: str) -> str:
    if "overwrite" in error or "twice" in error or "mutate" in error:
        return "a key or table stands twice: keep one"
    if "\\" in error or "escape" in error:
        return "in paths write / instead of \\"
    return 'mend that line: text stands in "quotes", tables are headed by [brackets]'


def _depth_exceeds(raw: Any, limit: int) -> bool:
    """Whether tables and lists are nested deeper than `limit`; level by level, no recursion."""
    level = [raw]
    for _ in range(limit):
        level = [
            item
            for value in level
            for item in (value.values() if isinstance(value, dict) else value)
            if isinstance(item, (dict, list))
        ]
        if not level:
            return False
    return True


def validate(raw: Mapping[str, Any], where: str) -> StudyFile:
    """Models of raw tables; `where` is the file, and the variant in it.

    Raises:
        InputError: the first thing wrong, misspelt keys before what they leave missing.
    """
    try:
        return StudyFile.model_validate(dict(raw))
    except ValidationError as error:
        details = error.errors(include_url=False)
    first = min(details, key=lambda detail: detail["type"] != "extra_forbidden")
    place, problem, remedy = explain(first)
    raise InputError(f"{where}, {place}" if place else where, problem, remedy)


def with_keys(file: StudyFile, overrides: Mapping[str, Any], where: str) -> StudyFile:
    """The same study file with some keys of its tables replaced, as a variant replaces them.

    Raises:
        InputError: a value that the file could not hold; `where` says where it stands.
    """
    base = file.model_dump(
        by_alias=True, exclude={"variant"}, exclude_none=True, exclude_unset=True
    )
    return validate(_merged(base, overrides), where)


# --- variants ------------------------------------------------------------------------------------


def expand(
    file: StudyFile, raw: Mapping[str, Any], where: str
) -> list[tuple[str, str, dict[str, Any]]]:
    """Name, place for messages, and tables of every variant, a grid spread out.

    Raises:
        InputError: two variants of one name, or too many.
    """
    base = {name: value for name, value in raw.items() if name != "variant"}
    found: dict[str, tuple[str, str, dict[str, Any]]] = {}
    for variant in file.variant:
        place = f"{where}, [[variant]] {shown(variant.name)}"
        for name, overrides in _cases(variant, place):
            if name in found:
                problem = f"variant {shown(name)} stands twice"
                raise InputError(place, problem, "give each another name")
            if len(found) == MAX_VARIANTS:
                problem = f"there are more than {MAX_VARIANTS} variants"
                raise InputError(place, problem, "make the grid coarser")
            if bad := [key for key in ("title", "variant") if key in overrides]:
                problem = f"a variant cannot override {bad[0]}"
                raise InputError(place, problem, "use its name instead")
            found[name] = (name, place, _merged(base, overrides))
    return list(found.values())


def _cases(variant: Variant, place: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Name and overrides of every combination of the grid; the variant itself without one."""
    axes = list(_leaves((), variant.grid))
    for path, values in axes:
        if not isinstance(values, list) or not values:
            raise InputError(
                f"{place} grid {'.'.join(path)}",
                f"{shown(values)} is not a list of values",
                "write [FIRST, SECOND, ...]",
            )
    for chosen in itertools.product(*(values for _, values in axes)):
        overrides: dict[str, Any] = variant.overrides
        labels = []
        for (path, _), value in zip(axes, chosen, strict=True):
            nested: Any = value
            for key in reversed(path):
                nested = {key: nested}
            overrides = _merged(overrides, nested)
            labels.append(f"{path[-1]} {shown(value, quote=False)}")
        yield f"{variant.name} {', '.join(labels)}".strip(), overrides


def _leaves(path: tuple[str, ...], tree: Any) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Paths and values of nested tables; their depth is limited when the file is read."""
    if not isinstance(tree, dict):
        yield path, tree
        return
    for key, value in tree.items():
        yield from _leaves((*path, *key.split(".")), value)


def _merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Tables of `base` with those of `over` laid on top, key by key; lists as a whole."""
    merged = dict(base)
    for either in _EITHER:
        if any(key in over for key in either):
            merged = {key: value for key, value in merged.items() if key not in either}
    for key, value in over.items():
        below = merged.get(key)
        both = isinstance(value, dict) and isinstance(below, dict)
        merged[key] = _merged(below, value) if both else value  # type: ignore[arg-type]
    return merged
