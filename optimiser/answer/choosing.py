"""Which of the racks' own compromises wins."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.held import accepted_values
from optimiser.base.front import best_ratio
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.study.tables import Prefer

    Indices = NDArray[np.intp]

SMALL_SHARE = 0.1
"""A difference up to this share of what is acceptable does not decide between racks."""


def how_chosen(problem: Problem, prefer: Prefer) -> str:
    """How the winner was chosen, in words."""
    if prefer == "best":
        return (
            "How it was chosen: of the designs that no other beats in every objective it is the "
            f"one {_rule(problem)} Price does not count, as the study wants it. Racks of the wrong "
            "hand stand back."
        )
    return (
        f"How it was chosen: of each rack the design counts {_rule(problem)} Of the racks whose "
        f"{worse_words(problem)} is within a tenth of what you accept of the best one's, the "
        "cheapest wins, racks without a price last; then the lighter, then the better. Racks of "
        "the wrong hand stand back."
    )


def how_nearest(problem: Problem) -> str:
    """Why a design that is not acceptable is named as the nearest."""
    return (
        "Why this is the nearest: of the designs within the limits it is the one "
        f"{_rule(problem)} Racks of the wrong hand stand back."
    )


def worse_words(problem: Problem) -> str:
    """What the greatest of the ratios is called: of two numbers the worse, of more the worst."""
    return "worse number" if len(accepted_values(problem)) == len(JUDGED) else "worst number"


def _rule(problem: Problem) -> str:
    """The rule for the winner in words, every number that counts named."""
    counted = [quantity(name) for name in accepted_values(problem)]
    names = [one.words for one in counted]
    more = [one.words for one in counted if one.better == "more"]
    turned = f" (of {' and '.join(more)} what you accept as a share of it)" if more else ""
    together = "both" if len(counted) == len(JUDGED) else "all"
    return (
        f"whose {worse_words(problem)}, {', '.join(names[:-1])} or {names[-1]} as a share of what "
        f"you accept{turned}, is least; of those worse by no more than a hundredth of what you "
        f"accept, the one with the least of {together} together."
    )


def worst_ratios(evaluation: Evaluation, problem: Problem) -> Array:
    """The worst of what is judged as shares of what is acceptable, (N,); `Problem.ratios`."""
    return np.asarray(problem.ratios(evaluation).max(axis=1))


def best_of(problem: Problem, evaluation: Evaluation, rows: Sequence[int] | Indices) -> int:
    """The row of the least worst ratio among some (`best_ratio`), which may not be empty."""
    ratios = problem.ratios(evaluation)[rows]
    return int(rows[best_ratio(ratios, np.ones(ratios.shape[1]))])


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
