"""Which shims: every set that stock allows, judged over the cars that the readings leave open.

Of each set and each car the greatest change of toe of either wheel is worked out. The best set has
the least mean of both over the cars, each shim that is changed costing a little, among those that
are better with nine cars of ten and make no wheel worse with more than one of ten. The least one
is the one that changes fewest places, and least, of those that are good enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.questions.measured.estimate import curve_rates
from optimiser.questions.measured.model import (
    OUTER_LEFT,
    RACK_LEFT,
    RACK_RIGHT,
)
from optimiser.questions.measured.responses import Response, response

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.estimate import Estimate
    from optimiser.questions.measured.model import CarModel

CERTAINTY = 0.9
PRICE = float(np.radians(0.002))
"""What a shim has to be worth: a tenth of what a reading is uncertain by."""
SAME = float(np.radians(0.005))
NEAR_BEST = float(np.radians(0.01))
_PERCENT = 0.95
_BLOCK = 64


@dataclass(frozen=True, slots=True, eq=False)
class Open:
    """Cars that the readings leave open.

    Attributes:
        samples: unknowns (S, K).
        about: curves (S, P) of each wheel less that of the likeliest car, with what is fitted now.
        responses: of each wheel of the likeliest car.
        stock: thicknesses that may stand at a place, mm, (M,), 0 and those of now among them.
    """

    samples: Array
    about: tuple[Array, Array]
    responses: tuple[Response, Response]
    stock: Array


def opened(model: CarModel, found: Estimate, stock_mm: tuple[float, ...]) -> Open:
    """The cars that fit, and what shims do to them."""
    samples, unknowns = found.samples(), found.unknowns
    stock = np.unique([0.0, *stock_mm, *model.now_mm.tolist()])
    both = np.stack(np.meshgrid(stock, stock, indexing="ij"), axis=-1)
    about, responses = [], []
    for side in (0, 1):
        rates = curve_rates(model, unknowns, found.values, side)
        about.append((samples - found.values) @ rates)
        deviations = unknowns.deviations(found.values, side)
        rises = model.lever.rises(both)[..., side]
        responses.append(response(model, deviations, rises, stock))
    return Open(samples, (about[0], about[1]), (responses[0], responses[1]), stock)


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """What is advised.

    Attributes:
        best: shims at the four places, mm, (4,); None: nothing is better with certainty.
        least: likewise the least that is good enough, which may be what is fitted.
        another_round: mean over both wheels of what knowing the car exactly would still gain,
            radians: the most that further readings could.
    """

    best: Array | None
    least: Array | None
    another_round: float


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Of one wheel, for each of B sets under the brackets and M shims at its outer joint."""

    greatest: Array  # (B, M, S)
    mean: Array  # (B, M)
    harmless: NDArray[np.bool_]  # (B, M)
    enough: NDArray[np.bool_]  # (B, M)
    now: Array  # (S,)


def choose_shims(model: CarModel, found: Open, sides: tuple[int, ...], acceptable: float) -> Choice:
    """The best and the least shims.

    Args:
        model: the car.
        found: cars that are open.
        sides: those that were measured; the outer joint of another one is left alone.
        acceptable: bump steer, radians.
    """
    brackets = _brackets(model, found.stock)
    tables = tuple(
        _table(model, found, side, brackets, side in sides, acceptable) for side in (0, 1)
    )
    outers = [_outers(model, found.stock, side, side in sides) for side in (0, 1)]
    left, right = tables
    # Over bracket sets, left outer and right outer shims, (B, ML, MR).
    goal = left.mean[:, :, None] + right.mean[:, None, :]
    changes, mm = _changes(model, brackets, outers)
    goal = goal + PRICE * changes
    allowed = left.harmless[:, :, None] & right.harmless[:, None, :] & (changes > 0)
    index = np.flatnonzero(allowed)
    index = index[np.argsort(goal.ravel()[index], kind="stable")]

    def better(one: int) -> bool:
        b, o_l, o_r = np.unravel_index(one, goal.shape)
        after = left.greatest[b, o_l] + right.greatest[b, o_r]
        return bool(np.mean(after < left.now + right.now) >= CERTAINTY)

    def set_of(one: int) -> Array:
        b, o_l, o_r = np.unravel_index(one, goal.shape)
        return np.array([*brackets[b], outers[0][o_l], outers[1][o_r]])

    best = next((one for one in index.tolist() if better(one)), None)
    another = _another(left, right, None if best is None else best, goal.shape)
    if best is None:
        return Choice(None, None, another)
    enough = left.enough[:, :, None] & right.enough[:, None, :]
    # Among those that keep to what is accepted; where none does, those about as good as the best.
    if _already(left, right, sides, acceptable):
        return Choice(set_of(best), model.now_mm, another)
    flat, enough = goal.ravel(), enough.ravel()
    good = enough if enough[best] else flat <= flat[best] + NEAR_BEST
    few = index[good[index]]
    few = few[np.lexsort((flat[few], mm.ravel()[few], changes.ravel()[few]))]
    least = next((one for one in few.tolist() if better(one)), best)
    return Choice(set_of(best), set_of(least), another)


def _already(left: _Table, right: _Table, sides: tuple[int, ...], acceptable: float) -> bool:
    """Whether what is fitted is good enough on every wheel that was measured."""
    now = (left.now, right.now)
    return all(bool(np.quantile(now[side], _PERCENT) <= acceptable) for side in sides)


def _brackets(model: CarModel, stock: Array) -> Array:
    """Sets of shims under both brackets, (B, 2): alike, or changed alike, with no lever known."""
    now = model.now_mm[[RACK_LEFT, RACK_RIGHT]]
    left, right = (grid.ravel() for grid in np.meshgrid(stock, stock, indexing="ij"))
    sets = np.stack([left, right], axis=-1)
    if model.brackets_mm is None:
        sets = sets[np.abs((left - now[0]) - (right - now[1])) < 1e-9]
    return sets


def _outers(model: CarModel, stock: Array, side: int, measured: bool) -> Array:
    return stock if measured else model.now_mm[[OUTER_LEFT + side]]


def _changes(model: CarModel, brackets: Array, outers: list[Array]) -> tuple[Array, Array]:
    """How many places a set changes, and by how many mm in all: (B, ML, MR) each."""
    now = model.now_mm
    rack = np.abs(brackets - now[:2])
    left, right = (np.abs(outers[s] - now[OUTER_LEFT + s]) for s in (0, 1))

    def summed(of_rack: Array, of_left: Array, of_right: Array) -> Array:
        return np.asarray(of_rack.sum(axis=1)[:, None, None] + of_left[:, None] + of_right[None, :])

    return (
        summed(*((part > 0.0).astype(float) for part in (rack, left, right))),
        summed(rack, left, right),
    )


def _table(
    model: CarModel,
    found: Open,
    side: int,
    brackets: Array,
    measured: bool,
    acceptable: float,
) -> _Table:
    outers, about = _outers(model, found.stock, side, measured), found.about[side]
    rise = model.lever.rises(brackets)[:, side]
    greatest = np.empty((len(brackets), len(outers), len(about)))
    for start in range(0, len(brackets), _BLOCK):
        block = slice(start, start + _BLOCK)
        curves = found.responses[side](rise[block, None], outers)
        for row, curve in enumerate(curves):
            greatest[start + row] = model.greatest(curve[:, None, :] + about)
    now_rise, now_outer = model.rises(model.now_mm, side)
    now = model.greatest(found.responses[side](now_rise, now_outer) + about)
    worse = np.mean(~(greatest <= now + SAME), axis=-1)  # what cannot be assembled is worse
    ranked = np.quantile(greatest, _PERCENT, axis=-1)
    return _Table(
        greatest,
        greatest.mean(axis=-1),
        np.asarray(worse <= 1.0 - CERTAINTY + 1e-9),
        # Of a wheel that was not measured nothing more can be asked.
        np.asarray(ranked <= acceptable) if measured else np.ones(ranked.shape, dtype=bool),
        now,
    )


def _another(left: _Table, right: _Table, best: int | None, shape: tuple[int, ...]) -> float:
    """What the right shims of each car would gain over the best ones, mean over cars and wheels."""
    least = (left.greatest.min(axis=1) + right.greatest.min(axis=1)).min(axis=0)
    if best is None:
        ours = left.now + right.now
    else:
        b, o_l, o_r = np.unravel_index(best, shape)
        ours = left.greatest[b, o_l] + right.greatest[b, o_r]
    return float(np.mean(ours - least)) / 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What a set of shims comes to on each wheel; angles in radians, (2,) each: left, right.

    Attributes:
        kind: 'leave', 'best' or 'least'.
        shims_mm: at the four places, (4,).
        mean: greatest change of toe, mean over the cars that are open.
        most: what 95 of 100 of them keep to.
        better: share of them that it makes better; NaN for what is left as it is.
        curves: change of toe-in over the study's travel of each car, (2, S, P).
    """

    kind: str
    shims_mm: Array
    mean: Array
    most: Array
    better: Array
    curves: Array


def judged(
    model: CarModel, found: Estimate, samples: Array, sets: dict[str, Array]
) -> dict[str, Outcome]:
    """Sets of shims judged by the full kernel on every car; `sets` begins with 'leave'."""
    out: dict[str, Outcome] = {}
    before = np.empty((2, 0))
    for kind, shims in sets.items():
        curves = np.stack(
            [
                model.change(
                    model.built(found.unknowns.deviations(samples, side), *model.rises(shims, side))
                )
                for side in (0, 1)
            ]
        )
        greatest = model.greatest(curves)
        if kind == "leave":
            before = greatest
        better = np.mean(greatest < before, axis=1) if kind != "leave" else np.full(2, np.nan)
        out[kind] = Outcome(
            kind,
            shims,
            greatest.mean(axis=1),
            np.quantile(greatest, _PERCENT, axis=1),
            better,
            curves,
        )
    return out


def surely_better(model: CarModel, outcomes: dict[str, Outcome], kind: str) -> bool:
    """Whether a set that changes anything is better with certainty by the full kernel as well.

    It was chosen by rates about the likeliest car, which cars far from that may not follow.
    """
    leave, one = outcomes["leave"], outcomes[kind]
    if np.array_equal(one.shims_mm, leave.shims_mm):
        return True
    before, after = (model.greatest(each.curves).sum(axis=0) for each in (leave, one))
    return bool(np.mean(after < before) >= CERTAINTY)
