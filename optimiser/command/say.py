"""A line on the terminal, as it stands: names with brackets or numbers in them are not styled."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console


def say(console: Console, text: str, style: str = "") -> None:
    """Print a line that the terminal itself wraps."""
    console.print(text, style=style, markup=False, highlight=False, soft_wrap=True)
