"""What a study was understood to say, in words and numbers, for `optimiser check`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.corner_numbers import CornerNumbers, corner_numbers, corner_values
from optimiser.answer.design_numbers import (
    closest_pair,
    drawn_designs,
    drawn_numbers,
    drawn_reason,
    drawn_variables,
    undefined,
    without_rack,
)
from optimiser.answer.held import accepted_values
from optimiser.answer.run_result import CAUTION
from optimiser.answer.shown_racks import some_names
from optimiser.answer.wanted import (
    accepted_bump_text,
    band_numbers,
    ride_heights_text,
    wanted_outer_name,
    wanted_outer_text,
    wanted_toe_text,
)
from optimiser.base.files import csv_text
from optimiser.evaluation.clearance.metrics import told_apart_mm, unchecked_parts
from optimiser.evaluation.designs import JUDGED, nearest_allowed
from optimiser.evaluation.problem import FollowsRack, Range
from optimiser.evaluation.quantities import is_clearance, quantity, shown
from optimiser.evaluation.wants import accepted_bound, bound_words
from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.joints import inner_joint_angle, outer_joint_misalignment

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.design_numbers import DrawnNumber
    from optimiser.evaluation.asked import Bound, KeepOut
    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Choice, Problem
    from optimiser.evaluation.quantity import Quantity
    from optimiser.linkage.at_rack import Poses
    from optimiser.study.read import Study

Rows = list[tuple[str, str]]


def describe_study(study: Study) -> list[tuple[str, Rows]]:
    """Describe everything that a study names, a heading and its rows at a time."""
    problem = study.problem(racks=False)
    parts = [
        (f"{study.title} ({study.path})", _car_rows(study, problem)),
        (
            "Racks",
            [(rack.name, _rack_text(problem, index)) for index, rack in enumerate(study.racks)],
        ),
        ("What may vary", list(_space_rows(problem))),
        ("Clearance", list(_room_rows(problem))),
        ("The car as drawn", list(_drawn_rows(problem))),
        ("Each rack in the drawn place, without spacers", list(_drawn_rack_rows(problem))),
    ]
    parts = [part for part in parts if part[1]]
    if study.variants:
        names = some_names([case.variant for case in study.variants], _LETTERS)
        parts.append(("Variants", [(f"{len(study.variants)} variants", names)]))
    if notes := [*study.notes(), *_far_notes(problem), *_rack_notes(problem)]:
        parts.append(("Please check", [("note", text) for text in notes]))
    return parts


def numbers_text(study: Study) -> str:
    """Every number of the car as drawn as CSV `rack,quantity,value,unit`.

    The rack is empty for the tie rod as drawn. What cannot be computed stands in the comments,
    with what is missing.
    """
    problem = study.problem(racks=False)
    found = list(drawn_numbers(problem))
    rows = [
        ("" if one.rack is None else one.rack.name, one.name, one.value, quantity(one.name).unit)
        for one in found
        if one.value is not None
    ]
    comments = (*_what(study.title, problem), CAUTION, *_lacking(found))
    return csv_text(("rack", "quantity", "value", "unit"), rows, comments)


def _what(title: str, problem: Problem) -> Iterator[str]:
    """What the numbers are of."""
    if not problem.racks:
        yield f"{title}: the car as drawn"
    else:
        rods = (
            "the tie rods sold with it, arms and wheels moved out or in until these fit"
            if problem.steering.keep_tie_rods
            else "tie rods as long as that asks"
        )
        yield (
            f"{title}: the car as drawn, and with each rack's bar through the drawn inner joints, "
            f"no spacers, {rods}"
        )
    bare = "without a rack: the tie rod as drawn, up to the required lock"
    # Who reads that nothing is near has to know what was not there.
    counted = "; no bar, spacer, rack or pinion housing is in its clearance"
    yield bare + (counted if without_rack(problem).has_pairs else "")


def _lacking(found: list[DrawnNumber]) -> Iterator[str]:
    """What is not computed, for which racks, and why, a line for each reason."""
    names: dict[tuple[str, str], list[str]] = {}
    for one in found:
        if one.value is None:
            who = "the tie rod as drawn" if one.rack is None else one.rack.name
            names.setdefault((one.missing, who), []).append(one.name)
    racks: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for (why, who), listed in names.items():
        racks.setdefault((why, tuple(listed)), []).append(who)
    for (why, columns), whose in racks.items():
        yield f"not computed for {', '.join(whose)}: {', '.join(columns)}; missing: {why}"


def _car_rows(study: Study, problem: Problem) -> Rows:
    car, travel, steering = problem.car, problem.travel, problem.steering
    frame = study.frame
    return [
        (
            "CAD frame",
            f"forward {frame.forward}, left {frame.left}, up {frame.up}, ground under the front "
            f"axle at {', '.join(f'{v:g}' for v in frame.ground_origin_mm)} mm",
        ),
        ("wheelbase", f"{car.wheelbase_mm:g} mm"),
        ("loaded radius", f"{car.attitude.loaded_radius_mm:g} mm"),
        (
            "static toe-in and camber",
            f"{np.degrees(car.attitude.toe_in):g} and {np.degrees(car.attitude.camber):g} deg "
            "each wheel",
        ),
        ("wheel travel", f"{-travel.droop_mm:g} to {travel.bump_mm:g} mm"),
        ("inner wheel at lock", f"{np.degrees(steering.inner_lock):.2f} deg"),
        (wanted_outer_name(problem), wanted_outer_text(problem)),
        *(("wanted toe", text) for text in [wanted_toe_text(problem)] if text),
        (
            "acceptable",
            f"{_accepted_bump(problem)}, {problem.acceptable[1]:g} deg Ackermann error"
            f"{_also_accepted(problem)}",
        ),
        *_more_heights(problem),
        ("steering arm", "ahead of the axle" if problem.arm_ahead else "behind the axle"),
        ("limits", ", ".join(_limit_names(problem))),
        ("objectives", ", ".join(problem.objectives.names)),
        ("search", f"{study.file.search.trials} designs for each rack, seed {study.seed}"),
    ]


def _limit_names(problem: Problem) -> Iterator[str]:
    """Every limit by its name; of those on any quantity with what they ask."""
    bounds = problem.bounds
    for name in problem.constraint_names:
        yield f"{name} {bound_words(bounds[name])}" if name in bounds else name


def _also_accepted(problem: Problem) -> str:
    """What is acceptable of further objectives: ', at most 500 N tie-rod force'."""
    return "".join(
        f", {bound_words(accepted_bound(name, accepted))} {quantity(name).words}"
        for name, accepted in accepted_values(problem).items()
        if name not in JUDGED
    )


def _more_heights(problem: Problem) -> Iterator[tuple[str, str]]:
    """Ride heights and roll angles, where the study names them."""
    car = problem.car
    if heights := ride_heights_text(problem):
        yield "also driven at", f"{heights} ride height, toe as set at the drawn one"
    if car.roll_angles_deg:
        angles = ", ".join(f"{roll:g}" for roll in car.roll_angles_deg)
        yield "table over roll", f"{angles} deg to either side"


def _accepted_bump(problem: Problem) -> str:
    text = accepted_bump_text(problem)
    return f"bump steer {text}" if problem.steering.wanted_toe.bands else f"{text} bump steer"


def _rack_text(problem: Problem, index: int) -> str:
    rack = problem.racks[index]
    price = "no price" if rack.price is None else f"price {rack.price:g}"
    return (
        f"{rack.inner_joint_spacing_mm:g} mm between joints, {rack.travel_mm:g} mm travel, {price}"
    )


def _space_rows(problem: Problem) -> Iterator[tuple[str, str]]:
    """What each variable may be, and what it is in the drawing; a drawing has no spacers."""
    drawn = drawn_variables(problem)
    for name, choice in problem.space.items():
        one = quantity(name)
        beside = f" (drawn {one.text(drawn[name])})" if name in drawn else ""
        yield name, _choice_text(choice) + beside


def _rack_notes(problem: Problem) -> Iterator[str]:
    """That there is nothing to search."""
    if not problem.racks:
        yield "Table [racks] is missing: optimiser run needs it, with the catalogue."


def _far_notes(problem: Problem) -> Iterator[str]:
    """Ranges that lie far from the drawn part, which a wrong axis or origin can explain."""
    for name, drawn in drawn_variables(problem).items():
        choice, one = problem.space[name], quantity(name)
        if isinstance(choice, FollowsRack):
            continue
        gap = abs(float(nearest_allowed(choice, drawn)) - drawn)
        if gap > _FAR[one.unit]:
            yield (
                f"[search.vary] {name}, {_choice_text(choice)}, is {gap:.0f} {one.unit} from the "
                f"drawn {one.text(drawn)}: check it, the drawing, and the axes and origin in "
                "[frame]."
            )


_LETTERS = 400  # of a list of names
_MOST_KEEP_OUTS = 12  # of a study with a file of them
_FAR = {"mm": 50.0, "deg": 15.0}
"""A range further than this from the drawn part is rather a mistake than a wish."""


def _choice_text(choice: Choice) -> str:
    if isinstance(choice, Range):
        return f"{choice.low:g} to {choice.high:g}"
    if isinstance(choice, FollowsRack):
        return f"follows the rack, {choice.offset_mm:+.1f} mm"
    if len(choice.values) == 1:
        return f"fixed at {choice.values[0]:.3f}"
    return "one of " + ", ".join(f"{value:g}" for value in choice.values)


def _room_rows(problem: Problem) -> Iterator[tuple[str, str]]:
    """Keep-outs as they lie in the car, and what of the steering has no known size."""
    room = problem.room
    shown_items = room.keep_outs[:_MOST_KEEP_OUTS] if room.many else room.keep_outs
    for item in shown_items:
        low, high = np.array(item.low), np.array(item.high)
        if item.kind == "box":
            spans = [f"{a:g} to {b:g}" for a, b in zip(low, high, strict=True)]
            text = "box, forward of the axle {}, left of the middle {}, above ground {} mm".format(
                *spans
            )
        else:
            ends = [", ".join(f"{value:g}" for value in end) for end in (low, high)]
            text = f"{item.kind} of radius {item.radius_mm:g} mm from ({ends[0]}) to ({ends[1]}) mm"
        yield item.name, text + _carried_text(item)
    if more := len(room.keep_outs) - len(shown_items):
        yield "keep-outs", f"and {more} more"
    if room.rim is not None:
        yield (
            "wheel rim",
            f"inside radius {room.rim.inside_radius_mm:g} mm over {room.rim.width_mm:g} mm",
        )
    if (tyre := room.tyre) is not None:
        yield (
            "tyre",
            f"free, {2.0 * tyre.outside_radius_mm:g} mm across, {tyre.width_mm:g} mm wide, "
            f"{2.0 * tyre.inside_radius_mm:g} mm at the bead, edges rounded by "
            f"{tyre.shoulder_mm:g} mm",
        )
    for rack in problem.racks:
        missing = unchecked_parts(rack, room)
        if missing:
            yield f"not checked, {rack.name}", f"{', '.join(missing)}: of unknown size"


def _carried_text(item: KeepOut) -> str:
    """What a keep-out is carried by, and whether the other side has it too."""
    if item.to_on is not None:
        length = "" if item.length_mm is None else f", {item.length_mm:g} mm long"
        ends = f", from {item.on.replace('_', ' ')} to {item.to_on.replace('_', ' ')}"
        return f"{ends}{length}, on both sides"
    if item.moves:
        return f", on the {item.on.replace('_', ' ')} of both sides"
    return ", and mirrored" if item.mirror else ""


def _drawn_rows(problem: Problem) -> Iterator[tuple[str, str]]:
    drawn = corner_numbers(problem, problem.points)
    values = corner_values(drawn)
    for one in shown("corner"):
        if one.name in values:
            yield one.words, _drawn_text(problem, one, values[one.name])
    for band in band_numbers(problem, drawn.bump):
        there = np.isfinite(band.value)
        text = f"{band.text}, {band.accepted:g} accepted" if there else CANNOT_REACH
        yield band.words, text
    if reason := drawn_reason(problem):
        yield CANNOT_REACH, reason
    limits = problem.limits
    toggle = joint = outer = np.nan
    if np.isfinite(drawn.ackermann.rack_at_lock_mm):
        poses = _envelope(problem, drawn)
        toggle = float(np.degrees(np.min(poses.toggle_margin)))
        joint = float(np.degrees(np.max(inner_joint_angle(poses))))
        rest = solve_linkage(problem.points, 0.0, 0.0, problem.car.attitude)
        bolt = problem.car.outer_bolt
        outer = float(np.degrees(np.max(outer_joint_misalignment(poses, rest, bolt))))
    yield _against("toggle_margin_deg", toggle, limits.toggle_margin, at_least=True)
    yield _against("inner_joint_angle_deg", joint, limits.inner_joint_angle, at_least=False)
    yield _against("outer_joint_angle_deg", outer, limits.outer_joint_angle, at_least=False)
    yield from _drawn_bounds(problem)
    for name, wanted in zip(JUDGED, problem.acceptable, strict=True):
        one = quantity(name)
        if not values[name] <= wanted:
            there = np.isfinite(values[name])
            text = one.against(values[name], wanted) if there else CANNOT_REACH
            yield f"{one.words} is not acceptable", f"{text} against {wanted:g} {one.unit}"


def _drawn_text(problem: Problem, one: Quantity, value: float) -> str:
    if np.isfinite(value):
        return one.text(value)
    return undefined(problem, one.name) or CANNOT_REACH


CANNOT_REACH = "cannot reach"
"""Said of a number of poses that do not exist."""
_LOADS = ("tie_rod_force_n", "rack_force_n", "steering_wheel_torque_nm")


def _drawn_rack_rows(problem: Problem) -> Iterator[tuple[str, str]]:
    """Clearance and estimated loads with each rack in the drawn place, as far as they are known."""
    bounded = [bound for bound in problem.limits.bounds if _needs_rack(problem, bound.name)]
    clear = problem.has_pairs or problem.has_tyre
    if not problem.racks or not (clear or problem.loads or bounded):
        return
    designs = drawn_designs(problem)
    outcome = problem.evaluate(designs)
    for index, rack in enumerate(problem.racks):
        if not outcome.assembles[index]:
            yield rack.name, str(outcome.status[index])
            continue
        values = {name: float(column[index]) for name, column in outcome.metrics.items()}
        parts = [_clearance_text(problem, outcome, index)] if problem.has_pairs else []
        if problem.has_tyre:
            parts.append(_clearance_text(problem, outcome, index, "tyre_clearance_mm"))
        for one in map(quantity, _LOADS):
            if np.isfinite(values.get(one.name, np.nan)):
                parts.append(f"{one.words} {one.text(values[one.name])}")
        design = designs.select(slice(index, index + 1))
        mine = outcome.select(slice(index, index + 1))
        parts += [_bound_text(problem, bound, design, mine) for bound in bounded]
        yield rack.name, "; ".join(parts) or "nothing is known"


def _needs_rack(problem: Problem, name: str) -> bool:
    """Whether a number is of a rack, or else of the tie rod as drawn."""
    return name == "spacer_mm" or bool(quantity(name).missing(without_rack(problem), None))


def _drawn_bounds(problem: Problem) -> Iterator[tuple[str, str]]:
    """Limits on any number that the tie rod as drawn has without a rack."""
    bounds = [bound for bound in problem.limits.bounds if not _needs_rack(problem, bound.name)]
    if not bounds:
        return
    drawn = without_rack(problem)
    design = drawn_designs(drawn)
    metrics = drawn.metrics(design, drawn.solve(design))
    for bound in bounds:
        value = float(drawn.bounded(bound.name, design, metrics)[0])
        words = f"{quantity(bound.name).words}, limit"
        yield words, _against_bound(problem, bound, value)


def _bound_text(problem: Problem, bound: Bound, design: Designs, outcome: Evaluation) -> str:
    """A number of a rack in the drawn place against its limit."""
    value = float(problem.bounded(bound.name, design, outcome.metrics)[0])
    return f"{quantity(bound.name).words} {_against_bound(problem, bound, value)}"


def _against_bound(problem: Problem, bound: Bound, value: float) -> str:
    if not np.isfinite(value):
        return CANNOT_REACH
    far = told_apart_mm(problem.clearance_wanted_mm)
    one = quantity(bound.name)
    ends = [end for end in (bound.least, bound.most) if end is not None]
    near = min(ends, key=lambda end: abs(value - end))
    beyond = is_clearance(bound.name) and value >= far
    found = f"{far:g} {one.unit} or more" if beyond else one.against(value, near)
    text = f"{found}, {bound_words(bound)} wanted"
    return text if bound.kept(value) else f"{text}: BREAKS THE LIMIT"


def _clearance_text(
    problem: Problem, outcome: Evaluation, index: int, name: str = "clearance_mm"
) -> str:
    value, limit = float(outcome.metrics[name][index]), getattr(problem.limits, name)
    far = told_apart_mm(limit if not problem.has_tyre else problem.clearance_wanted_mm)
    one = quantity(name)
    if np.isnan(value):
        return f"{one.words} is not known"
    if value >= far:
        return f"{one.words} {far:g} {one.unit} or more"
    text = f"{one.words} {one.text(value)} ({closest_pair(outcome, index, name)})"
    kept = limit is None or value >= limit
    return text if kept else f"{text}, at least {limit:g} wanted: BREAKS THE LIMIT"


def _envelope(problem: Problem, drawn: CornerNumbers) -> Poses:
    lock = float(drawn.ackermann.rack_at_lock_mm)
    return solve_linkage(
        problem.points,
        problem.travel.grid()[:, None],
        np.linspace(-lock, lock, 9),
        problem.car.attitude,
    )


def _against(
    name: str, value: float, limit_rad: float | None, *, at_least: bool
) -> tuple[str, str]:
    """An angle of the drawn tie rod up to the required lock, in degrees, against its limit."""
    one = quantity(name)
    words = f"{one.words} up to the required lock"
    if np.isnan(value):
        return words, CANNOT_REACH
    if limit_rad is None:
        return words, f"{one.text(value)} (no limit)"
    limit = float(np.degrees(limit_rad))
    kept = value >= limit if at_least else value <= limit
    wanted = f"{'at least' if at_least else 'at most'} {limit:g} wanted"
    return words, f"{one.against(value, limit)}, {wanted}" + ("" if kept else ": BREAKS THE LIMIT")
