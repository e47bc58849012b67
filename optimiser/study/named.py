"""Quantities that a study file names: which may be bounded, which made as good as can be."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from optimiser.evaluation.quantities import QUANTITIES, quantity
from optimiser.study.keys import refuse

if TYPE_CHECKING:
    from optimiser.evaluation.quantity import Quantity

_NEAR = 0.5  # of `difflib`'s ratio: less alike is no help


def limit_named(name: str, table: str) -> None:
    """Refuse a name in `[limits.at_most]` or `[limits.at_least]` that can be no limit there.

    Raises:
        PydanticCustomError: it is unknown, has a key of its own, or is of no single design.
    """
    one = _known(name, f"{table} {shown_name(name)}")
    if one.own_limit and one.apart is None:
        problem = f"{name} has a key of its own"
        refuse(problem, f"write it as [limits] {one.own_limit}", f"{table} {name}")
    if one.apart is not None:
        refuse(f"{name} {one.apart[0]}", one.apart[1], f"{table} {name}")


def objective_named(name: str, place: str) -> None:
    """Refuse a name in `[objectives] also` that cannot be made as good as can be.

    Raises:
        PydanticCustomError: it is unknown, neither less nor more of it is better, or it is of no
            single design.
    """
    one = _known(name, place)
    if one.apart is not None:
        refuse(f"{name} {one.apart[0]}", one.apart[1], place)
    if not one.better:
        remedy = f"bound it by [limits.at_most] or [limits.at_least] {name}"
        refuse(f"neither less nor more of {name} is better", remedy, place)


def _known(name: str, place: str) -> Quantity:
    try:
        return quantity(name)
    except KeyError:
        names = [one.name for one in QUANTITIES if one.apart is None]
        close = difflib.get_close_matches(name, names, 1, _NEAR)
        remedy = f"did you mean {close[0]}?" if close else "results/README.md lists them"
        refuse(f"{shown_name(name)} is no quantity", remedy, place)


def shown_name(name: str) -> str:
    """A name from the file, short and without control characters."""
    text = repr(name) if not name.isidentifier() else name
    return text if len(text) <= 60 else f"{text[:57]}..."
