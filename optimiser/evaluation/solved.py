"""The poses that one evaluation solves, in one kernel call for a whole batch of designs."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import Poses, RightPoses, solve_linkage
from optimiser.linkage.mirror import mirrored_rack, mirrored_steer
from optimiser.metrics.ideal import upright_motion
from optimiser.metrics.kinematic import (
    Ackermann,
    BumpSteer,
    kingpin_track,
    lock_fractions,
    solve_lock,
    summarise_ackermann,
    summarise_toe,
)
from optimiser.metrics.ride_heights import ACKERMANN_NODES, AtHeights, solve_heights

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Car, Steering, Travel
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.wanted import WantedToe

OWN_RODS_SHORT = "the rack's own tie rods are too short to reach the steering arms"
# Toggle, joint angles and clearance are judged at droop, rest and bump with the rack at its ends
# and half way; clearance is also judged between, see `clearance.engine.between`.
_CORNERS = [(t, share) for t in (-1.0, 0.0, 1.0) for share in (-1.0, -0.5, 0.5, 1.0)]


@dataclass(frozen=True, slots=True)
class Solved:
    """Solved poses of N designs and what the search needs of them.

    Attributes:
        points: the evaluated corners, batch (N,).
        rest: pose at rest, (N, 1).
        envelope: travel and rack extremes over which joints, toggle and clearance are judged,
            (N, E); the first P are the travel grid with the rack at centre.
        envelope_travel_mm: wheel travel of each pose of the envelope, (E,).
        envelope_share: its rack displacement as a share of `steering_end_mm`, (E,).
        towards: the left wheel at zero travel on the way to the required lock, where it is the
            inner one, (N, n).
        away: the right wheel at the same rack displacements, the outer one, (N, n).
        bump: bump steer with the rack at centre.
        part_lock: departure of toe from what is wanted over the travel grid with the rack half way
            to lock, to either side, (N, 2, P), so of either wheel; None unless it was asked for.
        ackermann: wheel angles up to the required lock.
        steer_per_rack: d steer / d rack at rest, rad/mm, (N,).
        steering_end_mm: rack displacement, either way, at which rack or stops end, (N,).
        track_mm: distance between the steering axes at the ground, (N,).
        track_growth_mm: how much wider the track gets, (N,).
        heights: bump steer and Ackermann error about the car's other ride heights; None without.
        reason: empty, or why the design cannot assemble.
    """

    points: Hardpoints
    rest: Poses
    envelope: Poses
    envelope_travel_mm: Array
    envelope_share: Array
    towards: Poses
    away: RightPoses
    bump: BumpSteer
    part_lock: Array | None
    ackermann: Ackermann
    steer_per_rack: Array
    steering_end_mm: Array
    track_mm: Array
    track_growth_mm: Array
    heights: AtHeights | None
    reason: NDArray[np.object_]


def solve_designs(
    points: Hardpoints,
    growth_mm: Array,
    travel_each_way_mm: Array,
    car: Car,
    travel: Travel,
    steering: Steering,
    *,
    part_lock: bool = False,
) -> Solved:
    """Solve N corners (N,) whose racks move `travel_each_way_mm` (N,).

    `growth_mm` (N,) is the growth of the track that `points` already contain.
    """
    at_lock, rest_steer, rest_rate = solve_lock(
        points, np.asarray(steering.inner_lock), car.attitude
    )
    ends = steering.end_mm(travel_each_way_mm, at_lock)
    grid, zeros = travel.grid(), np.zeros(ACKERMANN_NODES)
    fractions = lock_fractions(ACKERMANN_NODES)[1:]
    corner_travel = np.array([(t > 0.0) * grid[-1] + (t < 0.0) * grid[0] for t, _ in _CORNERS])
    corner_share = np.array([share for _, share in _CORNERS])
    column = np.ones((len(at_lock), 1))
    travels = [grid, zeros, zeros, corner_travel]
    racks = [
        0.0 * grid * column,
        at_lock[:, None] * fractions,
        mirrored_rack(at_lock[:, None] * fractions),
        ends[:, None] * corner_share,
    ]
    if part_lock:
        travels += [grid, grid]
        half = 0.5 * at_lock[:, None]
        racks += [half + 0.0 * grid, mirrored_rack(half) + 0.0 * grid]
    poses = solve_linkage(
        points.with_pose_axes(1),
        np.concatenate(travels),
        np.concatenate(racks, axis=1),
        car.attitude.with_pose_axes(1),
        thorough=False,
    )
    cuts = np.concatenate([[0], np.cumsum([len(t) for t in travels])])
    bump, towards, away, _, *turned = (
        poses.select(slice(low, high)) for low, high in pairwise(cuts)
    )
    at_rest = int(np.flatnonzero(grid == 0.0)[0])
    rest = poses.select(slice(at_rest, at_rest + 1))
    wanted = steering.wanted_toe
    bump_steer = summarise_toe(-bump.steer, grid, -rest.steer_per_travel[:, 0], wanted)
    track = kingpin_track(points, car.attitude)
    ackermann = summarise_ackermann(
        np.concatenate([0.0 * column, towards.steer - rest_steer[:, None]], axis=1),
        np.concatenate([0.0 * column, mirrored_steer(away.steer - rest_steer[:, None])], axis=1),
        at_lock,
        track,
        car.wheelbase_mm,
        steering.ackermann_target,
    )
    envelope = poses.select(np.concatenate([np.arange(cuts[1]), np.arange(cuts[3], cuts[4])]))
    half_way = _departures(turned, at_rest, grid, wanted) if turned else None
    heights = None
    if car.ride_heights_mm:
        heights = solve_heights(
            points,
            car.attitude,
            car.ride_heights_mm,
            grid,
            bump_steer.departure,
            None if steering.acceptable_part_lock is None else half_way,
            at_lock,
            wanted=wanted,
            wheelbase_mm=car.wheelbase_mm,
            target=steering.ackermann_target,
            thorough=False,
        )
    return Solved(
        points=points,
        rest=rest,
        envelope=envelope,
        envelope_travel_mm=np.concatenate([grid, corner_travel]),
        envelope_share=np.concatenate([0.0 * grid, corner_share]),
        towards=towards,
        away=RightPoses(away),
        bump=bump_steer,
        part_lock=half_way,
        ackermann=ackermann,
        steer_per_rack=rest_rate,
        steering_end_mm=ends,
        track_mm=track,
        track_growth_mm=growth_mm,
        heights=heights,
        reason=_reasons(
            points,
            growth_mm,
            bump_steer,
            at_lock,
            ackermann,
            envelope,
            heights,
            car,
            grid,
            steering,
        ),
    )


def _departures(turned: list[Poses], at_rest: int, grid: Array, wanted: WantedToe) -> Array:
    """Departures of toe over travel of the two part-lock sweeps, (N, 2, P)."""
    toe_in = -np.stack([poses.steer for poses in turned], axis=1)
    return wanted.departure(toe_in - toe_in[..., at_rest : at_rest + 1], grid)


def _reasons(
    points: Hardpoints,
    growth: Array,
    bump: BumpSteer,
    at_lock: Array,
    ackermann: Ackermann,
    envelope: Poses,
    heights: AtHeights | None,
    car: Car,
    grid: Array,
    steering: Steering,
) -> NDArray[np.object_]:
    """Why each design cannot assemble, the first cause only; empty where it can."""
    lock = np.degrees(steering.inner_lock)
    travel = f"{grid[0]:g} to {grid[-1]:g} mm of wheel travel"
    lost = np.asarray(np.isnan(bump.toe_change).any(axis=1))
    short = "tie rod and steering arm line up before"
    causes = [
        (np.isnan(growth), OWN_RODS_SHORT),
        (_arms_end(points, lost, grid, car), f"the arms do not reach {travel}"),
        (lost, f"the arms reach {travel}, but a tie rod to that inner joint does not"),
        (
            np.isnan(at_lock),
            f"the inner wheel cannot be turned to {lock:.1f} deg: "
            "tie rod and steering arm line up, or the rack passes its dead point, before it",
        ),
        (
            np.isnan(ackermann.outer).any(axis=1),
            "the outer tie rod and steering arm line up before the inner wheel is at "
            f"{lock:.1f} deg",
        ),
        (
            ~envelope.exists.all(axis=1),
            f"{short} the rack reaches its end: "
            "fit stops, lengthen the arm or take a rack with less travel"
            if steering.stops == "rack"
            else f"{short} the stops at {lock:.1f} deg are reached, in droop or bump: "
            "lengthen the arm or ask for less lock",
        ),
    ]
    if heights is not None:
        text = f"{short} the inner wheel is at {lock:.1f} deg, at one of the ride heights"
        causes.append((~heights.exists, text))
    reason = np.full(len(growth), "", dtype=object)
    for broken, text in reversed(causes):
        reason[broken] = text
    return reason


def _arms_end(
    points: Hardpoints, lost: NDArray[np.bool_], grid: Array, car: Car
) -> NDArray[np.bool_]:
    """Which of the designs that lose the travel lose it without any tie rod, (N,) bool."""
    ends = np.zeros(len(lost), dtype=bool)
    rows = np.flatnonzero(lost)
    if rows.size:
        motion = upright_motion(points.select(rows), grid, car.attitude)
        ends[rows] = np.isnan(motion.lower).any(axis=(-2, -1))
    return ends
