"""From the tables of a study file to the plain parts of a problem: strength, loads and room."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import (
    Bound,
    KeepOut,
    LoadAssumptions,
    Materials,
    Objectives,
    Rim,
    Room,
    Tyre,
)
from optimiser.evaluation.bolting import IF_KNOWN
from optimiser.metrics.compliance import Stiffness
from optimiser.metrics.play import Play
from optimiser.metrics.strength import Rod
from optimiser.metrics.tolerance import Tolerances
from optimiser.metrics.tolerance.shims import Shimming
from optimiser.metrics.wanted import WantedToe
from optimiser.metrics.welded import Spring
from optimiser.study.bolting_parts import add_bolting_bounds
from optimiser.study.measuring import MeasuringTable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.linkage.hardpoints import CadFrame
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.joints import OuterBolt
    from optimiser.metrics.wanted import Curve
    from optimiser.study.part_tables import SpacerTable, TieRodTable
    from optimiser.study.space_frame import Tube
    from optimiser.study.tables import SteeringTable, StudyFile

MM_PER_M = 1e3
PA_PER_KPA = 1e3
MPA_PER_GPA = 1e3
KG_PER_MM3 = 1e-9  # of one kg/m3


def bounds_of(file: StudyFile) -> tuple[Bound, ...]:
    """Limits on any quantity, in the order in which the file names them, `at_most` first.

    What is acceptable at half lock and at other ride heights is one on the number of its name. What
    bolting the rack down and driving it asks comes before all others.
    """
    most, least = dict(file.limits.at_most), dict(file.limits.at_least)
    add_bolting_bounds(file, least, most)
    for name, value in _acceptable_elsewhere(file).items():
        most[name] = min(value, most.get(name, value))
    first = [name for name in IF_KNOWN if name in most or name in least]
    names = dict.fromkeys((*first, *most, *least))
    return tuple(Bound(name, least.get(name), most.get(name)) for name in names)


def _acceptable_elsewhere(file: StudyFile) -> dict[str, float]:
    """What is acceptable of bump steer and Ackermann error where they are no objectives, degrees.

    Where all travel is alike, bump steer about a ride height is at most twice that about the
    design height, since both are counted over the same travel; so what is minimised pulls the
    others along.
    """
    steering = file.steering
    found: dict[str, float] = {}
    if steering is None:
        return found
    turned = steering.acceptable_part_lock_bump_steer_deg
    if turned is not None:
        found["part_lock_bump_steer_deg"] = turned
    if file.car.ride_heights_mm:
        found["ride_height_bump_steer_deg"] = float(np.degrees(accepted_bump_of(steering)))
        found["ride_height_ackermann_error_deg"] = steering.acceptable_ackermann_error_deg
        if turned is not None:
            found["ride_height_part_lock_bump_steer_deg"] = turned
    return found


def objectives_of(file: StudyFile) -> Objectives:
    """What is made small, and what is accepted of it where the file says so."""
    table = file.objectives
    accepted = tuple(table.acceptable.get(name) for name in table.also)
    return Objectives(table.bump_steer, table.ackermann_error, table.also, accepted)


def wanted_toe_of(steering: SteeringTable, curve: Curve | None) -> WantedToe:
    """What toe is wanted to do over travel; `curve` is that of the file, if one is named."""
    gradient = steering.wanted_toe_gradient_deg_per_m or 0.0
    return WantedToe(
        gradient=float(np.radians(gradient)) / MM_PER_M,
        curve=None if steering.wanted_toe is None else curve,
        bands=tuple((edge, float(np.radians(value))) for edge, value in steering.bump_bands),
    )


def accepted_bump_of(steering: SteeringTable) -> float:
    """Accepted bump steer in radians; of bands the widest one's."""
    accepted = steering.acceptable_bump_steer_deg
    return float(np.radians(accepted[-1][1] if isinstance(accepted, tuple) else accepted))


def loads_of(file: StudyFile) -> LoadAssumptions | None:
    """What loads are estimated from; None without `[loads]` or the weight on the axle."""
    loads, axle = file.loads, file.car.front_axle_load_n
    if loads is None or axle is None:
        return None
    return LoadAssumptions(
        wheel_load_n=0.5 * axle,
        tyre_pressure_pa=loads.tyre_pressure_kpa * PA_PER_KPA,
        friction=loads.friction,
        efficiency=loads.efficiency,
        steering_wheel_diameter_mm=loads.steering_wheel_diameter_mm,
        lateral_load_n=loads.lateral_load_n,
        trail_mm=loads.trail_mm,
        outer_share=loads.outer_share,
        friction_at_rack_n=loads.friction_at_rack_n,
        braking_load_n=loads.braking_load_n,
        kerb_load_n=loads.kerb_load_n,
    )


def stiffness_of(file: StudyFile) -> Stiffness | None:
    """What gives way under load; None where the study is silent."""
    table = file.stiffness
    if table is None:
        return None
    given = table.model_dump()
    column = given.pop("column_nm_per_deg")
    named = {name.removesuffix("_n_per_mm"): value for name, value in given.items()}
    return Stiffness(**named, column_nm_per_deg=column)


def play_of(file: StudyFile) -> Play | None:
    """Clearances of joints, rack and column; None where the study is silent."""
    return None if file.play is None else Play(**file.play.model_dump())


def spring_of(file: StudyFile, frame: CadFrame) -> Spring | None:
    """The spring of the left corner in body axes; None where the study is silent."""
    table = file.spring
    if table is None:
        return None
    arm, body = (
        (float(x), float(y), float(z))
        for x, y, z in frame.to_iso([table.arm_point_mm, table.body_point_mm])
    )
    return Spring(arm, body, table.on)


def materials_of(file: StudyFile) -> Materials:
    """Sections and masses per mm of tie rods and spacers, as far as the study gives them."""
    rod, spacer = _rod(file.tie_rod), _rod(file.spacer)
    return Materials(rod, spacer, _mass(file.tie_rod, rod), _mass(file.spacer, spacer))


def _rod(table: TieRodTable | SpacerTable | None) -> Rod | None:
    if table is None:
        return None
    return Rod(table.diameter_mm, table.yield_mpa, table.wall_mm, table.e_gpa * MPA_PER_GPA)


def _mass(table: TieRodTable | SpacerTable | None, rod: Rod | None) -> float:
    if table is None or rod is None:
        return 0.0
    return float(rod.mass_per_mm(table.density_kg_m3 * KG_PER_MM3))


def tolerances_of(file: StudyFile) -> Tolerances | None:
    """How exactly the builder works; None where the study is silent."""
    table = file.tolerance
    if table is None:
        return None
    return Tolerances(
        bracket_mm=table.bracket_mm,
        spacer_mm=table.spacer_mm,
        arm_mm=table.arm_mm,
        hardpoints_mm=table.hardpoints_mm,
        toe=float(np.radians(table.toe_deg)),
        distribution=table.distribution,
        samples=table.samples,
        shimming=_shimming_of(file) if table.shimmed else None,
    )


def _shimming_of(file: StudyFile) -> Shimming:
    """How built cars are measured and shimmed, by `[measuring]` or its defaults."""
    measuring = file.measuring or MeasuringTable()
    return Shimming(
        noise=float(np.radians(measuring.toe_plus_minus_deg)),
        brackets_mm=measuring.bracket_spacing_mm,
        stock_mm=measuring.shims_mm,
    )


def outer_bolt_of(file: StudyFile, frame: CadFrame) -> OuterBolt | None:
    """Direction of the outer joint's bolt, in body axes; None where the study is silent."""
    bolt = None if file.arms is None else file.arms.outer_bolt
    if not isinstance(bolt, tuple):
        return bolt
    x, y, z = frame.direction(bolt).tolist()
    return x, y, z


def keep_outs_of(
    file: StudyFile, frame: CadFrame, frames: Sequence[Sequence[Tube]]
) -> tuple[KeepOut, ...]:
    """Keep-outs in body axes, of those files too that the study names, in their order."""
    keep_outs: list[KeepOut] = []
    tubes = iter(frames)
    for item in file.keep_out:
        if item.file is not None:
            for tube in next(tubes):
                start, end = frame.to_iso([tube.start, tube.end])
                radius = 0.5 * tube.diameter_mm
                ends = _point(start), _point(end)
                keep_outs.append(KeepOut(tube.name, "capsule", *ends, radius, item.mirror))
        elif item.name and item.kind and item.from_mm and item.to_mm:
            ends_mm = frame.to_iso([item.from_mm, item.to_mm])
            if item.kind == "box":
                # CAD axes are signed body axes, so that a box along the ones is along the others.
                ends_mm = np.array([ends_mm.min(axis=0), ends_mm.max(axis=0)])
            keep_outs.append(
                KeepOut(
                    item.name,
                    item.kind,
                    _point(ends_mm[0]),
                    _point(ends_mm[1]),
                    item.radius_mm or 0.0,
                    item.mirror,
                    item.from_on or item.on,
                    item.to_on,
                    item.length_mm,
                )
            )
    return tuple(keep_outs)


def _point(at: Array) -> tuple[float, float, float]:
    x, y, z = at.tolist()
    return x, y, z


def _tyre_of(file: StudyFile) -> Tyre | None:
    wheel, width = file.wheel, file.car.tyre_width_mm
    if wheel is None or wheel.tyre_diameter_mm is None or width is None:
        return None
    outside, inside = 0.5 * wheel.tyre_diameter_mm, 0.5 * wheel.bead_diameter_mm
    return Tyre(outside, inside, width, wheel.tyre_shoulder_mm)


def room_of(
    file: StudyFile, frame: CadFrame, frames: Sequence[Sequence[Tube]], inner_joint: Array
) -> Room:
    """Keep-outs in body axes, rim and tyre, and the thickness of parts as far as it is given.

    `inner_joint` (3,) is the drawn one, which parts on the rack were drawn for.
    """
    rod, arms, wheel = file.tie_rod, file.arms, file.wheel
    return Room(
        keep_outs=keep_outs_of(file, frame, frames),
        rim=None
        if wheel is None
        else Rim(wheel.rim_inside_radius_mm, wheel.rim_inner_width_mm, wheel.rim_offset_mm),
        tie_rod_diameter_mm=None if rod is None else rod.diameter_mm,
        joint_diameter_mm=None if rod is None else rod.joint_diameter_mm,
        steering_arm_diameter_mm=None if arms is None else arms.steering_arm_diameter_mm,
        arm_tube_diameter_mm=None if arms is None else arms.tube_diameter_mm,
        spacer_diameter_mm=None if file.spacer is None else file.spacer.diameter_mm,
        tyre=_tyre_of(file),
        many=any(item.file is not None for item in file.keep_out),
        drawn_inner_joint=_point(inner_joint),
    )
