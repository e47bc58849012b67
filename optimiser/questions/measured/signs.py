"""Whether toe-in was read as toe-in: a gauge read the wrong way doubles the error that it shows.

Changes of toe over travel cannot tell: a car drawn without bump steer may as well have it one way
as the other. The rack can: some millimetres off centre turn the wheel by degrees, a known way.
Without such a reading there is the toe at rest, if it was measured as such and was not set with
the same gauges: its sign is that of the drawn toe.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.linkage.at_rack import solve_linkage
from optimiser.questions.measured.readings import SIDES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.questions.measured.readings import Readings

Proof = Literal["proved", "settled", "contradicted", "not proved"]
_WORST_FIRST: tuple[Proof, ...] = ("contradicted", "not proved", "settled", "proved")
NEAR = 0.5
"""Share by which a turn may part from the drawn car's and still tell its sign. Arms are drawn to a
few per cent; a rack read to a millimetre of five makes a fifth."""
_LEAST_TURN_DEG = 0.5
ODDS = 20.0
_FREEDOM = 3.0


@dataclass(frozen=True, slots=True)
class Sign:
    """What is known of one wheel.

    Attributes:
        proof: 'proved' by the rack, 'settled' by toe at rest, 'contradicted' by either.
        words: why, a sentence.
    """

    side: int
    proof: Proof
    words: str

    @property
    def trusted(self) -> bool:
        """Whether shims may be given."""
        return self.proof in ("proved", "settled")


def sign_of(
    readings: Readings,
    side: int,
    points: Hardpoints,
    attitude: Attitude,
    toe_error: float | None,
) -> Sign:
    """The sign of the readings of one wheel, which each round has to prove by itself.

    Gauges that were right in the first round may be set up the other way round in the second.

    Args:
        readings: of both wheels.
        side: 0 left, 1 right.
        points: the corner as designed.
        attitude: of the wheel at rest, as designed.
        toe_error: standard deviation of toe at rest as built and read, radians; None where toe at
            rest is not known.
    """
    rounds = np.unique(readings.round[readings.of(side)]).tolist()
    found = [
        _in_round(readings, (side, one), points, attitude, toe_error, len(rounds) > 1)
        for one in rounds
    ]
    return min(found, key=lambda sign: _WORST_FIRST.index(sign.proof))


def _in_round(
    readings: Readings,
    place: tuple[int, int],
    points: Hardpoints,
    attitude: Attitude,
    toe_error: float | None,
    several: bool,
) -> Sign:
    """The sign of one wheel's readings of one round; `several`: there are others."""
    side, round_ = place
    mine = readings.of(side, round_)
    turned = np.flatnonzero(mine & (readings.rack_mm != 0.0))
    found = [_turn(readings, int(row), points, attitude) for row in turned]
    name = f"{SIDES[side]} wheel" + (f", round {round_ + 1}" if several else "")
    if contradicting := [words for way, words in found if way < 0]:
        return Sign(
            side,
            "contradicted",
            f"{name}: {contradicting[0]}; the gauges read the other way round "
            "([measuring] gauges_read), or the rack was moved the other way (rack_mm is positive "
            "to the left)",
        )
    if proving := [words for way, words in found if way > 0]:
        return Sign(side, "proved", f"{name}: {proving[0]}")
    why = f"{name}: {found[0][1] if found else 'no reading with the rack off centre'}"
    centred = mine & (readings.rack_mm == 0.0)
    if toe_error is None or not centred.any():
        return Sign(side, "not proved", why)
    return _by_toe(readings, centred, side, attitude, toe_error, why)


def _turn(readings: Readings, row: int, points: Hardpoints, attitude: Attitude) -> tuple[int, str]:
    """+1 where a reading with the rack off centre turned as drawn, -1 the other way, 0 neither."""
    side, travel = int(readings.side[row]), readings.travel_mm[row]
    at_centre = readings.of(side, int(readings.round[row])) & (readings.rack_mm == 0.0)
    if not at_centre.any():
        return 0, "in the round with the rack off centre there is no reading with it centred"
    rack = readings.own_rack_mm[row]
    toe = -solve_linkage(points, travel, np.array([0.0, rack]), attitude).steer
    expected = float(np.degrees(toe[1] - toe[0]))
    seen = float(np.degrees(readings.toe_in[row] - _between(readings, at_centre, travel)))
    way = "left" if readings.rack_mm[row] > 0.0 else "right"
    moved = f"{abs(readings.rack_mm[row]):g} mm to the {way}"
    text = (
        f"the rack {moved} changes its toe-in by {expected:+.2f} deg in the drawing and by "
        f"{seen:+.2f} deg in the readings"
    )
    if not abs(expected) >= _LEAST_TURN_DEG:
        return 0, f"{text}, too little to tell the sign: take 5 mm"
    ratio = seen / expected
    sign = next((w for w in (1, -1) if abs(w * ratio - 1.0) <= NEAR), 0)
    return sign, text if sign else f"{text}, which is neither right nor the other way round"


def _between(readings: Readings, chosen: NDArray[np.bool_], travel: float) -> float:
    """Median of the readings with the rack at its centre, or where there are some near, of those.

    What toe does over travel is little beside what the rack does to it, and a misread one among
    the neighbours should not decide.
    """
    at, toe = readings.travel_mm[chosen], readings.toe_in[chosen]
    nearest = np.argsort(np.abs(at - travel), kind="stable")[:3]
    return float(np.median(toe[nearest]))


def _by_toe(
    readings: Readings,
    chosen: NDArray[np.bool_],
    side: int,
    attitude: Attitude,
    toe_error: float,
    why: str,
) -> Sign:
    """By toe at rest: how much likelier it is than its opposite, by Student's t of 3 freedoms."""
    drawn, seen = float(attitude.toe_in), _between(readings, chosen, 0.0)
    odds = _density((seen - drawn) / toe_error) / _density((seen + drawn) / toe_error)
    text = (
        f"{why}; toe-in at rest is {np.degrees(drawn):+.2f} deg in the drawing and "
        f"{np.degrees(seen):+.2f} deg in the readings, {_odds(odds)}"
    )
    if odds >= ODDS:
        return Sign(side, "settled", f"{text}, if it was not set with the same gauges")
    return Sign(side, "contradicted" if odds <= 1.0 / ODDS else "not proved", text)


def _density(size: float) -> float:
    return float((1.0 + size * size / _FREEDOM) ** (-0.5 * (_FREEDOM + 1.0)))


def _odds(odds: float) -> str:
    return f"{odds:.0f} to 1 for that sign" if odds >= 1.0 else f"{1.0 / odds:.0f} to 1 against it"
