"""Every number of one design by its column, and of the car as drawn with each rack in its place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.corner_numbers import corner_numbers, corner_values
from optimiser.answer.whole_sweep import sweep_whole
from optimiser.evaluation.asked import Objectives
from optimiser.evaluation.designs import ROLL, VARIABLES, Designs, nearest_allowed
from optimiser.evaluation.further import TWENTY
from optimiser.evaluation.quantities import (
    CLOSEST_PAIRS,
    PAIR,
    QUANTITIES,
    TYRE_CLOSEST,
    closest_names,
    is_clearance,
    is_pair,
    pair_words,
    quantity,
)
from optimiser.evaluation.solved import OWN_RODS_SHORT
from optimiser.linkage.racks import Rack
from optimiser.linkage.steering_arm import describe_arm
from optimiser.metrics.gearing import gearing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.gearing import Column

NOT_THERE = "does not exist for this car"
_LONG_MM = 1e4  # of a bar that ends nowhere
UNKNOWN_SIZE = "the size of a part is not known"


def design_numbers(
    problem: Problem, design: Designs, outcome: Evaluation
) -> dict[str, float | None]:
    """Variables, metrics and gearing of a design (a batch of one) by column; None: not known."""
    rack = problem.racks[int(design.rack[0])]
    measured = {name: float(values[0]) for name, values in outcome.metrics.items()}
    points, _ = problem.corners(design)
    end = float(problem.steering_end_mm(design)[0])
    car, per_turn = problem.car, rack.travel_per_turn_mm
    geared = gearing(
        points.select(0),
        car.attitude,
        end,
        np.nan if per_turn is None else per_turn,
        wheelbase_mm=car.wheelbase_mm,
        tyre_width_mm=car.tyre_width_mm or 0.0,
        column=_column(problem, design),
    )
    lies = problem.laid_numbers(design)
    numbers: dict[str, float | None] = {
        **measured,
        **{name: float(values[0]) for name, values in lies.items()},
        **{name: float(design.column(name)[0]) for name in problem.variables},
        "inner_lock_reached_deg": float(np.degrees(geared.inner_at_end)),
        "outer_lock_reached_deg": float(np.degrees(geared.outer_at_end)),
        "turning_circle_m": float(geared.turning_diameter_mm) / 1000.0,
        "turns_lock_to_lock": float(geared.turns),
        "overall_ratio_mean": float(geared.ratio_mean),
        "overall_ratio_at_centre": float(geared.ratio_at_centre),
        "overall_ratio_spread": float(geared.ratio_spread),
    }
    return {name: known(value) for name, value in numbers.items()}


def _column(problem: Problem, design: Designs) -> Column | None:
    """What the steering wheel of one design does for turns (n,) of its pinion."""
    driven = problem.drive(design, problem.solve(design))
    if driven is None:
        return None

    def of_pinion(turned: Array) -> tuple[Array, Array]:
        wheel, rate = driven.of_pinion(turned[None])
        return wheel[0], rate[0]

    return of_pinion


def closest_pair(outcome: Evaluation, row: int, name: str = "clearance_mm") -> str:
    """The pair of parts with the least clearance, in words; none where no pair is measured.

    Of `tyre_clearance_mm` what the tyre is closest to; empty of numbers that are no clearance.
    """
    if not is_clearance(name) or is_pair(name):
        return ""
    if outcome.closest:
        first = TYRE_CLOSEST if name == "tyre_clearance_mm" else closest_names()[0][0]
        return str(outcome.closest[first][row])
    pairs = {n: values[row] for n, values in outcome.metrics.items() if is_pair(n)}
    least = min(pairs, key=lambda pair: np.nan_to_num(pairs[pair], nan=np.inf), default="")
    return pair_words(least) if least else ""


def known(value: float | None) -> float | None:
    """A finite number, or None."""
    return None if value is None or not np.isfinite(value) else float(value)


# --- the car as drawn ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DrawnNumber:
    """One number of the car as drawn.

    Attributes:
        rack: that stands in the drawn place; None for the tie rod as drawn, whatever rack it has.
        name: column of the quantity.
        value: None where it cannot be computed.
        missing: what a study or catalogue would have to give, or why there is no such number.
    """

    rack: Rack | None
    name: str
    value: float | None
    missing: str = ""


def drawn_numbers(problem: Problem) -> Iterator[DrawnNumber]:
    """Every quantity of the table, for the tie rod as drawn and with each rack in its place.

    A rack lies with its bar through the drawn inner joints and without spacers. The tie rods have
    the length that this gives; with `[steering] keep_tie_rods` they are the rack's own, and arms
    and wheels move until they fit.
    """
    drawn, designs = without_rack(problem), drawn_designs(problem)
    yield from numbers_of(None, drawn, drawn_designs(drawn))
    for index, rack in enumerate(problem.racks):
        yield from numbers_of(rack, problem, designs.select(slice(index, index + 1)))


def numbers_of(rack: Rack | None, problem: Problem, design: Designs) -> Iterator[DrawnNumber]:
    """Every quantity of the table, for a design (a batch of one); of None there is no rack."""
    numbers, status, cars = _in_place(problem, design)
    for name in _names(numbers):
        lacks = quantity(name).missing(problem, rack)
        value = None if lacks else numbers.get(name)
        missing = "" if value is not None else lacks or _why(problem, name, status, cars)
        yield DrawnNumber(rack, name, value, missing)


def _why(problem: Problem, name: str, status: str, cars: str) -> str:
    """Why there is no number for which everything is given.

    `status` says why not every pose exists, `cars` why too few built cars work; empty otherwise.
    """
    own_rods = OWN_RODS_SHORT if name == "own_rods_track_growth_mm" else ""
    built = cars if name.endswith("_p95_deg") else ""
    size = UNKNOWN_SIZE if name.startswith("clearance_") else ""
    return undefined(problem, name) or own_rods or status or built or size or NOT_THERE


def undefined(problem: Problem, name: str) -> str:
    """Why a number has no meaning for what is asked, whatever the linkage does; empty if it has."""
    if name == "ackermann_at_20_percent" and problem.steering.inner_lock < TWENTY:
        return "the required lock is less"
    return ""


def _names(numbers: dict[str, float | None]) -> Iterator[str]:
    """Columns of all quantities in their order, each pair of parts that is told among them."""
    pairs = [name for name in numbers if is_pair(name)]
    closest = [name for _, name in closest_names() if name in numbers]
    for one in QUANTITIES:
        if one is CLOSEST_PAIRS:
            yield from closest
        elif one is PAIR and (pairs or closest):
            yield from pairs
        else:
            yield one.name


def without_rack(problem: Problem) -> Problem:
    """The same car with the tie rod as drawn and no rack: a bar that ends nowhere stands for it.

    It moves as far as the required lock asks. Nothing is known of the bar but its joints, so that
    neither it nor a housing has a clearance.
    """
    spacing = 2.0 * float(problem.points.inner_joint[1])
    return replace(
        problem,
        racks=(Rack("", spacing, 2.0 * _LONG_MM),),
        steering=replace(problem.steering, stops="lock", keep_tie_rods=False),
        room=replace(problem.room, spacer_diameter_mm=None),
        objectives=Objectives(),
        limits=problem.nominal.limits,
    )


def drawn_designs(problem: Problem) -> Designs:
    """Each rack, in their order, with its bar through the drawn inner joints; no spacers."""
    at = drawn_variables(problem) | {"spacer_mm": 0.0}
    values = np.repeat([[at[name] for name in VARIABLES]], len(problem.racks), axis=0)
    if ROLL in problem.space:
        rolls = nearest_allowed(problem.space[ROLL], problem.default_rolls_deg)
        values = np.column_stack([values, rolls])
    return Designs(np.arange(len(problem.racks)), values)


def drawn_reason(problem: Problem) -> str:
    """Why the tie rod as drawn cannot do what is asked of it, up to the lock; empty if it can."""
    drawn = without_rack(problem)
    return str(drawn.solve(drawn_designs(drawn)).reason[0])


def drawn_variables(problem: Problem) -> dict[str, float]:
    """The variables as drawn; a drawing has no spacers."""
    inner, arm = problem.points.inner_joint, describe_arm(problem.points)
    return {
        "rack_height_mm": float(inner[2]),
        "rack_fore_aft_mm": float(inner[0]),
        "arm_length_mm": float(arm.length_mm),
        "arm_height_mm": float(arm.height_mm),
        "arm_angle_deg": float(np.degrees(arm.angle)),
    }


def _in_place(problem: Problem, design: Designs) -> tuple[dict[str, float | None], str, str]:
    """Numbers of a design in the drawn place, and the two reasons of `_why`."""
    solved = problem.solve(design)
    outcome, status = problem.judge(design, solved), ""
    if not outcome.assembles[0]:
        status = str(outcome.status[0])
        # A pose that does not exist takes with it the numbers that it is in, and no others.
        metrics = problem.metrics(design, solved)
        outcome = replace(
            outcome, metrics=metrics, constraints=problem.constraints(design, metrics)
        )
    points = solved.points
    limits = zip(problem.constraint_names, outcome.constraints[0].tolist(), strict=True)
    # A limit has the name of its quantity but where there is none but the limit.
    numbers = dict(limits) | design_numbers(problem, design, outcome)
    numbers |= corner_values(corner_numbers(problem, points.select(0)))
    sweep = sweep_whole(problem, design)
    numbers["clearance_whole_sweep_mm"] = None if sweep is None else sweep.clearance_mm
    cars = ""
    if problem.tolerances is not None:
        percentiles, why = problem.spread(points)
        numbers |= {name: float(values[0]) for name, values in percentiles.items()}
        cars = str(why[0])
    return {name: known(value) for name, value in numbers.items()}, status, cars
