"""Problems that the tests and the benchmark of the search share; cars and racks are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from references.corners import CORNERS
from scipy.optimize import differential_evolution

from optimiser.evaluation.designs import VARIABLES, Designs, FollowsRack, Range, Stock
from optimiser.evaluation.problem import Car, Limits, Objectives, Problem, Steering, Travel
from optimiser.linkage.at_rack import describe_arm
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.racks import Rack

LIMITS = Limits(
    rack_travel_margin_mm=3.0,
    toggle_margin=float(np.radians(25.0)),
    outer_joint_angle=float(np.radians(18.0)),
)


def case(
    corner: str = "front steer",
    *,
    spacing_mm: float | None = None,
    travel_mm: float = 150.0,
    lock_deg: float = 32.0,
    target: float = 1.0,
    spacers: tuple[float, ...] | None = None,
    arms: tuple[float, ...] | None = None,
    fixed_arm: bool = False,
    step_mm: float = 5.0,
    limits: Limits = LIMITS,
    objectives: Objectives | None = None,
    **more,
) -> Problem:
    """A corner with ranges about its as-drawn tie rod: six variables, four with `fixed_arm`."""
    drawn = CORNERS[corner]
    points = Hardpoints.from_mapping(drawn["points"])
    arm, inner = describe_arm(points), points.inner_joint
    length, height = float(arm.length_mm), float(arm.height_mm)
    angle = float(np.degrees(arm.angle))
    space = {
        "rack_height_mm": Range(float(inner[2]) - 70.0, float(inner[2]) + 70.0),
        "rack_fore_aft_mm": Range(float(inner[0]) - 50.0, float(inner[0]) + 50.0),
        "spacer_mm": Range(0.0, 60.0) if spacers is None else Stock(spacers),
        "arm_length_mm": Range(length - 25.0, length + 25.0) if arms is None else Stock(arms),
        "arm_height_mm": Stock((height,)) if fixed_arm else Range(height - 40.0, height + 40.0),
        "arm_angle_deg": Stock((angle,)) if fixed_arm else Range(angle - 15.0, angle + 15.0),
    }
    spacing = 2.0 * float(inner[1]) - 20.0 if spacing_mm is None else spacing_mm
    rack = Rack("Plain", spacing, travel_mm, joint_limit_deg=30.0, price=140.0, mass_kg=4.0)
    return Problem(
        points,
        arm.ahead,
        Car(
            2300.0,
            Attitude(
                float(np.radians(drawn["static_toe_in_deg"])),
                float(np.radians(drawn["static_camber_deg"])),
                285.0,
            ),
            outer_bolt="square to rod",
        ),
        Travel(0.7 * drawn["travel_mm"][1], -0.7 * drawn["travel_mm"][0], step_mm),
        Steering(
            float(np.radians(lock_deg)), target, float(np.radians(0.1)), float(np.radians(1.5))
        ),
        (rack,),
        space,
        limits,
        objectives or Objectives(),
        **more,
    )


def small(**changes) -> Problem:
    """A problem that is quick to evaluate."""
    return case(**({"step_mm": 16.0} | changes))


def with_space(asked: Problem, **choices) -> Problem:
    return replace(asked, space=asked.space | choices)


def random_designs(asked: Problem, count: int, seed: int = 0) -> Designs:
    """Designs anywhere in the space, of rack 0."""
    rng = np.random.default_rng(seed)
    free = {}
    for name in VARIABLES:
        choice = asked.space[name]
        if isinstance(choice, Range):
            free[name] = rng.uniform(choice.low, choice.high, count)
        elif isinstance(choice, Stock):
            free[name] = rng.choice(choice.values, count)
    return asked.designs(np.zeros(count, dtype=int), free)


def inside_space(asked: Problem, designs: Designs) -> bool:
    """Whether every value is one that the study allows, to the last bit."""
    for name in VARIABLES:
        choice, values = asked.space[name], designs.column(name)
        if isinstance(choice, Range):
            good = (values >= choice.low) & (values <= choice.high)
        elif isinstance(choice, Stock):
            good = np.isin(values, choice.values)
        else:
            assert isinstance(choice, FollowsRack)
            good = values == designs.column("rack_height_mm") + choice.offset_mm
        if not good.all():
            return False
    return True


def best_known(asked, seed=3):
    """Least worst ratio by differential evolution, the excess of limits as a penalty."""
    names = [n for n, c in asked.space.items() if isinstance(c, Range) and c.low < c.high]
    bounds = [(asked.space[n].low, asked.space[n].high) for n in names]

    def level(values):
        count = values.shape[1]
        free = dict(zip(names, values, strict=True))
        for name, choice in asked.space.items():
            if isinstance(choice, Stock):
                free[name] = np.full(count, choice.values[0])
        found = asked.evaluate(asked.designs(np.zeros(count, dtype=int), free))
        ratio = np.max(found.objectives[:, :2] / asked.acceptable, axis=1)
        broken = np.maximum(found.constraints, 0.0).sum(axis=1)
        return np.where(found.assembles, ratio + 100.0 * broken + 10.0 * (broken > 0.0), 1e6)

    found = differential_evolution(
        level, bounds, vectorized=True, popsize=10, maxiter=90, tol=1e-8, seed=seed,
        updating="deferred", polish=False,
    )  # fmt: skip
    return float(found.fun)
