"""The workshop sheet of a design, beside its points."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.base.files import write_text
from optimiser.report.sheet import sheet_html

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.answer.run_result import Chosen

SHEET_FILE = "sheet.html"


def write_sheet(folder: Path, chosen: Chosen | None, date: str = "") -> None:
    """Write it; without a design, one of before is removed, which is of no answer any more.

    Args:
        folder: where to.
        chosen: a design that assembles, or None.
        date: of its result, as in `run.json`; empty where it is not known.
    """
    if chosen is None:
        (folder / SHEET_FILE).unlink(missing_ok=True)
    else:
        write_text(folder / SHEET_FILE, sheet_html(chosen, date))
