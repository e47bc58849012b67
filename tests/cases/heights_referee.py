"""A referee for `heights`: scipy's differential evolution over one height, polished afterwards.

It shares the evaluation of a batch of designs with the program, and nothing of its search: limits
are penalties, and a population over the whole space finds the basin. Polishing by the program's
own steps can only make it stricter.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
from references.corners import CORNERS
from scipy.optimize import differential_evolution
from search_cases import case

from optimiser.evaluation.designs import VARIABLES, Designs, Range, Stock
from optimiser.linkage.at_rack import describe_arm
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.racks import Rack
from optimiser.questions.heights.bounded import change_mm
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model

ABLE = tuple(name for name in CORNERS if name not in ("toggle", "toggle ahead", "short of travel"))
"""Corners that can do the travel and lock of a car; the others are meant to fail."""


def random_car(seed: int):
    """A problem of a car that nobody drew: a corner of the referees with every point moved."""
    rng = np.random.default_rng(seed)
    drawn = case(ABLE[rng.integers(len(ABLE))], lock_deg=28.0, target=float(rng.uniform(0.0, 1.0)))
    moved = {
        name: getattr(drawn.points, name) + rng.uniform(-20.0, 20.0, 3)
        for name in Hardpoints.__dataclass_fields__
    }
    points = Hardpoints(**moved)
    arm, inner = describe_arm(points), points.inner_joint
    angle = float(np.degrees(arm.angle))
    space = {
        "rack_height_mm": Range(float(inner[2]) - 80.0, float(inner[2]) + 80.0),
        "rack_fore_aft_mm": Range(float(inner[0]) - 60.0, float(inner[0]) + 60.0),
        "spacer_mm": Range(0.0, 50.0),
        "arm_length_mm": Range(float(arm.length_mm) - 30.0, float(arm.length_mm) + 30.0),
        "arm_height_mm": Range(float(arm.height_mm) - 60.0, float(arm.height_mm) + 60.0),
        "arm_angle_deg": Range(angle - 20.0, angle + 20.0),
    }
    spacing = 2.0 * float(inner[1]) - float(rng.uniform(0.0, 120.0))
    rack = Rack("Any", spacing, 160.0, joint_limit_deg=30.0)
    return replace(drawn, points=points, space=space, racks=(rack,), arm_ahead=bool(arm.ahead))


def least_bump_steer(problem, rack: int, height: float) -> float:
    """Least bump steer in degrees within the limits at one height; infinite where none is found."""
    least = np.inf
    for fixed in _stocks(problem, height):
        model = Model(replace(problem, space=problem.space | fixed))
        base = _base(fixed)

        def cost(outcome, _):
            return outcome.objectives[:, 0]

        least = min(least, _evolved(model, rack, base, cost))
    return least


def least_change(problem, rack: int) -> float:
    """Least change in mm among acceptable designs, the rack height free; to 0.01 mm."""
    least = np.inf
    for fixed in _stocks(problem, None):
        model = Model(replace(problem, space=problem.space | fixed))

        def cost(outcome, designs):
            over = np.maximum(outcome.objectives / problem.acceptable - 1.0, 0.0).sum(axis=1)
            return change_mm(problem, designs) + 500.0 * over + np.where(over > 0.0, 5.0, 0.0)

        found = _evolved(model, rack, _base(fixed), cost, 400, polish=False, alike=0.01)
        least = min(least, found)
    return least


def _stocks(problem, height: float | None):
    """Every combination of the stock values, the height among them."""
    space = dict(problem.space)
    if height is not None:
        space["rack_height_mm"] = Stock((float(height),))
    names = [name for name in VARIABLES if isinstance(space[name], Stock)]
    for values in product(*(space[name].values for name in names)):
        yield {name: Stock((value,)) for name, value in zip(names, values, strict=True)}


def _base(fixed) -> np.ndarray:
    return np.array([fixed[name].values[0] if name in fixed else 0.0 for name in VARIABLES])


def _evolved(model, rack, base, cost, generations=120, *, polish=True, alike=1e-6) -> float:
    def designs(scaled):
        like = Designs(np.full(len(scaled), rack), np.tile(base, (len(scaled), 1)))
        return model.designs(scaled, like)

    def penalised(columns):
        tried = designs(columns.T)
        outcome = model.problem.evaluate(tried)
        broken = np.maximum(outcome.constraints, 0.0).sum(axis=1)
        with np.errstate(invalid="ignore"):
            values = np.where(outcome.feasible, cost(outcome, tried), 1e3 + 10.0 * broken)
        return np.where(outcome.assembles, values, 1e6)

    count = len(model.columns)
    if not count:
        return _or_infinite(penalised(np.zeros((0, 1)))[0])
    found = differential_evolution(
        penalised, [(0.0, 1.0)] * count, vectorized=True, updating="deferred", polish=False,
        maxiter=generations, popsize=14, tol=1e-6, atol=alike, mutation=(0.4, 0.9),
        recombination=0.8, rng=0,
    )  # fmt: skip
    if not polish:
        return _or_infinite(found.fun)
    best = found.population[np.argsort(found.population_energies)[:4]]
    table = model.table(best, designs(best))
    table = table.select(np.flatnonzero(np.isfinite(table.objectives).all(axis=1)))
    if not len(table):
        return np.inf
    rays = np.tile([model.problem.acceptable[0], np.inf], (len(table), 1))
    for trust in (0.1, 0.02):
        table = fit(model, table, rays, steps=20, tolerance=1e-5, trust=trust).table
    polished = np.min(table.objectives[table.feasible, 0], initial=np.inf)
    return min(_or_infinite(found.fun), float(polished))


def _or_infinite(value: float) -> float:
    return float(value) if value < 1e3 else np.inf
