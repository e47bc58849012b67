"""What is left after shims is mostly a bend, which a spacer of another length moves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.questions.measured.choice import CERTAINTY, NEAR_BEST
from optimiser.questions.measured.responses import LONGEST_SPACER_MM

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.choice import Open
    from optimiser.questions.measured.model import CarModel

_RISES = 15


@dataclass(frozen=True, slots=True)
class Spacer:
    """A spacer worth making on one side, the rack shimmed anew.

    Attributes:
        longer_mm: by so much; shorter where negative.
        mean: greatest change of toe then, mean over the cars that are open, radians.
    """

    longer_mm: float
    mean: float


def spacer_for(model: CarModel, cars: Open, shims_mm: Array, side: int) -> Spacer | None:
    """The spacer that helps most beside these shims, in whole mm; None where none is worth it."""
    respond, about = cars.responses[side], cars.about[side]
    rise, outer = model.rises(shims_mm, side)
    now = model.greatest(respond(rise, outer) + about)
    spacers = np.arange(-LONGEST_SPACER_MM, LONGEST_SPACER_MM + 1.0)
    rises = respond.middle[0] + respond.half[0] * np.linspace(-1.0, 1.0, _RISES)
    curves = respond(rises[:, None], outer, spacers)
    greatest = np.stack([model.greatest(curve[:, None] + about) for curve in curves])
    mean = greatest.mean(axis=-1)
    best = np.unravel_index(np.argmin(mean), mean.shape)
    gains = float(now.mean() - mean[best]) >= NEAR_BEST
    if not gains or np.mean(greatest[best] < now) < CERTAINTY or spacers[best[1]] == 0.0:
        return None
    return Spacer(float(spacers[best[1]]), float(mean[best]))
