"""Effort of a standing car over the lock: what turns the wheels on the spot, out and back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.effort import (
    N_MM_PER_N_M,
    parked_up_to_lock,
    pinion_turns,
)
from optimiser.metrics.gearing import greatest_rate
from optimiser.metrics.kinematic import lock_fractions
from optimiser.metrics.loads import rim_force, steering_wheel_torque

if TYPE_CHECKING:
    from optimiser.answer.run_result import Chosen
    from optimiser.linkage.vectors import Array

NODES = 36


def effort_curve(chosen: Chosen) -> dict[str, Array] | None:
    """Columns from straight ahead to the required lock, (37,) each; None without `[loads]`.

    `rack_force_out_n` turns the wheels towards lock, `rack_force_back_n` back from it: what the
    tyres take, with the lift and against it. Lift is counted towards straight ahead. Torque and rim
    force are those of the way that is harder, with a `[column]` at the steering wheel,
    blank where the rack's turns are not known.
    """
    problem, loads = chosen.problem, chosen.problem.loads
    if loads is None:
        return None
    solved, shares = problem.solve(chosen.design), lock_fractions(NODES)
    attitude, spring = problem.car.attitude, problem.spring
    parked, inner = parked_up_to_lock(solved, loads, attitude, shares, spring)
    tyres, lift = parked.rubber[0], parked.lift[0]
    per_turn = np.nan if chosen.rack.turns is None else chosen.rack.travel_per_turn_mm
    torque = steering_wheel_torque(parked.rack_force[0], per_turn or np.nan, loads.efficiency)
    if (driven := problem.drive(chosen.design, solved)) is not None:
        turned = pinion_turns(solved, np.array([per_turn or np.nan]), shares)
        torque = torque * greatest_rate(driven.of_pinion, turned)[0]
    return {
        "inner_wheel_deg": np.degrees(inner[0]),
        "rack_mm": float(solved.ackermann.rack_at_lock_mm[0]) * shares,
        "tyres_n": tyres,
        "lift_n": lift,
        "rack_force_out_n": tyres + lift,
        "rack_force_back_n": tyres - lift,
        "steering_wheel_torque_nm": torque / N_MM_PER_N_M,
        "rim_force_n": rim_force(torque, loads.steering_wheel_diameter_mm),
    }
