"""What the heights of a rack come to, in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.wanted import accepted_bump_text, bump_note
from optimiser.evaluation.designs import Range
from optimiser.evaluation.quantities import excess_words, quantity
from optimiser.linkage.at_rack import describe_arm
from optimiser.metrics.laid_rack import roll_words
from optimiser.questions.heights.outside import outside_lines
from optimiser.questions.heights.ways import WAYS, arm_heights

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.questions.heights.places import Place, RackHeights
    from optimiser.questions.heights.ways import Way
    from optimiser.study.read import Study

BARE = WAYS[0]
SAME_MM = 0.5
"""Half a millimetre or degree less or more is the same in words."""


# --- the answer ----------------------------------------------------------------------------------


def answer_of(found: RackHeights) -> str:
    """The answer in a few words: does mounting it lower rescue this rack?

    Asked of what is acceptable in bump steer and in Ackermann error, within every limit. With
    the arm as drawn and without spacers, whether a lower place is; otherwise what else the
    remedy takes, the acceptable place that changes least.
    """
    remedy = found.remedy
    if remedy is None:
        return "no"
    near = found.nearest(BARE)
    if near is not None:
        if abs(_raised(found, near)) < SAME_MM:
            return "no rescue needed"
        return "yes, lower" if _lower_place(found) else "no, but higher"
    return f"not by itself: with {' and '.join(_kinds(found, remedy))}"


def _lower_place(found: RackHeights) -> bool:
    """Whether a place lower than drawn is acceptable with the arm as drawn and no spacers."""
    curve, drawn = found.curve(BARE), float(found.problem.points.inner_joint[2])
    outcome = curve.all_evaluations
    good = outcome.feasible & (outcome.objectives <= found.problem.acceptable).all(axis=1)
    height = curve.all_designs.column("rack_height_mm")
    return bool((good & (height < drawn - SAME_MM)).any())


def _kinds(found: RackHeights, place: Place) -> list[str]:
    """What a place changes beside the rack's place."""
    kinds = ["spacers"] if place.at("spacer_mm") >= SAME_MM else []
    lifted = _lifted(found, place)
    if abs(lifted) >= SAME_MM:
        kinds.append(f"the arm {'lower' if lifted < 0.0 else 'higher'}")
    elif _shape(found.problem, place):
        kinds.append("an arm of another shape")
    return kinds


def _headline(found: RackHeights) -> str:
    answer, remedy = answer_of(found), found.remedy
    if remedy is None:
        return "No."
    if answer == "no rescue needed":
        return "It needs no rescue."
    if answer == "yes, lower":
        return "Yes: lower than drawn, with the steering arm left where it is."
    if answer == "no, but higher":
        return "Not lower but higher than drawn, with the steering arm left where it is."
    return f"Not by itself{_only(found)}."


def _only(found: RackHeights) -> str:
    """What every acceptable way has and others do not: all of them were optimised."""
    good = [curve.way for curve in found.curves if curve.nearest is not None]
    needs = []
    if all(way.arm == "free in height" for way in good):
        needs.append("the steering arm at another height")
    elif all(way.arm != "fixed" for way in good):
        needs.append("another steering arm")
    if all(way.spacers for way in good):
        needs.append("spacers")
    if not needs:
        return ""
    low, high = found.heights_mm[[0, -1]]
    return f", at heights from {low:g} to {high:g} mm only with {' and '.join(needs)}"


def verdict(found: RackHeights, study: Study) -> Iterator[str]:
    """The verdict, a sentence or two at a time."""
    rack, remedy = found.problem.racks[found.rack], found.remedy
    yield f"Can {rack.name} be rescued by mounting it lower? {_headline(found)}"
    yield _fixed_sentence(found)
    if remedy is not None and answer_of(found) != "no rescue needed":
        yield f"What changes least is {_remedy_words(found, remedy)}"
    if found.nearest(BARE) is None:
        for way in found.ways[1:]:
            if _worth_saying(found, way):
                yield _way_sentence(found, way)
    yield from outside_lines(found, study)
    if note := bump_note(found.problem):
        yield note
    yield f"Hand: {found.problem.hands[found.rack].sentence}."
    if (roll := found.problem.bolting.rolls_deg.get(rack.name)) is not None:
        lies = f"rolled about its bar {roll_words(roll)}" if roll else "not rolled about its bar"
        yield (
            f"At every height the rack lies {lies}, the nearest that [search.vary] rack_roll_deg "
            "allows to what keeps its pinion at its angle; other rolls are not looked at here: "
            "optimiser run does."
        )


def _worth_saying(found: RackHeights, way: Way) -> bool:
    """Not what the remedy says already, nor that a way works with less freedom works with more."""
    remedy = found.remedy
    if remedy is not None and remedy.way == way:
        return False
    less = [c for c in found.curves if c.way.within(way) and c.way != way]
    return all(curve.nearest is None for curve in less)


# --- one way -------------------------------------------------------------------------------------


def _fixed_sentence(found: RackHeights) -> str:
    low, high = found.heights_mm[[0, -1]]
    start = "With the arm left where it is"
    place = found.place(BARE)
    if place is None:
        none = f"no height from {low:g} to {high:g} mm keeps the limits"
        return f"{start}, {none}: {_why(found, BARE)}."
    where = f"{_number(found, place)} at {place.at('rack_height_mm'):.0f} mm, {_level(place)}"
    if place.acceptable:
        moved = _moved(_raised(found, place), "as high as drawn", " than drawn")
        return f"{start} it needs no spacer: {where}, {moved}; {_ackermann(found, place)}."
    if place.bump_acceptable:
        return (
            f"{start}, no height from {low:g} to {high:g} mm is acceptable in both numbers; the "
            f"nearest is {where}; {_ackermann(found, place)}."
        )
    problem = found.problem
    most = f"{problem.acceptable[0]:.2f} deg"
    if problem.steering.wanted_toe.bands:
        most = accepted_bump_text(problem)
    return (
        f"{start}, no height from {low:g} to {high:g} mm brings this rack within {most}; the best "
        f"is {where}; {_ackermann(found, place)}."
    )


def _remedy_words(found: RackHeights, place: Place) -> str:
    """What is moved, how that just reaches what is acceptable, and the best of the same kind."""
    text = (
        f"{_changes(found, place)}, {place.change_mm:.0f} mm in all: {_number(found, place)}, "
        f"{_ackermann(found, place)}, with little or nothing to spare."
    )
    best = found.place(place.way)
    if best is None:
        return text
    fitted = f" with {best.at('spacer_mm'):.0f} mm spacers" if _fitted(best) else ""
    arm = _arm_words(found, best)
    return (
        f"{text} The best in this way{fitted}{f', {arm}' if arm else ''}: {_number(found, best)} "
        f"at {best.at('rack_height_mm'):.0f} mm, {_ackermann(found, best)}."
    )


def _way_sentence(found: RackHeights, way: Way) -> str:
    start = f"{_arm_start(found, way)} {_spacer_start(found, way)}"
    near, place = found.curve(way).nearest, found.place(way)
    if near is not None:
        return f"{start} it takes {_remedy_words(found, near)}"
    if place is None:
        return f"{start} no height keeps the limits: {_why(found, way)}."
    arm = _arm_words(found, place)
    fitted = f"{place.at('spacer_mm'):.0f} mm spacers" if _fitted(place) else "no spacer"
    spacers = f" with {fitted}" if way.spacers else ""
    return (
        f"{start} the nearest is {_number(found, place)} at {place.at('rack_height_mm'):.0f} mm"
        f"{spacers}{f', {arm}' if arm else ''}; {_ackermann(found, place)}: not enough."
    )


def _arm_start(found: RackHeights, way: Way) -> str:
    if way.arm == "fixed":
        return "With the arm left where it is"
    if way.arm == "drawn height":
        return "With an arm of another shape at its drawn height"
    choice = arm_heights(found.problem)
    if isinstance(choice, Range):
        return f"With the arm free in height, from {choice.low:.0f} to {choice.high:.0f} mm,"
    return "With the arm free in height, within its stock heights,"


def _spacer_start(found: RackHeights, way: Way) -> str:
    return f"and spacers up to {found.spacer_max_mm:g} mm" if way.spacers else "and no spacers"


def _changes(found: RackHeights, place: Place) -> str:
    """What a place changes of the car as drawn, the arm last."""
    parts = [f"{place.at('spacer_mm'):.0f} mm spacers"] if _fitted(place) else []
    raised = _raised(found, place)
    ahead = place.at("rack_fore_aft_mm") - float(found.problem.points.inner_joint[0])
    moved = [_moved(raised, "", "")] if abs(raised) >= SAME_MM else []
    if abs(ahead) >= SAME_MM:
        moved.append(f"{abs(ahead):.0f} mm further {'forward' if ahead > 0.0 else 'back'}")
    rack = " and ".join(part.strip() for part in moved)
    parts.append(f"the rack {rack}" if rack else "the rack where it is drawn")
    parts.append(_arm_words(found, place) or "the arm left as drawn")
    return ", ".join(parts)


def _arm_words(found: RackHeights, place: Place) -> str:
    """The arm where it is not as drawn; empty where it is."""
    lifted, shape = _lifted(found, place), _shape(found.problem, place)
    if abs(lifted) >= SAME_MM:
        verb = "lowered" if lifted < 0.0 else "raised"
        return f"the arm {verb} {abs(lifted):.0f} mm{f' ({shape})' if shape else ''}"
    return f"the arm {shape}" if shape else ""


def _number(found: RackHeights, place: Place) -> str:
    measure = " RMS" if found.problem.objectives.bump_steer == "rms" else ""
    value = place.bump_steer_deg
    if value < 0.0005:
        return f"below 0.001 deg{measure}"
    # What is just above or below the accepted value is not rounded to it.
    clear = value >= 0.02 and abs(value - float(found.problem.acceptable[0])) > 0.01
    return f"{value:.{2 if clear else 3}f} deg{measure}"


def _fitted(place: Place) -> bool:
    return place.at("spacer_mm") >= SAME_MM


def _ackermann(found: RackHeights, place: Place) -> str:
    wanted = float(found.problem.acceptable[1])
    error = quantity("ackermann_error_deg").against(place.ackermann_error_deg, wanted)
    text = f"Ackermann error {error}"
    over = place.ackermann_error_deg > wanted
    return f"{text}, above the {wanted:g} accepted" if over else text


def _level(place: Place) -> str:
    """Where the inner joint is against a level tie rod."""
    return _moved(place.at("rack_height_mm") - place.at("arm_height_mm"), "level", " than level")


def _moved(by: float, nothing: str, than: str) -> str:
    if abs(by) < SAME_MM:
        return nothing
    return f"{abs(by):.0f} mm {'lower' if by < 0.0 else 'higher'}{than}"


def _raised(found: RackHeights, place: Place) -> float:
    return place.at("rack_height_mm") - float(found.problem.points.inner_joint[2])


def _lifted(found: RackHeights, place: Place) -> float:
    return place.at("arm_height_mm") - float(found.problem.points.outer_joint[2])


def _shape(problem: Problem, place: Place) -> str:
    """Length and angle of the arm where they are not the drawn ones; empty where they are."""
    arm = describe_arm(problem.points)
    length, angle = float(arm.length_mm), float(np.degrees(arm.angle))
    parts = []
    if abs(place.at("arm_length_mm") - length) >= SAME_MM:
        parts.append(f"{place.at('arm_length_mm'):.0f} mm long, drawn {length:.0f}")
    if abs(place.at("arm_angle_deg") - angle) >= SAME_MM:
        parts.append(f"at {place.at('arm_angle_deg'):.0f} deg, drawn {angle:.0f}")
    return "; ".join(parts)


# --- what stops a design -------------------------------------------------------------------------


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
