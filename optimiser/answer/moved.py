"""What is moved of the suspension in a design, in words and as notes for whoever builds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.run_result import coordinate_text
from optimiser.evaluation.moves import DIRECTIONS
from optimiser.evaluation.quantity import rounded

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.moves import Mover
    from optimiser.evaluation.problem import Problem

NOT_CHECKED = (
    "Not checked: pick-ups of spring, damper and anti-roll bar, driveshafts and brake lines that "
    "are not among the study's keep-outs; moved arms before the tyre and before parts that move; "
    "nor whether chassis, arms and uprights can be made so, nor what they carry. Whatever is fixed "
    "to a point that moves has to move or be made anew."
)
_SIDES = (("forward", "back"), ("outboard", "inboard"), ("up", "down"))
_SAID_MM = 0.05


@dataclass(frozen=True, slots=True)
class Move:
    """How far one point moves, mm in the car's directions."""

    point: str
    forward_mm: float
    outboard_mm: float
    up_mm: float

    @property
    def distance_mm(self) -> float:
        """As the crow flies."""
        return float(np.sqrt(self.forward_mm**2 + self.outboard_mm**2 + self.up_mm**2))


def moves_of(problem: Problem, design: Designs) -> list[Move]:
    """Points that a design (a batch of one) moves, in the order of the study."""
    suspension = problem.suspension
    if suspension is None or not problem.moves(design).any():
        return []
    shifts = suspension.shifts(problem.moves(design))
    return [Move(name, *shift[0].tolist()) for name, shift in shifts.items() if np.any(shift)]


def moves_words(problem: Problem, design: Designs | None) -> str:
    """'lower_pivots (both, parallel) 11.0 mm inboard and 1.1 mm down'; or 'nothing'."""
    suspension = problem.suspension
    if suspension is None or design is None:
        return "nothing"
    moves, found = problem.moves(design)[0], []
    for number, mover in enumerate(suspension.movers):
        steps = [
            f"{rounded(abs(value), 1)} mm {_SIDES[axis][value < 0.0]}"
            for value, (owner, axis) in zip(moves.tolist(), suspension.columns, strict=True)
            if owner == number and abs(value) >= _SAID_MM
        ]
        if steps:
            found.append(f"{_entry(mover)} {' and '.join(steps)}")
    if not found and moves.any():
        return f"points by less than {_SAID_MM:g} mm"
    return ", ".join(found) or "nothing"


def _entry(mover: Mover) -> str:
    return f"{mover.name} (both, parallel)" if len(mover.points) > 1 else mover.name


def moved_sentences(problem: Problem, design: Designs) -> Iterator[str]:
    """Which points are elsewhere than drawn, a line each, and what was not looked at."""
    moves = moves_of(problem, design)
    for move in moves:
        steps = (move.forward_mm, move.outboard_mm, move.up_mm)
        words = zip(DIRECTIONS, map(coordinate_text, steps), strict=True)
        yield f"MOVED {move.point}: {', '.join(' '.join(pair) for pair in words)} mm from drawn"
    if moves:
        yield NOT_CHECKED
