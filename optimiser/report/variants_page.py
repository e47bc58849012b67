"""The page over all variants of a study: a row each, and their fronts side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from optimiser.answer.run_result import CAUTION
from optimiser.answer.variant_rows import count_variants
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import quantity
from optimiser.report.html import template
from optimiser.report.words import BLANK, CAUTIONS, number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from optimiser.answer.variant_rows import VariantRow

NUMBERS = (
    "price",
    *JUDGED,
    "rack_height_mm",
    "rack_fore_aft_mm",
    "spacer_mm",
    "arm_length_mm",
    "arm_height_mm",
)
"""What is shown of each variant's design."""
_MOST_KEYS = 6


def variants_html(
    title: str,
    rows: Sequence[VariantRow],
    changed: Mapping[str, Sequence[object]],
    report: str,
    picture: str,
) -> str:
    """The page.

    Args:
        title: of the study.
        rows: a row for each variant.
        changed: by key what is not the same in all of them, a value for each; more than six keys
            are left to `sweep.csv`.
        report: name of the report in each variant's folder.
        picture: SVG element of their fronts, which enters the page as it is.
    """
    keys = list(changed) if len(changed) <= _MOST_KEYS else []
    return template("variants.html.j2").render(
        title=title,
        counted=count_variants(rows),
        caution=CAUTION,
        cautions=CAUTIONS,
        changed=keys,
        numbers=[quantity(name) for name in NUMBERS],
        rows=[
            _row(row, [changed[key][place] for key in keys], report)
            for place, row in enumerate(rows)
        ],
        picture=picture,
    )


def _row(row: VariantRow, changed: Sequence[object], report: str) -> dict[str, Any]:
    best = row.best
    values = [
        number(None if best is None else best.numbers[name], quantity(name).digits)
        for name in NUMBERS
    ]
    return {
        "variant": row.variant,
        "link": f"{quote(row.folder)}/{report}",
        "changed": [_cell(value) for value in changed],
        "rack": BLANK if best is None else best.rack.name,
        "values": values,
        "good": row.acceptable,
        "verdict": verdict(row),
    }


def _cell(value: object) -> object:
    if isinstance(value, float):
        return f"{value:g}"
    return BLANK if value is None else value


def verdict(row: VariantRow) -> str:
    """Whether a variant has an answer, in words."""
    cut = "" if row.finished else ", cut short"
    if row.acceptable:
        return f"yes{cut}"
    return f"no: {'nothing assembles' if row.best is None else row.best.verdict}{cut}"
