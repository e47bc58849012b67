"""The table of a study file on parts that are bought or cut, for the workshop sheet; see `tables`.

Nothing of it has a default: what is not given stays open on the sheet.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import model_validator

from optimiser.study.keys import Table, key, refuse

_OPEN = "left open"
_PRICE = (0.0, 1e7)
_KG = (0.001, 20.0)
_LENGTH = (0.0, 500.0)


class PartsTable(Table):
    """Parts that are bought or cut; decides no design."""

    rod_end_length_mm: Annotated[
        float | None,
        key(
            "of the part at the outer joint, from the joint's centre to the far end of its thread: "
            "the end of a shank, the mouth of a socket",
            "mm",
            5.0,
            500.0,
            absent=_OPEN,
        ),
    ] = None
    inner_end_length_mm: Annotated[
        float | None,
        key(
            "likewise of the part at the inner joint; 0 where the rod begins at the inner joint's "
            "centre and has no thread there",
            "mm",
            *_LENGTH,
            absent=_OPEN,
        ),
    ] = None
    thread_length_mm: Annotated[
        float | None,
        key(
            "thread that can be screwed in at each threaded end of a rod, without what the lock "
            "nut takes",
            "mm",
            1.0,
            300.0,
            absent=_OPEN,
        ),
    ] = None
    least_engagement_mm: Annotated[
        float | None,
        key("thread that has to stay screwed in at each such end", "mm", 1.0, 300.0, absent=_OPEN),
    ] = None
    pitch_mm: Annotated[
        float | None, key("pitch of these threads", "mm", 0.2, 5.0, absent=_OPEN)
    ] = None
    hands: Annotated[
        Literal["opposite", "same"] | None,
        key(
            '`"opposite"`: left-hand thread at one end of a rod, right-hand at the other, so that '
            'turning the rod sets toe; `"same"`: one end is taken off its bolt for that',
            absent=_OPEN,
        ),
    ] = None
    upper_adjust_mm: Annotated[
        float | None,
        key(
            "how far the upper ball joint can be set further out on its arm, or in, either way, "
            "for camber",
            "mm",
            0.1,
            50.0,
            absent="no adjuster",
        ),
    ] = None
    lower_adjust_mm: Annotated[
        float | None,
        key("likewise the lower ball joint", "mm", 0.1, 50.0, absent="no adjuster"),
    ] = None
    rod_price: Annotated[
        float | None,
        key("of the bar or tube of one rod, your currency", "1", *_PRICE, absent=_OPEN),
    ] = None
    rod_end_price: Annotated[
        float | None, key("of one part at an outer joint", "1", *_PRICE, absent=_OPEN)
    ] = None
    rod_end_mass_kg: Annotated[float | None, key("its mass", "kg", *_KG, absent=_OPEN)] = None
    inner_end_price: Annotated[
        float | None,
        key(
            "of one part at an inner joint, 0 where it comes with the rack",
            "1",
            *_PRICE,
            absent=_OPEN,
        ),
    ] = None
    inner_end_mass_kg: Annotated[
        float | None,
        key("its mass, 0 where it is in the rack's", "kg", 0.0, 20.0, absent=_OPEN),
    ] = None
    spacer_price: Annotated[float | None, key("of one spacer", "1", *_PRICE, absent=_OPEN)] = None
    collar_price: Annotated[float | None, key("of one stop collar", "1", *_PRICE, absent=_OPEN)] = (
        None
    )
    collar_mass_kg: Annotated[float | None, key("its mass", "kg", *_KG, absent=_OPEN)] = None

    @model_validator(mode="after")
    def _enough_thread(self) -> Self:
        thread, least = self.thread_length_mm, self.least_engagement_mm
        if thread is not None and least is not None and least > thread:
            refuse(
                f"{least:g} mm have to stay screwed in, and thread_length_mm = {thread:g} mm is "
                "less",
                "take parts with more thread",
                "least_engagement_mm",
            )
        for name in ("rod_end_length_mm", "inner_end_length_mm"):
            length = getattr(self, name)
            if thread is not None and length and thread > length:
                refuse(
                    f"{thread:g} mm of thread are longer than {name} = {length:g} mm",
                    "measure both: the length goes from the joint's centre to the far end of the "
                    "thread",
                    "thread_length_mm",
                )
        return self
