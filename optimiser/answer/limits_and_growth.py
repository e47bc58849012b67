"""What a run says about itself: what limits the chosen design, and how the search grew."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.front import hypervolume, non_dominated
from optimiser.evaluation.problem import Range, Stock
from optimiser.evaluation.quantities import limit_words, quantity
from optimiser.evaluation.quantity import rounded
from optimiser.evaluation.wants import bound_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen, RunResult
    from optimiser.linkage.vectors import Array

BINDING_MM, BINDING_DEG = 0.5, 0.5
BINDING_SHARE = 0.05
"""The same of a limit on any quantity, as a share of it where that is less."""
LEANING_SHARE = 0.01
_DIGITS = 2  # of what is left of a limit, or more where its quantity has more
REFERENCE = 4.0
"""The hypervolume's reference box reaches from 0 to so many times the acceptable values."""
_SAMPLES = 80


# --- what limits the chosen design ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit of a design.

    Attributes:
        name: of the limit, with its unit.
        words: what it is.
        left: how much is left; negative when it is broken; NaN when it could not be judged.
        unit: of `left`.
        binding: hardly any is left.
        digits: of `left`, in what people read.
    """

    name: str
    words: str
    left: float
    unit: str
    binding: bool
    digits: int = 2

    def amount(self, value: float) -> str:
        """So much of the limit's unit, as people read it."""
        return f"{rounded(value, self.digits)} {self.unit}".rstrip()


def limit_rows(chosen: Chosen) -> list[LimitRow]:
    """What is left of every limit in force, in their order."""
    rows, problem = [], chosen.problem
    for name, value, scale in zip(
        problem.constraint_names,
        chosen.outcome.constraints[0],
        problem.constraint_scales,
        strict=True,
    ):
        one = quantity(name)
        near = BINDING_DEG if one.unit == "deg" else BINDING_MM * scale
        if name in problem.bounds:
            near = min(near, BINDING_SHARE * bound_size(problem.bounds[name]))
        left, digits = -float(value), max(_DIGITS, one.digits)
        # Nothing is ever left of a limit of 0 on a distance that ends there.
        binding = not left > near if near > 0.0 else not left >= 0.0
        rows.append(LimitRow(name, limit_words(name), left, one.unit, binding, digits))
    return rows


def binding_sentences(chosen: Chosen) -> Iterator[str]:
    """The limits that stop the design from going further, a sentence each."""
    for row in limit_rows(chosen):
        if not row.binding:
            continue
        if row.left >= 0.0:
            yield f"{_upper(row.words)} is at its limit: {row.amount(row.left)} left."
        else:
            yield f"{_upper(row.words)} is broken by {row.amount(-row.left)}."


def leaning_sentences(chosen: Chosen) -> Iterator[str]:
    """The bounds of the study that the design leans on, a sentence each."""
    for name in chosen.problem.variables:
        choice, value = chosen.problem.space[name], float(chosen.design.column(name)[0])
        words, unit = _upper(quantity(name).words), quantity(name).unit
        if isinstance(choice, Range):
            near = LEANING_SHARE * (choice.high - choice.low)
            for end, bound in (("lower", choice.low), ("upper", choice.high)):
                if abs(value - bound) <= near:
                    yield (
                        f"{words} is at its {end} limit of the study ({bound:g} {unit}): "
                        "widening it may help."
                    )
        elif isinstance(choice, Stock) and len(choice.values) > 1:
            if value == max(choice.values):
                yield f"{words} is the greatest listed ({value:g} {unit}): more may help."
            elif value == min(choice.values) and value > 0.0:
                yield f"{words} is the least listed ({value:g} {unit}): less may help."


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


# --- how the search grew -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Growth:
    """Hypervolume of the front of one search against the designs tried.

    Attributes:
        name: the rack, and the repeat where there are several.
        tried: (n,), from 0 to all.
        share: per cent of the reference box, (n,).
        searched: how many were tried before the refinement, which only polishes.
    """

    name: str
    tried: Array
    share: Array
    searched: int

    @property
    def last_gain(self) -> float:
        """Part of the final hypervolume that the last quarter of the search brought.

        The refinement's own gain is not counted: it says nothing about a longer search.
        """
        if not self.share[-1] > 0.0:
            return 0.0
        before, after = np.interp(
            [0.75 * self.searched, self.searched], self.tried, self.share
        ).tolist()
        return float((after - before) / self.share[-1])


def growth(result: RunResult) -> list[Growth]:
    """How each search's front grew, in bump steer and Ackermann error, within the limits."""
    reference = REFERENCE * result.problem.acceptable
    box = float(np.prod(reference))
    found, seen = [], dict.fromkeys(range(len(result.problem.racks)), 0)
    for unit in result.units:
        seen[unit.rack] += 1
        name = result.problem.racks[unit.rack].name
        if seen[unit.rack] > 1:
            name += f", repeat {seen[unit.rack]}"
        values = unit.evaluation.objectives[:, :2]
        usable = unit.evaluation.feasible & (values < reference).all(axis=1)
        count = len(usable)
        cuts = np.unique(np.linspace(0, count, min(count, _SAMPLES) + 1).astype(int))
        kept, shares = np.empty((0, 2)), [0.0]
        for start, stop in itertools.pairwise(cuts):
            new = values[start:stop][usable[start:stop]]
            if len(new):
                kept = np.concatenate([kept, new])
                kept = kept[non_dominated(kept)]
            shares.append(100.0 * hypervolume(kept, reference) / box if len(kept) else 0.0)
        own = np.flatnonzero(unit.origin != "refined")
        searched = int(own[-1]) + 1 if len(own) else 0
        found.append(Growth(name, cuts.astype(float), np.array(shares), searched))
    return found
