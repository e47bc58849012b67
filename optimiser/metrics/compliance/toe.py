"""Toe and camber that loads of a thousand newtons cost, spring by spring."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.compliance.sides import BRAKE, CAMBER, CENTRE, LATERAL, TOE_IN
from optimiser.metrics.compliance.springs import RACK_SPRINGS, SPRINGS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from optimiser.linkage.vectors import Array
    from optimiser.metrics.compliance.sides import Side

    Flexibility = Mapping[str, Array | float]

_PER_WHEEL = (
    "lateral_per_kn_deg",
    "lateral_other_per_kn_deg",
    "braking_outboard_per_kn_deg",
    "braking_inboard_per_kn_deg",
    "bump_per_kn_deg",
    "aligning_per_100nm_deg",
)
LOST = "steer_lost_per_kn_deg"
NAMES = (*(f"{angle}_{load}" for angle in ("toe", "camber") for load in _PER_WHEEL), LOST)
"""What is found, in the order of the rows of `toe_and_camber`."""
_KN, _100_NM = 1e3, 1e5  # in N and in N mm
_ANGLES = (TOE_IN, CAMBER)


def toe_and_camber(
    loaded: Side,
    other: Side,
    flexibility: Flexibility,
    of_other: Flexibility | None = None,
    outer_share: float = 1.0,
) -> dict[str, Array]:
    """Degrees that each spring gives, by its name: rows in the order of `NAMES`, (13, n).

    Args:
        loaded: the outside wheel, and at rest either.
        other: the other one; each side as a left corner, the right one by its mirror image.
        flexibility: of the springs, mm/N; those that are not in it are rigid.
        of_other: on the other side, where it is not the same there.
        outer_share: part of the axle's side force that the loaded wheel takes, for what is lost.

    Toe-in is positive, and camber with the wheel's top outward.
    """
    elsewhere = flexibility if of_other is None else of_other
    return {
        name: np.degrees(
            _by_rack(loaded, other, flexibility[name], outer_share)
            if name in RACK_SPRINGS
            else _by_spring(
                loaded.forces[name],
                other.forces[name],
                np.asarray(flexibility[name]),
                np.asarray(elsewhere[name]),
                outer_share,
            )
        )
        for name in SPRINGS
        if name in flexibility
    }


def _by_spring(mine: Array, others: Array, give: Array, others_give: Array, share: float) -> Array:
    """Radians of a spring in each corner, (13, n)."""
    own = np.stack([np.sum(mine * mine[:, [angle]], axis=0) for angle in _ANGLES]) * give
    lost = np.sum(others[:, LATERAL] * others[:, TOE_IN], axis=0) * others_give
    rows = np.zeros((len(NAMES), own.shape[-1]))
    count = len(_PER_WHEEL)
    for at, angle in zip((0, count), own, strict=True):
        rows[at] = _KN * angle[LATERAL]
        rows[at + 2 : at + 5] = _KN * angle[[BRAKE, CENTRE, CENTRE]]
        rows[at + 5] = -_100_NM * angle[TOE_IN]
    # The inside wheel is pushed outward; less toe-in outside and more inside are steer lost.
    rows[-1] = -0.5 * _KN * (share * own[0, LATERAL] + (1.0 - share) * lost)
    return rows


def _by_rack(loaded: Side, other: Side, give: Array | float, share: float) -> Array:
    """The same of a spring that the rack leans on, which moves both wheels, (13, n).

    In the mirror the other rod pushes the bar the other way.
    """
    mine, others = loaded.along_bar, other.along_bar
    rows = np.zeros((len(NAMES), mine.shape[-1]))
    count = len(_PER_WHEEL)
    for at, angle in zip((0, count), _ANGLES, strict=True):
        here, there = give * mine[angle], -give * others[angle]
        rows[at], rows[at + 1] = _KN * mine[LATERAL] * here, _KN * mine[LATERAL] * there
        rows[at + 2] = _KN * (mine[BRAKE] - others[BRAKE]) * here
        rows[at + 3] = _KN * (mine[CENTRE] - others[CENTRE]) * here
        rows[at + 4] = _KN * mine[CENTRE] * here
        rows[at + 5] = -_100_NM * mine[TOE_IN] * here
    bar = share * mine[LATERAL] + (1.0 - share) * others[LATERAL]
    rows[-1] = -0.5 * _KN * bar * give * (mine[TOE_IN] + others[TOE_IN])
    return rows


def needed_stiffness(total: float, part: float, stiffness: float, most: float) -> float:
    """Least stiffness of one spring that keeps a loss at or below `most`.

    The loss is a + b / k: `total` is what it is with the spring at `stiffness` (infinite for a
    rigid one, then `part` is b itself), of which the spring gives `part`.

    Returns:
        b / (most - a); infinite where a alone is too much, 0 where b is not above 0: no softness
        of this spring is a loss.
    """
    rigid = np.isinf(stiffness)
    b = part if rigid else part * stiffness
    a = total if rigid else total - part
    if b <= 0.0:
        return 0.0
    return float("inf") if a >= most else b / (most - a)
