"""Where a cure lies outside a key of the study: which key, and the command that shows it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from optimiser.base.files import readable
from optimiser.evaluation.designs import VARIABLES, FollowsRack, Range, ends, nearest_allowed
from optimiser.evaluation.quantities import quantity, said
from optimiser.questions.heights.follow import follow
from optimiser.questions.heights.ways import between_ball_joints, way_problem
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Choice, Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.questions.heights.places import Place, RackHeights
    from optimiser.study.read import Study

_SAME = 0.05  # mm or degrees
_AT_END = 0.01  # of a range
_LONGEST_SPACER_MM = 250.0
_WIDER = {"rack_height_mm": 60.0, "rack_fore_aft_mm": 60.0, "arm_length_mm": 30.0}
"""How far beyond its ends a range is searched, mm; the angle, degrees."""
_WIDER_ANGLE_DEG = 15.0


def outside_lines(found: RackHeights, study: Study) -> Iterator[str]:
    """Sentences on the keys of the study that keep a cure from being found by a run of it.

    Where a remedy was found, the keys that do not allow it: `heights` asks more widely than the
    study does. Where none was, each key at whose end the best place lies, if the place is
    acceptable beyond it: that is tried, one key at a time.
    """
    remedy = found.remedy
    if remedy is not None:
        keys = [
            f"[search.vary] {name} = {_key_text(study, name)}"
            for name, off in zip(VARIABLES, _off(found, remedy), strict=True)
            if off
        ]
        if keys:
            yield (
                f"The study itself does not allow this: {', '.join(keys)}. "
                f"Free {'it' if len(keys) == 1 else 'them'} there, then: "
                f"optimiser run {study.path}"
            )
        return
    yield from _beyond(found, study)


def _off(found: RackHeights, place: Place) -> list[bool]:
    """Which variables of a place the study does not allow, in the order of `VARIABLES`."""
    off = []
    for name in VARIABLES:
        choice, value = found.problem.space[name], place.at(name)
        if isinstance(choice, FollowsRack):
            nearest = place.at("rack_height_mm") + choice.offset_mm
        else:
            nearest = float(nearest_allowed(choice, value))
        off.append(abs(value - nearest) > _SAME)
    return off


def _key_text(study: Study, name: str) -> str:
    """The value of a variable as the study file has it, or its default."""
    value = getattr(study.file.search.vary, name)
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return f"[{', '.join(f'{one:g}' for one in value)}]"
    if isinstance(value, int | float):
        return f"{value:g}"
    return f"{{from = {value.low:g}, to = {value.high:g}}}"


# --- no remedy within the keys -------------------------------------------------------------------


def _beyond(found: RackHeights, study: Study) -> Iterator[str]:
    """What is acceptable beyond the end of one range at which the best place lies."""
    way = found.ways[-1]
    place = found.place(way)
    if place is None:
        return
    space = way_problem(found.problem, way, found.heights_mm, found.spacer_max_mm).space
    low, high = float(found.heights_mm[0]), float(found.heights_mm[-1])
    space = {**space, "rack_height_mm": Range(low, high)}
    for name in VARIABLES:
        wider = _wider(found.problem, name, space[name], place.at(name))
        if wider is None:
            continue
        problem = replace(found.problem, space={**space, name: wider})
        reached = follow(problem, place.design, Model, problem.acceptable, steps=25).designs
        outcome = problem.evaluate(reached)
        if outcome.feasible[0] and (outcome.objectives[0] <= problem.acceptable).all():
            yield _beyond_words(found, study, name, reached)


def _wider(problem: Problem, name: str, choice: Choice, value: float) -> Range | None:
    """A range that goes on where the value is at the end of its own; None where it is not."""
    if not isinstance(choice, Range) or not choice.low < choice.high:
        return None
    low, high = ends(choice)
    share = (value - low) / (high - low)
    if _AT_END < share < 1.0 - _AT_END or (name == "spacer_mm" and share < 0.5):
        return None
    if name == "spacer_mm":
        return Range(low, _LONGEST_SPACER_MM)
    if name == "arm_height_mm":
        reach = between_ball_joints(problem)
        return Range(min(low, reach.low), max(high, reach.high))
    more = _WIDER.get(name, _WIDER_ANGLE_DEG)
    return Range(low - more, high + more)


def _beyond_words(found: RackHeights, study: Study, name: str, design: Designs) -> str:
    outcome = found.problem.evaluate(design)
    bump, ackermann = outcome.objectives[0].tolist()
    row = quantity(name)
    value = float(design.column(name)[0])
    rack = found.problem.racks[found.rack].name
    again = f"optimiser heights {readable(str(study.path))} --rack {rack}"
    if name == "spacer_mm":
        given = "spacer_max_mm" in study.file.limits.model_fields_set
        key = f"[limits] spacer_max_mm = {found.spacer_max_mm:g}{'' if given else ', the default'}"
    elif name == "rack_height_mm":
        low, high = found.heights_mm[[0, -1]]
        key, again = f"heights from {low:g} to {high:g} mm", f"{again} --from ... --to ..."
    else:
        key = f"[search.vary] {name} = {_key_text(study, name)}"
    return (
        f"Beyond what was asked ({key}): with {row.words} {row.text(value)} it would be "
        f"acceptable, {said('bump_steer_deg', bump)} and "
        f"{said('ackermann_error_deg', ackermann)}. Change that, then: "
        f"{again}"
    )
