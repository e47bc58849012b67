"""Break-even of what is bought: with which spacing, spacers and travel a rack is acceptable.

    candidates   designs by geometry for every inner-joint distance, and some of the run's own
    walks        to the least and the greatest number, without clearance
    clearance    the same with it, from the ends without it and from candidates that keep it
    gaps         between the ends numbers are tried; where none is acceptable, the edges of the gap

All racks, numbers and directions are one batch. `stretched` has a number of the rack as one more
variable, `starts` says what walks begin with, `walks` where they end, `gaps` what lies between the
ends, and `evens` puts it together.
"""

from optimiser.search.break_even.evens import BreakEven, End, Stretch, break_evens, held_by
from optimiser.search.break_even.stretched import BOUGHT, NUMBERS, SANE, Number

__all__ = [
    "BOUGHT",
    "NUMBERS",
    "SANE",
    "BreakEven",
    "End",
    "Number",
    "Stretch",
    "break_evens",
    "held_by",
]
