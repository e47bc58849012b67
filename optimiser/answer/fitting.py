"""What fitting a design's rack asks of the builder beyond its points, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.answer.bolted import bolted_sentences
from optimiser.answer.kept_rods import kept_rod_sentences
from optimiser.answer.moved import moved_sentences

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Problem


def fitting_sentences(problem: Problem, design: Designs, outcome: Evaluation) -> Iterator[str]:
    """What is moved, what its own tie rods mean where they are kept, and how it has to lie.

    Nothing where a rack lies as made, its rods are made to measure, and nothing is said of feet,
    roll or column.
    """
    yield from moved_sentences(problem, design)
    yield from kept_rod_sentences(problem, design, outcome)
    yield from direction_sentences(problem, design)
    yield from bolted_sentences(problem, design)


def direction_sentences(problem: Problem, design: Designs) -> Iterator[str]:
    """That its rack must be turned, is of the wrong hand, or that this is not known."""
    hand = problem.hands[int(design.rack[0])]
    if not hand.needs_saying:
        return
    begin = "WRONG HAND: the rack" if hand.opposite_hand_needed else "Direction and hand:"
    yield f"{begin} {hand.sentence}."
