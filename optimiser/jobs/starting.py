"""Designs of an earlier front as designs of a problem: racks by name, values within its ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import ROLL, Designs, FollowsRack, nearest_allowed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.study.start_from import EarlierDesign


def earlier_designs(problem: Problem, earlier: Sequence[EarlierDesign]) -> dict[int, Designs]:
    """Designs by the index of their rack, each once; racks that have none are left out.

    What the problem does not allow is moved to the nearest value that it does. A move of the
    suspension that it does not know is left out, and one that the design does not have is none.
    """
    found: dict[int, Designs] = {}
    for index, rack in enumerate(problem.racks):
        mine = [dict(one.values) for one in earlier if one.rack == rack.name]
        if not mine:
            continue
        free = {
            name: _allowed(problem, index, name, mine)
            for name, choice in problem.space.items()
            if not isinstance(choice, FollowsRack)
        }
        if problem.suspension is not None:
            names, room = problem.suspension.names, problem.suspension.room_mm
            for name, most in zip(names, room.tolist(), strict=True):
                moved = np.array([values.get(name, 0.0) for values in mine])
                free[name] = np.clip(moved, -most, most)
        designs = problem.designs(np.full(len(mine), index), dict(free))
        _, first = np.unique(designs.values, axis=0, return_index=True)
        found[index] = designs.select(np.sort(first))
    return found


def _allowed(problem: Problem, rack: int, name: str, designs: list[dict[str, float]]) -> Array:
    """Values (N,) of a variable, brought to what is allowed."""
    usual = float(problem.default_rolls_deg[rack]) if name == ROLL else np.nan
    values = np.array([design.get(name, usual) for design in designs])
    return nearest_allowed(problem.space[name], values)
