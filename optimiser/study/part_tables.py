"""Tables of a study file on room, strength, loads and build accuracy; see `tables`."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Discriminator, Tag, field_validator, model_validator

from optimiser.metrics.joints import BOLT_WORDS, BoltWord
from optimiser.study.keys import Point, Table, key, kind_of, refuse


class KeepOut(Table):
    """A part of the car that the steering may not touch."""

    name: Annotated[str, key("what it is, for messages and reports")]
    kind: Annotated[
        Literal["box", "capsule"],
        key("`box` along the CAD axes, or `capsule`: all within a radius of a line"),
    ]
    from_mm: Annotated[
        Point,
        key("one corner of the box, or one end of the line, CAD frame", "mm", -1e5, 1e5),
    ]
    to_mm: Annotated[
        Point, key("the opposite corner, or the other end, CAD frame", "mm", -1e5, 1e5)
    ]
    radius_mm: Annotated[
        float | None, key("radius of a capsule", "mm", 0.1, 1000.0, absent="a box has none")
    ] = None
    mirror: Annotated[bool, key("the same again on the other side of the car")] = False

    @model_validator(mode="after")
    def _shape(self) -> Self:
        if self.kind == "capsule" and self.radius_mm is None:
            refuse("is missing for a capsule", "give its radius in mm", "radius_mm")
        if self.kind == "box" and self.radius_mm is not None:
            refuse("does not go with a box", 'remove it, or write kind = "capsule"', "radius_mm")
        if self.kind == "box" and self.from_mm == self.to_mm:
            refuse("the box has no size: from_mm and to_mm are one point", "give opposite corners")
        return self


class WheelTable(Table):
    """The inside of the wheel rim, which steers and moves with the wheel."""

    rim_inside_radius_mm: Annotated[float, key("inside radius of the rim", "mm", 80.0, 400.0)]
    rim_inner_width_mm: Annotated[
        float, key("length of that cylinder along the wheel's axle", "mm", 30.0, 450.0)
    ]
    rim_offset_mm: Annotated[
        float,
        key("middle of that cylinder outboard of the wheel centre", "mm", -150.0, 150.0),
    ] = 0.0


class _RodTable(Table):
    diameter_mm: Annotated[float, key("outside diameter", "mm", 4.0, 80.0)]
    wall_mm: Annotated[float | None, key("wall of a tube", "mm", 0.3, 40.0, absent="solid")] = None
    e_gpa: Annotated[float, key("Young's modulus; the default is steel's", "GPa", 1.0, 500.0)] = (
        205.0
    )
    yield_mpa: Annotated[
        float, key("yield strength; the default is a mild steel's", "MPa", 20.0, 3000.0)
    ] = 250.0
    density_kg_m3: Annotated[
        float, key("density; the default is steel's", "kg/m3", 500.0, 25000.0)
    ] = 7850.0

    @model_validator(mode="after")
    def _hollow(self) -> Self:
        if self.wall_mm is not None and 2.0 * self.wall_mm > self.diameter_mm:
            refuse(
                f"{self.wall_mm:g} mm is more than half of diameter_mm = {self.diameter_mm:g}",
                "leave the wall out for a solid rod",
                "wall_mm",
            )
        return self


class TieRodTable(_RodTable):
    """The tie rods: strength, mass and room."""

    joint_diameter_mm: Annotated[
        float | None,
        key("diameter of the outer joint's housing", "mm", 5.0, 120.0, absent="the rod's"),
    ] = None


class SpacerTable(_RodTable):
    """The spacers between rack and inner joint."""


_BOLTS = ", ".join(f'`"{word}"`' for word in BOLT_WORDS)
Bolt = Annotated[
    Annotated[BoltWord, Tag("word")] | Annotated[Point, Tag("stock")], Discriminator(kind_of)
]
"""A direction: a word or a vector."""


class ArmsTable(Table):
    """The arms: thickness, for clearance, and the bolt of the outer joint."""

    tube_diameter_mm: Annotated[
        float | None,
        key("diameter of the tubes of both wishbones", "mm", 5.0, 120.0, absent="not checked"),
    ] = None
    steering_arm_diameter_mm: Annotated[
        float | None,
        key("thickness of the steering arm", "mm", 5.0, 120.0, absent="not checked"),
    ] = None
    outer_bolt: Annotated[
        Bolt | None,
        key(
            "direction at rest of the outer joint's bolt, or of its taper: "
            f"{_BOLTS} (of the directions square to the "
            "tie rod the nearest to the steering axis), or a vector `[x, y, z]` of the left "
            "corner in CAD axes; it turns with the upright",
            absent="the worst of the three, since a misalignment must not be taken for less",
        ),
    ] = None

    @field_validator("outer_bolt")
    @classmethod
    def _points(cls, bolt: BoltWord | tuple[float, float, float] | None) -> Any:
        if isinstance(bolt, tuple) and not any(bolt):
            refuse("[0, 0, 0] is no direction", "give the bolt's direction, such as [0, 0.1, 1]")
        return bolt


class LoadsTable(Table):
    """Estimates of steering effort; needs `[car] front_axle_load_n`."""

    friction: Annotated[float, key("tyre on ground, parked", "1", 0.1, 2.0)] = 0.7
    tyre_pressure_kpa: Annotated[float, key("pressure above the air's", "kPa", 50.0, 500.0)]
    efficiency: Annotated[
        float, key("of pinion and column, hand to rack (invented)", "1", 0.3, 1.0)
    ] = 0.9
    steering_wheel_diameter_mm: Annotated[
        float, key("diameter of the steering wheel", "mm", 150.0, 600.0)
    ] = 350.0
    lateral_load_n: Annotated[
        float | None,
        key(
            "side force on the front axle in the cornering case",
            "N",
            0.0,
            100000.0,
            absent="no such case",
        ),
    ] = None
    trail_mm: Annotated[
        float | None,
        key(
            "lever of that force about the steering axis, caster and pneumatic trail together",
            "mm",
            -100.0,
            200.0,
            absent="the drawn caster trail",
        ),
    ] = None
    outer_share: Annotated[float, key("part of that force on the outer wheel", "1", 0.0, 1.0)] = 1.0
    friction_at_rack_n: Annotated[
        float | None,
        key(
            "friction of the steering at the rack, against which a standing car's wheels return; "
            "joints and column in it, tyres not",
            "N",
            0.0,
            5000.0,
            absent="returning is not judged",
        ),
    ] = None
    braking_load_n: Annotated[
        float | None,
        key(
            "braking force on the front axle, brakes in the wheels, for `forces.csv`",
            "N",
            0.0,
            100000.0,
            absent="no such case",
        ),
    ] = None
    kerb_load_n: Annotated[
        float | None,
        key(
            "rearward force at the centre of one wheel, for `forces.csv`",
            "N",
            0.0,
            100000.0,
            absent="no such case",
        ),
    ] = None


_N_PER_MM = ("N/mm", 1.0, 1e7)
_RIGID = "rigid"


class StiffnessTable(Table):
    """What gives way under load; sections of rods, bar and steering arm, where given, do too."""

    rack_mount_n_per_mm: Annotated[
        float | None,
        key("of both feet of the rack together, along the bar", *_N_PER_MM, absent=_RIGID),
    ] = None
    lower_bush_n_per_mm: Annotated[
        float | None,
        key("of each pivot of the lower arm, square to its axis", *_N_PER_MM, absent=_RIGID),
    ] = None
    lower_bush_axial_n_per_mm: Annotated[
        float | None, key("the same along the axis; goes with it", *_N_PER_MM, absent=_RIGID)
    ] = None
    upper_bush_n_per_mm: Annotated[
        float | None,
        key("of each pivot of the upper arm, square to its axis", *_N_PER_MM, absent=_RIGID),
    ] = None
    upper_bush_axial_n_per_mm: Annotated[
        float | None, key("the same along the axis; goes with it", *_N_PER_MM, absent=_RIGID)
    ] = None
    bracket_n_per_mm: Annotated[
        float | None,
        key("of each arm pivot's bracket, any way, in series", *_N_PER_MM, absent=_RIGID),
    ] = None
    ball_joint_n_per_mm: Annotated[
        float | None,
        key("of each ball joint on the upright, any way", *_N_PER_MM, absent=_RIGID),
    ] = None
    rod_end_n_per_mm: Annotated[
        float | None,
        key("of both joints of one tie rod together, along it", *_N_PER_MM, absent=_RIGID),
    ] = None
    column_nm_per_deg: Annotated[
        float | None,
        key(
            "of the column, steering wheel to pinion; needs catalogue column `turns`",
            "N m/deg",
            0.01,
            1e4,
            absent=_RIGID,
        ),
    ] = None

    @model_validator(mode="after")
    def _both(self) -> Self:
        for arm in ("lower", "upper"):
            across, along = f"{arm}_bush_n_per_mm", f"{arm}_bush_axial_n_per_mm"
            for one, other in ((across, along), (along, across)):
                if getattr(self, one) is None and getattr(self, other) is not None:
                    refuse(
                        f"is missing beside {other}",
                        "give both, or neither for rigid pivots",
                        one,
                    )
        return self


class SpringTable(Table):
    """The spring of the left corner at rest, for the forces on what is welded (`forces.csv`)."""

    arm_point_mm: Annotated[
        Point, key("its lower seat or end, on the part that moves, CAD frame", "mm", -1e5, 1e5)
    ]
    body_point_mm: Annotated[Point, key("its end on the body, CAD frame", "mm", -1e5, 1e5)]
    on: Annotated[
        Literal["lower_arm", "upper_arm", "upright"], key("the part that the first point is on")
    ]

    @model_validator(mode="after")
    def _has_length(self) -> Self:
        if self.arm_point_mm == self.body_point_mm:
            refuse("both ends are one point", "give the two ends of the spring", "body_point_mm")
        return self


class PlayTable(Table):
    """Play: the full clearance, from one end to the other."""

    inner_joint_mm: Annotated[
        float, key("of each inner joint, along the tie rod", "mm", 0.0, 10.0)
    ] = 0.0
    outer_joint_mm: Annotated[
        float, key("of each outer joint, along the tie rod", "mm", 0.0, 10.0)
    ] = 0.0
    rack_mm: Annotated[
        float, key("of the rack on its pinion and in its housing, along the bar", "mm", 0.0, 10.0)
    ] = 0.0
    column_deg: Annotated[
        float,
        key(
            "of the column, at the steering wheel; needs catalogue column `turns`",
            "deg",
            0.0,
            45.0,
        ),
    ] = 0.0


class ToleranceTable(Table):
    """How exactly you can build: greatest deviation either way (standard deviation if normal)."""

    bracket_mm: Annotated[
        float, key("place of the rack's brackets, each direction", "mm", 0.0, 20.0)
    ] = 1.0
    spacer_mm: Annotated[float, key("length of spacers", "mm", 0.0, 20.0)] = 0.1
    arm_mm: Annotated[float, key("place of the outer joint, each direction", "mm", 0.0, 20.0)] = 0.5
    hardpoints_mm: Annotated[
        float, key("place of every other hardpoint, each direction", "mm", 0.0, 20.0)
    ] = 1.0
    toe_deg: Annotated[float, key("toe as set after assembly, each wheel", "deg", 0.0, 2.0)] = 0.05
    distribution: Annotated[
        Literal["rectangular", "normal"], key("all deviations alike, or small ones more often")
    ] = "rectangular"
    samples: Annotated[int, key("cars built on paper for each design", "1", 16, 65536)] = 256
    shimmed: Annotated[
        bool,
        key(
            "also say what cars keep to whose rack is shimmed after thirteen readings of each "
            "wheel, by packs and noise of `[measuring]`"
        ),
    ] = False
