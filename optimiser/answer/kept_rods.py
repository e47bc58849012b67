"""What it means for the car that the tie rods sold with a rack are kept, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.kinematic import wheel_attitude
from optimiser.metrics.mounting import thread_left

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Rack

_SAME_MM = 0.05  # below the digit that is printed


def kept_rod_sentences(problem: Problem, design: Designs, outcome: Evaluation) -> Iterator[str]:
    """The new track, how far the arms' pivots move, and a thread that is used up.

    Nothing where the study does not keep the rods, or the design (a batch of one) does not
    assemble.
    """
    if not (problem.steering.keep_tie_rods and outcome.assembles[0]):
        return
    rack = problem.racks[int(design.rack[0])]
    growth = float(outcome.metrics["track_growth_mm"][0])
    drawn = drawn_track_mm(problem)
    begin = f"The tie rods sold with {rack.name} are kept, and the track between the contact points"
    if abs(growth) < _SAME_MM:
        yield f"{begin} stays {drawn:.1f} mm, as drawn."
    else:
        wider, way = ("wider", "outboard") if growth > 0.0 else ("narrower", "inboard")
        yield (
            f"{begin} becomes {drawn + growth:.1f} mm, {abs(growth):.1f} mm {wider} than drawn: on "
            f"each side both arms' pivots, upright and wheel move {abs(growth) / 2.0:.1f} mm {way}."
        )
    yield from _thread(rack, float(outcome.metrics["tie_rod_length_mm"][0]))


def drawn_track_mm(problem: Problem) -> float:
    """Distance between the contact points of the car as drawn, at rest."""
    attitude = problem.car.attitude
    rest = solve_linkage(problem.points, 0.0, 0.0, attitude)
    return float(2.0 * wheel_attitude(rest, attitude.loaded_radius_mm).contact[..., 1])


def _thread(rack: Rack, length_mm: float) -> Iterator[str]:
    sold, range_mm = rack.tie_rod_length_mm, rack.tie_rod_adjustment_mm
    if sold is None:
        return
    if not range_mm:
        yield (
            f"Its rods are taken at the {sold:.1f} mm sold: the catalogue gives no "
            "tie_rod_adjustment_mm, so that no thread is counted on to set toe."
        )
        return
    left = thread_left(length_mm, sold, range_mm)
    if left < _SAME_MM:
        out, further = ("out", "longer") if length_mm > sold else ("in", "shorter")
        engaged = ", and see that the thread is fully engaged there" if out == "out" else ""
        yield (
            f"Its rods are then screwed {out} to the end of their thread, {length_mm:.1f} mm "
            f"between the joints, {range_mm:g} mm {further} than sold: none is left to set toe "
            f"that way{engaged}."
        )
