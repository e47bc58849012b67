"""Ideal inner joints and the toe that remains with them.

A tie rod from P to the outer joint leaves toe frozen exactly where P is equally far from all of
the path that the outer joint draws in the body while the steer angle is held. Where toe is wanted
to change over travel, the steer angle is held at the wanted one of each travel instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.mirror import across
from optimiser.linkage.vectors import Array, norm
from optimiser.metrics.ideal.circle import CircleFit, as_fit, fit_rows, trapezium_weights
from optimiser.metrics.ideal.upright import UprightMotion, upright_motion
from optimiser.metrics.wanted import FROZEN

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.metrics.wanted import WantedToe

_BLOCK = 16384  # samples of a path worked on at once, so that they stay in the cache


@dataclass(frozen=True, slots=True)
class IdealJoint:
    """Ideal inner joints, batch shape (...); NaN where `status` is not `Fit.GOOD`.

    Attributes:
        inner_joint: (..., 3) mm.
        length_mm: tie-rod length, such that toe has its design value at rest.
        residual_mm: RMS error of the tie rod's length over travel, see `CircleFit`.
        toe_largest: greatest departure of toe over travel from what is wanted, rad. To first
            order in the error of length, with the lever that each pose has.
        toe_rms: root mean square of the departure over travel, rad.
        fit: condition and status of the fit, and the line where the path is straight.
    """

    inner_joint: Array
    length_mm: Array
    residual_mm: Array
    toe_largest: Array
    toe_rms: Array
    fit: CircleFit

    @property
    def meaningful(self) -> NDArray[np.bool_]:
        """True where there is an ideal inner joint; `REASONS[Fit(status)]` says why not."""
        return self.fit.meaningful

    @property
    def status(self) -> NDArray[np.int8]:
        """Values of `Fit`."""
        return self.fit.status

    @property
    def spacing_mm(self) -> Array:
        """Distance between left and right inner joints; negative beyond the middle of the car."""
        return across(self.inner_joint)

    @property
    def rack_height_mm(self) -> Array:
        """Height of the inner joint, its z."""
        return np.asarray(self.inner_joint[..., 2])


def ideal_inner_joint(
    points: Hardpoints,
    outer_joint: ArrayLike,
    fore_aft_mm: ArrayLike,
    travel_mm: ArrayLike,
    attitude: Attitude = STRAIGHT,
    *,
    through_rest: bool = False,
    wanted: WantedToe = FROZEN,
) -> IdealJoint:
    """Inner joints that best keep toe over wheel travel, for outer joints at rest.

    Args:
        points: arms and wheel of batch shape (...); the tie rod is not used.
        outer_joint: (..., 3).
        fore_aft_mm: x of the inner joint, (...); all three broadcast.
        travel_mm: wheel travels, (P,), increasing. The fit weighs them by the trapezium rule, so
            that it minimises the RMS over travel.
        attitude: of the wheel at rest.
        through_rest: False minimises the RMS of the tie rod's length error about its mean; True
            minimises it about the length at rest, which is nearer to the RMS of bump steer.
        wanted: how toe is wanted to change over travel; by default not at all.

    Raises:
        ValueError: as `trapezium_weights`.
    """
    motion = upright_motion(points, travel_mm, attitude, wanted)
    return ideal_for_motion(motion, outer_joint, fore_aft_mm, through_rest=through_rest)


def ideal_for_motion(
    motion: UprightMotion,
    outer_joint: ArrayLike,
    fore_aft_mm: ArrayLike,
    *,
    through_rest: bool = False,
) -> IdealJoint:
    """`ideal_inner_joint` for a motion of the upright that is already known."""
    outer, x = np.asarray(outer_joint, float), np.asarray(fore_aft_mm, float)
    w, count = trapezium_weights(motion.travel_mm), motion.travel_mm.size
    shape = np.broadcast_shapes(motion.shape, outer.shape[:-1], x.shape)
    size = int(np.prod(shape, dtype=int))
    rest = np.broadcast_to(outer, (*shape, 3)).reshape(size, 3)
    a = np.broadcast_to(motion.coordinates(outer), (*shape, 3)).reshape(size, 3)
    at = np.broadcast_to(x, shape).ravel()
    parts = (motion.lower, motion.frame, motion.levers().reshape(*motion.shape, count, 16))
    if motion.shape:
        lower, frame, levers = parts
        parts = (
            np.broadcast_to(lower, (*shape, count, 3)).reshape(size, count, 3),
            np.broadcast_to(frame, (*shape, count, 3, 3)).reshape(size, count, 3, 3),
            np.broadcast_to(levers, (*shape, count, 16)).reshape(size, count, 16),
        )
    rows, toes = [np.empty((14, 0))], [np.empty((3, 0))]
    step = max(1, _BLOCK // count)
    with np.errstate(invalid="ignore", divide="ignore"):
        for start in range(0, size, step):
            block = slice(start, start + step)
            lower, frame, levers = (p[block] for p in parts) if motion.shape else parts
            path = [lower[..., j] + _along(a[block], frame[..., j]) for j in range(3)]
            fitted, error = fit_rows(path, at[block], w, rest[block] if through_rest else None)
            lever = _along(_products(a[block], fitted[:3].T), levers)
            distance = error + fitted[3][:, None]
            length = norm(rest[block] - fitted[:3].T)
            toe = distance * (distance - length[:, None]) / lever
            rows.append(fitted)
            toes.append(np.stack([length, np.max(np.abs(toe), axis=-1), np.sqrt((toe * toe) @ w)]))
    fit = as_fit(np.concatenate(rows, axis=1), shape)
    length, largest, rms = np.concatenate(toes, axis=1).reshape(3, *shape)
    return IdealJoint(fit.centre, length, fit.residual_mm, largest, rms, fit)


def _products(a: Array, p: Array) -> Array:
    """Products of (1, a) and (1, p), (n, 3) each, to (n, 16)."""
    one = np.ones((a.shape[0], 1))
    return np.asarray(
        (np.hstack([one, a])[:, :, None] * np.hstack([one, p])[:, None, :]).reshape(-1, 16)
    )


def _along(a: Array, axes: Array) -> Array:
    """Sum over k of a (n, k) times (P, k) that are common or (n, P, k), to (n, P)."""
    if axes.ndim == 2:
        return np.asarray(a @ axes.T)
    return np.asarray(np.einsum("nk,npk->np", a, axes))
