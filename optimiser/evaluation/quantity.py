"""What is known of a number beside its value, and what a study must give before it has one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from optimiser.evaluation.bolting import missing_for_feet, missing_for_pinion

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimiser.evaluation.asked import Car, LoadAssumptions, Materials, Steering
    from optimiser.evaluation.bolting import Bolting
    from optimiser.evaluation.moves import Suspension
    from optimiser.linkage.racks import Rack
    from optimiser.metrics.compliance import Stiffness
    from optimiser.metrics.play import Play
    from optimiser.metrics.tolerance import Tolerances

Better = Literal["less", "more", ""]
Shown = Literal["racks", "corner", "pick", "asked"]


class Asked(Protocol):
    """What of a problem decides whether a number can be computed."""

    @property
    def car(self) -> Car: ...  # noqa: D102
    @property
    def steering(self) -> Steering: ...  # noqa: D102
    @property
    def loads(self) -> LoadAssumptions | None: ...  # noqa: D102
    @property
    def materials(self) -> Materials: ...  # noqa: D102
    @property
    def tolerances(self) -> Tolerances | None: ...  # noqa: D102
    @property
    def suspension(self) -> Suspension | None: ...  # noqa: D102
    @property
    def stiffness(self) -> Stiffness | None: ...  # noqa: D102
    @property
    def play(self) -> Play | None: ...  # noqa: D102
    @property
    def has_tyre(self) -> bool: ...  # noqa: D102
    @property
    def rolls(self) -> bool: ...  # noqa: D102
    @property
    def bolting(self) -> Bolting: ...  # noqa: D102
    def may_touch(self, rack: Rack | None) -> bool: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Need:
    """What a study or a catalogue has to give before a number can be computed.

    Attributes:
        words: the keys or columns that are wanted, as a builder finds them.
        given: whether a problem gives them, for one rack; None stands for no rack at all.
    """

    words: str
    given: Callable[[Asked, Rack | None], bool]


def _column(name: str) -> Need:
    return Need(
        f"catalogue column {name}",
        lambda _, rack: rack is not None and getattr(rack, name) is not None,
    )


RACK = Need("a rack, [racks] catalogue", lambda _, rack: rack is not None)
SEARCH = Need("a search: optimiser run", lambda _asked, _rack: False)
LOADS = Need(
    "[loads] tyre_pressure_kpa and [car] front_axle_load_n",
    lambda asked, _: asked.loads is not None,
)
FRICTION = Need(
    "[loads] friction_at_rack_n",
    lambda asked, _: asked.loads is not None and asked.loads.friction_at_rack_n is not None,
)
SECTION = Need("[tie_rod] diameter_mm", lambda asked, _: asked.materials.tie_rod is not None)
BAR = Need(
    "with [spacer] a rack, [racks] catalogue",
    lambda asked, rack: rack is not None or asked.materials.spacer is None,
)
STIFFNESS = Need("[stiffness]", lambda asked, _: asked.stiffness is not None)
BENT_BAR = Need(BAR.words, lambda asked, rack: asked.stiffness is None or BAR.given(asked, rack))
TWISTED = Need(
    "catalogue column turns",  # of [stiffness] column_nm_per_deg
    lambda asked, rack: (
        asked.stiffness is None
        or asked.stiffness.column_nm_per_deg is None
        or (rack is not None and rack.turns is not None)
    ),
)
PLAY = Need("[play]", lambda asked, _: asked.play is not None)
WOUND = Need(
    "catalogue column turns",  # of [play] column_deg
    lambda asked, rack: (
        asked.play is None
        or not asked.play.column_deg
        or (rack is not None and rack.turns is not None)
    ),
)
TURNED = Need(
    "catalogue column turns",
    lambda asked, rack: asked.play is None or (rack is not None and rack.turns is not None),
)
TOLERANCE = Need("[tolerance]", lambda asked, _: asked.tolerances is not None)
PAIRS = Need(
    "something to touch, [[keep_out]], [wheel] or [arms] tube_diameter_mm, and a diameter of what "
    "may touch it",
    lambda asked, rack: asked.may_touch(rack),
)
COLLARS = Need('[steering] stops = "collars"', lambda asked, _: asked.steering.stops == "collars")
TYRE = Need("[wheel] tyre_diameter_mm and something it may touch", lambda asked, _: asked.has_tyre)
PINION = Need(
    "catalogue columns pinion_offset_mm, pinion_length_mm, pinion_diameter_mm",
    lambda _, rack: (
        rack is not None
        and None not in (rack.pinion_offset_mm, rack.pinion_length_mm, rack.pinion_diameter_mm)
    ),
)
FREE_RODS = Need(
    "[steering] keep_tie_rods = false", lambda asked, _: not asked.steering.keep_tie_rods
)
RIDE = Need("[car] ride_heights_mm", lambda asked, _: bool(asked.car.ride_heights_mm))
PART_LOCK = Need(
    "[steering] acceptable_part_lock_bump_steer_deg",
    lambda asked, _: asked.steering.acceptable_part_lock is not None,
)
MOVES = Need(
    "[suspension.may_move]",
    lambda asked, _: asked.suspension is not None and bool(asked.suspension.movers),
)
ZONES = Need("[[mount_zone]]", lambda asked, _: bool(asked.bolting.zones))
FEET = Need(
    "catalogue columns made_for and of both feet, left_foot_along_mm and on",
    lambda _, rack: rack is not None and not missing_for_feet(rack),
)
BOLT = Need(
    "catalogue columns made_for and foot_bolt",
    lambda _, rack: rack is not None and None not in (rack.made_for, rack.foot_bolt),
)
PINION_PLACE = Need(
    "catalogue columns made_for, pinion_side, pinion_offset_mm, pinion_length_mm, pinion_angle_deg",
    lambda _, rack: rack is not None and not missing_for_pinion(rack),
)
ROLLED = Need("[search.vary] rack_roll_deg", lambda asked, _: asked.rolls)
COLUMN = Need("[column]", lambda asked, _: asked.bolting.column is not None)
TWO_JOINTS = Need(
    "[column] joints = 2",
    lambda asked, _: asked.bolting.column is None or asked.bolting.column.joints == 2,
)
_MOST_DIGITS = 6
_NOTHING = 1e-9
"""Rounding of the arithmetic: what is less than this was meant to be zero."""


def rounded(value: float, digits: int) -> str:
    """A number as people read it: fixed digits, and zero only of what is zero.

    `0.0002` with three digits is `below 0.001`, since `0.000` would claim more than was computed.
    """
    text = f"{value:.{digits}f}"
    if not math.isfinite(value) or float(text):
        return text
    if abs(value) < _NOTHING:
        return f"{0.0:.{digits}f}"  # a zero has no sign
    least = f"{10.0**-digits:.{digits}f}"
    return f"below {least}" if value > 0.0 else f"above -{least}"


def told_apart(value: float, limit: float, digits: int) -> str:
    """`rounded`, with more digits where the value would be printed as the limit that it is not."""
    while digits < _MOST_DIGITS and value != limit and float(f"{value:.{digits}f}") == limit:
        digits += 1
    return rounded(value, digits)


TURNS, PRICE, MASS, ROD = (
    _column(name) for name in ("turns", "price", "mass_kg", "tie_rod_length_mm")
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number.

    Attributes:
        name: its column, with the unit as suffix where it has one.
        words: what people call it; 'the' before it makes the words of a limit on it.
        unit: of the column, empty for a plain number.
        digits: after the point, in what people read.
        definition: what is computed.
        better: which way it is better, empty where neither is.
        source: of definition or formula, with how it was come by.
        needs: what a study must give for it.
        shown: where it stands beside others: the table of racks (`racks.csv`, report), the corner
            (`check`, report), what a picked design costs; `asked`: the table of racks where the
            study gives what the number needs.
        own_limit: the key of `[limits]` that bounds it, where it has one of its own.
        apart: why there is neither limit nor objective on it, and what to write instead; empty
            where there can be.
    """

    name: str
    words: str
    unit: str
    digits: int
    definition: str
    better: Better = ""
    source: str = ""
    needs: tuple[Need, ...] = ()
    shown: tuple[Shown, ...] = ()
    own_limit: str = ""
    apart: tuple[str, str] | None = None

    def number(self, value: float) -> str:
        """A value with the digits of this quantity, see `rounded`; `nan` where there is none."""
        return rounded(value, self.digits)

    def text(self, value: float) -> str:
        """The same with the unit."""
        return f"{self.number(value)} {self.unit}".rstrip()

    def against(self, value: float, limit: float) -> str:
        """`text` with as many digits as tell the value from a limit, see `told_apart`."""
        return f"{told_apart(value, limit, self.digits)} {self.unit}".rstrip()

    @property
    def heading(self) -> str:
        """Words with the unit in brackets."""
        return f"{self.words} ({self.unit})" if self.unit else self.words

    @property
    def limit_digits(self) -> int:
        """Digits of what is left of a limit on it, or of what it is broken by."""
        return max(1, self.digits)

    def missing(self, asked: Asked, rack: Rack | None) -> str:
        """What has to be given before it can be computed for a rack; empty when nothing is."""
        return " and ".join(need.words for need in self.needs if not need.given(asked, rack))
