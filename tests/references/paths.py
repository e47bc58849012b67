"""What the two referees share: walking to a pose, and reading angles off it.

Neither the package under test nor the mathematics of a referee is in here.  A
referee brings an `advance` that solves one nearby pose by its own method; this
file decides only in which order poses are visited, how long a step may be and
when a pose counts as unreachable.

Reachable means: there is a path of wheel travel and rack displacement from the
design position, from pose to neighbouring pose of the grid, on which the mechanism
never passes a singular position.  Whatever lies beyond a gap is refused, although a linkage
taken apart could be put together there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

LONGEST_STEP_MM = 4.0
"""Longest move of wheel or rack between two solved poses."""

SHORTEST_STEP_MM = 1e-5
"""A move that fails even when cut down to this ends the walk."""

LARGEST_TURN_RAD = 0.1
"""Largest turn of the upright in one step: a bigger one is a jump to another assembly."""


@dataclass(frozen=True, slots=True)
class Pose:
    """The upright in one pose, against its design position.

    `rotation` turns body vectors of the design position into this pose,
    `wheel_centre_mm` is where the wheel centre is.  `side` is the sign of the
    determinant of the constraint Jacobian: it cannot change without passing a
    singular position.  `memory` is the referee's own, to start the next solve.
    """

    rotation: np.ndarray
    wheel_centre_mm: np.ndarray
    side: float
    memory: object


Advance = Callable[[Pose, float, float], Pose | None]
"""(a solved pose, travel_mm, rack_mm) -> the pose there, or None when no solution is found."""


def _turn_rad(first: Pose, second: Pose) -> float:
    """Angle of the rotation between two poses (from the vector part, exact for small ones)."""
    between = second.rotation @ first.rotation.T
    twice_sine = np.array(
        [
            between[2, 1] - between[1, 2],
            between[0, 2] - between[2, 0],
            between[1, 0] - between[0, 1],
        ]
    )
    return float(np.arctan2(np.linalg.norm(twice_sine), np.trace(between) - 1.0))


def walk(
    advance: Advance, pose: Pose, start: tuple[float, float], goal: tuple[float, float]
) -> Pose | None:
    """Move from `start` to `goal`, both (travel_mm, rack_mm), in short steps.

    A step is halved when the solve fails, when the upright turns further than
    a short step can turn it, or when the mechanism would change sides.
    """
    here = np.array(start)
    there = np.array(goal)
    length = float(np.abs(there - here).max())
    if length == 0.0:
        return pose
    gone, step = 0.0, min(1.0, LONGEST_STEP_MM / length)
    while gone < 1.0:
        ahead = min(gone + step, 1.0)
        travel, rack = goal if ahead == 1.0 else here + ahead * (there - here)
        trial = advance(pose, float(travel), float(rack))
        if trial is None or trial.side != pose.side or _turn_rad(pose, trial) > LARGEST_TURN_RAD:
            step /= 2.0
            if step * length < SHORTEST_STEP_MM:
                return None
            continue
        pose, gone = trial, ahead
    return pose


def _flood(
    advance: Advance, design: Pose, travels: np.ndarray, racks: np.ndarray
) -> dict[tuple[int, int], Pose]:
    """Every grid pose that can be walked to: one from the design position, then its neighbours."""

    def at(node: tuple[int, int]) -> tuple[float, float]:
        return float(travels[node[0]]), float(racks[node[1]])

    seed = (int(np.argmin(np.abs(travels))), int(np.argmin(np.abs(racks))))
    pose = walk(advance, design, (0.0, 0.0), at(seed))
    if pose is None:
        raise ValueError(f"the grid needs a pose near rest that exists, unlike {at(seed)} mm")
    reached = {seed: pose}
    waiting = deque([seed])
    while waiting:
        i, j = waiting.popleft()
        for node in ((i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)):
            if node in reached or not (0 <= node[0] < travels.size and 0 <= node[1] < racks.size):
                continue
            pose = walk(advance, reached[i, j], at((i, j)), at(node))
            if pose is not None:
                reached[node] = pose
                waiting.append(node)
    return reached


def sweep(
    advance: Advance,
    design: Pose,
    spin_axis: np.ndarray,
    outer_joint_mm: np.ndarray,
    wheel_centre_mm: np.ndarray,
    travel_mm: np.ndarray,
    rack_mm: np.ndarray,
) -> dict[str, np.ndarray]:
    """Every pose of a grid of travel and rack displacement, as a referee returns it.

    Arrays have shape (n_travel, n_rack), those of points one more axis of 3, `rotation`
    (of the upright against its design position) two.  NaN where `feasible` is False.
    steer = atan2(-s_x, s_y) and camber = asin(-s_z) with s the spin axis, unit,
    pointing out to the left of the left wheel (ISO 8855 signs: steer positive
    to the left, camber positive top-out); toe-in of the left wheel = -steer.
    """
    travels = np.asarray(travel_mm, dtype=float)
    racks = np.asarray(rack_mm, dtype=float)
    shape = (travels.size, racks.size)
    steer = np.full(shape, np.nan)
    camber = np.full(shape, np.nan)
    outer = np.full((*shape, 3), np.nan)
    centre = np.full((*shape, 3), np.nan)
    rotation = np.full((*shape, 3, 3), np.nan)

    for (i, j), pose in _flood(advance, design, travels, racks).items():
        spin = pose.rotation @ spin_axis
        steer[i, j] = np.degrees(np.arctan2(-spin[0], spin[1]))
        camber[i, j] = np.degrees(np.arctan2(-spin[2], np.hypot(spin[0], spin[1])))
        centre[i, j], rotation[i, j] = pose.wheel_centre_mm, pose.rotation
        outer[i, j] = pose.wheel_centre_mm + pose.rotation @ (outer_joint_mm - wheel_centre_mm)

    return {
        "steer_deg": steer,
        "toe_in_deg": -steer,
        "camber_deg": camber,
        "outer_joint": outer,
        "wheel_centre": centre,
        "rotation": rotation,
        "feasible": np.isfinite(steer),
    }
