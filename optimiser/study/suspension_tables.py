"""Tables of a study file on what of the suspension may move, and how little the car may change."""

from __future__ import annotations

from collections import Counter
from typing import Annotated, Literal, Self

from pydantic import Discriminator, Tag, field_validator, model_validator

from optimiser.evaluation.moves import DIRECTIONS, MOVABLE, PAIRS
from optimiser.study.keys import Table, key, kind_of, refuse

_FARTHEST_MM = 200.0
_ENTRIES = (*PAIRS, *MOVABLE)

Band = Annotated[
    Annotated[float, Tag("number")] | Annotated[Literal["off"], Tag("word")], Discriminator(kind_of)
]
"""How far something may part from drawn, or `"off"`."""


class MoverTable(Table):
    """One entry of `[suspension.may_move]`: a point, or both pivots of an arm together."""

    forward: Annotated[
        float,
        key(
            "of an entry `POINT = {outboard = 25, up = 15}`: how far the point may move forward or "
            "back; entries are the pivots and ball joints by their names, or `lower_pivots`, "
            "`upper_pivots` for both of an arm, parallel",
            "mm",
            0.0,
            _FARTHEST_MM,
        ),
    ] = 0.0
    outboard: Annotated[float, key("likewise outboard or inboard", "mm", 0.0, _FARTHEST_MM)] = 0.0
    up: Annotated[float, key("likewise up or down", "mm", 0.0, _FARTHEST_MM)] = 0.0
    cost: Annotated[float, key("what a millimetre of it counts as", "1", 0.01, 100.0)] = 1.0

    @model_validator(mode="after")
    def _somewhere(self) -> Self:
        if not any(self.box_mm):
            refuse("may move nowhere", "give it room, such as {outboard = 25, up = 15}")
        return self

    @property
    def box_mm(self) -> tuple[float, float, float]:
        """Room either way in each direction."""
        forward, outboard, up = (getattr(self, name) for name in DIRECTIONS)
        return forward, outboard, up


class KeepTable(Table):
    """How far the car may part from the drawn one where its suspension is changed."""

    camber_deg: Annotated[
        Band, key("of the drawn camber curve, at every travel", "deg", 0.001, 10.0)
    ] = 0.25
    caster_deg: Annotated[
        Band, key("of the drawn caster curve, at every travel", "deg", 0.001, 10.0)
    ] = 0.25
    kingpin_inclination_deg: Annotated[
        Band, key("of the drawn curve of kingpin inclination, at every travel", "deg", 0.001, 10.0)
    ] = 0.5
    anti_dive_deg: Annotated[
        Band,
        key(
            "of the drawn slope of the contact point's path in side view, at rest, the brake "
            "locked and the steer angle held",
            "deg",
            0.001,
            30.0,
        ),
    ] = 0.5
    roll_centre_mm: Annotated[
        Band, key("of the drawn height of the roll centre, at rest", "mm", 0.01, 500.0)
    ] = 15.0
    track_change_mm: Annotated[
        Band,
        key("of the drawn contact point's lateral path, at every travel", "mm", 0.01, 100.0),
    ] = 3.0
    scrub_radius_mm: Annotated[
        Band, key("of the drawn scrub radius, at rest", "mm", 0.01, 100.0)
    ] = 5.0
    trail_mm: Annotated[Band, key("of the drawn trail, at rest", "mm", 0.01, 100.0)] = 5.0


class SuspensionTable(Table):
    """What of the suspension may move; asked by `optimiser adapt`."""

    may_move: Annotated[dict[str, MoverTable], key("points that may move", empty=True)]
    keep: Annotated[KeepTable, key("how far the car may part from the drawn one")] = KeepTable()

    @field_validator("may_move")
    @classmethod
    def _once_each(cls, entries: dict[str, MoverTable]) -> dict[str, MoverTable]:
        for name in entries:
            if name not in _ENTRIES:
                refuse(f"{name!r} is nothing that may move", f"name one of {', '.join(_ENTRIES)}")
        points = Counter(point for name in entries for point in PAIRS.get(name, (name,)))
        for point, count in points.items():
            if count > 1:
                refuse(f"{point} stands in two entries", "name it once, alone or in its pair")
        return entries
