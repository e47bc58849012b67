"""From `[[mount_zone]]` and `[column]` to plain parts of a problem, and the limits they mean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.bolting import GREATEST_MISS_MM, Bolting, Column, MountZone
from optimiser.linkage.vectors import unit
from optimiser.metrics.laid_rack import FACING_DEG

if TYPE_CHECKING:
    from optimiser.evaluation.bolting import Vector
    from optimiser.linkage.hardpoints import CadFrame
    from optimiser.linkage.vectors import Array
    from optimiser.study.tables import StudyFile


def bolting_of(file: StudyFile, frame: CadFrame) -> Bolting:
    """Mount zones and column in body axes."""
    zones = []
    for zone in file.mount_zone:
        # CAD axes are signed body axes, so that a box along the ones is along the others.
        ends = frame.to_iso([zone.from_mm, zone.to_mm])
        zones.append(MountZone(_vector(ends.min(axis=0)), _vector(ends.max(axis=0)), zone.foot))
    return Bolting(tuple(zones), _column(file, frame))


def _column(file: StudyFile, frame: CadFrame) -> Column | None:
    table = file.column
    if table is None:
        return None
    length = table.shaft_length_mm
    return Column(
        wheel=_vector(frame.to_iso(table.steering_wheel_mm)),
        axis=_vector(unit(frame.direction(table.steering_wheel_axis))),
        joints=table.joints,
        joint_limit=float(np.radians(table.joint_limit_deg)),
        lower_mm=(table.lower_joint_mm.low, table.lower_joint_mm.high),
        upper_mm=(table.upper_joint_mm.low, table.upper_joint_mm.high),
        length_mm=(0.0, np.inf) if length is None else (length.low, length.high),
        shaft_diameter_mm=table.shaft_diameter_mm,
        yoke_step=float(np.radians(table.yoke_step_deg)),
        straight_ahead=table.straight_ahead,
    )


def _vector(values: Array) -> Vector:
    x, y, z = values.tolist()
    return x, y, z


def add_bolting_bounds(file: StudyFile, least: dict[str, float], most: dict[str, float]) -> None:
    """Add what bolting the rack down asks, as limits on quantities, unless the file says otherwise.

    Args:
        file: the study.
        least: what the study bounds from below, by column; changed in place.
        most: from above.
    """
    if file.mount_zone:
        most.setdefault("mount_mm", 0.0)
    if (column := file.column) is not None:
        for name in ("column_upper_angle_deg", "column_lower_angle_deg")[: column.joints]:
            most[name] = min(column.joint_limit_deg, most.get(name, column.joint_limit_deg))
        most.setdefault("column_miss_mm", GREATEST_MISS_MM if column.joints == 1 else 0.0)
    if file.search.vary.rack_roll_deg is not None and file.column is None:
        least.setdefault("pinion_facing_deg", FACING_DEG[0])
        most.setdefault("pinion_facing_deg", FACING_DEG[1])
