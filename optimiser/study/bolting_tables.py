"""Tables of a study file on where a rack is bolted down and how it is driven; see `tables`."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import model_validator

from optimiser.study.keys import Point, Span, Table, key, refuse

_LEAST_AXIS = 1e-6
"""Length below which a vector is taken for none."""


class MountZoneTable(Table):
    """A box along the CAD axes in which a foot of the rack may stand."""

    from_mm: Annotated[Point, key("one corner of the box, CAD frame", "mm", -1e5, 1e5)]
    to_mm: Annotated[Point, key("the opposite corner; a flat box is a face", "mm", -1e5, 1e5)]
    foot: Annotated[
        Literal["left", "right", "either"],
        key("for which foot: the one that ends on that side of THIS car"),
    ] = "either"


class ColumnTable(Table):
    """From the steering wheel to the pinion: shafts and universal joints."""

    steering_wheel_mm: Annotated[
        Point, key("a point on the shaft of the steering wheel, CAD frame", "mm", -1e5, 1e5)
    ]
    steering_wheel_axis: Annotated[
        Point,
        key(
            "direction `[x, y, z]` of that shaft away from the driver, CAD axes; it points forward"
        ),
    ]
    joints: Annotated[
        Literal[1, 2],
        key(
            "universal joints; with one the steering wheel's shaft and the pinion's axis must meet"
        ),
    ] = 2
    joint_limit_deg: Annotated[
        float, key("greatest angle of each joint; common practice, no source", "deg", 1.0, 60.0)
    ] = 30.0
    shaft_diameter_mm: Annotated[
        float | None,
        key("thickness of the shafts, for clearance", "mm", 5.0, 120.0, absent="not checked"),
    ] = None
    lower_joint_mm: Annotated[
        Span,
        key(
            "range `{from = 20, to = 60}` of places of the lower joint: from the end of the pinion "
            "housing along the pinion's axis",
            "mm",
            0.0,
            1000.0,
        ),
    ]
    upper_joint_mm: Annotated[
        Span,
        key(
            "likewise of the upper joint: from `steering_wheel_mm` forward along the shaft",
            "mm",
            -1000.0,
            3000.0,
        ),
    ]
    shaft_length_mm: Annotated[
        Span | None,
        key(
            "range of the middle shaft's length, joint to joint; only with two joints",
            "mm",
            20.0,
            3000.0,
            absent="any",
        ),
    ] = None
    yoke_step_deg: Annotated[
        float,
        key(
            "angle between two ways of setting a fork on its splines: 360 over their number, 10 "
            "for 36 of them; 0 where it can be set at any",
            "deg",
            0.0,
            90.0,
        ),
    ] = 10.0
    straight_ahead: Annotated[
        Literal["light", "heavy"],
        key("where the joints make the steering lighter or heavier, which it is straight ahead"),
    ] = "light"

    @model_validator(mode="after")
    def _together(self) -> Self:
        if max(map(abs, self.steering_wheel_axis)) < _LEAST_AXIS:
            given = ", ".join(f"{value:g}" for value in self.steering_wheel_axis)
            refuse(
                f"[{given}] is no direction", "give the shaft's direction", "steering_wheel_axis"
            )
        if self.joints == 1 and self.shaft_length_mm is not None:
            refuse(
                "with one joint there is no middle shaft",
                "remove it, or write joints = 2",
                "shaft_length_mm",
            )
        return self
