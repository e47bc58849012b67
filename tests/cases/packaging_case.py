"""An invented corner with one rack, and the same corner solved from its constraints alone."""

from dataclasses import replace

import numpy as np
from scipy.optimize import root

from optimiser.evaluation.asked import KeepOut, Rim
from optimiser.evaluation.designs import Stock
from optimiser.evaluation.problem import Car, Limits, Problem, Room, Steering, Travel
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.racks import Rack

POINTS = Hardpoints.from_mapping(
    {
        "lower_front_pivot": (140.0, 310.0, 160.0),
        "lower_rear_pivot": (-150.0, 300.0, 150.0),
        "lower_ball_joint": (12.0, 630.0, 150.0),
        "upper_front_pivot": (100.0, 365.0, 360.0),
        "upper_rear_pivot": (-120.0, 350.0, 345.0),
        "upper_ball_joint": (-28.0, 595.0, 395.0),
        "wheel_centre": (0.0, 665.0, 275.0),
        "outer_joint": (118.0, 628.0, 205.0),
        "inner_joint": (95.0, 325.0, 215.0),
    }
)
BEHIND = POINTS.with_tie_rod((-122.0, 590.0, 230.0), (-150.0, 305.0, 228.0))
"""The same corner with its rack behind the axle."""
RACK = Rack(
    "invented",
    inner_joint_spacing_mm=630.0,
    travel_mm=110.0,
    turns=2.8,
    mass_kg=5.0,
    price=120.0,
    made_for="ahead",
    pinion_side="left",
    housing_length_mm=420.0,
    housing_diameter_mm=44.0,
    tie_rod_length_mm=330.0,
    pinion_offset_mm=130.0,
    pinion_length_mm=95.0,
    pinion_diameter_mm=48.0,
)
BOX = KeepOut("sump", "box", (20.0, 200.0, 240.0), (160.0, 420.0, 330.0))
RIGHT = KeepOut("brake line", "capsule", (150.0, -560.0, 190.0), (190.0, -420.0, 260.0), 6.0)
BOTH = KeepOut("tube", "capsule", (60.0, 300.0, 150.0), (140.0, 520.0, 165.0), 12.0, mirror=True)
ROOM = Room(
    keep_outs=(BOX, RIGHT, BOTH),
    rim=Rim(175.0, 150.0),
    tie_rod_diameter_mm=14.0,
    joint_diameter_mm=32.0,
    steering_arm_diameter_mm=22.0,
    arm_tube_diameter_mm=25.0,
    spacer_diameter_mm=24.0,
)


def problem(room=ROOM, racks=(RACK,), *, clearance=5.0, steering=None, **more):
    """A problem in which nothing but the given design is asked for."""
    given = {
        "rack_height_mm": 215.0,
        "rack_fore_aft_mm": 95.0,
        "spacer_mm": 10.0,
        "arm_length_mm": 112.0,
        "arm_height_mm": 205.0,
        "arm_angle_deg": 12.0,
    }
    wanted = Steering(
        inner_lock=np.radians(30.0),
        ackermann_target=0.6,
        acceptable_bump_steer=np.radians(0.1),
        acceptable_ackermann_error=np.radians(1.0),
    )
    return Problem(
        points=POINTS,
        arm_ahead=True,
        car=Car(2400.0, Attitude(loaded_radius_mm=300.0), drive_side="left", **more.pop("car", {})),
        travel=Travel(50.0, 40.0, 10.0),
        steering=replace(wanted, **(steering or {})),
        racks=tuple(racks),
        space={name: Stock((value,)) for name, value in given.items()},
        limits=Limits(clearance_mm=clearance),
        room=room,
        **more,
    )


def corner_by_constraints(points, travel_mm, inner_joint):
    """Lower ball, upper ball, outer joint and wheel centre (4, 3) from their fixed distances.

    Twelve distances and heights in twelve unknowns, by scipy; either side of the car. The wheel
    travel is approached in steps, which keeps to the branch that is continuous with rest.
    """
    at = {name: np.array(value, float) for name, value in points.items()}
    rest = np.array(
        [at[n] for n in ("lower_ball_joint", "upper_ball_joint", "outer_joint", "wheel_centre")]
    )
    fixed = [
        (0, at["lower_front_pivot"]), (0, at["lower_rear_pivot"]),
        (1, at["upper_front_pivot"]), (1, at["upper_rear_pivot"]),
    ]  # fmt: skip
    pairs = [(0, 1), (0, 2), (1, 2), (0, 3), (1, 3), (2, 3)]
    rod = np.linalg.norm(rest[2] - at["inner_joint"])

    def errors(x, travel, inner):
        p = x.reshape(4, 3)
        gap = [np.linalg.norm(p[i] - q) - np.linalg.norm(rest[i] - q) for i, q in fixed]
        gap += [np.linalg.norm(p[i] - p[j]) - np.linalg.norm(rest[i] - rest[j]) for i, j in pairs]
        return [*gap, np.linalg.norm(p[2] - inner) - rod, p[3, 2] - rest[3, 2] - travel]

    x = rest.ravel()
    for part in np.linspace(0.0, 1.0, 7)[1:]:
        inner = at["inner_joint"] + part * (np.asarray(inner_joint) - at["inner_joint"])
        found = root(errors, x, args=(part * travel_mm, inner), tol=1e-12)
        x = found.x
    assert np.max(np.abs(errors(x, travel_mm, inner_joint))) < 1e-8
    return x.reshape(4, 3)
