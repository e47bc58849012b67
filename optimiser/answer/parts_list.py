"""What of one design is bought or cut: pieces, lengths, thread, prices and masses.

    O-----shank---|========== rod ==========|---shank-----I       length of the rod between joints =
    |<- rod_end ->|                         |<- inner_end->|       rod_end + cut + inner_end
                |<>|  screwed in at each end                       - what is screwed in at each end

At the length of the design each end is screwed in half way between the least and all of its
thread, so that the rod can be made as much longer as shorter. What the study does not give is
None, never 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.free_lock import RACK
from optimiser.metrics.adjusters import Arm, set_ball_joint
from optimiser.metrics.tolerance.built import set_rod_length
from optimiser.study.parts import PartsTable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen

NOTHING = PartsTable()
_SAME_MM = 1e-9


@dataclass(frozen=True, slots=True)
class Rod:
    """A tie rod; mm, and None where the study does not say enough.

    Attributes:
        between_mm: from joint to joint.
        kept: it comes with the rack.
        threaded_ends: how many of its ends are screwed.
        cut_mm: length of the rod without its ends.
        engaged_mm: what is screwed in at each threaded end.
        depth_mm: thread that each of its ends needs.
        shorter_mm: by how much it can be screwed shorter.
        longer_mm: likewise longer, the least engagement kept.
        per_turn_mm: by how much a turn changes it: of the rod where its threads are of opposite
            hands, else of one end.
        too_long_mm: by how much its ends need more room than there is; 0 where they fit.
    """

    between_mm: float
    kept: bool = False
    threaded_ends: int | None = None
    cut_mm: float | None = None
    engaged_mm: float | None = None
    depth_mm: float | None = None
    shorter_mm: float | None = None
    longer_mm: float | None = None
    per_turn_mm: float | None = None
    too_long_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Item:
    """A line of the list.

    Attributes:
        kind: `rack`, `spacer`, `rod`, `rod end`, `inner end` or `collar`.
        count: how many.
        price: of one; None: not given.
        mass_kg: of one.
        length_mm: of one, of what is cut to length; None where it is not known, or where no
            length will do.
    """

    kind: str
    count: int
    price: float | None
    mass_kg: float | None
    length_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Sum:
    """A sum of what is given, and kinds of items of which it is not."""

    known: float
    open: tuple[str, ...]


def parts_of(chosen: Chosen) -> PartsTable:
    """What the study says of parts."""
    return chosen.study.file.parts or NOTHING


def rod_of(chosen: Chosen) -> Rod:
    """The tie rod of a design that assembles."""
    length, parts, rack = chosen.metric("tie_rod_length_mm"), parts_of(chosen), chosen.rack
    if chosen.problem.steering.keep_tie_rods:
        sold, reach = rack.tie_rod_length_mm, rack.tie_rod_adjustment_mm
        if sold is None or reach is None:
            return Rod(length, kept=True)
        shorter, longer = length - (sold - reach), sold + reach - length
        return Rod(length, kept=True, shorter_mm=max(shorter, 0.0), longer_mm=max(longer, 0.0))
    return cut_rod(length, parts)


def cut_rod(between_mm: float, parts: PartsTable) -> Rod:
    """A rod that is made, as far as the parts are known; see the head of this module."""
    outer, inner = parts.rod_end_length_mm, parts.inner_end_length_mm
    thread, least, pitch = parts.thread_length_mm, parts.least_engagement_mm, parts.pitch_mm
    ends = None if inner is None else 2 if inner > 0.0 else 1
    per_turn = None
    if pitch is not None and parts.hands is not None and ends is not None:
        per_turn = 2.0 * pitch if ends == 2 and parts.hands == "opposite" else pitch
    if thread is None or least is None or ends is None:
        return Rod(between_mm, False, ends, depth_mm=thread, per_turn_mm=per_turn)
    engaged, reach = 0.5 * (thread + least), 0.5 * ends * (thread - least)
    cut, lacking = None, 0.0
    if outer is not None and inner is not None:
        cut = between_mm - outer - inner + ends * engaged
        lacking = max(0.0, ends * thread - cut)
    return Rod(
        between_mm,
        False,
        ends,
        None if lacking > _SAME_MM else cut,
        engaged,
        thread,
        reach,
        reach,
        per_turn,
        lacking if lacking > _SAME_MM else 0.0,
    )


def turns_whole(rod: Rod, parts: PartsTable) -> bool:
    """Whether the rod itself is turned to set it, between threads of opposite hands."""
    return rod.threaded_ends == 2 and parts.hands == "opposite"


def items_of(chosen: Chosen) -> Iterator[Item]:
    """The list, in the order from the rack outward."""
    parts, rack, made_of = parts_of(chosen), chosen.rack, chosen.problem.materials
    yield Item("rack", 1, rack.price, rack.mass_kg)
    spacer = float(chosen.design.column("spacer_mm")[0])
    if spacer > 0.0:
        mass = None if made_of.spacer is None else spacer * made_of.spacer_kg_per_mm
        yield Item("spacer", 2, parts.spacer_price, mass, spacer)
    rod = rod_of(chosen)
    if rod.kept:
        yield Item("rod", 2, 0.0, rack.tie_rod_mass_kg, rod.between_mm)
    else:
        mass = None
        if made_of.tie_rod is not None and rod.cut_mm is not None:
            mass = rod.cut_mm * made_of.tie_rod_kg_per_mm
        yield Item("inner end", 2, parts.inner_end_price, parts.inner_end_mass_kg)
        yield Item("rod", 2, parts.rod_price, mass, rod.cut_mm)
        yield Item("rod end", 2, parts.rod_end_price, parts.rod_end_mass_kg)
    if chosen.problem.steering.stops == "collars" and (found := chosen.free_lock) is not None:
        if found.least.stopped_by == RACK:
            return
        # A shorter one would not do; none does where a limit is broken with the rack at its centre.
        free = found.least.rack_mm > 0.0
        length = float(np.ceil(100.0 * found.collar_mm) / 100.0) if free else None
        yield Item("collar", 2, parts.collar_price, parts.collar_mass_kg, length)


def summed(items: list[Item], of: str) -> Sum:
    """Sum of `price` or `mass_kg` over the list."""
    values = [(item, getattr(item, of)) for item in items]
    known = sum(item.count * value for item, value in values if value is not None)
    return Sum(float(known), tuple(item.kind for item, value in values if value is None))


# --- what can be adjusted ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reach:
    """Between which angles something can be set, radians; NaN where the linkage does not go."""

    low: float
    high: float


def toe_reach(chosen: Chosen, rod: Rod) -> Reach | None:
    """Toe-in of one wheel with its rod at both ends of its thread; None: not known."""
    if rod.shorter_mm is None or rod.longer_mm is None:
        return None
    return _between(_toe(chosen, rod.between_mm - rod.shorter_mm, rod.between_mm + rod.longer_mm))


def toe_per_turn(chosen: Chosen, rod: Rod) -> float | None:
    """By how much a turn changes the toe-in of a wheel about the design's, radians."""
    if rod.per_turn_mm is None:
        return None
    half = 0.5 * rod.per_turn_mm
    less, more = _toe(chosen, rod.between_mm - half, rod.between_mm + half)
    return abs(more - less)


def camber_reach(chosen: Chosen, arm: Arm) -> Reach | None:
    """Camber with the ball joint of one arm set in and out as far as it goes; None: no adjuster."""
    amount = getattr(parts_of(chosen), f"{arm}_adjust_mm")
    if amount is None:
        return None
    attitude = chosen.problem.car.attitude
    built = set_ball_joint(chosen.points, attitude, arm, np.array([-amount, amount]))
    return _between(np.asarray(built.attitude.camber))


def _toe(chosen: Chosen, *lengths_mm: float) -> list[float]:
    lengths = np.array(lengths_mm)
    attitude = chosen.problem.car.attitude.over(lengths.shape)
    built = set_rod_length(chosen.points, attitude, lengths)
    return list(np.asarray(built.attitude.toe_in).tolist())


def _between(ends: object) -> Reach:
    both = np.sort(np.asarray(ends, float))
    return Reach(float(both[0]), float(both[1]))
