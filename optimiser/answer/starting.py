"""What of an earlier result a search began with, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from optimiser.answer.run_result import RunResult


def starting_note(result: RunResult) -> str:
    """A sentence; empty where the study names no earlier result."""
    study, earlier = result.study, result.origin == "earlier"
    if not study.start_from:
        return ""
    told, racks = int(earlier.sum()), len(np.unique(result.designs.rack[earlier]))
    known = {rack.name for rack in study.racks}
    gone = len({one.rack for one in study.start_from if one.rack not in known})
    verb = "is" if gone == 1 else "are"
    without = f"; {gone} of its racks {verb} not in the study" if gone else ""
    return (
        f"Began with {told} design{'' if told == 1 else 's'} of the fronts of "
        f"{study.file.search.start_from}, of {racks} rack{'' if racks == 1 else 's'}, brought into "
        f"the ranges{without}."
    )
