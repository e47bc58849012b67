"""The point of given x that is as equally far as can be from all points of a path.

With O_i the points of the path and P = (x, y, z), |O_i - P|^2 = l^2 says that
2 y y_i + 2 z z_i + constant = y_i^2 + z_i^2 + (x_i - x)^2, which is linear in y, z and the
constant:

                     s  |         s  the path's long direction, seen from behind
        P - - - - - - - O - n     n  square to it: the line on which P lies, the further out
                        |            the less the path bends

A fit that is free in x too is ill-conditioned, because the path hardly leaves a plane.
Elementary geometry; no source needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.vectors import Array

STRAIGHT_RADIUS_MM = 20_000.0
"""A path of greater radius counts as straight: within +-60 mm it is 0.09 mm off its tangent."""
CONDITION_LIMIT = 1e6
"""Beyond it the bend drowns in rounding, and the path counts as straight too."""
STRAIGHT_RESIDUAL_MM = 0.05
SHORTEST_ROD_MM = 100.0
"""A straight path suits any rod when one of this length stays within `STRAIGHT_RESIDUAL_MM`."""
ARC_RATIO = 0.25
"""A path whose misfit exceeds this share of its bend is no arc and has no ideal joint. The linear
fit makes the rod too short by about the square of the share, which is below 1e-4 on usual cars."""


class Fit(IntEnum):
    """What became of a fit."""

    GOOD = 0
    NO_PATH = 1
    ANY_LENGTH = 2
    NO_LENGTH = 3
    NO_ARC = 4


REASONS = {
    Fit.GOOD: "ideal inner joint found",
    Fit.NO_PATH: "the suspension does not reach the whole of this wheel travel",
    Fit.ANY_LENGTH: "the outer joint's path is straight seen from ahead, and at this fore-aft "
    "position any tie-rod length along the line square to it keeps toe",
    Fit.NO_LENGTH: "the outer joint's path is straight seen from ahead: no tie rod keeps toe, "
    "and the longer it is the less toe changes",
    Fit.NO_ARC: "the outer joint's path bends both ways, so no inner joint is equally far from it",
}


@dataclass(frozen=True, slots=True)
class CircleFit:
    """Point of given x that is as equally far as can be from a path; batch shape (...).

    Attributes:
        centre: the point, (..., 3) mm; NaN unless the status is `Fit.GOOD`.
        radius_mm: its RMS distance from the path, or its distance from `through` if that was given.
        residual_mm: RMS departure of the distance from `radius_mm`.
        condition: ratio of the singular values of the weighted and centred (y, z) of the path,
            both in mm: its extent over its bend. NaN where there is no path.
        bend_mm: the lesser of the two, RMS departure from a straight line seen from ahead.
        line_point: a point, (..., 3), of the line at this x and square to the path that the
            centre lies on. It remains where the path is straight.
        line_direction: direction of that line, (..., 3).
        status: values of `Fit`.
    """

    centre: Array
    radius_mm: Array
    residual_mm: Array
    condition: Array
    bend_mm: Array
    line_point: Array
    line_direction: Array
    status: NDArray[np.int8]

    @property
    def meaningful(self) -> NDArray[np.bool_]:
        """True where the point means something."""
        return np.asarray(self.status == Fit.GOOD)


def trapezium_weights(travel_mm: ArrayLike) -> Array:
    """Weights (P,) of unit sum that make a weighted mean the mean over travel.

    Raises:
        ValueError: fewer than three travels, or travels that do not increase.
    """
    travel = np.asarray(travel_mm, float)
    step = np.diff(travel)
    if travel.size < 3 or not (step > 0.0).all():
        raise ValueError("wheel travel needs at least three values, each above the one before")
    weights = 0.5 * (np.append(step, 0.0) + np.append(0.0, step))
    return np.asarray(weights / (travel[-1] - travel[0]))


def fit_rows(path: list[Array], x: Array, w: Array, pin: Array | None) -> tuple[Array, Array]:
    """Fit n paths of three components (n, P) with weights (P,) of unit sum.

    Turned into the directions s and n of the sketch above, about the mean of the path (or about
    the pinned point), the equation of the fit has two columns that are square to each other:
    2 s P_s + 2 n P_n + constant = q = s^2 + n^2 + (x_i - x)^2.

    Returns:
        Rows (14, n) as `as_fit` reads them, and |O_i - P| - radius, (n, P).
    """
    y_0, z_0 = (path[1] @ w, path[2] @ w) if pin is None else (pin[:, 1], pin[:, 2])
    u, v, off = path[1] - y_0[:, None], path[2] - z_0[:, None], path[0] - x[:, None]
    angle = 0.5 * np.arctan2(2.0 * ((u * v) @ w), (u * u) @ w - (v * v) @ w)
    cosine, sine = np.cos(angle), np.sin(angle)
    s = u * cosine[:, None] + v * sine[:, None]
    n = v * cosine[:, None] - u * sine[:, None]
    s_2, n_2 = s * s, n * n
    q = s_2 + n_2 + off * off
    q_0 = q @ w if pin is None else (pin[:, 0] - x) ** 2
    q -= q_0[:, None]
    extent, bend = s_2 @ w, n_2 @ w
    # An arc of radius R has n = s^2 / 2R.
    curl = np.sqrt((s_2 * s_2) @ w - (extent**2 if pin is None else 0.0)) / (2.0 * np.sqrt(bend))
    p_s, p_n = 0.5 * ((s * q) @ w) / extent, 0.5 * ((n * q) @ w) / bend
    q -= (2.0 * p_s)[:, None] * s
    open_misfit = np.sqrt((q * q) @ w)
    q -= (2.0 * p_n)[:, None] * n
    misfit = np.sqrt((q * q) @ w)

    # |O_i - P|^2 is now q + radius^2, so the distance follows without taking P's coordinates.
    square = q_0 + p_s**2 + p_n**2
    radius = np.sqrt(square)
    error = q / (np.sqrt(square[:, None] + q) + radius[:, None])
    residual = np.sqrt((error * error) @ w)

    condition, bend = np.sqrt(extent / bend), np.sqrt(bend)
    status = _verdict(condition, curl, open_misfit, misfit, 2.0 * np.abs(p_n) * bend)
    y, z = y_0 + p_s * cosine - p_n * sine, z_0 + p_s * sine + p_n * cosine
    solved = np.stack([x, y, z, radius, residual])
    solved[:, status != Fit.GOOD] = np.nan
    line = [x, y_0 + p_s * cosine, z_0 + p_s * sine, np.zeros_like(x), -sine, cosine]
    return np.concatenate([solved, [condition, bend], line, [status]]), error


def _verdict(condition: Array, curl: Array, open_misfit: Array, misfit: Array, arc: Array) -> Array:
    """Values of `Fit`, from RMS of d^2 - l^2 without the bend, with it, and what it explained."""
    straight = ~((curl <= STRAIGHT_RADIUS_MM) & (condition <= CONDITION_LIMIT))
    any_length = ~(open_misfit / (2.0 * SHORTEST_ROD_MM) > STRAIGHT_RESIDUAL_MM)
    bent = np.where(misfit <= ARC_RATIO * arc, Fit.GOOD, Fit.NO_ARC)
    status = np.where(straight, np.where(any_length, Fit.ANY_LENGTH, Fit.NO_LENGTH), bent)
    return np.where(np.isfinite(open_misfit), status, Fit.NO_PATH)


def as_fit(rows: Array, shape: tuple[int, ...]) -> CircleFit:
    """Rows of `fit_rows` in their batch shape and by their names."""
    shaped = rows.reshape(len(rows), *shape)
    return CircleFit(
        centre=np.moveaxis(shaped[0:3], 0, -1),
        radius_mm=shaped[3],
        residual_mm=shaped[4],
        condition=shaped[5],
        bend_mm=shaped[6],
        line_point=np.moveaxis(shaped[7:10], 0, -1),
        line_direction=np.moveaxis(shaped[10:13], 0, -1),
        status=shaped[13].astype(np.int8),
    )
