"""The answer of `measured` in words, a line each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.quantity import rounded
from optimiser.questions.measured.choice import CERTAINTY, NEAR_BEST
from optimiser.questions.measured.model import TOE_FREE
from optimiser.questions.measured.readings import SIDES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.answer import Measured
    from optimiser.questions.measured.choice import Outcome

PLACES = (("rack", "left"), ("rack", "right"), ("outer joint", "left"), ("outer joint", "right"))
_STRAINED = 2.2
"""A car of its tolerances is so far from its drawing in one case of some thousands."""
_PERCENT = 100.0
REMEDY = (
    "Take one reading a side, in each round, with the rack 5 mm off centre (rack_mm = 5 to the "
    "left) and ask again: a shim by a wrong sign doubles the error."
)
LIFTS = (
    "Every pack is meant to lift: a rack that stands on its brackets, a joint that stands on its "
    "arm. Where one hangs below what carries it a pack lowers it, and this answer does not hold."
)
WAYS = (
    "Nothing in the readings can show travel counted the other way round, nor a rack moved the "
    "other way with gauges that read the other way: see that bump (wheel up) and rack to the left "
    "are positive. Where either is wrong the shims double the error."
)
AFTERWARDS = (
    "After shimming set toe again by the length of the rods (that moves no curve), see that every "
    "thread is engaged in full and every fastener locked, sweep the whole travel at both locks by "
    "hand, and measure again before driving. A pack under an outer joint bends its bolt more: that "
    "and longer bolts are for a qualified person to judge. Clearance, joint angles and Ackermann "
    "error were not worked out again."
)


def answer_lines(measured: Measured) -> Iterator[str]:
    """All of it: shims first, then why, then what is to be kept in mind."""
    yield from _headline(measured)
    if measured.choice is not None:
        yield from _after(measured)
        yield from _thickest(measured)
        yield _another_round(measured)
        yield from _spacers(measured)
    yield from measured.notes
    yield from _signs(measured)
    if not measured.unfit:
        yield from _readings(measured)
        yield from _telling(measured)
    if "best" in measured.outcomes:
        yield WAYS
        yield LIFTS
        yield AFTERWARDS


def _unfit(measured: Measured) -> Iterator[str]:
    """What is said in place of an answer where the readings are of no car that was thought of."""
    wheels = ", ".join(f"{SIDES[s]} {_deg(off)}" for s, off in measured.unfit.items())
    yield (
        "No shims are given: the readings fit no car that [tolerance] allows. Over their travel "
        f"they part from every such car by (wheel, change of toe): {wheels}. See that they are of "
        "this car and this design, that travel_mm is in mm with bump positive, and that none was "
        "misread; with few readings take more. If all of it is right, the car is elsewhere than "
        "drawn by more than its tolerances: find what is, or write [tolerance] as wide as that and "
        "ask again."
    )


def _headline(measured: Measured) -> Iterator[str]:
    if measured.unfit and measured.trusted:
        yield from _unfit(measured)
        return
    if not all(sign.proof == "proved" for sign in measured.signs):
        if not measured.trusted:
            wrong = [sign for sign in measured.signs if sign.proof == "contradicted"]
            yield (
                "Sign not proved: the readings contradict it, so that no shims are given. Put that "
                "right and ask again."
                if wrong
                else f"Sign not proved, so that no shims are given. {REMEDY}"
            )
            yield from _unfit(measured) if measured.unfit else _now(measured)
            return
        yield (
            "Sign not proved by the rack; toe at rest settles it, and shims are given on that: "
            f"better, take the reading that proves it. {REMEDY}"
        )
    best, least = measured.outcomes.get("best"), measured.outcomes.get("least")
    if best is None or least is None:
        yield (
            f"Leave it: no shims are better with {CERTAINTY * _PERCENT:.0f} of 100 cars that fit "
            "the readings."
        )
        return
    if np.array_equal(least.shims_mm, measured.model.now_mm):
        yield (
            "It keeps to what you accept as it is, so that it may be left. Best would be: "
            f"{_set_words(measured, best.shims_mm)}."
        )
        return
    yield f"Shims: {_set_words(measured, best.shims_mm)}."
    if not np.array_equal(best.shims_mm, least.shims_mm):
        kept = "still keeps to what you accept" if _keeps(measured, least) else "comes near it"
        yield (
            f"Least that {kept}: {_set_words(measured, least.shims_mm)}: {_each(measured, least)}."
        )


def _set_words(measured: Measured, shims: Array) -> str:
    parts = []
    for place, (new, now) in enumerate(zip(shims, measured.model.now_mm, strict=True)):
        if new != now:
            what, side = PLACES[place]
            where = (
                f"under the {side} rack bracket" if what == "rack" else f"at the {side} outer joint"
            )
            add = f"{abs(new - now):g} mm {'more' if new > now else 'less'}"
            parts.append(
                f"{add if now else f'{new:g} mm'} {where}{f' ({now:g} to {new:g})' if now else ''}"
            )
    return ", ".join(parts)


def _keeps(measured: Measured, outcome: Outcome) -> bool:
    return bool((outcome.most[list(measured.readings.sides)] <= measured.accepted).all())


def _each(measured: Measured, outcome: Outcome) -> str:
    return ", ".join(
        f"{SIDES[s]} {_deg(outcome.mean[s])} (95 of 100: {_deg(outcome.most[s])})"
        for s in measured.readings.sides
    )


def _deg(angle: float) -> str:
    return f"{rounded(float(np.degrees(angle)), 2)} deg"


def _now(measured: Measured) -> Iterator[str]:
    yield (
        "Greatest bump steer as it is, if the sign is right, over the cars that fit the readings: "
        f"{_each(measured, measured.outcomes['leave'])}."
    )


def _after(measured: Measured) -> Iterator[str]:
    leave, best = measured.outcomes["leave"], measured.outcomes.get("best")
    most = float(np.degrees(measured.accepted))
    for side in measured.readings.sides:
        text = (
            f"{SIDES[side].capitalize()} wheel: greatest bump steer {_deg(leave.mean[side])} as it "
            f"is (95 of 100 cars that fit the readings: at most {_deg(leave.most[side])})"
        )
        shown = leave
        if best is not None:
            shown = best
            text += (
                f"; after, {_deg(best.mean[side])} (at most {_deg(best.most[side])}), better with "
                f"{np.floor(_PERCENT * best.better[side]):.0f} of 100"
            )
        kept = shown.most[side] <= measured.accepted
        likely = shown.mean[side] <= measured.accepted
        yield text + (
            f"; that keeps to the {most:g} deg you accept."
            if kept
            else f"; that {'may be' if likely else 'is'} above the {most:g} deg you accept."
        )


def _thickest(measured: Measured) -> Iterator[str]:
    """Where the stock is what stops it."""
    best = measured.outcomes.get("best")
    most = max(measured.table.shims_mm)
    if best is not None and not _keeps(measured, best) and best.shims_mm.max() >= most:
        yield (
            f"The thickest pack in stock, {most:g} mm, is used: where the design allows thicker "
            "ones, or another height of the rack, they may do more."
        )


def _another_round(measured: Measured) -> str:
    gain = 0.0 if measured.choice is None else measured.choice.another_round
    worth = gain >= NEAR_BEST and not _keeps(measured, measured.advised)
    text = (
        f"Another round of readings could gain {_deg(gain)} a wheel at the very most, by the shims "
        "that an exact knowledge of the car would choose"
    )
    return f"{text}: {'worth it' if worth else 'not worth it for the shims'}."


def _spacers(measured: Measured) -> Iterator[str]:
    for side, spacer in measured.spacers.items():
        way = "longer" if spacer.longer_mm > 0.0 else "shorter"
        yield (
            f"{SIDES[side].capitalize()} wheel: what is left is mostly a bend, which the spacer's "
            f"length moves; {abs(spacer.longer_mm):g} mm {way} there, and the rack shimmed anew, "
            f"it would be {_deg(spacer.mean)}."
        )


def _signs(measured: Measured) -> Iterator[str]:
    for sign in measured.signs:
        yield f"Sign, {sign.words}: {sign.proof}."


def _readings(measured: Measured) -> Iterator[str]:
    found, readings = measured.found, measured.readings
    noise = rounded(float(np.degrees(found.noise)), 3)
    source = {
        "stated": "[measuring] toe_plus_minus_deg",
        "repeated": "from readings that were repeated",
        "scatter": "from how they scatter about a curve that a car can have, more than stated",
    }
    yield f"{len(readings)} readings, each good to {noise} deg ({source[found.noise_from]})."
    for row in found.outliers:
        if readings.rack_mm[row] == 0.0:
            off = float(np.degrees(found.off[row]))
            yield (
                f"{readings.where[row]}: {off:+.2f} deg off the curve of the others, so that it "
                "hardly counts: read it again."
            )
    for side in readings.sides:
        last = int(readings.round[readings.of(side)].max())
        zero = found.values[found.unknowns.toe_column(side, last)]
        toe = float(measured.problem.car.attitude.toe_in) + TOE_FREE * zero
        if measured.table.toe_zero == "known" and measured.trusted:
            yield (
                f"{SIDES[side].capitalize()} wheel: toe-in at rest {np.degrees(toe):+.2f} deg, "
                f"drawn {np.degrees(float(measured.problem.car.attitude.toe_in)):+.2f}."
            )
    if found.strain > _STRAINED:
        yield (
            "The car is further from its drawing than [tolerance] lets cars be: see that the "
            "readings are of this car, and of this design."
        )


def _telling(measured: Measured) -> Iterator[str]:
    for side, told in measured.telling.items():
        slope, bend = (
            f"{now:.3f} deg (the drawing with its tolerances: {before:.3f})"
            for now, before in (told.slope, told.bend)
        )
        yield (
            f"{SIDES[side].capitalize()} wheel: at the end of the travel the readings leave the "
            f"slope of the curve open to {slope}, and its bend to {bend}, standard deviations."
        )
    told = next(iter(measured.telling.values()))
    if told.alike:
        yield (
            f"Rack height, {', '.join(told.alike)} bend the curve alike: readings cannot tell "
            "which of them is off, and a shim makes up for all of them together."
        )
    if ahead := [name.removesuffix(" fore-aft") for name in told.silent if "fore-aft" in name]:
        yield (
            f"Not to be measured in this way are the fore-aft places of {', '.join(ahead)}: off by "
            "their tolerances, they change no reading by its noise."
        )
    if measured.model.brackets_mm is None:
        yield (
            "[measuring] bracket_spacing_mm is not given: what a shim under one bracket does is "
            "not known, so that both are shimmed alike."
        )
