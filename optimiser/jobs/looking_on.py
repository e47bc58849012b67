"""What a batch tells whoever looks on: its caller, and the file in each result folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.folder.progress_file import ProgressFile, Searched
from optimiser.jobs.unit import UnitFailure

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from optimiser.jobs.time_budget import Shares
    from optimiser.jobs.unit import UnitOutcome, UnitSpec, Watch


class LookingOn:
    """Passes progress on to a watch and to the files.

    Args:
        studies: folder, title and units of each, in the order of the batch.
        shares: time for each unit.
        watch: the caller's.
    """

    def __init__(
        self, studies: Sequence[tuple[Path, str, Sequence[UnitSpec]]], shares: Shares, watch: Watch
    ) -> None:
        self._watch = watch
        self._units: list[tuple[ProgressFile, int]] = []
        self._by_label: dict[str, list[tuple[ProgressFile, int]]] = {}
        for folder, title, specs in studies:
            racks = {spec.problem.racks[spec.rack].name for spec in specs}
            first = len(self._units)
            file = ProgressFile(
                folder,
                title,
                "racks" if len(racks) == len(specs) else "searches",
                [Searched(spec.label, bool(spec.problem.wrong_hand[spec.rack])) for spec in specs],
                lambda first=first: shares.left([first]),  # type: ignore[misc]  # bound now
            )
            for number, spec in enumerate(specs):
                self._units.append((file, number))
                self._by_label.setdefault(spec.label, []).append((file, number))
            file.write()

    def watch(
        self, label: str, tried: int, allowed: int, seconds: float, best: str, ratio: float
    ) -> None:
        """A generation of a unit has been told."""
        self._watch(label, tried, allowed, seconds, best, ratio)
        # Studies of one name in two folders have units of one label: then nobody knows whose it is.
        if len(units := self._by_label[label]) == 1:
            ((file, number),) = units
            file.tell(number, tried, allowed, best, ratio)

    def end(self, unit: int, outcome: UnitOutcome) -> None:
        """What became of a unit, by its number in the batch."""
        done = not isinstance(outcome, UnitFailure) and outcome.finished
        file, number = self._units[unit]
        file.end(number, done=done)
