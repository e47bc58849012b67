"""Which of the racks' own compromises wins."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.study.tables import Prefer

SMALL_SHARE = 0.1
"""A difference up to this share of what is acceptable does not decide between racks."""
_OWN = (
    "whose worse number, bump steer or Ackermann error as a share of what you accept, is least; of "
    "those worse by no more than a hundredth of what you accept, the one with the least of both "
    "together."
)
HOW_CHOSEN: dict[Prefer, str] = {
    "cheapest": (
        f"How it was chosen: of each rack the design counts {_OWN} Of the racks whose worse number "
        "is within a tenth of what you accept of the best one's, the cheapest wins, racks without "
        "a price last; then the lighter, then the better. Racks of the wrong hand stand back."
    ),
    "best": (
        "How it was chosen: of the designs that no other beats in every objective it is the one "
        f"{_OWN} Price does not count, as the study wants it. Racks of the wrong hand stand back."
    ),
}
HOW_NEAREST = (
    "Why this is the nearest: of the designs within the limits it is the one "
    f"{_OWN} Racks of the wrong hand stand back."
)


def worst_ratios(evaluation: Evaluation, problem: Problem) -> Array:
    """The worse of bump steer and Ackermann error as shares of what is acceptable, (N,)."""
    return np.asarray((evaluation.judged / problem.acceptable).max(axis=1))


def cheapest_near_best(
    problem: Problem, designs: Designs, evaluation: Evaluation, rows: Sequence[int]
) -> int:
    """The row of the cheapest rack that is acceptable and as good as the best within a tenth.

    Args:
        problem: the question.
        designs: every design.
        evaluation: its outcome.
        rows: a design of each rack that may win; one of them is acceptable.

    Returns:
        Of those whose worst ratio is at most 1 and at most `SMALL_SHARE` above the least, the one
        of the least price, then of the least mass, then of the least ratio; what is not known
        comes last.
    """
    worst = worst_ratios(evaluation, problem)
    limit = min(1.0, min(worst[row] for row in rows) + SMALL_SHARE)

    def key(row: int) -> tuple[float, float, float]:
        price = problem.racks[int(designs.rack[row])].price
        mass = float(evaluation.metrics["mass_kg"][row])
        return (
            np.inf if price is None else price,
            mass if np.isfinite(mass) else np.inf,
            float(worst[row]),
        )

    return min((row for row in rows if worst[row] <= limit), key=key)
