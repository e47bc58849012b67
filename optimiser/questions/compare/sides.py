"""The two that are compared: of a result a design, of a study the car as drawn.

The car as drawn has no rack: its tie rod hangs on a bar that ends nowhere, as in `check --numbers`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.design_numbers import drawn_designs, without_rack
from optimiser.answer.run_result import Chosen
from optimiser.base.errors import InputError, NothingFeasibleError
from optimiser.evaluation.designs import ROLL, Designs, nearest_allowed
from optimiser.evaluation.quantities import quantity
from optimiser.folder.read import read_results
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.answer.run_result import RunResult
    from optimiser.evaluation.problem import Problem
    from optimiser.folder.read import StoredRun
    from optimiser.study.read import Study

DRAWN = "the car as drawn"


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two.

    Attributes:
        path: the study file or the folder of the result.
        chosen: its design, with study and problem.
        stored: what the folder holds; None of a study.
        words: which design it is and why that one.
    """

    path: Path
    chosen: Chosen
    stored: StoredRun | None
    words: str

    @property
    def study(self) -> Study:
        """The study, or that of the result."""
        return self.chosen.study

    @property
    def result(self) -> RunResult | None:
        """What the folder holds, as arrays; None of a study."""
        return None if self.stored is None else self.stored.result

    @property
    def bare(self) -> bool:
        """Whether it is the car as drawn, which has no rack."""
        return self.stored is None

    @property
    def name(self) -> str:
        """Name for files: of the folder, or of the study."""
        return self.study.name if self.bare else self.path.resolve().name


@dataclass(frozen=True, slots=True)
class Carried:
    """A design of one study in another.

    Attributes:
        chosen: the design there.
        notes: what of it the other study does not have, a sentence each.
    """

    chosen: Chosen
    notes: tuple[str, ...]


# --- which ---------------------------------------------------------------------------------------


def open_side(path: Path, number: int | None = None, beside: Side | None = None) -> Side:
    """The winner of a result, or the design of that number; the car as drawn of a study.

    `beside` is a side of the same folder, which is not read again then.

    Raises:
        InputError: neither can be read, there is no such design, or a study has no designs.
        NothingFeasibleError: a result none of whose designs can be assembled, or this one.
    """
    if not os.path.isdir(path):
        if number is not None:
            raise InputError(
                "--designs", f"{path} is no result", "name folders of results, such as results/demo"
            )
        return _drawn_side(path)
    stored = None if beside is None else beside.stored
    stored = stored or read_results(path)
    result = stored.result
    if number is not None:
        row, words = stored.row(number), ""
        stored.check([row])
    elif result.winner is not None:
        row = result.winner
        words = "the winner" if result.acceptable else "the nearest, for no rack is acceptable"
    elif result.nearest is not None:
        row, words = result.nearest, "which breaks its limits least: there is no winner"
    else:
        raise NothingFeasibleError(f"{path}: none of its designs can be assembled")
    found = result.chosen(row)
    # Evaluated anew: a number that is compared with itself may not differ by how it was stored.
    chosen = replace(found, outcome=found.problem.evaluate(found.design))
    if not stored.record.get("finished", True):
        words = f"{words}; the run was cut short" if words else "of a run that was cut short"
    if not chosen.outcome.assembles[0]:
        raise NothingFeasibleError(f"{path}, {chosen.label}: {chosen.outcome.status[0]}")
    return Side(path, chosen, stored, words)


def _drawn_side(path: Path) -> Side:
    study = read_study(path, racks=False)
    problem = _bare(study.problem(racks=False))
    design = drawn_designs(problem)
    chosen = Chosen(study, problem, DRAWN, design, problem.evaluate(design))
    words = "its variants left aside" if study.variants else ""
    return Side(path, chosen, None, words)


def is_wrong_hand(chosen: Chosen) -> bool:
    """Whether the opposite hand of its rack is needed, which no change of the design cures."""
    return bool(chosen.problem.wrong_hand[int(chosen.design.rack[0])])


# --- in the other study --------------------------------------------------------------------------


def carried(old: Side, new: Study) -> Carried:
    """A design as it stands in another study: the same rack, place, spacers and arm.

    Values are not brought into the other study's ranges. A rack has the catalogue values that the
    other study gives; one that it does not have comes with its own. The car as drawn keeps the
    place and the spacing of its inner joints and its arm.
    """
    chosen = old.chosen
    problem, notes = _with_rack_of(old, new.problem(racks=False))
    names = [rack.name for rack in problem.racks]
    values = dict(chosen.problem.variable_values(chosen.design))
    known = set(values)
    if ROLL in problem.space and ROLL not in known:
        own = chosen.problem.roll_deg(chosen.design)
        values[ROLL] = nearest_allowed(problem.space[ROLL], own)
    index = names.index(chosen.rack.name)
    columns = [np.broadcast_to(values.get(name, 0.0), (1,)) for name in problem.columns]
    design = Designs(np.array([index]), np.stack(columns, axis=-1))
    for name in sorted(known.difference(problem.columns)):
        if name == ROLL:
            is_as_usual = values[name][0] == problem.default_rolls_deg[index]
        else:
            is_as_usual = values[name][0] == 0.0
        if not is_as_usual:
            notes.append(
                f"Its {name} of {float(values[name][0]):.4g} has no place in the new study: it was "
                "judged without."
            )
    label = f"{chosen.label} of {old.path}"
    return Carried(Chosen(new, problem, label, design, problem.evaluate(design)), tuple(notes))


def _with_rack_of(old: Side, problem: Problem) -> tuple[Problem, list[str]]:
    """The new problem with the old design's rack in it."""
    rack = old.chosen.rack
    if old.bare:
        bare = _bare(problem)
        spacing = old.chosen.problem.racks[0].inner_joint_spacing_mm
        ours = replace(bare.racks[0], inner_joint_spacing_mm=spacing)
        return replace(bare, racks=(ours,)), []
    if any(one.name == rack.name for one in problem.racks):
        return problem, []
    note = f"{rack.name} is not in the new study: it was judged with what the old catalogue says."
    return replace(problem, racks=(*problem.racks, rack)), [note]


def _bare(problem: Problem) -> Problem:
    """The car as drawn without a rack, and without limits on what only a rack has."""
    bare = without_rack(problem)
    bounds = tuple(one for one in bare.limits.bounds if not quantity(one.name).missing(bare, None))
    return replace(bare, limits=replace(bare.limits, bounds=bounds))
