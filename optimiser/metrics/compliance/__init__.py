"""How far load moves toe and camber through bushes, brackets, joints and bars.

A linear static solve in the unloaded pose. Arms and uprights are rigid, each arm on its two pivots
(not two links: an arm welded to a triangle turns on its bushes, and links change the sign of what
braking does to toe); the rack couples the corners; the lower arm is held about its axis, as by a
locked spring, the steering wheel is held. Everything is statically determinate but how the two
pivots of an arm share what is along their axis, so by the theorem of virtual forces

    angle = sum over springs of (force in it by the load) x (force in it by a unit moment) / k,

the moment being the one that works on that angle. What is lost is a + b / k in each k, exactly.
Elementary statics (Castigliano, Maxwell and Mohr); no source needed.
"""

from optimiser.metrics.compliance.sides import Side, side_of
from optimiser.metrics.compliance.springs import (
    SPRINGS,
    Sections,
    Stiffness,
    column_flexibility,
    rigid_parts,
)
from optimiser.metrics.compliance.toe import NAMES, needed_stiffness, toe_and_camber

__all__ = [
    "NAMES",
    "SPRINGS",
    "Sections",
    "Side",
    "Stiffness",
    "column_flexibility",
    "needed_stiffness",
    "rigid_parts",
    "side_of",
    "toe_and_camber",
]
