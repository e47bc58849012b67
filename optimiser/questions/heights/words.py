"""What the heights of a rack come to, in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.evaluation.designs import Range
from optimiser.evaluation.quantities import excess_words
from optimiser.evaluation.quantity import rounded
from optimiser.linkage.at_rack import describe_arm
from optimiser.questions.heights.four_ways import WAYS, following_range

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.questions.heights.four_ways import Place, RackHeights, Way

FIXED, FIXED_SPACED, FOLLOWS, FOLLOWS_SPACED = WAYS
SAME_MM = 5.0
"""A place that differs by less is the same place in words."""
Answer = Literal[
    "no rescue needed",
    "yes, lower",
    "no, but higher",
    "not by itself: lower with the arm",
    "no, but higher with the arm",
    "no, but with another arm",
    "no, but with spacers",
    "no, but with spacers and another arm",
    "no",
]


def answer_of(found: RackHeights) -> Answer:
    """The answer in a few words: does mounting it lower rescue this rack?

    Asked of what is acceptable in bump steer and in Ackermann error, within every limit; the
    remedy named is the first in the order of `WAYS` but that the bare rack comes before spacers.
    """
    drawn = float(found.problem.points.inner_joint[2])
    place = found.place(FIXED)
    if place is not None and place.acceptable:
        if _acceptable_at(found, drawn):
            return "no rescue needed"
        lower = place.at("rack_height_mm") < drawn
        return "yes, lower" if lower else "no, but higher"
    place = found.place(FOLLOWS)
    if place is not None and place.acceptable:
        moved = place.at("arm_height_mm") - float(found.problem.points.outer_joint[2])
        if abs(moved) <= SAME_MM:
            return "no, but with another arm"
        if moved > 0.0:
            return "no, but higher with the arm"
        return "not by itself: lower with the arm"
    for way in (FIXED_SPACED, FOLLOWS_SPACED):
        place = found.place(way)
        if place is not None and place.acceptable:
            fixed = way is FIXED_SPACED
            return "no, but with spacers" if fixed else "no, but with spacers and another arm"
    return "no"


def _acceptable_at(found: RackHeights, height: float) -> bool:
    """Whether the height nearest to the given one is acceptable with the arm fixed."""
    row = int(np.argmin(np.abs(found.heights_mm - height)))
    step = float(np.max(np.diff(found.heights_mm), initial=0.0))
    if abs(float(found.heights_mm[row]) - height) > step:
        return False
    outcome = found.curve(FIXED).both_evaluation
    return bool(
        outcome.feasible[row] and (outcome.objectives[row] <= found.problem.acceptable).all()
    )


_HEADLINES: dict[Answer, str] = {
    "no rescue needed": "It needs no rescue.",
    "yes, lower": "Yes: lower than drawn, with the steering arm left where it is.",
    "no, but higher": "No: higher than drawn, with the steering arm left where it is.",
    "not by itself: lower with the arm": "Not by itself, only together with the steering arm.",
    "no, but higher with the arm": "No: it has to go higher, together with the steering arm.",
    "no, but with another arm": "No, but a steering arm of another shape does it.",
    "no, but with spacers": "No, but spacers do it.",
    "no, but with spacers and another arm": "No, but spacers and another steering arm do it.",
    "no": "No.",
}


def verdict(found: RackHeights) -> Iterator[str]:
    """The verdict, a sentence or two at a time."""
    rack = found.problem.racks[found.rack]
    answer = answer_of(found)
    yield f"Can {rack.name} be rescued by mounting it lower? {_HEADLINES[answer]}"
    yield _fixed_sentence(found)
    if answer in ("no rescue needed", "yes, lower", "no, but higher"):
        return
    good = [found.place(way) for way in (FOLLOWS, FIXED_SPACED)]
    yield _following_sentence(found, FOLLOWS)
    if found.spacer_max_mm > 0.0:
        yield _spacer_sentence(found, any(place and place.acceptable for place in good[:1]))
        if not any(place is not None and place.acceptable for place in good):
            yield _following_sentence(found, FOLLOWS_SPACED)


def _fixed_sentence(found: RackHeights) -> str:
    low, high = found.heights_mm[[0, -1]]
    start = "With the arm left where it is"
    place = found.place(FIXED)
    if place is None:
        none = f"no height from {low:g} to {high:g} mm keeps the limits"
        return f"{start}, {none}: {_why(found, FIXED)}."
    where = f"{_number(found, place)} at {place.at('rack_height_mm'):.0f} mm, {_level(place)}"
    if place.acceptable:
        drawn = place.at("rack_height_mm") - float(found.problem.points.inner_joint[2])
        moved = _moved(drawn, "as high as drawn", "than drawn")
        return f"{start} it needs no spacer: {where}, {moved}; {_ackermann(found, place)}."
    if place.bump_acceptable:
        return f"{start} the best is {where}, {_ackermann(found, place)}."
    return (
        f"{start}, no height from {low:g} to {high:g} mm brings this rack within "
        f"{found.problem.acceptable[0]:.2f} deg; the best is {where}; {_ackermann(found, place)}."
    )


def _following_sentence(found: RackHeights, way: Way) -> str:
    place = found.place(way)
    spacers = "without spacers" if not way.spacers else f"and spacers up to {_longest(found)}"
    if place is None:
        return (
            f"With the arm {_reach(found.problem)} to follow the rack, {spacers}, no height keeps "
            f"the limits: {_why(found, way)}."
        )
    moved = place.at("arm_height_mm") - float(found.problem.points.outer_joint[2])
    verb = "lowered" if moved < 0.0 else "raised"
    arm = f"{verb} {abs(moved):.0f} mm" if abs(moved) >= 0.5 else "at its drawn height"
    shape = _shape(found.problem, place)
    fitted = _spacers_fitted(place)
    where = f"{_number(found, place)} at {place.at('rack_height_mm'):.0f} mm"
    if place.acceptable:
        return (
            f"With the arm {arm} together with the rack{shape} it needs {fitted}: {where}, "
            f"{_ackermann(found, place)}."
        )
    return (
        f"With the arm {_reach(found.problem)} to follow the rack the best with {fitted} is "
        f"{where}, the arm {arm}{shape}; {_ackermann(found, place)}."
    )


def _spacer_sentence(found: RackHeights, other: bool) -> str:
    place = found.place(FIXED_SPACED)
    longest = _longest(found)
    if place is None:
        return (
            f"With the arm left where it is and spacers up to {longest}, no height keeps the "
            f"limits either: {_why(found, FIXED_SPACED)}."
        )
    height = place.at("rack_height_mm")
    where = f"{_number(found, place)} at {height:.0f} mm"
    fitted = _spacers_fitted(place)
    if place.acceptable:
        word = "Or leave" if other else "Leave"
        return f"{word} the arm and fit {fitted}: {where}, {_ackermann(found, place)}."
    return (
        f"With the arm left where it is and spacers up to {longest} the best is {where} with "
        f"{fitted}, {_ackermann(found, place)}: not enough."
    )


def _number(found: RackHeights, place: Place) -> str:
    measure = " RMS" if found.problem.objectives.bump_steer == "rms" else ""
    value = place.bump_steer_deg
    if value < 0.0005:
        return f"below 0.001 deg{measure}"
    return f"{value:.{2 if value >= 0.02 else 3}f} deg{measure}"


def _spacers_fitted(place: Place) -> str:
    length = place.at("spacer_mm")
    return f"{length:.0f} mm spacers" if length >= 0.5 else "no spacer"


def _ackermann(found: RackHeights, place: Place) -> str:
    wanted = float(found.problem.acceptable[1])
    text = f"Ackermann error {rounded(place.ackermann_error_deg, 2)} deg"
    over = place.ackermann_error_deg > wanted
    return f"{text}, above the {wanted:g} accepted" if over else text


def _level(place: Place) -> str:
    """Where the inner joint is against a level tie rod."""
    return _moved(place.at("rack_height_mm") - place.at("arm_height_mm"), "level", "than level")


def _moved(by: float, nothing: str, than: str) -> str:
    if abs(by) < 0.5:
        return nothing
    return f"{abs(by):.0f} mm {'lower' if by < 0.0 else 'higher'} {than}"


def _shape(problem: Problem, place: Place) -> str:
    """Length and angle of the arm where they are not the drawn ones; empty where they are."""
    arm = describe_arm(problem.points)
    length, angle = float(arm.length_mm), float(np.degrees(arm.angle))
    parts = []
    if abs(place.at("arm_length_mm") - length) >= 0.5:
        parts.append(f"{place.at('arm_length_mm'):.0f} mm long, drawn {length:.0f}")
    if abs(place.at("arm_angle_deg") - angle) >= 0.5:
        parts.append(f"at {place.at('arm_angle_deg'):.0f} deg, drawn {angle:.0f}")
    return f" ({'; '.join(parts)})" if parts else ""


def _reach(problem: Problem) -> str:
    choice = following_range(problem)
    if isinstance(choice, Range):
        return f"free from {choice.low:.0f} to {choice.high:.0f} mm"
    return "free within its stock heights"


def _longest(found: RackHeights) -> str:
    return f"{found.spacer_max_mm:g} mm"


def _why(found: RackHeights, way: Way) -> str:
    outcome = found.curve(way).optima.evaluation
    row = outcome.nearest
    if row is None:
        return outcome.commonest_status[0]
    height = float(found.heights_mm[row])
    return f"the nearest, at {height:.0f} mm, {stopped_by(found.problem, outcome, row)}"


def stopped_by(problem: Problem, outcome: Evaluation, row: int) -> str:
    """Which limits a design breaks and by how much, or why it cannot assemble; empty if neither."""
    if not outcome.assembles[row]:
        return str(outcome.status[row])
    broken = [
        excess_words(name, value, ".2g")
        for name, value in zip(problem.constraint_names, outcome.constraints[row], strict=True)
        if value > 0.0
    ]
    return f"breaks {', '.join(broken)}" if broken else ""
