"""The least change that leaves room: still acceptable with each moved point 1 mm off.

A point is put off alone, in any direction, everything else as it is set out: wheel, steering arm
and rack stay, the tie rod is set to the toe again. What that adds to each limit becomes a margin on
it, and the least change is looked for again, until the cars that are off are acceptable. The
bands of `[suspension.keep]` say how far the car may be meant to part from the drawn one; cars that
are off are not asked for them.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.questions.adapt.asked import Tightened, is_band
from optimiser.questions.adapt.ways import LAST_STEPS, Least, Search

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

OFF_MM = 1.0
_ROUNDS = 8
_FAR = 1e3
_MORE = 1.02
"""Margins are taken so much more than found: the next design has others."""
_DIRECTIONS = np.array([way for way in product((-1.0, 0.0, 1.0), repeat=3) if any(way)])


def with_room(search: Search, least: Least, margin: Array | None = None) -> Least:
    """The least change found that has room; none where none was found.

    Args:
        search: walks of the rack.
        least: the least change without room.
        margin: by how much limits are to be kept at least, (c,).
    """
    problem, design = search.problem, least.design
    if design is None or not problem.moves(design).any():
        return least
    margin = np.zeros(len(problem.constraint_names)) if margin is None else margin
    base = margin.copy()
    for _ in range(_ROUNDS):
        off = _worst_off(problem, design)
        if off is None:
            break
        here, there = off
        if (there + base <= 0.0).all():
            moved = problem.suspension
            change = 0.0 if moved is None else float(moved.moved_mm(problem.moves(design))[0])
            return Least(least.subset, design, change)
        margin = np.maximum(margin, base + _MORE * (there - here))
        tight = Search(Tightened(problem, margin))
        tight.follow(design, [least.subset], LAST_STEPS)
        tight.follow(design, [least.subset], LAST_STEPS, trust=0.05)
        found = tight.least(least.subset)
        if found.design is None:
            break
        design = found.design
    return Least(least.subset, None, np.inf)


def _worst_off(problem: Problem, design: Designs) -> tuple[Array, Array] | None:
    """Limits of a design, and the worst of them with one of its points off, scaled, (c,) each.

    None where one that is off cannot be assembled. Of bands the design's own count for both.
    """
    suspension = problem.suspension
    if suspension is None:
        return None
    points, growth = problem.corners(design)
    corners = [points]
    for name, shift in suspension.shifts(problem.moves(design)).items():
        if np.any(shift):
            at = getattr(points, name)
            size = np.linalg.norm(_DIRECTIONS, axis=1, keepdims=True)
            for way in OFF_MM * _DIRECTIONS / size:
                corners.append(replace(points, **{name: at + way}))
    names = [name for name, _ in points.items()]
    batch = type(points).from_mapping(
        {n: np.concatenate([np.atleast_2d(getattr(c, n)) for c in corners]) for n in names}
    )
    count = len(corners)
    designs = Designs(np.repeat(design.rack, count), np.repeat(design.values, count, axis=0))
    each_way = np.full(count, problem.racks[int(design.rack[0])].travel_each_way_mm)
    solved = problem.solve_corners(batch, np.repeat(growth, count), each_way)
    found = problem.judge(designs, solved)
    if not found.assembles.all():
        return None
    # What a rack says too little for is as good as far off.
    limits = np.maximum(found.scaled_constraints, -_FAR)
    own = np.array([is_band(name) for name in problem.constraint_names])
    return limits[0], np.where(own, limits[0], limits.max(axis=0))
