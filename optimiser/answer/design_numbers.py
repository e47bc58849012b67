"""Every number of one design by its column, and of the car as drawn with each rack in its place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.corner_numbers import corner_numbers, corner_values, gearing
from optimiser.answer.whole_sweep import sweep_whole
from optimiser.evaluation.designs import VARIABLES, Designs
from optimiser.evaluation.quantities import PAIR, QUANTITIES, is_pair, pair_words, quantity
from optimiser.evaluation.quantity import RACK
from optimiser.evaluation.solved import solve_designs
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.steering_arm import describe_arm

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Rack

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
    geared = gearing(problem, points.select(0), rack, end)
    numbers: dict[str, float | None] = {
        **measured,
        **{name: float(design.column(name)[0]) for name in VARIABLES},
        "inner_lock_reached_deg": float(np.degrees(geared.inner_at_end)),
        "outer_lock_reached_deg": float(np.degrees(geared.outer_at_end)),
        "turning_circle_m": geared.turning_diameter_mm / 1000.0,
        "turns_lock_to_lock": geared.turns,
        "overall_ratio_mean": geared.ratio_mean,
        "overall_ratio_at_centre": geared.ratio_at_centre,
        "overall_ratio_spread": geared.ratio_spread,
    }
    return {name: known(value) for name, value in numbers.items()}


def closest_pair(outcome: Evaluation, row: int) -> str:
    """The pair of parts with the least clearance, in words; none where no pair is measured."""
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

    A rack lies with its bar through the drawn inner joints and without spacers, and the tie rods
    have the length that this gives.
    """
    drawn, designs = _of_corner(problem), drawn_designs(problem)
    for name in _names(drawn):
        why = NOT_THERE if name in drawn else RACK.words
        yield DrawnNumber(None, name, drawn.get(name), "" if drawn.get(name) is not None else why)
    for index, rack in enumerate(problem.racks):
        numbers, why = _of_rack(problem, designs.select(slice(index, index + 1)))
        for name in _names(numbers):
            value = numbers.get(name)
            missing = "" if value is not None else quantity(name).missing(problem, rack) or why
            if not missing and value is None:
                missing = UNKNOWN_SIZE if name.startswith("clearance_") else NOT_THERE
            yield DrawnNumber(rack, name, value, missing)


def _names(numbers: dict[str, float | None]) -> Iterator[str]:
    """Columns of all quantities in their order, each pair of parts that was measured among them."""
    pairs = [name for name in numbers if is_pair(name)]
    for one in QUANTITIES:
        yield from pairs if one is PAIR and pairs else (one.name,)


def _of_corner(problem: Problem) -> dict[str, float | None]:
    rod = problem.points.outer_joint - problem.points.inner_joint
    values = corner_values(corner_numbers(problem, problem.points))
    numbers = {
        **drawn_variables(problem),
        "tie_rod_length_mm": float(np.sqrt(np.sum(rod**2))),
        **values,
    }
    return {name: known(value) for name, value in numbers.items()}


def drawn_designs(problem: Problem) -> Designs:
    """Each rack, in their order, with its bar through the drawn inner joints; no spacers."""
    at = drawn_variables(problem) | {"spacer_mm": 0.0}
    values = np.array([[at[name] for name in VARIABLES]])
    return Designs(np.arange(len(problem.racks)), np.repeat(values, len(problem.racks), axis=0))


def drawn_reason(problem: Problem) -> str:
    """Why the tie rod as drawn cannot do what is asked of it, up to the lock; empty if it can."""
    one = Hardpoints.from_mapping({name: value[None] for name, value in problem.points.items()})
    # The bar is as long as the lock asks for: no rack is in it.
    steering = replace(problem.steering, stops="lock")
    solved = solve_designs(
        one, np.zeros(1), np.full(1, _LONG_MM), problem.car, problem.travel, steering
    )
    return str(solved.reason[0])


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


def _of_rack(problem: Problem, design: Designs) -> tuple[dict[str, float | None], str]:
    """Numbers with a rack in the drawn place, and why there are hardly any; empty otherwise."""
    at = {name: float(design.column(name)[0]) for name in VARIABLES}
    outcome = problem.evaluate(design)
    if not outcome.assembles[0]:
        bought = {name: known(float(outcome.metrics[name][0])) for name in ("price", "mass_kg")}
        return {**at, **bought}, str(outcome.status[0])
    points, _ = problem.corners(design)
    limits = zip(problem.constraint_names, outcome.constraints[0].tolist(), strict=True)
    # A limit has the name of its quantity but where there is none but the limit.
    numbers = dict(limits) | design_numbers(problem, design, outcome)
    numbers |= corner_values(corner_numbers(problem, points.select(0)))
    sweep = sweep_whole(problem, design)
    numbers["clearance_whole_sweep_mm"] = None if sweep is None else sweep.clearance_mm
    if problem.tolerances is not None:
        percentiles, _ = problem.spread(points)
        numbers |= {name: float(values[0]) for name, values in percentiles.items()}
    return {name: known(value) for name, value in numbers.items()}, ""
