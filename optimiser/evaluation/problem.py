"""Designs in; objectives, constraints, metrics and status out.

A `Problem` is everything that one study asks about one car, in plain arrays: no file, no
sampler. It evaluates any number of designs in one call. Objectives, constraints and metrics are
in file units (mm, degrees), since that is what limits and reports are written in.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import (
    Bound,
    BumpObjective,
    Car,
    Limits,
    LoadAssumptions,
    Materials,
    Objectives,
    Room,
    Steering,
    Travel,
)
from optimiser.evaluation.bolting import IF_KNOWN, Bolting, missing_for_feet
from optimiser.evaluation.changed import changed_metrics, excess_over, moved_limits
from optimiser.evaluation.clearance.closest import closest_pairs
from optimiser.evaluation.clearance.metrics import (
    clearance_metrics,
    has_pairs,
    has_tyre_pairs,
    told_apart_mm,
)
from optimiser.evaluation.compliance import Yielding, compliance_metrics
from optimiser.evaluation.designs import (
    ALL_VARIABLES,
    JUDGED,
    ROLL,
    VARIABLES,
    Choice,
    Designs,
    Evaluation,
    FollowsRack,
    Range,
    Stock,
    nearest_allowed,
)
from optimiser.evaluation.driven import drive
from optimiser.evaluation.effort import effort_metrics
from optimiser.evaluation.further import further_metrics
from optimiser.evaluation.laid import LAID, laid_metrics, lay_racks
from optimiser.evaluation.moves import MOVED_MM
from optimiser.evaluation.quantities import AS_BUILT, is_clearance, is_of_tyre, quantity
from optimiser.evaluation.shafts import are_measured, may_touch, shaft_clearances
from optimiser.evaluation.solved import Solved, solve_designs
from optimiser.evaluation.wants import (
    bound_scale,
    made_small,
    small_enough,
    with_accepted,
    with_judged,
    without_clearance,
)
from optimiser.linkage.at_rack import place_outer_joint
from optimiser.metrics.compliance import Sections
from optimiser.metrics.joints import inner_joint_angle, outer_joint_misalignment, tie_rod_swing
from optimiser.metrics.laid_rack import default_roll_deg, roll_words
from optimiser.metrics.mounting import check_hand, steering_mass, track_growth
from optimiser.metrics.play import play_metrics
from optimiser.metrics.ride_heights import worst_height
from optimiser.metrics.tolerance import Conditions, Tolerances, linear_percentiles, tolerance_spread

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from numpy.typing import ArrayLike, NDArray

    from optimiser.evaluation.driven import Driven
    from optimiser.evaluation.laid import LaidRacks
    from optimiser.evaluation.moves import Suspension
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.compliance import Stiffness
    from optimiser.metrics.mounting import HandCheck
    from optimiser.metrics.play import Play
    from optimiser.metrics.welded import Spring

__all__ = [
    "VARIABLES",
    "Bound",
    "BumpObjective",
    "Car",
    "Choice",
    "Designs",
    "Evaluation",
    "FollowsRack",
    "Limits",
    "LoadAssumptions",
    "Materials",
    "Objectives",
    "Problem",
    "Range",
    "Room",
    "Solved",
    "Steering",
    "Stock",
    "Travel",
]

CHUNK_DESIGNS = 512
CANNOT_ASSEMBLE = "cannot assemble"
CROSSED = (
    "the tie rod runs past the steering axis on the far side from the steering arm, "
    "so that the wheels would turn the other way"
)


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
    loads: LoadAssumptions | None = None
    materials: Materials = field(default_factory=Materials)
    room: Room = field(default_factory=Room)
    tolerances: Tolerances | None = None
    stiffness: Stiffness | None = None
    play: Play | None = None
    spring: Spring | None = None
    bolting: Bolting = field(default_factory=Bolting)
    suspension: Suspension | None = None
    """What of the suspension may move; None: nothing does."""

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
            "clearance_mm": limits.clearance_mm is not None and self.has_pairs,
            "tyre_clearance_mm": limits.tyre_clearance_mm is not None and self.has_tyre,
        }
        own = tuple(name for name, wanted in present.items() if wanted)
        return own + moved_limits(self) + tuple(self.bounds)

    @property
    def rolls(self) -> bool:
        """Whether the study says how a rack is rolled about its bar."""
        return ROLL in self.space

    @property
    def variables(self) -> tuple[str, ...]:
        """Names of the variables of its designs, in the order of their values."""
        return ALL_VARIABLES if ROLL in self.space else VARIABLES

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of all columns of a design's values: the variables, then what may move."""
        return self.variables + (() if self.suspension is None else self.suspension.names)

    def moves(self, designs: Designs) -> Array:
        """Values (N, M) of what may move, mm; see `evaluation.moves`."""
        lacking = len(self.columns) - designs.values.shape[1]
        values = designs.values[:, len(self.variables) :]
        return np.pad(values, ((0, 0), (0, lacking))) if lacking else values

    @property
    def bounds(self) -> dict[str, Bound]:
        """Limits on quantities that have none of their own, by name."""
        return {bound.name: bound for bound in self.limits.bounds}

    @property
    def constraint_scales(self) -> Array:
        """How much of each limit's unit counts as a millimetre where they are added up, (c,)."""
        bounds = self.bounds
        return np.array(
            [bound_scale(bounds[n]) if n in bounds else 1.0 for n in self.constraint_names]
        )

    @property
    def asked_for(self) -> frozenset[str]:
        """Columns that a limit or a further objective is on."""
        return frozenset((*self.bounds, *self.objectives.extra))

    @property
    def needs_cars(self) -> bool:
        """Whether a number of cars built to the tolerances is minimised or bounded."""
        return self.objectives.as_built or any(name in self.asked_for for name in AS_BUILT)

    @property
    def has_pairs(self) -> bool:
        """Whether there is anything whose clearance can be known."""
        return self.may_touch(None)

    @property
    def has_tyre(self) -> bool:
        """Whether there is a tyre whose clearance can be known."""
        shafts = self.room.tyre is not None and are_measured(self.bolting.column, self.racks)
        return shafts or has_tyre_pairs(self.room, self.racks)

    def may_touch(self, rack: Rack | None) -> bool:
        """The same of one rack; None stands for any of them."""
        racks = self.racks if rack is None else (rack,)
        return has_pairs(self.room, racks) or may_touch(self.bolting.column, racks, self.room)

    @property
    def hands(self) -> tuple[HandCheck, ...]:
        """Direction and hand of each rack in this car."""
        given = self.arm_ahead, self.car.drive_side
        return tuple(check_hand(rack, *given, self._rolled(rack)) for rack in self.racks)

    def _rolled(self, rack: Rack) -> str:
        """What is done with a rack that is turned end for end, where more is known than usual."""
        if self.rolls:
            return "then roll it about its bar as its design says"
        asked = self.bolting.zones or self.bolting.column or not missing_for_feet(rack)
        roll = self.bolting.rolls_deg.get(rack.name)
        if roll is None and (not asked or rack.pinion_angle_deg is None):
            return ""
        roll = 2.0 * (rack.pinion_angle_deg or 0.0) if roll is None else roll
        return f"then roll it about its bar {roll_words(roll)}"

    @property
    def wrong_hand(self) -> NDArray[np.bool_]:
        """Where only the opposite hand has its pinion on the driver's side, (racks,).

        False too where it is not known.
        """
        return np.array([bool(hand.opposite_hand_needed) for hand in self.hands])

    @property
    def without_roll(self) -> Problem:
        """The same with every rack rolled as in the drawn place, which is no variable any more."""
        if ROLL not in self.space:
            return self
        space = {name: choice for name, choice in self.space.items() if name != ROLL}
        rolls = nearest_allowed(self.space[ROLL], self.default_rolls_deg).tolist()
        named = dict(zip((rack.name for rack in self.racks), rolls, strict=True))
        return replace(self, space=space, bolting=replace(self.bolting, rolls_deg=named))

    @property
    def default_rolls_deg(self) -> Array:
        """Roll of each rack where no variable says it, (racks,)."""
        said = self.bolting.rolls_deg
        pairs = zip(self.racks, self.hands, strict=True)
        return np.array(
            [said.get(r.name, default_roll_deg(r, hand.turn_end_for_end)) for r, hand in pairs]
        )

    def roll_deg(self, designs: Designs) -> Array:
        """Roll (N,) of each design's rack about its bar."""
        return designs.column(ROLL) if ROLL in self.space else self.default_rolls_deg[designs.rack]

    def lay(self, designs: Designs) -> LaidRacks:
        """Where feet, bolts and pinion of the designs' racks lie."""
        fore_aft, height = (designs.column(n) for n in ("rack_fore_aft_mm", "rack_height_mm"))
        origin = np.stack([fore_aft, 0.0 * fore_aft, height], axis=-1)
        turned = [hand.turn_end_for_end for hand in self.hands]
        return lay_racks(designs, origin, self.racks, turned, self.roll_deg(designs))

    def laid_numbers(self, designs: Designs) -> dict[str, Array]:
        """`laid_metrics` of the designs' racks, (N,) each."""
        return laid_metrics(self.lay(designs), self.bolting)

    @property
    def conditions(self) -> Conditions:
        """What cars built to the tolerances are judged under."""
        return Conditions(
            travel_mm=self.travel.grid(),
            wheelbase_mm=self.car.wheelbase_mm,
            attitude=self.car.attitude,
            inner_lock=self.steering.inner_lock,
            ackermann_target=self.steering.ackermann_target,
            wanted_toe=self.steering.wanted_toe,
        )

    @property
    def yielding(self) -> Yielding | None:
        """What gives way under load; None where the study gives no stiffness."""
        if self.stiffness is None:
            return None
        parts, arm_mm = self.materials, self.room.steering_arm_diameter_mm
        sections = Sections(parts.tie_rod, parts.spacer, arm_mm)
        return Yielding(self.stiffness, sections, self.car, self.loads)

    @property
    def acceptable(self) -> Array:
        """Acceptable values (2,) of bump steer and Ackermann error, degrees.

        Of bump steer that of the widest band, against which narrower ones count more.
        """
        steering = self.steering
        return np.degrees([steering.acceptable_bump_steer, steering.acceptable_ackermann_error])

    @property
    def ray(self) -> Array:
        """What of each objective is acceptable, (m,); infinite where the study does not say."""
        asked = self.objectives
        return np.array(
            [*self.acceptable, *map(small_enough, asked.extra, asked.accepted_of_extra)]
        )

    def ratios(self, evaluation: Evaluation) -> Array:
        """All that is held against acceptable values, as shares of these, (N, k).

        Bump steer and Ackermann error as in `Evaluation.judged`, then the further objectives for
        which the study says what is acceptable. At most 1 in every column is acceptable.
        """
        ray = self.ray[2:]
        counted = np.isfinite(ray)
        more = evaluation.objectives[:, 2:][:, counted] / ray[counted]
        return np.concatenate([evaluation.judged / self.acceptable, more], axis=1)

    def variable_values(self, designs: Designs) -> dict[str, Array]:
        """Values (N,) of designs by column; a design without moves moves nothing."""
        placed = designs.values[:, : len(self.variables)]
        values = np.concatenate([placed, self.moves(designs)], axis=1)
        return dict(zip(self.columns, values.T, strict=True))

    def designs(self, rack: ArrayLike, free: dict[str, ArrayLike]) -> Designs:
        """Build designs from the rack index and values of the free variables, each (N,).

        Variables of one stock value, and an arm height that follows the rack, are filled in; what
        may move and is not given stays.
        """
        index = np.atleast_1d(np.asarray(rack, dtype=np.intp))
        columns: dict[str, Array] = {}
        for name in self.variables:
            choice = self.space[name]
            if name in free:
                columns[name] = np.asarray(free[name], float)
            elif isinstance(choice, FollowsRack):
                columns[name] = columns["rack_height_mm"] + choice.offset_mm
            elif isinstance(choice, Stock) and len(choice.values) == 1:
                columns[name] = np.asarray(choice.values[0])
            else:
                raise ValueError(f"{name} is free and was not given")
        for name in self.columns[len(self.variables) :]:
            columns[name] = np.asarray(free.get(name, 0.0), float)
        size = np.broadcast_shapes(index.shape, *(np.shape(c) for c in columns.values()))
        values = [np.broadcast_to(columns[name], size) for name in self.columns]
        return Designs(np.broadcast_to(index, size).copy(), np.stack(values, axis=-1))

    def corners(self, designs: Designs) -> tuple[Hardpoints, Array]:
        """Hardpoints (N,) of the designs, and the growth of the track in them, (N,).

        The growth is 0 unless the study keeps the rack's own tie rods; NaN when those cannot
        reach. Arms and wheel of each side move outboard by half of it.
        """
        car, suspension = self.points, self.suspension
        if suspension is not None:
            car = suspension.moved(car, self.moves(designs))
        outer = place_outer_joint(
            car,
            designs.column("arm_length_mm"),
            designs.column("arm_height_mm"),
            np.radians(designs.column("arm_angle_deg")),
            self.arm_ahead,
        )
        if suspension is not None and suspension.joint_stays:
            outer = np.broadcast_to(car.outer_joint, outer.shape)
        spacing = np.array([rack.inner_joint_spacing_mm for rack in self.racks])[designs.rack]
        inner = np.stack(
            [
                designs.column("rack_fore_aft_mm"),
                0.5 * spacing + designs.column("spacer_mm"),
                designs.column("rack_height_mm"),
            ],
            axis=-1,
        )
        points = car.with_tie_rod(outer, inner)
        if not self.steering.keep_tie_rods:
            return points, np.zeros(len(designs))
        growth = self.own_rod_growth(points, designs)
        return points.arms_moved(0.5 * growth), growth

    def own_rod_growth(self, points: Hardpoints, designs: Designs) -> Array:
        """Growth of the track in mm, (N,), if each rack's own tie rods were kept."""
        rods = [(rack.tie_rod_length_mm, rack.tie_rod_adjustment_mm) for rack in self.racks]
        length, adjustment = np.array(rods, dtype=float)[designs.rack].T
        return track_growth(points, length, adjustment)

    def solve(self, designs: Designs) -> Solved:
        """Solve every pose that the search looks at; see `Solved`."""
        points, growth = self.corners(designs)
        return self.solve_corners(points, growth, self._travel_each_way(designs))

    def solve_corners(
        self, points: Hardpoints, growth_mm: Array, travel_each_way_mm: Array
    ) -> Solved:
        """The same of corners (N,) with this growth of the track and racks of this travel, (N,)."""
        return solve_designs(
            points,
            growth_mm,
            travel_each_way_mm,
            self.car,
            self.travel,
            self.steering,
            part_lock="part_lock_bump_steer_deg" in self.asked_for,
        )

    def steering_end_mm(self, designs: Designs) -> Array:
        """Rack displacement, either way, at which the rack or the stops end the steering, (N,)."""
        return self.solve(designs).steering_end_mm

    def _travel_each_way(self, designs: Designs) -> Array:
        return np.array([rack.travel_each_way_mm for rack in self.racks])[designs.rack]

    def evaluate(self, designs: Designs, *, poses_between: bool = True) -> Evaluation:
        """Objectives, constraints, metrics and status of N designs.

        `poses_between` as in `clearance_metrics`: without them clearance is a little too great.
        """
        parts = [
            self.judge(part, self.solve(part), poses_between=poses_between)
            for start in range(0, max(1, len(designs)), CHUNK_DESIGNS)
            for part in [designs.select(slice(start, start + CHUNK_DESIGNS))]
        ]
        return Evaluation.join(parts)

    def judge(self, designs: Designs, solved: Solved, *, poses_between: bool = True) -> Evaluation:
        """Evaluation of designs whose poses `solve` has already found."""
        metrics, closest = self._measured(designs, solved, poses_between)
        reason = solved.reason.copy()
        # What is said of the rack's hand takes the arm's side to decide which way the wheels turn.
        forward = 1.0 if self.arm_ahead else -1.0
        reason[(reason == "") & ~(solved.steer_per_rack * forward > 0.0)] = CROSSED
        if self.needs_cars:
            fine = np.flatnonzero(reason == "")
            spread, why = self.quick_spread(solved.points.select(fine))
            for name, values in spread.items():
                metrics[name] = np.full(len(designs), np.nan)
                metrics[name][fine] = values
            reason[fine] = why
        assembles = np.array([not text for text in reason], dtype=bool)
        for name, values in metrics.items():
            if name not in ("price", "mass_kg"):
                metrics[name] = np.where(assembles, values, np.nan)
        objectives = self.objective_values(metrics)
        objectives[~assembles] = np.nan
        constraints = self.constraints(designs, metrics)
        status = self._status(reason, constraints)
        closest = {name: np.where(assembles, words, "") for name, words in closest.items()}
        return self.evaluation(objectives, constraints, metrics, status, closest)

    def evaluation(
        self,
        objectives: Array,
        constraints: Array,
        metrics: dict[str, Array],
        status: NDArray[np.object_],
        closest: dict[str, NDArray[np.object_]],
    ) -> Evaluation:
        """These as an outcome, with what its limits count."""
        scales = tuple(self.constraint_scales)
        return Evaluation(objectives, constraints, metrics, status, scales, closest)

    def objective_values(self, metrics: Mapping[str, Array]) -> Array:
        """What is minimised, (N, m), of metrics by their column."""
        asked = self.objectives
        columns = [metrics[name] for name in asked.names[:2]]
        columns += [
            made_small(name, metrics[name], accepted)
            for name, accepted in zip(asked.extra, asked.accepted_of_extra, strict=True)
        ]
        return np.stack(columns, axis=1)

    def spread(self, points: Hardpoints) -> tuple[dict[str, Array], NDArray[np.object_]]:
        """95th percentiles over cars built to the tolerances, degrees, (N,) each, and why not.

        Raises:
            ValueError: the problem has no tolerances.
        """
        if self.tolerances is None:
            raise ValueError("no tolerances were given")
        spread = tolerance_spread(points, self.tolerances, self.conditions)
        percentiles = {
            "bump_steer_p95_deg": np.degrees(spread.bump_steer_p95),
            "ackermann_error_p95_deg": np.degrees(spread.ackermann_error_p95),
        }
        return percentiles, spread.reasons()

    def quick_spread(self, points: Hardpoints) -> tuple[dict[str, Array], NDArray[np.object_]]:
        """The same to first order where that holds, of more cars in less time.

        Raises:
            ValueError: the problem has no tolerances.
        """
        if self.tolerances is None:
            raise ValueError("no tolerances were given")
        found = linear_percentiles(points, self.tolerances, self.conditions)
        percentiles = {
            "bump_steer_p95_deg": np.degrees(found.bump_steer),
            "ackermann_error_p95_deg": np.degrees(found.ackermann_error),
        }
        return percentiles, found.reasons

    @property
    def nominal(self) -> Problem:
        """The same question of cars made exactly."""
        asked, limits = self.objectives, self.limits
        bump, error = (
            "largest" if one == "with tolerances" else one
            for one in (asked.bump_steer, asked.ackermann_error)
        )
        exact = dict(zip(AS_BUILT, JUDGED, strict=True))
        extra = tuple(exact.get(name, name) for name in asked.extra)
        bounds = tuple(bound for bound in limits.bounds if bound.name not in AS_BUILT)
        return replace(
            self,
            objectives=replace(asked, bump_steer=bump, ackermann_error=error, extra=extra),
            limits=replace(limits, bounds=bounds),
        )

    @property
    def unmoved(self) -> Problem:
        """The same question of the suspension as drawn; what may move is no number there."""
        if self.suspension is None:
            return self
        asked, limits = self.objectives, self.limits
        both = zip(asked.extra, asked.accepted_of_extra, strict=True)
        kept = [(name, accepted) for name, accepted in both if name != MOVED_MM]
        bounds = tuple(bound for bound in limits.bounds if bound.name != MOVED_MM)
        return replace(
            self,
            suspension=None,
            room=replace(self.room, brackets=()),
            objectives=replace(
                asked,
                extra=tuple(name for name, _ in kept),
                accepted=tuple(accepted for _, accepted in kept),
            ),
            limits=replace(limits, bounds=bounds),
        )

    def measured(self, objectives: Objectives) -> Problem:
        """The same car made exactly, with other objectives.

        What the study accepts of its own further objectives becomes limits, and loads are worked
        out only where a limit is on them.
        """
        exact = self.nominal
        limits = with_accepted(exact.limits, exact.objectives)
        return replace(
            exact,
            objectives=objectives,
            limits=limits,
            tolerances=None,
            loads=self.loads if limits.bounds else None,
            stiffness=self.stiffness if limits.bounds else None,
            play=self.play if limits.bounds else None,
        )

    @property
    def as_limits(self) -> Problem:
        """The same car with all that makes a design acceptable as limits, and nothing else asked.

        Its feasible designs are those that this problem calls acceptable.
        """
        limits = with_judged(self.limits, self.objectives, self.acceptable)
        drawn = all(bound.name in (*JUDGED, *AS_BUILT) for bound in limits.bounds)
        asked = replace(
            self, objectives=Objectives(), limits=limits, loads=None if drawn else self.loads
        )
        return asked if asked.needs_cars else replace(asked, tolerances=None)

    @property
    def without_clearance(self) -> Problem:
        """The problem without its most expensive limits."""
        return replace(self, limits=without_clearance(self.limits), room=Room())

    def metrics(
        self, designs: Designs, solved: Solved, *, poses_between: bool = True
    ) -> dict[str, Array]:
        """Every number (N,) of designs by its column, NaN where a pose that it needs is not there.

        A design that cannot assemble keeps the numbers of the poses that exist.
        """
        return self._measured(designs, solved, poses_between)[0]

    def _measured(
        self, designs: Designs, solved: Solved, poses_between: bool
    ) -> tuple[dict[str, Array], dict[str, NDArray[np.object_]]]:
        """The same, and the names of the closest pairs where these are told."""
        closest: dict[str, NDArray[np.object_]] = {}
        racks = self.racks
        rack_travel = np.array([rack.travel_mm for rack in racks])[designs.rack]
        needed = np.abs(solved.ackermann.rack_at_lock_mm)
        envelope, rest = solved.envelope, solved.rest
        outer = outer_joint_misalignment(envelope, rest, self.car.outer_bolt)
        rod = solved.points.outer_joint - solved.points.inner_joint
        metrics = {
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
            "outer_joint_angle_deg": np.degrees(np.max(outer, axis=(0, 2))),
            "tie_rod_length_mm": np.sqrt(np.sum(rod**2, axis=-1)),
            "kingpin_track_mm": solved.track_mm,
            "track_growth_mm": solved.track_growth_mm,
        }
        if not self.steering.keep_tie_rods:
            metrics["own_rods_track_growth_mm"] = self.own_rod_growth(solved.points, designs)
        if solved.part_lock is not None:
            greatest = np.abs(solved.part_lock).max(axis=(1, 2))
            metrics["part_lock_bump_steer_deg"] = np.degrees(greatest)
        if solved.heights is not None:
            metrics |= worst_height(solved.heights)
        driven = self.drive(designs, solved)
        column = None if driven is None else driven.of_pinion
        if self.loads is not None:
            attitude = self.car.attitude
            metrics |= effort_metrics(
                designs, solved, racks, self.loads, self.materials, attitude, column, self.spring
            )
        if self.has_pairs or self.has_tyre:
            few = self.room.closest_only
            only = self.asked_for if few else None
            clear = self.clearances(designs, solved, driven, poses_between=poses_between, only=only)
            if few:
                far = told_apart_mm(self.clearance_wanted_mm)
                clear, closest = closest_pairs(clear, far, self.asked_for)
            metrics |= clear
        if driven is not None:
            metrics |= driven.metrics()
        if (yielding := self.yielding) is not None:
            metrics |= compliance_metrics(designs, solved, racks, yielding, column)
        if self.play is not None:
            turn = np.array([rack.travel_per_turn_mm or np.nan for rack in racks])[designs.rack]
            if column is not None:  # of the steering wheel, straight ahead
                turn = turn * column(np.zeros((len(designs), 1)))[1][:, 0]
            metrics |= play_metrics(self.play, rest.select(0), turn)
        if self.suspension is not None:
            metrics |= changed_metrics(self, self.suspension, designs, solved, poses_between)
        metrics |= self._bought(designs, metrics["tie_rod_length_mm"])
        if self.asked_for.intersection(LAID):
            found = self.laid_numbers(designs)
            metrics |= {name: found[name] for name in found if name in self.asked_for}
        if lacking := self.asked_for.difference(metrics):
            metrics |= further_metrics(lacking, designs, solved, racks, self.car, column)
        return metrics, closest

    def drive(self, designs: Designs, solved: Solved) -> Driven | None:
        """The columns of designs whose poses have been found; None of a study without one."""
        column = self.bolting.column
        if column is None:
            return None
        wanted = self.limits.clearance_mm, self.limits.tyre_clearance_mm
        return drive(column, self.lay(designs), designs, solved, self.racks, self.room, *wanted)

    def clearances(
        self,
        designs: Designs,
        solved: Solved,
        driven: Driven | None = None,
        *,
        poses_between: bool = True,
        only: Collection[str] | None = None,
        told_mm: float = 0.0,
    ) -> dict[str, Array]:
        """`clearance_metrics` of designs whose poses have been found, and of their columns.

        Distances are told apart as far as anything is held against them, or to `told_mm`.
        """
        told = max(told_mm, self.clearance_wanted_mm)
        found = clearance_metrics(
            designs,
            solved,
            self.racks,
            self.room,
            arm_ahead=self.arm_ahead,
            drive_side=self.car.drive_side,
            limit_mm=told,
            poses_between=poses_between,
            roll_deg=self.roll_deg(designs),
            only=only,
        )
        if driven is None:
            return found
        far = told_apart_mm(told)
        args = driven.shafts(), driven.column, designs, solved, self.racks, self.room, far
        shafts = shaft_clearances(*args, poses_between=poses_between, only=only)
        for name, gap in shafts.items():
            least = "tyre_clearance_mm" if is_of_tyre(name) else "clearance_mm"
            found[least] = np.fmin(found[least], gap)
        return found | shafts

    @property
    def clearance_wanted_mm(self) -> float:
        """The greatest clearance that anything is held against: up to it distances are told."""
        wanted = [self.limits.clearance_mm or 0.0]
        if self.has_tyre:
            wanted.append(self.limits.tyre_clearance_mm or 0.0)
        for bound in self.limits.bounds:
            if is_clearance(bound.name):
                wanted += [end for end in (bound.least, bound.most) if end is not None]
        asked = self.objectives
        for name, accepted in zip(asked.extra, asked.accepted_of_extra, strict=True):
            if is_clearance(name):
                wanted.append(accepted or 0.0)
        return max(wanted)

    def _bought(self, designs: Designs, rod_length_mm: Array) -> dict[str, Array]:
        """Price and mass, which need no pose."""
        price = [np.nan if rack.price is None else rack.price for rack in self.racks]
        spacer, mass = designs.column("spacer_mm"), np.full(len(designs), np.nan)
        weighed: dict[tuple[float | None, float | None], list[int]] = {}
        for index, rack in enumerate(self.racks):
            weighed.setdefault((rack.mass_kg, rack.tie_rod_mass_kg), []).append(index)
        for alike in weighed.values():
            rack, mine = self.racks[alike[0]], np.isin(designs.rack, alike)
            mass[mine] = steering_mass(
                rack,
                spacer[mine],
                self.materials.spacer_kg_per_mm,
                rod_length_mm[mine],
                self.materials.tie_rod_kg_per_mm,
            )
        return {"price": np.array(price)[designs.rack], "mass_kg": mass}

    def constraints(self, designs: Designs, metrics: dict[str, Array]) -> Array:
        """By how much designs of these metrics break each limit, (N, c) as in `Evaluation`."""
        limits, travel = self.limits, self._travel_each_way(designs)
        columns, bounds = [], self.bounds
        for name in self.constraint_names:
            if name in bounds:
                value = np.max(bounds[name].excess(self.bounded(name, designs, metrics)), axis=-1)
                if name in IF_KNOWN:
                    value = np.where(self._silent(name, designs, metrics), -np.inf, value)
            elif name == "rack_travel_mm":
                value = metrics["rack_needed_mm"] + limits.rack_travel_margin_mm - travel
            elif name == "toggle_margin_deg":
                value = np.degrees(limits.toggle_margin or 0.0) - metrics[name]
            elif name == "inner_joint_angle_deg":
                value = metrics[name] - self.inner_joint_limits_deg[designs.rack]
            elif name == "outer_joint_angle_deg":
                value = metrics[name] - np.degrees(limits.outer_joint_angle or 0.0)
            elif name in ("clearance_mm", "tyre_clearance_mm"):
                # No size is known of what a rack could touch: this limit cannot stop it, and the
                # comparison says so. A design that cannot assemble stays NaN.
                unknown = np.isnan(metrics[name]) & np.isfinite(metrics["rack_needed_mm"])
                value = np.where(unknown, 0.0, (getattr(limits, name) or 0.0) - metrics[name])
            elif name in moved_limits(self):
                value = excess_over(self, name, metrics).max(axis=1)
            else:
                # A track that gets narrower is as little wanted as a wider one.
                value = np.abs(metrics[name]) - (limits.track_growth_mm or 0.0)
            columns.append(value)
        return np.stack(columns, axis=1)

    def _silent(
        self, name: str, designs: Designs, metrics: Mapping[str, Array]
    ) -> NDArray[np.bool_]:
        """Designs (N,) that assemble, of racks whose catalogue does not say enough for a number.

        A limit on it cannot stop them, and the comparison says so.
        """
        lacks = np.array([bool(quantity(name).missing(self, rack)) for rack in self.racks])
        return np.asarray(lacks[designs.rack] & np.isfinite(metrics["rack_needed_mm"]))

    def bounded(self, name: str, designs: Designs, metrics: Mapping[str, Array]) -> Array:
        """Values (N,) of a quantity that is bounded; NaN where there is none."""
        if name in self.variables:
            return designs.column(name)
        return metrics.get(name, np.full(len(designs), np.nan))

    @property
    def inner_joint_limits_deg(self) -> Array:
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
