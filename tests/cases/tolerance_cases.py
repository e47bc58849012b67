"""Corners and conditions that the tests of build tolerances share; all are invented."""

import numpy as np
import pytest
from references.corners import CORNERS

from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.tolerance import DIMENSIONS, NAMES, Conditions, Tolerances

GRID = np.linspace(-50.0, 50.0, 13)
NONE = Tolerances(0.0, 0.0, 0.0, 0.0, 0.0)
ONLY_BRACKET = {"spacer_mm": 0.0, "arm_mm": 0.0, "hardpoints_mm": 0.0, "toe": 0.0}


def conditions(name="front steer", lock_deg=28.0, *, attitude=None):
    if attitude is None:
        static = {"static_toe_in_deg": 0.0, "static_camber_deg": 0.0} | CORNERS.get(name, {})
        toe, camber = np.radians([static["static_toe_in_deg"], static["static_camber_deg"]])
        attitude = Attitude(float(toe), float(camber), 280.0)
    return Conditions(GRID, 2500.0, attitude, np.radians(lock_deg))


def corner(name="front steer"):
    return Hardpoints.from_mapping(CORNERS[name]["points"])


def square(arm_mm, rod_mm=350.0):
    """Vertical steering axis, equal parallel arms; the tie rod as long and as level as they are."""
    return Hardpoints.from_mapping(
        {
            "lower_front_pivot": (100.0, 250.0, 150.0),
            "lower_rear_pivot": (-100.0, 250.0, 150.0),
            "lower_ball_joint": (0.0, 600.0, 150.0),
            "upper_front_pivot": (100.0, 250.0, 350.0),
            "upper_rear_pivot": (-100.0, 250.0, 350.0),
            "upper_ball_joint": (0.0, 600.0, 350.0),
            "wheel_centre": (0.0, 650.0, 250.0),
            "outer_joint": (arm_mm, 600.0, 250.0),
            "inner_joint": (arm_mm, 600.0 - rod_mm, 250.0),
        }
    )


def one_deviation(name, amount):
    deviations = np.zeros(len(DIMENSIONS))
    deviations[NAMES.index(name)] = amount
    return deviations


some_corners = pytest.mark.parametrize(
    "name", ["front steer", "rear steer", "large caster", "parallel equal arms"]
)
