"""What a study was understood to say, in words and numbers, for `optimiser check`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.corner_numbers import CornerNumbers, corner_numbers, number_rows
from optimiser.evaluation.clearance.metrics import unchecked_parts
from optimiser.evaluation.problem import FollowsRack, Range
from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.kinematic import inner_joint_angle
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from optimiser.evaluation.problem import Choice, Problem
    from optimiser.linkage.at_rack import Poses
    from optimiser.study.read import Study

Rows = list[tuple[str, str]]


def describe_study(path: Path) -> list[tuple[str, Rows]]:
    """Read everything that a study names and describe it, a heading and its rows at a time.

    Raises:
        InputError: anything that `read_study` refuses.
    """
    study = read_study(path)
    problem = study.problem()
    parts = [
        (f"{study.title} ({path})", _car_rows(study, problem)),
        (
            "Racks",
            [(rack.name, _rack_text(problem, index)) for index, rack in enumerate(study.racks)],
        ),
        ("What may vary", [(name, _choice_text(c)) for name, c in problem.space.items()]),
        ("Clearance", list(_room_rows(problem))),
        ("The car as drawn", list(_drawn_rows(problem))),
    ]
    parts = [part for part in parts if part[1]]
    if study.variants:
        names = ", ".join(case.variant for case in study.variants)
        parts.append(("Variants", [(f"{len(study.variants)} variants", names)]))
    if notes := study.notes():
        parts.append(("Please check", [("note", text) for text in notes]))
    return parts


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
        ("loaded radius", f"{car.loaded_radius_mm:g} mm"),
        (
            "static toe-in and camber",
            f"{np.degrees(car.static_toe_in):g} and {np.degrees(car.static_camber):g} deg "
            "each wheel",
        ),
        ("wheel travel", f"{-travel.droop_mm:g} to {travel.bump_mm:g} mm"),
        ("inner wheel at lock", f"{np.degrees(steering.inner_lock):.2f} deg"),
        ("Ackermann target", f"{steering.ackermann_target:g} (1 pure rolling, 0 parallel)"),
        (
            "acceptable",
            f"{problem.acceptable[0]:g} deg bump steer, "
            f"{problem.acceptable[1]:g} deg Ackermann error",
        ),
        ("steering arm", "ahead of the axle" if problem.arm_ahead else "behind the axle"),
        ("limits", ", ".join(problem.constraint_names)),
        ("objectives", ", ".join(problem.objectives.names)),
        ("search", f"{study.file.search.trials} designs for each rack, seed {study.seed}"),
    ]


def _rack_text(problem: Problem, index: int) -> str:
    rack = problem.racks[index]
    price = "no price" if rack.price is None else f"price {rack.price:g}"
    return (
        f"{rack.inner_joint_spacing_mm:g} mm between joints, {rack.travel_mm:g} mm travel, {price}"
    )


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
    for item in room.keep_outs:
        low, high = np.array(item.low), np.array(item.high)
        if item.kind == "box":
            spans = [f"{a:g} to {b:g}" for a, b in zip(low, high, strict=True)]
            text = "box, forward of the axle {}, left of the middle {}, above ground {} mm".format(
                *spans
            )
        else:
            ends = [", ".join(f"{value:g}" for value in end) for end in (low, high)]
            text = f"capsule of radius {item.radius_mm:g} mm from ({ends[0]}) to ({ends[1]}) mm"
        yield item.name, text + (", and mirrored" if item.mirror else "")
    if room.rim is not None:
        yield (
            "wheel rim",
            f"inside radius {room.rim.inside_radius_mm:g} mm over {room.rim.width_mm:g} mm",
        )
    for rack in problem.racks:
        missing = unchecked_parts(rack, room)
        if missing:
            yield f"not checked, {rack.name}", f"{', '.join(missing)}: of unknown size"


def _drawn_rows(problem: Problem) -> Iterator[tuple[str, str]]:
    drawn = corner_numbers(problem, problem.points)
    yield from number_rows(drawn)
    limits = problem.limits
    poses = _envelope(problem, drawn)
    toggle = float(np.degrees(np.min(poses.toggle_margin)))
    joint = float(np.degrees(np.max(inner_joint_angle(poses))))
    least = None if limits.toggle_margin is None else float(np.degrees(limits.toggle_margin))
    most = None if limits.inner_joint_angle is None else float(np.degrees(limits.inner_joint_angle))
    yield "toggle margin up to the required lock", _against(toggle, least, at_least=True)
    yield "tie rod to rack, greatest angle", _against(joint, most, at_least=False)
    values = (float(np.degrees(drawn.bump.largest)), float(np.degrees(drawn.ackermann.largest)))
    for name, value, wanted in zip(
        ("bump steer", "Ackermann error"), values, problem.acceptable, strict=True
    ):
        if not value <= wanted:
            yield f"{name} is not acceptable", f"{value:.3f} deg against {wanted:g} deg"


def _envelope(problem: Problem, drawn: CornerNumbers) -> Poses:
    lock = float(np.nan_to_num(drawn.ackermann.rack_at_lock_mm))
    return solve_linkage(
        problem.points,
        problem.travel.grid()[:, None],
        np.linspace(-lock, lock, 9),
        static_toe_in=problem.car.static_toe_in,
        static_camber=problem.car.static_camber,
    )


def _against(value: float, limit: float | None, *, at_least: bool) -> str:
    if limit is None:
        return f"{value:.1f} deg (no limit)"
    kept = value >= limit if at_least else value <= limit
    word = "at least" if at_least else "at most"
    return f"{value:.1f} deg, {word} {limit:g} wanted" + ("" if kept else ": BREAKS THE LIMIT")
