"""Named points and lines of a chosen design in the CAD frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.answer.bolted import bolted_lines, bolted_points
from optimiser.answer.moved import moves_of
from optimiser.answer.run_result import CAUTION
from optimiser.evaluation.clearance.keep_outs import carried_to, keep_outs
from optimiser.folder.cad.moved import moved_parts
from optimiser.linkage.mirror import mirrored
from optimiser.linkage.steering_arm import arm_foot

if TYPE_CHECKING:
    from optimiser.answer.run_result import Chosen
    from optimiser.linkage.hardpoints import CadFrame, Hardpoints
    from optimiser.linkage.vectors import Array

Kind = Literal[
    "arms",
    "steering axes",
    "steering arms",
    "tie rods",
    "spacers",
    "rack",
    "column",
    "keep-outs",
    "tyres",
    "tie rods in motion",
]


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """Something made of straight segments (n, 2, 3), in mm."""

    name: str
    kind: Kind
    segments: Array


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """Everything that goes to CAD, in its frame, in mm.

    Attributes:
        title: what it is.
        caution: what whoever builds from it has to know.
        points: both sides by name, as in the hardpoints file.
        lines: parts and keep-outs.
        moved: names of the points of the suspension that are elsewhere than drawn.
    """

    title: str
    caution: str
    points: dict[str, Array]
    lines: tuple[Line, ...]
    moved: frozenset[str] = frozenset()


def make_drawing(chosen: Chosen) -> Drawing:
    """Both sides of a design, its rack and the study's keep-outs; with a tyre, how it moves."""
    frame, points = chosen.study.frame, chosen.points
    named: dict[str, Array] = {}
    lines: list[Line] = []
    spacer = float(chosen.design.column("spacer_mm")[0])
    end = points.inner_joint - np.array([0.0, spacer, 0.0])
    ends = [end, mirrored(end)]
    for (prefix, side), its_end in zip(points.both_sides(), ends, strict=True):
        named |= {f"{prefix}{name}": frame.to_cad(value) for name, value in side.items()}
        lines += _side(prefix, side, its_end, frame)
    lines.append(_line("rack", "rack", ends, frame))
    problem, design = chosen.problem, chosen.design
    named |= {name: frame.to_cad(at) for name, at in bolted_points(problem, design).items()}
    for name, path in bolted_lines(problem, design).items():
        lines.append(_line(name, "column" if name.startswith("column") else "rack", path, frame))
    for shape in keep_outs(problem.room, carried_to(problem.points, points)):
        lines.append(Line(shape.name, "keep-outs", frame.to_cad(shape.wireframe())))
    lines += [Line(name, kind, frame.to_cad(wires)) for name, kind, wires in moved_parts(chosen)]
    moves = moves_of(problem, design)
    sides = (prefix for prefix, _ in points.both_sides())
    moved = frozenset(f"{prefix}{move.point}" for prefix in sides for move in moves)
    return Drawing(chosen.title, CAUTION, named, tuple(lines), moved)


def _side(prefix: str, points: Hardpoints, end: Array, frame: CadFrame) -> list[Line]:
    low, up = points.lower_ball_joint, points.upper_ball_joint
    arm = [arm_foot(points), points.outer_joint]
    lines = [
        _line(
            f"{prefix}lower_arm",
            "arms",
            [points.lower_front_pivot, low, points.lower_rear_pivot],
            frame,
        ),
        _line(
            f"{prefix}upper_arm",
            "arms",
            [points.upper_front_pivot, up, points.upper_rear_pivot],
            frame,
        ),
        _line(f"{prefix}steering_axis", "steering axes", [low, up], frame),
        _line(f"{prefix}steering_arm", "steering arms", arm, frame),
        _line(f"{prefix}tie_rod", "tie rods", [points.inner_joint, points.outer_joint], frame),
    ]
    if np.any(end != points.inner_joint):
        lines.append(_line(f"{prefix}spacer", "spacers", [end, points.inner_joint], frame))
    return lines


def _line(name: str, kind: Kind, path: list[Array] | Array, frame: CadFrame) -> Line:
    at = frame.to_cad(np.array(path))
    return Line(name, kind, np.stack([at[:-1], at[1:]], axis=1))
