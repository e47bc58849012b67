"""The answer of `adapt` in words: what is the least that has to change of the suspension."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.moved import NOT_CHECKED, moves_words
from optimiser.answer.whole_sweep import sweep_notes
from optimiser.evaluation.clearance.moved import MOVED_PAIR
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.moves import KEPT, MOVED_CLEARANCE, MOVED_MM
from optimiser.evaluation.quantities import amount, excess_words, is_pair, pair_words, quantity
from optimiser.evaluation.quantity import rounded, told_apart
from optimiser.questions.adapt.asked import suspension_of
from optimiser.questions.adapt.character import NUMBERS, curves_of
from optimiser.questions.adapt.rack import ROUNDED, WITH_ROOM
from optimiser.questions.adapt.room import OFF_MM
from optimiser.questions.adapt.ways import ALL, NOTHING, ONE, TWO

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.problem import Problem
    from optimiser.questions.adapt.rack import RackAnswer, Way
    from optimiser.questions.adapt.relaxed import Cure
    from optimiser.study.read import Study


def verdict(answer: RackAnswer, study: Study) -> Iterator[str]:
    """The answer for one rack, a sentence or two each."""
    problem = answer.problem
    rack = problem.racks[answer.rack].name
    nothing, way = answer.ways[NOTHING], answer.recommended
    if nothing.acceptable:
        yield f"{rack} needs nothing moved: {setting_words(problem, nothing)}."
    elif way is None:
        yield from _nothing_helps(answer)
    else:
        yield (
            f"What is the least that has to change so that {rack} fits? {_first(way.name)}: "
            f"{moves_words(problem, way.design)}; {_change(way)}."
        )
        yield f"Then {setting_words(problem, way)}, with little or nothing to spare."
        yield from _others(answer, way)
        yield from drawn_words(problem, nothing)
        yield from _car(problem, way)
    if way is not None and way.design is not None and answer.swept is not None:
        for note in sweep_notes(problem, way.design, answer.swept):
            yield f"Note that {note}."
    hand = problem.hands[answer.rack]
    if hand.needs_saying:
        begin = "WRONG HAND: the rack" if hand.opposite_hand_needed else "Direction and hand:"
        yield f"{begin} {hand.sentence}."
    if study.file.objectives.bump_steer == "with tolerances":
        yield "Judged are cars made exactly; built cars have more, see the report of a run."
    yield NOT_CHECKED


def _first(text: str) -> str:
    return text[:1].upper() + text[1:] + (" move" if text == ALL else "")


def _change(way: Way) -> str:
    return f"{amount(MOVED_MM, way.moved_mm)} in all"


def setting_words(problem: Problem, way: Way) -> str:
    """Where rack and arm are in a way, and what it comes to."""
    if way.design is None or way.outcome is None:
        return "nothing can be assembled"
    at = {
        name: amount(name, float(way.design.column(name)[0]))
        for name in ("rack_height_mm", "rack_fore_aft_mm", "spacer_mm", "arm_length_mm")
    }
    numbers = ", ".join(
        f"{quantity(name).words} {_against(problem, name, float(way.outcome.metrics[name][0]))}"
        for name in JUDGED
    )
    return (
        f"the rack is {at['rack_height_mm']} above ground and {at['rack_fore_aft_mm']} ahead of "
        f"the axle, with {at['spacer_mm']} spacers: {numbers}"
    )


def _against(problem: Problem, name: str, value: float) -> str:
    most = float(problem.acceptable[JUDGED.index(name)])
    one = quantity(name)
    return f"{one.against(value, most)} ({most:g} accepted)"


def _others(answer: RackAnswer, recommended: Way) -> Iterator[str]:
    """The other ways, and the recommended one rounded and with room."""
    problem = answer.problem
    whole, said = answer.ways[ALL], {recommended.subset}
    for name in (ONE, TWO, ALL):
        way = answer.ways[name]
        if name == recommended.name or (way.acceptable and way.subset in said):
            continue
        said.add(way.subset)
        if not way.acceptable:
            yield f"{_first(name)}: none was found that does."
        else:
            yield f"{_first(name)}: {moves_words(problem, way.design)}; {_change(way)}."
    if recommended.name != ALL and recommended.subset != whole.subset:
        yield (
            "Recommended are the fewest entries that change at most 1.5 times as much as all that "
            "may move; no way was found that changes less than that."
        )
    for kind, words, none in (
        (ROUNDED, "In whole millimetres", "no such moves of these entries were found"),
        (
            WITH_ROOM,
            f"With room, so that it stays acceptable with any one moved point {OFF_MM:g} mm off "
            "(toe set again; [suspension.keep] not asked)",
            "no such moves of these entries were found",
        ),
    ):
        way = answer.ways[f"{recommended.name}, {kind}"]
        text = f"{moves_words(problem, way.design)}; {_change(way)}" if way.acceptable else none
        yield f"{words}: {text}."


def drawn_words(problem: Problem, nothing: Way) -> Iterator[str]:
    """What the best with nothing moved breaks."""
    if nothing.design is None or nothing.outcome is None:
        yield "With nothing moved no design was found that can be assembled."
        return
    broken = _broken(problem, nothing)
    yield f"With nothing moved the best found is not acceptable: it breaks {', '.join(broken)}."
    yield from _drawn_rod(problem, nothing)


def _drawn_rod(problem: Problem, nothing: Way) -> Iterator[str]:
    """That the drawn tie rod's own bump steer is in the curves that bands count from."""
    if nothing.outcome is None:
        return
    bands = suspension_of(problem).bands()
    away = {name: float(nothing.outcome.metrics[name][0]) for name in bands}
    parts = [
        f"{quantity(name).words.removeprefix('departure of ')} by "
        f"{quantity(name).against(value, bands[name])} ({bands[name]:g} kept)"
        for name, value in away.items()
        if value > bands[name]
    ]
    if parts:
        own = float(np.abs(curves_of(problem, problem.points).toe_change_deg).max())
        yield (
            f"Note that the drawn tie rod has {amount('bump_steer_deg', own)} of bump steer, which "
            "is in the drawn curves that [suspension.keep] counts from: with nothing moved this "
            f"rack alone parts the car from them in {', '.join(parts)}. Draw the tie rod "
            "nearer to what is wanted, or widen the band."
        )


def _broken(problem: Problem, way: Way) -> list[str]:
    """Limits that a way breaks, and by how much."""
    if way.outcome is None:
        return []
    found = []
    for name, over in zip(problem.constraint_names, way.outcome.constraints[0], strict=True):
        if not over <= 0.0:
            found.append(excess_words(name, float(over), ".3g"))
    return found


def _car(problem: Problem, way: Way) -> Iterator[str]:
    """What the moves do to the car, against the bands."""
    if way.design is None or way.outcome is None:
        return
    bands = suspension_of(problem).bands()
    parts = []
    for name in KEPT:
        one, value = quantity(name), float(way.outcome.metrics[name][0])
        band = f" of {bands[name]:g}" if name in bands else ""
        words = one.words.removeprefix("departure of ")
        size = told_apart(value, bands.get(name, 0.0), one.digits)
        parts.append(f"{words} by {size}{band} {one.unit}")
    yield f"The car parts from the drawn one in {', '.join(parts)}."
    before = curves_of(problem, problem.points).numbers()
    after = curves_of(problem, problem.corners(way.design)[0].select(0)).numbers()
    lines = [
        f"{words} {rounded(before[name], digits)} becomes {rounded(after[name], digits)} {unit}"
        for name, (words, unit, digits) in NUMBERS.items()
    ]
    yield f"{_first('; '.join(lines))}."


# --- nothing helps -------------------------------------------------------------------------------


def _nothing_helps(answer: RackAnswer) -> Iterator[str]:
    problem = answer.problem
    rack = problem.racks[answer.rack].name
    yield (
        f"No moves within [suspension.may_move] and [suspension.keep] were found that make {rack} "
        f"acceptable."
    )
    nothing = answer.ways[NOTHING]
    yield from drawn_words(problem, nothing)
    if answer.cures:
        yield "Each of these alone, with moves that the study allows and all else kept, would do:"
        for cure in answer.cures:
            yield f"  {cure_words(problem, cure)}"
    else:
        yield (
            "No single limit, band or box was found that would make it acceptable by being wider "
            "alone."
        )


def cure_words(problem: Problem, cure: Cure) -> str:
    """A limit, band or box and what it would have to be."""
    if cure.box:
        entry, _, direction = cure.name.partition(" ")
        key = f"[suspension.may_move] {entry} {direction}"
        return f"{key} of {_up(cure.least, 1)} mm instead of {cure.now:g}"
    if cure.name == "rack_travel_mm":
        return (
            f"a rack that moves {_up(2.0 * cure.least, 1)} mm from end to end instead of "
            f"{2.0 * cure.now:g}"
        )
    one = quantity(cure.name)
    pair = f" ({moved_pair_words(cure.pair)})" if cure.pair else ""
    if cure.name in (MOVED_CLEARANCE, "clearance_mm") and cure.least < 0.0:
        # No study asks for less than touching.
        return (
            f"parts that make room{pair}, which at the best overlap by "
            f"{_up(-cure.least, one.limit_digits)} mm where {cure.now:g} mm are wanted"
        )
    least = cure.least > cure.now
    value = _up(cure.least, one.limit_digits + 1) if least else _down(cure.least, one.limit_digits)
    return f"{_key(problem, cure.name)}{pair} of {value} {one.unit} instead of {cure.now:g}"


def _key(problem: Problem, name: str) -> str:
    """The key of the study that a limit is set by."""
    if name in KEPT:
        return f"[suspension.keep] {KEPT[name]}"
    if name in JUDGED:
        return f"[steering] acceptable_{name}"
    own = {"clearance_mm": "clearance_mm", MOVED_CLEARANCE: "clearance_mm"}
    if name in problem.bounds:
        return f"the limit on {quantity(name).words}"
    return f"[limits] {own.get(name, name)}"


def moved_pair_words(column: str) -> str:
    """'lower arm to pedal box' of the column of a pair, of the steering or of what is moved."""
    if column.startswith(MOVED_PAIR):
        text = column.removeprefix(MOVED_PAIR).removesuffix("_mm").replace("_", " ")
        for part in ("lower arm", "upper arm", "moved pivot"):
            if text.startswith(part):
                return f"{part} to{text.removeprefix(part)}"
        return text
    return pair_words(column) if is_pair(column) else column


def _up(value: float, digits: int) -> str:
    scale = 10.0**digits
    return f"{np.ceil(value * scale - 1e-9) / scale:.{digits}f}"


def _down(value: float, digits: int) -> str:
    scale = 10.0**digits
    return f"{np.floor(value * scale + 1e-9) / scale:.{digits}f}"


def short_answer(answer: RackAnswer) -> str:
    """The answer in a few words, for a table of racks."""
    way = answer.recommended
    if way is None:
        return "nothing found"
    return "nothing" if way.name == NOTHING else moves_words(answer.problem, way.design)


def stands_words(answer: RackAnswer) -> str:
    """What stands in the way of a rack that nothing helps, the least first; empty of others."""
    return "; ".join(cure_words(answer.problem, cure) for cure in answer.cures)
