"""DXF R2010 in millimetres: a layer for each kind, names and caution as text."""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError

if TYPE_CHECKING:
    from optimiser.folder.cad.drawing import Drawing, Kind

APPLICATION = "TIEROD_OPTIMISER"
"""Name under which the extended data of each entity holds its name."""
POINTS_LAYER, NAMES_LAYER, NOTES_LAYER = "points", "names", "notes"
MOVED_LAYER = "moved points"
"""Of points of the suspension that are elsewhere than drawn, where there are any."""
MILLIMETRES = 4
TEXT_HEIGHT_MM = 8.0
_NOTE_HEIGHT_MM, _NOTE_LETTERS = 16.0, 80  # of a note, which stands below the drawing
_NUMBER_OF_TEXT = 1000  # DXF group code of a string in extended data
_LONGEST_TEXT = 255
# Numbers of the AutoCAD colour index, which DXF uses.
_COLOURS: dict[Kind, int] = {
    "arms": 8,
    "steering axes": 6,
    "steering arms": 30,
    "tie rods": 5,
    "spacers": 3,
    "rack": 1,
    "keep-outs": 9,
}
_WHERE_DRAWN: dict[Kind, int] = {"column": 4, "tyres": 8, "tie rods in motion": 4}
"""Layers of a drawing that has such lines."""


def dxf_text(drawing: Drawing) -> str:
    """Text of a DXF file with 3-D POINT, LINE and TEXT entities.

    Raises:
        InputError: the library that writes it is not installed.
    """
    try:
        from ezdxf.filemanagement import new
    except ImportError:
        raise InputError(
            "--to dxf", "needs ezdxf, which is not installed", 'pip install "tierod-optimiser[cad]"'
        ) from None
    document = new("R2010", setup=True)
    document.header["$INSUNITS"] = MILLIMETRES
    document.header["$MEASUREMENT"] = 1
    document.appids.add(APPLICATION)
    drawn_kinds = {line.kind for line in drawing.lines}
    more = [(kind, colour) for kind, colour in _WHERE_DRAWN.items() if kind in drawn_kinds]
    named = ((POINTS_LAYER, 7), (NAMES_LAYER, 7), (NOTES_LAYER, 1))
    for layer, colour in (*named, *_COLOURS.items(), *more):
        document.layers.add(layer, color=colour)
    if drawing.moved:
        document.layers.add(MOVED_LAYER, color=1)
    space = document.modelspace()

    def data(name: str) -> list[tuple[int, str]]:
        return [(_NUMBER_OF_TEXT, name[:_LONGEST_TEXT])]

    for name, at in drawing.points.items():
        place = tuple(at.tolist())
        layer = MOVED_LAYER if name in drawing.moved else POINTS_LAYER
        point = space.add_point(place, dxfattribs={"layer": layer})
        text = space.add_text(
            name, height=TEXT_HEIGHT_MM, dxfattribs={"layer": NAMES_LAYER, "insert": place}
        )
        for entity in (point, text):
            entity.set_xdata(APPLICATION, data(name))
    for line in drawing.lines:
        for start, stop in line.segments.tolist():
            drawn = space.add_line(start, stop, dxfattribs={"layer": line.kind})
            drawn.set_xdata(APPLICATION, data(line.name))
    low = np.min(list(drawing.points.values()), axis=0).tolist()
    for number, line_of_text in enumerate(_notes(drawing), start=3):
        below = low[1] - 2.0 * number * _NOTE_HEIGHT_MM
        attributes = {"layer": NOTES_LAYER, "insert": (low[0], below, low[2])}
        space.add_text(line_of_text, height=_NOTE_HEIGHT_MM, dxfattribs=attributes)
    out = io.StringIO()
    document.write(out)
    return out.getvalue()


def _notes(drawing: Drawing) -> list[str]:
    """Title and caution in short lines: a text entity has one line."""
    return [
        line
        for text in (drawing.title, drawing.caution)
        for line in textwrap.wrap(text, _NOTE_LETTERS)
    ]
