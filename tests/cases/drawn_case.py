"""The drawn tie rod of a problem as a design, and the same as a chosen one."""

from __future__ import annotations

import numpy as np

from optimiser.answer.run_result import Chosen
from optimiser.evaluation.designs import VARIABLES, Designs
from optimiser.linkage.at_rack import describe_arm


def as_drawn(asked) -> Designs:
    """The drawn tie rod, its rack as long as that asks."""
    arm, inner = describe_arm(asked.points), asked.points.inner_joint
    spacing = asked.racks[0].inner_joint_spacing_mm
    row = {
        "rack_height_mm": inner[2],
        "rack_fore_aft_mm": inner[0],
        "spacer_mm": inner[1] - 0.5 * spacing,
        "arm_length_mm": arm.length_mm,
        "arm_height_mm": arm.height_mm,
        "arm_angle_deg": np.degrees(arm.angle),
    }
    return Designs(np.zeros(1, int), np.array([[float(row[name]) for name in VARIABLES]]))


def chosen_of(asked, design=None) -> Chosen:
    design = as_drawn(asked) if design is None else design
    return Chosen(None, asked, "design 1", design, asked.evaluate(design))
