"""A chosen design as files for CAD: everything in the study's CAD frame, both sides, by name.

`drawing` collects named points, lines and keep-outs, `dxf` and `step` write them, `parameters`
lists every length as `name,value,unit`.
"""

from optimiser.folder.cad.drawing import Drawing, Line, make_drawing
from optimiser.folder.cad.dxf import dxf_text
from optimiser.folder.cad.parameters import parameters_text
from optimiser.folder.cad.step import step_text

__all__ = ["Drawing", "Line", "dxf_text", "make_drawing", "parameters_text", "step_text"]
