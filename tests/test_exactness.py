"""What else breaks where one dimension is off: limits and Ackermann error beside bump steer."""

from dataclasses import replace

import numpy as np
import pytest
from packaging_case import RACK, problem

from optimiser.answer.exactness import (
    BAND_COLUMNS,
    SHIM_COLUMNS,
    accuracy,
    band_rows,
    shim_rows,
)
from optimiser.answer.one_off import one_off
from optimiser.evaluation.asked import KeepOut
from optimiser.evaluation.designs import VARIABLES, Designs
from optimiser.evaluation.problem import Room
from optimiser.evaluation.quantities import limit_words
from optimiser.metrics.kinematic import ackermann_error
from optimiser.metrics.ride_heights import ACKERMANN_NODES
from optimiser.metrics.tolerance import ADJUSTMENTS, adjusted_corner

ROD = Room(tie_rod_diameter_mm=14.0)
VARIABLE = {
    "rack height": "rack_height_mm",
    "rack fore-aft": "rack_fore_aft_mm",
    "spacer length": "spacer_mm",
    "arm length": "arm_length_mm",
    "arm height": "arm_height_mm",
}
"""The dimensions that are variables of a design too."""


def moved(design, name, by):
    values = design.values.copy()
    values[:, VARIABLES.index(VARIABLE[name])] += by
    return Designs(design.rack, values)


def asked_with(room=ROD, rack=RACK, ackermann_deg=1.0, **steering):
    steering = {
        "acceptable_bump_steer": np.radians(2.0),
        "acceptable_ackermann_error": np.radians(ackermann_deg),
        **steering,
    }
    asked = problem(room, (rack,), steering=steering)
    return asked, asked.designs(0, {})


def under_the_rod(gap_mm):
    """A bar across the car so far below the arm's end that 41 mm leave 5.2 to the rod."""
    return KeepOut("bar", "box", (60.0, 440.0, 100.0), (160.0, 500.0, 200.0 - gap_mm))


def test_every_place_is_judged_as_the_search_would():
    asked, design = asked_with(replace(ROD, keep_outs=(under_the_rod(41.0),)))
    error = asked.evaluate(design).metrics["ackermann_error_deg"][0]
    asked, design = asked_with(replace(ROD, keep_outs=(under_the_rod(41.0),)), RACK, error + 0.05)
    found, seen = one_off(asked, design), set()
    assert asked.evaluate(design).status[0] == "ok"
    assert found.itself == ""
    for name in VARIABLE:
        for off in (-10.0, -4.0, -1.0, -0.5, 0.5, 1.0, 3.0, 8.5):
            outcome = asked.evaluate(moved(design, name, off))
            text = found.at(name, off)
            broken = [
                limit
                for limit, excess in zip(
                    asked.constraint_names, outcome.constraints[0], strict=True
                )
                if excess > 0.0
            ]
            for limit in asked.constraint_names:
                assert (f"breaks {limit_words(limit)}" in text) == (limit in broken)
            value = outcome.metrics["ackermann_error_deg"][0]
            above = f"Ackermann error {value:.3f} deg, above {error + 0.05:g}"
            assert (above in text) == (value > asked.acceptable[1])
            seen |= {*broken, *(["Ackermann"] if value > asked.acceptable[1] else [])}
            if not broken and value <= asked.acceptable[1]:
                assert text == ""
    assert seen >= {"clearance_mm", "Ackermann"}


def test_a_shim_that_breaks_the_clearance_is_marked_in_tables_and_words():
    """Issue 12: little bump steer was offered where the clearance broke."""
    asked, design = asked_with(replace(ROD, keep_outs=(under_the_rod(41.0),)), RACK, 9.0)
    found = accuracy(asked, design)
    rows = [dict(zip(SHIM_COLUMNS, row, strict=True)) for row in shim_rows(found)]
    heights = [row for row in rows if row["dimension"] == "rack height"]
    for row in heights:
        status = asked.evaluate(moved(design, "rack height", row["offset_mm"])).status[0]
        assert (row["also_wrong"] == "breaks the clearance") == (status == "breaks clearance_mm")
    marks = [bool(row["also_wrong"]) for row in heights]
    assert 0 < sum(marks) < 9
    # Where the band goes on, the place where the clearance ends it is said.
    band = found.bands[0]
    step = next(
        off
        for off in np.arange(-0.5, -10.5, -0.5)
        if asked.evaluate(moved(design, "rack height", off)).status[0] != "ok"
    )
    assert band.low_mm < step
    assert found.words(band) == f"{band.text}; but at {step:+g} mm breaks the clearance"
    (bands, *_) = (dict(zip(BAND_COLUMNS, row, strict=True)) for row in band_rows(found))
    assert bands["in_words"] == found.words(band)
    assert bands["also_wrong_1mm_less"] == found.others.at("rack height", -1.0)
    # One millimetre from the place where it still is kept, the line of words has the mark.
    near = moved(design, "rack height", step + 0.5)
    lines = list(accuracy(asked, near).sentences())
    assert lines[0].startswith("rack height: ")
    assert lines[0].endswith(" deg (breaks the clearance)")


def test_a_design_that_is_not_acceptable_itself_says_so_first():
    asked, design = asked_with(ackermann_deg=0.01)
    found = accuracy(asked, design)
    error = asked.evaluate(design).metrics["ackermann_error_deg"][0]
    first, *others = found.sentences()
    assert first == f"the design itself: Ackermann error {error:.3f} deg, above 0.01"
    assert len(others) == len(ADJUSTMENTS)
    assert not any("; but at" in line for line in others)
    assert all(row[-1] for row in shim_rows(found))


def test_bump_steer_is_left_to_the_bands():
    asked, design = asked_with(ackermann_deg=9.0, acceptable_bump_steer=1e-6)
    assert one_off(asked, design).itself == ""


def test_a_place_where_nothing_fits_cannot_be_assembled():
    asked, design = asked_with(ackermann_deg=30.0)
    low = moved(design, "arm length", -55.0)
    found = one_off(replace(asked, limits=replace(asked.limits, toggle_margin=None)), low)
    texts = found.wrong["arm length"]
    status = [
        asked.evaluate(moved(low, "arm length", off)).status[0] for off in found.places_mm.tolist()
    ]
    for text, said in zip(texts, status, strict=True):
        assert (text == "cannot be assembled") == said.startswith("cannot assemble")
    assert "cannot be assembled" in texts


@pytest.mark.parametrize(("range_mm", "reaches"), [(0.0, False), (3.0, False), (200.0, True)])
def test_kept_rods_go_no_further_than_their_thread(range_mm, reaches):
    """A shim moves the inner joint; the rod's thread has to make good what that takes."""
    rack = replace(RACK, tie_rod_length_mm=330.0, tie_rod_adjustment_mm=range_mm)
    asked, design = asked_with(rack=rack, ackermann_deg=30.0, keep_tie_rods=True)
    found = one_off(asked, design)
    assert found.itself == ""
    # Sold 19 mm too long, it is screwed in to its end: what asks for less cannot be had.
    shorter, longer = found.at("spacer length", 1.0), found.at("spacer length", -1.0)
    assert ("the kept rods' thread does not reach" in shorter) == (not reaches)
    assert ("the kept rods' thread does not reach" in longer) == (range_mm == 0.0)


def test_the_track_of_kept_rods_is_that_of_the_design():
    rack = replace(RACK, tie_rod_length_mm=330.0, tie_rod_adjustment_mm=200.0)
    for length, text in ((330.0, ""), (530.0, "breaks the change of the track")):
        rods = replace(rack, tie_rod_length_mm=length + 20.0, tie_rod_adjustment_mm=20.0)
        asked, design = asked_with(rack=rods, ackermann_deg=60.0, keep_tie_rods=True)
        limits = replace(asked.limits, track_growth_mm=100.0, toggle_margin=None, clearance_mm=None)
        asked = replace(asked, limits=limits)
        assert text in one_off(asked, design).itself


def test_toe_that_stays_as_it_comes_is_judged_with_that_toe():
    name = "tie-rod length, toe not reset"
    asked, design = asked_with(ackermann_deg=0.01)
    found, points = one_off(asked, design), asked.corners(design)[0].select(0)
    for off in (-8.0, -3.5, 0.0, 2.0, 9.5):
        built = adjusted_corner(points, name, off, asked.conditions)
        attitude = built.attitude
        assert (abs(attitude.toe_in) > 0.01) == (off != 0.0)
        error = ackermann_error(
            built.points,
            attitude,
            wheelbase_mm=asked.car.wheelbase_mm,
            inner_lock=asked.steering.inner_lock,
            target=asked.steering.ackermann_target,
            nodes=ACKERMANN_NODES,
        ).largest
        assert f"Ackermann error {np.degrees(error):.3f} deg, above 0.01" in found.at(name, off)
