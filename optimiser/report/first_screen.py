"""The first screen of the report: the whole answer at a glance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.fitting import direction_sentences
from optimiser.answer.held import bounded_values, held
from optimiser.answer.limits_and_growth import binding_sentences
from optimiser.evaluation.bolting import IF_KNOWN
from optimiser.evaluation.quantities import quantity
from optimiser.evaluation.wants import accepted_bound, bound_range
from optimiser.report.words import number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.exactness import Accuracy
    from optimiser.answer.rack_table import RackRow
    from optimiser.answer.run_result import Chosen, RunResult
    from optimiser.evaluation.asked import Bound
    from optimiser.report.answer_words import Answer

_MOST_WATCHED = 2


def first_screen(
    result: RunResult, chosen: Chosen | None, answer: Answer, exact: Accuracy | None
) -> dict[str, Any]:
    """What the page shows first; numbers are of the chosen or nearest design, if there is one."""
    screen: dict[str, Any] = {
        "headline": answer.headline,
        "good": result.acceptable,
        "nearest": "",
        "place": [],
        "judged": [],
        "watch": [],
        "more": 0,
    }
    if chosen is None:
        return screen | {"nearest": answer.place}
    if not result.acceptable:
        what = "" if chosen.outcome.feasible[0] else ", which breaks limits"
        screen["nearest"] = f"The nearest is {chosen.rack.name}{what}:"
    watch = list(dict.fromkeys(_watch(chosen, result.foremost_rack, answer, exact)))
    return screen | {
        "place": list(_place(chosen)),
        "judged": list(_judged(chosen)),
        "watch": watch[:_MOST_WATCHED],
        "more": len(watch[_MOST_WATCHED:]),
    }


def _place(chosen: Chosen) -> Iterator[tuple[str, str]]:
    """Setting-out numbers, each with its unit and where it counts from."""
    lengths = chosen.lengths_mm
    side = "ahead of" if lengths["rack_fore_aft_mm"] >= 0.0 else "behind"
    after = {
        "rack_height_mm": " above ground",
        "rack_fore_aft_mm": f" {side} the front axle",
        "spacer_mm": " at each end",
        "arm_height_mm": " above ground",
    }
    for one in map(quantity, (*chosen.problem.variables, "tie_rod_length_mm")):
        value = lengths[one.name]
        value = abs(value) if one.name == "rack_fore_aft_mm" else value
        yield one.words, f"{number(value, one.digits)} {one.unit}{after.get(one.name, '')}"


def _judged(chosen: Chosen) -> Iterator[tuple[str, str, str, bool]]:
    """Words, value with its unit, how it stands to what is accepted, and whether it is kept."""
    for found in held(chosen.problem, chosen.outcome):
        one = found.one
        value = f"{number(chosen.metric(one.name), one.digits)} {one.unit}".rstrip()
        bound = accepted_bound(one.name, found.accepted)
        yield one.words, value, against(bound, found.kept, found.at_least), found.kept
    for bound, measured in bounded_values(chosen.problem, chosen.design, chosen.outcome):
        one, kept = quantity(bound.name), bound.kept(measured)
        value = f"{number(measured, one.digits)} {one.unit}".rstrip()
        low = bound.least is not None and (bound.most is None or measured < bound.least)
        if not (one.name in IF_KNOWN and np.isnan(measured)):
            yield one.words, value, against(bound, kept, low), kept


def against(bound: Bound, kept: bool, low: bool) -> str:
    """How a number stands to a bound, `low` where it is or would be broken from below.

    'of 0.1 accepted', 'above 0.1 accepted', 'at least 2 accepted', 'below 2 accepted'.
    """
    if kept:
        only_least = bound.most is None
        return f"{'' if only_least else 'of '}{bound_range(bound)} accepted"
    return f"below {bound.least:g} accepted" if low else f"above {bound.most:g} accepted"


def _watch(
    chosen: Chosen, row: RackRow | None, answer: Answer, exact: Accuracy | None
) -> Iterator[str]:
    """What a builder has to look out for, the most dangerous first."""
    if row is not None and row.stopped_by:
        yield f"{row.stopped_by[:1].upper()}{row.stopped_by[1:]}."
    yield from direction_sentences(chosen.problem, chosen.design)
    built = None if exact is None else exact.built
    limits = chosen.problem.acceptable.tolist()
    if built is not None and (
        built.reason or any(p.against(m) for p, m in zip(built.percentiles, limits, strict=True))
    ):
        yield answer.built
    for note in () if row is None else row.notes:
        yield f"{note[:1].upper()}{note[1:].rstrip('.')}."
    yield from binding_sentences(chosen)
    if answer.built:
        yield answer.built
    if exact is not None:
        yield f"Made exactly: bump steer stays acceptable with {exact.words(exact.bands[0])}."
