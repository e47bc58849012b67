"""What break-even says of a rack: what would make it acceptable, and what to measure first."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.answer.break_even import inward, of_rack, stretches_text
from optimiser.answer.remedies import key_words
from optimiser.evaluation.designs import Range, Stock
from optimiser.evaluation.quantities import is_pair, pair_words
from optimiser.search.break_even import BOUGHT, SANE, held_by

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.answer.break_even import Evens
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Rack
    from optimiser.search.break_even import BreakEven, End, Number, Stretch

NOT_WORKED_OUT = (
    "with which spacing, spacers or travel it would be acceptable is worked out by a finished "
    "optimiser run without --quick and without [search] refine = false"
)
_SAME_MM = 0.1
_FINEST_MM = 0.1
"""Nobody measures a rack more exactly; ends are known to as much."""


def even_rescues(problem: Problem, rack: int, evens: Evens | None) -> Iterator[str]:
    """Which spacers, spacing and travel would make a rack acceptable that is not."""
    if evens is None:
        yield NOT_WORKED_OUT
        return
    known, bought = of_rack(evens, rack), problem.racks[rack]
    if known["inner_joint_spacing_mm"].holds(bought.inner_joint_spacing_mm):
        yield (
            "everything free that the study frees, it is acceptable as it is sold, though the "
            "search has not met such a design: optimiser run STUDY with more --trials"
        )
        return
    if (room := known.get("clearance_mm")) is not None:
        yield _but_for_clearance(problem, room.stretches[0][1])
    found = [
        text
        for number, words in (
            ("spacer_mm", _spacers),
            ("inner_joint_spacing_mm", _spacing),
            ("travel_mm", _travel),
        )
        for text in words(problem, bought, known[number])  # type: ignore[index]
    ]
    yield from found
    if not found:
        looked = ", ".join(
            f"{_NAMES[number]} {SANE[number][0]:g} to {SANE[number][1]:g} mm" for number in BOUGHT
        )
        yield (
            f"no other spacing, spacers or travel alone was found to make it acceptable ({looked})"
        )


_NAMES: dict[Number, str] = {
    "inner_joint_spacing_mm": "spacing",
    "spacer_mm": "spacers",
    "travel_mm": "travel",
}


def _but_for_clearance(problem: Problem, end: End) -> str:
    """That a rack would do as it is but for what it touches."""
    pairs = [pair_words(name) for name in end.stops if is_pair(name)]
    wanted = problem.limits.clearance_mm or 0.0
    room = end.at_mm
    much = f"overlaps by {-room:.1f} mm" if room < 0.0 else f"leaves {room:.1f} mm"
    return (
        f"as it is sold it would be acceptable but for the clearance: at the best that was found "
        f"{' and '.join(pairs) or 'a pair of parts'} {much}, where {wanted:g} mm are wanted"
    )


def _spacers(problem: Problem, _: Rack, one: BreakEven) -> Iterator[str]:
    if not (one.stretches or one.bare):
        return
    text = _stretch_words(one, "with {} mm spacers at each end it would be acceptable")
    keys, choice = [], problem.space["spacer_mm"]
    if not _allowed(choice, one):
        keys.append(key_words("spacer_mm", choice))
    longest = problem.limits.spacer_max_mm
    if longest is not None and one.stretches and one.stretches[0][0].at_mm > longest:
        keys.append(f"[limits] spacer_max_mm is {longest:g} mm")
    if keys and one.stretches:
        text += (
            f"; outside the study: {', '.join(keys)}; optimiser run STUDY with that widened "
            "searches it"
        )
    yield text


def _allowed(choice: object, one: BreakEven) -> bool:
    """Whether some length that the study allows is an acceptable one."""
    if isinstance(choice, Stock):
        return any(one.holds(value) for value in choice.values)
    if isinstance(choice, Range):
        return any(
            low.at_mm <= choice.high and high.at_mm >= choice.low for low, high in one.stretches
        )
    return True


def _spacing(_: Problem, rack: Rack, one: BreakEven) -> Iterator[str]:
    form = "a rack like it with its inner joints {} mm apart would be acceptable"
    yield from _of_rack(one, rack.inner_joint_spacing_mm, form)


def _travel(_: Problem, rack: Rack, one: BreakEven) -> Iterator[str]:
    yield from _of_rack(one, rack.travel_mm, "with a travel of {} mm it would be acceptable")


def _of_rack(one: BreakEven, value: float, form: str) -> Iterator[str]:
    """A sentence on a number that the rack has; none where only clearance is in its way."""
    if one.stretches or (one.bare and not held_by(one.bare, value)):
        yield _stretch_words(one, form) + _against(one, value)


def _stretch_words(one: BreakEven, form: str) -> str:
    """A sentence on the stretches, and on those without clearance where they are others."""
    bare = stretches_text(one.bare, one.number)
    if not one.stretches:
        return f"{form.format(bare)} but for the clearance, and with it nothing was found"
    text = form.format(stretches_text(one.stretches, one.number))
    if not _differ(one.stretches, one.bare):
        return text
    *first, last = _touching(one.stretches) or [""]
    pairs = f"{', '.join(first)} and {last}" if first else last
    return f"{text} ({bare} mm but for the clearance{f' of {pairs}' if pairs else ''})"


def _touching(stretches: Sequence[Stretch]) -> list[str]:
    """Pairs of parts that stop the ends of stretches."""
    names = [name for stretch in stretches for end in stretch for name in end.stops]
    return list(dict.fromkeys(pair_words(name) for name in names if is_pair(name)))


def _differ(whole: Sequence[Stretch], bare: Sequence[Stretch]) -> bool:
    if len(whole) != len(bare):
        return True
    return any(
        abs(one.at_mm - other.at_mm) > _SAME_MM
        for pair, others in zip(whole, bare, strict=True)
        for one, other in zip(pair, others, strict=True)
    )


def _against(one: BreakEven, value: float) -> str:
    """How far the rack's own value is from the nearest that would do."""
    ends = [end for stretch in one.stretches for end in stretch]
    if not ends or one.holds(value):
        return f"; it has {value:g}"
    nearest = min(ends, key=lambda end: abs(end.at_mm - value))
    away = math.ceil(round(abs(nearest.at_mm - value) * 10.0, 6)) / 10.0
    return f"; it has {value:g}, {away:.1f} mm too {'little' if nearest.at_mm > value else 'much'}"


# --- what to measure -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Unsure:
    """A number of a rack that the catalogue is not sure of.

    Attributes:
        share: of what it may turn out to be, how much would change the answer.
        sentence: what its uncertainty means, in words.
        within_mm: how exactly it has to be known; None where that does not matter.
    """

    rack: str
    number: Number
    share: float
    sentence: str
    within_mm: float | None


def unsure_numbers(problem: Problem, rack: int, evens: Evens | None) -> Iterator[Unsure]:
    """What is not sure of a rack, each number alone with the others as they are given."""
    bought = problem.racks[rack]
    for number, value, off in (
        (
            "inner_joint_spacing_mm",
            bought.inner_joint_spacing_mm,
            bought.inner_joint_spacing_plus_minus_mm,
        ),
        ("travel_mm", bought.travel_mm, bought.travel_plus_minus_mm),
    ):
        if off is not None and evens is not None:
            one = of_rack(evens, rack)[number]  # type: ignore[index]
            yield _unsure(bought.name, one, value, off)


def _unsure(rack: str, one: BreakEven, value: float, off: float) -> Unsure:
    low, high = value - off, value + off
    good = one.holds(value)
    inside = sum(max(0.0, min(high, b.at_mm) - max(low, a.at_mm)) for a, b in one.stretches)
    share = 0.0 if off == 0.0 else inside / (2.0 * off)
    share = 1.0 - share if good else share
    begin = f"its {_NAMES[one.number]}, {value:g} mm give or take {off:g}:"
    ends = [end.at_mm for pair in one.stretches for end in pair if low < end.at_mm < high]
    if not ends:
        word = "acceptable" if good else "not acceptable"
        return Unsure(rack, one.number, 0.0, f"{begin} {word} whatever it turns out to be", None)
    within = inward(min(abs(end - value) for end in ends), 1, greatest=True)
    exactly = (
        f"to within {within:.1f} mm"
        if within >= _FINEST_MM
        else "as exactly as you can, for it lies at the very end"
    )
    sentence = (
        f"{begin} it depends on it, acceptable is {stretches_text(one.stretches, one.number)} mm: "
        f"have it measured {exactly} before you pay"
    )
    return Unsure(rack, one.number, share, sentence, within)


def measure_first(unsure: Sequence[Unsure]) -> str:
    """What to measure first, of several racks and numbers; empty where nothing hangs on it."""
    asked = sorted((one for one in unsure if one.within_mm is not None), key=lambda one: -one.share)
    if not asked:
        return ""
    texts = [
        f"{one.rack}'s {_NAMES[one.number]} (to within {max(one.within_mm or 0.0, _FINEST_MM):.1f} "
        f"mm; {100.0 * one.share:.0f} % of what it may be would change the answer)"
        for one in asked
    ]
    return f"Measure before you pay, in this order: {'; '.join(texts)}."
