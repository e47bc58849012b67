"""Steering effort, rod forces and buckling reserve of solved designs, as estimates to compare."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_arms import solve_held_arms
from optimiser.linkage.mirror import mirrored_rack
from optimiser.metrics.gearing import greatest_rate
from optimiser.metrics.joints import inner_joint_angle
from optimiser.metrics.kinematic import lock_fractions, wheel_attitude
from optimiser.metrics.loads import (
    LoadCase,
    parking_moment,
    rim_force,
    steering_loads,
    steering_wheel_torque,
)
from optimiser.metrics.parked import parked_forces, parked_on_uprights, returning
from optimiser.metrics.strength import buckling_load, rack_overhang, reserve_factor, spacer_capacity
from optimiser.metrics.welded import moved_with_upright

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import LoadAssumptions, Materials
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.gearing import Column
    from optimiser.metrics.parked import Parked
    from optimiser.metrics.strength import Rod
    from optimiser.metrics.welded import Spring

N_MM_PER_N_M = 1000.0


def effort_metrics(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    loads: LoadAssumptions,
    materials: Materials,
    attitude: Attitude,
    column: Column | None = None,
    spring: Spring | None = None,
) -> dict[str, Array]:
    """Greatest values from straight ahead to the required lock at rest, each (N,).

    Columns: `tie_rod_force_n`, `rack_force_n`, `steering_wheel_torque_nm` and `rim_force_n`
    when parked (NaN where the rack's turns are unknown), and `buckling_reserve` where the tie
    rod's section is given. The rod force also covers the cornering case when there is one. Then
    `caster_lift_n` at the lock and, where the study gives friction, `returning_force_n` and
    `stops_returning_at_deg`. With `column`, as in `metrics.gearing`, torque and rim force are those
    at the steering wheel, of the worse way of turning. `spring` as for `parked_up_to_lock`.
    """
    shares = lock_fractions(solved.towards.shape[-1])[1:]
    parked, inner = parked_up_to_lock(solved, loads, attitude, shares, spring)
    rod_force = np.maximum(parked.left_rod, parked.right_rod)
    if loads.lateral_load_n is not None:
        drawn = wheel_attitude(solved.rest, attitude.loaded_radius_mm).trail_mm
        trail = drawn if loads.trail_mm is None else loads.trail_mm
        case = LoadCase.cornering(loads.lateral_load_n, trail, loads.outer_share)
        cornering = steering_loads(solved.towards, solved.away, case)
        rod_force = np.fmax(rod_force, cornering.greatest_rod_force)
    rack_force = np.max(parked.rack_force, axis=1)
    per_turn = np.array([rack.travel_per_turn_mm or np.nan for rack in racks])[designs.rack]
    torque = steering_wheel_torque(rack_force, per_turn, loads.efficiency)
    if column is not None:
        pinion = steering_wheel_torque(parked.rack_force, per_turn[:, None], loads.efficiency)
        turned = pinion_turns(solved, per_turn, shares)
        torque = np.max(pinion * greatest_rate(column, turned), axis=1)
    greatest = np.max(rod_force, axis=1)
    metrics = {
        "tie_rod_force_n": greatest,
        "rack_force_n": rack_force,
        "steering_wheel_torque_nm": torque / N_MM_PER_N_M,
        "rim_force_n": rim_force(torque, loads.steering_wheel_diameter_mm),
        "caster_lift_n": parked.lift[:, -1],
    }
    if loads.friction_at_rack_n is not None:
        least, stops = returning(parked.lift, loads.friction_at_rack_n, inner)
        metrics |= {"returning_force_n": least, "stops_returning_at_deg": np.degrees(stops)}
    if materials.tie_rod is not None:
        capacities = [buckling_load(materials.tie_rod, _rod_length(solved))]
        if materials.spacer is not None:
            capacities.append(_spacers(designs, solved, racks, materials.spacer))
        metrics["buckling_reserve"] = reserve_factor(greatest, *capacities)
    return metrics


def parked_up_to_lock(
    solved: Solved,
    loads: LoadAssumptions,
    attitude: Attitude,
    shares: Array,
    spring: Spring | None = None,
) -> tuple[Parked, Array]:
    """Forces when parked, and the inner wheel's angle in radians, (N, n) on the way to lock.

    The rack goes to `shares` (n,) of its displacement at the required lock, in a turn to the left.
    Lift is counted towards straight ahead, whichever way the rack goes. A `spring` on the upright
    has its part in it; on an arm it has none.
    """
    points, standing = solved.points.with_pose_axes(1), attitude.with_pose_axes(1)
    lock = solved.ackermann.rack_at_lock_mm[:, None]
    rack = lock * shares
    left, image = (solve_held_arms(points, at, standing) for at in (rack, mirrored_rack(rack)))
    moment = float(parking_moment(loads.friction, loads.wheel_load_n, loads.tyre_pressure_pa))
    given = moment, loads.wheel_load_n, attitude.loaded_radius_mm
    if spring is None or spring.on != "upright":
        found = parked_forces(left, image, *given)
    else:
        out = 0.5 * solved.track_growth_mm[:, None, None] * np.array([0.0, 1.0, 0.0])
        foot, body = out + spring.arm_point, out + spring.body_point
        feet = moved_with_upright(left, points, foot), moved_with_upright(image, points, foot)
        found = parked_on_uprights(left, image, feet, body, *given)
    return found._replace(lift=found.lift * np.sign(lock)), left.steer - solved.rest.steer


def pinion_turns(solved: Solved, per_turn_mm: Array, shares: Array) -> Array:
    """Turn of the pinion in radians, (N, n), at `shares` (n,) of the way to the required lock."""
    at_lock = 2.0 * np.pi * solved.ackermann.rack_at_lock_mm / per_turn_mm
    return np.asarray(at_lock[:, None] * shares)


def _rod_length(solved: Solved) -> Array:
    rod = solved.points.outer_joint - solved.points.inner_joint
    return np.asarray(np.sqrt(np.sum(rod**2, axis=-1)))


def _spacers(designs: Designs, solved: Solved, racks: Sequence[Rack], bar: Rod) -> Array:
    """Force at which spacers and bar give way, (N,), the bar run out to the rack's own end.

    Stops on the uprights may end it before; they are not counted on here.
    """
    index: NDArray[np.intp] = designs.rack
    overhang = np.array([float(rack_overhang(rack, rack.travel_each_way_mm)) for rack in racks])
    angle = np.max(inner_joint_angle(solved.envelope), axis=1)
    return spacer_capacity(
        bar,
        designs.column("spacer_mm"),
        _rod_length(solved),
        angle,
        overhang[index],
    )
