"""Forces on what is welded and bolted, of one design in each of the study's cases.

Estimates to size parts by hand, not an approval: no shock, no load transfer but what the study's
share of the side force says, no weight of the parts themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.effort import parked_up_to_lock
from optimiser.linkage.at_arms import solve_held_arms
from optimiser.linkage.mirror import mirrored
from optimiser.metrics.kinematic import wheel_attitude
from optimiser.metrics.loads import parking_moment
from optimiser.metrics.rack_feet import HALF_EACH, LEFT_ALONE, RIGHT_ALONE, feet_forces
from optimiser.metrics.welded import Load, Spring, corner_forces, spring_moved_out

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.asked import LoadAssumptions
    from optimiser.linkage.poses import Poses
    from optimiser.linkage.vectors import Array

    Wheel = tuple[Poses, list[Load]]

FORCE_COLUMNS = ("case", "side", "point", "x_n", "y_n", "z_n", "size_n", "moment_nm", "what")
_WHAT = {
    "lower_front_pivot": "arm on its bracket",
    "lower_rear_pivot": "arm on its bracket",
    "upper_front_pivot": "arm on its bracket",
    "upper_rear_pivot": "arm on its bracket",
    "lower_ball_joint": "upright on the arm",
    "upper_ball_joint": "upright on the arm",
    "outer_joint": "tie rod on the steering arm",
    "inner_joint": "tie rod on the bar",
    "spring": "spring on the body",
}
PARKED = "parked"
FEET, FOOT, FIXED_FOOT = "rack_feet", "rack_foot", "rack_foot_if_other_floats"
TWIST, ROOT = "rack_feet_twist", "steering_arm_root"
_SIDES = ("left", "right")
_N_MM_PER_N_M = 1000.0
_NOTHING = np.full(3, np.nan)


@dataclass(frozen=True, slots=True)
class PointForce:
    """One force of one case, in CAD axes.

    Attributes:
        case: 'parked', 'parked_other_way', 'cornering', 'braking' or 'kerb'.
        side: 'left' or 'right'; of the rack's feet together 'both'.
        point: where it acts.
        force_n: (3,); of a moment NaN.
        moment_nm: bending moment at the root of the steering arm, or moment about the line from the
            right to the left foot of the rack; NaN elsewhere.
        what: what pushes on what.
    """

    case: str
    side: str
    point: str
    force_n: Array
    moment_nm: float
    what: str

    @property
    def size_n(self) -> float:
        """Length of the force."""
        return float(np.sqrt(np.sum(self.force_n**2)))

    def row(self) -> tuple[object, ...]:
        """A row of `FORCE_COLUMNS`, blank where there is nothing."""
        cells = [None if np.isnan(v) else float(v) for v in (*self.force_n, self.size_n)]
        moment = None if np.isnan(self.moment_nm) else self.moment_nm
        return self.case, self.side, self.point, *cells, moment, self.what


def asked_forces(chosen: Chosen) -> bool:
    """Whether the study asks for forces: by a spring, or by a load that is for nothing else."""
    problem, loads = chosen.problem, chosen.problem.loads
    if loads is None:
        return False
    return not (problem.spring is None and loads.braking_load_n is None is loads.kerb_load_n)


def point_forces(chosen: Chosen) -> list[PointForce]:
    """Every force of every case; none where the study does not ask."""
    loads = chosen.problem.loads
    if loads is None or not asked_forces(chosen):
        return []
    found = []
    for case, wheels in _cases(chosen, loads).items():
        found += list(_of_case(chosen, case, wheels))
    return found


def _of_case(chosen: Chosen, case: str, wheels: tuple[Wheel, Wheel]) -> Iterator[PointForce]:
    """Forces of the left wheel and of the right one, which is given as its mirror image."""
    frame, points = chosen.study.frame, chosen.points
    spring, pushes = _moved_spring(chosen), []
    for side, (pose, loads) in zip(_SIDES, wheels, strict=True):
        found = corner_forces(pose, points, loads, spring)
        bending = float(np.linalg.norm(found.pop(ROOT))) / _N_MM_PER_N_M
        in_car = found if side == "left" else {name: mirrored(f) for name, f in found.items()}
        at = pose.inner_joint if side == "left" else mirrored(pose.inner_joint)
        pushes.append((in_car["inner_joint"], at))
        for name, force in in_car.items():
            turned = frame.direction_to_cad(force)
            yield PointForce(case, side, name, turned, np.nan, _WHAT[name])
        yield PointForce(case, side, ROOT, _NOTHING, bending, "bending moment of the tie rod")
    summed = frame.direction_to_cad(np.sum([push for push, _ in pushes], axis=0))
    yield PointForce(case, "both", FEET, summed, np.nan, "rack on all its feet together")
    if (feet := _feet(chosen)) is not None:
        yield from _at_feet(chosen, case, pushes, feet)


def _feet(chosen: Chosen) -> Array | None:
    """Left and right foot of the rack in body axes, (2, 3); None where they are not known."""
    feet = chosen.problem.lay(chosen.design).feet[0]
    return feet if np.isfinite(feet).all() else None


def _at_feet(
    chosen: Chosen, case: str, pushes: list[tuple[Array, Array]], feet: Array
) -> Iterator[PointForce]:
    """Forces at each foot: half each along the bar, then each where it alone holds that."""
    *halves, twist = feet_forces(pushes, feet, HALF_EACH)
    fixed = feet_forces(pushes, feet, LEFT_ALONE)[0], feet_forces(pushes, feet, RIGHT_ALONE)[1]
    for name, forces, what in (
        (FOOT, halves, "rack on its mount, half of what is along the bar"),
        (FIXED_FOOT, fixed, "rack on its mount, all of what is along the bar"),
    ):
        for side, force in zip(_SIDES, forces, strict=True):
            turned = chosen.study.frame.direction_to_cad(force)
            yield PointForce(case, side, name, turned, np.nan, what)
    about = "moment of the rack about the line from its right foot to its left one"
    yield PointForce(case, "both", TWIST, _NOTHING, twist / _N_MM_PER_N_M, about)


def _moved_spring(chosen: Chosen) -> Spring | None:
    """The spring where the design has its arms: with kept tie rods they move, and it with them.

    Single points that may move leave it where it is drawn.
    """
    spring = chosen.problem.spring
    if spring is None:
        return None
    _, growth = chosen.problem.corners(chosen.design)
    return spring_moved_out(spring, 0.5 * float(growth[0]))


def force_notes(chosen: Chosen) -> Iterator[str]:
    """What the forces are and are not, a sentence each."""
    problem, loads = chosen.problem, chosen.problem.loads
    yield (
        "N in CAD axes, estimates to size parts by hand, not an approval: static, without shock, "
        "weight of the parts and fatigue; choose your own factor for these"
    )
    yield (
        "parked is at the required lock to the left, turned the way that is harder on the rack, "
        "parked_other_way turned the other way, which is harder on some joints; all other cases "
        "are straight ahead"
    )
    if loads is not None and loads.lateral_load_n:
        yield (
            "cornering is a left turn: the weight on the axle is shared as its side force is, "
            f"{loads.outer_share:g} of both on the right, outer wheel; towards lock a rod may feel "
            "more of it, as tie_rod_force_n in racks.csv does"
        )
    if loads is not None and (loads.braking_load_n or loads.kerb_load_n):
        yield "braking and kerb have the weight at rest on each wheel; the left wheel hits the kerb"
    yield "along its axis each of an arm's two pivots is taken to hold half"
    if problem.spring is not None and problem.suspension is not None:
        yield "the spring stands where it is drawn, although points of the suspension moved"
    if problem.spring is None:
        yield (
            "without [spring] the forces at the arms' pivots are not known; those at the ball "
            "joints are of a spring on the lower arm"
        )
    if _feet(chosen) is None:
        yield "where the rack's feet are is not known: only the sum of what they hold is given"
        return
    yield (
        "the rack's feet are taken to hold half each of what is along the bar, and, where one "
        "floats along it, the other all of it; the moment about the line through both is "
        f"{TWIST}; the column's torque on the pinion is left out"
    )


# --- what the road does --------------------------------------------------------------------------


def _cases(chosen: Chosen, loads: LoadAssumptions) -> dict[str, tuple[Wheel, Wheel]]:
    """Left wheel, and right wheel as its mirror image, of each case that the study has."""
    weight = loads.wheel_load_n
    at_rest = solve_held_arms(chosen.points, 0.0, chosen.problem.car.attitude)
    contact, outboard, ahead = _at_wheel(chosen, at_rest)

    def wheel(upward: float, *more: Load) -> Wheel:
        return at_rest, [_force(np.array([0.0, 0.0, upward]), contact), *more]

    found = dict(zip((PARKED, f"{PARKED}_other_way"), _parked(chosen, loads), strict=True))
    if loads.lateral_load_n:
        caster = float(
            wheel_attitude(at_rest, chosen.problem.car.attitude.loaded_radius_mm).trail_mm
        )
        behind = 0.0 if loads.trail_mm is None else loads.trail_mm - caster
        place = contact - behind * ahead
        inner, outer = (
            wheel(
                2.0 * share * weight, _force(way * share * loads.lateral_load_n * outboard, place)
            )
            for share, way in ((1.0 - loads.outer_share, 1.0), (loads.outer_share, -1.0))
        )
        found["cornering"] = inner, outer
    if loads.braking_load_n:
        each = wheel(weight, _force(-0.5 * loads.braking_load_n * ahead, contact))
        found["braking"] = each, each
    if loads.kerb_load_n:
        hit = wheel(weight, _force(-loads.kerb_load_n * ahead, at_rest.wheel_centre))
        found["kerb"] = hit, wheel(weight)
    return found


def _parked(chosen: Chosen, loads: LoadAssumptions) -> Iterator[tuple[Wheel, Wheel]]:
    """Turned on the spot at the required lock to the left: the way harder on the rack is first."""
    problem, attitude = chosen.problem, chosen.problem.car.attitude
    solved = problem.solve(chosen.design)
    lock = float(solved.ackermann.rack_at_lock_mm[0])
    poses = [solve_held_arms(chosen.points, rack, attitude) for rack in (lock, -lock)]
    moment = float(parking_moment(loads.friction, loads.wheel_load_n, loads.tyre_pressure_pa))
    at_lock, _ = parked_up_to_lock(solved, loads, attitude, np.ones(1), problem.spring)
    # Out to lock both wheels steer left: the left one against a moment to the right.
    harder = 1.0 if at_lock.lift[0, 0] >= 0.0 else -1.0
    for way in (harder, -harder):
        yield _turned_on_the_spot(chosen, loads, poses, way * moment)


def _turned_on_the_spot(
    chosen: Chosen, loads: LoadAssumptions, poses: list[Poses], moment: float
) -> tuple[Wheel, Wheel]:
    """Both wheels against a moment of their tyres, N mm, positive where they steer left."""
    wheels = []
    for pose, against in zip(poses, (-moment, moment), strict=True):
        contact, _, _ = _at_wheel(chosen, pose)
        spin = pose.spin_axis
        # The wheel turns freely on its axle and takes no moment about it; see `metrics.loads`.
        tyre = (np.array([0.0, 0.0, 1.0]) - spin[2] * spin) / (1.0 - spin[2] ** 2)
        weight = _force(np.array([0.0, 0.0, loads.wheel_load_n]), contact)
        turn = Load(np.zeros(3), contact, against * tyre)
        wheels.append((pose, [weight, turn]))
    return wheels[0], wheels[1]


def _force(force: Array, point: Array) -> Load:
    return Load(force, point, np.zeros(3))


def _at_wheel(chosen: Chosen, pose: Poses) -> tuple[Array, Array, Array]:
    """Contact point, and the level directions outboard and ahead of a wheel."""
    contact = wheel_attitude(pose, chosen.problem.car.attitude.loaded_radius_mm).contact
    x, y, _ = pose.spin_axis / np.hypot(*pose.spin_axis[:2])
    return contact, np.array([x, y, 0.0]), np.array([y, -x, 0.0])
