"""Points and lines of a design written for CAD."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Literal, get_args

from optimiser import __version__
from optimiser.answer.bolted import bolt_sentences, bolted_points
from optimiser.answer.fitting import fitting_sentences
from optimiser.answer.run_result import hardpoints_text
from optimiser.base.errors import InputError
from optimiser.base.files import slug, write_text
from optimiser.folder.cad import dxf_text, make_drawing, parameters_text, step_text

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.answer.run_result import Chosen

Format = Literal["csv", "dxf", "step"]
FORMATS: tuple[Format, ...] = get_args(Format)


def check_format(to: str) -> Format:
    """The format by its name.

    Raises:
        InputError: there is no such format.
    """
    for name in FORMATS:
        if to == name:
            return name
    raise InputError("--to", f"{to!r} is no format", f"write one of {', '.join(FORMATS)}")


def export_design(chosen: Chosen, to: Format, folder: Path) -> list[Path]:
    """Write one design into a folder; returns the files.

    Raises:
        InputError: a library that the format needs is not installed.
        StorageError: the folder cannot be written.
    """
    name = slug(chosen.label)
    if to == "csv":
        content = {
            f"{name}-hardpoints.csv": hardpoints_text(
                chosen.points,
                chosen.study.frame,
                chosen.lengths_mm,
                chosen.title,
                (
                    *fitting_sentences(chosen.problem, chosen.design, chosen.outcome),
                    *bolt_sentences(chosen.problem, chosen.design, chosen.study.frame),
                ),
                bolted_points(chosen.problem, chosen.design),
            ),
            f"{name}-parameters.csv": parameters_text(chosen),
        }
    elif to == "dxf":
        content = {f"{name}.dxf": dxf_text(make_drawing(chosen))}
    else:
        now = datetime.datetime.now(datetime.UTC)
        program = f"tierod-optimiser {__version__}"
        content = {f"{name}.step": step_text(make_drawing(chosen), program, now)}
    paths = []
    for file, text in content.items():
        write_text(folder / file, text)
        paths.append(folder / file)
    return paths
