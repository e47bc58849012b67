"""What a study asks of one car, in plain numbers: the parts that make up a problem."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.metrics.wanted import FROZEN

if TYPE_CHECKING:
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.joints import OuterBolt
    from optimiser.metrics.strength import Rod
    from optimiser.metrics.wanted import Target, WantedToe


@dataclass(frozen=True, slots=True)
class Car:
    """The car around the corner, its wheels' attitude at rest; None where the study is silent.

    `outer_bolt` is the direction of the outer joints' bolts, see `metrics.joints`;
    `ride_heights_mm` are heights of the body above the design height, see `metrics.ride_heights`,
    `roll_angles_deg` of the body, see `metrics.roll_table`; neither has a 0 in it.
    """

    wheelbase_mm: float
    attitude: Attitude
    drive_side: Literal["left", "right"] | None = None
    front_axle_load_n: float | None = None
    tyre_width_mm: float | None = None
    outer_bolt: OuterBolt | None = None
    ride_heights_mm: tuple[float, ...] = ()
    roll_angles_deg: tuple[float, ...] = ()


_SAME_TRAVEL_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Travel:
    """Wheel travel: bump and droop as positive numbers, and the step of the grid.

    `also_mm` are travels either way from rest that are looked at as well.
    """

    bump_mm: float
    droop_mm: float
    step_mm: float
    also_mm: tuple[float, ...] = ()

    def grid(self) -> Array:
        """Travel values from droop to bump, with 0 and both ends exactly."""
        up = np.linspace(0.0, self.bump_mm, max(1, round(self.bump_mm / self.step_mm)) + 1)
        down = np.linspace(0.0, -self.droop_mm, max(1, round(self.droop_mm / self.step_mm)) + 1)
        grid = np.concatenate([down[:0:-1], up])
        for extra in (way * size for size in self.also_mm for way in (-1.0, 1.0)):
            if grid[0] < extra < grid[-1] and np.abs(grid - extra).min() > _SAME_TRAVEL_MM:
                grid = np.insert(grid, np.searchsorted(grid, extra), extra)
        return grid


@dataclass(frozen=True, slots=True)
class Steering:
    """What the steering must do; angles in radians.

    Of what is acceptable over travel, `acceptable_bump_steer` is the value of the widest band.
    """

    inner_lock: float
    ackermann_target: Target
    acceptable_bump_steer: float
    acceptable_ackermann_error: float
    stops: Literal["rack", "lock", "collars"] = "rack"
    keep_tie_rods: bool = False
    acceptable_part_lock: float | None = None
    wanted_toe: WantedToe = FROZEN

    def end_mm(self, travel_each_way_mm: Array, rack_at_lock_mm: Array) -> Array:
        """Rack displacement, either way, at which the steering ends: (N,) of (N,) each.

        Stops at the lock end it where the inner wheel has its required angle, at the displacement
        `rack_at_lock_mm` of either sign. Collars let it go at least as far: limits are judged up to
        there, and beyond it goes only as far as they are kept, see `answer.free_lock`. A rack that
        ends before, and one whose lock does not exist (NaN), ends it itself.
        """
        if self.stops != "rack":
            return np.fmin(travel_each_way_mm, np.abs(rack_at_lock_mm))
        return travel_each_way_mm


@dataclass(frozen=True, slots=True)
class LoadAssumptions:
    """What effort and rod forces are estimated from; see `metrics.loads`. None leaves a case out.

    Attributes:
        wheel_load_n: weight on ONE front wheel.
        tyre_pressure_pa: above the air's.
        lateral_load_n: side force on the front axle in the cornering case.
        trail_mm: its lever about the steering axis; None: the trail of the corner at rest.
        outer_share: part of it on the outer wheel.
        friction_at_rack_n: what keeps the rack of a standing car from returning.
        braking_load_n: of both front wheels, brakes in them.
        kerb_load_n: rearward at the centre of one wheel.
    """

    wheel_load_n: float
    tyre_pressure_pa: float
    friction: float = 0.7
    efficiency: float = 0.9
    steering_wheel_diameter_mm: float = 350.0
    lateral_load_n: float | None = None
    trail_mm: float | None = None
    outer_share: float = 1.0
    friction_at_rack_n: float | None = None
    braking_load_n: float | None = None
    kerb_load_n: float | None = None


@dataclass(frozen=True, slots=True)
class Materials:
    """Sections of the tie rods and of the bar that spacers are cut from; None: not checked."""

    tie_rod: Rod | None = None
    spacer: Rod | None = None
    tie_rod_kg_per_mm: float = 0.0
    spacer_kg_per_mm: float = 0.0


Carrier = Literal["body", "lower_arm", "upper_arm", "upright", "rack"]
CARRIERS: tuple[Carrier, ...] = ("body", "lower_arm", "upper_arm", "upright", "rack")
"""What a part may be fixed to. All but the body move; what they carry is on both sides."""


@dataclass(frozen=True, slots=True)
class KeepOut:
    """A part of the car that the steering may not touch, in body axes at the design position.

    Attributes:
        kind: a box along the body axes between the corners `low` and `high`, a capsule, which
            is all within `radius_mm` of the line from `low` to `high`, or a cylinder about that
            line with flat ends.
        mirror: the same again on the other side of the car.
        on: what carries it; what is not on the body is a part of the left corner, and there is
            one like it on the right.
        to_on: what carries the end `high`, where that is something else: a capsule between two
            bodies. None where all of it is on `on`.
        length_mm: of a capsule between two bodies what is left of it from its end `low`; None
            where it reaches from one to the other.
    """

    name: str
    kind: Literal["box", "capsule", "cylinder"]
    low: tuple[float, float, float]
    high: tuple[float, float, float]
    radius_mm: float = 0.0
    mirror: bool = False
    on: Carrier = "body"
    to_on: Carrier | None = None
    length_mm: float | None = None

    @property
    def moves(self) -> bool:
        """Whether any of it does."""
        return self.on != "body" or self.to_on is not None


@dataclass(frozen=True, slots=True)
class Rim:
    """The inside of the wheel rim, a cylinder that steers and moves with the wheel."""

    inside_radius_mm: float
    width_mm: float
    offset_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Bracket:
    """A sphere around a pivot of the left corner, there where the pivot is elsewhere than drawn."""

    pivot: str
    drawn_mm: tuple[float, float, float]
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class Tyre:
    """The free tyre: a ring about the wheel's axis whose middle plane holds the wheel centre.

    Attributes:
        outside_radius_mm: not loaded.
        inside_radius_mm: at the bead.
        width_mm: along the axis.
        shoulder_mm: radius by which its outer edges are rounded.
    """

    outside_radius_mm: float
    inside_radius_mm: float
    width_mm: float
    shoulder_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Room:
    """Keep-outs and thicknesses for clearance; a part of unknown diameter is not checked.

    Attributes:
        many: whether keep-outs come by the file, too many for a column each.
        drawn_inner_joint: where parts on the rack were drawn for it, body axes.
        side: which corner the poses are of, the right one's mirrored to the left; None: of either,
            so that keep-outs on one side of the car stand before the parts of both.
        still: the keep-outs that stand still in the body.
    """

    keep_outs: tuple[KeepOut, ...] = ()
    rim: Rim | None = None
    tie_rod_diameter_mm: float | None = None
    joint_diameter_mm: float | None = None
    steering_arm_diameter_mm: float | None = None
    arm_tube_diameter_mm: float | None = None
    spacer_diameter_mm: float | None = None
    brackets: tuple[Bracket, ...] = ()
    tyre: Tyre | None = None
    many: bool = False
    drawn_inner_joint: tuple[float, float, float] = (0.0, 0.0, 0.0)
    side: Literal["left", "right"] | None = None
    still: tuple[KeepOut, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Sort out, once, what stands still: a frame has hundreds of tubes."""
        still = tuple(item for item in self.keep_outs if not item.moves)
        object.__setattr__(self, "still", still)

    @property
    def closest_only(self) -> bool:
        """Whether designs are told with their closest pairs rather than with every pair."""
        return self.many or self.tyre is not None or len(self.still) < len(self.keep_outs)


@dataclass(frozen=True, slots=True)
class Bound:
    """What one quantity may be, in its own unit; None where it is open to that side."""

    name: str
    least: float | None = None
    most: float | None = None

    def excess(self, values: Array) -> Array:
        """By how much values (...) are beyond each side that is bounded, (..., 1 or 2)."""
        sides = [] if self.most is None else [values - self.most]
        sides += [] if self.least is None else [self.least - values]
        return np.stack(sides, axis=-1)

    def kept(self, value: float) -> bool:
        """Whether a value is within it; what is not known is not."""
        return bool((self.excess(np.array(value)) <= 0.0).all())


@dataclass(frozen=True, slots=True)
class Limits:
    """Named limits; None leaves a limit out. Angles in radians.

    Attributes:
        spacer_max_mm: longest spacer of any question; what a search may use is in its space.
        bounds: on any other quantity, one for each.
    """

    rack_travel_margin_mm: float = 0.0
    toggle_margin: float | None = None
    inner_joint_angle: float | None = None
    outer_joint_angle: float | None = None
    track_growth_mm: float | None = None
    clearance_mm: float | None = None
    tyre_clearance_mm: float | None = None
    spacer_max_mm: float | None = None
    bounds: tuple[Bound, ...] = ()


BumpObjective = Literal["largest", "rms", "with tolerances"]


@dataclass(frozen=True, slots=True)
class Objectives:
    """What is made as good as it can be: bump steer and Ackermann error, then other quantities.

    Attributes:
        extra: columns of quantities of which less or more is better.
        accepted: what is acceptable of each of these, None where nothing is said; empty of all.
    """

    bump_steer: BumpObjective = "largest"
    ackermann_error: BumpObjective = "largest"
    extra: tuple[str, ...] = ()
    accepted: tuple[float | None, ...] = ()

    @property
    def accepted_of_extra(self) -> tuple[float | None, ...]:
        """`accepted`, one for each of `extra`."""
        return self.accepted or (None,) * len(self.extra)

    @property
    def judged_only(self) -> Objectives:
        """What acceptable values are held against, and nothing else."""
        both = zip(self.extra, self.accepted_of_extra, strict=True)
        kept = [(name, accepted) for name, accepted in both if accepted is not None]
        return Objectives(
            extra=tuple(name for name, _ in kept), accepted=tuple(value for _, value in kept)
        )

    @property
    def as_built(self) -> bool:
        """Whether a number of cars built to tolerances is among them."""
        return "with tolerances" in (self.bump_steer, self.ackermann_error)

    @property
    def names(self) -> tuple[str, ...]:
        """Metric columns minimised, in order."""
        suffix = {"largest": "", "rms": "_rms", "with tolerances": "_p95"}
        return (
            f"bump_steer{suffix[self.bump_steer]}_deg",
            f"ackermann_error{suffix[self.ackermann_error]}_deg",
            *self.extra,
        )
