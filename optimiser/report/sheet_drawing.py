"""The drawing of the workshop sheet: what is set out from what, to scale, from behind and above.

Plain lines for a template to draw, in mm on paper. Both views have left on the left; the car's
middle is the middle of the sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.setting_out import BALL_JOINTS, FEET, GROUND, JOINTS, OTHER, PIVOTS
from optimiser.linkage.mirror import mirrored

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from optimiser.answer.run_result import Chosen
    from optimiser.answer.setting_out import SetOut
    from optimiser.linkage.vectors import Array

LETTERS = dict(zip((*PIVOTS, *BALL_JOINTS, *JOINTS, *FEET), "ABCDEFIOPQ", strict=True))
"""Letters of points on the sheet; those of the right side have an apostrophe."""
_SCALES = (2, 2.5, 4, 5, 8, 10, 12.5, 15, 20, 25, 40)
_WIDTH_MM, _HEIGHT_MM = 182.0, 94.0
_EDGE_MM, _GAP_MM = 4.5, 5.0
_SAME_MM = 1.2
"""Points of a view that are closer on paper share a label."""
_LABEL_MM = 3.4
_TRIED = 16
_ALONG = np.linspace(0.0, 1.0, 15)

Flat = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """A line on paper: `part`, `thin`, `ground` or `measured`, and its ends."""

    kind: str
    start: Flat
    end: Flat


@dataclass(frozen=True, slots=True)
class Label:
    """Letters or a number of a distance, and where their middle is."""

    text: str
    at: Flat
    of_distance: bool


@dataclass(frozen=True, slots=True)
class View:
    """One view: its title, lines, marked points and labels."""

    title: str
    title_at: Flat
    lines: tuple[Line, ...]
    marks: tuple[Flat, ...]
    labels: tuple[Label, ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    """Both views on a sheet of this size, mm; one mm on it is `scale` mm of the car."""

    width: float
    height: float
    scale: float
    views: tuple[View, ...]


def named_points(chosen: Chosen, new: Sequence[SetOut]) -> dict[str, Array]:
    """Every point of the sheet in body axes by its letters."""
    found = {}
    for name in (*PIVOTS, *BALL_JOINTS, *JOINTS):
        at = getattr(chosen.points, name)
        found[LETTERS[name]] = at
        found[f"{LETTERS[name]}'"] = mirrored(at)
    return found | {LETTERS[one.name]: one.at for one in new if one.name in FEET}


def letters_of(point: str, reference: str) -> str:
    """Letters of a reference of a new point; empty of the ground."""
    if reference == GROUND:
        return ""
    on_other = reference.startswith(OTHER)
    letter = LETTERS[reference.removeprefix(OTHER)]
    return f"{letter}'" if on_other != (point == FEET[1]) else letter


def numbered(new: Sequence[SetOut]) -> dict[tuple[str, str], int]:
    """Number of each distance that is set out, by its point and its reference."""
    pairs = [(one.name, distance.reference) for one in new for distance in one.three]
    return {pair: count for count, pair in enumerate(pairs, start=1)}


def drawing(chosen: Chosen, new: Sequence[SetOut]) -> Drawing:
    """Both views, in the largest of the usual scales that fits."""
    points = named_points(chosen, new)
    every = np.array(list(points.values()))
    across = np.ptp(every[:, 1])
    high, deep = every[:, 2].max(), np.ptp(every[:, 0])
    room = _HEIGHT_MM - 4.0 * _EDGE_MM - _GAP_MM
    least = max(across / (_WIDTH_MM - 2.0 * _EDGE_MM), (high + deep) / room)
    scale = next((one for one in _SCALES if one >= least), float(np.ceil(least)))
    top = _EDGE_MM + high / scale
    ahead = top + 2.0 * _EDGE_MM + _GAP_MM + every[:, 0].max() / scale
    middle = 0.5 * _WIDTH_MM

    def behind(at: Array) -> Array:
        return np.array([middle, top]) - at[..., [1, 2]] / scale

    def above(at: Array) -> Array:
        return np.array([middle, ahead]) - at[..., [1, 0]] / scale

    height = ahead - every[:, 0].min() / scale + _EDGE_MM
    views = (
        _view("from behind", behind, points, new, ground=True),
        _view(
            "from above, forward is up",
            above,
            points,
            new,
            ground=False,
        ),
    )
    return Drawing(_WIDTH_MM, float(height), scale, views)


def _view(
    title: str,
    flat: Callable[[Array], Array],
    points: Mapping[str, Array],
    new: Sequence[SetOut],
    *,
    ground: bool,
) -> View:
    at = {name: flat(point) for name, point in points.items()}
    lines = list(_parts(at))
    level = float(flat(np.zeros(3))[1])
    if ground:
        lines.append(Line("ground", (_EDGE_MM, level), (_WIDTH_MM - _EDGE_MM, level)))
    measured = []
    for (name, reference), count in numbered(new).items():
        start = at[LETTERS[name]]
        letters = letters_of(name, reference)
        if not letters and not ground:
            continue
        end = at[letters] if letters else np.array([start[0], level])
        measured.append((count, Line("measured", _pair(start), _pair(end))))
    lines = [line for _, line in measured] + lines
    below = level if ground else max(float(point[1]) for point in at.values())
    return View(
        title,
        (_EDGE_MM, below + (3.6 if ground else 0.0)),
        tuple(lines),
        tuple(_pair(point) for point in at.values()),
        tuple(_labels(at, lines, measured)),
    )


def _parts(at: Mapping[str, Array]) -> Iterator[Line]:
    """Arms, uprights, tie rods and the bar."""
    for prime in ("", "'"):
        pairs = (("A", "E"), ("B", "E"), ("C", "F"), ("D", "F"), ("E", "F"), ("E", "O"))
        for one, other in pairs:
            yield Line("thin", _pair(at[one + prime]), _pair(at[other + prime]))
        yield Line("part", _pair(at[f"I{prime}"]), _pair(at[f"O{prime}"]))
    yield Line("part", _pair(at["I"]), _pair(at["I'"]))


def _labels(
    at: Mapping[str, Array], lines: Sequence[Line], measured: Sequence[tuple[int, Line]]
) -> Iterator[Label]:
    """Labels of points, shared where they are close, then numbers upon their lines."""
    groups: list[tuple[Array, list[str]]] = []
    for name, point in at.items():
        near = next((g for g in groups if np.hypot(*(g[0] - point)) < _SAME_MM), None)
        if near is None:
            groups.append((point, [name]))
        else:
            near[1].append(name)
    drawn = np.concatenate(
        [
            np.array(line.start) + _ALONG[:, None] * np.subtract(line.end, line.start)
            for line in lines
        ]
    )
    taken = np.concatenate([drawn, [point for point, _ in groups]])
    for point, names in groups:
        text = " ".join(names)
        place = _clear_place(point, taken, len(text))
        taken = np.concatenate([taken, _cells(place, len(text)), _cells(place, len(text))])
        yield Label(text, _pair(place), False)
    others = taken[len(drawn) :]
    for count, line in measured:
        start, end = np.array(line.start), np.array(line.end)
        ways = start + np.linspace(0.2, 0.8, 13)[:, None] * (end - start)
        away = np.hypot(*(ways[:, None] - others).transpose(2, 0, 1)).min(axis=1)
        place = ways[int(np.argmax(np.minimum(away, _LABEL_MM)))]
        others = np.concatenate([others, [place]])
        yield Label(str(count), _pair(place), True)


def _clear_place(point: Array, taken: Array, letters: int) -> Array:
    """The place about a point from which what is drawn is furthest."""
    angles = np.linspace(0.0, 2.0 * np.pi, _TRIED, endpoint=False)
    reach = np.array([_LABEL_MM + 0.7 * (letters - 1), _LABEL_MM])
    places = point + reach * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    room = [
        np.hypot(*(_cells(place, letters)[:, None] - taken).transpose(2, 0, 1)).min()
        for place in places
    ]
    return np.asarray(places[int(np.argmax(room))])


def _cells(place: Array, letters: int) -> Array:
    """Points that a label of so many letters covers."""
    half = 0.7 * (letters - 1)
    return np.asarray(place + np.array([[-half, 0.0], [0.0, 0.0], [half, 0.0]]))


def _pair(at: Array) -> Flat:
    return round(float(at[0]), 2), round(float(at[1]), 2)
