"""What the workshop sheet says of parts: the list, the tie rods, and what can be set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.parts_list import (
    Reach,
    camber_reach,
    items_of,
    parts_of,
    rod_of,
    summed,
    toe_per_turn,
    toe_reach,
    turns_whole,
)
from optimiser.report.words import number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.parts_list import Item
    from optimiser.answer.run_result import Chosen
    from optimiser.metrics.adjusters import Arm

NOT_GIVEN = "not given"
_WORDS = {
    "rack": "rack",
    "spacer": "spacer, rack to inner joint",
    "inner end": "part at the inner joint",
    "rod": "tie rod",
    "rod end": "part at the outer joint",
    "collar": "stop collar, one on either side",
}
_OF_ROD = (
    "rod_end_length_mm",
    "inner_end_length_mm",
    "thread_length_mm",
    "least_engagement_mm",
    "pitch_mm",
    "hands",
)


def parts_list(chosen: Chosen) -> dict[str, Any]:
    """The list of what is bought or cut, its sums, and what is not in these."""
    items = list(items_of(chosen))
    price, mass = summed(items, "price"), summed(items, "mass_kg")
    return {
        "rows": [
            (
                str(item.count),
                _item_words(chosen, item),
                _item_size(chosen, item),
                *_each_and_all(item, item.price, 2),
                *_each_and_all(item, item.mass_kg, 3),
            )
            for item in items
        ],
        "price": f"{price.known:.2f}",
        "mass": f"{mass.known:.3f}",
        "open": [
            f"no {what} of {', '.join(_WORDS[kind] for kind in of.open)}"
            for what, of in (("price", price), ("mass", mass))
            if of.open
        ],
    }


def _item_words(chosen: Chosen, item: Item) -> str:
    if item.kind == "rack":
        return f"rack {chosen.rack.name}"
    if item.kind == "rod" and chosen.problem.steering.keep_tie_rods:
        return "tie rod with its joints, sold with the rack"
    return _WORDS[item.kind]


def _item_size(chosen: Chosen, item: Item) -> str:
    """What to look for, or to cut."""
    problem, rack = chosen.problem, chosen.rack
    if item.kind == "rack":
        return f"{rack.inner_joint_spacing_mm:g} between inner joints, travel {rack.travel_mm:g}"
    if item.kind == "inner end":
        limit = (
            ""
            if rack.joint_limit_deg is None
            else f"; the rack's own take {rack.joint_limit_deg:g}"
        )
        return f"must take {_degrees(chosen, 'inner_joint_angle_deg')} to the bar{limit}"
    if item.kind == "rod end":
        bolt = ", the worst of three usual ways" if problem.car.outer_bolt is None else ""
        angle = _degrees(chosen, "outer_joint_angle_deg")
        return f"must take {angle} off square to its bolt{bolt}"
    if item.kind == "collar":
        if item.length_mm is None:
            return "no length will do: a limit is broken with the rack at its centre"
        return f"{item.length_mm:.2f} long or more"
    if problem.steering.keep_tie_rods and item.kind == "rod":
        return f"set to {item.length_mm:.1f} between the joints"
    section = problem.materials.spacer if item.kind == "spacer" else problem.materials.tie_rod
    size = "" if section is None else f", diameter {float(section.diameter_mm):g}"
    if section is not None and section.wall_mm is not None:
        size += f", wall {float(section.wall_mm):g}"
    if item.length_mm is None:
        rod = rod_of(chosen)
        if rod.too_long_mm:
            return f"no room: its ends take {rod.too_long_mm:.1f} more than there is{size}"
        return f"cut length {NOT_GIVEN}{size}"
    return f"cut to {item.length_mm:.1f}{size}"


def _degrees(chosen: Chosen, name: str) -> str:
    value = chosen.metric(name)
    return f"{number(value, 1)} deg" if np.isfinite(value) else f"an angle that is {NOT_GIVEN}"


def _each_and_all(item: Item, value: float | None, digits: int) -> tuple[str, str]:
    if value is None:
        return NOT_GIVEN, ""
    if item.kind == "rod" and digits == 2 and value == 0.0:
        return "with the rack", ""
    return f"{value:.{digits}f}", f"{item.count * value:.{digits}f}"


def rod_rows(chosen: Chosen) -> Iterator[tuple[str, str]]:
    """What is to know of a tie rod's length and thread."""
    rod, parts = rod_of(chosen), parts_of(chosen)
    yield "between joints", f"{rod.between_mm:.2f}"
    if not rod.kept:
        screwed = _mm(rod.engaged_mm)
        if rod.engaged_mm is not None:
            screwed += f", never less than {parts.least_engagement_mm:g}"
        yield "cut length", "no room" if rod.too_long_mm else _mm(rod.cut_mm)
        ends = "the outer end" if rod.threaded_ends == 1 else "each end"
        yield f"thread needed at {ends}", _mm(rod.depth_mm)
        yield f"screwed in at {ends}", screwed
    yield "left to make it longer", _mm(rod.longer_mm)
    yield "left to make it shorter", _mm(rod.shorter_mm)


def _mm(value: float | None) -> str:
    return NOT_GIVEN if value is None else f"{value:.1f}"


def setting_rows(chosen: Chosen) -> Iterator[tuple[str, str]]:
    """Between which toe and camber the car can be set."""
    rod, parts, attitude = rod_of(chosen), parts_of(chosen), chosen.problem.car.attitude
    angles = (attitude.toe_in, attitude.camber)
    toe_in, camber = (number(float(np.degrees(np.asarray(angle))), 2) for angle in angles)
    yield f"toe-in of each wheel, designed {toe_in} deg", _reach(toe_reach(chosen, rod))
    if (turn := toe_per_turn(chosen, rod)) is not None:
        what = "the rod" if turns_whole(rod, parts) else "one end of it"
        yield f"a turn of {what}", f"{rod.per_turn_mm:g} mm, {np.degrees(turn):.2f} deg of toe"
    elif not rod.kept:
        yield "a turn of the rod", NOT_GIVEN
    arms: tuple[Arm, ...] = ("upper", "lower")
    given = [arm for arm in arms if getattr(parts, f"{arm}_adjust_mm") is not None]
    for arm in given:
        amount = getattr(parts, f"{arm}_adjust_mm")
        words = f"camber, designed {camber} deg: {arm} ball joint ± {amount:g} mm, toe reset"
        yield words, _reach(camber_reach(chosen, arm))
    if not given:
        yield f"camber, designed {camber} deg", NOT_GIVEN


def open_keys(chosen: Chosen) -> str:
    """What the study would have to give for what is open in the tables of rods and settings."""
    parts, kept = parts_of(chosen), chosen.problem.steering.keep_tie_rods
    names = [] if kept else [name for name in _OF_ROD if getattr(parts, name) is None]
    if parts.upper_adjust_mm is None and parts.lower_adjust_mm is None:
        names.append("upper_adjust_mm or lower_adjust_mm")
    asked = [f"[parts] {', '.join(names)}"] if names else []
    if kept:
        columns = ("tie_rod_length_mm", "tie_rod_adjustment_mm")
        lacking = [name for name in columns if getattr(chosen.rack, name) is None]
        asked += [f"catalogue column {' and '.join(lacking)}"] if lacking else []
    return "; ".join(asked)


def _reach(reach: Reach | None) -> str:
    if reach is None:
        return NOT_GIVEN
    if not np.isfinite([reach.low, reach.high]).all():
        return "further than the linkage goes"
    low, high = (number(float(np.degrees(v)), 2) for v in (reach.low, reach.high))
    return f"{low} to {high} deg"
