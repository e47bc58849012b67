"""The answer of `compare` in words, a line each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.answer.fitting import direction_sentences
from optimiser.answer.held import held
from optimiser.answer.limits_and_growth import limit_rows
from optimiser.answer.remedies import key_words
from optimiser.evaluation.designs import ROLL, FollowsRack
from optimiser.evaluation.quantities import quantity
from optimiser.evaluation.quantity import rounded
from optimiser.questions.compare.changes import THERE
from optimiser.questions.compare.cures import ANY, ARM, BRACKET, SAME, SHIM, SPACER
from optimiser.questions.compare.sides import is_wrong_hand

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.designs import Designs
    from optimiser.questions.compare.answer import Compared, Judged
    from optimiser.questions.compare.cures import Cure
    from optimiser.questions.compare.sides import Side

_STEPS = {
    "rack_height_mm": ("the rack", "lower", "higher"),
    "rack_fore_aft_mm": ("the rack", "further back", "further forward"),
    "spacer_mm": ("each spacer", "shorter", "longer"),
    "arm_length_mm": ("the steering arm", "shorter", "longer"),
    "arm_height_mm": ("the outer joint", "lower", "higher"),
    "arm_angle_deg": ("the steering arm", "further inboard", "further outboard"),
    ROLL: ("the rack", "rolled back", "rolled further"),
}
"""Of each variable what changes, and what less and more of it is called."""
WAY_WORDS = {
    SHIM: "a shim under the rack",
    SPACER: "other spacers",
    ARM: "another steering arm",
    BRACKET: "another place of the rack",
    ANY: "everything that the study frees",
}
RODS = (
    "The tie rods are no cure by themselves: their length only resets toe, and every number here "
    "takes them as long as toe at rest asks"
)
ROD = "tie_rod_length_mm"
_LEAST_ROD_MM = 0.05
_MOST = 12
_DIGITS, _ALL_DIGITS = 2, 5


def answer_lines(found: Compared) -> Iterator[str]:
    """The short answer."""
    judged = found.judged
    if judged is None:
        yield from _both(found)
    else:
        yield from judged_lines(found, judged)
    yield from _changes(found)


# --- the old design in the new study -------------------------------------------------------------


def judged_lines(found: Compared, judged: Judged) -> Iterator[str]:
    """Whether it still does, what is not allowed, what cures it, and what its rods are then."""
    yield f"{_first(side_words(found.old))}, in {found.new.path}: {headline(found, judged)}."
    for name in judged.outside:
        value = float(judged.chosen.design.column(name)[0])
        one, choice = quantity(name), judged.chosen.problem.space[name]
        yield f"Outside the new study: {one.words} {one.text(value)}; {key_words(name, choice)}."
    yield from judged.carried.notes
    if found.old.bare:
        yield "Without a rack nothing is known of travel, housings and spacers: no limit on them."
    else:
        yield from direction_sentences(judged.chosen.problem, judged.chosen.design)
    yield from _cure_lines(judged)
    yield from _rods(found, judged)


def headline(found: Compared, judged: Judged) -> str:
    """'keeps every limit; bump steer 0.19 deg now (0.05 before), 0.1 accepted; ... cures it'."""
    chosen, parts = judged.chosen, []
    if not chosen.outcome.assembles[0]:
        return f"it {chosen.outcome.status[0]}{_cured(judged)}"
    parts.append(_limits(chosen))
    before = {
        one.one.name: one.value for one in held(found.old.chosen.problem, found.old.chosen.outcome)
    }
    for one in held(chosen.problem, chosen.outcome):
        name = one.one.name
        was = f" ({one.one.text(before[name])} before)" if name in before else ""
        text = f"{one.one.words} {one.one.against(one.value, one.accepted)} now{was}"
        parts.append(text if one.kept else f"{text}, {one.wanted} accepted: NOT ACCEPTABLE")
    if chosen.acceptable:
        parts.append(_standing(found, judged))
    if is_wrong_hand(chosen):
        parts.append("the rack is of the WRONG HAND")
    return "; ".join(parts) + _cured(judged)


def _standing(found: Compared, judged: Judged) -> str:
    """Of an acceptable design: whether the new study allows it too."""
    if not found.old.bare and all(
        rack.name != judged.chosen.rack.name for rack in found.new.study.racks
    ):
        return "acceptable as it stands, with a rack that the new study does not have"
    return "acceptable as it stands" if judged.outside else "acceptable, and allowed"


def _limits(chosen: Chosen) -> str:
    broken = [row for row in limit_rows(chosen) if not row.left >= 0.0]
    if not broken:
        return "keeps every limit"
    return f"BREAKS {' and '.join(f'{row.words} by {row.amount(-row.left)}' for row in broken)}"


def _cured(judged: Judged) -> str:
    cure = judged.cheapest
    if cure is None or cure.chosen is None:
        return ""
    verb = "brings it into the ranges" if judged.chosen.acceptable else "cures it"
    verb += ", but for the hand" if is_wrong_hand(judged.chosen) else ""
    return f"; {_steps(judged, cure)} {verb}"


def _cure_lines(judged: Judged) -> Iterator[str]:
    """What each cheaper way does, or that it does nothing."""
    if not judged.cures:
        return
    cheap = judged.cheapest
    if cheap is None:
        names = ", ".join(_way(judged, cure) for cure in judged.cures if cure.tried)
        yield f"No change was found that makes it acceptable: {names} were tried."
        return
    lacking = []
    for cure in judged.cures:
        if cure.way == cheap.way:
            break
        if cure.tried and cure.chosen is None:
            lacking.append(_way(judged, cure))
    if lacking:
        yield f"Not enough, as far as was found: {', '.join(lacking)}."
    yield f"Least change, the cheapest way first: {cure_words(judged, cheap)}."
    said = {_steps(judged, cheap)}
    for cure in judged.cures:
        # A dearer way may find nothing less than a cheaper one.
        if cure.chosen is not None and _steps(judged, cure) not in said:
            yield f"Or {cure_words(judged, cure)}."
            said.add(_steps(judged, cure))
    if fixed := [WAY_WORDS[cure.way] for cure in judged.cures if not cure.tried]:
        yield f"Not tried, since the new study frees nothing of it: {', '.join(fixed)}."


def _steps(judged: Judged, cure: Cure) -> str:
    return "" if cure.chosen is None else step_words(judged.chosen, cure.chosen.design)


def _way(judged: Judged, cure: Cure) -> str:
    words = WAY_WORDS[cure.way]
    return f"{words} of up to {judged.thickest_mm:g} mm" if cure.way == SHIM else words


def cure_words(judged: Judged, cure: Cure) -> str:
    """'a shim under the rack: the rack 0.7 mm lower, then bump steer 0.09 deg, ...'."""
    if cure.chosen is None:
        return f"{WAY_WORDS[cure.way]}: nothing found"
    text = f"{WAY_WORDS[cure.way]}: {_steps(judged, cure)}"
    height = "rack_height_mm"
    by = cure.chosen.design.column(height)[0] - judged.chosen.design.column(height)[0]
    if cure.way == SHIM and by < 0.0:
        text += ", where shims can be taken out or brackets made lower"
    numbers = " and ".join(
        f"{one.one.words} {one.one.against(one.value, one.accepted)}"
        for one in held(cure.chosen.problem, cure.chosen.outcome)
    )
    left = [quantity(name).words for name in cure.outside]
    still = f", {' and '.join(left)} still outside the new study" if left else ""
    return f"{text}; then {numbers}{still}"


def step_words(old: Chosen, new: Designs, most: int = _ALL_DIGITS) -> str:
    """What is changed: 'the rack 0.7 mm lower and 1.0 mm further forward'; `most` decimals."""
    parts, last = [], ""
    for name in old.problem.variables:
        by = float(new.column(name)[0] - old.design.column(name)[0])
        if abs(by) <= SAME:
            continue
        what, less, more = _STEPS[name]
        unit = quantity(name).unit
        follows = isinstance(old.problem.space[name], FollowsRack)
        size = rounded(abs(by), min(_digits(by), _DIGITS if follows else most))
        lead = "" if what == last else f"{what} "
        parts.append(f"{lead}{size} {unit} {less if by < 0.0 else more}")
        last = what
    return " and ".join(parts) if len(parts) < 3 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _digits(by: float) -> int:
    """Tenths or hundredths where a change is of these; what could not be rounded has all it needs.

    Typed in, a change has to do what is said of it.
    """
    return next((n for n in (1, 2) if abs(10.0**n * by - round(10.0**n * by)) < 1e-3), _ALL_DIGITS)


def _rods(found: Compared, judged: Judged) -> Iterator[str]:
    """How long the tie rods have to be then."""
    before = found.old.chosen.metric(ROD)
    parts = [("as it stands", judged.chosen.metric(ROD))]
    cure = judged.cheapest
    if cure is not None and cure.chosen is not None:
        parts.append(("so changed", cure.chosen.metric(ROD)))
    told = [
        f"{_longer(value - before)} {when}"
        for when, value in parts
        if abs(value - before) >= _LEAST_ROD_MM
    ]
    was = f"{'; '.join(told)} (it was {before:.1f} mm)" if told else ""
    if judged.cures:
        yield f"{RODS}{f': {was}' if was else ''}."
    elif was:
        yield f"To keep toe at rest its tie rods have to be {was}."


def _longer(by: float) -> str:
    return f"{abs(by):.1f} mm {'longer' if by > 0.0 else 'shorter'}"


# --- two designs of one result -------------------------------------------------------------------


def _both(found: Compared) -> Iterator[str]:
    for side in (found.old, found.new):
        chosen = side.chosen
        parts = [_limits(chosen)]
        for one in held(chosen.problem, chosen.outcome):
            text = f"{one.one.words} {one.one.against(one.value, one.accepted)}"
            parts.append(text if one.kept else f"{text}, {one.wanted} accepted: NOT ACCEPTABLE")
        yield f"{_first(chosen.label)}, {chosen.rack.name}: {'; '.join(parts)}."
        yield from direction_sentences(chosen.problem, chosen.design)
    old, new = found.old.chosen, found.new.chosen
    rack = "" if old.rack.name == new.rack.name else f"{new.rack.name} for {old.rack.name}"
    steps = step_words(old, new.design, _DIGITS)
    if text := " and ".join(part for part in (rack, steps) if part):
        yield f"From {old.label} to {new.label}: {text}."
    else:
        yield f"{_first(old.label)} and {new.label} are the same."


# --- what is not the same ------------------------------------------------------------------------


def _changes(found: Compared) -> Iterator[str]:
    if found.judged is None:
        return
    if found.drawn:
        moved = [f"{move.name} {move.distance_mm:.2f} mm" for move in found.drawn]
        yield f"Drawn points moved: {_some(moved)}."
    else:
        yield "No drawn point moved."
    keys = [
        f"{c.name}: {c.before or 'not given'} became {c.after or 'not given'}" for c in found.keys
    ]
    yield f"Keys changed: {_some(keys, '; ')}." if keys else "No key of the study changed."
    gained = [change.name for change in found.racks if change.after == THERE]
    lost = [change.name for change in found.racks if change.before == THERE]
    for verb, names in (("gained", gained), ("lost", lost)):
        if names:
            yield f"Racks {verb}: {_some(names)}."
    if other := [c for c in found.racks if THERE not in (c.before, c.after)]:
        text = _some([f"{c.name} {c.before} became {c.after}" for c in other], "; ")
        yield f"Catalogue values changed: {text}."
    if found.verdicts:
        text = _some([f"{c.name}: {c.before} became {c.after}" for c in found.verdicts], "; ")
        yield f"Verdicts changed: {text}."
    elif found.old.result is not None and found.new.result is not None:
        yield "No rack that is in both has another verdict."
    if found.new.result is not None:
        yield f"The new result has {side_words(found.new)}: its numbers stand beside."


def side_words(side: Side) -> str:
    """'design 12 of results/demo, rack Finch (the winner)'; 'the car as drawn of demo.toml'."""
    which = f" ({side.words})" if side.words else ""
    if side.bare:
        return f"{side.chosen.label} of {side.path}{which}"
    return f"{side.chosen.label} of {side.path}, rack {side.chosen.rack.name}{which}"


def _some(names: Sequence[str], between: str = ", ") -> str:
    more = len(names) - _MOST
    return between.join(names[:_MOST]) + (f"{between}and {more} more" if more > 0 else "")


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]
