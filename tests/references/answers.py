"""Both referees' answers on the invented corners, worked out once for all test processes."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from references import constraints, corners, multibody
from shared import made_once

if TYPE_CHECKING:
    import numpy as np

N_TRAVEL, N_RACK = 7, 9

REFEREES = {"multibody": multibody.solve_corner, "constraints": constraints.solve_corner}


def grid(corner: str) -> tuple[np.ndarray, np.ndarray]:
    """Travel and rack displacements of the grid that `answer` holds, mm."""
    return corners.grid_of(corner, N_TRAVEL, N_RACK)


@cache
def answer(referee: str, corner: str) -> dict[str, np.ndarray]:
    """What a referee says of a corner over its grid; see `references.paths.sweep`."""
    points, spin = corners.points_of(corner), corners.spin_axis_of(corner)
    solve = REFEREES[referee]
    return made_once(f"{referee} {corner}", lambda _: solve(points, spin, *grid(corner)))
