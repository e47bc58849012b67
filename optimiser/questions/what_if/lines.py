"""One typed line to what it asks: a command, a rack, a variable, or a key of the study."""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

from optimiser.base.errors import InputError
from optimiser.evaluation.designs import ROLL, VARIABLES
from optimiser.study.messages import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

COMMANDS = ("best", "limits", "show", "undo", "save", "help", "quit")
RACK = "rack"
SETTINGS = {
    "travel_mm": (("travel", "bump_mm"), ("travel", "droop_mm")),
    "bump_mm": (("travel", "bump_mm"),),
    "droop_mm": (("travel", "droop_mm"),),
    "wheelbase_mm": (("car", "wheelbase_mm"),),
    "lock_deg": (("steering", "inner_lock_deg"),),
    "inner_lock_deg": (("steering", "inner_lock_deg"),),
    "ackermann_target": (("steering", "ackermann_target"),),
    "clearance_mm": (("limits", "clearance_mm"),),
    "toggle_margin_deg": (("limits", "toggle_margin_deg"),),
    "inner_joint_angle_deg": (("limits", "inner_joint_angle_deg"),),
    "outer_joint_angle_deg": (("limits", "outer_joint_angle_deg"),),
    "rack_travel_margin_mm": (("limits", "rack_travel_margin_mm"),),
}
"""What can be typed for keys of the study, as table and key each."""
OFF = "off"
"""What takes a limit out, as in a study file."""
_UNITS = ("_mm", "_deg")
_TYPED = re.compile(
    r"(?P<name>[a-z][a-z_ -]*?)\s*(?P<how>[+-]?=)?\s*(?P<value>[+-]?\s*[0-9.]\S*?|off)"
    r"(?:\s*(?P<unit>mm|deg))?",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)(e[+-]?[0-9]+)?", re.IGNORECASE)
_RACK = re.compile(r"rack(?P<rest>\s*=.+| .+)", re.IGNORECASE)
_WORD = re.compile(r"[^ =+\-0-9.][^ =+]*")
_GREATEST = 1e5


@dataclass(frozen=True, slots=True)
class Line:
    """What one line asks.

    Attributes:
        text: the line, short, for messages.
        name: of a command, `rack`, a column of a variable, or one of `SETTINGS`.
        value: a place, a step where `is_step`, or a word; None for a command.
    """

    text: str
    name: str
    value: float | str | None = None
    is_step: bool = False


def parse(line: str, racks: Sequence[str], variables: Sequence[str] = VARIABLES) -> Line | None:
    """What a line asks; None of an empty one and of a comment, which begins with #.

    Names may be cut short where they stay unambiguous, and left without their unit. A number with
    a sign is a step, without one a place; after `=` it is a place with any sign.

    Raises:
        InputError: it cannot be read as one of these.
    """
    plain = " ".join(line.split())
    if not plain or plain.startswith("#"):
        return None
    text = shown(plain, quote=False)
    named = found["rest"].strip() if (found := _RACK.fullmatch(plain)) else ""
    if named and (rack := _rack_named(text, named, racks)):
        return Line(text, RACK, rack)
    # A minus that was copied out of a text is meant as one.
    found = _TYPED.fullmatch(plain.replace("\N{MINUS SIGN}", "-"))
    if found is None:
        return _command(text, plain, named, racks, variables)
    if found["name"].lower() in COMMANDS:
        raise InputError(text, f"{found['name']} stands alone", "leave the rest out")
    name = resolve(text, found["name"], _valued_names(variables))
    if name == RACK:
        _no_rack(text, found["value"], racks)
    if found["unit"] and not name.endswith(f"_{found['unit'].lower()}"):
        raise InputError(text, f"{name} is not in {found['unit']}", "leave the unit out")
    return _valued(text, name, found["how"] or "", found["value"].replace(" ", ""))


def _command(
    text: str, plain: str, rack: str, racks: Sequence[str], variables: Sequence[str]
) -> Line:
    """A line without a number."""
    names = (*COMMANDS, *_valued_names(variables))
    name = resolve(text, plain, names) if _WORD.fullmatch(plain) else ""
    if name in COMMANDS:
        return Line(text, name)
    if name:
        _ask_for_value(text, name, racks)
    if rack:
        _no_rack(text, rack, racks)
    if first := re.split(r"[ =+-]", plain, maxsplit=1)[0]:
        resolve(text, first, names)
    raise InputError(text, "is not one name and one number", "type one change a line; see help")


def _ask_for_value(text: str, name: str, racks: Sequence[str]) -> NoReturn:
    if name == RACK:
        raise InputError(text, "no rack is named", f"the study has {', '.join(racks)}")
    short = _short(name)
    raise InputError(
        text, "no number stands there", f"type {short} 20 for a place, {short} +5 for a step"
    )


def _valued(text: str, name: str, how: str, value: str) -> Line:
    """A place or a step."""
    if value.lower() == OFF:
        if SETTINGS.get(name, (("", ""),))[0][0] != "limits" or how not in ("", "="):
            raise InputError(text, f"{_short(name)} cannot be off", "type a number")
        return Line(text, name, OFF)
    number = float(value) if _NUMBER.fullmatch(value) else math.nan
    if not abs(number) < _GREATEST:
        raise InputError(text, f"{value} is not a plausible number", "type it plainly: 142.5")
    signed = value[0] in "+-"
    if (how in ("+=", "-=") and signed) or (how == "=" and value[0] == "+"):
        short, size = _short(name), value.lstrip("+-")
        raise InputError(
            text,
            "may mean a place or a step",
            f"type {short} = {size} for the place, {short} +{size} or {short} -{size} for a step",
        )
    is_step = how in ("+=", "-=") or (signed and not how)
    return Line(text, name, -number if how == "-=" else number, is_step)


# --- names ---------------------------------------------------------------------------------------


def _valued_names(variables: Sequence[str]) -> tuple[str, ...]:
    return (RACK, *variables, *SETTINGS)


def _short(name: str) -> str:
    """A name as it is typed, without its unit."""
    return next((name.removesuffix(unit) for unit in _UNITS if name.endswith(unit)), name)


def resolve(text: str, typed: str, names: Iterable[str]) -> str:
    """The name that was typed, in full, without its unit, or the beginning of it.

    Raises:
        InputError: no name, with the nearest one, or the beginning of several.
    """
    wanted = re.sub(r"[ -]", "_", typed.strip().lower())
    known = list(names)
    if exact := [name for name in known if wanted in (name, _short(name))]:
        return exact[0]
    found = [name for name in known if name.startswith(wanted)]
    if len(found) == 1:
        return found[0]
    if found:
        several = ", ".join(map(_short, found))
        raise InputError(text, f"{shown(wanted)} may be {several}", "type more of it")
    if wanted in (ROLL, _short(ROLL)):
        remedy = "give [search.vary] rack_roll_deg in the study"
        raise InputError(text, "this study does not say that racks may be rolled", remedy)
    shorts = list(map(_short, known))
    near = [name for name in shorts if wanted in name] or difflib.get_close_matches(
        wanted, shorts, 1, 0.0
    )
    said = f"the nearest {'is' if len(near) == 1 else 'are'} {', '.join(near)}; see help"
    raise InputError(text, f"{shown(wanted)} is not known", said)


def _rack_named(text: str, typed: str, racks: Sequence[str]) -> str:
    """The rack of that name, or whose name begins so; empty where there is none."""
    wanted = typed.casefold()
    if exact := [rack for rack in racks if " ".join(rack.split()).casefold() == wanted]:
        return next((rack for rack in exact if rack == typed), exact[0])
    found = [rack for rack in racks if " ".join(rack.split()).casefold().startswith(wanted)]
    if len(found) > 1:
        raise InputError(text, f"{shown(typed)} may be {', '.join(found)}", "type more of it")
    if not found and typed.startswith("=") and typed != "=":
        return _rack_named(text, typed[1:].strip(), racks)
    return found[0] if found else ""


def _no_rack(text: str, typed: str, racks: Sequence[str]) -> NoReturn:
    (near,) = difflib.get_close_matches(typed, racks, 1, 0.0)
    problem = f"the study has no rack {shown(typed)}"
    raise InputError(text, problem, f"the nearest is {near}; it has {', '.join(racks)}")
