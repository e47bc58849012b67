"""What a design comes to, against what the study calls acceptable: a row for each such number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import quantity
from optimiser.evaluation.wants import accepted_bound, bound_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.asked import Bound
    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.evaluation.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Held:
    """A number of a design that the study says what is acceptable of.

    Attributes:
        one: the quantity.
        value: what the design has; of bump steer and Ackermann error what is judged, see
            `Evaluation.judged`.
        accepted: what is acceptable.
    """

    one: Quantity
    value: float
    accepted: float

    @property
    def at_least(self) -> bool:
        """Whether more of it is better."""
        return self.one.better == "more"

    @property
    def bound(self) -> Bound:
        """What is acceptable as a bound."""
        return accepted_bound(self.one.name, self.accepted)

    @property
    def kept(self) -> bool:
        """Whether it is acceptable; what is not known is not."""
        return self.bound.kept(self.value)

    @property
    def wanted(self) -> str:
        """What is acceptable: 'at most 0.1 deg'."""
        return bound_words(self.bound)


def accepted_values(problem: Problem) -> dict[str, float]:
    """What the study calls acceptable, by column: bump steer, Ackermann error, then the others."""
    asked = problem.objectives
    found = dict(zip(JUDGED, problem.acceptable.tolist(), strict=True))
    for name, accepted in zip(asked.extra, asked.accepted_of_extra, strict=True):
        if accepted is not None:
            found[name] = accepted
    return found


def held(problem: Problem, outcome: Evaluation, row: int = 0) -> Iterator[Held]:
    """Every number of a design that is held against an acceptable value, in that order."""
    judged = dict(zip(JUDGED, outcome.judged[row].tolist(), strict=True))
    for name, accepted in accepted_values(problem).items():
        value = judged[name] if name in judged else float(outcome.metrics[name][row])
        yield Held(quantity(name), value, accepted)


def bounded_values(
    problem: Problem, designs: Designs, outcome: Evaluation, row: int = 0
) -> Iterator[tuple[Bound, float]]:
    """The study's limits on any quantity, but for those of `held`, and what a design comes to."""
    accepted = accepted_values(problem)
    for name, bound in problem.bounds.items():
        if name not in accepted:
            yield bound, float(problem.bounded(name, designs, outcome.metrics)[row])
