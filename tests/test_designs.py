"""What a variable may be, and what a batch of outcomes says of itself."""

import numpy as np
import pytest

from optimiser.evaluation.designs import (
    Evaluation,
    FollowsRack,
    Range,
    Stock,
    allows,
    ends,
    nearest_allowed,
)

FREE, LISTED, FOLLOWING = Range(10.0, 20.0), Stock((30.0, 0.0, 12.0)), FollowsRack(5.0)


def found_of(constraints, status, unassembled=()):
    objectives = np.ones((len(status), 2))
    objectives[list(unassembled)] = np.nan
    return Evaluation(objectives, np.array(constraints), {}, np.array(status, dtype=object))


def test_the_ends_are_the_least_and_greatest_allowed_values():
    assert ends(FREE) == (10.0, 20.0)
    assert ends(LISTED) == (0.0, 30.0)


def test_bounds_and_listed_values_are_allowed_to_the_last_bit():
    beside = np.nextafter(20.0, 30.0)
    assert allows(FREE, [10.0, 15.0, 20.0, beside, np.nan]).tolist() == [True, True, True, 0, 0]
    assert allows(LISTED, [12.0, np.nextafter(12.0, 0.0), 30.0]).tolist() == [True, False, True]
    assert allows(FOLLOWING, [1.0, 1e9]).all()


def test_the_nearest_allowed_value_of_any_shape():
    assert nearest_allowed(FREE, [[9.0, 13.5], [25.0, 20.0]]).tolist() == [[10, 13.5], [20, 20]]
    assert nearest_allowed(LISTED, [[5.0, 7.0], [22.0, -4.0]]).tolist() == [[0, 12], [30, 0]]
    assert nearest_allowed(LISTED, 29.0).item() == 30.0


@pytest.mark.parametrize("ask", [ends, lambda choice: nearest_allowed(choice, 1.0)])
def test_what_follows_another_has_no_values_of_its_own(ask):
    with pytest.raises(TypeError, match="follows another"):
        ask(FOLLOWING)


def test_the_nearest_design_exceeds_its_limits_by_the_least_sum():
    found = found_of(
        [[3.0, 1.0], [2.5, -9.0], [np.nan, np.nan], [-5.0, 7.0]],
        ["breaks a, b", "breaks a", "cannot assemble: too short", "breaks b"],
        unassembled=[2],
    )
    assert np.array_equal(found.excess, [4.0, 2.5, np.nan, 7.0], equal_nan=True)
    assert found.nearest == 1
    assert found.select(np.array([2])).nearest is None


def test_the_commonest_status():
    found = found_of(np.zeros((4, 1)), ["breaks a", "ok", "breaks b", "ok"])
    assert found.commonest_status == ("ok", 2)
    assert found.select(slice(0, 0)).commonest_status == ("", 0)
    assert found.select(slice(0, 0)).nearest is None
