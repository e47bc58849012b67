"""Words of the report: what each number is called, how it is written, and what was assumed."""

from __future__ import annotations

import datetime
import math
from typing import TYPE_CHECKING

from optimiser.answer.wanted import bump_note, wanted_toe_text
from optimiser.evaluation.quantities import quantity
from optimiser.evaluation.quantity import rounded
from optimiser.metrics.mounting import DIRECTION_CAUTION

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.problem import Objectives, Problem

BLANK = "–"

CAUTIONS = (
    "Every number here is an estimate from points and lengths. None of it approves a part, a "
    "weld, a bracket or a car.",
    "Do not weld, heat or bend steering parts, and do not shorten a rack or a rod by welding; use "
    "parts made for the length that is needed.",
    "Give each joint its full thread engagement and lock it; spacers lengthen the lever on the "
    "rack's end, so have them judged with it.",
    "Fit positive stops: the linkage must never pass its toggle, nor a tyre touch anything.",
    "Before driving, with the car on stands: sweep the whole wheel travel and lock by hand, look "
    "and measure for clearance.",
    DIRECTION_CAUTION,
    "Measure bump steer on the finished car. Brackets that bend under load move the rack further "
    "than any tolerance named here.",
    "The rules for built or modified cars where you live decide, and a qualified person inspects "
    "the car before it is used on a road.",
)

ORIGINS = {
    "earlier": "taken from an earlier result",
    "seed": "placed by the ideal inner joint before the search",
    "search": "found by the search",
    "refined": "polished from what was found",
}


def date_words(iso: str) -> str:
    """A date and time as written in `run.json`, as people write it; empty when there is none."""
    try:
        moment = datetime.datetime.fromisoformat(iso)
    except ValueError:
        return ""
    return f"{moment.day} {moment:%B %Y, %H:%M}"


def number(value: float | None, digits: int) -> str:
    """A number with fixed digits (`rounded`), or a dash where it is not known."""
    if value is None or not math.isfinite(value):
        return BLANK
    return rounded(value, digits).replace("-", "−")


def front_axes(objectives: Objectives) -> tuple[str, str]:
    """What the axes of a front show: the numbers that acceptable values are held against."""
    bump, error = "bump steer over the travel", "Ackermann error up to lock"
    if objectives.bump_steer == "with tolerances":
        bump = quantity("bump_steer_p95_deg").words
    if objectives.ackermann_error == "with tolerances":
        error = quantity("ackermann_error_p95_deg").words
    return bump, error


def front_caption(objectives: Objectives) -> str:
    """What the points of a front are."""
    words = [quantity(name).words for name in objectives.names]
    rms = "rms" in (objectives.bump_steer, objectives.ackermann_error)
    if len(words) == 2 and not rms:
        points = "beats in both."
    else:
        points = (
            f"beats in all that was made small: {'; '.join(words)}. Of these the picture shows "
            f"{'the greatest bump steer and Ackermann error' if rms else 'the first two'} only, so "
            "that a point may lie above and to the right of a better one."
        )
    also = [quantity(name).words for name in objectives.judged_only.extra]
    verb = "are" if len(also) > 1 else "is"
    shaded = f" where {' and '.join(also)} {verb} acceptable as well" if also else ""
    return (
        f"Each point is a design that no other of the same rack {points} Points that would lie on "
        f"each other are left out. The shaded corner is acceptable{shaded}, for a rack whose hand "
        "suits the driver, see the table of racks. Another than the ringed one: optimiser pick."
    )


def assumptions(problem: Problem) -> Iterator[str]:
    """What the numbers rest on and leave out, a sentence each, as far as it touches the study."""
    if problem.stiffness is None and problem.play is None:
        yield (
            "All parts are rigid and all joints free of play: bushes, brackets and arms that give "
            "under load are not in the numbers."
        )
    else:
        yield (
            "But for the toe budget all parts are rigid and all joints free of play. What gives "
            "way under load is estimated linearly from the stiffness the study states, tyres, "
            "body and the car's springs not counted; the steering arm is taken as a straight "
            "round bar of steel. Measure a stiffness where you can."
        )
    yield (
        "The car is symmetrical. Wheel travel is the vertical motion of the wheel centre against "
        "the body, one wheel at a time, with the rack held."
    )
    if problem.car.ride_heights_mm:
        yield (
            "At other ride heights toe stays as set at the drawn one, and the wheel goes between "
            "the same stops; where the dampers are moved too, widen [travel]. Cars built to "
            "tolerances and loads are of the drawn height."
        )
    toe = "departure of toe from the wanted one" if wanted_toe_text(problem) else "change of toe"
    yield (
        f"Bump steer is the {toe} of one wheel over the whole travel, rack at centre. "
        "Ackermann error is the outer wheel's angle less the wanted one, both counted from the "
        "straight-ahead setting, so static toe is not in it; tyre slip is not considered."
    )
    if note := bump_note(problem):
        yield note
    yield (
        "Limits are judged over the poses of the travel grid and at the ends and halves of the "
        "rack, not in every pose between."
    )
    if problem.steering.stops == "rack":
        yield "The rack's own travel ends the steering; there are no stops on the uprights."
    elif problem.steering.stops == "collars":
        yield (
            "Collars on the rack end the steering. Limits are judged up to the required lock, and "
            "how far it may go beyond it, in free_lock.csv, at every wheel travel of either wheel; "
            "what the collars have to carry is not computed."
        )
    else:
        yield (
            "Stops at the required lock end the steering, or the rack where it ends before them; "
            "what the stops have to carry is not computed."
        )
    if "clearance_mm" in problem.constraint_names:
        rest = "Brackets" if problem.has_tyre else "Tyres, brackets"
        yield (
            "Clearance takes tie rods, joints, arms and housings as round bars, and checks only "
            f"what the study gives a thickness or a place. {rest}, hoses and "
            f"{_column_left_out(problem)} are not in it."
        )
        if any(item.moves for item in problem.room.keep_outs):
            yield (
                "Parts that move with arms, upright or rack are measured to the steering, as rigid "
                "as given; not to each other, nor to the arms."
            )
    else:
        yield "Clearance is not checked: the study names no keep-outs and no thicknesses."
    if problem.has_tyre:
        yield (
            "The tyre is the free one, a ring that steers, cambers and travels with the upright. "
            "It is not deflected, does not grow with speed, and is not measured to the ground "
            "nor to what lies inside its own wheel."
        )
    if problem.bolting.column is not None:
        yield (
            "The column is of rigid shafts on fixed bearings and joints without play; couplings, "
            "bearings, a collapsible part and what the shafts have to carry are not in it."
        )
    if problem.loads is None:
        yield "No loads are estimated: the study has no [loads] table."
        return
    yield (
        "Parked, the tyres take Gough's moment for a tyre turned on the spot, and the car is "
        "lifted as the wheels steer, its springs as long as at rest, each wheel's load the same; "
        "of both rods and both ways the harder counts. Friction in joints and seals, inertia and "
        "any servo are left out. What returns the wheels is that of a standing car: driving, the "
        "tyres do more, and some cars never return by themselves when parked."
    )
    if problem.loads.lateral_load_n is None:
        yield "There is no cornering case: the study gives no lateral_load_n."
    if problem.materials.tie_rod is not None:
        yield (
            "Buckling takes the tie rod as a straight bar with pinned ends, spacers counted in "
            "where their section is given; kerb strikes are not in it."
        )


def _column_left_out(problem: Problem) -> str:
    """What of the steering column has no clearance."""
    column = problem.bolting.column
    measured = column is not None and column.shaft_diameter_mm is not None
    return "the forks of the column's joints" if measured else "the steering column"
