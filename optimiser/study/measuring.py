"""The table of a study file on measuring the finished car; see `tables`."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, field_validator

from optimiser.metrics.tolerance.shims import STOCK_MM
from optimiser.study.keys import FROM_LIST, Table, key, refuse

MOST_SHIMS = 20
_Places = tuple[float, float, float, float]


def _rounds(value: Any) -> Any:
    """One list of four, or one for each round, as a tuple of rounds."""
    if not isinstance(value, (list, tuple)):
        return value
    rounds = value if any(isinstance(item, (list, tuple)) for item in value) else [value]
    if not rounds or any(not isinstance(item, (list, tuple)) or len(item) != 4 for item in rounds):
        refuse(
            "is not four numbers, nor lists of four",
            "give [rack left, rack right, outer joint left, outer joint right]",
        )
    return tuple(tuple(item) for item in rounds)


class MeasuringTable(Table):
    """How toe is measured on the finished car and shimmed, for `optimiser measured`."""

    toe_over_mm: Annotated[
        float | None,
        key("length over which `toe_in_mm` is read", "mm", 100.0, 3000.0, absent="not so read"),
    ] = None
    gauge_distance_mm: Annotated[
        float | None,
        key(
            "from the front gauge to the rear one, along the car",
            "mm",
            50.0,
            3000.0,
            absent="no gauges",
        ),
    ] = None
    gauges_read: Annotated[
        Literal["outboard", "distance"],
        key(
            'what makes the gauges, outboard of the wheel, read more: `"outboard"`, the plate '
            'moving outboard; `"distance"`, its distance from them growing'
        ),
    ] = "outboard"
    travel_zero: Annotated[
        Literal["known", "free"], key("`free` where ride height was not measured exactly")
    ] = "known"
    toe_zero: Annotated[
        Literal["known", "free"],
        key("`free` where gauges were zeroed at rest, so that toe itself is not known"),
    ] = "known"
    toe_plus_minus_deg: Annotated[
        float,
        key(
            "standard deviation of a reading; ten or more that were repeated tell it",
            "deg",
            0.001,
            1.0,
        ),
    ] = 0.02
    bracket_spacing_mm: Annotated[
        float | None,
        key(
            "from the middle of one rack bracket to that of the other: the lever of a shim",
            "mm",
            50.0,
            2000.0,
            absent="both brackets are shimmed alike",
        ),
    ] = None
    fitted_shims_mm: Annotated[
        tuple[_Places, ...],
        BeforeValidator(_rounds),
        key(
            "shims fitted when the readings were taken: `[rack left, rack right, outer joint left, "
            "outer joint right]`, or a list of such lists, one for each round",
            "mm",
            0.0,
            50.0,
            absent="none",
        ),
    ] = ((0.0, 0.0, 0.0, 0.0),)
    shims_mm: Annotated[
        tuple[float, ...], FROM_LIST, key("thicknesses of packs in stock", "mm", 0.05, 20.0)
    ] = STOCK_MM

    @field_validator("shims_mm")
    @classmethod
    def _some(cls, sizes: tuple[float, ...]) -> tuple[float, ...]:
        if not 1 <= len(sizes) <= MOST_SHIMS:
            refuse(f"lists {len(sizes)} shims", f"list 1 to {MOST_SHIMS} thicknesses")
        return tuple(sorted(set(sizes)))
