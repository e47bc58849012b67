"""Places of a column's joints against a dense search of all places."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from optimiser.evaluation.bolting import Column
from optimiser.evaluation.column_least import WITHIN
from optimiser.evaluation.column_places import find_places

COLUMN = Column(
    wheel=(-640.0, 330.0, 680.0),
    axis=(0.95, 0.0, -np.sqrt(1.0 - 0.95**2)),
    joints=2,
    joint_limit=np.radians(30.0),
    lower_mm=(15.0, 60.0),
    upper_mm=(150.0, 450.0),
    length_mm=(120.0, 700.0),
)


NAMES = ("upper", "lower", "upper_bend", "lower_bend", "best_phase", "length_mm", "miss_mm")


def unit(v):
    return np.asarray(v, float) / np.linalg.norm(v)


def random_ends(count, seed=3):
    """Ends and directions of pinions of invented cars behind which the column goes."""
    rng = np.random.default_rng(seed)
    end = rng.uniform([20, 40, 180], [140, 330, 330], (count, 3))
    aim = rng.uniform([-500, 100, 250], [-150, 400, 650], (count, 3)) - end
    return end, aim / np.linalg.norm(aim, axis=1)[:, None]


def brute(column, end, pinion, count=241):
    """Every place of a grid: s, t, both bends in degrees, length; by vectors and arccos alone."""
    s, t = np.meshgrid(
        np.linspace(*column.lower_mm, count), np.linspace(*column.upper_mm, count), indexing="ij"
    )
    upper = np.array(column.wheel) + np.array(column.axis) * t[..., None]
    lower = end + pinion * s[..., None]
    apart = lower - upper
    length = np.linalg.norm(apart, axis=-1)
    first = np.degrees(np.arccos(np.clip(apart @ np.array(column.axis) / length, -1, 1)))
    second = np.degrees(np.arccos(np.clip(-(apart @ pinion) / length, -1, 1)))
    return s, t, first, second, length


def ripple_percent(first, second):
    c1, c2 = np.cos(np.radians(first)), np.cos(np.radians(second))
    return 100.0 * (np.maximum(c1 / c2, c2 / c1) ** 2 - 1.0)


def test_places_of_random_columns_are_those_of_a_dense_search():
    kinds = set()
    for end, pinion in zip(*random_ends(40), strict=True):
        found = find_places(COLUMN, end[None], pinion[None])
        s, _, first, second, length = brute(COLUMN, end, pinion)
        reach = (length >= 120.0) & (length <= 700.0)
        assert reach.any()
        good = reach & (first <= 30.0) & (second <= 30.0)
        here = np.degrees([found.upper_bend[0], found.lower_bend[0]])
        assert found.miss_mm[0] == 0.0
        if good.any():
            kinds.add("good")
            assert here.max() <= 30.0 + 1e-9
            least = np.where(good, ripple_percent(first, second), np.inf)
            mine = ripple_percent(*here)
            assert mine <= least.min() + WITHIN + 1e-6
            # Of the grid's places as good as that none is lower by more than a step of the grid.
            as_good = least <= mine - 1e-6
            if as_good.any():
                assert found.lower_mm[0] <= s[as_good].min() + 1e-9
        else:
            kinds.add("bent")
            least = np.where(reach, np.maximum(first, second), np.inf)
            assert here.max() <= least.min() + WITHIN + 1e-6
        inside = COLUMN.lower_mm[0] <= found.lower_mm[0] <= COLUMN.lower_mm[1]
        assert inside
        assert COLUMN.upper_mm[0] <= found.upper_mm[0] <= COLUMN.upper_mm[1]
    assert kinds == {"good", "bent"}


def test_a_batch_gives_what_each_gives_alone():
    end, pinion = random_ends(6)
    end[2] = np.nan
    together = find_places(COLUMN, end, pinion)
    for row in range(6):
        alone = find_places(COLUMN, end[row : row + 1], pinion[row : row + 1])
        for name in NAMES:
            np.testing.assert_array_equal(getattr(together, name)[row], getattr(alone, name)[0])
    assert np.isnan(together.upper_bend[2])


def even_column():
    """End and direction of a pinion whose axis bends at 20 deg, as the wheel's shaft does.

    With the joints 300 mm along the shaft and 40 mm along the pinion's axis.
    """
    wheel, axis = np.array(COLUMN.wheel), np.array(COLUMN.axis)
    middle = Rotation.from_rotvec(np.radians(20.0) * np.array([0.0, 1.0, 0.0])).apply(axis)
    pinion = -Rotation.from_rotvec(np.radians(70.0) * middle).apply(axis)
    end = wheel + 300.0 * axis + 400.0 * middle - 40.0 * pinion
    return end[None], pinion[None]


def test_equal_bends_leave_no_ripple_at_the_least_lower_distance():
    end, pinion = even_column()
    there = replace(COLUMN, lower_mm=(40.0, 40.0), upper_mm=(300.0, 300.0))
    found = find_places(there, end, pinion)
    np.testing.assert_allclose(np.degrees([found.upper_bend, found.lower_bend]), 20.0)
    found = find_places(COLUMN, end, pinion)
    ripple = ripple_percent(*np.degrees([found.upper_bend[0], found.lower_bend[0]]))
    assert found.lower_mm[0] == 15.0  # equal bends are on the line t - s = 260
    assert found.upper_mm[0] == pytest.approx(275.0, abs=1.0)
    assert ripple == pytest.approx(WITHIN, abs=1e-6)
    # A little less t is not within a hundredth any more, which is what the least t means.
    less = replace(COLUMN, upper_mm=(found.upper_mm[0] - 0.01,) * 2, lower_mm=(15.0, 15.0))
    there = find_places(less, end, pinion)
    worse = ripple_percent(*np.degrees([there.upper_bend[0], there.lower_bend[0]]))
    assert worse > WITHIN


def test_a_shaft_that_cannot_be_long_enough_misses_by_what_it_lacks():
    end, pinion = random_ends(3)
    found = find_places(replace(COLUMN, length_mm=(1500.0, 1600.0)), end, pinion)
    for row in range(3):
        longest = brute(COLUMN, end[row], pinion[row])[4].max()
        assert found.miss_mm[row] == pytest.approx(1500.0 - longest, abs=1e-5)


@pytest.mark.parametrize("band", [0.0, 0.5, 3.0])
def test_a_shaft_of_one_length_to_a_joint_of_one_place_is_found(band):
    """What is allowed then lies between two steps of the lower range, or is a single place."""
    rng, kinds = np.random.default_rng(19), set()
    for end, pinion in zip(*random_ends(40, seed=19), strict=True):
        t = float(rng.uniform(*COLUMN.upper_mm))
        at = np.array(COLUMN.wheel) + np.array(COLUMN.axis) * t
        length = float(np.linalg.norm(end + pinion * rng.uniform(16.0, 59.0) - at))
        fixed = replace(COLUMN, upper_mm=(t, t), length_mm=(length, length + band))
        found = find_places(fixed, end[None], pinion[None])
        assert found.miss_mm[0] == 0.0
        assert found.upper_mm[0] == pytest.approx(t)
        # Places of exactly that length by the quadratic equation, and a dense search of the rest.
        apart = end - at
        roots = np.roots([1.0, 2.0 * apart @ pinion, apart @ apart - length**2]).real
        s = np.concatenate([roots, np.linspace(15.0, 60.0, 40001)])
        d = apart + pinion * s[:, None]
        long = np.linalg.norm(d, axis=1)
        there = (s >= 15.0) & (s <= 60.0) & (np.abs(long - length - 0.5 * band) < 0.5 * band + 1e-9)
        first = np.degrees(np.arccos(d @ np.array(COLUMN.axis) / long))
        second = np.degrees(np.arccos(-(d @ pinion) / long))
        here = np.degrees([found.upper_bend[0], found.lower_bend[0]])
        good = there & (np.maximum(first, second) <= 30.0)
        if good.any():
            kinds.add("good")
            assert here.max() <= 30.0 + 1e-9
            assert (
                ripple_percent(*here) <= ripple_percent(first, second)[good].min() + WITHIN + 1e-6
            )
        else:
            kinds.add("bent")
            assert here.max() <= np.maximum(first, second)[there].min() + WITHIN + 1e-6
    assert kinds == {"good", "bent"}


class Where:
    """Clear where some rule says so, and as far as it knows anywhere."""

    def __init__(self, rule):
        self.rule = rule

    def __call__(self, rows, lower, upper, asked):
        return self.rule(lower, upper)

    def ever(self, rows):
        return np.ones(len(rows), dtype=bool)


def test_places_that_are_not_clear_are_gone_round():
    end, pinion = even_column()
    column = COLUMN

    def beyond(lower, upper):
        return (lower[..., None] >= 37.5) & (upper > 0.0)

    found = find_places(column, end, pinion, Where(beyond))
    assert found.lower_mm[0] == pytest.approx(37.5, abs=1e-5)
    assert ripple_percent(*np.degrees([found.upper_bend[0], found.lower_bend[0]])) <= WITHIN + 1e-9
    # Nothing clear at all: the least greater bend, wherever that is.
    stuck = find_places(column, end, pinion, Where(lambda lower, upper: upper < 0.0))
    free = brute(column, end[0], pinion[0])
    least = np.maximum(free[2], free[3]).min()
    worst = np.degrees(max(stuck.upper_bend[0], stuck.lower_bend[0]))
    assert worst <= least + WITHIN + 1e-9


# --- one joint -----------------------------------------------------------------------------------


def test_one_joint_where_the_axes_meet():
    column = replace(COLUMN, joints=1)
    meet = np.array(column.wheel) + 300.0 * np.array(column.axis)
    pinion = unit([-0.85, 0.1, 0.5])
    end = meet - 40.0 * pinion
    found = find_places(column, end[None], pinion[None])
    assert found.miss_mm[0] == pytest.approx(0.0, abs=1e-9)
    assert found.upper_mm[0] == pytest.approx(300.0)
    assert found.lower_mm[0] == pytest.approx(40.0)
    bend = np.arccos(np.array(column.axis) @ -pinion)
    assert found.upper_bend[0] == pytest.approx(bend)
    assert np.isnan([found.lower_bend[0], found.best_phase[0], found.length_mm[0]]).all()


def test_one_joint_of_skew_axes_misses_by_the_distance_of_the_ranges():
    column = replace(COLUMN, joints=1)
    end, pinion = random_ends(10, seed=8)
    found = find_places(column, end, pinion)
    for row in range(10):
        s, t, *_ = brute(column, end[row], pinion[row], 401)
        upper = np.array(column.wheel) + np.array(column.axis) * t[..., None]
        apart = np.linalg.norm(end[row] + pinion[row] * s[..., None] - upper, axis=-1)
        assert found.miss_mm[row] <= apart.min() + 1e-9
        assert found.miss_mm[row] == pytest.approx(apart.min(), abs=0.5)
