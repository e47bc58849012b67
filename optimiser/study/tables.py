"""Every table and key of a study file, with its unit, default and meaning.

The table of keys in `studies/README.md` is made from these models. Where a default says
'common practice', it is a habit of the trade without a source.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Discriminator, Tag, field_validator, model_validator

from optimiser.evaluation.problem import BumpObjective, Objectives
from optimiser.linkage.hardpoints import POINT_NAMES
from optimiser.linkage.racks import Side
from optimiser.study.bolting_tables import ColumnTable, MountZoneTable
from optimiser.study.keys import FROM_LIST, Point, Span, Table, key, kind_of, refuse
from optimiser.study.measuring import MeasuringTable
from optimiser.study.named import limit_named, objective_named, shown_name
from optimiser.study.part_tables import (
    ArmsTable,
    KeepOut,
    LoadsTable,
    PlayTable,
    SpacerTable,
    SpringTable,
    StiffnessTable,
    TieRodTable,
    ToleranceTable,
    WheelTable,
)
from optimiser.study.parts import PartsTable
from optimiser.study.suspension_tables import SuspensionTable

_ANYWHERE_MM = 1e5
_HEIGHT_MM = (0.0, 1500.0)
_FORE_AFT_MM = (-1500.0, 1500.0)
_ARM_MM = (20.0, 400.0)
_ARM_DEG = (-60.0, 60.0)
_SPACER_MM = (0.0, 250.0)
_MOST_LISTED = 12


# --- spellings of a value ------------------------------------------------------------------------


_SPAN = Annotated[Span, Tag("range")]
_FIXED = Annotated[float, Tag("number")]
_STOCK = Annotated[Annotated[tuple[float, ...], FROM_LIST], Tag("stock")]
_AS_DRAWN = Annotated[Literal["as drawn"], Tag("word")]
_ARM_HEIGHT = Annotated[Literal["as drawn", "follows rack"], Tag("word")]

Prefer = Literal["cheapest", "best"]
"""Which of the racks that are acceptable wins: see `answer.choosing`."""

Placed = Annotated[_SPAN | _FIXED | _STOCK | _AS_DRAWN, Discriminator(kind_of)]
"""A variable that the drawing also gives."""
ArmHeight = Annotated[_SPAN | _FIXED | _STOCK | _ARM_HEIGHT, Discriminator(kind_of)]
"""Arm height, which may also follow the rack."""
Free = Annotated[_SPAN | _FIXED | _STOCK, Discriminator(kind_of)]
"""A variable that the drawing does not give."""


def _bands(value: Any) -> Any:
    """A list of pairs as tuples; anything else as it is."""
    if not isinstance(value, (list, tuple)):
        return value
    pairs = [tuple(pair) if isinstance(pair, (list, tuple)) else () for pair in value]
    if not pairs or any(list(map(kind_of, pair)) != ["number", "number"] for pair in pairs):
        refuse(
            "is no list of pairs of numbers",
            "write one number in deg, or [[30, 0.05], [60, 0.15]]: [travel in mm, deg] each",
        )
    return tuple(pairs)


Bands = Annotated[
    _FIXED
    | Annotated[
        Annotated[tuple[tuple[float, float], ...], BeforeValidator(_bands)],
        Tag("stock"),
    ],
    Discriminator(kind_of),
]
"""What is accepted at every travel, or up to each of several."""
Limit = Annotated[
    Annotated[float, Tag("number")] | Annotated[Literal["off"], Tag("word")], Discriminator(kind_of)
]
"""A limit, or `"off"`."""


# --- the car -------------------------------------------------------------------------------------


class FrameTable(Table):
    """CAD axes of the hardpoints and of keep-outs."""

    forward: Annotated[str, key('signed CAD axis that points forward, such as "+x" or "-z"')] = "+x"
    left: Annotated[str, key("signed CAD axis that points to the left of the car")] = "+y"
    up: Annotated[str, key("signed CAD axis that points up")] = "+z"
    ground_origin_mm: Annotated[
        Point,
        key(
            "CAD coordinates of the point on the ground under the middle of the front axle",
            "mm",
            -_ANYWHERE_MM,
            _ANYWHERE_MM,
        ),
    ] = (0.0, 0.0, 0.0)


class CarTable(Table):
    """The car around the front suspension."""

    wheelbase_mm: Annotated[float, key("front to rear axle", "mm", 1000.0, 6000.0)]
    loaded_radius_mm: Annotated[
        float, key("wheel centre to ground with the car at rest", "mm", 100.0, 600.0)
    ]
    static_toe_in_deg: Annotated[
        float, key("toe-in of EACH wheel at rest; toe-out is negative", "deg", -3.0, 3.0)
    ] = 0.0
    static_camber_deg: Annotated[
        float, key("camber of each wheel at rest, top outboard positive", "deg", -10.0, 10.0)
    ] = 0.0
    drive_side: Annotated[
        Side | None,
        key("side of the car the driver sits on", absent="hand of the rack is not checked"),
    ] = None
    front_axle_load_n: Annotated[
        float | None,
        key("weight on both front wheels at rest", "N", 500.0, 60000.0, absent="no loads"),
    ] = None
    tyre_width_mm: Annotated[
        float | None,
        key(
            "width of a front tyre, for the turning circle between kerbs",
            "mm",
            50.0,
            450.0,
            absent="unknown",
        ),
    ] = None
    ride_heights_mm: Annotated[
        Annotated[tuple[float, ...], FROM_LIST],
        key(
            "list of ride heights that the car is also driven at, of the body above the drawn one, "
            "lower ones negative: bump steer and Ackermann error have to be acceptable at each, "
            "with toe as set at the drawn height, and the wheel going between the same stops",
            "mm",
            -200.0,
            200.0,
        ),
    ] = ()
    roll_angles_deg: Annotated[
        Annotated[tuple[float, ...], FROM_LIST],
        key(
            "list of roll angles of the body for a table of both wheels over rack and roll, to "
            "either side, in the report and in `roll.csv`",
            "deg",
            0.1,
            20.0,
        ),
    ] = ()

    @field_validator("ride_heights_mm", "roll_angles_deg")
    @classmethod
    def _once_each(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if len(set(values)) < len(values):
            refuse("a value stands twice", "list each once")
        if len(values) > _MOST_LISTED:
            refuse(f"lists {len(values)} values", f"list at most {_MOST_LISTED}")
        return values


class HardpointsTable(Table):
    """Where the points of the left front corner come from."""

    file: Annotated[
        str, key("CSV `name,x_mm,y_mm,z_mm` of the left corner, path relative to the study file")
    ]
    unit: Annotated[Literal["mm", "cm", "m", "in"], key("unit of the numbers in that file")] = "mm"
    names: Annotated[
        dict[str, str],
        key(
            'sub-table `our_name = "the file\'s name"` for points that the file calls otherwise',
            absent="names as listed under Hardpoints",
            empty=True,
        ),
    ]

    @field_validator("names")
    @classmethod
    def _known(cls, names: dict[str, str]) -> dict[str, str]:
        for ours, theirs in names.items():
            if ours not in POINT_NAMES:
                refuse(
                    f"unknown point {ours!r}",
                    f'write our_name = "the file\'s name", ours being {", ".join(POINT_NAMES)}',
                )
            if not theirs.strip() or not theirs.isprintable():
                refuse(f"{theirs!r} is no name for {ours}", "write the name that the file uses")
            if list(names.values()).count(theirs) > 1:
                refuse(f"two points are called {theirs!r}", "give each its own name")
        return names


class TravelTable(Table):
    """Wheel travel over which bump steer is judged."""

    bump_mm: Annotated[float, key("wheel travel upward from rest", "mm", 5.0, 300.0)]
    droop_mm: Annotated[
        float, key("wheel travel downward from rest, a positive number", "mm", 5.0, 300.0)
    ]
    step_mm: Annotated[float, key("spacing of the poses between", "mm", 0.5, 50.0)] = 5.0

    @model_validator(mode="after")
    def _fine_enough(self) -> Self:
        least = min(self.bump_mm, self.droop_mm)
        if self.step_mm > least:
            refuse(
                f"{self.step_mm:g} mm is more than the travel itself, {least:g} mm",
                "give a smaller step, such as 5",
                "step_mm",
            )
        return self


class SteeringTable(Table):
    """What the steering has to do."""

    inner_lock_deg: Annotated[
        float | None,
        key(
            "angle to which the inner wheel must turn; this or `turning_circle_m`",
            "deg",
            5.0,
            70.0,
            absent="from the turning circle",
        ),
    ] = None
    turning_circle_m: Annotated[
        float | None,
        key(
            "turning-circle diameter between kerbs, SAE J695 (read), needs `[car] tyre_width_mm`; "
            "sets the lock at which an outer wheel that turns as wanted, on the car as drawn, "
            "makes it; this or `inner_lock_deg`",
            "m",
            3.0,
            30.0,
            absent="from the lock",
        ),
    ] = None
    ackermann_target: Annotated[
        float,
        key("wanted share of pure rolling: 1 = Ackermann, 0 = parallel wheels", "1", -2.0, 2.0),
    ] = 1.0
    wanted_outer: Annotated[
        str | None,
        key(
            "CSV `inner_deg,outer_deg` of the outer wheel's wanted angle, from straight ahead to "
            "the required lock, a smooth curve through its rows; instead of `ackermann_target`",
            absent="by the target",
        ),
    ] = None
    wanted_toe_gradient_deg_per_m: Annotated[
        float | None,
        key(
            "wanted change of each wheel's toe-in for a metre of travel upward, negative for "
            "toe-out in bump; bump steer is then the departure from it",
            "deg/m",
            -100.0,
            100.0,
            absent="toe is to stay",
        ),
    ] = None
    wanted_toe: Annotated[
        str | None,
        key(
            "CSV `travel_mm,toe_in_change_deg` of each wheel's wanted change of toe-in from rest "
            "over the whole travel, a smooth curve through its rows; this or the gradient",
            absent="toe is to stay",
        ),
    ] = None
    acceptable_bump_steer_deg: Annotated[
        Bands,
        key(
            "greatest toe change over travel, or departure from the wanted one, that you accept, "
            "each wheel; a list `[[30, 0.05], [60, 0.15]]` accepts 0.05 within 30 mm of rest and "
            "0.15 up to 60 mm, and what lies within a narrower band then counts in proportion, "
            "times 0.15 / 0.05",
            "deg",
            0.001,
            5.0,
            of_pairs=True,
        ),
    ]
    acceptable_ackermann_error_deg: Annotated[
        float,
        key("greatest error of the outer wheel's angle that you accept", "deg", 0.001, 20.0),
    ]
    acceptable_part_lock_bump_steer_deg: Annotated[
        float | None,
        key(
            "greatest toe change over travel that you accept with the rack half way to lock, "
            "either wheel; a design that has more breaks a limit",
            "deg",
            0.001,
            5.0,
            absent="shown, not judged",
        ),
    ] = None
    stops: Annotated[
        Literal["rack", "lock", "collars"],
        key(
            'what ends the steering: the `"rack"` at its full travel, stops on the uprights at '
            'the required `"lock"`, or `"collars"` on the rack, which let it go as far as nothing '
            "reaches its limit; the required lock has to be within that"
        ),
    ] = "rack"
    keep_tie_rods: Annotated[
        bool,
        key("use each rack's own tie rods: arms and wheels move out until they fit"),
    ] = False

    @model_validator(mode="after")
    def _one_lock(self) -> Self:
        given = [self.inner_lock_deg is not None, self.turning_circle_m is not None]
        if sum(given) != 1:
            refuse(
                f"{'both' if all(given) else 'neither'} of inner_lock_deg and turning_circle_m "
                f"{'are' if all(given) else 'is'} given",
                "give exactly one of the two",
            )
        return self

    @model_validator(mode="after")
    def _one_wish(self) -> Self:
        if self.wanted_outer is not None and "ackermann_target" in self.model_fields_set:
            refuse("both ackermann_target and wanted_outer are given", "remove one of the two")
        if self.wanted_toe is not None and self.wanted_toe_gradient_deg_per_m is not None:
            refuse(
                "both wanted_toe and wanted_toe_gradient_deg_per_m are given",
                "remove one of the two",
            )
        return self

    @model_validator(mode="after")
    def _bands_widen(self) -> Self:
        bands = self.bump_bands
        travels, accepted = [travel for travel, _ in bands], [value for _, value in bands]
        rising = all(a < b for values in (travels, accepted) for a, b in pairwise(values))
        if bands and not (travels[0] > 0.0 and rising):
            refuse(
                "travels and what is accepted up to them do not both rise",
                "list the narrowest band first, [[30, 0.05], [60, 0.15]]; what is accepted up to a "
                "travel holds nearer to rest too",
                "acceptable_bump_steer_deg",
            )
        return self

    @property
    def bump_bands(self) -> tuple[tuple[float, float], ...]:
        """Travel and what is accepted up to it, mm and degrees, the narrowest first."""
        accepted = self.acceptable_bump_steer_deg
        return accepted if isinstance(accepted, tuple) else ()


# --- the choice ----------------------------------------------------------------------------------


class RacksTable(Table):
    """Racks that may be bought."""

    catalogue: Annotated[str, key("CSV of racks, path relative to the study file")]
    use: Annotated[
        Annotated[Literal["all"], Tag("word")]
        | Annotated[Annotated[tuple[str, ...], FROM_LIST], Tag("stock")],
        Discriminator(kind_of),
        key('list of rack names to consider, or `"all"`'),
    ] = "all"

    @field_validator("use")
    @classmethod
    def _some(cls, use: Literal["all"] | tuple[str, ...]) -> Literal["all"] | tuple[str, ...]:
        if use != "all":
            if not use:
                refuse("names no rack", 'list rack names, or write use = "all"')
            for name in use:
                if use.count(name) > 1:
                    refuse(f"{name!r} stands twice", "name each rack once")
        return use


class VaryTable(Table):
    """What the search may change.

    Each is a range `{from = 120, to = 220}`, stock values `[0, 10, 20]`, a fixed number, or a
    word where its line says so.
    """

    rack_height_mm: Annotated[
        Placed,
        key('height above ground of the inner joints, or `"as drawn"`', "mm", *_HEIGHT_MM),
    ] = "as drawn"
    rack_fore_aft_mm: Annotated[
        Placed,
        key(
            'inner joints forward of the front axle, negative behind it, or `"as drawn"`',
            "mm",
            *_FORE_AFT_MM,
        ),
    ] = "as drawn"
    spacer_mm: Annotated[
        Free, key("length added at EACH end between rack and inner joint", "mm", *_SPACER_MM)
    ] = 0.0
    arm_length_mm: Annotated[
        Placed,
        key('outer joint square to the steering axis, or `"as drawn"`', "mm", *_ARM_MM),
    ] = "as drawn"
    arm_height_mm: Annotated[
        ArmHeight,
        key(
            'height above ground of the outer joint, `"as drawn"`, or `"follows rack"` to keep '
            "its drawn height over the rack",
            "mm",
            *_HEIGHT_MM,
        ),
    ] = "as drawn"
    arm_angle_deg: Annotated[
        Placed,
        key(
            "direction of the steering arm about the steering axis, from straight ahead or "
            'straight back, outboard positive, or `"as drawn"`',
            "deg",
            *_ARM_DEG,
        ),
    ] = "as drawn"

    rack_roll_deg: Annotated[
        Free | None,
        key(
            "roll of the rack about its bar, positive when what was up goes rearward, counted from "
            "how it lies in its own car, turned end for end first where it has to be",
            "deg",
            -360.0,
            360.0,
            absent="what keeps the pinion at its angle: 0 as made, twice `pinion_angle_deg` turned",
        ),
    ] = None

    @field_validator("*")
    @classmethod
    def _stock(cls, value: Any) -> Any:
        if isinstance(value, tuple):
            if not value:
                refuse("the list of stock values is empty", "list at least one value")
            if len(set(value)) < len(value):
                refuse("a stock value stands twice", "list each value once")
        return value


class SearchTable(Table):
    """How the search is done."""

    trials: Annotated[
        int, key("designs to try for EACH rack (and variant and repeat)", "1", 10, 10_000_000)
    ] = 2000
    sampler: Annotated[
        Literal["nsga2", "tpe", "random"],
        key(
            "global search: `nsga2` evolves generations, `tpe` suits budgets below 500 trials, "
            "`random` is for comparison"
        ),
    ] = "nsga2"
    population: Annotated[int, key("designs in one generation", "1", 4, 2000)] = 50
    seeds: Annotated[bool, key("begin with designs placed by the ideal-inner-joint solve")] = True
    refine: Annotated[
        bool,
        key(
            "polish seeds and front with sequential linear programming, and work out break-even of "
            "every rack"
        ),
    ] = True
    prefer: Annotated[
        Prefer,
        key(
            'which rack wins: the `"cheapest"` of those whose worse number, as a share of what you '
            'accept, is within a tenth of the best rack\'s, or the `"best"` whatever its price'
        ),
    ] = "cheapest"
    repeats: Annotated[
        int, key("searches of each rack, each with its own random seed", "1", 1, 100)
    ] = 1
    hours: Annotated[
        float | None, key("time for the whole study", "h", 0.001, 240.0, absent="no limit")
    ] = None
    stop_window: Annotated[
        int,
        key(
            "stop a rack's search when its front has not grown for so many trials; 0 = never",
            "1",
            0,
            10_000_000,
        ),
    ] = 150
    give_up_after: Annotated[
        int,
        key(
            "drop a rack when so many trials have brought no design within the limits; 0 = never",
            "1",
            0,
            10_000_000,
        ),
    ] = 300
    start_from: Annotated[
        str | None,
        key(
            "folder of an earlier result, relative to this file: the search begins with designs "
            "of its fronts, racks matched by name, values brought into the ranges",
            absent="none",
        ),
    ] = None
    vary: Annotated[VaryTable, key("what may change")] = VaryTable()


class ObjectivesTable(Table):
    """What is made small."""

    bump_steer: Annotated[
        BumpObjective,
        key('`"largest"` or `"rms"` over travel, or `"with tolerances"` (needs `[tolerance]`)'),
    ] = "largest"
    ackermann_error: Annotated[
        BumpObjective,
        key('`"largest"` or `"rms"` up to lock, or `"with tolerances"` (needs `[tolerance]`)'),
    ] = "largest"
    also: Annotated[
        Annotated[tuple[str, ...], FROM_LIST],
        key(
            "more objectives, at most two: any numbers of `results/README.md` of which less or "
            'more is better, by their column, such as `["tie_rod_force_n", "buckling_reserve"]`'
        ),
    ] = ()
    acceptable: Annotated[
        dict[str, float],
        key(
            "sub-table `column = value` for objectives of `also`: the most of each that you "
            "accept, or the least where more is better; it then counts in the choice of the "
            "winner as bump steer and Ackermann error do",
            absent="they do not count in that choice",
            empty=True,
        ),
    ]

    @field_validator("also")
    @classmethod
    def _few(cls, also: tuple[str, ...]) -> tuple[str, ...]:
        for number, name in enumerate(also, 1):
            objective_named(name, f"number {number}")
        if len(also) > 2 or len(set(also)) < len(also):
            refuse(f"{len(also)} more objectives, or one twice", "name at most two different ones")
        return also

    @model_validator(mode="after")
    def _listed(self) -> Self:
        minimised = Objectives(self.bump_steer, self.ackermann_error).names
        if twice := [name for name in self.also if name in minimised]:
            refuse(f"{twice[0]} is an objective already", "leave it out", "also")
        for name, value in self.acceptable.items():
            if name not in self.also:
                listed = ", ".join(self.also)
                remedy = f"also has {listed}" if listed else "list it in [objectives] also"
                refuse(f"{shown_name(name)} is no objective of also", remedy, f"acceptable {name}")
            if value <= 0.0:
                refuse(f"{value:g} is not above 0", "give what you accept", f"acceptable {name}")
        return self


class LimitsTable(Table):
    """Limits that a design must keep."""

    toggle_margin_deg: Annotated[
        Limit,
        key(
            "least angle left before tie rod and steering arm line up, over all poses; "
            "common practice, no source",
            "deg",
            5.0,
            80.0,
        ),
    ] = 25.0
    inner_joint_angle_deg: Annotated[
        Limit,
        key(
            "greatest angle of the tie rod to the rack, over all poses; a rack's own "
            "`joint_limit_deg` counts too; common practice, no source",
            "deg",
            2.0,
            90.0,
        ),
    ] = 25.0
    outer_joint_angle_deg: Annotated[
        Limit,
        key(
            "greatest angle of the tie rod off square to the outer joint's bolt "
            "(`[arms] outer_bolt`), over all poses; take it from the part's data; common "
            "practice, no source",
            "deg",
            2.0,
            90.0,
        ),
    ] = 25.0
    rack_travel_margin_mm: Annotated[
        float, key("rack travel to be left at the required lock", "mm", 0.0, 50.0)
    ] = 0.0
    spacer_max_mm: Annotated[
        float, key("longest spacer, each end; common practice, no source", "mm", *_SPACER_MM)
    ] = 50.0
    track_growth_mm: Annotated[
        Limit,
        key(
            "greatest change of the track with `keep_tie_rods`, wider or narrower",
            "mm",
            0.0,
            400.0,
        ),
    ] = "off"
    clearance_mm: Annotated[
        Limit,
        key(
            "least distance of steering parts to what they may not touch; common practice, "
            "no source",
            "mm",
            0.0,
            100.0,
        ),
    ] = 5.0
    tyre_clearance_mm: Annotated[
        Limit,
        key(
            "least distance of the free tyre, `[wheel] tyre_diameter_mm`, to what it may not "
            "touch; common practice, no source",
            "mm",
            0.0,
            200.0,
        ),
    ] = 10.0
    at_most: Annotated[
        dict[str, float],
        key(
            "sub-table `column = value`: the most of any number of `results/README.md`, in its "
            "unit, such as `rim_force_n = 120`",
            absent="none",
            empty=True,
        ),
    ]
    at_least: Annotated[
        dict[str, float],
        key("likewise the least, such as `buckling_reserve = 3`", absent="none", empty=True),
    ]

    @model_validator(mode="after")
    def _bounds(self) -> Self:
        for table in ("at_most", "at_least"):
            for name in getattr(self, table):
                limit_named(name, table)
        for name, least in self.at_least.items():
            if name in self.at_most and least > self.at_most[name]:
                most = self.at_most[name]
                refuse(f"{name} is to be at least {least:g} and at most {most:g}", "exchange them")
        return self


# --- several questions at once -------------------------------------------------------------------


class Variant(Table):
    """The study again with some keys overridden; a grid makes one of every combination."""

    name: Annotated[str, key("what to call it in results")]
    grid: Annotated[
        dict[str, Any],
        key(
            "sub-table of keys with a list of values each, "
            "`car.wheelbase_mm = [2200, 2300]`: one variant for every combination",
            absent="one variant",
            empty=True,
        ),
    ]
    overrides: Annotated[
        dict[str, Any],
        key(
            "written as tables of the study inside the variant, `[variant.car]`, "
            "`[variant.limits]`: their keys replace the study's, lists as a whole",
            absent="nothing but the grid changes",
            empty=True,
        ),
    ]

    @field_validator("name")
    @classmethod
    def _printable(cls, name: str) -> str:
        if not name.strip() or len(name) > 80 or not name.isprintable():
            refuse(
                "is empty, too long or holds control characters", "use up to 80 plain characters"
            )
        return name

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, raw: Any) -> Any:
        """Put everything that is not the variant's own under `overrides`."""
        if not isinstance(raw, dict):
            return raw
        own = {name: raw[name] for name in ("name", "grid") if name in raw}
        return {**own, "overrides": {k: v for k, v in raw.items() if k not in own}}


_Listed = Annotated[tuple[KeepOut, ...], FROM_LIST]
_Zones = Annotated[tuple[MountZoneTable, ...], FROM_LIST]
_Variants = Annotated[tuple[Variant, ...], FROM_LIST]


class StudyFile(Table):
    """A study file: one question about one car."""

    title: Annotated[str, key("heading of the report", absent="the study file's name")] = ""
    seed: Annotated[
        int, key("random seed; the same seed gives the same designs", "1", 0, 2**32 - 1)
    ] = 1
    frame: Annotated[FrameTable, key("CAD frame")] = FrameTable()
    car: Annotated[CarTable, key("car")]
    hardpoints: Annotated[HardpointsTable, key("hardpoints")]
    travel: Annotated[TravelTable | None, key("wheel travel")] = None
    steering: Annotated[SteeringTable | None, key("steering")] = None
    racks: Annotated[RacksTable | None, key("racks")] = None
    search: Annotated[SearchTable, key("search")] = SearchTable()
    objectives: Annotated[ObjectivesTable, key("objectives")] = ObjectivesTable(acceptable={})
    limits: Annotated[LimitsTable, key("limits")] = LimitsTable(at_most={}, at_least={})
    keep_out: Annotated[_Listed, key("keep-outs")] = ()
    mount_zone: Annotated[_Zones, key("where the rack's feet may stand")] = ()
    column: Annotated[ColumnTable | None, key("steering column")] = None
    wheel: Annotated[WheelTable | None, key("wheel rim")] = None
    tie_rod: Annotated[TieRodTable | None, key("tie rods")] = None
    spacer: Annotated[SpacerTable | None, key("spacers")] = None
    arms: Annotated[ArmsTable | None, key("arms")] = None
    suspension: Annotated[SuspensionTable | None, key("what of the suspension may move")] = None
    loads: Annotated[LoadsTable | None, key("loads")] = None
    stiffness: Annotated[StiffnessTable | None, key("what gives way under load")] = None
    play: Annotated[PlayTable | None, key("play")] = None
    spring: Annotated[SpringTable | None, key("spring")] = None
    tolerance: Annotated[ToleranceTable | None, key("build tolerances")] = None
    measuring: Annotated[MeasuringTable | None, key("measuring the finished car")] = None
    parts: Annotated[PartsTable | None, key("parts that are bought or cut")] = None
    variant: Annotated[_Variants, key("variants")] = ()

    @field_validator("title")
    @classmethod
    def _one_line(cls, title: str) -> str:
        if len(title) > 200 or not title.isprintable():
            refuse("is too long or holds control characters", "use up to 200 plain characters")
        return title
