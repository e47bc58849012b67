"""Play against the linkage with longer rods, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from packaging_case import POINTS
from tolerance_cases import square

from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.metrics.play import Play, play_metrics

STATIC = Attitude(np.radians(0.2), np.radians(-1.5))


def rest_of(points):
    return solve_linkage(points.with_pose_axes(1), 0.0, np.zeros(1), STATIC)


def test_by_hand():
    # Rod along the bar, arm of 120 mm: a millimetre is 1/120 rad. 50 mm of rack a turn: 7.2 deg
    # of the steering wheel a millimetre (recomputed).
    found = play_metrics(Play(0.2, 0.3, 0.4, 2.0), rest_of(square(120.0)), np.array([50.0]))
    assert found["toe_play_deg"] == pytest.approx(np.degrees(0.5 / 120.0), rel=1e-9)
    assert found["steer_play_deg"] == pytest.approx(
        np.degrees((0.4 + 2.0 * 50.0 / 360.0) / 120.0), rel=1e-9
    )
    assert found["steering_wheel_play_deg"] == pytest.approx(2.0 + 7.2 * 0.9, rel=1e-9)


def test_a_rod_that_is_longer_moves_the_wheel_by_as_much():
    # The same corner with the inner joint moved along the rod by half a thousandth either way.
    rod = POINTS.inner_joint - POINTS.outer_joint
    step = 5e-4 * rod / np.linalg.norm(rod)
    steer = []
    for way in (step, -step):
        moved = POINTS.with_tie_rod(POINTS.outer_joint, POINTS.inner_joint + way)
        # The wheel is set with the moved joint; back at the drawn one it has turned.
        back = moved.with_tie_rod(POINTS.outer_joint, POINTS.inner_joint)
        length = float(np.linalg.norm(moved.inner_joint - moved.outer_joint))
        steer.append(_steer_with_rod(back, length))
    turned = np.degrees(abs(steer[0] - steer[1])) / 1e-3
    found = play_metrics(Play(outer_joint_mm=1.0), rest_of(POINTS), np.array([np.nan]))
    assert found["toe_play_deg"] == pytest.approx(turned, rel=1e-6)
    assert found["steer_play_deg"] == 0.0
    assert np.isnan(found["steering_wheel_play_deg"])


def _steer_with_rod(points, length_mm):
    """Steer at rest of the corner whose rod is so long: the rack displacement that makes it fit."""
    from scipy.optimize import brentq

    def apart(rack):
        pose = solve_linkage(points, 0.0, rack, STATIC)
        return float(np.linalg.norm(pose.outer_joint - points.inner_joint)) - length_mm

    rack = brentq(apart, -1.0, 1.0, xtol=1e-14)
    return float(solve_linkage(points, 0.0, rack, STATIC).steer)
