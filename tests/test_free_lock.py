"""How far a design may steer: against brute force, by mirror, and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from moving_case import ROOMY
from packaging_case import POINTS, RACK, problem

from optimiser.answer.free_lock import ALIKE, free_lock
from optimiser.answer.pose_margins import LINKAGE, PoseMargins
from optimiser.evaluation.asked import KeepOut, Limits, Travel, Tyre

WITHIN_MM = 0.01
GRAZE = KeepOut("post", "cylinder", (120.0, 470.0, 200.0), (120.0, 470.0, 202.0), 4.0)
"""Thinner than the rod: it is met at a few travels only, and at some passed by a hair."""
ON_ARM = KeepOut("link", "capsule", (60.0, 350.0, 120.0), (70.0, 520.0, 200.0), 8.0,
                 on="body", to_on="lower_arm")  # fmt: skip
TYRE = Tyre(295.0, 190.0, 180.0, 20.0)
BOX = KeepOut("sponson", "box", (150.0, 300.0, 100.0), (300.0, 440.0, 260.0))


def asked(*keep_outs, tyre=None, rack=RACK, limits=None, **more):
    room = replace(ROOMY, keep_outs=keep_outs, tyre=tyre)
    given = problem(room, (rack,), **more)
    limits = limits or Limits(clearance_mm=3.0, tyre_clearance_mm=8.0)
    return replace(given, limits=limits), given.designs(np.zeros(1, dtype=int), {})


def brute_force(case, design, travel, way, step=0.01, span=(0.0, 1e3), side=None):
    """Displacement of the last of many poses, taken outwards, before any limit is broken.

    Of the left corner; with `side` before what is on that side, the right in mirror image.
    """
    margins = PoseMargins.of(case, design)
    rack = np.arange(max(0.0, span[0]), min(margins.end_mm, span[1]) + step, step)
    rack = rack.clip(max=margins.end_mm)
    names, left = margins.left(np.full(len(rack), travel), way * rack, side=side)
    broken = ~(left > -ALIKE).all(axis=0)
    if not broken.any():
        return rack[-1], "rack"
    first = int(np.argmax(broken))
    return rack[max(0, first - 1)], names[int(np.argmin(left[:, first]))]


NO_CLEARANCE = Limits(clearance_mm=None, tyre_clearance_mm=None)


@pytest.mark.parametrize(
    ("case", "travels"),
    [
        (asked(GRAZE), (-20.0, -10.0)),
        (asked(ON_ARM, BOX, tyre=TYRE), (50.0,)),
        (asked(limits=replace(NO_CLEARANCE, toggle_margin=np.radians(60.0))), (-40.0, 50.0)),
        (asked(limits=replace(NO_CLEARANCE, outer_joint_angle=np.radians(17.0))), (-40.0, 50.0)),
    ],
    ids=["graze", "moving, tyre", "toggle", "outer joint"],
)
def test_free_lock_agrees_with_brute_force(case, travels):
    """Poses 0.01 mm apart in rack displacement, both wheels."""
    asked_, design = case
    found = free_lock(asked_, design)
    stopped = set()
    for stop in found.stops:
        if stop.travel_mm not in travels:
            continue
        sign = 1.0 if stop.rack_way == "left" else -1.0
        left, right = (
            brute_force(asked_, design, stop.travel_mm, way, side=side)
            for way, side in ((sign, "left"), (-sign, "right"))
        )
        wanted = min(left, right)
        assert stop.rack_mm == pytest.approx(wanted[0], abs=WITHIN_MM)
        assert stop.stopped_by == wanted[1]
        assert stop.wheel in ("both", "left" if left <= right else "right")
        stopped.add(stop.stopped_by)
    assert stopped != {"rack"}


def test_the_least_is_that_of_travels_between_and_of_either_wheel():
    """A fine grid of travels by brute force."""
    case, design = asked(GRAZE)
    found = free_lock(case, design)
    least = found.least.rack_mm
    each = [
        brute_force(case, design, travel, way, span=(least - 1.0, least + 1.0))[0]
        for travel in found.least.travel_mm + np.linspace(-3.0, 3.0, 25)
        for way in (1.0, -1.0)
    ]
    assert min(each) == pytest.approx(least, abs=WITHIN_MM)
    assert least <= min(stop.rack_mm for stop in found.stops)
    assert found.collar_mm == pytest.approx(0.5 * RACK.travel_mm - least)
    assert found.lacking_mm == pytest.approx(found.needed_mm - least)


def test_without_limits_the_rack_ends_it():
    case, design = asked(GRAZE, limits=NO_CLEARANCE)
    found = free_lock(case, design)
    assert {stop.stopped_by for stop in found.stops} == {"rack"}
    assert {stop.wheel for stop in found.stops} == {"both"}
    assert found.collar_mm == 0.0
    inner = max(found.stops, key=lambda stop: abs(stop.steer))
    assert np.degrees(abs(inner.steer)) > 25.0


def test_broken_at_centre_is_nothing_free():
    block = KeepOut("block", "box", (80.0, 450.0, 200.0), (120.0, 480.0, 220.0))
    found = free_lock(*asked(block))
    assert found.least.rack_mm == 0.0
    assert found.least.stopped_by.endswith("to block")
    assert found.collar_mm == 0.5 * RACK.travel_mm


def test_a_linkage_that_locks_stops_before_it():
    long = replace(RACK, travel_mm=230.0)
    case, design = asked(rack=long, limits=NO_CLEARANCE)
    found = free_lock(replace(case, travel=Travel(2.0, 2.0, 2.0)), design)
    assert LINKAGE in {stop.stopped_by for stop in found.stops}
    assert found.least.rack_mm < 115.0


def test_the_way_of_the_rack_is_that_of_the_mirror_image():
    """Both ways of one travel: the one wheel's stop is the other's, at the other angle."""
    found = free_lock(*asked(ON_ARM, tyre=TYRE))
    for left, right in zip(found.stops[::2], found.stops[1::2], strict=True):
        assert (left.rack_way, right.rack_way) == ("left", "right")
        assert left.rack_mm == pytest.approx(right.rack_mm, abs=1e-9)
        assert left.steer == pytest.approx(-right.steer, abs=1e-12)
        assert {left.wheel, right.wheel} in ({"left", "right"}, {"both"})
    assert POINTS.inner_joint[1] > 0.0


@pytest.mark.parametrize("side", ["left", "right"])
def test_what_is_on_one_side_of_the_car_stops_that_wheel_alone(side):
    """A post outboard of an outer joint, met where the rack goes that way."""
    post = (110.0, 690.0, 100.0), (110.0, 690.0, 320.0)
    if side == "right":
        post = tuple((x, -y, z) for x, y, z in post)
    item = KeepOut("post", "cylinder", *post, 12.0)
    case, design = asked(item, rack=replace(RACK, travel_mm=80.0))
    found = free_lock(case, design)
    met = [stop for stop in found.stops if stop.stopped_by.endswith("to post")]
    assert met
    assert {(stop.wheel, stop.rack_way) for stop in met} == {(side, side)}
    assert (found.least.wheel, found.least.rack_way) == (side, side)
    assert {stop.rack_mm for stop in found.stops if stop.rack_way != side} == {40.0}
