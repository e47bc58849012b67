"""Problems on which a search may be unlucky; cars and racks are invented.

Each is asked of one rack. What is acceptable was set so that the best design is, and others near it
or in another window are not.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
from search_cases import LIMITS, case

from optimiser.evaluation.asked import KeepOut, LoadAssumptions, Room
from optimiser.evaluation.designs import VARIABLES, Designs, Range, Stock
from optimiser.evaluation.problem import Objectives, Problem

STEP_MM = 16.0


def little_between_limits() -> Problem:
    """Short travel, wide toggle margin, joints of small angles: 1e-4 of the space keeps all."""
    asked = case(
        "inclined arm axes",
        spacing_mm=610.0,
        travel_mm=104.0,
        target=0.6,
        step_mm=STEP_MM,
        limits=replace(
            LIMITS,
            toggle_margin=float(np.radians(51.2)),
            outer_joint_angle=float(np.radians(11.0)),
        ),
    )
    rack = replace(asked.racks[0], joint_limit_deg=15.0)
    return with_acceptable_error(replace(asked, racks=(rack,)), 3.6)


def opening_for_the_rod() -> Problem:
    """The tie rod passes an opening of 57 mm square in a wall: 1.4e-4 of the space does so."""
    half, away, x, y, z = 28.5, 120.0, 100.0, 400.0, 200.0
    wall = {
        "above": ((x - away, z + half), (x + away, z + half + away)),
        "below": ((x - away, z - half - away), (x + away, z - half)),
        "ahead": ((x + half, z - away), (x + half + away, z + away)),
        "behind": ((x - half - away, z - away), (x - half, z + away)),
    }
    parts = [
        KeepOut(name, "box", (low[0], y - 12.0, low[1]), (high[0], y + 12.0, high[1]), mirror=True)
        for name, (low, high) in wall.items()
    ]
    asked = case("front steer", step_mm=STEP_MM)
    return replace(
        asked,
        limits=replace(asked.limits, clearance_mm=3.0),
        room=Room(keep_outs=tuple(parts), tie_rod_diameter_mm=14.0),
    )


def two_windows() -> Problem:
    """A tray across the rack's space: acceptable is only the upper window, which is the narrower.

    Differential evolution over the whole space ends in the lower one with most seeds.
    """
    asked = case("inclined arm axes", spacing_mm=610.0, target=0.6, step_mm=STEP_MM)
    parts = [
        KeepOut(name, "box", (0.0, -180.0, low), (260.0, 180.0, high))
        for name, low, high in (("tray", 190.0, 196.0), ("deck", 249.0, 309.0))
    ]
    rack = replace(asked.racks[0], housing_length_mm=400.0, housing_diameter_mm=44.0)
    asked = replace(
        asked,
        racks=(rack,),
        limits=replace(asked.limits, clearance_mm=3.0),
        room=Room(keep_outs=tuple(parts), tie_rod_diameter_mm=14.0),
    )
    return with_acceptable_error(asked, 1.8)


def force_as_well() -> Problem:
    """The force in the tie rod is minimised too, which no winner is chosen by."""
    return replace(
        case("rear steer", spacing_mm=600.0, step_mm=STEP_MM),
        loads=LoadAssumptions(1500.0, 180e3),
        objectives=Objectives(extra=("tie_rod_force_n",)),
    )


def force_counts() -> Problem:
    """The same with a force that is acceptable: the winner is chosen by three numbers."""
    asked = Objectives(extra=("tie_rod_force_n",), accepted=(380.0,))
    return replace(force_as_well(), objectives=asked)


def margin_counts() -> Problem:
    """The third number is one of which more is better, and its limit is near what is accepted."""
    asked = Objectives(extra=("toggle_margin_deg",), accepted=(28.0,))
    return replace(force_as_well(), objectives=asked)


def all_stock(counts: tuple[int, ...] = (8, 6, 5, 6, 8, 5)) -> Problem:
    """Every variable has some values only, evenly spread, in the order of `VARIABLES`."""
    asked = case("rear steer", spacing_mm=600.0, step_mm=STEP_MM)
    space = {}
    for name, count in zip(VARIABLES, counts, strict=True):
        choice = asked.space[name]
        assert isinstance(choice, Range)
        values = np.round(np.linspace(choice.low, choice.high, count), 1)
        space[name] = Stock(tuple(values.tolist()))
    return with_acceptable_error(replace(asked, space=space), 2.12)


def every_combination(asked: Problem) -> Designs:
    """All designs of rack 0 of a problem with stock values only."""
    stock = [asked.space[name] for name in VARIABLES]
    values = np.array(list(product(*(c.values for c in stock if isinstance(c, Stock)))))
    return Designs(np.zeros(len(values), dtype=np.intp), values)


def with_acceptable_error(asked: Problem, degrees: float) -> Problem:
    error = float(np.radians(degrees))
    return replace(asked, steering=replace(asked.steering, acceptable_ackermann_error=error))
