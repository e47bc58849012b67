"""What one design gives way under load: toe and camber, spring by spring, and what to stiffen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.held import accepted_values
from optimiser.metrics.compliance import NAMES, SPRINGS, needed_stiffness, rigid_parts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

LOST = NAMES[-1]
KN = 1000.0


@dataclass(frozen=True, slots=True)
class SpringRow:
    """One spring of a design.

    Attributes:
        name: as in `metrics.compliance.SPRINGS`.
        stiffness: N/mm, of the column at the rack, of a bar across its end; infinite where rigid.
        lost: what it gives of `steer_lost_per_kn_deg`.
        share: the same as a part of the whole; NaN where nothing gives way.
        needed: least stiffness that keeps what is lost to `GivingWay.most`, see
            `metrics.compliance.needed_stiffness`; NaN where the study does not say what that is.
    """

    name: str
    stiffness: float
    lost: float
    share: float
    needed: float


@dataclass(frozen=True, slots=True)
class GivingWay:
    """What a design gives way under load.

    Attributes:
        at_rest: numbers by their column, straight ahead.
        at_lock: the same with the rack at the required lock.
        springs: one row each.
        most: what of `steer_lost_per_kn_deg` is accepted; NaN where nothing says so.
        why: where that is from, in words.
        rigid: springs that are taken as rigid.
    """

    at_rest: dict[str, float]
    at_lock: dict[str, float]
    springs: tuple[SpringRow, ...]
    most: float
    why: str
    rigid: tuple[str, ...]


def giving_way(problem: Problem, design: Designs) -> GivingWay | None:
    """What a design (a batch of one) gives way; None where the study has no `[stiffness]`."""
    yielding = problem.yielding
    if yielding is None:
        return None
    solved = problem.solve(design)
    driven = problem.drive(design, solved)
    joined = None if driven is None else driven.of_pinion
    give = yielding.flexibility(design, solved, problem.racks, np.zeros(1), joined)
    rest = yielding.at_rest(design, solved, problem.racks, joined)
    lock = yielding.at_lock(design, solved, problem.racks, joined)
    by_unit = yielding.for_a_newton(solved)
    most, why = accepted_loss(problem)
    lost = sum(float(rows[-1, 0]) for rows in rest.values())
    springs = []
    for name in SPRINGS:
        soft = float(give[name][0]) if name in give else 0.0
        mine = float(rest[name][-1, 0]) if name in rest else 0.0
        stiffness = 1.0 / soft if soft else np.inf
        part = mine if soft else float(by_unit[name][-1, 0])
        needed = np.nan if np.isnan(most) else needed_stiffness(lost, part, stiffness, most)
        share = mine / lost if lost else np.nan
        springs.append(SpringRow(name, stiffness, mine, share, needed))
    return GivingWay(
        at_rest=_summed(rest),
        at_lock=_summed(lock),
        springs=tuple(springs),
        most=most,
        why=why,
        rigid=tuple(rigid_parts(give)),
    )


def _summed(rows: Mapping[str, Array]) -> dict[str, float]:
    total = sum((value[:, 0] for value in rows.values()), np.zeros(len(NAMES)))
    return dict(zip(NAMES, total.tolist(), strict=True))


def accepted_loss(problem: Problem) -> tuple[float, str]:
    """What may be lost, deg/kN, and in words why: the study's limit, or else its bump steer.

    Without a limit on what is lost, the axle's side force of the study may cost no more steer than
    is accepted of bump steer: then neither is worth more work than the other.
    """
    bound = problem.bounds.get(LOST)
    limits = [] if bound is None or bound.most is None else [bound.most]
    limits += [value for name, value in accepted_values(problem).items() if name == LOST]
    if limits:
        return min(limits), f"at most {min(limits):g} deg/kN wanted"
    lateral = None if problem.loads is None else problem.loads.lateral_load_n
    if not lateral:
        return np.nan, ""
    accepted = float(problem.acceptable[0])
    words = f"{accepted:g} deg, as accepted of bump steer, under {lateral:g} N on the axle"
    return accepted / lateral * KN, words
