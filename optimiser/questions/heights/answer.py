"""Wiring of `heights`: which rack, which heights, where the answer goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.evaluation.designs import Range, Stock
from optimiser.folder.claim import claimed
from optimiser.questions.asking import chosen_racks, question_parts
from optimiser.questions.heights.folder import place_accuracy, write_all, write_rack
from optimiser.questions.heights.rack import solve_rack
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from optimiser.answer.exactness import Accuracy
    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.places import RackHeights
    from optimiser.study.read import Study

STEP_MM = 2.0
MOST_HEIGHTS = 500
_LOWEST_MM, _HIGHEST_MM = 0.0, 1500.0


@dataclass(frozen=True, slots=True)
class HeightsAsked:
    """Arguments of the command; None where the study decides."""

    study: Path
    rack: str | None
    every: bool
    low_mm: float | None
    high_mm: float | None
    step_mm: float
    out: Path


@dataclass(frozen=True, slots=True)
class HeightsAnswer:
    """What was found and where it was written; `exact` is of one rack only."""

    study: Study
    found: tuple[RackHeights, ...]
    exact: Accuracy | None
    folder: Path


def answer_heights(asked: HeightsAsked, watch: Callable[[str], None]) -> HeightsAnswer:
    """Solve one rack or all, write the folder.

    Raises:
        InputError: no or an unknown rack, both a rack and all, or a range that cannot be used.
        StorageError: the folder cannot be written.
    """
    study = read_study(asked.study)
    problem = study.problem().unmoved.without_roll
    chosen = chosen_racks(study, asked.rack, every=asked.every)
    heights = _heights(asked, study)
    longest = study.file.limits.spacer_max_mm
    last = "all" if asked.every else study.racks[chosen[0]].name
    parts = question_parts(study, last, repr(heights.tolist()))
    found, exact = [], None
    with claimed(asked.out, f"{study.path.stem}-heights-{last}", parts) as folder:
        for index in chosen:
            watch(study.racks[index].name)
            found.append(solve_rack(problem, index, heights, longest))
        if asked.every:
            write_all(folder, study, found)
        else:
            exact = place_accuracy(found[0])
            write_rack(folder, study, found[0], exact)
    return HeightsAnswer(study, tuple(found), exact, folder)


def _heights(asked: HeightsAsked, study: Study) -> Array:
    """Heights from low to high with both ends; the last step may be shorter."""
    choice = study.space["rack_height_mm"]
    low, high = asked.low_mm, asked.high_mm
    if isinstance(choice, Range):
        low = choice.low if low is None else low
        high = choice.high if high is None else high
    elif isinstance(choice, Stock) and len(choice.values) > 1:
        low = min(choice.values) if low is None else low
        high = max(choice.values) if high is None else high
    if low is None or high is None:
        raise InputError(
            "--from, --to",
            f"{study.path} gives no range of rack heights",
            "give both in mm above ground, such as --from 150 --to 300",
        )
    for option, value in (("--from", low), ("--to", high)):
        if not _LOWEST_MM <= value <= _HIGHEST_MM:
            raise InputError(
                option,
                f"{value:g} mm is not between {_LOWEST_MM:g} and {_HIGHEST_MM:g}",
                "heights count from the ground, in mm",
            )
    if not low < high:
        raise InputError(
            "--from, --to", f"{low:g} to {high:g} mm does not run upwards", "give the lower first"
        )
    if not asked.step_mm > 0.0:
        raise InputError("--step", f"{asked.step_mm:g} mm is not above 0", "give a step such as 2")
    count = int(np.ceil((high - low) / asked.step_mm - 1e-9))
    if count >= MOST_HEIGHTS:
        raise InputError(
            "--step", f"{asked.step_mm:g} mm makes {count + 1} heights", "take a coarser step"
        )
    return np.append(low + asked.step_mm * np.arange(count), high)
