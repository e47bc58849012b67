"""Clearance between the steering parts and what they may not touch.

`distance` and `cylinder` measure two shapes in one pose; `least` finds the least distance over
many poses without measuring most of them, `rim` that to the wheel's rim and `ring` that to a tyre;
`apart` settles most pairs from one pose; `between` blends poses from solved ones.
"""

from optimiser.evaluation.clearance.engine.apart import (
    box_apart,
    cylinder_apart,
    segment_apart,
)
from optimiser.evaluation.clearance.engine.between import Between, poses_between
from optimiser.evaluation.clearance.engine.cylinder import (
    cylinder_box,
    segment_cylinder_distance,
)
from optimiser.evaluation.clearance.engine.distance import (
    segment_box_distance,
    segment_segment_distance,
)
from optimiser.evaluation.clearance.engine.least import (
    floor_segment_segment,
    minimum_segment_box,
    minimum_segment_cylinder,
    minimum_segment_segment,
)
from optimiser.evaluation.clearance.engine.operands import Picked
from optimiser.evaluation.clearance.engine.rim import minimum_segment_rim
from optimiser.evaluation.clearance.engine.ring import (
    Ring,
    face_to_ring,
    floor_segment_ring,
    minimum_segment_ring,
)

__all__ = [
    "Between",
    "Picked",
    "Ring",
    "box_apart",
    "cylinder_apart",
    "cylinder_box",
    "face_to_ring",
    "floor_segment_ring",
    "floor_segment_segment",
    "minimum_segment_box",
    "minimum_segment_cylinder",
    "minimum_segment_rim",
    "minimum_segment_ring",
    "minimum_segment_segment",
    "poses_between",
    "segment_apart",
    "segment_box_distance",
    "segment_cylinder_distance",
    "segment_segment_distance",
]
