"""Designs in; objectives, constraints, metrics and status out.

A `Problem` is everything that one study asks about one car, in plain arrays: no file, no
sampler. It evaluates any number of designs in one call. Objectives, constraints and metrics are
in file units (mm, degrees), since that is what limits and reports are written in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimiser.hardpoints import Hardpoints
from optimiser.linkage import Poses, place_outer_joint, solve_linkage
from optimiser.metrics import (
    Ackermann,
    BumpSteer,
    _rack_for_steer,
    inner_joint_angle,
    kingpin_track,
    lock_fractions,
    outer_joint_swing,
    summarise_ackermann,
    summarise_toe,
    tie_rod_swing,
)
from optimiser.racks import Rack
from optimiser.vectors import Array

VARIABLES = (
    "rack_height_mm",
    "rack_fore_aft_mm",
    "spacer_mm",
    "arm_length_mm",
    "arm_height_mm",
    "arm_angle_deg",
)
ACKERMANN_NODES = 12
CHUNK_DESIGNS = 512
CANNOT_ASSEMBLE = "cannot assemble"


# --- what a design may be ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Range:
    """A variable free between two bounds."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Stock:
    """A variable that takes one of some values; one value makes it fixed."""

    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FollowsRack:
    """Arm height that keeps its distance above the rack height."""

    offset_mm: float


Choice = Range | Stock | FollowsRack


@dataclass(frozen=True, slots=True)
class Designs:
    """N designs: index of the rack (N,), and values (N, 6) in the order of `VARIABLES`."""

    rack: NDArray[np.intp]
    values: Array

    def __len__(self) -> int:
        return len(self.rack)

    def column(self, name: str) -> Array:
        """Values (N,) of one variable."""
        return np.asarray(self.values[:, VARIABLES.index(name)])

    def select(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Designs:
        """Some of the designs."""
        return Designs(self.rack[index], self.values[index])

    @classmethod
    def join(cls, parts: list[Designs]) -> Designs:
        """One batch after another."""
        return cls(
            np.concatenate([part.rack for part in parts]),
            np.concatenate([part.values for part in parts]),
        )


# --- what the study asks ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Car:
    """The car around the corner; angles in radians, None where the study is silent."""

    wheelbase_mm: float
    loaded_radius_mm: float
    static_toe_in: float = 0.0
    static_camber: float = 0.0
    drive_side: Literal["left", "right"] | None = None
    front_axle_load_n: float | None = None
    tyre_width_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Travel:
    """Wheel travel: bump and droop as positive numbers, and the step of the grid."""

    bump_mm: float
    droop_mm: float
    step_mm: float

    def grid(self) -> Array:
        """Travel values from droop to bump, with 0 and both ends exactly."""
        up = np.linspace(0.0, self.bump_mm, max(1, round(self.bump_mm / self.step_mm)) + 1)
        down = np.linspace(0.0, -self.droop_mm, max(1, round(self.droop_mm / self.step_mm)) + 1)
        return np.concatenate([down[:0:-1], up])


@dataclass(frozen=True, slots=True)
class Steering:
    """What the steering must do; angles in radians."""

    inner_lock: float
    ackermann_target: float
    acceptable_bump_steer: float
    acceptable_ackermann_error: float
    stops: Literal["rack", "lock"] = "rack"
    keep_tie_rods: bool = False


@dataclass(frozen=True, slots=True)
class Limits:
    """Named limits; None leaves a limit out. Angles in radians."""

    rack_travel_margin_mm: float = 0.0
    toggle_margin: float | None = None
    inner_joint_angle: float | None = None
    outer_joint_angle: float | None = None
    track_growth_mm: float | None = None
    clearance_mm: float | None = None


BumpObjective = Literal["largest", "rms", "with tolerances"]
ExtraObjective = Literal["price", "mass_kg", "tie_rod_force_n", "part_lock_bump_steer_deg"]


@dataclass(frozen=True, slots=True)
class Objectives:
    """Which numbers are minimised: always bump steer and Ackermann error, then the extras."""

    bump_steer: BumpObjective = "largest"
    ackermann_error: BumpObjective = "largest"
    extra: tuple[ExtraObjective, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Metric columns minimised, in order."""
        suffix = {"largest": "", "rms": "_rms", "with tolerances": "_p95"}
        return (
            f"bump_steer{suffix[self.bump_steer]}_deg",
            f"ackermann_error{suffix[self.ackermann_error]}_deg",
            *self.extra,
        )


# --- what comes out ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Solved:
    """Solved poses of N designs and what the search needs of them.

    Attributes:
        points: the evaluated corners, batch (N,).
        rest: pose at rest, (N, 1).
        envelope: travel and rack extremes over which joints and toggle are judged, (N, E).
        bump: bump steer with the rack at centre.
        ackermann: wheel angles up to the required lock.
        steer_per_rack: d steer / d rack at rest, rad/mm, (N,).
        rack_limit_mm: rack displacement at which rack or stops end, (N,).
        track_mm: distance between the steering axes at the ground, (N,).
        track_growth_mm: how much wider the track gets, (N,).
        reason: empty, or why the design cannot assemble.
    """

    points: Hardpoints
    rest: Poses
    envelope: Poses
    bump: BumpSteer
    ackermann: Ackermann
    steer_per_rack: Array
    rack_limit_mm: Array
    track_mm: Array
    track_growth_mm: Array
    reason: NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Outcome of N designs.

    Attributes:
        objectives: (N, m), in the order of `Objectives.names`; NaN when it cannot assemble.
        constraints: (N, c), in the order of `Problem.constraint_names`; kept when <= 0.
        metrics: every reported number by its column name, each (N,).
        status: 'ok', 'breaks NAME, ...' or 'cannot assemble: ...'.
    """

    objectives: Array
    constraints: Array
    metrics: dict[str, Array]
    status: NDArray[np.object_]

    @property
    def feasible(self) -> NDArray[np.bool_]:
        """True where the design assembles and keeps every limit."""
        return np.asarray(self.status == "ok")

    @property
    def assembles(self) -> NDArray[np.bool_]:
        """True where every pose exists."""
        return np.asarray(np.isfinite(self.objectives).all(axis=1))

    @classmethod
    def join(cls, parts: list[Evaluation]) -> Evaluation:
        """One batch after another."""
        return cls(
            np.concatenate([part.objectives for part in parts]),
            np.concatenate([part.constraints for part in parts]),
            {
                name: np.concatenate([part.metrics[name] for part in parts])
                for name in parts[0].metrics
            },
            np.concatenate([part.status for part in parts]),
        )

    def select(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Evaluation:
        """Some of the designs."""
        return Evaluation(
            self.objectives[index],
            self.constraints[index],
            {name: values[index] for name, values in self.metrics.items()},
            self.status[index],
        )


# --- the problem ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Problem:
    """One car, candidate racks, what may vary, what is wanted and what must be kept."""

    points: Hardpoints
    arm_ahead: bool
    car: Car
    travel: Travel
    steering: Steering
    racks: tuple[Rack, ...]
    space: dict[str, Choice]
    limits: Limits = field(default_factory=Limits)
    objectives: Objectives = field(default_factory=Objectives)

    @property
    def constraint_names(self) -> tuple[str, ...]:
        """Names of the limits in force, each in the unit of its suffix."""
        limits = self.limits
        joints = limits.inner_joint_angle is not None or any(
            rack.joint_limit_deg is not None for rack in self.racks
        )
        present = {
            "rack_travel_mm": True,
            "toggle_margin_deg": limits.toggle_margin is not None,
            "inner_joint_angle_deg": joints,
            "outer_joint_angle_deg": limits.outer_joint_angle is not None,
            "track_growth_mm": limits.track_growth_mm is not None,
        }
        return tuple(name for name, wanted in present.items() if wanted)

    @property
    def acceptable(self) -> Array:
        """Acceptable values (2,) of bump steer and Ackermann error, degrees."""
        steering = self.steering
        return np.degrees([steering.acceptable_bump_steer, steering.acceptable_ackermann_error])

    def designs(self, rack: ArrayLike, free: dict[str, ArrayLike]) -> Designs:
        """Build designs from the rack index and values of the free variables, each (N,).

        Variables of one stock value, and an arm height that follows the rack, are filled in.
        """
        index = np.atleast_1d(np.asarray(rack, dtype=np.intp))
        columns: dict[str, Array] = {}
        for name in VARIABLES:
            choice = self.space[name]
            if name in free:
                columns[name] = np.asarray(free[name], float)
            elif isinstance(choice, FollowsRack):
                columns[name] = columns["rack_height_mm"] + choice.offset_mm
            elif isinstance(choice, Stock) and len(choice.values) == 1:
                columns[name] = np.asarray(choice.values[0])
            else:
                raise ValueError(f"{name} is free and was not given")
        size = np.broadcast_shapes(index.shape, *(np.shape(c) for c in columns.values()))
        values = np.stack([np.broadcast_to(columns[name], size) for name in VARIABLES], axis=-1)
        return Designs(np.broadcast_to(index, size).copy(), values)

    def corners(self, designs: Designs) -> tuple[Hardpoints, Array]:
        """Hardpoints (N,) of the designs, and by how much each side moved outboard, (N,).

        The outboard move is 0 unless the study keeps the rack's own tie rods; NaN when they
        cannot reach.
        """
        outer = place_outer_joint(
            self.points,
            designs.column("arm_length_mm"),
            designs.column("arm_height_mm"),
            np.radians(designs.column("arm_angle_deg")),
            self.arm_ahead,
        )
        spacing = np.array([rack.inner_joint_spacing_mm for rack in self.racks])[designs.rack]
        inner = np.stack(
            [
                designs.column("rack_fore_aft_mm"),
                0.5 * spacing + designs.column("spacer_mm"),
                designs.column("rack_height_mm"),
            ],
            axis=-1,
        )
        points = self.points.with_tie_rod(outer, inner)
        if not self.steering.keep_tie_rods:
            return points, np.zeros(len(designs))
        move = _outboard_move(points, self.racks, designs.rack)
        return points.arms_moved(move), move

    def solve(self, designs: Designs) -> Solved:
        """Solve every pose that the search looks at; see `Solved`."""
        points, moved = self.corners(designs)
        car, steering = self.car, self.steering
        attitude = (car.static_toe_in, car.static_camber)
        at_lock, rest_steer, rest_rate = _rack_for_steer(
            points, np.asarray(steering.inner_lock), *attitude
        )
        half = np.array([rack.travel_mm / 2.0 for rack in self.racks])[designs.rack]
        ends = np.fmin(half, np.abs(at_lock)) if steering.stops == "lock" else half

        grid = self.travel.grid()
        n_bump, n_lock = len(grid), ACKERMANN_NODES
        fractions = lock_fractions(n_lock)[1:]
        low, high = grid[0], grid[-1]
        # Toggle and joint angles are judged at the corners of travel and rack, and half way.
        corner_travel = np.array([low, low, low, low, high, high, high, high, 0.0, 0.0])
        corner_share = np.array([-1.0, -0.5, 0.5, 1.0, -1.0, -0.5, 0.5, 1.0, -1.0, 1.0])
        travel = np.concatenate([grid, np.zeros(2 * n_lock), corner_travel])
        rack = np.concatenate(
            [
                np.zeros((len(designs), n_bump)),
                at_lock[:, None] * fractions,
                -at_lock[:, None] * fractions,
                ends[:, None] * corner_share,
            ],
            axis=1,
        )
        poses = solve_linkage(
            points.with_pose_axes(1),
            travel,
            rack,
            static_toe_in=attitude[0],
            static_camber=attitude[1],
            thorough=False,
        )
        at_rest = int(np.flatnonzero(grid == 0.0)[0])
        bump = summarise_toe(-poses.steer[:, :n_bump], grid, -poses.steer_per_travel[:, at_rest])
        turned = poses.steer[:, n_bump : n_bump + 2 * n_lock] - rest_steer[:, None]
        zero = np.zeros((len(designs), 1))
        track = kingpin_track(points, car.loaded_radius_mm, *attitude)
        ackermann = summarise_ackermann(
            np.concatenate([zero, turned[:, :n_lock]], axis=1),
            np.concatenate([zero, -turned[:, n_lock:]], axis=1),
            at_lock,
            track,
            car.wheelbase_mm,
            steering.ackermann_target,
        )
        judged = list(range(n_bump)) + list(range(n_bump + 2 * n_lock, poses.shape[1]))
        envelope = _some_poses(poses, judged)
        return Solved(
            points,
            _some_poses(poses, [at_rest]),
            envelope,
            bump,
            ackermann,
            rest_rate,
            ends,
            track,
            2.0 * moved,
            _reasons(moved, bump, at_lock, ackermann, envelope, grid, steering.inner_lock),
        )

    def evaluate(self, designs: Designs) -> Evaluation:
        """Objectives, constraints, metrics and status of N designs."""
        parts = [
            self.judge(part, self.solve(part))
            for start in range(0, max(1, len(designs)), CHUNK_DESIGNS)
            for part in [designs.select(slice(start, start + CHUNK_DESIGNS))]
        ]
        return Evaluation.join(parts)

    def judge(self, designs: Designs, solved: Solved) -> Evaluation:
        """Evaluation of designs whose poses `solve` has already found."""
        metrics = self._metrics(designs, solved)
        assembles = np.array([not text for text in solved.reason], dtype=bool)
        for name, values in metrics.items():
            if name not in ("price", "mass_kg"):
                metrics[name] = np.where(assembles, values, np.nan)
        objectives = np.stack([metrics[name] for name in self.objectives.names], axis=1)
        objectives[~assembles] = np.nan
        constraints = self._constraints(designs, metrics)
        return Evaluation(
            objectives, constraints, metrics, self._status(solved.reason, constraints)
        )

    def _metrics(self, designs: Designs, solved: Solved) -> dict[str, Array]:
        racks = self.racks
        rack_travel = np.array([rack.travel_mm for rack in racks])[designs.rack]
        needed = np.abs(solved.ackermann.rack_at_lock_mm)
        envelope, rest = solved.envelope, solved.rest
        rod = solved.points.outer_joint - solved.points.inner_joint
        return {
            "bump_steer_deg": np.degrees(solved.bump.largest),
            "bump_steer_rms_deg": np.degrees(solved.bump.rms),
            "bump_gradient_deg_per_m": np.degrees(solved.bump.gradient) * 1000.0,
            "ackermann_error_deg": np.degrees(solved.ackermann.largest),
            "ackermann_error_rms_deg": np.degrees(solved.ackermann.rms),
            "rack_needed_mm": needed,
            "share_of_travel": 2.0 * needed / rack_travel,
            "toe_per_rack_mm_deg": np.degrees(np.abs(solved.steer_per_rack)),
            "toggle_margin_deg": np.degrees(np.min(envelope.toggle_margin, axis=1)),
            "inner_joint_angle_deg": np.degrees(np.max(inner_joint_angle(envelope), axis=1)),
            "inner_joint_swing_deg": np.degrees(np.max(tie_rod_swing(envelope, rest), axis=1)),
            "outer_joint_angle_deg": np.degrees(np.max(outer_joint_swing(envelope, rest), axis=1)),
            "tie_rod_length_mm": np.sqrt(np.sum(rod**2, axis=-1)),
            "kingpin_track_mm": solved.track_mm,
            "track_growth_mm": solved.track_growth_mm,
        }

    def _constraints(self, designs: Designs, metrics: dict[str, Array]) -> Array:
        limits = self.limits
        half = np.array([rack.travel_mm / 2.0 for rack in self.racks])[designs.rack]
        columns = []
        for name in self.constraint_names:
            if name == "rack_travel_mm":
                value = metrics["rack_needed_mm"] + limits.rack_travel_margin_mm - half
            elif name == "toggle_margin_deg":
                value = np.degrees(limits.toggle_margin or 0.0) - metrics[name]
            elif name == "inner_joint_angle_deg":
                value = metrics[name] - self._joint_limit_deg()[designs.rack]
            elif name == "outer_joint_angle_deg":
                value = metrics[name] - np.degrees(limits.outer_joint_angle or 0.0)
            else:
                value = metrics[name] - (limits.track_growth_mm or 0.0)
            columns.append(value)
        return np.stack(columns, axis=1)

    def _joint_limit_deg(self) -> Array:
        """Least of the study's and each rack's own limit on its inner joints, (racks,)."""
        stated = self.limits.inner_joint_angle
        own = [
            np.inf if rack.joint_limit_deg is None else rack.joint_limit_deg for rack in self.racks
        ]
        return np.minimum(own, np.inf if stated is None else np.degrees(stated))

    def _status(self, reason: NDArray[np.object_], constraints: Array) -> NDArray[np.object_]:
        status = np.full(len(reason), "ok", dtype=object)
        names = np.array(self.constraint_names)
        # Not "> 0": a NaN constraint is not a kept one.
        broken = ~(constraints <= 0.0)
        for row in np.flatnonzero(broken.any(axis=1)):
            status[row] = "breaks " + ", ".join(names[broken[row]])
        for row in np.flatnonzero(reason != ""):
            status[row] = f"{CANNOT_ASSEMBLE}: {reason[row]}"
        return status


def _some_poses(poses: Poses, columns: list[int]) -> Poses:
    """Chosen poses (last axis) of a batch."""
    parts = {name: getattr(poses, name)[..., columns] for name in Poses.__slots__}
    return Poses(**parts)


def _outboard_move(points: Hardpoints, racks: tuple[Rack, ...], rack: NDArray[np.intp]) -> Array:
    """Move of outer joint outboard so that the rack's own tie rod fits; NaN if it cannot."""
    length = np.array(
        [np.nan if r.tie_rod_length_mm is None else r.tie_rod_length_mm for r in racks]
    )
    offset = points.outer_joint - points.inner_joint
    with np.errstate(invalid="ignore"):
        across = np.sqrt(length[rack] ** 2 - offset[..., 0] ** 2 - offset[..., 2] ** 2)
    return np.asarray(across - offset[..., 1])


def _reasons(
    moved: Array,
    bump: BumpSteer,
    at_lock: Array,
    ackermann: Ackermann,
    envelope: Poses,
    grid: Array,
    inner_lock: float,
) -> NDArray[np.object_]:
    """Why each design cannot assemble, the first cause only; empty where it can."""
    lock = np.degrees(inner_lock)
    causes = [
        (np.isnan(moved), "the rack's own tie rods are too short to reach the steering arms"),
        (
            np.isnan(bump.toe_change).any(axis=1),
            f"the linkage does not reach {grid[0]:g} to {grid[-1]:g} mm of wheel travel",
        ),
        (
            np.isnan(at_lock),
            f"the inner wheel cannot be turned to {lock:.1f} deg: "
            "tie rod and steering arm line up, or the rack passes its dead point, before it",
        ),
        (
            np.isnan(ackermann.outer).any(axis=1),
            f"the outer tie rod and steering arm line up before the inner wheel is at {lock:.1f} deg",
        ),
        (
            ~envelope.exists.all(axis=1),
            "tie rod and steering arm line up before the rack reaches its end: "
            "fit stops, lengthen the arm or take a rack with less travel",
        ),
    ]
    reason = np.full(len(moved), "", dtype=object)
    for broken, text in reversed(causes):
        reason[broken] = text
    return reason
