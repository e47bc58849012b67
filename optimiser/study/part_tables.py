"""Tables of a study file on room, strength, loads and build accuracy; see `tables`."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Discriminator, Tag, field_validator, model_validator

from optimiser.metrics.joints import BOLT_WORDS, BoltWord
from optimiser.study.keys import Point, Table, key, kind_of, refuse

_Body = Literal["body", "lower_arm", "upper_arm", "upright", "rack"]


class KeepOut(Table):
    """A part of the car that the steering may not touch, or a file of them."""

    name: Annotated[
        str | None, key("what it is, for messages and reports", absent="required, but of a file")
    ] = None
    kind: Annotated[
        Literal["box", "capsule", "cylinder"] | None,
        key(
            "`box` along the CAD axes, `capsule`: all within a radius of a line, or `cylinder`: "
            "the same with flat ends, such as a disc",
            absent="required, but of a file",
        ),
    ] = None
    from_mm: Annotated[
        Point | None,
        key(
            "one corner of the box, or one end of the line, CAD frame",
            "mm",
            -1e5,
            1e5,
            absent="required, but of a file",
        ),
    ] = None
    to_mm: Annotated[
        Point | None,
        key(
            "the opposite corner, or the other end, CAD frame",
            "mm",
            -1e5,
            1e5,
            absent="required, but of a file",
        ),
    ] = None
    radius_mm: Annotated[
        float | None,
        key("radius of a capsule or cylinder", "mm", 0.1, 1000.0, absent="a box has none"),
    ] = None
    mirror: Annotated[bool, key("the same again on the other side of the car")] = False
    on: Annotated[
        _Body,
        key(
            "what carries it. What is not on the body is given on the left corner in the design "
            "position, moves with what carries it, and is on the right as well; what is on the "
            "rack keeps its place to the inner joint"
        ),
    ] = "body"
    from_on: Annotated[
        _Body | None,
        key(
            "of a capsule between two bodies: what carries the end `from_mm`",
            absent="all of it is on one",
        ),
    ] = None
    to_on: Annotated[
        _Body | None, key("what carries the end `to_mm`", absent="all of it is on one")
    ] = None
    length_mm: Annotated[
        float | None,
        key(
            "of a capsule between two bodies: what is left of it from `from_mm`, such as a "
            "damper's body",
            "mm",
            1.0,
            2000.0,
            absent="from end to end",
        ),
    ] = None
    file: Annotated[
        str | None,
        key(
            "instead of all that: a CSV file of the tubes of a frame, a row each, "
            "`name,x1_mm,y1_mm,z1_mm,x2_mm,y2_mm,z2_mm,diameter_mm` in the CAD frame; only "
            "`mirror` goes with it",
            absent="none",
        ),
    ] = None

    @model_validator(mode="after")
    def _shape(self) -> Self:
        if self.file is not None:
            if others := sorted(self.model_fields_set - {"file", "mirror"}):
                refuse("does not go with file", f"remove it, or file = {self.file!r}", others[0])
            return self
        for name in ("name", "kind", "from_mm", "to_mm"):
            if getattr(self, name) is None:
                info = type(self).model_fields[name]
                unit = " in mm" if name.endswith("_mm") else ""
                refuse(f"{name} is missing", f"add {name} = ...{unit} ({info.description})")
        if self.kind != "box" and self.radius_mm is None:
            refuse(f"is missing for a {self.kind}", "give its radius in mm", "radius_mm")
        if self.kind == "box" and self.radius_mm is not None:
            refuse("does not go with a box", 'remove it, or write kind = "capsule"', "radius_mm")
        if self.kind == "box" and self.from_mm == self.to_mm:
            refuse("the box has no size: from_mm and to_mm are one point", "give opposite corners")
        if self.kind == "cylinder" and self.from_mm == self.to_mm:
            refuse(
                "the cylinder has no length: from_mm and to_mm are one point",
                "give the middles of its flat ends",
            )
        self._bodies()
        return self

    def _bodies(self) -> None:
        if self.mirror and self.moves:
            refuse("does not go with a part that moves", "remove it: both sides have one", "mirror")
        if self.from_on is None and self.to_on is None:
            if self.length_mm is not None:
                refuse("is of a part between two bodies", "give from_on and to_on", "length_mm")
            return
        for name, other in (("from_on", "to_on"), ("to_on", "from_on")):
            if getattr(self, name) is None:
                refuse(f"{name} is missing", f"give it beside {other}, or write on = ...")
        if "on" in self.model_fields_set:
            refuse("does not go with from_on and to_on", "remove it, or the two", "on")
        if self.from_on == self.to_on:
            refuse(
                f"both ends are on {self.from_on}", f'write on = "{self.from_on}" in their place'
            )
        if self.kind != "capsule":
            refuse(f"a {self.kind} cannot lie between two bodies", 'write kind = "capsule"', "kind")
        if self.from_mm == self.to_mm:
            refuse("it has no length: from_mm and to_mm are one point", "give both ends")

    @property
    def moves(self) -> bool:
        """Whether any of it does."""
        return self.on != "body" or self.from_on is not None or self.to_on is not None


_BEAD_MM = 10.0


class WheelTable(Table):
    """The inside of the wheel rim, which steers and moves with the wheel, and the tyre on it."""

    rim_inside_radius_mm: Annotated[float, key("inside radius of the rim", "mm", 80.0, 400.0)]
    rim_inner_width_mm: Annotated[
        float, key("length of that cylinder along the wheel's axle", "mm", 30.0, 450.0)
    ]
    rim_offset_mm: Annotated[
        float,
        key("middle of that cylinder outboard of the wheel centre", "mm", -150.0, 150.0),
    ] = 0.0
    tyre_diameter_mm: Annotated[
        float | None,
        key(
            "outside diameter of the free tyre, not loaded; its width is `[car] tyre_width_mm`",
            "mm",
            200.0,
            1500.0,
            absent="the tyre is not checked",
        ),
    ] = None
    tyre_inside_diameter_mm: Annotated[
        float | None,
        key(
            "inside diameter of the tyre, at the bead",
            "mm",
            160.0,
            900.0,
            absent="twice `rim_inside_radius_mm` plus 10",
        ),
    ] = None
    tyre_shoulder_mm: Annotated[
        float, key("radius by which its outer edges are rounded", "mm", 0.0, 300.0)
    ] = 0.0

    @property
    def bead_diameter_mm(self) -> float:
        """Inside diameter of the tyre."""
        own = self.tyre_inside_diameter_mm
        return 2.0 * self.rim_inside_radius_mm + _BEAD_MM if own is None else own

    @model_validator(mode="after")
    def _tyre(self) -> Self:
        outside, inside = self.tyre_diameter_mm, self.bead_diameter_mm
        if outside is None:
            for name in ("tyre_inside_diameter_mm", "tyre_shoulder_mm"):
                if name in self.model_fields_set:
                    refuse("is of a tyre, and there is none", "give tyre_diameter_mm", name)
            return self
        if inside < 2.0 * self.rim_inside_radius_mm:
            refuse(
                f"{inside:g} mm is within the rim, whose inside is "
                f"{2.0 * self.rim_inside_radius_mm:g} mm across",
                "give the diameter at the bead",
                "tyre_inside_diameter_mm",
            )
        if not outside > inside:
            refuse(
                f"{outside:g} mm is smaller than its rim: it is {inside:g} mm inside",
                "give the free tyre's outside diameter in mm",
                "tyre_diameter_mm",
            )
        if self.tyre_shoulder_mm > 0.5 * (outside - inside):
            refuse(
                f"{self.tyre_shoulder_mm:g} mm is more than the tyre is high, "
                f"{0.5 * (outside - inside):g} mm",
                "give the radius of its outer edges",
                "tyre_shoulder_mm",
            )
        return self


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
    bracket_diameter_mm: Annotated[
        float | None,
        key(
            "diameter of the sphere that stands for the bracket at a pivot that `optimiser adapt` "
            "moves",
            "mm",
            5.0,
            200.0,
            absent="not checked",
        ),
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
        key(
            "of both joints of one tie rod together, along it: half of one joint's where both are "
            "alike",
            *_N_PER_MM,
            absent=_RIGID,
        ),
    ] = None
    column_nm_per_deg: Annotated[
        float | None,
        key(
            "of the column: torque at the steering wheel for a degree there, the pinion held; "
            "needs catalogue column `turns`",
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
