"""Dominance, fronts and hypervolume, against definitions, integrals and an outside library.

The outside library is moocore (general-purpose multi-objective indicators). It can keep copies of
a row or drop all but the first; the rule here keeps them, which is its `keep_weakly=True`.
"""

import itertools
import time

import moocore
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import integrate

from optimiser.base.front import (
    best_ratio,
    crowding_distance,
    feasible_front,
    hypervolume,
    non_dominated,
    non_dominated_ranks,
)

# Integral of 1.1 - f(x) over 0 to 1, and the strip of 0.1 by 1.1 beyond; two libraries agree.
# ZDT1 and ZDT2: Zitzler, Deb and Thiele, Comparison of multiobjective evolutionary
# algorithms: empirical results, 2000 (fronts from memory).
CURVES = {
    "ZDT1": (lambda x: 1.0 - np.sqrt(x), 0.876667),
    "ZDT2": (lambda x: 1.0 - x**2, 0.543333),
    "straight": (lambda x: 1.0 - x, 0.71),
}


def by_definition(values):
    """Front mask straight from the definition of dominance, one pair of rows at a time."""
    return np.array(
        [
            not np.isnan(row).any()
            and not any((other <= row).all() and (other < row).any() for other in values)
            for row in values
        ],
        dtype=bool,
    )


def with_copies_and_weak_rows(rng, count, objectives):
    """Random rows, some copied, some raised in one objective only, in random order."""
    rows = rng.random((count, objectives))
    copies = rows[rng.integers(count, size=count // 4)]
    weak = rows[rng.integers(count, size=count // 4)].copy()
    weak[np.arange(len(weak)), rng.integers(objectives, size=len(weak))] += 0.1
    return rng.permutation(np.concatenate((rows, copies, weak)))


def sphere_front(rng, count, objectives):
    """Rows none of which dominates another: on the part of a sphere that faces the origin."""
    rows = np.abs(rng.standard_normal((count, objectives)))
    return 1.0 - rows / np.linalg.norm(rows, axis=1, keepdims=True)


# Few distinct numbers make ties, copies and weakly dominated rows common.
NUMBERS = st.sampled_from([0.0, -0.0, 1.0, 2.0, 3.0, np.inf, -np.inf, np.nan])
TABLES = hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=6).flatmap(
    lambda shape: hnp.arrays(float, (shape[0] * 3, shape[1]), elements=NUMBERS)
)
LATTICE = st.integers(1, 4).flatmap(
    lambda m: hnp.arrays(
        float, st.tuples(st.integers(0, 12), st.just(m)), elements=st.integers(0, 4)
    )
)


class TestNonDominated:
    @settings(deadline=None)
    @given(TABLES)
    def test_agrees_with_the_definition(self, values):
        np.testing.assert_array_equal(non_dominated(values), by_definition(values))

    def test_copies_are_kept_and_weakly_dominated_rows_are_out(self):
        values = [[1, 3], [1, 3], [1, 4], [2, 3], [3, 1], [3, 1], [4, 4]]
        expected = [True, True, False, False, True, True, False]
        assert non_dominated(values).tolist() == expected
        # The same rows in three objectives and in four, the added ones equal throughout.
        for added in (1, 2):
            wider = np.hstack((values, np.zeros((len(values), added))))
            assert non_dominated(wider).tolist() == expected

    def test_rows_with_nan_are_out_and_hide_nothing(self):
        values = [[0.0, np.nan], [np.nan, np.nan], [2.0, 2.0], [1.0, 3.0]]
        assert non_dominated(values).tolist() == [False, False, True, True]

    def test_no_rows(self):
        assert non_dominated(np.empty((0, 3))).shape == (0,)

    @pytest.mark.parametrize("objectives", [1, 2, 3, 4, 5, 6])
    @pytest.mark.parametrize("seed", range(3))
    def test_agrees_with_moocore(self, objectives, seed):
        rng = np.random.default_rng(seed)
        values = with_copies_and_weak_rows(rng, 800, objectives)
        expected = moocore.is_nondominated(values, keep_weakly=True)
        np.testing.assert_array_equal(non_dominated(values), expected)

    @pytest.mark.parametrize("objectives", [3, 4, 5])
    def test_keeps_a_large_front_whole(self, objectives):
        # More rows than one block of comparisons holds, with one dominated row at the end.
        values = sphere_front(np.random.default_rng(4), 1500, objectives)
        values = np.vstack((values, values[700] + 1e-9))
        assert np.flatnonzero(~non_dominated(values)).tolist() == [1500]

    def test_a_hundred_thousand_rows_are_not_compared_in_pairs(self):
        # A comparison of all pairs would be ten billion; the sort takes about 0.06 s.
        values = np.random.default_rng(0).random((100_000, 2))
        start = time.perf_counter()
        mask = non_dominated(values)
        assert time.perf_counter() - start < 2.0
        np.testing.assert_array_equal(mask, moocore.is_nondominated(values, keep_weakly=True))

    @pytest.mark.parametrize("shape", [(3,), (2, 2, 2), (3, 0)])
    def test_refuses_other_shapes(self, shape):
        with pytest.raises(ValueError, match=r"expected \(designs, objectives\)"):
            non_dominated(np.zeros(shape))


class TestRanks:
    @settings(deadline=None)
    @given(TABLES)
    def test_each_rank_is_the_front_of_what_the_lower_ranks_leave(self, values):
        ranks = non_dominated_ranks(values)
        missing = np.isnan(values).any(axis=1)
        assert (ranks[missing] == len(values)).all()
        left = np.flatnonzero(~missing)
        rank = 0
        while len(left):
            on_front = by_definition(values[left])
            np.testing.assert_array_equal(ranks[left] == rank, on_front)
            left = left[~on_front]
            rank += 1

    @pytest.mark.parametrize("objectives", [1, 2, 3, 4])
    def test_agrees_with_moocore(self, objectives):
        values = with_copies_and_weak_rows(np.random.default_rng(7), 400, objectives)
        np.testing.assert_array_equal(non_dominated_ranks(values), moocore.pareto_rank(values))

    def test_rows_with_nan_sort_last(self):
        assert non_dominated_ranks([[np.nan, 0], [1, 1], [0, 0]]).tolist() == [3, 1, 0]


class TestCrowdingDistance:
    def test_worked_by_hand(self):
        # Ranges 10 and 10: the inner rows stand between gaps 4 + 7 and 9 + 5 tenths.
        values = [[0, 10], [1, 5], [4, 3], [10, 0]]
        np.testing.assert_allclose(
            crowding_distance(values), [np.inf, 0.4 + 0.7, 0.9 + 0.5, np.inf], rtol=1e-15
        )

    @pytest.mark.parametrize("count", [0, 1, 2])
    def test_up_to_two_rows_have_all_the_room(self, count):
        assert crowding_distance(np.ones((count, 2))).tolist() == [np.inf] * count

    def test_a_constant_objective_adds_nothing(self):
        values = np.array([[0.0, 10.0], [1.0, 5.0], [4.0, 3.0], [10.0, 0.0]])
        wider = np.column_stack((values, np.full(4, 7.0)))
        np.testing.assert_array_equal(crowding_distance(wider), crowding_distance(values))
        assert crowding_distance(np.ones((3, 2))).tolist() == [0.0, 0.0, 0.0]

    def test_rows_that_are_not_finite_have_no_distance_and_are_no_neighbours(self):
        values = np.array([[0.0, 10.0], [1.0, 5.0], [4.0, 3.0], [10.0, 0.0]])
        spoilt = np.insert(values, 2, [[np.nan, 1.0], [2.0, np.inf]], axis=0)
        distance = crowding_distance(spoilt)
        assert np.isnan(distance[2:4]).all()
        np.testing.assert_array_equal(np.delete(distance, [2, 3]), crowding_distance(values))

    @pytest.mark.parametrize("objectives", [2, 3, 4])
    def test_does_not_depend_on_the_order_of_distinct_rows_or_on_units(self, objectives):
        rng = np.random.default_rng(3)
        values = np.unique(rng.integers(0, 6, size=(40, objectives)), axis=0).astype(float)
        order = rng.permutation(len(values))
        distance = crowding_distance(values)
        np.testing.assert_allclose(crowding_distance(values[order]), distance[order])
        np.testing.assert_allclose(crowding_distance(values * 25.4 - 3.0), distance)


class TestHypervolume:
    @pytest.mark.parametrize("name", CURVES)
    def test_known_fronts_at_1_1(self, name):
        curve, expected = CURVES[name]
        integral = integrate.quad(lambda x: 1.1 - curve(x), 0.0, 1.0)[0] + 0.1 * 1.1
        assert integral == pytest.approx(expected, abs=5e-7)
        steps = 1_000_000
        x = np.linspace(0.0, 1.0, steps + 1)
        measured = hypervolume(np.column_stack((x, curve(x))), [1.1, 1.1])
        # A staircase under a falling curve misses at most width times drop, here 1 / steps.
        assert 0.0 < integral - measured <= 1.0 / steps

    def test_straight_line_of_few_points_in_closed_form(self):
        x = np.linspace(0.0, 1.0, 11)
        measured = hypervolume(np.column_stack((x, 1.0 - x)), [1.1, 1.1])
        # Ten triangles of 0.1 by 0.1 are missing.
        assert measured == pytest.approx(0.71 - 10 * 0.1 * 0.1 / 2, rel=1e-14)

    def test_three_points_at_4_4(self):
        # Recomputed: 3 + 2 + 1 unit columns.
        assert hypervolume([[1, 3], [2, 2], [3, 1]], [4, 4]) == 6.0

    @settings(deadline=None)
    @given(LATTICE)
    def test_counts_unit_cells(self, values):
        # On whole numbers the volume is the number of unit cells above some row, counted singly.
        objectives = values.shape[1]
        cells = np.array(list(itertools.product(range(4), repeat=objectives)))
        covered = (values[None] <= cells[:, None]).all(axis=2).any(axis=1).sum()
        assert hypervolume(values, np.full(objectives, 4.0)) == covered

    @pytest.mark.parametrize("objectives", [1, 2, 3, 4])
    @pytest.mark.parametrize("seed", range(5))
    def test_agrees_with_moocore(self, objectives, seed):
        rng = np.random.default_rng(seed)
        values = with_copies_and_weak_rows(rng, 200, objectives)
        reference = np.full(objectives, 0.9)  # some rows lie beyond it
        expected = moocore.hypervolume(values, ref=reference)
        assert hypervolume(values, reference) == pytest.approx(expected, rel=1e-12)

    @pytest.mark.parametrize("objectives", [2, 3, 4])
    def test_agrees_with_moocore_on_a_large_front(self, objectives):
        values = sphere_front(np.random.default_rng(11), 400, objectives)
        reference = np.linspace(1.1, 1.4, objectives)
        expected = moocore.hypervolume(values, ref=reference)
        assert hypervolume(values, reference) == pytest.approx(expected, rel=1e-12)

    @pytest.mark.parametrize("objectives", [1, 2, 3, 4])
    def test_copies_dominated_rows_nan_and_rows_beyond_add_nothing(self, objectives):
        rng = np.random.default_rng(5)
        front = sphere_front(rng, 30, objectives) if objectives > 1 else np.array([[0.25]])
        on_edge, beyond, blank = front[:1].copy(), front[:1].copy(), front[:1].copy()
        on_edge[0, -1], beyond[0, 0], blank[0, 0] = 1.1, 50.0, np.nan
        beyond[0, 1:] = -9.0
        more = np.vstack((front, front[:5], front[:5] + 0.01, on_edge, beyond, blank))
        reference = np.full(objectives, 1.1)
        assert hypervolume(more, reference) == pytest.approx(
            hypervolume(front, reference), rel=1e-14
        )

    @settings(deadline=None)
    @given(st.integers(1, 4), st.integers(0, 2**32 - 1))
    def test_grows_with_rows_and_does_not_depend_on_order(self, objectives, seed):
        rng = np.random.default_rng(seed)
        values = rng.random((15, objectives))
        reference = np.ones(objectives)
        whole = hypervolume(values, reference)
        assert whole >= hypervolume(values[:-1], reference) - 1e-14
        assert whole <= 1.0
        assert hypervolume(rng.permutation(values), reference) == pytest.approx(whole, rel=1e-12)
        columns = rng.permutation(objectives)
        assert hypervolume(values[:, columns], reference) == pytest.approx(whole, rel=1e-12)

    @pytest.mark.parametrize("objectives", [1, 2, 3, 4])
    def test_one_row_is_a_box_and_none_is_nothing(self, objectives):
        row, reference = np.arange(objectives) * 0.5, np.arange(objectives) + 3.0
        assert hypervolume([row], reference) == pytest.approx(np.prod(reference - row))
        assert hypervolume(np.empty((0, objectives)), reference) == 0.0

    @pytest.mark.parametrize(
        ("values", "reference", "message"),
        [
            (np.ones((2, 5)), np.ones(5), "takes 1 to 4 objectives"),
            (np.ones((2, 3)), np.ones(2), r"reference has shape \(2,\), expected \(3,\)"),
            (np.ones((2, 2)), 1.0, r"reference has shape \(\), expected \(2,\)"),
            (np.ones((2, 2)), [1.0, np.nan], "reference is not finite"),
            ([[0.0, -np.inf]], [1.0, 1.0], "minus infinity"),
            (np.ones(2), [1.0, 1.0], r"expected \(designs, objectives\)"),
        ],
    )
    def test_refuses_what_does_not_fit(self, values, reference, message):
        with pytest.raises(ValueError, match=message):
            hypervolume(values, reference)


class TestFeasibleFront:
    def test_infeasible_rows_neither_appear_nor_dominate(self):
        values = [[3, 1], [0, 0], [1, 3], [2, 2], [2, 3], [1, 3], [np.nan, 0]]
        feasible = np.array([True, False, True, True, True, True, True])
        assert feasible_front(values, feasible).tolist() == [2, 5, 3, 0]

    def test_nothing_feasible(self):
        assert feasible_front([[1, 2], [2, 1]], np.array([False, False])).tolist() == []

    def test_ties_in_the_first_objective_follow_the_next(self):
        values = [[1, 2, 0], [1, 1, 5], [0, 3, 3]]
        assert feasible_front(values, np.full(3, True)).tolist() == [2, 1, 0]

    @settings(deadline=None)
    @given(TABLES, st.integers(0, 2**32 - 1))
    def test_is_the_front_of_the_feasible_rows(self, values, seed):
        feasible = np.random.default_rng(seed).random(len(values)) < 0.6
        chosen = feasible_front(values, feasible)
        expected = np.flatnonzero(feasible)[by_definition(values[feasible])]
        assert sorted(chosen.tolist()) == expected.tolist()
        assert (values[chosen[1:], 0] >= values[chosen[:-1], 0]).all()

    def test_refuses_what_does_not_fit(self):
        with pytest.raises(ValueError, match=r"feasible has shape \(3,\), expected \(2,\)"):
            feasible_front([[1, 2], [2, 1]], np.array([True, True, False]))
        with pytest.raises(ValueError, match="expected booleans"):
            feasible_front([[1, 2], [2, 1]], [0, 1])


class TestBestRatio:
    def test_least_worst_ratio_wins(self):
        # Ratios to (0.1, 0.5): worst 1.5, 0.8 and 1.2.
        assert best_ratio([[0.15, 0.1], [0.08, 0.3], [0.02, 0.6]], [0.1, 0.5]) == 1

    def test_the_acceptable_values_decide(self):
        values = [[1.0, 4.0], [2.0, 2.0], [4.0, 1.0]]
        assert best_ratio(values, [1.0, 1.0]) == 1
        assert best_ratio(values, [1.0, 8.0]) == 0
        assert best_ratio(values, [8.0, 1.0]) == 2

    def test_next_to_nothing_of_one_is_not_worth_much_of_another(self):
        assert best_ratio([[0.167, 0.167], [0.01, 0.17], [0.0, 0.19]], [1.0, 1.0]) == 1
        # What is acceptable stays so, whatever else could be had.
        assert best_ratio([[0.998, 0.998], [0.1, 1.002]], [1.0, 1.0]) == 0
        assert best_ratio([[1.0, 1.0], [0.1, 1.002]], [1.0, 1.0]) == 0
        assert best_ratio([[1.1, 1.1], [0.1, 1.105]], [1.0, 1.0]) == 1

    def test_ties_go_to_the_least_sum_then_to_the_lower_row(self):
        assert best_ratio([[2.0, 1.5, 0.6], [1.0, 2.0, 1.0], [2.0, 1.0, 1.0]], [1, 1, 1]) == 1
        assert best_ratio([[3.0], [2.0], [2.0]], [1.0]) == 1

    def test_rows_that_are_not_finite_are_never_picked(self):
        assert best_ratio([[np.nan, 0], [-np.inf, 0], [5, 5], [np.inf, 0]], [1, 1]) == 2

    @settings(deadline=None)
    @given(hnp.arrays(float, (9, 3), elements=st.integers(0, 4)))
    def test_agrees_with_a_plain_search(self, values):
        acceptable = np.array([1.0, 2.0, 4.0])
        ratios = (values / acceptable).tolist()
        expected = min(range(9), key=lambda row: (max(ratios[row]), sum(ratios[row]), row))
        assert best_ratio(values, acceptable) == expected

    def test_the_winner_of_finite_rows_is_on_the_front_up_to_ties(self):
        values = np.random.default_rng(2).random((300, 2))
        assert non_dominated(values)[best_ratio(values, [0.3, 0.7])]

    @pytest.mark.parametrize(
        ("values", "acceptable", "message"),
        [
            ([[1, 2]], [1.0], r"acceptable has shape \(1,\), expected \(2,\)"),
            ([[1, 2]], [1.0, 0.0], "finite number above zero"),
            ([[1, 2]], [1.0, np.nan], "finite number above zero"),
            ([[1, 2]], [np.inf, 1.0], "finite number above zero"),
            (np.empty((0, 2)), [1, 1], "no row is finite"),
            ([[np.nan, 1]], [1, 1], "no row is finite"),
        ],
    )
    def test_refuses_what_does_not_fit(self, values, acceptable, message):
        with pytest.raises(ValueError, match=message):
            best_ratio(values, acceptable)
