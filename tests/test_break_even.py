"""Break-even of what is bought: ends against grids, known figures, a referee; words and files."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from search_cases import small

from optimiser.answer.break_even import (
    COLUMNS,
    even_numbers,
    stretches_text,
)
from optimiser.evaluation.asked import KeepOut, Room
from optimiser.evaluation.designs import VARIABLES, Designs, Range, Stock
from optimiser.evaluation.problem import Objectives
from optimiser.metrics.tolerance import Tolerances
from optimiser.search.break_even import BOUGHT, SANE, break_evens
from optimiser.search.break_even.stretched import (
    GREATEST,
    LEAST,
    SPACERS,
    SPACING,
    Questions,
    Stretched,
)
from optimiser.search.break_even.walks import landed
from optimiser.search.seeds import seed_designs

STEP_MM = 0.1


def asked_of(problem, seed=0):
    """Break-even of a problem that was searched by nothing but its seeds."""
    parts = [seed_designs(problem, rack, 60, 1) for rack in range(len(problem.racks))]
    designs = Designs.join(parts)
    return break_evens(problem, designs, problem.evaluate(designs), seed)


def changed(problem, rack, number, value):
    """The problem with one rack of which a number is another."""
    bought, space = problem.racks[rack], dict(problem.space)
    if number == "spacer_mm":
        space["spacer_mm"] = Stock((value,))
    else:
        bought = replace(bought, **{number: value})
    return replace(problem, racks=(bought,), space=space)


def worst_of(problem, values):
    """The worst of what is accepted and of the limits, at most 0 where acceptable, (N,)."""
    designs = Designs(np.zeros(len(values), dtype=np.intp), values)
    outcome = problem.evaluate(designs)
    worst = np.maximum(problem.ratios(outcome).max(axis=1) - 1.0, outcome.constraints.max(axis=1))
    return np.where(np.isfinite(worst), worst, np.inf)


def ends_of(evens, number, rack=0, *, bare=False):
    one = next(each for each in evens if (each.rack, each.number) == (rack, number))
    return [(low.at_mm, high.at_mm) for low, high in (one.bare if bare else one.stretches)]


# --- ends are where acceptable designs end -------------------------------------------------------


def one_arm(racks, bump_deg=0.3, error_deg=2.5, **space):
    """A car with its arm as drawn, of which little is free."""
    problem = small(fixed_arm=True, arms=(114.0,), lock_deg=28.0, target=0.4)
    x, _, height = problem.points.inner_joint.tolist()
    free = {
        "rack_fore_aft_mm": Stock((x,)),
        "rack_height_mm": Range(height - 40.0, height + 40.0),
        "spacer_mm": Stock((0.0,)),
    }
    steering = replace(
        problem.steering,
        acceptable_bump_steer=np.radians(bump_deg),
        acceptable_ackermann_error=np.radians(error_deg),
    )
    bought = tuple(
        replace(problem.racks[0], name=str(mm), inner_joint_spacing_mm=mm) for mm in racks
    )
    return replace(problem, space=problem.space | free | space, steering=steering, racks=bought)


@pytest.fixture(scope="module")
def height_free():
    """Two racks in a car of which the rack's height alone is free: a grid sees everything."""
    problem = one_arm((620.0, 500.0))
    return problem, asked_of(problem)


def on_grid(problem, rack, number, value, steps=101):
    """The least of `worst_of` over the one range that is free and all stock values, closing in."""
    asked = changed(problem, rack, number, value)
    choices = [asked.space[name] for name in VARIABLES]
    (free,) = (at for at, choice in enumerate(choices) if isinstance(choice, Range))
    held = [(np.nan,) if at == free else choice.values for at, choice in enumerate(choices)]
    least = np.inf
    for stock in itertools.product(*held):
        low, high = choices[free].low, choices[free].high
        for _ in range(5):
            values = np.tile(stock, (steps, 1))
            values[:, free] = np.linspace(low, high, steps)
            worst = worst_of(asked, values)
            at, step = int(np.argmin(worst)), (high - low) / (steps - 1)
            least = min(least, float(worst[at]))
            low = max(choices[free].low, values[at, free] - 2.0 * step)
            high = min(choices[free].high, values[at, free] + 2.0 * step)
    return least


def assert_ends_are_ends(problem, rack, number, stretches):
    for low, high in stretches:
        assert low < high
        for end, way in ((low, -1.0), (high, 1.0)):
            assert on_grid(problem, rack, number, end - way * STEP_MM) <= 0.0
            outside = end + way * STEP_MM
            if SANE[number][0] <= outside <= SANE[number][1]:
                assert on_grid(problem, rack, number, outside) > 0.0


@pytest.mark.parametrize(
    ("rack", "number"),
    [(0, "inner_joint_spacing_mm"), (0, "travel_mm"), (1, "spacer_mm")],
)
def test_a_tenth_inside_an_end_something_is_acceptable_and_a_tenth_outside_nothing(
    height_free, rack, number
):
    problem, evens = height_free
    stretches = ends_of(evens, number, rack)
    assert len(stretches) == 1
    assert_ends_are_ends(problem, rack, number, stretches)


def test_a_walk_that_stands_just_beyond_its_limits_is_brought_onto_them(height_free):
    """Not the last acceptable design that it met is its end, here far behind."""
    problem, evens = height_free
    low, high = evens[0].stretches[0]
    model = Stretched(problem.as_limits)
    code = Questions.of(0, SPACING, GREATEST).code

    def at(end, number):
        like = Designs(code, end.design.values)
        return model.table(model.with_number(like, np.array([number])), like)

    met, stand = at(low, low.at_mm), at(high, high.at_mm + 0.05)
    assert met.feasible[0]
    assert not stand.feasible[0]
    assert high.at_mm - low.at_mm > 50.0
    found = landed(model, stand, met)
    assert model.number(found)[found.feasible].max() == pytest.approx(high.at_mm, abs=STEP_MM)


def test_a_start_is_within_the_bounds_of_its_question(height_free):
    """A spacer that is asked about is no variable beside itself, or no step could be taken."""
    problem, evens = height_free
    model = Stretched(problem.as_limits)
    low, _ = evens[0].stretches[0]
    values = low.design.values.copy()
    values[:, VARIABLES.index("spacer_mm")] = 30.0
    like = Designs(Questions.of(0, SPACERS, LEAST).code, values)
    start = model.with_number(like, np.array([30.0]))
    least, most = model.bounds(like)
    assert (least <= start).all()
    assert (start <= most).all()
    assert model.designs(start, like).column("spacer_mm")[0] == pytest.approx(30.0)


def test_the_same_inner_joints_are_the_same_break_even_with_and_without_spacers(height_free):
    _, evens = height_free
    ((low, high),) = ends_of(evens, "inner_joint_spacing_mm")
    ((short, long),) = ends_of(evens, "spacer_mm", rack=1)
    assert (500.0 + 2.0 * short, 500.0 + 2.0 * long) == pytest.approx((low, high), abs=0.05)
    # The other rack is acceptable with no spacer at all, and there is no shorter one.
    ((none, _),) = ends_of(evens, "spacer_mm")
    assert none == 0.0


def test_the_least_travel_is_what_the_lock_needs_and_the_margin():
    problem = one_arm((640.0,), rack_height_mm=Stock((207.0,)), arm_length_mm=Stock((114.0,)))
    design = problem.designs(0, {})
    needed = float(problem.evaluate(design).metrics["rack_needed_mm"][0])
    margin = problem.limits.rack_travel_margin_mm
    assert margin > 0.0
    ((least, _),) = ends_of(asked_of(problem), "travel_mm")
    assert least == pytest.approx(2.0 * (needed + margin), abs=0.02)


@pytest.fixture(scope="module")
def with_gap():
    """Two arm heights whose ideal inner joints are 35 mm further apart, and nothing between."""
    problem = one_arm(
        (600.0,),
        bump_deg=0.02,
        error_deg=4.0,
        rack_height_mm=Stock((183.7, 230.6)),
        arm_height_mm=Stock((177.0, 237.0)),
        arm_length_mm=Range(110.0, 118.0),
    )
    return problem, asked_of(problem)


@pytest.mark.parametrize("number", ["inner_joint_spacing_mm", "spacer_mm"])
def test_a_gap_between_stock_values_is_told_and_its_edges_are_right(with_gap, number):
    problem, evens = with_gap
    stretches = ends_of(evens, number)
    assert len(stretches) == 2
    assert_ends_are_ends(problem, 0, number, stretches)
    between = 0.5 * (stretches[0][1] + stretches[1][0])
    assert on_grid(problem, 0, number, between) > 0.0
    columns = even_numbers(evens, 0)
    assert columns[COLUMNS[number][0]] == pytest.approx(stretches[0][0], abs=0.01)
    assert columns[COLUMNS[number][1]] == pytest.approx(stretches[1][1], abs=0.01)
    one = next(each for each in evens if each.number == number)
    assert not one.holds(between)
    assert stretches_text(one.stretches, number).count(" or ") == 1


def test_an_end_that_is_that_of_what_is_sane_is_none():
    """Stops at the lock end the steering whatever the rack's travel: there is no most."""
    problem = one_arm((640.0,))
    problem = replace(problem, steering=replace(problem.steering, stops="lock"))
    evens = asked_of(problem)
    ((_, high),) = ends_of(evens, "travel_mm")
    assert high == pytest.approx(SANE["travel_mm"][1])
    numbers = even_numbers(evens, 0)
    assert numbers["most_travel_mm"] is None
    assert numbers["least_travel_mm"] is not None
    (one,) = (each for each in evens if each.number == "travel_mm")
    assert stretches_text(one.stretches, "travel_mm").endswith(" and more")


def test_what_cannot_be_assembled_has_no_break_even():
    problem = one_arm((640.0,))
    high = replace(problem, space=problem.space | {"rack_height_mm": Stock((1200.0,))})
    evens = asked_of(high)
    assert [one.number for one in evens] == list(BOUGHT)
    assert all(one.stretches == one.bare == () for one in evens)
    assert set(even_numbers(evens, 0).values()) == {None}


# --- the study's whole meaning -------------------------------------------------------------------


def at_ends(problem, evens, *, bare=False):
    """Whether each end's own design is acceptable there, as the study has it."""
    for one in evens:
        for stretch in one.bare if bare else one.stretches:
            for end in stretch:
                asked = changed(problem, one.rack, one.number, end.at_mm)
                yield one.number, float(worst_of(asked, end.design.values)[0])


@pytest.mark.parametrize(
    "changes",
    [
        {"objectives": Objectives(bump_steer="rms", ackermann_error="rms")},
        {"objectives": Objectives(extra=("toe_per_rack_mm_deg",), accepted=(0.5,))},
    ],
    ids=["root mean square", "a further objective"],
)
def test_what_is_accepted_beyond_the_two_objectives_holds_at_every_end(changes):
    plain = one_arm((640.0,))
    asked = replace(plain, **changes)
    evens = asked_of(asked)
    found = list(at_ends(asked, evens))
    assert found
    assert all(worst <= 0.0 for _, worst in found)
    ((low, high),) = ends_of(evens, "inner_joint_spacing_mm")
    ((lower, higher),) = ends_of(asked_of(plain), "inner_joint_spacing_mm")
    if asked.objectives.extra:
        # Less toe for each mm of rack takes a longer arm or other joints: the stretch is shorter.
        assert (low, high) != pytest.approx((lower, higher), abs=1.0)
    else:
        # What is accepted is the greatest value, whatever is minimised.
        assert (low, high) == pytest.approx((lower, higher), abs=0.05)


def test_with_tolerances_as_objective_the_cars_that_are_built_have_to_be_acceptable():
    few = Tolerances(samples=16)
    plain = one_arm((640.0,), bump_deg=0.5, error_deg=4.0)
    built = replace(plain, objectives=Objectives(bump_steer="with tolerances"), tolerances=few)
    evens = asked_of(built)
    ((low, high),) = ends_of(evens, "inner_joint_spacing_mm")
    ((lower, higher),) = ends_of(asked_of(plain), "inner_joint_spacing_mm")
    assert lower + 1.0 < low < high < higher - 1.0
    assert max(worst for _, worst in at_ends(built, evens)) <= 0.0


# --- clearance -----------------------------------------------------------------------------------

PIPE = KeepOut("pipe", "capsule", (60.0, 330.0, 245.0), (150.0, 330.0, 245.0), 8.0, mirror=True)


@pytest.fixture(scope="module")
def with_pipe():
    """A pipe above the inner joints, which keeps the rod from rising inboard."""
    problem = one_arm((560.0,), bump_deg=0.3)
    room = Room((PIPE,), tie_rod_diameter_mm=14.0, joint_diameter_mm=30.0)
    limits = replace(problem.limits, clearance_mm=5.0)
    problem = replace(problem, room=room, limits=limits)
    return problem, asked_of(problem)
