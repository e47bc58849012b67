"""Every number that the program knows, a row each: name, words, unit, digits, meaning, source.

Result tables, report, terminal, objectives, words of limits and the table in `results/README.md`
read it here. A number that is new takes its formula and one row.
"""

from __future__ import annotations

import difflib
from dataclasses import replace
from typing import TYPE_CHECKING

from optimiser.evaluation.quantity import (
    BAR,
    BENT_BAR,
    BOLT,
    COLLARS,
    COLUMN,
    FEET,
    FREE_RODS,
    FRICTION,
    LOADS,
    MASS,
    MOVES,
    PAIRS,
    PART_LOCK,
    PINION,
    PINION_PLACE,
    PLAY,
    PRICE,
    RACK,
    RIDE,
    ROD,
    ROLLED,
    SEARCH,
    SECTION,
    STIFFNESS,
    TOLERANCE,
    TURNED,
    TURNS,
    TWISTED,
    TWO_JOINTS,
    TYRE,
    WOUND,
    ZONES,
    Quantity,
)

if TYPE_CHECKING:
    from optimiser.evaluation.quantity import Shown

_TOE = "toe as in ISO 8855:2011, 7.1.6 (read)"
_AXES = "ISO 8855:2011 (from memory)"
_J695 = "SAE J695 (read)"
_PERCENT = "common measures differ: SAE 2006-01-3638 (abstract read)"
_GOUGH = "Gough, as quoted by Sharp and Granger (abstract read, formula from memory)"
_SHIGLEY = "Shigley's Mechanical Engineering Design (from memory)"
_GEOMETRY = "elementary geometry"
_STATICS = "elementary statics: virtual forces"
_JOINTS = "pins of a cross square to each other: elementary spherical trigonometry"
_CARS = (
    "quasi-random cars: in `trials.csv` 4,096 to first order (with tolerances like the demo's "
    "within 1 % of 8,192 full cars, with four times as large ones 4 %; 256 full cars near the end "
    "of what a corner reaches), elsewhere each solved in full; of 256 its standard error is some "
    "3 %"
)

_KEPT = "is held by [suspension.keep]", "give the band there"
_KEPT_CLEAR = "is held by [limits] clearance_mm", "give the clearance there"
_OF_MANY = "is the least of a rack's designs, not a number of one", "name the number itself"

_BOUGHT = "is of a rack, not of a design", "the catalogue says what a rack has"
_GIVES = (STIFFNESS, BENT_BAR, TWISTED)
_UNDER_LOAD = (
    (
        "lateral_per_kn_deg",
        "by side force, loaded wheel",
        "deg/kN",
        "change of {angle} of the outside wheel by 1 kN inward on it, at its contact point moved "
        "back along its heading by `[loads] trail_mm` less the caster trail (where `trail_mm` is "
        "given); straight ahead, through all that `[stiffness]` and the sections give way, toe-in "
        "positive, camber with the wheel's top outward positive, as in the rows that follow",
    ),
    (
        "lateral_other_per_kn_deg",
        "by side force, the other wheel",
        "deg/kN",
        "change of {angle} of the wheel that is not loaded, by way of the rack",
    ),
    (
        "braking_outboard_per_kn_deg",
        "by braking, brakes in the wheels",
        "deg/kN",
        "change of {angle} by 1 kN rearward on each wheel, at its contact point",
    ),
    (
        "braking_inboard_per_kn_deg",
        "by braking, brakes inboard",
        "deg/kN",
        "change of {angle} by 1 kN rearward on each wheel, at its centre",
    ),
    (
        "bump_per_kn_deg",
        "by a bump from ahead",
        "deg/kN",
        "change of {angle} of one wheel by 1 kN rearward at its centre alone",
    ),
    (
        "aligning_per_100nm_deg",
        "by aligning moment",
        "deg/100 N m",
        "change of {angle} of one wheel by 100 N m about the vertical on it, in the sense of "
        "toe-out",
    ),
)

# A row for each number, which the formatter would spread over a dozen lines.
# fmt: off
QUANTITIES = (
    # --- bump steer and Ackermann error ---
    Quantity("best_bump_steer_deg", "least bump steer found", "deg", 3,
        "of all designs of this rack within the limits, in the measure that the study minimises",
        "less", needs=(RACK, SEARCH), shown=("racks",), apart=_OF_MANY),
    Quantity("best_ackermann_error_deg", "least Ackermann error found", "deg", 3,
        "likewise", "less", needs=(RACK, SEARCH), shown=("racks",), apart=_OF_MANY),
    Quantity("bump_steer_deg", "bump steer", "deg", 3,
        "greatest absolute change of toe-in from rest over the wheel travel, rack at centre; where "
        "`[steering]` wants toe to change, its greatest departure from that, here and in all rows "
        "of bump steer; with a list in `acceptable_bump_steer_deg` what lies within a narrower "
        "band counts in proportion, times what the widest accepts over its own",
        "less", _TOE, shown=("racks", "corner", "pick")),
    Quantity("bump_steer_rms_deg", "bump steer, RMS over travel", "deg", 3,
        "root mean square of that change over the travel (trapezium rule), all travel alike",
        "less", _TOE, shown=("corner",)),
    Quantity("bump_gradient_deg_per_m", "toe-in gradient at rest", "deg/m", 2,
        "slope of toe-in against wheel travel at rest", source=_TOE, shown=("corner",)),
    Quantity("part_lock_bump_steer_deg", "bump steer at half lock", "deg", 3,
        "as bump steer, with the rack half way to the required lock, the worse side, all travel "
        "alike",
        "less", _TOE, shown=("corner",)),
    Quantity("ride_height_bump_steer_deg", "bump steer about the worst ride height", "deg", 3,
        "as bump steer, with the body higher or lower by each of `[car] ride_heights_mm`: toe set "
        "at the design height, its change counted from rest at that height, over the same way of "
        "the wheel between the stops; the greatest of all heights",
        "less", _TOE, needs=(RIDE,), shown=("corner",)),
    Quantity("ride_height_part_lock_bump_steer_deg",
        "bump steer at half lock about the worst ride height", "deg", 3,
        "the same with the rack half way to the required lock, the worse side",
        "less", _TOE, needs=(RIDE, PART_LOCK), shown=("corner",)),
    Quantity("bump_steer_p95_deg", "bump steer of one in twenty cars", "deg", 3,
        "exceeded by one in twenty cars built to `[tolerance]`, toe reset after assembly",
        "less", _CARS, needs=(TOLERANCE,)),
    Quantity("roll_steer_deg_per_deg", "roll steer", "deg per deg of roll", 4,
        "mean steer of the wheels in roll, opposite travel of the two by half the track of the "
        "contact points times the roll angle, at rest",
        source=_GEOMETRY, shown=("corner",)),
    Quantity("ackermann_error_deg", "Ackermann error", "deg", 3,
        "greatest absolute difference of the outer wheel's angle from the wanted one, `d_i - p "
        "(d_i - d_o,ideal)` with `cot d_o,ideal = cot d_i + t / l`, from straight ahead to the "
        "required lock; angles counted from straight ahead, so static toe does not count; t "
        "between the steering axes at the ground, l the wheelbase, p the target",
        "less", "condition of pure rolling", shown=("racks", "corner", "pick")),
    Quantity("ackermann_error_rms_deg", "Ackermann error, RMS up to lock", "deg", 3,
        "root mean square of that difference over the inner wheel's angle",
        "less", "condition of pure rolling", shown=("corner",)),
    Quantity("ride_height_ackermann_error_deg", "Ackermann error at the worst ride height", "deg",
        3, "as Ackermann error, with the body higher or lower by each of `[car] ride_heights_mm`: "
        "angles counted from straight ahead at that height, t as it is there, up to the rack "
        "displacement of the required lock at the design height; the greatest of all heights",
        "less", "condition of pure rolling", needs=(RIDE,), shown=("corner",)),
    Quantity("ackermann_error_p95_deg", "Ackermann error of one in twenty cars", "deg", 3,
        "exceeded by one in twenty cars built to `[tolerance]`, toe reset after assembly",
        "less", _CARS, needs=(TOLERANCE,)),
    Quantity("ackermann_at_lock_percent", "Ackermann percentage at lock (inner-referenced)", "%", 1,
        "`100 (d_i - d_o) / (d_i - d_o,ideal)` at the required lock; other definitions differ "
        "by ten points", source=_PERCENT, shown=("corner",)),
    Quantity("ackermann_at_20_percent", "Ackermann percentage at 20 deg (likewise)", "%", 1,
        "the same with the inner wheel at 20 deg; none where the required lock is less",
        source=_PERCENT, shown=("corner",)),
    # --- where things are ---
    Quantity("spacer_mm", "spacer length", "mm", 1,
        "length added at each end between rack and inner joint", needs=(RACK,), shown=("racks",)),
    Quantity("rack_height_mm", "rack height", "mm", 1,
        "inner joints above ground", shown=("racks",)),
    Quantity("rack_fore_aft_mm", "rack fore-aft", "mm", 1,
        "inner joints ahead of the front axle, negative behind it", shown=("racks",)),
    Quantity("arm_length_mm", "arm length", "mm", 1,
        "outer joint from the steering axis, square to it", shown=("racks",)),
    Quantity("arm_height_mm", "arm height", "mm", 1,
        "outer joint above ground", shown=("racks",)),
    Quantity("arm_angle_deg", "arm angle", "deg", 2,
        "direction of the outer joint about the steering axis, from straight ahead or straight "
        "back, outboard positive"),
    Quantity("tie_rod_length_mm", "tie-rod length", "mm", 1,
        "between its joints", shown=("racks", "pick")),
    # --- lock and gearing ---
    Quantity("inner_lock_reached_deg", "inner wheel at the end", "deg", 1,
        "its angle where the rack (or the stops) end", "more", needs=(RACK,), shown=("racks",)),
    Quantity("outer_lock_reached_deg", "outer wheel at the end", "deg", 1,
        "its angle there", "more", needs=(RACK,), shown=("racks",)),
    Quantity("turning_circle_m", "turning circle", "m", 2,
        "diameter between kerbs there, `2 (l / sin d_o + offset)`, l the wheelbase, offset the "
        "scrub radius and half the tyre (`[car] tyre_width_mm`; without it, of the contact "
        "point)", "less", _J695, needs=(RACK,), shown=("racks",)),
    Quantity("rack_needed_mm", "rack used each way", "mm", 1,
        "rack displacement for the required lock", "less", shown=("racks", "corner", "pick")),
    Quantity("rack_travel_mm", "rack's travel less its margin (each way)", "mm", 1,
        "as a limit only: rack displacement for the required lock and the margin, less half the "
        "rack's travel", "less", needs=(RACK,), own_limit="rack_travel_margin_mm", apart=(
            "is a limit itself, always in force", "set [limits] rack_travel_margin_mm")),
    Quantity("share_of_travel", "share of its travel", "", 2,
        "twice the rack displacement for the required lock over the rack's travel",
        "less", needs=(RACK,), shown=("racks",)),
    Quantity("turns_lock_to_lock", "turns lock to lock", "", 2,
        "of the steering wheel, over the travel that is used",
        needs=(RACK, TURNS), shown=("racks",)),
    Quantity("overall_ratio_at_centre", "overall ratio at centre", "", 1,
        "steering-wheel angle to the mean of the road wheels', straight ahead",
        needs=(RACK, TURNS), shown=("racks",)),
    Quantity("overall_ratio_mean", "overall ratio, mean", "", 1,
        "the same over the whole lock", needs=(RACK, TURNS), shown=("racks",)),
    Quantity("overall_ratio_spread", "overall ratio, spread", "", 1,
        "greatest less least of it over the whole lock",
        "less", needs=(RACK, TURNS), shown=("racks",)),
    Quantity("toe_per_rack_mm_deg", "toe per mm of play", "deg/mm", 3,
        "steer for each mm of rack at rest, hence for each mm of play", "less", shown=("racks",)),
    # --- effort and strength ---
    Quantity("tie_rod_force_n", "tie-rod force", "N", 0,
        "greatest force in one rod up to the required lock, either way: parked, by Gough's moment "
        "`T = (mu/3) sqrt(W^3/p)` at each wheel and by the lift of that wheel, virtual work with "
        "the springs as long as at rest; with `lateral_load_n` also cornering, force times trail",
        "less", _GOUGH, needs=(LOADS,), shown=("racks", "pick")),
    Quantity("rack_force_n", "rack force", "N", 0,
        "parked, both wheels, either way: Gough's moment by virtual work through d steer / d rack, "
        "and the lift of the car",
        "less", _GOUGH, needs=(LOADS,), shown=("racks",)),
    Quantity("steering_wheel_torque_nm", "steering-wheel torque, parked", "N m", 1,
        "`F c / (2 pi eta)`, F the rack force, c the rack travel per turn, eta the efficiency",
        "less", _GOUGH, needs=(LOADS, RACK, TURNS), shown=("racks", "pick")),
    Quantity("rim_force_n", "force at the rim", "N", 0,
        "that torque at the rim of the steering wheel",
        "less", _GOUGH, needs=(LOADS, RACK, TURNS), shown=("racks",)),
    Quantity("caster_lift_n", "lift at the rack, at lock", "N", 0,
        "what lifting the car does to the rack at the required lock, positive where it returns the "
        "rack: `-W d(z_left + z_right) / d rack`, W the load of a wheel, z the heights of the "
        "contact points in the body while each upright turns about its steering axis alone; with a "
        "`[spring]` on the upright by statics, the spring's own part in it",
        source=_GEOMETRY, needs=(LOADS,), shown=("asked",)),
    Quantity("returning_force_n", "force that returns the rack", "N", 0,
        "of a standing car, tyres left out: the least of that lift less `friction_at_rack_n`, from "
        "half way to the required lock on; negative where the wheels stop on that way back, of "
        "which `stops_returning_at_deg` says where", "more", _GEOMETRY,
        needs=(LOADS, FRICTION), shown=("asked",)),
    Quantity("stops_returning_at_deg", "stops returning at", "deg", 1,
        "angle of the inner wheel at which lift and friction are alike on the way back from the "
        "required lock: that of the lock where it does not return at all", "less", _GEOMETRY,
        needs=(LOADS, FRICTION), shown=("asked",)),
    Quantity("buckling_reserve", "buckling reserve of the rod", "", 1,
        "least of the rod's buckling load (Euler, Johnson's parabola below the transition "
        "slenderness) and, with `[spacer]`, the capacity as a bent cantilever of the bar that "
        "stands out of the housing and the spacer on it, if any, both of the spacer's section, "
        "over the rod force; a housing of unknown length is taken as long as the travel allows",
        "more", _SHIGLEY, needs=(LOADS, SECTION, BAR), shown=("racks",)),
    # --- what gives way under load ---
    *(
        Quantity(f"{name}_{load}", f"{angle} {words}", unit, 3, meaning.format(angle=angle),
            source=_STATICS, needs=_GIVES, shown=("asked",))
        for name, angle in (("toe", "toe-in"), ("camber", "camber"))
        for load, words, unit, meaning in _UNDER_LOAD
    ),
    Quantity("steer_lost_per_kn_deg", "steer lost to side force", "deg/kN", 3,
        "of 1 kN on the front axle in a turn, shared by `[loads] outer_share`: how much less the "
        "wheels steer, mean of both, straight ahead", "less", _STATICS, needs=_GIVES,
        shown=("asked",)),
    Quantity("toe_play_deg", "play of one wheel", "deg", 3,
        "what the clearance of one rod's joints, `[play]`, lets its wheel turn: `r (inner + outer) "
        "/ |t_y|`, r the steer for each mm of rack, t the rod's direction, at rest, from one end "
        "of the play to the other", "less", _GEOMETRY, needs=(PLAY,), shown=("asked",)),
    Quantity("steer_play_deg", "play of both wheels", "deg", 3,
        "what the clearance of rack and column lets both turn: `r (rack + column c / 360)`, c the "
        "rack travel per turn", "less", _GEOMETRY, needs=(PLAY, WOUND), shown=("asked",)),
    Quantity("steering_wheel_play_deg", "play at the steering wheel", "deg", 1,
        "`column + 360 / c (rack + (inner + outer) / |t_y|)`; Formula SAE rules 2021, V.3.2.5 "
        "(read) allow 7 deg", "less", _GEOMETRY, needs=(PLAY, TURNED), shown=("asked",)),
    # --- room and joints ---
    Quantity("clearance_mm", "clearance", "mm", 1,
        "least distance of the surfaces of all pairs over travel and lock, both sides; negative "
        "when they overlap; 20, or the limit where that is greater, stands for itself or more",
        "more", _GEOMETRY, needs=(PAIRS,), shown=("racks", "pick"), own_limit="clearance_mm"),
    Quantity("clearance_PART_OTHER_mm", "clearance of PART to OTHER", "mm", 1,
        "the same of one pair", "more", _GEOMETRY, needs=(PAIRS,), apart=(
            "stands for a column of each pair", "name one, such as clearance_tie_rod_rim_mm")),
    Quantity("closest_N_mm", "clearance of the closest pairs", "mm", 1,
        "in `trials.csv` of studies with parts that move, a tyre or a frame file: `closest_1_mm` "
        "to `closest_5_mm` in place of a column for each pair, with `closest_1_pair` and so on for "
        "what it is of, empty where nothing is near", "more", _GEOMETRY, needs=(PAIRS,), apart=(
            "stands for the columns of the closest pairs", "limit clearance_mm, or name a pair")),
    Quantity("tyre_clearance_mm", "clearance of the tyre", "mm", 1,
        "least distance of the free tyre to arms, tie rod, bar, housings, shafts of a column and "
        "keep-outs over travel and lock, both sides; what is in its own wheel is not counted; "
        "`tyre_closest_pair` in `trials.csv` says to what",
        "more", _GEOMETRY, needs=(TYRE,), own_limit="tyre_clearance_mm"),
    Quantity("clearance_whole_sweep_mm", "clearance over a finer sweep", "mm", 1,
        "the same over 25 x 33 solved poses", "more", _GEOMETRY, needs=(PAIRS,), shown=("racks",),
        apart=("is measured of each rack's design at the end, to check it",
               "limit clearance_mm, by [limits] clearance_mm")),
    Quantity("free_lock_mm", "lock beyond what is free", "mm", 2,
        "rack displacement that the required lock needs, less the least at which anything reaches "
        "its limit, over all wheel travel and both wheels; kept at most 0", "less", _GEOMETRY,
        needs=(RACK, COLLARS), apart=(
            "is of each rack's design at the end", '[steering] stops = "collars" holds it')),
    Quantity("stop_collar_mm", "collar on either side of the rack", "mm", 2,
        "half the rack's travel less that least displacement: the shortest collar with which "
        "nothing passes its limit, whatever the wheels do", source=_GEOMETRY,
        needs=(RACK, COLLARS), apart=(
            "is of each rack's design at the end", '[steering] stops = "collars" holds it')),
    Quantity("pinion_angle_deg", "pinion's angle", "deg", 1,
        "about the bar from straight up, positive rearward: the catalogue's, or the one found "
        "with the most room", needs=(PAIRS, RACK, PINION)),
    Quantity("toggle_margin_deg", "toggle margin", "deg", 1,
        "least angle of the tie rod to the plane of steering axis and outer joint: 0 where they "
        "line up", "more", _GEOMETRY, shown=("racks", "pick"), own_limit="toggle_margin_deg"),
    Quantity("inner_joint_angle_deg", "inner joint's angle", "deg", 1,
        "greatest angle of the tie rod to the bar, the joint's own axis",
        "less", _GEOMETRY, shown=("racks",), own_limit="inner_joint_angle_deg"),
    Quantity("inner_joint_swing_deg", "inner joint's swing", "deg", 1,
        "greatest angle of the tie rod from its direction at rest",
        "less", _GEOMETRY, shown=("racks",)),
    Quantity("outer_joint_angle_deg", "outer joint's misalignment", "deg", 1,
        "greatest angle of the tie rod off square to the joint's bolt, which turns with the "
        "upright: with `[arms] outer_bolt` as given, else with the worst of steering axis, "
        "vertical and square to the rod at rest",
        "less", _GEOMETRY, shown=("racks",), own_limit="outer_joint_angle_deg"),
    # --- bolted down and driven ---
    Quantity("rack_roll_deg", "roll of the rack", "deg", 1,
        "about its bar, positive when what was up goes rearward, counted from how it lies in its "
        "own car, turned end for end first where it has to be", needs=(RACK, ROLLED)),
    Quantity("mount_mm", "distance of the feet from where they may stand", "mm", 1,
        "the greater over both feet of the distance to the nearest `[[mount_zone]]` for it, 0 "
        "within; with zones a limit, at most 0 where `[limits.at_most]` says nothing else",
        "less", _GEOMETRY, needs=(RACK, FEET, ZONES)),
    Quantity("foot_bolt_tilt_deg", "tilt of the feet's bolts", "deg", 1,
        "angle of the feet's bolts to the nearest CAD axis, the rack as it lies in the car",
        "less", _GEOMETRY, needs=(RACK, BOLT)),
    Quantity("pinion_facing_deg", "angle at which the pinion faces", "deg", 1,
        "about the bar from straight up, positive rearward, the rack as it lies in the car; where "
        "`[search.vary] rack_roll_deg` is given and no `[column]`, a limit, -45 to 135 where "
        "`[limits]` say nothing else (common practice, no source)",
        source=_GEOMETRY, needs=(RACK, PINION_PLACE)),
    Quantity("column_upper_angle_deg", "angle of the column's upper joint", "deg", 1,
        "between the steering wheel's shaft and the middle shaft, with one joint the pinion's "
        "axis, at the places that are chosen: the least ripple at the best phase with both angles "
        "within `joint_limit_deg` and all clear, else the least greater angle; of places within "
        "0.01 deg or 0.01 % the least lower, then the least upper distance; `joint_limit_deg` is a "
        "limit on it", "less", _GEOMETRY, needs=(RACK, PINION_PLACE, COLUMN)),
    Quantity("column_lower_angle_deg", "angle of the column's lower joint", "deg", 1,
        "likewise between the middle shaft and the pinion's axis",
        "less", _GEOMETRY, needs=(RACK, PINION_PLACE, COLUMN, TWO_JOINTS)),
    Quantity("column_phase_deg", "best phase of the middle shaft", "deg", 1,
        "angle on the middle shaft from its upper fork to its lower fork, right-handed looking "
        "from the steering wheel to the pinion, that leaves the least ripple: that of the planes "
        "of the two bends; 90 and -90 are the same",
        source=_JOINTS, needs=(RACK, PINION_PLACE, COLUMN, TWO_JOINTS)),
    Quantity("column_phase_stepped_deg", "phase of the middle shaft to build", "deg", 1,
        "the nearest to it in whole steps of `yoke_step_deg` from forks in line",
        source=_JOINTS, needs=(RACK, PINION_PLACE, COLUMN, TWO_JOINTS)),
    Quantity("column_fork_deg", "fork on the steering wheel's shaft", "deg", 1,
        "angle of the pin of that fork from the plane of its bend with the wheels straight ahead, "
        "right-handed looking from the steering wheel to the pinion, for `straight_ahead`",
        source=_JOINTS, needs=(RACK, PINION_PLACE, COLUMN)),
    Quantity("column_ripple_percent", "ripple of the column", "%", 2,
        "greatest over least of d(pinion)/d(wheel), less one, at the phase to build",
        "less", _JOINTS, needs=(RACK, PINION_PLACE, COLUMN)),
    Quantity("column_ripple_free_percent", "ripple of the column at the best phase", "%", 2,
        "the same at the best phase, `max(c1/c2, c2/c1)^2 - 1` with the cosines of the two angles",
        "less", _JOINTS, needs=(RACK, PINION_PLACE, COLUMN)),
    Quantity("column_miss_mm", "by how much the column misses", "mm", 1,
        "with one joint the least distance of the range of its places on the steering wheel's "
        "shaft from that on the pinion's axis, at most 2; with two by how much the middle shaft is "
        "shorter or longer than `shaft_length_mm`, at most 0, where `[limits.at_most]` says "
        "nothing else", "less", _GEOMETRY, needs=(RACK, PINION_PLACE, COLUMN)),
    Quantity("column_shaft_mm", "length of the column's middle shaft", "mm", 1,
        "joint to joint", source=_GEOMETRY, needs=(RACK, PINION_PLACE, COLUMN, TWO_JOINTS)),
    # --- the car around it ---
    Quantity("kingpin_track_mm", "between steering axes at the ground", "mm", 1,
        "where both steering axes meet the ground, at rest", source=_GEOMETRY, shown=("corner",)),
    Quantity("track_growth_mm", "change of the track", "mm", 1,
        "how much wider the track is in the design, negative where narrower, with `[steering] "
        "keep_tie_rods`; otherwise 0; its limit holds both ways", source=_GEOMETRY,
        shown=("racks",), own_limit="track_growth_mm"),
    Quantity("own_rods_track_growth_mm", "change of the track with its own rods", "mm", 1,
        "how much wider the track would get, negative where narrower, if the rods sold with the "
        "rack were kept", source=_GEOMETRY, needs=(RACK, ROD, FREE_RODS), shown=("racks",), apart=(
            "is of rods that are not kept",
            "with [steering] keep_tie_rods = true set [limits] track_growth_mm")),
    Quantity("caster_deg", "caster", "deg", 2,
        "at rest", source=_AXES, shown=("corner",)),
    Quantity("kingpin_inclination_deg", "kingpin inclination", "deg", 2,
        "at rest", source=_AXES, shown=("corner",)),
    Quantity("scrub_radius_mm", "scrub radius", "mm", 1,
        "contact point from the steering axis at the ground, across the wheel's heading, "
        "outboard positive, at rest", source=_AXES, shown=("corner",)),
    Quantity("trail_mm", "trail", "mm", 1,
        "steering axis at the ground ahead of the contact point, along the wheel's heading, at "
        "rest", source=_AXES, shown=("corner",)),
    # --- where points of the suspension are moved ---
    Quantity("moved_mm", "change of the suspension", "mm", 2,
        "root of the sum over moved points of (cost x distance)^2; both pivots of an arm together "
        "are two points",
        "less", _GEOMETRY, needs=(MOVES,)),
    Quantity("camber_departure_deg", "departure of camber", "deg", 3,
        "greatest difference of camber from that of the drawn car with its drawn tie rod over "
        "the wheel travel, rack at centre", "less", _AXES, needs=(MOVES,), apart=_KEPT),
    Quantity("caster_departure_deg", "departure of caster", "deg", 3,
        "likewise of caster", "less", _AXES, needs=(MOVES,), apart=_KEPT),
    Quantity("kingpin_inclination_departure_deg", "departure of kingpin inclination", "deg", 3,
        "likewise of kingpin inclination", "less", _AXES, needs=(MOVES,), apart=_KEPT),
    Quantity("anti_dive_departure_deg", "departure of anti-dive", "deg", 3,
        "difference at rest from drawn of the slope of the contact point's path in side view, the "
        "brake locked and the steer angle held; forward in bump is positive",
        "less", _GEOMETRY, needs=(MOVES,), apart=_KEPT),
    Quantity("roll_centre_departure_mm", "departure of the roll centre", "mm", 1,
        "difference at rest from drawn of its height, the lateral slope of the contact point's "
        "path over wheel travel times that point's distance from the middle of the car",
        "less", _GEOMETRY, needs=(MOVES,), apart=_KEPT),
    Quantity("track_change_departure_mm", "departure of the contact point's path", "mm", 2,
        "greatest lateral difference from the drawn path over the wheel travel, rack at centre",
        "less", _GEOMETRY, needs=(MOVES,), apart=_KEPT),
    Quantity("scrub_radius_departure_mm", "departure of the scrub radius", "mm", 2,
        "difference at rest from drawn", "less", _AXES, needs=(MOVES,), apart=_KEPT),
    Quantity("trail_departure_mm", "departure of the trail", "mm", 2,
        "difference at rest from drawn", "less", _AXES, needs=(MOVES,), apart=_KEPT),
    Quantity("moved_clearance_mm", "clearance of moved arms and brackets", "mm", 1,
        "least distance of an arm of which a point is moved, or of a bracket at a moved pivot, to "
        "keep-outs and rim over all poses; what had less as drawn may keep that",
        "more", _GEOMETRY, needs=(MOVES, PAIRS), own_limit="clearance_mm", apart=_KEPT_CLEAR),
    # --- what is bought ---
    Quantity("mass_kg", "mass", "kg", 2,
        "rack, two spacers, two tie rods (as sold, or by the section, length and density the "
        "study gives; rod ends are not counted)",
        "less", needs=(RACK, MASS), shown=("racks", "pick")),
    Quantity("price", "price", "", 0,
        "as in the catalogue", "less", needs=(RACK, PRICE), shown=("racks", "pick")),
    Quantity("acceptable_spacing_from_mm", "acceptable from a spacing of", "mm", 1,
        "least inner-joint spacing of the bare rack with which it is acceptable, all free that the "
        "study frees, the rack's other numbers as they are; looked for from 100 to 1500 mm",
        needs=(RACK, SEARCH), shown=("racks",), apart=_BOUGHT),
    Quantity("acceptable_spacing_to_mm", "acceptable to a spacing of", "mm", 1,
        "the greatest, likewise", needs=(RACK, SEARCH), shown=("racks",), apart=_BOUGHT),
    Quantity("acceptable_spacer_from_mm", "acceptable from spacers of", "mm", 1,
        "least length of a spacer, each end, with which the rack is acceptable, whatever lengths "
        "the study allows; looked for up to 250 mm",
        needs=(RACK, SEARCH), shown=("racks",), apart=_BOUGHT),
    Quantity("acceptable_spacer_to_mm", "acceptable to spacers of", "mm", 1,
        "the greatest, likewise", needs=(RACK, SEARCH), shown=("racks",), apart=_BOUGHT),
    Quantity("least_travel_mm", "least travel", "mm", 1,
        "end to end, with which the rack is acceptable, its turns as they are; looked for from 20 "
        "to 400 mm", needs=(RACK, SEARCH), shown=("racks",), apart=_BOUGHT),
    Quantity("most_travel_mm", "most travel", "mm", 1,
        "likewise: with more a rack that stops the steering itself passes a limit",
        needs=(RACK, SEARCH), shown=("racks",), apart=_BOUGHT),
)
# fmt: on

_BY_NAME = {quantity.name: quantity for quantity in QUANTITIES}
AS_BUILT = ("bump_steer_p95_deg", "ackermann_error_p95_deg")
"""Numbers of cars built to the tolerances."""


def shown(place: Shown) -> tuple[Quantity, ...]:
    """The quantities that stand in one of the tables, in their order."""
    return tuple(quantity for quantity in QUANTITIES if place in quantity.shown)


# --- pairs of parts, a column each ---------------------------------------------------------------

PARTS = ("tie_rod", "outer_joint", "steering_arm", "spacer", "rack_housing", "pinion_housing")
"""As columns have them, in the order of `clearance.metrics.MEASURED`."""
TYRE_PART = "tyre"
COLUMN_PART = "column"
"""The shafts of a `[column]`, measured beside `PARTS` where there are any."""
CLOSEST, TYRE_CLOSEST = 5, "tyre_closest_pair"
"""How many of the closest pairs are told of a design, and the column for that of the tyre."""
PAIR, CLOSEST_PAIRS = _BY_NAME["clearance_PART_OTHER_mm"], _BY_NAME["closest_N_mm"]


def closest_names() -> tuple[tuple[str, str], ...]:
    """Columns of the closest pairs' names and distances, the closest first."""
    return tuple((f"closest_{n}_pair", f"closest_{n}_mm") for n in range(1, CLOSEST + 1))


_CLOSEST = {distance: name for name, distance in closest_names()}
CLOSEST_WORDS = (*_CLOSEST.values(), TYRE_CLOSEST)
"""Columns that name pairs of parts, in words."""


def is_pair(column: str) -> bool:
    """Whether a column is the clearance of one pair of parts."""
    return column.startswith("clearance_") and column not in _BY_NAME


def is_clearance(column: str) -> bool:
    """Whether a column is the clearance of all parts, of the tyre or of one pair."""
    return column in ("clearance_mm", "tyre_clearance_mm") or is_pair(column)


def is_of_tyre(column: str) -> bool:
    """Whether a column is the clearance of the tyre to one other part."""
    return column.startswith(f"clearance_{TYRE_PART}_") and column not in _BY_NAME


def pair_part(column: str) -> str:
    """'tie_rod' of 'clearance_tie_rod_pedal_box_mm'; empty where it begins with no part."""
    pair = column.removeprefix("clearance_")
    return next((name for name in (*PARTS, COLUMN_PART, TYRE_PART) if pair.startswith(name)), "")


def pair_words(column: str) -> str:
    """'tie rod to pedal box' of 'clearance_tie_rod_pedal_box_mm'."""
    part = pair_part(column)
    pair = column.removeprefix("clearance_").removesuffix("_mm")
    other = pair.removeprefix(part).strip("_")
    return f"{part} to {other}".replace("_", " ")


# --- one of them ---------------------------------------------------------------------------------


def quantity(name: str) -> Quantity:
    """The quantity of a column; of a pair of parts, with the pair in its words.

    Raises:
        KeyError: no such quantity; the message names the nearest one.
    """
    if name in _BY_NAME:
        return _BY_NAME[name]
    if is_pair(name):
        return replace(PAIR, name=name, apart=None, words=f"clearance of {pair_words(name)}")
    if name in _CLOSEST:
        return replace(CLOSEST_PAIRS, name=name)
    close = difflib.get_close_matches(name, _BY_NAME, 1, 0.5)
    raise KeyError(f"{name!r} is no quantity" + (f": did you mean {close[0]}?" if close else ""))


def amount(name: str, value: float) -> str:
    """A value of a quantity with its digits and unit: '12.3 mm'."""
    return quantity(name).text(value)


def said(name: str, value: float) -> str:
    """The same with what it is: '0.016 deg bump steer'."""
    one = quantity(name)
    return f"{one.text(value)} {one.words}"


_LEAST_SAID = 1e-3
"""Millimetres or degrees below which people do not read by how much a limit is broken."""


def limit_words(name: str) -> str:
    """A limit in words: 'the clearance'."""
    return f"the {quantity(name).words}"


def excess_words(name: str, excess: float, form: str, detail: str = "") -> str:
    """A limit and by how much it is broken: 'the clearance (tie rod to rim) by 2.5 mm'."""
    words = f"{limit_words(name)} ({detail})" if detail else limit_words(name)
    much = f"{excess:{form}}" if excess >= _LEAST_SAID else f"less than {_LEAST_SAID:g}"
    return f"{words} by {much} {quantity(name).unit}".rstrip()
