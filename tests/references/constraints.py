"""The corner as six distance equations, solved numerically: a referee for the linkage kernel.

The upright is one rigid body with six freedoms.  Six scalar equations hold it:

    |lower ball joint - lower front pivot|  constant      4 equations: a ball joint
    |lower ball joint - lower rear pivot|   constant      at fixed distances from both
    |upper ball joint - upper front pivot|  constant      pivots moves on the arm's
    |upper ball joint - upper rear pivot|   constant      circle, so arms need no angle
    |outer joint - inner joint|             constant      tie rod
    wheel-centre height                     prescribed    wheel travel

Nothing here knows of circles, closed forms or roots to choose from, and nothing
of the package under test is imported.  Reached against the other referee: see
`test_referees.py`.
"""

from __future__ import annotations

import numpy as np
from references.paths import Pose, sweep
from scipy.optimize import root

RESIDUAL_LIMIT_MM = 1e-10
"""A pose counts as solved when every length and the height hold to this."""

TURN_SCALE_MM = 100.0
"""Turns are solved for as turn x this length, so that all six unknowns are of one size."""

MOST_STEPS = 6
"""Of Newton's: a nearby pose takes three or four."""

MOST_EVALUATIONS = 25
"""A nearby pose takes about eight; a solve that wanders further has lost it."""

_LINKS = (
    ("lower_ball_joint", "lower_front_pivot"),
    ("lower_ball_joint", "lower_rear_pivot"),
    ("upper_ball_joint", "upper_front_pivot"),
    ("upper_ball_joint", "upper_rear_pivot"),
    ("outer_joint", "inner_joint"),
)


def _rotation(gibbs: np.ndarray) -> np.ndarray:
    """Rotation matrix of a Gibbs vector tan(angle / 2) * axis (Cayley's formula).

    ((1 - g.g) 1 + 2 g g' + 2 [g x]) / (1 + g.g), written out.
    """
    x, y, z = gibbs.tolist()
    square = x * x + y * y + z * z
    rest = 1.0 - square
    return np.array(
        [
            [rest + 2.0 * x * x, 2.0 * (x * y - z), 2.0 * (x * z + y)],
            [2.0 * (x * y + z), rest + 2.0 * y * y, 2.0 * (y * z - x)],
            [2.0 * (x * z - y), 2.0 * (y * z + x), rest + 2.0 * z * z],
        ]
    ) / (1.0 + square)


def _spin_of(gibbs: np.ndarray) -> np.ndarray:
    """Matrix from a change of the Gibbs vector to the small turn in space it makes.

    2 / (1 + g.g) (1 + [g x]), written out.
    """
    x, y, z = gibbs.tolist()
    share = 2.0 / (1.0 + x * x + y * y + z * z)
    return share * np.array([[1.0, -z, y], [z, 1.0, -x], [-y, x, 1.0]])


class _Corner:
    """The six equations of one corner; unknowns are shift (3) and scaled Gibbs vector (3)."""

    def __init__(self, points: dict[str, np.ndarray]) -> None:
        self.wheel_centre = np.asarray(points["wheel_centre"], dtype=float)
        self.arms = np.array([points[moving] for moving, _ in _LINKS], float) - self.wheel_centre
        self.fixed = np.array([points[fixed] for _, fixed in _LINKS], float) - self.wheel_centre
        self.lengths = np.linalg.norm(self.arms - self.fixed, axis=1)

    def equations(
        self, unknowns: np.ndarray, travel: float, rack: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Residuals in mm and their exact Jacobian."""
        shift, gibbs = unknowns[:3], unknowns[3:] / TURN_SCALE_MM
        arms = self.arms @ _rotation(gibbs).T
        fixed = self.fixed.copy()
        fixed[4, 1] += rack
        links = shift + arms - fixed
        # (d^2 - L^2) / 2L is d - L to first order and stays smooth everywhere
        residuals = np.empty(6)
        residuals[:5] = (np.einsum("ij,ij->i", links, links) / self.lengths - self.lengths) / 2.0
        residuals[5] = shift[2] - travel
        along = links / self.lengths[:, None]
        jacobian = np.zeros((6, 6))
        jacobian[:5, :3] = along
        (a_x, a_y, a_z), (n_x, n_y, n_z) = arms.T, along.T
        moments = np.stack([a_y * n_z - a_z * n_y, a_z * n_x - a_x * n_z, a_x * n_y - a_y * n_x])
        jacobian[:5, 3:] = moments.T @ _spin_of(gibbs) / TURN_SCALE_MM
        jacobian[5, 2] = 1.0
        return residuals, jacobian

    def solve(self, start: np.ndarray, travel: float, rack: float) -> Pose | None:
        """The pose near `start`, or None: Newton's steps, and scipy where these do not get there.

        Whoever asks halves the step where the pose is on the other side of a singular position.
        """
        found = self._newton(start, travel, rack, MOST_STEPS)
        if found is None:
            # solved for as a change from zero: scipy sizes its first step by its starting point
            change = root(
                lambda change: self.equations(start + change, travel, rack),
                np.zeros(6),
                jac=True,
                method="hybr",
                options={"xtol": 1e-8, "maxfev": MOST_EVALUATIONS},
            ).x
            found = self._newton(start + change, travel, rack, 2)
        if found is None:
            return None
        _, jacobian = self.equations(found, travel, rack)
        return Pose(
            rotation=_rotation(found[3:] / TURN_SCALE_MM),
            wheel_centre_mm=self.wheel_centre + found[:3],
            side=float(np.sign(np.linalg.det(jacobian))),
            memory=found,
        )

    def _newton(
        self, found: np.ndarray, travel: float, rack: float, steps: int
    ) -> np.ndarray | None:
        """Where so many steps at most end, one more than needed; None where the lengths are off."""
        for _ in range(steps):
            residuals, jacobian = self.equations(found, travel, rack)
            done = np.abs(residuals).max() < RESIDUAL_LIMIT_MM
            try:
                found = found - np.linalg.solve(jacobian, residuals)
            except np.linalg.LinAlgError:
                return None
            if done:
                return found
        residuals, _ = self.equations(found, travel, rack)
        return found if np.abs(residuals).max() < RESIDUAL_LIMIT_MM else None


def solve_corner(
    points: dict[str, np.ndarray],
    spin_axis: np.ndarray,
    travel_mm: np.ndarray,
    rack_mm: np.ndarray,
) -> dict[str, np.ndarray]:
    """Poses of the left corner over a grid of wheel travel and rack displacement.

    `points` are in mm, ISO 8855 body axes; `spin_axis` is the unit spin axis at
    the design position.  Returns what `references.paths.sweep` describes; a pose
    that does not exist, or that lies beyond a gap, is NaN and not `feasible`.
    """
    corner = _Corner(points)
    design = corner.solve(np.zeros(6), 0.0, 0.0)
    if design is None or design.side == 0.0:
        raise ValueError("the design position is singular")

    def advance(pose: Pose, travel: float, rack: float) -> Pose | None:
        return corner.solve(np.asarray(pose.memory), travel, rack)

    return sweep(
        advance,
        design,
        np.asarray(spin_axis, dtype=float),
        np.asarray(points["outer_joint"], dtype=float),
        corner.wheel_centre,
        travel_mm,
        rack_mm,
    )
