"""How exactly the builder works, and the cars that such a builder would make.

One car has two corners, and on each of them every coordinate of every hardpoint is off by its own
amount. `DIMENSIONS` names what can be off on one corner; the two corners of a car share one of
them: a rack bolted off to one side takes both inner joints with it, which is outboard for one
wheel and inboard for the other. All else is drawn for each corner by itself, the height and
fore-aft place of the inner joints too, since each end of the rack has its own bracket.

The right corner is held as its mirror image, like everywhere in the program: outboard is +y.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.linkage.hardpoints import POINT_NAMES
from optimiser.linkage.mirror import mirrored_rack

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance.shims import Shimming

Kind = Literal["bracket", "spacer", "arm", "hardpoints", "toe"]
DRAW_SEED = 20_260_101
"""One seed for every design and every run: all designs are judged by the same cars."""
_AXES = {
    "fore-aft": (1.0, 0.0, 0.0),
    "sideways": (0.0, 1.0, 0.0),
    "height": (0.0, 0.0, 1.0),
}


@dataclass(frozen=True, slots=True)
class Dimension:
    """Something that can be off on one corner.

    Attributes:
        name: in plain words.
        kind: which tolerance governs it.
        point: the hardpoint that it moves; None for the toe setting.
        direction: the way that point goes where the dimension is too large: ahead, outboard
            (to the left for the rack), up.
    """

    name: str
    kind: Kind
    point: str | None
    direction: tuple[float, float, float]


def _of_point(point: str, words: str, kind: Kind) -> list[Dimension]:
    return [Dimension(f"{words} {axis}", kind, point, way) for axis, way in _AXES.items()]


def _dimensions() -> tuple[Dimension, ...]:
    others = [name for name in POINT_NAMES if name not in ("inner_joint", "outer_joint")]
    return (
        *_of_point("inner_joint", "rack", "bracket"),
        Dimension("spacer length", "spacer", "inner_joint", _AXES["sideways"]),
        *_of_point("outer_joint", "outer joint", "arm"),
        *(
            dimension
            for name in others
            for dimension in _of_point(name, name.replace("_", " "), "hardpoints")
        ),
        Dimension("toe setting", "toe", None, (0.0, 0.0, 0.0)),
    )


DIMENSIONS = _dimensions()
NAMES = tuple(dimension.name for dimension in DIMENSIONS)
SIDEWAYS = NAMES.index("rack sideways")
TOE_SETTING = NAMES.index("toe setting")


@dataclass(frozen=True, slots=True)
class Tolerances:
    """How exactly the builder can work.

    Each number is the greatest deviation either way, all alike likely within it
    ("rectangular"), or the standard deviation of a normal distribution, which is not cut off:
    one deviation in 370 is beyond three times the number ("normal").

    Attributes:
        bracket_mm: inner joints by the rack's brackets, in each of the three directions.
        spacer_mm: length of each spacer.
        arm_mm: outer joint, in each direction.
        hardpoints_mm: every other hardpoint, in each direction.
        toe: toe of each wheel as set after assembly, radians.
        samples: cars drawn for each design; a power of two is spread most evenly.
        shimming: how cars are measured and shimmed after they are built; None: nobody asks.
    """

    bracket_mm: float = 1.0
    spacer_mm: float = 0.1
    arm_mm: float = 0.5
    hardpoints_mm: float = 1.0
    toe: float = float(np.radians(0.05))
    distribution: Literal["rectangular", "normal"] = "rectangular"
    samples: int = 256
    shimming: Shimming | None = None

    def __post_init__(self) -> None:
        """Refuse what no study can hold; the study file has its own message for the user."""
        if not np.all(self.sizes() >= 0.0) or not np.all(np.isfinite(self.sizes())):
            raise ValueError("a tolerance must be a finite number of at least 0")
        if self.distribution not in ("rectangular", "normal") or self.samples < 1:
            raise ValueError("distribution must be rectangular or normal, samples at least 1")

    def sizes(self) -> Array:
        """The stated number of each of `DIMENSIONS`, (D,), in mm and radians."""
        of_kind = {
            "bracket": self.bracket_mm,
            "spacer": self.spacer_mm,
            "arm": self.arm_mm,
            "hardpoints": self.hardpoints_mm,
            "toe": self.toe,
        }
        return np.array([of_kind[dimension.kind] for dimension in DIMENSIONS])

    def standard_deviations(self) -> Array:
        """Standard deviation of each of `DIMENSIONS`, (D,); a rectangle's is a / sqrt(3)."""
        return self.sizes() / (np.sqrt(3.0) if self.distribution == "rectangular" else 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Cars:
    """Deviations of S cars: left and right corner, each (S, D) in the order of `DIMENSIONS`."""

    left: Array
    right: Array

    def __len__(self) -> int:
        return len(self.left)


def draw_cars(tolerances: Tolerances) -> Cars:
    """The cars drawn for every design: the same at each call and in every run.

    A scrambled Sobol sequence (scipy.stats.qmc) fills the space of all deviations of a car more
    evenly than independent draws. Where `samples` is no power of two, its first points count.
    """
    share = _sobol(int(np.ceil(np.log2(tolerances.samples))))[: tolerances.samples]
    count = len(DIMENSIONS)
    # The right corner has all dimensions but the one it shares.
    own = np.delete(np.arange(count), SIDEWAYS)
    right = np.empty((len(share), count))
    right[:, own] = _deviate(share[:, count:], tolerances)
    left = _deviate(share[:, :count], tolerances)
    sizes = tolerances.sizes()
    left, right[:, own] = left * sizes, right[:, own] * sizes[own]
    right[:, SIDEWAYS] = mirrored_rack(left[:, SIDEWAYS])
    return Cars(left, right)


def _deviate(share: Array, tolerances: Tolerances) -> Array:
    """Deviations of size 1 that a share (0 to 1) of all deviations stays below."""
    if tolerances.distribution == "normal":
        from scipy.special import ndtri  # as below: half of what a short command takes to load

        return np.asarray(ndtri(share))
    return 2.0 * share - 1.0


@lru_cache(maxsize=4)
def _sobol(power: int) -> Array:
    """Read-only points (2^power, 2 D - 1), strictly between 0 and 1."""
    from scipy.stats import qmc  # takes a second to load, which other studies need not wait for

    sequence = qmc.Sobol(2 * len(DIMENSIONS) - 1, scramble=True, bits=30, rng=DRAW_SEED)
    # Multiples of 2^-30, moved to the middle of their cells: a normal deviate at 0 is infinite.
    points = np.asarray(sequence.random_base2(power), float) + 2.0**-31
    points.setflags(write=False)
    return points
