"""What a study wants of toe over travel and of the outer wheel, in words and numbers.

Nothing is said of a study that wants toe to stay, accepts the same at every travel, and gives an
Ackermann target.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.corner_numbers import corner_numbers
from optimiser.evaluation.quantities import quantity
from optimiser.metrics.wanted import Curve

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.kinematic import BumpSteer

_DIGITS = 3
_NEAR_MM = 1e-6


def accepted_bump_text(problem: Problem) -> str:
    """'0.1 deg', or '0.05 deg to 30 mm and 0.15 deg to 60 mm from rest'."""
    bands = problem.steering.wanted_toe.bands
    if not bands:
        return f"{problem.acceptable[0]:g} deg"
    parts = [f"{np.degrees(value):g} deg to {edge:g} mm" for edge, value in bands]
    return f"{', '.join(parts[:-1])}{' and ' if parts[:-1] else ''}{parts[-1]} from rest"


def wanted_toe_text(problem: Problem) -> str:
    """What toe is wanted to do over travel; empty where it is to stay."""
    wanted, grid = problem.steering.wanted_toe, problem.travel.grid()
    if wanted.is_none:
        return ""
    low, high = np.degrees(wanted.change(grid[[0, -1]]))
    ends = " and ".join(
        f"{value:+.{_DIGITS}f} deg at {at:+g} mm"
        for value, at in ((low, grid[0]), (high, grid[-1]))
    )
    if wanted.curve is None:
        return f"{np.degrees(wanted.gradient) * 1000.0:+g} deg/m of toe-in, {ends}"
    return f"toe-in by the curve of the study, {ends}"


def ride_heights_text(problem: Problem) -> str:
    """'-20, +15 mm'; empty where the study names none."""
    heights = ", ".join(f"{height:+g}" for height in problem.car.ride_heights_mm)
    return f"{heights} mm" if heights else ""


def wanted_outer_name(problem: Problem) -> str:
    """What the study gives for the outer wheel."""
    curve = isinstance(problem.steering.ackermann_target, Curve)
    return "wanted outer angle" if curve else "Ackermann target"


def wanted_outer_text(problem: Problem) -> str:
    """What is wanted of the outer wheel."""
    target, lock = problem.steering.ackermann_target, problem.steering.inner_lock
    if isinstance(target, Curve):
        outer, inner = np.degrees([float(target(lock)), lock])
        return f"by the curve of the study, {outer:.2f} deg with the inner one at {inner:.2f}"
    return f"{target:g} (1 pure rolling, 0 parallel)"


def wanted_outer_heading(problem: Problem) -> str:
    """The same over a figure."""
    target = problem.steering.ackermann_target
    if isinstance(target, Curve):
        return f"Outer wheel wanted {wanted_outer_text(problem)} deg"
    return f"Ackermann target {target:g}: 1 is pure rolling, 0 parallel wheels"


def bump_note(problem: Problem) -> str:
    """What bump steer means for this study; empty where it is the change of toe from rest."""
    wanted, toe, parts = problem.steering.wanted_toe, wanted_toe_text(problem), []
    if toe:
        parts.append(f"Bump steer is the departure of toe from what is wanted: {toe}.")
    if len(wanted.bands) > 1:
        parts.append(
            f"Accepted is bump steer within {accepted_bump_text(problem)}; in bump steer over the "
            "whole travel what lies within a narrower band counts in proportion, "
            + " and ".join(
                f"{wanted.bands[-1][1] / value:.3g} times to {edge:g} mm"
                for edge, value in wanted.bands[:-1]
            )
            + "."
        )
    return " ".join(parts)


@dataclass(frozen=True, slots=True)
class BandNumber:
    """Bump steer as it is, up to the edge of one band.

    Attributes:
        words: what it is.
        value: greatest departure of toe up to there, degrees; NaN where a pose is missing.
        accepted: what is accepted up to there, degrees.
    """

    words: str
    value: float
    accepted: float

    @property
    def text(self) -> str:
        """The value with its unit, with digits that tell it from what is accepted."""
        return quantity("bump_steer_deg").against(self.value, self.accepted)


def band_numbers(problem: Problem, bump: BumpSteer) -> Iterator[BandNumber]:
    """Bump steer of one corner up to each band's edge; none where all travel is alike."""
    bands, grid = problem.steering.wanted_toe.bands, problem.travel.grid()
    size: Array = np.abs(np.degrees(bump.departure))
    for edge, accepted in bands if len(bands) > 1 else ():
        inside = np.abs(grid) <= edge + _NEAR_MM
        yield BandNumber(
            f"{quantity('bump_steer_deg').words} to {edge:g} mm from rest",
            float(size[inside].max()),
            float(np.degrees(accepted)),
        )


def asked_of(problem: Problem, points: Hardpoints) -> str:
    """`bump_note`, and what an unbatched corner comes to up to each band's edge."""
    parts = [bump_note(problem), bands_text(problem, points)]
    return " ".join(part for part in parts if part)


def bands_text(problem: Problem, points: Hardpoints) -> str:
    """Bump steer of an unbatched corner up to each band's edge; empty where all is alike."""
    if len(problem.steering.wanted_toe.bands) < 2:
        return ""
    numbers = band_numbers(problem, corner_numbers(problem, points).bump)
    return (
        f"As it is: {'; '.join(f'{n.words} {n.text}, {n.accepted:g} accepted' for n in numbers)}."
    )


def corridors(problem: Problem) -> list[tuple[Array, Array, Array]]:
    """Where toe is accepted over travel, each band by itself: (travel, least, greatest), degrees.

    One piece where the same is accepted at every travel.
    """
    wanted, grid = problem.steering.wanted_toe, problem.travel.grid()
    bands = wanted.bands or ((np.inf, problem.steering.acceptable_bump_steer),)
    pieces, inner = [], 0.0
    for edge, accepted in bands:
        size = np.abs(grid)
        here = (size >= inner - _NEAR_MM) & (size <= edge + _NEAR_MM)
        for side in (here & (grid <= 0.0), here & (grid >= 0.0)) if inner else (here,):
            middle = wanted.change(grid[side])
            if len(middle) > 1:
                low, high = np.degrees(middle - accepted), np.degrees(middle + accepted)
                pieces.append((grid[side], np.asarray(low), np.asarray(high)))
        inner = edge
    return pieces
