"""A study as read: its tables, its corner, its racks, and the problem that it poses."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from optimiser.base.errors import InputError
from optimiser.base.files import readable
from optimiser.evaluation.designs import ALL_VARIABLES
from optimiser.evaluation.problem import (
    Car,
    Choice,
    FollowsRack,
    Limits,
    Problem,
    Range,
    Steering,
    Stock,
    Travel,
)
from optimiser.linkage.at_rack import ArmPlacement, describe_arm, solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.metrics.kinematic import (
    inner_for_outer,
    kingpin_track,
    outer_for_diameter,
    turning_diameter,
    wanted_outer,
    wheel_attitude,
)
from optimiser.metrics.wanted import Curve
from optimiser.study.bolting_parts import bolting_of
from optimiser.study.keys import Span
from optimiser.study.may_move import moves_asked, with_moves
from optimiser.study.problem_parts import (
    accepted_bump_of,
    bounds_of,
    loads_of,
    materials_of,
    objectives_of,
    outer_bolt_of,
    play_of,
    room_of,
    spring_of,
    stiffness_of,
    tolerances_of,
    wanted_toe_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from optimiser.linkage.hardpoints import CadFrame, Hardpoints
    from optimiser.linkage.racks import Rack
    from optimiser.metrics.wanted import Target
    from optimiser.study.space_frame import Tube
    from optimiser.study.start_from import EarlierDesign
    from optimiser.study.tables import StudyFile

GREATEST_LOCK_DEG = 70.0
# Beyond this the drawing and [car] loaded_radius_mm contradict each other about the ground.
GROUND_GAP_MM = 100.0
_NOTED_GAP_MM = 10.0
_LEFT = {"left": 1.0, "right": -1.0}
# The least arm and the greatest angle that [search.vary] takes hold for the drawn arm as well.
LEAST_ARM_MM, GREATEST_ARM_DEG = 20.0, 60.0
_HASHED_DIGITS = 9  # of a mm: what is less is the arithmetic of changing axes
# What a study that is searched cannot do without; one that only draws curves can.
_NEEDED = {
    "travel": "bump_mm and droop_mm",
    "steering": "inner_lock_deg or turning_circle_m, and what is acceptable",
    "racks": "catalogue",
}


@dataclass(frozen=True, eq=False)
class Study:
    """One question about one car, read and checked.

    Attributes:
        path: the study file.
        text: its text.
        file: its tables, defaults filled in.
        frame: CAD axes of the hardpoints.
        points: the left corner as drawn, in body axes.
        racks: racks to consider, in the order of the catalogue; empty without `[racks]`.
        variant: name of the variant, empty for the study itself.
        variants: the study again for each of its variants; empty when it has none.
        files: where `hardpoints`, `catalogue`, `wanted_toe` and `wanted_outer` were read from,
            when not where the study says.
        wanted_toe: the curve of the file that the study names, radians over mm.
        wanted_outer: likewise, radians over radians.
        frames: tubes of each file of keep-outs, in the order of the study.
        start_from: designs of an earlier front that the search begins with.
    """

    path: Path
    text: str
    file: StudyFile
    frame: CadFrame
    points: Hardpoints
    racks: tuple[Rack, ...]
    variant: str = ""
    variants: tuple[Study, ...] = ()
    files: Mapping[str, Path] = field(default_factory=dict)
    wanted_toe: Curve | None = None
    wanted_outer: Curve | None = None
    frames: tuple[tuple[Tube, ...], ...] = ()
    start_from: tuple[EarlierDesign, ...] = ()

    @property
    def name(self) -> str:
        """Name for results: that of the study file, and of the variant."""
        return f"{readable(self.path.stem)} {self.variant}".strip()

    @property
    def title(self) -> str:
        """Heading for reports; the file's name where the study gives none."""
        title = self.file.title or readable(self.path.stem)
        return f"{title}: {self.variant}" if self.variant else title

    @property
    def seed(self) -> int:
        """Random seed."""
        return self.file.seed

    @property
    def cases(self) -> tuple[Study, ...]:
        """What there is to run: the variants, or the study itself when it has none."""
        return self.variants or (self,)

    @property
    def inputs(self) -> dict[str, Path]:
        """The files it was read from: `study`, `hardpoints`, and what else it names."""
        files = {"study": self.path, "hardpoints": self.path.parent / self.file.hardpoints.file}
        if self.file.racks is not None:
            files["catalogue"] = self.path.parent / self.file.racks.catalogue
        for key in ("wanted_toe", "wanted_outer"):
            if self.file.steering is not None and (name := getattr(self.file.steering, key)):
                files[key] = self.path.parent / name
        named = [item.file for item in self.file.keep_out if item.file is not None]
        files |= {frame_key(n): self.path.parent / name for n, name in enumerate(named)}
        return files | dict(self.files)

    @cached_property
    def inputs_hash(self) -> str:
        """Hash of what the files say as they were understood, hexadecimal.

        Of what was given, not of defaults, and not of how it is laid out or called: another program
        version, a comment or a row moved makes no other question.
        """
        given = self.file.model_dump(mode="json", exclude_unset=True, exclude={"title", "variant"})
        points = {
            name: [round(value, _HASHED_DIGITS) for value in point.tolist()]
            for name, point in self.points.items()
        }
        curves = [curve and asdict(curve) for curve in (self.wanted_toe, self.wanted_outer)]
        racks = [
            {name: value for name, value in asdict(rack).items() if value is not None}
            for rack in self.racks
        ]
        parts = [given, points, racks, curves]
        if self.start_from:
            # Which designs they are counts, not where they lay.
            given.get("search", {}).pop("start_from", None)
            parts.append(self._start_hash)
        said = json.dumps(parts, sort_keys=True, default=str)
        return hashlib.sha256(said.encode()).hexdigest()

    @property
    def _start_hash(self) -> str:
        """Hash of the designs that the search begins with."""
        said = json.dumps([asdict(design) for design in self.start_from])
        return hashlib.sha256(said.encode()).hexdigest()

    @property
    def car(self) -> Car:
        """The car, angles in radians."""
        car = self.file.car
        return Car(
            wheelbase_mm=car.wheelbase_mm,
            attitude=Attitude(
                toe_in=float(np.radians(car.static_toe_in_deg)),
                camber=float(np.radians(car.static_camber_deg)),
                loaded_radius_mm=car.loaded_radius_mm,
            ),
            drive_side=car.drive_side,
            front_axle_load_n=car.front_axle_load_n,
            tyre_width_mm=car.tyre_width_mm,
            outer_bolt=outer_bolt_of(self.file, self.frame),
            ride_heights_mm=tuple(height for height in car.ride_heights_mm if height),
            roll_angles_deg=car.roll_angles_deg,
        )

    @property
    def travel(self) -> Travel | None:
        """Wheel travel, None where the study is silent."""
        travel, steering = self.file.travel, self.file.steering
        if travel is None:
            return None
        edges = [] if steering is None else [edge for edge, _ in steering.bump_bands]
        # A band reaches as far from rest at each ride height.
        rests = (0.0, *self.car.ride_heights_mm)
        also = {abs(way * edge - rest) for edge in edges for rest in rests for way in (-1.0, 1.0)}
        return Travel(travel.bump_mm, travel.droop_mm, travel.step_mm, tuple(sorted(also)))

    @property
    def target(self) -> Target:
        """What is wanted of the outer wheel; pure rolling without `[steering]`."""
        steering = self.file.steering
        if steering is None:
            return 1.0
        if steering.wanted_outer is not None and self.wanted_outer is not None:
            return self.wanted_outer
        return steering.ackermann_target

    @cached_property
    def arm(self) -> ArmPlacement:
        """The steering arm as drawn."""
        return describe_arm(self.points)

    @cached_property
    def inner_lock(self) -> float | None:
        """Angle in radians to which the inner wheel must turn; None without `[steering]`."""
        steering = self.file.steering
        if steering is None:
            return None
        if steering.inner_lock_deg is not None:
            return float(np.radians(steering.inner_lock_deg))
        return _lock_for_circle(self, (steering.turning_circle_m or 0.0) * 1000.0)

    @property
    def space(self) -> dict[str, Choice]:
        """What each variable may be, `as drawn` and `follows rack` resolved."""
        outer, inner = self.points.outer_joint, self.points.inner_joint
        drawn = {
            "rack_height_mm": inner[2],
            "rack_fore_aft_mm": inner[0],
            "arm_length_mm": self.arm.length_mm,
            "arm_height_mm": self.arm.height_mm,
            "arm_angle_deg": np.degrees(self.arm.angle),
        }
        space: dict[str, Choice] = {}
        for name in ALL_VARIABLES:
            value = getattr(self.file.search.vary, name)
            if value is None:
                continue
            if value == "follows rack":
                space[name] = FollowsRack(float(outer[2] - inner[2]))
            elif value == "as drawn":
                space[name] = Stock((float(drawn[name]),))
            elif isinstance(value, Span) and value.low < value.high:
                space[name] = Range(value.low, value.high)
            elif isinstance(value, Span):
                space[name] = Stock((value.low,))
            else:
                space[name] = Stock(value if isinstance(value, tuple) else (value,))
        return space

    def problem(self, *, racks: bool = True) -> Problem:
        """The problem in plain arrays.

        Args:
            racks: require `[racks]`, as a search does; without it there are numbers of the car
                as drawn.

        Raises:
            InputError: the study lacks a table that is needed.
        """
        check_whole(self, racks=racks)
        travel, steering, lock = self.travel, self.file.steering, self.inner_lock
        if travel is None or steering is None or lock is None:
            raise _lacks(self)
        problem = Problem(
            points=self.points,
            arm_ahead=self.arm.ahead,
            car=self.car,
            travel=travel,
            steering=Steering(
                inner_lock=lock,
                ackermann_target=self.target,
                acceptable_bump_steer=accepted_bump_of(steering),
                acceptable_ackermann_error=float(
                    np.radians(steering.acceptable_ackermann_error_deg)
                ),
                stops=steering.stops,
                keep_tie_rods=steering.keep_tie_rods,
                acceptable_part_lock=None
                if steering.acceptable_part_lock_bump_steer_deg is None
                else float(np.radians(steering.acceptable_part_lock_bump_steer_deg)),
                wanted_toe=wanted_toe_of(steering, self.wanted_toe),
            ),
            racks=self.racks,
            space=self.space,
            limits=self._limits(),
            objectives=objectives_of(self.file),
            loads=loads_of(self.file),
            materials=materials_of(self.file),
            room=room_of(self.file, self.frame, self.frames, self.points.inner_joint),
            tolerances=tolerances_of(self.file),
            stiffness=stiffness_of(self.file),
            play=play_of(self.file),
            spring=spring_of(self.file, self.frame),
            bolting=bolting_of(self.file, self.frame),
        )
        if moves_asked(self.file):
            return with_moves(problem, self.file, str(self.path))
        return problem

    def moving_problem(self) -> Problem:
        """The problem with what of the suspension may move.

        Raises:
            InputError: the study lacks a table that is needed, or lets nothing move.
        """
        problem = self.problem()
        if problem.suspension is not None:
            return problem
        return with_moves(problem, self.file, str(self.path))

    def _limits(self) -> Limits:
        limits = self.file.limits

        def angle(limit: float | Literal["off"]) -> float | None:
            return None if limit == "off" else float(np.radians(limit))

        def length(limit: float | Literal["off"]) -> float | None:
            return None if limit == "off" else limit

        return Limits(
            rack_travel_margin_mm=limits.rack_travel_margin_mm,
            toggle_margin=angle(limits.toggle_margin_deg),
            inner_joint_angle=angle(limits.inner_joint_angle_deg),
            outer_joint_angle=angle(limits.outer_joint_angle_deg),
            track_growth_mm=length(limits.track_growth_mm),
            clearance_mm=length(limits.clearance_mm),
            tyre_clearance_mm=length(limits.tyre_clearance_mm),
            spacer_max_mm=limits.spacer_max_mm,
            bounds=bounds_of(self.file),
        )

    def resolved(self) -> dict[str, Any]:
        """The study with every default filled in and what was derived from it, JSON-able."""
        record = self.file.model_dump(mode="json", by_alias=True, exclude={"variant"})
        # What is not asked leaves no trace, so that results from before go on.
        if record["measuring"] is None:
            del record["measuring"]
        if record["parts"] is None:
            del record["parts"]
        if record["tolerance"] and not record["tolerance"]["shimmed"]:
            del record["tolerance"]["shimmed"]
        if record["search"]["start_from"] is None:
            del record["search"]["start_from"]
        record["title"] = self.title
        # What a study does not ask for is no part of it, nor of what it is told from others by.
        if self.file.suspension is None:
            del record["suspension"]
        if self.file.arms is not None and self.file.arms.bracket_diameter_mm is None:
            del record["arms"]["bracket_diameter_mm"]
        lock = self.inner_lock
        record["derived"] = {
            "study_file": readable(self.path.name),
            "variant": self.variant,
            "inner_lock_deg": None if lock is None else float(np.degrees(lock)),
            "arm_ahead": self.arm.ahead,
            "space": {name: _plain(choice) for name, choice in self.space.items()},
            "racks": [asdict(rack) for rack in self.racks],
            "hardpoints_iso_mm": {name: point.tolist() for name, point in self.points.items()},
        }
        for name in ("wanted_toe", "wanted_outer"):
            if (curve := getattr(self, name)) is not None:
                record["derived"][name] = asdict(curve)
        if self.start_from:
            record["derived"]["start_from"] = self._start_hash
        if self.frames:
            tubes = [[asdict(tube) for tube in tubes] for tubes in self.frames]
            record["derived"]["frames"] = tubes
        return record

    def notes(self) -> list[str]:
        """What the study can be read to say but hardly means, a sentence each."""
        return list(_notes(self))


def frame_key(number: int) -> str:
    """Key in `Study.inputs` of a file of keep-outs, counted from 0."""
    return f"frame-{number + 1}" if number else "frame"


def _plain(choice: Choice) -> dict[str, Any]:
    return {"kind": type(choice).__name__, **asdict(choice)}


# --- what a search needs -------------------------------------------------------------------------


def _lacks(study: Study) -> InputError:
    name = next(name for name in _NEEDED if getattr(study.file, name) is None)
    problem = f"table [{name}] is missing"
    return InputError(str(study.path), problem, f"a search needs it: give {_NEEDED[name]}")


def check_whole(study: Study, *, racks: bool = True) -> None:
    """Refuse a study that cannot be searched; without `racks`, one whose drawn car has no numbers.

    Raises:
        InputError: a table is missing, or the wheel does not stand on the ground.
    """
    if any(getattr(study.file, name) is None for name in _NEEDED if racks or name != "racks"):
        raise _lacks(study)
    gap = _ground_gap_mm(study)
    if abs(gap) > GROUND_GAP_MM:
        raise InputError(
            f"{study.path}, [frame] ground_origin_mm",
            f"the wheel would stand {abs(gap):.0f} mm {'above' if gap > 0 else 'below'} the ground",
            "give the CAD coordinates of the ground under the middle of the front axle, and "
            "check [car] loaded_radius_mm",
        )
    length, angle = float(study.arm.length_mm), float(np.degrees(study.arm.angle))
    if not (length >= LEAST_ARM_MM and abs(angle) <= GREATEST_ARM_DEG):
        raise InputError(
            f"{study.path}, [hardpoints] file",
            f"the outer joint is {length:.1f} mm from the steering axis and {abs(angle):.0f} deg "
            f"off straight {'ahead' if study.arm.ahead else 'back'} of it, so that the way the "
            "wheels turn hangs on a hair",
            f"draw it at least {LEAST_ARM_MM:g} mm from the axis and within "
            f"{GREATEST_ARM_DEG:g} deg of straight ahead or straight back",
        )


def _notes(study: Study) -> Iterator[str]:
    gap, ahead = _ground_gap_mm(study), float(study.points.wheel_centre[0])
    if abs(gap) > _NOTED_GAP_MM:
        yield (
            f"By [frame] ground_origin_mm and [car] loaded_radius_mm the wheel stands "
            f"{abs(gap):.0f} mm {'above' if gap > 0 else 'below'} the ground."
        )
    if abs(ahead) > _NOTED_GAP_MM:
        yield (
            f"The wheel centre is {abs(ahead):.0f} mm {'ahead of' if ahead > 0 else 'behind'} "
            "the middle of the front axle as [frame] ground_origin_mm gives it."
        )
    column, side = bolting_of(study.file, study.frame).column, study.file.car.drive_side
    if column is not None and side is not None and column.wheel[1] * _LEFT[side] <= 0.0:
        yield (
            f"By [column] steering_wheel_mm the steering wheel is not on the {side}, where [car] "
            "drive_side has the driver."
        )
    if all(isinstance(c, Stock) and len(c.values) == 1 for c in study.space.values()):
        yield "Nothing in [search.vary] is free: each rack has one design."


# --- from the drawing ----------------------------------------------------------------------------


def _kerb_geometry(study: Study) -> tuple[float, float]:
    """Distance of the steering axes at the ground, and of the tyre's outer edge from its own."""
    car = study.car
    rest = solve_linkage(study.points, 0.0, 0.0, car.attitude)
    scrub = float(wheel_attitude(rest, car.attitude.loaded_radius_mm).scrub_radius_mm)
    track = float(kingpin_track(study.points, car.attitude))
    return track, scrub + (car.tyre_width_mm or 0.0) / 2.0


def _lock_for_circle(study: Study, diameter_mm: float) -> float:
    """Inner angle for a turning circle between kerbs; NaN when no angle gives it."""
    target = study.target
    track, offset = _kerb_geometry(study)
    outer = outer_for_diameter(diameter_mm, study.car.wheelbase_mm, offset)
    if np.isnan(outer):
        return outer
    return inner_for_outer(outer, track, study.car.wheelbase_mm, target)


def greatest_lock_deg(study: Study) -> float:
    """The greatest inner angle that a study may ask for; no more than it says what is wanted of."""
    target = study.target
    end = float(np.degrees(target.at[-1])) if isinstance(target, Curve) else GREATEST_LOCK_DEG
    return min(end, GREATEST_LOCK_DEG)


def least_circle_m(study: Study) -> float:
    """Turning circle between kerbs at the greatest lock that a study may ask for."""
    track, offset = _kerb_geometry(study)
    wheelbase = study.car.wheelbase_mm
    outer = wanted_outer(np.radians(greatest_lock_deg(study)), track, wheelbase, study.target)
    return float(turning_diameter(outer, wheelbase, offset)) / 1000.0


def _ground_gap_mm(study: Study) -> float:
    """Height above the ground at which the drawn wheel's lowest point would be."""
    attitude = study.car.attitude
    lean = np.cos(attitude.camber)
    return float(study.points.wheel_centre[2] - attitude.loaded_radius_mm * lean)
