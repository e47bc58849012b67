"""Designs to start from, against geometry that is known and against designs drawn at random."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from search_cases import inside_space, random_designs, small, with_space

from optimiser.evaluation.designs import Evaluation, FollowsRack, Range, Stock
from optimiser.metrics.ideal import ideal_inner_joint
from optimiser.search.seeds import choose_seeds, early_drop, seed_designs

CORNERS = ("front steer", "rear steer", "large caster", "converging arms")


def found_of(objectives, constraints, status):
    return Evaluation(np.array(objectives), np.array(constraints), {}, np.array(status, object))


def some_evaluation():
    nan = [np.nan, np.nan]
    return found_of(
        [[1.0, 4.0], [2.0, 2.0], nan, [3.0, 3.0], [0.5, 0.5], [1.5, 3.0]],
        [[-1.0, -1.0], [-2.0, 0.0], nan, [-1.0, -3.0], [3.0, -8.0], [-1.0, -1.0]],
        ["ok", "ok", "cannot assemble: too short", "ok", "breaks rack_travel_mm", "ok"],
    )


# --- where they lie ------------------------------------------------------------------------------


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize(
    "choices",
    [
        {},
        {"spacer_mm": Stock((0.0, 12.0, 25.0)), "arm_length_mm": Stock((100.0, 110.0))},
        {"arm_height_mm": FollowsRack(-8.0)},
        {"arm_height_mm": FollowsRack(6.0), "rack_height_mm": Stock((210.0, 230.0))},
        {"spacer_mm": Range(20.0, 20.0)},
    ],
)
def test_seeds_are_designs_that_the_study_allows(corner, choices):
    asked = with_space(small(corner=corner), **choices)
    seeds = seed_designs(asked, 0, 200, 1)
    assert len(seeds) >= 100
    assert inside_space(asked, seeds)
    assert (seeds.rack == 0).all()


@pytest.mark.parametrize("height", [Stock((205.0,)), FollowsRack(-8.0), None])
def test_seeds_are_placed_by_the_fit_through_rest(height):
    """It is nearer to the least bump steer than the free fit; both ways of asking, every seed."""
    asked = with_space(
        small(corner="front steer"),
        spacer_mm=Range(0.0, 250.0),
        rack_height_mm=Range(50.0, 400.0),
        **({} if height is None else {"arm_height_mm": height}),
    )
    asked = replace(asked, travel=replace(asked.travel, bump_mm=40.0, droop_mm=70.0))
    seeds = seed_designs(asked, 0, 120, 1)
    points, _ = asked.corners(seeds)
    free, pinned = (
        ideal_inner_joint(
            asked.points,
            points.outer_joint,
            seeds.column("rack_fore_aft_mm"),
            asked.travel.grid(),
            asked.car.attitude,
            through_rest=through,
        ).inner_joint
        for through in (False, True)
    )
    placed = np.linalg.norm(points.inner_joint - pinned, axis=-1) < 1e-3
    assert placed.mean() > 0.3  # the others were moved to what the study allows
    apart = np.linalg.norm(points.inner_joint - free, axis=-1)
    assert np.median(apart[placed]) > 0.05
    assert (apart < 1e-3).mean() < 0.05  # where both fits happen to be one


def test_no_design_is_given_twice():
    stock = {
        "rack_height_mm": Stock((210.0, 230.0)),
        "rack_fore_aft_mm": Stock((100.0,)),
        "spacer_mm": Stock((0.0, 12.0)),
        "arm_length_mm": Stock((100.0, 110.0)),
        "arm_height_mm": Stock((205.0,)),
        "arm_angle_deg": Stock((4.0,)),
    }
    for asked, most in ((with_space(small(), **stock), 8), (small(), 400)):
        seeds = seed_designs(asked, 0, 400, 1)
        assert 1 <= len(seeds) <= most
        assert len(np.unique(seeds.values, axis=0)) == len(seeds)


def test_the_same_seed_gives_the_same_designs_and_racks_differ():
    asked = small()
    two = replace(asked, racks=(asked.racks[0], replace(asked.racks[0], name="Other")))
    first = seed_designs(asked, 0, 100, 1)
    assert np.array_equal(first.values, seed_designs(two, 0, 100, 1).values)
    assert not np.array_equal(first.values, seed_designs(asked, 0, 100, 2).values)
    other = seed_designs(two, 1, 100, 1)
    assert (other.rack == 1).all()
    assert not np.array_equal(first.column("arm_length_mm"), other.column("arm_length_mm")[:50])


def test_parallel_equal_arms_get_seeds_without_any_bump_steer():
    # Closed form: the upright moves without turning, so a tie rod as long and as level as the
    # arms, seen from ahead, keeps toe exactly, wherever it lies fore and aft.
    asked = small(corner="parallel equal arms")
    seeds = seed_designs(asked, 0, 300, 1)
    found = asked.evaluate(seeds)
    points, _ = asked.corners(seeds)
    rod = points.outer_joint - points.inner_joint
    exact = (np.abs(rod[:, 1] - 330.0) < 1e-6) & (np.abs(rod[:, 2] + 15.0) < 1e-6)
    assert exact.sum() > 50
    bump = found.metrics["bump_steer_deg"][exact & found.assembles]
    assert len(bump) > 20
    assert bump.max() < 1e-9


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("kind", ["free", "follows rack", "stock"])
def test_seeds_have_far_less_bump_steer_than_random_designs(corner, kind):
    asked = small(corner=corner, spacers=(0.0, 10.0, 20.0, 30.0) if kind == "stock" else None)
    if kind == "follows rack":
        drawn = asked.points.outer_joint[2] - asked.points.inner_joint[2]
        asked = with_space(asked, arm_height_mm=FollowsRack(float(drawn)))

    def middle(designs):
        return np.nanmedian(asked.evaluate(designs).metrics["bump_steer_deg"])

    assert middle(seed_designs(asked, 0, 200, 1)) < 0.1 * middle(random_designs(asked, 200))


def test_reverse_seeds_keep_the_spacer_that_was_drawn():
    # With one stock length the spacing is what the rack makes it, and arm height answers.
    asked = with_space(small(), spacer_mm=Stock((14.0,)))
    seeds = seed_designs(asked, 0, 200, 1)
    found = asked.evaluate(seeds)
    assert (seeds.column("spacer_mm") == 14.0).all()
    reverse = slice(100, None)
    assert len(seeds.column("spacer_mm")[reverse]) > 10
    assert np.nanmax(found.metrics["bump_steer_deg"][reverse]) < 0.02
    assert len(np.unique(seeds.column("arm_height_mm")[reverse])) > 10


def test_seeds_for_kept_tie_rods_fit_those_rods():
    asked = small()
    rack = replace(asked.racks[0], tie_rod_length_mm=318.0)
    kept = replace(asked, racks=(rack,), steering=replace(asked.steering, keep_tie_rods=True))
    seeds = seed_designs(kept, 0, 200, 1)
    assert inside_space(kept, seeds)
    found = kept.evaluate(seeds)
    random = kept.evaluate(random_designs(kept, 200))
    good = np.nanmedian(found.metrics["bump_steer_deg"])
    assert good < 0.2 * np.nanmedian(random.metrics["bump_steer_deg"])


def test_many_seeds_lie_on_the_bounds():
    asked = small()
    length, choice = seed_designs(asked, 0, 400, 1).column("arm_length_mm"), asked.space
    share = np.isin(length, (choice["arm_length_mm"].low, choice["arm_length_mm"].high)).mean()
    assert 0.3 < share < 0.7


# --- which are told ------------------------------------------------------------------------------


def test_the_front_is_told_first_then_the_fronts_behind_it():
    found = some_evaluation()
    assert sorted(choose_seeds(found, 3).tolist()) == [0, 1, 5]
    assert sorted(choose_seeds(found, 2).tolist()) == [0, 1]  # the ends of the front
    assert sorted(choose_seeds(found, 9).tolist()) == [0, 1, 3, 5]


def test_without_a_feasible_design_the_nearest_are_told():
    found = found_of(
        [[1.0, 1.0], [1.0, 1.0], [np.nan, np.nan], [1.0, 1.0]],
        [[3.0, 1.0], [2.5, -9.0], [np.nan, np.nan], [0.0, 7.0]],
        ["breaks a, b", "breaks a", "cannot assemble: too short", "breaks b"],
    )
    assert choose_seeds(found, 2).tolist() == [1, 0]
    assert choose_seeds(found, 9).tolist() == [1, 0, 3]
    assert np.array_equal(found.excess, [4.0, 2.5, np.nan, 7.0], equal_nan=True)


# --- racks that cannot work ----------------------------------------------------------------------


def test_a_rack_with_a_feasible_design_is_kept():
    assert early_drop(small(), 0, some_evaluation()) == ""


def test_a_rack_is_dropped_with_what_its_nearest_design_breaks():
    asked = small()
    asked = replace(asked, limits=replace(asked.limits, rack_travel_margin_mm=60.0))
    found = asked.evaluate(seed_designs(asked, 0, 100, 1))
    text = early_drop(asked, 0, found)
    least = np.nanmin(found.excess)
    assert text.startswith(f"Plain: none of {len(found.status)} designs keeps the limits; the ")
    assert text.endswith(f"breaks the rack's travel less its margin (each way) by {least:.3g} mm")


def test_a_rack_is_dropped_with_what_stands_in_the_way_most_often():
    asked = small(travel_mm=600.0)
    found = asked.evaluate(random_designs(asked, 60))
    text = early_drop(asked, 0, found)
    assert text.startswith("Plain: none of 60 designs keeps the limits; cannot assemble: ")
    assert "line up" in text
