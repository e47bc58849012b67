"""One design as a part that is bolted down and driven: named points, drilling sheet, words.

Empty for a study that gives neither feet nor zones nor a column, and does not roll the rack.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.files import csv_text
from optimiser.evaluation.bolting import missing_for_feet, missing_for_pinion
from optimiser.evaluation.designs import ROLL
from optimiser.evaluation.quantities import amount
from optimiser.linkage.mirror import mirrored
from optimiser.linkage.vectors import norm, unit
from optimiser.metrics.laid_rack import roll_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import CadFrame, Hardpoints
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

DRILLING_COLUMNS = ("foot", "to", "distance_mm")
DRILLING_NOTE = (
    "straight distances from each foot's hole, at the design position, to check a hole by three "
    "tape measures before it is drilled"
)
_AXIS_MM = 30.0
"""How far an axis of a bolt is drawn to either side of its foot."""
_SHORT_MM = 1e-6
_SIDES = ("left", "right")


def is_asked(problem: Problem, rack: Rack) -> bool:
    """Whether anything of this room is to be said of a rack."""
    bolting = problem.bolting
    asked = bool(bolting.zones) or bolting.column is not None or ROLL in problem.space
    return asked or not missing_for_feet(rack)


def bolted_points(problem: Problem, design: Designs) -> dict[str, Array]:
    """Feet, end of the pinion and joints of the column of a design (a batch of one), by name.

    Body axes, mm, as far as they are known. `rack_foot_left` is the foot that ends on the left of
    this car. Of a single joint the place is the one on the steering wheel's shaft.
    """
    if not is_asked(problem, problem.racks[int(design.rack[0])]):
        return {}
    lies = problem.lay(design)
    found = {f"rack_foot_{side}": at for side, at in zip(_SIDES, lies.feet[0], strict=True)}
    found["rack_pinion_end"] = lies.pinion_end[0]
    if (driven := problem.drive(design, problem.solve(design))) is not None:
        found["column_upper_joint"] = driven.places.upper[0]
        if driven.column.joints == 2:
            found["column_lower_joint"] = driven.places.lower[0]
    return {name: at for name, at in found.items() if np.isfinite(at).all()}


def bolted_lines(problem: Problem, design: Designs) -> dict[str, Array]:
    """Axes of the feet's bolts and of the pinion, and shafts, by name, (2, 3) each, where known."""
    if not is_asked(problem, problem.racks[int(design.rack[0])]):
        return {}
    lies = problem.lay(design)
    reach = _AXIS_MM * unit(lies.bolt[0])
    found = {
        f"rack_foot_{side}_bolt": np.array([at - reach, at + reach])
        for side, at in zip(_SIDES, lies.feet[0], strict=True)
    }
    found["rack_pinion"] = np.array([lies.pinion_begin[0], lies.pinion_end[0]])
    if (driven := problem.drive(design, problem.solve(design))) is not None:
        names = ("wheel", "middle", "pinion") if driven.column.joints == 2 else ("wheel", "pinion")
        for name, (start, stop) in zip(names, driven.shafts(), strict=True):
            found[f"column_{name}_shaft"] = np.array([start[0], stop[0]])
    there = {name: line for name, line in found.items() if np.isfinite(line).all()}
    return {name: line for name, line in there.items() if norm(line[1] - line[0]) > _SHORT_MM}


def drilling_rows(problem: Problem, design: Designs) -> Iterator[tuple[str, str, float]]:
    """Foot, point and distance in mm: three of each foot, none where the feet are not known.

    To the lower front and the lower rear pivot of its side and the lower front pivot of the other.
    """
    points = bolted_points(problem, design)
    corner, _ = problem.corners(design)
    for side, other in zip(_SIDES, reversed(_SIDES), strict=True):
        foot = f"rack_foot_{side}"
        if foot not in points:
            continue
        for name, of in (
            ("lower_front_pivot", side),
            ("lower_rear_pivot", side),
            ("lower_front_pivot", other),
        ):
            pivot = _pivot(corner, name, of)
            to = name if of == "left" else f"right_{name}"
            yield foot, to, float(norm(pivot - points[foot]))


def _pivot(corner: Hardpoints, name: str, side: str) -> Array:
    at = np.atleast_2d(getattr(corner, name))[0]
    return at if side == "left" else mirrored(at)


def drilling_text(problem: Problem, design: Designs, title: str, caution: str) -> str:
    """The drilling sheet as CSV; empty where the feet are not known."""
    rows = [(foot, to, round(distance, 2)) for foot, to, distance in drilling_rows(problem, design)]
    return csv_text(DRILLING_COLUMNS, rows, (title, DRILLING_NOTE, caution)) if rows else ""


# --- in words ------------------------------------------------------------------------------------


def lies_words(problem: Problem, design: Designs) -> str:
    """How the rack lies: 'as made', 'turned end for end and rolled by 76 deg, top rearward'."""
    lies = problem.lay(design)
    roll = float(lies.roll_deg[0])
    way = "turned end for end" if lies.turned[0] else "as made"
    if not roll:
        return f"{way}, not rolled about its bar"
    return f"{way}, rolled about its bar {roll_words(roll)}"


def bolted_sentences(problem: Problem, design: Designs) -> Iterator[str]:
    """How its rack lies; nothing where it is not asked or not known."""
    rack = problem.racks[int(design.rack[0])]
    if is_asked(problem, rack) and rack.made_for is not None:
        yield f"The rack lies {lies_words(problem, design)}."
        yield from column_sentences(problem, design)


def column_sentences(problem: Problem, design: Designs) -> Iterator[str]:
    """How the column is put together; nothing without one, or of a rack of unknown pinion."""
    column, driven = problem.bolting.column, problem.drive(design, problem.solve(design))
    if column is None or driven is None or np.isnan(driven.places.upper_bend[0]):
        return
    at = {name: float(values[0]) for name, values in driven.metrics().items()}
    places, upper = driven.places, amount("column_upper_angle_deg", at["column_upper_angle_deg"])
    ahead = "lightest" if column.straight_ahead == "light" else "heaviest"
    fork = (
        f"with the wheels straight ahead set the pin of the fork on the steering wheel's shaft "
        f"{at['column_fork_deg']:.1f} deg from the plane of its bend, where the steering is at its "
        f"{ahead}; {_VIEW}"
    )
    ripple = amount("column_ripple_percent", at["column_ripple_percent"])
    if column.joints == 1:
        miss = amount("column_miss_mm", at["column_miss_mm"])
        yield (
            f"Column: one joint {places.upper_mm[0]:.1f} mm along the steering wheel's shaft, at "
            f"{upper}; the axes miss one another by {miss}; ripple {ripple}; {fork}."
        )
    else:
        free = amount("column_ripple_free_percent", at["column_ripple_free_percent"])
        yield (
            f"Column: upper joint {places.upper_mm[0]:.1f} mm along the steering wheel's shaft, at "
            f"{upper}, lower joint {places.lower_mm[0]:.1f} mm from the pinion housing, at "
            f"{amount('column_lower_angle_deg', at['column_lower_angle_deg'])}, middle shaft "
            f"{amount('column_shaft_mm', at['column_shaft_mm'])}; set its lower fork "
            f"{at['column_phase_stepped_deg']:.1f} deg from its upper fork (best "
            f"{at['column_phase_deg']:.1f}); ripple {ripple}, {free} at the best; {fork}."
        )
    yield _SHAFTS


_VIEW = "angles right-handed looking from the steering wheel to the pinion"
_SHAFTS = (
    "Use joints and shafts made for steering, with every clamp bolt through its groove; mark the "
    "forks before they come apart, and turn from lock to lock by hand before driving."
)


def bolt_sentences(problem: Problem, design: Designs, frame: CadFrame) -> Iterator[str]:
    """Which way its feet's bolts point; nothing where it is not asked or not known."""
    bolt = problem.lay(design).bolt[0]
    if is_asked(problem, problem.racks[int(design.rack[0])]) and np.isfinite(bolt).all():
        way = unit(bolt @ frame.rotation)
        tilt = float(problem.laid_numbers(design)["foot_bolt_tilt_deg"][0])
        yield (
            f"The bolts of its feet point along ({', '.join(f'{v + 0.0:.4f}' for v in way)}) in "
            f"CAD axes, {tilt:.1f} deg off the nearest of these."
        )


def silent_notes(problem: Problem, rack: Rack) -> Iterator[str]:
    """What of a rack is not judged since the catalogue does not say, a sentence each."""
    bolting = problem.bolting
    if bolting.zones and (column := missing_for_feet(rack)):
        yield f"where its feet stand is not judged: the catalogue gives no {column}"
    rolled = ROLL in problem.space
    if (bolting.column or rolled) and (column := missing_for_pinion(rack)):
        what = "its column" if bolting.column else "where its pinion faces"
        yield f"{what} is not judged: the catalogue gives no {column}"
