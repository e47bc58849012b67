"""A study's variants side by side: what each comes to, a row each."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.answer.shown_racks import some_names

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from optimiser.answer.rack_table import RackRow
    from optimiser.answer.run_result import RunResult


@dataclass(frozen=True, slots=True)
class VariantRow:
    """One variant's answer.

    Attributes:
        variant: its name.
        folder: name of its folder in the study's.
        best: the row of its chosen rack, or of the nearest; None when no design can be assembled.
        acceptable: whether that is an answer (`RunResult.acceptable`).
        finished: whether its search was.
    """

    variant: str
    folder: str
    best: RackRow | None
    acceptable: bool
    finished: bool


def variant_rows(results: Mapping[str, RunResult]) -> list[VariantRow]:
    """A row for each variant, given by the name of its folder."""
    return [_row(folder, result) for folder, result in results.items()]


def _row(folder: str, result: RunResult) -> VariantRow:
    finished = all(unit.finished for unit in result.units)
    return VariantRow(
        result.study.variant, folder, result.foremost_rack, result.acceptable, finished
    )


def count_variants(rows: Sequence[VariantRow]) -> str:
    """How many variants have an acceptable rack, and which racks were chosen how often."""
    good = Counter(row.best.rack.name for row in rows if row.acceptable and row.best is not None)
    count = sum(good.values())
    text = f"{count} of {len(rows)} variants {'has' if count == 1 else 'have'} an acceptable rack"
    if not good:
        return f"{text}."
    names = [f"{name} in {times}" for name, times in good.most_common()]
    return f"{text}; chosen: {some_names(names)}."
