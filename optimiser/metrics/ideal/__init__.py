"""Ideal inner joints: where a tie rod has to start so that toe stays frozen over wheel travel.

`upright` moves the upright with its steer angle held, `circle` fits the point that is equally far
from a path, `joints` puts the two together, `spacing` raises the steering arm and asks in reverse
which arm height makes a given rack ideal.
"""

from optimiser.metrics.ideal.circle import (
    REASONS,
    CircleFit,
    Fit,
    trapezium_weights,
)
from optimiser.metrics.ideal.joints import IdealJoint, ideal_for_motion, ideal_inner_joint
from optimiser.metrics.ideal.spacing import (
    IdealLine,
    SpacingSolutions,
    ideal_line,
    solve_for_spacing,
)
from optimiser.metrics.ideal.upright import UprightMotion, upright_motion

__all__ = [
    "REASONS",
    "CircleFit",
    "Fit",
    "IdealJoint",
    "IdealLine",
    "SpacingSolutions",
    "UprightMotion",
    "ideal_for_motion",
    "ideal_inner_joint",
    "ideal_line",
    "solve_for_spacing",
    "trapezium_weights",
    "upright_motion",
]
