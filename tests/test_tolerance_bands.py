"""How far one dimension alone may be off, and shims: edges are judged by the metrics themselves."""

from dataclasses import replace

import numpy as np
import pytest
from tolerance_cases import GRID, conditions, corner, square

from optimiser.linkage.at_rack import describe_arm
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.vectors import norm, unit
from optimiser.metrics.kinematic import bump_steer
from optimiser.metrics.tolerance import (
    ADJUSTMENTS,
    Band,
    accuracy_bands,
    adjusted_corner,
    shim_table,
)

ACCEPTABLE = np.radians(0.6)
NOT_RESET = "tie-rod length, toe not reset"
AT_RACK = "tie-rod length, toe reset at the rack"


def rod(points):
    return norm(points.outer_joint - points.inner_joint)


def bump_of(built, index=()):
    """Largest bump steer by the metrics, of one corner of a batch."""
    points = Hardpoints.from_mapping(
        {
            name: np.broadcast_to(value, (*built.shape, 3))[index]
            for name, value in built.points.items()
        }
    )
    attitude = Attitude(float(built.attitude.toe_in[index]), float(built.attitude.camber[index]))
    return float(bump_steer(points, GRID, attitude).largest)


# --- what each dimension moves -------------------------------------------------------------------


def test_rack_and_spacer_move_the_inner_joint_alone():
    points, at = corner(), conditions()
    for name, axis in (("rack fore-aft", 0), ("spacer length", 1), ("rack height", 2)):
        built = adjusted_corner(points, name, np.array([-2.0, 3.0]), at)
        for point, value in built.points.items():
            shift = np.outer([-2.0, 3.0], np.eye(3)[axis]) if point == "inner_joint" else 0.0
            np.testing.assert_allclose(
                value - getattr(points, point), np.broadcast_to(shift, value.shape), atol=1e-12
            )
        np.testing.assert_array_equal(built.attitude.toe_in, at.attitude.toe_in)


@pytest.mark.parametrize("name", ["front steer", "rear steer"])
def test_arm_length_and_arm_height_change_nothing_else_of_the_arm(name):
    points, at = corner(name), conditions(name)
    drawn = describe_arm(points)
    axis = unit(points.upper_ball_joint - points.lower_ball_joint)
    for dimension, longer, higher in (("arm length", 4.0, 0.0), ("arm height", 0.0, 4.0)):
        arm = describe_arm(adjusted_corner(points, dimension, 4.0, at).points)
        assert arm.length_mm - drawn.length_mm == pytest.approx(longer, abs=1e-10)
        assert arm.height_mm - drawn.height_mm == pytest.approx(higher, abs=1e-10)
        assert arm.angle == pytest.approx(float(drawn.angle), abs=1e-12)
    raised = adjusted_corner(points, "arm height", 4.0, at).points.outer_joint
    np.testing.assert_allclose(raised, points.outer_joint + 4.0 * axis / axis[2], atol=1e-10)


def test_tie_rod_length_with_and_without_toe_reset():
    points, at = corner(), conditions()
    amounts = np.array([-3.0, 0.0, 3.0])
    left, reset = (adjusted_corner(points, name, amounts, at) for name in (NOT_RESET, AT_RACK))
    for built in (left, reset):
        np.testing.assert_allclose(rod(built.points) - rod(points), amounts, rtol=0, atol=1e-11)
    # Reset: the inner joint slides along the bar and the upright stays as drawn.
    np.testing.assert_array_equal(reset.attitude.toe_in, at.attitude.toe_in)
    np.testing.assert_array_equal(
        reset.points.inner_joint[:, [0, 2]], np.tile(points.inner_joint[[0, 2]], (3, 1))
    )
    np.testing.assert_array_equal(reset.points.outer_joint, points.outer_joint)
    # Not reset: the inner joint stays and the wheel turns; a shorter rod ahead of it is toe-in.
    np.testing.assert_array_equal(left.points.inner_joint, points.inner_joint)
    turned = np.degrees(left.attitude.toe_in - at.attitude.toe_in)
    assert turned[1] == pytest.approx(0.0, abs=1e-12)
    assert turned[0] > 1.0
    assert turned[2] < -1.0


# --- bands ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["front steer", "rear steer", "parallel equal arms"])
def test_edges_of_the_bands_evaluate_to_the_acceptable_value(name):
    points, at = corner(name), conditions(name)
    nominal = bump_of(adjusted_corner(points, "rack height", 0.0, at))
    acceptable = nominal + np.radians(0.03)
    bands = accuracy_bands(points, at, acceptable)
    assert tuple(band.adjustment for band in bands) == ADJUSTMENTS
    found = 0
    for band in bands:
        assert band.bump_steer == pytest.approx(nominal, abs=1e-13)
        for edge, end in ((band.low_mm, band.low_end), (band.high_mm, band.high_end)):
            here = bump_of(adjusted_corner(points, band.adjustment, edge, at))
            if end == "limit":
                found += 1
                assert here == pytest.approx(acceptable, abs=np.radians(1e-6))
                assert here <= acceptable + 1e-13
            else:
                assert end == "range"
                assert abs(edge) == 10.0
                assert here <= acceptable
        inside = adjusted_corner(
            points, band.adjustment, np.linspace(band.low_mm, band.high_mm, 41), at
        )
        assert max(bump_of(inside, (i,)) for i in range(41)) <= acceptable + 1e-12
        one = adjusted_corner(points, band.adjustment, np.array([-1.0, 1.0]), at)
        assert band.down == pytest.approx(bump_of(one, (0,)), abs=1e-13)
        assert band.up == pytest.approx(bump_of(one, (1,)), abs=1e-13)
    assert found >= 5


def test_band_of_rack_height_in_closed_form():
    """Parallel equal arms: a rack h off in height has toe h z / (l_t r) at travel z (recomputed).

    Terms of higher order are some z / l_t of it, here 1 %.
    """
    at = replace(conditions(None), travel_mm=np.linspace(-4.0, 4.0, 5))
    acceptable = 4.0 * 2.0 / (350.0 * 120.0)
    (band,) = accuracy_bands(square(120.0), at, acceptable, which=("rack height",))
    assert band.low_mm == pytest.approx(-2.0, rel=0.01)
    assert band.high_mm == pytest.approx(2.0, rel=0.01)
    assert (band.low_end, band.high_end) == ("limit", "limit")


def test_a_wider_limit_never_narrows_a_band():
    points, at = corner(), conditions()
    narrow, wide = (accuracy_bands(points, at, np.radians(limit)) for limit in (0.6, 0.65))
    for a, b in zip(narrow, wide, strict=True):
        assert b.low_mm <= a.low_mm <= 0.0 <= a.high_mm <= b.high_mm


def test_a_design_outside_its_limit_has_no_band():
    bands = accuracy_bands(corner(), conditions(), np.radians(0.3))
    for band in bands:
        assert (band.low_end, band.high_end) == ("none", "none")
        assert np.isnan([band.low_mm, band.high_mm]).all()
    assert bands[0].text == "rack height: no band, the design itself has 0.578 deg of bump steer"


def test_a_band_may_end_where_the_linkage_does():
    at = conditions(None)
    (band,) = accuracy_bands(square(120.0), at, np.pi, range_mm=200.0, which=(NOT_RESET,))
    assert (band.low_end, band.high_end) == ("cannot assemble", "cannot assemble")
    for edge, further in ((band.low_mm, -1e-6), (band.high_mm, 1e-6)):
        assert np.isfinite(bump_of(adjusted_corner(square(120.0), NOT_RESET, edge, at)))
        assert np.isnan(bump_of(adjusted_corner(square(120.0), NOT_RESET, edge + further, at)))
    assert "(then it cannot be assembled)" in band.text


def test_texts_of_bands_round_inward():
    def text(low, high, low_end="limit", high_end="limit"):
        return Band("rack height", low, high, low_end, high_end, 0.001, 0.002, 0.002).text

    assert text(-2.1394, 1.8599) == "rack height: within +1.85 / -2.13 mm"
    assert text(-2.1, 1.8) == "rack height: within +1.80 / -2.10 mm"
    assert text(-10.0, 10.0, "range", "range") == "rack height: not critical, at least +/- 10 mm"
    assert text(-10.0, 0.4, "range") == "rack height: within +0.40 / -10.00 (or more) mm"


@pytest.mark.parametrize(("acceptable", "reach"), [(0.0, 10.0), (0.01, 0.0), (np.nan, 10.0)])
def test_a_band_without_a_limit_or_a_range_is_refused(acceptable, reach):
    with pytest.raises(ValueError, match="range_mm and acceptable must be above 0"):
        accuracy_bands(corner(), conditions(), acceptable, range_mm=reach)


# --- shims ---------------------------------------------------------------------------------------


def best_of(table):
    """The number of shims with the least bump steer."""
    return table.steps[int(np.nanargmin(table.bump_steer))]


@pytest.mark.parametrize("thickness", [0.5, 1.0])
def test_shims_under_the_rack(thickness):
    points, at = corner(), conditions()
    table = shim_table(points, at, thickness_mm=thickness, count=3)
    assert table.steps == (-3, -2, -1, 0, 1, 2, 3)
    np.testing.assert_allclose(table.offset_mm, thickness * np.arange(-3, 4))
    for offset, bump in zip(table.offset_mm, table.bump_steer, strict=True):
        expected = bump_of(adjusted_corner(points, "rack height", offset, at))
        assert bump == pytest.approx(expected, abs=1e-13)
    # This car's rack stands too high, so the least is at the end of the table.
    assert best_of(table) == -3
    level = shim_table(square(120.0), conditions(None), count=2)
    assert best_of(level) == 0
    assert best_of(shim_table(points, at, adjustment="arm height", count=3)) == 3


def test_shims_that_leave_nothing_to_assemble():
    table = shim_table(
        square(120.0), conditions(None), thickness_mm=900.0, count=1, adjustment=NOT_RESET
    )
    np.testing.assert_array_equal(np.isnan(table.bump_steer), [True, False, True])
    assert best_of(table) == 0


def test_shims_cannot_mend_a_car_that_does_not_assemble():
    unreachable = replace(conditions(), travel_mm=np.linspace(-800.0, 800.0, 5))
    table = shim_table(corner(), unreachable, count=1)
    assert np.isnan(table.bump_steer).all()


@pytest.mark.parametrize("bad", [{"thickness_mm": 0.0}, {"count": 0}])
def test_a_table_of_no_shims_is_refused(bad):
    with pytest.raises(ValueError, match="thickness_mm must be above 0 and count at least 1"):
        shim_table(corner(), conditions(), **bad)
