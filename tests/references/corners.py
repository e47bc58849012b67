"""Invented corners for the referees: no car, drawing or published data stands behind them.

Left corner only, mm, ISO 8855 body axes (x forward, y left, z up), origin on
the ground under the middle of the front axle.  Sizes are those of light cars.
Each entry has `points`, the static settings, and the ranges of wheel travel
and rack displacement worth asking about; the last three reach beyond what
their linkage can do, on purpose.
"""

from __future__ import annotations

import numpy as np

CORNERS: dict[str, dict] = {
    # rack ahead of the axle, slightly converging arms, ordinary caster
    "front steer": {
        "points": {
            "lower_front_pivot": (132.0, 318.0, 162.0),
            "lower_rear_pivot": (-148.0, 311.0, 166.0),
            "lower_ball_joint": (8.0, 634.0, 151.0),
            "upper_front_pivot": (96.0, 372.0, 371.0),
            "upper_rear_pivot": (-124.0, 368.0, 366.0),
            "upper_ball_joint": (-17.0, 601.0, 402.0),
            "wheel_centre": (0.0, 668.0, 276.0),
            "outer_joint": (117.0, 627.0, 207.0),
            "inner_joint": (104.0, 332.0, 213.0),
        },
        "static_toe_in_deg": 0.1,
        "static_camber_deg": -0.5,
        "travel_mm": (-65.0, 65.0),
        "rack_mm": (-52.0, 52.0),
    },
    # rack behind the axle and higher up, arms of similar length
    "rear steer": {
        "points": {
            "lower_front_pivot": (171.0, 287.0, 148.0),
            "lower_rear_pivot": (-113.0, 293.0, 142.0),
            "lower_ball_joint": (13.0, 641.0, 138.0),
            "upper_front_pivot": (118.0, 339.0, 346.0),
            "upper_rear_pivot": (-97.0, 344.0, 352.0),
            "upper_ball_joint": (-22.0, 608.0, 389.0),
            "wheel_centre": (0.0, 683.0, 268.0),
            "outer_joint": (-128.0, 603.0, 241.0),
            "inner_joint": (-141.0, 309.0, 232.0),
        },
        "static_toe_in_deg": -0.15,
        "static_camber_deg": -1.0,
        "travel_mm": (-70.0, 70.0),
        "rack_mm": (-48.0, 48.0),
    },
    # both arm axes tilted in side view and swept in plan: strong anti-dive, skew hinges
    "inclined arm axes": {
        "points": {
            "lower_front_pivot": (158.0, 331.0, 137.0),
            "lower_rear_pivot": (-196.0, 274.0, 171.0),
            "lower_ball_joint": (21.0, 622.0, 144.0),
            "upper_front_pivot": (84.0, 384.0, 402.0),
            "upper_rear_pivot": (-153.0, 341.0, 338.0),
            "upper_ball_joint": (-29.0, 588.0, 397.0),
            "wheel_centre": (0.0, 657.0, 271.0),
            "outer_joint": (106.0, 613.0, 187.0),
            "inner_joint": (88.0, 319.0, 181.0),
        },
        "static_toe_in_deg": 0.0,
        "static_camber_deg": 0.0,
        "travel_mm": (-60.0, 60.0),
        "rack_mm": (-45.0, 45.0),
    },
    # about 12 degrees of caster: steering tilts the wheel strongly
    "large caster": {
        "points": {
            "lower_front_pivot": (163.0, 301.0, 156.0),
            "lower_rear_pivot": (-127.0, 308.0, 153.0),
            "lower_ball_joint": (31.0, 628.0, 147.0),
            "upper_front_pivot": (63.0, 353.0, 361.0),
            "upper_rear_pivot": (-158.0, 349.0, 358.0),
            "upper_ball_joint": (-24.0, 597.0, 399.0),
            "wheel_centre": (0.0, 662.0, 280.0),
            "outer_joint": (-109.0, 596.0, 176.0),
            "inner_joint": (-117.0, 304.0, 183.0),
        },
        "static_toe_in_deg": 0.2,
        "static_camber_deg": -2.0,
        "travel_mm": (-60.0, 60.0),
        "rack_mm": (-46.0, 46.0),
    },
    # a short upper arm dropping steeply inboard, a long lower one rising: instant centre near
    "converging arms": {
        "points": {
            "lower_front_pivot": (141.0, 246.0, 187.0),
            "lower_rear_pivot": (-139.0, 251.0, 183.0),
            "lower_ball_joint": (4.0, 651.0, 142.0),
            "upper_front_pivot": (87.0, 427.0, 334.0),
            "upper_rear_pivot": (-103.0, 421.0, 338.0),
            "upper_ball_joint": (-11.0, 613.0, 418.0),
            "wheel_centre": (0.0, 689.0, 283.0),
            "outer_joint": (121.0, 646.0, 219.0),
            "inner_joint": (126.0, 297.0, 233.0),
        },
        "static_toe_in_deg": 0.05,
        "static_camber_deg": -0.75,
        "travel_mm": (-55.0, 55.0),
        "rack_mm": (-50.0, 50.0),
    },
    # arms and tie rod parallel and equal: with the rack at centre toe cannot change
    "parallel equal arms": {
        "points": {
            "lower_front_pivot": (130.0, 300.0, 170.0),
            "lower_rear_pivot": (-130.0, 300.0, 170.0),
            "lower_ball_joint": (0.0, 630.0, 155.0),
            "upper_front_pivot": (110.0, 270.0, 375.0),
            "upper_rear_pivot": (-110.0, 270.0, 375.0),
            "upper_ball_joint": (-20.0, 600.0, 360.0),
            "wheel_centre": (0.0, 670.0, 270.0),
            "outer_joint": (-115.0, 605.0, 220.0),
            "inner_joint": (-115.0, 275.0, 235.0),
        },
        "static_toe_in_deg": 0.1,
        "static_camber_deg": -0.5,
        "travel_mm": (-70.0, 70.0),
        "rack_mm": (-50.0, 50.0),
    },
    # a short steering arm and a long rack: tie rod and arm line up within the sweep
    "toggle": {
        "points": {
            "lower_front_pivot": (136.0, 309.0, 158.0),
            "lower_rear_pivot": (-144.0, 303.0, 161.0),
            "lower_ball_joint": (6.0, 629.0, 149.0),
            "upper_front_pivot": (99.0, 361.0, 369.0),
            "upper_rear_pivot": (-117.0, 357.0, 363.0),
            "upper_ball_joint": (-15.0, 598.0, 396.0),
            "wheel_centre": (0.0, 664.0, 274.0),
            "outer_joint": (-71.0, 601.0, 203.0),
            "inner_joint": (-96.0, 318.0, 208.0),
        },
        "static_toe_in_deg": 0.0,
        "static_camber_deg": -0.5,
        "travel_mm": (-60.0, 60.0),
        "rack_mm": (-80.0, 80.0),
    },
    # a short upper arm: the suspension itself runs out before the travel asked for
    "short of travel": {
        "points": {
            "lower_front_pivot": (124.0, 338.0, 173.0),
            "lower_rear_pivot": (-137.0, 333.0, 168.0),
            "lower_ball_joint": (9.0, 617.0, 158.0),
            "upper_front_pivot": (78.0, 461.0, 383.0),
            "upper_rear_pivot": (-91.0, 457.0, 377.0),
            "upper_ball_joint": (-13.0, 583.0, 391.0),
            "wheel_centre": (0.0, 648.0, 279.0),
            "outer_joint": (113.0, 609.0, 211.0),
            "inner_joint": (101.0, 347.0, 219.0),
        },
        "static_toe_in_deg": 0.1,
        "static_camber_deg": 0.0,
        "travel_mm": (-150.0, 150.0),
        "rack_mm": (-45.0, 45.0),
    },
    # the tie rod ahead of the axle pulls the arm past its dead point: both ends of the sweep
    "toggle ahead": {
        "points": {
            "lower_front_pivot": (128.0, 322.0, 164.0),
            "lower_rear_pivot": (-151.0, 316.0, 159.0),
            "lower_ball_joint": (11.0, 637.0, 153.0),
            "upper_front_pivot": (92.0, 374.0, 374.0),
            "upper_rear_pivot": (-129.0, 369.0, 368.0),
            "upper_ball_joint": (-19.0, 606.0, 405.0),
            "wheel_centre": (0.0, 672.0, 278.0),
            "outer_joint": (69.0, 646.0, 209.0),
            "inner_joint": (131.0, 351.0, 228.0),
        },
        "static_toe_in_deg": 0.0,
        "static_camber_deg": -1.0,
        "travel_mm": (-60.0, 60.0),
        "rack_mm": (-85.0, 85.0),
    },
}


def points_of(name: str) -> dict[str, np.ndarray]:
    """The corner's hardpoints as arrays of shape (3,), mm."""
    return {point: np.array(at) for point, at in CORNERS[name]["points"].items()}


def spin_axis_of(name: str) -> np.ndarray:
    """Unit spin axis at the design position, out to the left, from static toe and camber."""
    toe = np.radians(CORNERS[name]["static_toe_in_deg"])
    camber = np.radians(CORNERS[name]["static_camber_deg"])
    return np.array([np.sin(toe) * np.cos(camber), np.cos(toe) * np.cos(camber), -np.sin(camber)])


def grid_of(name: str, n_travel: int, n_rack: int) -> tuple[np.ndarray, np.ndarray]:
    """Evenly spaced travel and rack displacements over the corner's ranges, mm."""
    return (
        np.linspace(*CORNERS[name]["travel_mm"], n_travel),
        np.linspace(*CORNERS[name]["rack_mm"], n_rack),
    )
