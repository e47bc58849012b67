"""Refinement against optimality conditions, closed forms, brute force and other solvers."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.optimize import least_squares, minimize, nnls
from search_cases import LIMITS, inside_space, random_designs, small, with_space

from optimiser.base.front import feasible_front, hypervolume
from optimiser.evaluation.designs import FollowsRack, Range, Stock
from optimiser.evaluation.problem import Limits, LoadAssumptions, Objectives
from optimiser.metrics.between_nodes import extremes
from optimiser.metrics.joints import inner_joint_angle, outer_joint_misalignment
from optimiser.search import refine as refining
from optimiser.search.gaps import widest_gaps
from optimiser.search.linear_steps import fit
from optimiser.search.refine import (
    Given,
    RefineSettings,
    _add,
    _bridge,
    _fill,
    _follow,
    _Known,
    _pairs,
    _screen,
    _sweep,
    neighbours,
    parts_of,
    refine,
)
from optimiser.search.residuals import Model
from optimiser.search.seeds import choose_seeds, seed_designs

ACCEPTABLE = np.array([0.1, 1.5])
REFERENCE = 4.0 * ACCEPTABLE
ALONE = RefineSettings(independent=False)
"""Rays, bridges and filling alone; `test_starts` looks at what is followed before them."""
FEW = replace(ALONE, starts=1, rays=6, gap_rounds=1, fill=30)


def seeded(asked, count=300, keep=40, seed=1):
    """Seeds worth telling and their evaluation."""
    designs = seed_designs(asked, 0, count, seed)
    found = asked.evaluate(designs)
    rows = choose_seeds(found, keep)
    return designs.select(rows), found.select(rows)


def fitted(asked, rays, *, starts=None, steps=40, tolerance=1e-9):
    """One fit a ray, each from the seed that is best along it."""
    model = Model(asked)
    rays = np.atleast_2d(rays)
    if starts is None:
        designs, found = seeded(asked)
        level = np.where(found.feasible, (found.objectives / rays[:, None]).max(axis=2), np.inf)
        starts = designs.select(np.argmin(level, axis=1))
    table = model.table(model.scaled(starts), starts)
    return model, fit(model, table, rays, steps=steps, tolerance=tolerance)


# --- optimality ----------------------------------------------------------------------------------


def optimality_error(model, fits, row, ray):
    """Least norm of sum(lambda grad r) + sum(mu grad c) + bounds, with lambda summing to 1.

    The first-order conditions of the smallest largest residual: lambda and mu are at least 0 and
    belong to residuals at the level and limits at their value; a bound may pull inwards only.
    Gradients by central differences of the problem itself, in levels per whole range.
    """
    table, level = fits.table.select(np.array([row])), fits.level[row]
    n, h = len(model.columns), 1e-6
    moved = np.repeat(table.scaled, 2 * n, axis=0)
    moved[np.arange(n), np.arange(n)] += h
    moved[n + np.arange(n), np.arange(n)] -= h
    values = model.low + moved * (model.high - model.low)
    designs = table.like.select(np.zeros(2 * n, dtype=int))
    designs.values[:, model.columns] = values
    solved = model.problem.solve(designs)
    toe, error = np.degrees(solved.bump.toe_change), np.degrees(extremes(solved.ackermann.error))
    residuals = np.concatenate([toe, error], axis=1)
    shares = np.repeat(ray, [toe.shape[1], error.shape[1]])
    slope = ((residuals[:n] - residuals[n:]) / (2.0 * h) / shares / level).T
    here = 0.5 * (residuals[:n] + residuals[n:]).mean(axis=0) / shares / level
    columns = [np.append(np.sign(here[i]) * slope[i], 1.0) for i in np.flatnonzero(
        np.abs(here) > 1.0 - 1e-5)]  # fmt: skip
    envelope, rest = solved.envelope, solved.rest
    angles = np.concatenate(
        [
            -np.degrees(envelope.toggle_margin),
            np.degrees(inner_joint_angle(envelope)),
            *np.degrees(outer_joint_misalignment(envelope, rest, model.problem.car.outer_bolt)),
            np.abs(solved.ackermann.rack_at_lock_mm)[:, None],
        ],
        axis=1,
    )
    limits = model.problem.limits
    allowed = [-25.0, 30.0, 18.0, 0.5 * model.problem.racks[0].travel_mm - 3.0]
    assert limits == LIMITS
    poses = envelope.shape[1]
    excess = 0.5 * (angles[:n] + angles[n:]).mean(axis=0) - np.repeat(allowed, [poses] * 3 + [1])
    slope = (angles[:n] - angles[n:]) / (2.0 * h)
    for k in np.flatnonzero(excess > -1e-3):
        columns.append(np.append(slope[:, k] / np.abs(slope[:, k]).max(), 0.0))
    for i in range(n):
        for edge, sign in ((0.0, -1.0), (1.0, 1.0)):
            if table.scaled[0, i] == edge:
                columns.append(np.append(sign * np.eye(n)[i], 0.0))
    matrix = np.array(columns).T
    _, error = nnls(matrix, np.append(np.zeros(n), 1.0))
    size = np.abs(matrix[:-1]).max()
    return error / size


@pytest.mark.parametrize("corner", ["front steer", "rear steer", "large caster"])
def test_refined_designs_satisfy_the_first_order_conditions(corner):
    rays = ACCEPTABLE * np.array([[1.0, 0.3], [1.0, 1.0], [0.3, 1.0], [0.03, 1.0]])
    model, fits = fitted(small(corner=corner), rays)
    assert fits.table.feasible.all()
    assert (fits.gain < 1e-6).sum() >= 3
    for row in np.flatnonzero(fits.gain < 1e-6):
        assert optimality_error(model, fits, row, rays[row]) < 2e-4


def test_the_conditions_tell_a_start_from_an_end():
    asked, rays = small(), ACCEPTABLE[None]
    model, before = fitted(asked, rays, steps=0)
    _, after = fitted(asked, rays)
    assert optimality_error(model, before, 0, rays[0]) > 1e-2
    assert optimality_error(model, after, 0, rays[0]) < 2e-4


def test_an_independent_solver_ends_at_the_same_level():
    """SLSQP of scipy on the same question, with the level as a variable and its own gradients."""
    asked = small(corner="rear steer")
    designs, found = seeded(asked)
    level = np.where(found.feasible, (found.objectives / ACCEPTABLE).max(axis=1), np.inf)
    start = designs.select(np.array([np.argmin(level)]))
    model, fits = fitted(asked, ACCEPTABLE, starts=start)

    def look(x):
        moved = model.designs(np.clip(np.atleast_2d(x[..., :-1]), 0.0, 1.0), start.select(
            np.zeros(len(np.atleast_2d(x)), dtype=int)))  # fmt: skip
        solved = asked.solve(moved)
        toe = np.degrees(solved.bump.toe_change)
        error = np.degrees(extremes(solved.ackermann.error))
        inside = np.concatenate([toe / ACCEPTABLE[0], error / ACCEPTABLE[1]], axis=1)
        limits = asked.judge(moved, solved).constraints
        top = np.atleast_2d(x)[:, -1:]
        return np.concatenate([top - inside, top + inside, -limits], axis=1)

    def slopes(x):
        step = np.where(x < 0.5, 1e-6, -1e-6)
        return ((look(x + np.diag(step)) - look(x)) / step[:, None]).T

    size = len(model.columns)
    end = minimize(
        lambda x: x[-1],
        np.append(model.scaled(start)[0], np.min(level)),
        jac=lambda x: np.append(np.zeros(size), 1.0),
        bounds=[(0.0, 1.0)] * size + [(0.0, None)],
        constraints={"type": "ineq", "fun": lambda x: look(x)[0], "jac": slopes},
        method="SLSQP",
        options={"maxiter": 200, "ftol": 1e-10},
    )
    assert end.success
    assert fits.level[0] == pytest.approx(end.fun, rel=1e-4)
    assert fits.level[0] < 0.9 * np.min(level)


def test_rms_alone_ends_where_least_squares_does():
    """Infinity leaves an objective out; scipy's least_squares then asks the same of toe alone."""
    asked = small(
        corner="large caster",
        fixed_arm=True,
        spacers=(0.0,),
        limits=Limits(rack_travel_margin_mm=-500.0),
        objectives=Objectives("rms", "rms"),
    )
    asked = replace(asked, racks=(replace(asked.racks[0], joint_limit_deg=None),))
    start = random_designs(asked, 60)
    start = start.select(np.flatnonzero(asked.evaluate(start).feasible)[:1])
    model, fits = fitted(asked, np.array([1.0, np.inf]), starts=start)

    def rows(x):
        table = model.table(x[None], start)
        return table.rows[0, model.parts[0]]

    end = least_squares(
        rows,
        model.scaled(start)[0],
        jac="3-point",
        diff_step=1e-4,
        bounds=(0.0, 1.0),
        xtol=1e-12,
        ftol=1e-12,
        gtol=1e-14,
    )
    assert np.sqrt(2.0 * end.cost) == pytest.approx(
        model.table(end.x[None], start).objectives[0, 0], rel=1e-12
    )
    assert fits.level[0] == pytest.approx(np.sqrt(2.0 * end.cost), rel=1e-3)


# --- limits, bounds and held variables -----------------------------------------------------------


def test_bounds_limits_and_stock_values_are_kept_exactly():
    asked = small(corner="inclined arm axes", spacing_mm=610.0, spacers=(0.0, 8.0, 16.0))
    designs, found = seeded(asked)
    result = refine(asked, designs, found)
    end = asked.evaluate(result.designs)
    assert len(result.designs) > 20
    assert inside_space(asked, result.designs)
    assert end.feasible.all()
    assert (end.constraints <= 0.0).all()
    # Some limit and some bound is reached, so that keeping them is a question at all.
    assert (end.constraints > -1e-5).any()
    low = np.array([choice.low for choice in asked.space.values() if isinstance(choice, Range)])
    columns = [i for i, choice in enumerate(asked.space.values()) if isinstance(choice, Range)]
    assert (result.designs.values[:, columns] == low).any()


def test_an_arm_that_follows_the_rack_still_does():
    asked = with_space(small(), arm_height_mm=FollowsRack(-7.0))
    designs, found = seeded(asked)
    result = refine(asked, designs, found)
    assert len(result.designs) > 10
    assert inside_space(asked, result.designs)


def test_a_start_that_breaks_a_limit_is_brought_inside():
    asked = small()
    asked = replace(asked, limits=replace(asked.limits, rack_travel_margin_mm=22.0))
    designs = random_designs(asked, 200)
    found = asked.evaluate(designs)
    outside = np.flatnonzero(found.assembles & ~found.feasible)[:30]
    result = refine(asked, designs.select(outside), found.select(outside))
    end = asked.evaluate(result.designs)
    assert len(result.designs)
    assert end.feasible.all()


def test_when_nothing_can_keep_the_limits_the_nearest_comes_out_as_such():
    asked = small()
    asked = replace(asked, limits=replace(asked.limits, rack_travel_margin_mm=60.0))
    designs, found = seeded(asked)
    result = refine(asked, designs, found)
    end = asked.evaluate(result.designs)
    assert len(result.designs)
    assert not end.feasible.any()
    assert "breaks rack_travel_mm" in end.status.tolist()
    assert end.excess.max() < found.excess.min()


# --- the front -----------------------------------------------------------------------------------


def test_the_end_of_the_front_of_parallel_arms_is_the_known_one():
    """Zero bump steer is known in closed form: the least Ackermann error on it, by scanning it.

    With the arm held, the inner joint without bump steer lies anywhere fore and aft, at one
    height and one distance from the middle.
    """
    asked = small(corner="parallel equal arms", fixed_arm=True, target=0.5)
    points = asked.points
    count = 4001
    choice = asked.space["rack_fore_aft_mm"]
    free = {
        "rack_height_mm": np.full(count, points.outer_joint[2] + 15.0),
        "rack_fore_aft_mm": np.linspace(choice.low, choice.high, count),
        "spacer_mm": np.full(
            count, points.outer_joint[1] - 330.0 - 0.5 * asked.racks[0].inner_joint_spacing_mm
        ),
    }
    length = asked.space["arm_length_mm"]
    asked = with_space(asked, arm_length_mm=Stock((0.5 * (length.low + length.high),)))
    known = asked.evaluate(asked.designs(np.zeros(count, dtype=int), free))
    on_it = known.metrics["bump_steer_deg"] < 1e-9
    assert (on_it | ~known.assembles).all()
    best = known.objectives[known.feasible & on_it, 1].min()

    designs, found = seeded(asked)
    result = refine(asked, designs, found)
    end = asked.evaluate(result.designs)
    values = np.concatenate([end.objectives, found.objectives[found.feasible]])
    ours = values[values[:, 0] < 1e-4, 1].min()
    assert ours == pytest.approx(best, rel=2e-3)
    assert not ((values[:, 0] < 1e-9) & (values[:, 1] < best * (1.0 - 1e-6))).any()


def test_the_front_of_two_variables_is_that_of_a_fine_grid():
    asked = small(corner="rear steer", fixed_arm=True, spacing_mm=590.0)
    asked = with_space(asked, arm_length_mm=Stock((130.0,)), spacer_mm=Stock((0.0,)))
    height, fore_aft = asked.space["rack_height_mm"], asked.space["rack_fore_aft_mm"]

    def grid(heights, at):
        free = {"rack_height_mm": heights.ravel(), "rack_fore_aft_mm": at.ravel()}
        return asked.evaluate(asked.designs(np.zeros(at.size, dtype=int), free))

    # Zoom in twice on what holds the front: it runs along a limit, which a coarse grid misses.
    heights, places = (height.low, height.high), (fore_aft.low, fore_aft.high)
    for _ in range(3):
        a, b = np.linspace(*heights, 101), np.linspace(*places, 101)
        at, high = np.meshgrid(b, a, indexing="ij")
        known = grid(high, at)
        front = feasible_front(known.objectives, known.feasible)
        front = front[(known.objectives[front] < REFERENCE).all(axis=1)]
        heights, places = (
            (
                max(choice.low, float(grid_of.ravel()[front].min()) - 1.5 * step),
                min(choice.high, float(grid_of.ravel()[front].max()) + 1.5 * step),
            )
            for choice, grid_of, step in (
                (height, high, a[1] - a[0]),
                (fore_aft, at, b[1] - b[0]),
            )
        )
    brute = hypervolume(known.objectives[known.feasible], REFERENCE)

    designs, found = seeded(asked)
    result = refine(asked, designs, found)
    end = asked.evaluate(result.designs)
    ours = hypervolume(end.objectives, REFERENCE)
    assert ours >= brute
    # The grid's own step: it can only be the lesser of the two.
    assert ours == pytest.approx(brute, rel=5e-3)


def test_the_best_compromise_is_that_of_the_acceptable_values():
    asked = small()
    designs, found = seeded(asked)
    result = refine(asked, designs, found)
    end = asked.evaluate(result.designs)
    worst = (end.objectives / asked.acceptable).max(axis=1).min()
    _, fits = fitted(asked, asked.acceptable)
    assert worst <= fits.level[0] * (1.0 + 1e-4)
    random = asked.evaluate(random_designs(asked, 2000))
    by_chance = (random.objectives[random.feasible] / asked.acceptable).max(axis=1).min()
    assert worst < 0.5 * by_chance


def test_only_designs_that_nothing_dominates_come_out():
    asked = small()
    designs, found = seeded(asked)
    result = refine(asked, designs, found)
    end = asked.evaluate(result.designs)
    both = np.concatenate([found.objectives, end.objectives])
    front = feasible_front(both, np.concatenate([found.feasible, end.feasible]))
    best = set(front.tolist())
    # Or it is where an independent start ended.
    row = len(found.status) + np.arange(len(result.designs))
    assert all(int(r) in best or starts for r, starts in zip(row, result.starts, strict=True))
    assert (result.starts == 0).sum() > 20
    only = refine(asked, designs, found, ALONE)
    assert not only.starts.any()
    end = asked.evaluate(only.designs)
    assert len(feasible_front(end.objectives, end.feasible)) == len(only.designs)


@pytest.mark.parametrize(
    "objectives",
    [
        Objectives("rms", "rms"),
        Objectives("rms", "largest"),
        Objectives(extra=("part_lock_bump_steer_deg",)),
        Objectives(extra=("price", "part_lock_bump_steer_deg")),
    ],
)
def test_other_objectives_and_more_of_them_gain(objectives):
    asked = replace(small(), objectives=objectives)
    designs, found = seeded(asked)
    result = refine(asked, designs, found, FEW)
    end = asked.evaluate(result.designs)
    assert end.feasible.all()
    before = found.objectives[found.feasible]
    reference = 1.1 * before.max(axis=0)
    after = np.concatenate([before, end.objectives])
    assert hypervolume(after, reference) > 1.005 * hypervolume(before, reference)


def test_an_objective_that_nothing_moves_is_left_out():
    asked = replace(small(), objectives=Objectives(extra=("price",)))
    rays = np.array([*ACCEPTABLE, 1.0])
    _, with_price = fitted(asked, rays)
    _, without = fitted(small(), ACCEPTABLE)
    assert with_price.level[0] == pytest.approx(without.level[0], rel=1e-6)


# --- gaps in the front ---------------------------------------------------------------------------


def test_neighbours_of_two_objectives_are_those_along_the_front():
    """By hand: rectangles of 1 x 2, 2 x 1.5 and 0.5 x 0.5."""
    front = np.array([[0.0, 4.0], [1.0, 2.0], [3.0, 0.5], [3.5, 0.0]])
    first, second, size = neighbours(front)
    assert list(zip(first, second, size, strict=True)) == [(1, 2, 3.0), (0, 1, 2.0), (2, 3, 0.25)]


def test_neighbours_of_three_objectives_are_the_nearest_by_distance():
    """By hand: two pairs far from each other, a fifth design on its own."""
    front = np.array([[0, 9, 0], [0, 9, 1], [0, 5, 9], [4, 2, 9], [9, 0, 0]], float)
    first, second, size = neighbours(front)
    pairs = {(a, b): gap for a, b, gap in zip(first, second, size, strict=True)}
    assert pairs[0, 1] == 1.0
    assert pairs[2, 3] == 5.0
    assert (np.diff(size) <= 0.0).all()
    assert all(a < b for a, b in pairs)
    assert len(pairs) == len(first)
    for one in range(5):
        away = np.sqrt(((front - front[one]) ** 2).sum(axis=1))
        for other in np.argsort(away)[1:4]:
            assert pairs[min(one, other), max(one, other)] == pytest.approx(away[other])
    # Two designs are neighbours whatever lies beyond them.
    assert [list(part) for part in neighbours(front[:2])] == [[0], [1], [1.0]]


@pytest.mark.parametrize("count", [0, 1, 2, 5, 9])
def test_designs_are_shared_among_gaps_as_no_other_way_is_better(count):
    size = np.array([3.0, 2.0, 0.25])
    shares = [share for share in product(range(count + 1), repeat=len(size)) if sum(share) == count]
    best = min((size / (1.0 + np.array(share))).sum() for share in shares)
    parts = parts_of(size, count)
    assert parts.sum() == count + len(size)
    assert (size / parts).sum() == pytest.approx(best, rel=1e-12)


def known_front(asked):
    """What refinement knows after its sweep, with a front of some designs."""
    designs, found = seeded(asked)
    known = _Known(Model(asked), Given(designs, found))
    _follow([known], [_sweep(known, RefineSettings())], 12, 1e-6)
    assert len(known.front()) >= 5
    return known


def far_scale(known):
    """The same with bump steer a hundred times less welcome: other gaps are the widest then."""
    known.scale = known.scale * np.array([0.01, *np.ones(len(known.scale) - 1)])
    return known


@pytest.mark.parametrize("objectives", [Objectives(), Objectives(extra=("price", "mass_kg"))])
@pytest.mark.parametrize("change", [lambda known: known, far_scale], ids=["as asked", "rescaled"])
def test_pairs_are_rows_of_the_front_measured_against_what_is_acceptable(objectives, change):
    known = change(known_front(replace(small(), objectives=objectives)))
    front = known.front()
    first, second, size = _pairs(known)
    assert set(first) | set(second) == set(front.tolist())
    step = (known.objectives[second] - known.objectives[first]) / known.scale
    wanted = np.abs(step[:, 0] * step[:, 1]) if step.shape[1] == 2 else np.linalg.norm(step, axis=1)
    assert size == pytest.approx(wanted, rel=1e-12)
    assert (np.diff(size) <= 0.0).all()


def test_what_objectives_are_measured_in():
    asked = replace(small(), objectives=Objectives(extra=("price", "part_lock_bump_steer_deg")))
    known = known_front(asked)
    given = known.objectives[: known.given]
    assert known.scale == pytest.approx([*ACCEPTABLE, 140.0, np.median(given[:, 3])], rel=1e-12)


@pytest.mark.parametrize("change", [lambda known: known, far_scale], ids=["as asked", "rescaled"])
def test_filling_puts_designs_on_the_way_between_neighbours_more_in_wider_gaps(change):
    known = change(known_front(small()))
    first, second, size = _pairs(known)
    before, parts = len(known.scaled), parts_of(size, 12)
    _add([known], [_fill(known, 12)])
    added = known.scaled[before:]
    wanted = [
        known.scaled[a] + (known.scaled[b] - known.scaled[a]) * (k / n)
        for a, b, n in zip(first, second, parts, strict=True)
        for k in range(1, n)
    ]
    assert len(wanted) == 12
    np.testing.assert_allclose(added, wanted, atol=1e-12)
    # The scale and the front of before: what is added is told as what it is.
    again = known.model.problem.evaluate(known.designs.select(np.arange(before, before + 12)))
    np.testing.assert_allclose(known.objectives[before:], again.objectives, rtol=1e-12)


def test_designs_of_different_stock_values_have_nothing_between_them():
    known = known_front(small(corner="rear steer", spacers=(0.0, 10.0, 20.0, 30.0)))
    spacer = known.designs.column("spacer_mm")
    first, second, _ = _pairs(known)
    assert (spacer[first] != spacer[second]).any()
    before = len(known.scaled)
    _add([known], [_fill(known, 30)])
    assert len(known.scaled) == before + 30
    kept = known.designs.column("spacer_mm")[before:]
    assert np.isin(kept, (0.0, 10.0, 20.0, 30.0)).all()


@pytest.mark.parametrize("change", [lambda known: known, far_scale], ids=["as asked", "rescaled"])
def test_bridges_aim_at_the_middle_of_the_widest_gaps_from_the_best_start(change, monkeypatch):
    known = change(known_front(small()))
    first, second, _ = _pairs(known)
    ends = known.objectives[first[:3]], known.objectives[second[:3]]
    half = 0.5 * (known.scaled[first[:3]] + known.scaled[second[:3]])
    before, told = len(known.scaled), []
    monkeypatch.setattr(refining, "_follow", lambda *asked: told.append(asked))
    _bridge([known], 3, 5)
    np.testing.assert_allclose(known.scaled[before:], half, atol=1e-12)
    (((whose,), ((rows, rays),), steps, _),) = told
    assert steps == 5
    assert whose is known
    np.testing.assert_allclose(rays, np.maximum(0.5 * (ends[0] + ends[1]), 1e-3 * known.scale))
    for row, ray in zip(rows, rays, strict=True):
        level = np.where(known.feasible, (known.objectives / ray).max(axis=1), np.inf)
        assert level[row] == level.min()


CASES = (
    {"corner": "rear steer"},
    {"corner": "rear steer", "spacing_mm": 590.0},
    {"corner": "inclined arm axes", "spacing_mm": 610.0, "spacers": (0.0, 8.0, 16.0)},
)


def refined_front(asked, settings):
    """Objectives of the front near what is acceptable, and the designs evaluated for it."""
    designs, found = seeded(asked)
    result = refine(asked, designs, found, settings)
    end = asked.evaluate(result.designs)
    values = np.concatenate([end.objectives, found.objectives[found.feasible]])
    values = values[feasible_front(values, np.ones(len(values), dtype=bool))]
    return values[(values < REFERENCE).all(axis=1)], result.evaluated


@pytest.mark.parametrize("changes", CASES, ids=["rear steer", "short rack", "stock spacers"])
def test_what_bridges_and_filling_gain(changes):
    """Bridges halve the widest gap at least; filling gains on top, for a hundred designs."""
    asked = small(**changes)
    plain, few = refined_front(asked, replace(ALONE, gap_rounds=0, fill=0))
    bridged, more = refined_front(asked, replace(ALONE, fill=0))
    filled, most = refined_front(asked, ALONE)

    def widest(values):
        return neighbours(values / ACCEPTABLE)[2].max()

    assert widest(bridged) < 0.5 * widest(plain)
    missing = [1.0 - hypervolume(v, REFERENCE) / REFERENCE.prod() for v in (plain, bridged, filled)]
    assert missing[0] > missing[1] > missing[2]
    assert len(filled) > 1.5 * len(bridged) > 1.5 * len(plain)
    assert few < more < 1.6 * few
    assert most == more + 100


def swept(asked, designs, found):
    """What is known before gaps are looked at."""
    known = _Known(Model(asked), Given(designs, found))
    _follow([known], [_screen(known, ALONE)], 6, 1e-2)
    _follow([known], [_sweep(known, ALONE)], 12, 1e-6)
    return known


@pytest.mark.parametrize(
    ("extra", "cases"), [("tie_rod_force_n", CASES[:1]), ("part_lock_bump_steer_deg", CASES[2:])]
)
def test_what_gaps_gain_with_three_objectives(extra, cases):
    """Against as many designs between neighbours; shares of the box."""
    for changes in cases:
        asked = replace(
            small(**changes),
            objectives=Objectives(extra=(extra,)),
            loads=LoadAssumptions(1500.0, 180e3),
        )
        designs, found = seeded(asked)
        known, between = (swept(asked, designs, found) for _ in range(2))
        plain, before = known.objectives[known.front()], known.model.evaluated
        reference = np.append(REFERENCE, plain[:, 2].max())
        _bridge([known], 18, 3)
        _add([known], [_fill(known, 200)])
        cost = known.model.evaluated - before
        _add([between], [_fill(between, cost)])
        # It is what `refine` does.
        assert refine(asked, designs, found, ALONE).evaluated == before + cost
        least, filled, both = (
            hypervolume(values, reference) / reference.prod()
            for values in (plain, *(one.objectives[one.front()] for one in (between, known)))
        )
        assert both - least > 2e-3
        if extra == "tie_rod_force_n":
            assert both - least > 1.2 * (filled - least) > 0.0
        else:
            assert both > filled - 1e-3


def test_with_three_objectives_rays_along_the_edges_leave_one_out():
    """Every other ray bounds the third, also for the front of the first two alone."""
    asked = replace(small(), objectives=Objectives(extra=("part_lock_bump_steer_deg",)))
    known = known_front(asked)
    _, rays = _sweep(known, RefineSettings())
    out = np.isinf(rays)
    assert (out.sum(axis=1) <= 1).all()
    assert (out.sum(axis=0) == 3).all()
    plain = known_front(small())
    assert np.isfinite(_sweep(plain, RefineSettings())[1]).all()


def test_gaps_of_a_surface_are_where_most_would_be_gained():
    """Five designs of a plane: a hole between the first two, a long way that is worth nothing."""
    front = np.array([
        [0.1, 0.8, 0.6], [0.7, 0.2, 0.6], [0.72, 0.19, 0.6], [0.73, 0.18, 0.6], [0.74, 0.17, 3.9],
    ])  # fmt: skip
    reference = np.array([1.0, 1.0, 4.0])
    first, second = widest_gaps(front, reference, 10)
    assert (first[0], second[0]) == (0, 1)
    assert len(first) < 10
    with_it = np.vstack([front, 0.5 * (front[0] + front[1])])
    gain = hypervolume(with_it, reference) - hypervolume(front, reference)
    for a, b in zip(first, second, strict=True):
        other = np.vstack([front, 0.5 * (front[a] + front[b])])
        assert hypervolume(other, reference) - hypervolume(front, reference) <= 1.05 * gain
    assert len(widest_gaps(front[:1], reference, 3)[0]) == 0


# --- odds and ends -------------------------------------------------------------------------------


def test_the_same_designs_are_refined_to_the_same_designs():
    asked = small()
    designs, found = seeded(asked)
    first, second = (refine(asked, designs, found) for _ in range(2))
    assert np.array_equal(first.designs.values, second.designs.values)
    assert first.evaluated == second.evaluated


def test_nothing_to_refine_gives_nothing():
    asked = small(travel_mm=600.0)
    designs = random_designs(asked, 5)
    found = asked.evaluate(designs)
    assert not found.assembles.any()
    assert len(refine(asked, designs, found).designs) == 0
    fixed = {n: Stock((0.5 * (c.low + c.high),)) for n, c in small().space.items()}
    asked = with_space(small(), **fixed)
    one = asked.designs([0], {})
    assert len(refine(asked, one, asked.evaluate(one)).designs) == 0


def test_evaluations_are_counted(monkeypatch):
    asked, count = small(), 0
    judge = type(asked).judge

    def counting(self, designs, solved):
        nonlocal count
        count += len(designs)
        return judge(self, designs, solved)

    designs, found = seeded(asked)
    monkeypatch.setattr(type(asked), "judge", counting)
    assert refine(asked, designs, found).evaluated == count > 100


@pytest.mark.parametrize("objective", ["largest", "rms"])
def test_rows_make_up_the_objectives_and_limits(objective):
    asked = replace(small(), objectives=Objectives(objective, objective))
    model = Model(asked)
    designs = random_designs(asked, 20)
    table = model.table(model.scaled(designs), designs)
    good = np.isfinite(table.objectives).all(axis=1)
    assert good.sum() > 5
    for number in range(2):
        rows = table.rows[good, model.parts[number]]
        size = np.abs(rows).max(axis=1) if objective == "largest" else np.linalg.norm(rows, axis=1)
        assert size == pytest.approx(table.objectives[good, number], rel=1e-12)
    for number in range(len(asked.constraint_names)):
        rows = table.rows[good, model.parts[2 + number]]
        assert rows.max(axis=1) == pytest.approx(table.limits[good, number], abs=1e-12)


def test_slopes_at_the_edges_are_those_of_central_differences():
    asked = small()
    model = Model(asked)
    start, _ = seeded(asked, keep=1)
    inside = np.clip(model.scaled(start), 0.01, 0.99)
    corner = model.scaled(start)
    corner[0, 1], corner[0, 3] = 0.0, 1.0
    for scaled in (inside, corner):
        table = model.table(scaled, start)
        slopes = model.jacobian(table, np.ones(table.scaled.shape, dtype=bool))[0]
        for n in range(len(model.columns)):
            h = np.zeros(len(model.columns))
            h[n] = 1e-4 if scaled[0, n] < 0.5 else -1e-4
            ahead = model.table(np.clip(scaled + h, 0.0, 1.0), start).rows[0]
            assert slopes[n] == pytest.approx((ahead - table.rows[0]) / h[n], rel=0.02, abs=0.02)


def test_a_rack_without_a_limit_that_another_has_is_far_from_it():
    """Differences of -inf are no numbers, and a search of them would be led by nothing."""
    plain = small()
    (rack,) = plain.racks
    asked = replace(plain, racks=(replace(rack, joint_limit_deg=None), rack))
    assert asked.limits.inner_joint_angle is None
    model = Model(asked)
    designs = random_designs(asked, 30)
    table = model.table(model.scaled(designs), designs)
    table = table.select(np.flatnonzero(np.isfinite(table.objectives).all(axis=1)))
    number = asked.constraint_names.index("inner_joint_angle_deg")
    assert np.isneginf(table.limits[:, number]).all()
    found = model.jacobian(table, np.ones_like(table.scaled, dtype=bool))
    part = model.parts[len(asked.objectives.names) + number]
    assert np.isfinite(table.rows[:, part]).all()
    assert np.isfinite(found[:, :, part]).all()
    assert (table.rows[:, part].max(axis=1) < -100.0).all()
