"""What geometry, making, play and load each do to the toe of one wheel, beside what is accepted.

They are never added up: they do not happen at once in one sense, and the greatest says what to work
on next.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.exactness import built_percentiles
from optimiser.answer.giving_way import KN, giving_way
from optimiser.evaluation.quantities import quantity
from optimiser.metrics.compliance import NAMES
from optimiser.metrics.wanted import Curve, WantedToe

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

SMALL_PART = 1.0 / 3.0
"""Geometry below this part of the greatest is no longer what matters."""
BUDGET_COLUMNS = ("part", "toe_change_deg", "accepted_deg", "what")


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the budget.

    Attributes:
        name: 'geometry', 'tolerance', 'play' or 'load'.
        toe_deg: greatest change of toe of one wheel; NaN where it is not known.
        what: of what it is, or what a study would have to give.
        mainly: what the largest part of it is in, empty where that is not told apart.
    """

    name: str
    toe_deg: float
    what: str
    mainly: str = ""


@dataclass(frozen=True, slots=True)
class Budget:
    """The parts, geometry first, and what is accepted of bump steer.

    Attributes:
        parts: in the order of the table.
        accepted_deg: of bump steer.
        rigid: springs that are taken as rigid in what load does; empty where that is not known.
    """

    parts: tuple[Part, ...]
    accepted_deg: float
    rigid: tuple[str, ...] = ()

    @property
    def greatest(self) -> Part:
        """The part that moves toe most."""
        return max(self.parts, key=lambda part: np.nan_to_num(part.toe_deg, nan=-1.0))

    @property
    def sentence(self) -> str:
        """That geometry is no longer what matters, and what is; empty where it still does.

        With a part that is not known geometry is still below a third of the greatest, but which
        that is cannot be said.
        """
        most, geometry = self.greatest, self.parts[0]
        if not geometry.toe_deg < SMALL_PART * most.toe_deg:
            return ""
        mainly = f", the largest part of it in the {most.mainly}" if most.mainly else ""
        unknown = [part.name for part in self.parts if not np.isfinite(part.toe_deg)]
        if unknown:
            return (
                f"Geometry is no longer what matters: {most.name} moves toe more{mainly}; whether "
                f"it is the most cannot be said, since of {' and '.join(unknown)} nothing is known."
            )
        return f"Geometry is no longer what matters: {most.name} is{mainly}."

    @property
    def notes(self) -> Iterator[str]:
        """What stands above the table, a line each."""
        yield "of one wheel, never added up"
        if self.sentence:
            yield self.sentence
        if self.rigid:
            yield f"taken as rigid under load: {'; '.join(self.rigid)}"

    def rows(self) -> Iterator[tuple[object, ...]]:
        """Rows of `BUDGET_COLUMNS`, blank where nothing is known."""
        for part in self.parts:
            known = part.toe_deg if np.isfinite(part.toe_deg) else None
            yield part.name, known, self.accepted_deg, part.what


def toe_budget(chosen: Chosen) -> Budget | None:
    """The budget of a design; None where the study has neither `[stiffness]` nor `[play]`."""
    problem = chosen.problem
    if problem.stiffness is None and problem.play is None:
        return None
    solved = problem.solve(chosen.design)
    departure = float(np.degrees(np.max(np.abs(solved.bump.departure))))
    parts = (
        Part("geometry", departure, "bump steer of the design made exactly, rack at centre"),
        _making(problem, chosen.points, solved.bump.toe_change[0]),
        _play(chosen),
        _load(chosen),
    )
    known = np.isfinite(parts[-1].toe_deg)
    return Budget(parts, float(problem.acceptable[0]), _rigid(chosen) if known else ())


def _making(problem: Problem, points: Hardpoints, drawn: Array) -> Part:
    """What building alone does: how far toe over travel departs from that of the design."""
    if problem.tolerances is None:
        return Part("tolerance", np.nan, "not known: the study has no [tolerance]")
    grid = problem.travel.grid()
    as_designed = WantedToe(curve=Curve(tuple(grid.tolist()), tuple(drawn.tolist())))
    about = replace(problem, steering=replace(problem.steering, wanted_toe=as_designed))
    (bump, _), reason = built_percentiles(about, points)
    what = "toe over travel of 95 of 100 cars built to [tolerance], from that of the design"
    return Part("tolerance", bump.value_deg, f"not known: {reason}" if reason else what)


def _play(chosen: Chosen) -> Part:
    """Of one wheel: its rod's joints, then rack and column, from end to end of each."""
    problem = chosen.problem
    if problem.play is None:
        return Part("play", np.nan, "not known: the study has no [play]")
    if lacking := quantity("steer_play_deg").missing(problem, chosen.rack):
        return Part("play", np.nan, f"not known: it takes {lacking}")
    rod, both = chosen.metric("toe_play_deg"), chosen.metric("steer_play_deg")
    mainly = "joints of the rod" if rod > both else "rack and column"
    return Part("play", rod + both, "clearance of joints, rack and column, end to end", mainly)


def _rigid(chosen: Chosen) -> tuple[str, ...]:
    found = giving_way(chosen.problem, chosen.design)
    return () if found is None else found.rigid


def _load(chosen: Chosen) -> Part:
    problem, loads = chosen.problem, chosen.problem.loads
    yielding = problem.yielding
    if yielding is None:
        return Part("load", np.nan, "not known: the study has no [stiffness]")
    if loads is None or not loads.lateral_load_n:
        return Part("load", np.nan, "not known: it takes [loads] lateral_load_n")
    if lacking := quantity(NAMES[0]).missing(problem, chosen.rack):
        return Part("load", np.nan, f"not known: it takes {lacking}")
    solved = problem.solve(chosen.design)
    driven = problem.drive(chosen.design, solved)
    joined = None if driven is None else driven.of_pinion
    springs = yielding.at_rest(chosen.design, solved, problem.racks, joined)
    share, axle_kn = loads.outer_share, loads.lateral_load_n / KN
    outer, inner = (
        {
            name: axle_kn * float(rows[0, 0] * mine - rows[1, 0] * other)
            for name, rows in springs.items()
        }
        for mine, other in ((share, 1.0 - share), (share - 1.0, -share))
    )
    worse = max(outer, inner, key=lambda wheel: abs(sum(wheel.values())))
    total = sum(worse.values())
    mainly = max(worse, key=lambda name: worse[name] * np.sign(total), default="")
    what = f"side force of {loads.lateral_load_n:g} N on the axle, straight ahead"
    return Part("load", abs(total), what, mainly)
