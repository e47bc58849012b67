"""Colours, line styles and axes that all figures share."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Okabe and Ito's set: distinct under the common kinds of colour-blindness. Line styles, markers
# and names at the lines carry the same meaning for grey printing.
BLUE, VERMILION, GREEN, ORANGE, SKY, PURPLE = (
    "#0072B2",
    "#D55E00",
    "#009E73",
    "#E69F00",
    "#56B4E9",
    "#CC79A7",
)
INK, GREY, PALE, ROOM = "#1F2933", "#5B6570", "#DDE3E8", "#EFF6EE"
RACK_COLOURS = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY, INK)
RACK_MARKERS = ("o", "s", "^", "v", "D", "P", "X", "*")
DASHES = ("-", (0, (5, 2)), (0, (1, 1.4)), (0, (6, 2, 1, 2)))
TEXT_SIZE, NAME_SIZE = 9.0, 8.5
POINTS_PER_INCH = 72.0


def rack_look(index: int) -> tuple[str, str]:
    """Colour and marker of a rack; no two of the first fifty-six look alike."""
    return RACK_COLOURS[index % len(RACK_COLOURS)], RACK_MARKERS[index % len(RACK_MARKERS)]


def darker(colour: str, share: float = 0.68) -> str:
    """The colour for letters, which need more contrast than lines."""
    parts = (round(int(colour[i : i + 2], 16) * share) for i in (1, 3, 5))
    return "#" + "".join(f"{part:02X}" for part in parts)


def style(axes: Axes, x_label: str, y_label: str) -> None:
    """Quiet axes with their units: no box above and to the right, a light grid behind the data."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(GREY)
    axes.tick_params(colors=GREY, labelsize=TEXT_SIZE - 1.0)
    axes.grid(True, color=PALE, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel(x_label, fontsize=TEXT_SIZE, color=INK)
    axes.set_ylabel(y_label, fontsize=TEXT_SIZE, color=INK)


def heading(axes: Axes, text: str) -> None:
    """What the axes show, above them on the left; never read as a formula."""
    axes.set_title(text, loc="left", fontsize=TEXT_SIZE, color=INK, parse_math=False)
