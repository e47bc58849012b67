"""The workshop sheet: two pages to print of one design, to set out by, to buy and cut by."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.fitting import fitting_sentences
from optimiser.answer.run_result import CAUTION
from optimiser.answer.setting_out import (
    BALL_JOINTS,
    FEET,
    GROUND,
    ITSELF,
    JOINTS,
    OTHER,
    PIVOTS,
    setting_out,
)
from optimiser.metrics.tolerance.set_out import MOST_MM, STEP_MM
from optimiser.report.html import template
from optimiser.report.sheet_drawing import LETTERS, drawing, letters_of, named_points, numbered
from optimiser.report.sheet_parts import open_keys, parts_list, rod_rows, setting_rows
from optimiser.report.words import BLANK, CAUTIONS, date_words, number

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.answer.run_result import Chosen
    from optimiser.answer.setting_out import SetOut, SettingOut

_FEET = " Feet: what counts is where I then comes."
_MOVED_MM = 0.05
_ON_SHEET = (
    "Set each point out by its three distances and check it by at least one more before anything "
    "is drilled. Where your pivots, ball joints or ground are not where this sheet has them, "
    "measure them and run the study again: no distance here holds then.",
    "Lengths are for straight rods with threads on their axis. What has to stay screwed in by the "
    "part's own data is its full engagement: mark it on each thread, and never set a rod beyond.",
)


def sheet_html(chosen: Chosen, date: str = "") -> str:
    """The page of a design that assembles.

    Args:
        chosen: the design.
        date: when its result was computed, as in `run.json`; empty where it is not known.
    """
    found = setting_out(chosen)
    new = found.points
    return template("sheet.html.j2").render(
        title=chosen.study.title,
        design=chosen.label,
        hand=_hand_words(chosen),
        rack=chosen.rack.name,
        verdict=_verdict(chosen),
        good=chosen.acceptable and not _wrong_hand(chosen),
        date=date_words(date),
        frame=_frame_words(chosen),
        elsewhere=_elsewhere(chosen),
        drawing=drawing(chosen, new),
        rows=list(_rows(new)),
        tolerances=None if found.allowed is None else _tolerance_words(chosen, found),
        checks=_checks(new),
        check_names=[f"{LETTERS[one.name]} {_plain(one.name)}" for one in new],
        coordinates=list(_coordinates(chosen, new)),
        fitting=list(fitting_sentences(chosen.problem, chosen.design, chosen.outcome)),
        parts=parts_list(chosen),
        open=open_keys(chosen),
        rod=list(rod_rows(chosen)),
        settings=list(setting_rows(chosen)),
        cautions=(*_ON_SHEET, *CAUTIONS),
        caution=CAUTION,
    )


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _wrong_hand(chosen: Chosen) -> bool:
    return bool(chosen.problem.wrong_hand[int(chosen.design.rack[0])])


def _hand_words(chosen: Chosen) -> str:
    """Which way the rack goes in, where what is to know about fitting does not say it."""
    hand = chosen.problem.hands[int(chosen.design.rack[0])]
    return "" if hand.needs_saying else f"Direction and hand: the rack {hand.sentence}."


def _verdict(chosen: Chosen) -> str:
    if not chosen.outcome.feasible[0]:
        return "BREAKS A LIMIT: not to be built"
    if not chosen.acceptable:
        return "NOT ACCEPTABLE: not to be built"
    if _wrong_hand(chosen):
        return "RACK OF THE WRONG HAND: not to be built with it"
    return "keeps every limit and is acceptable, made exactly"


def _frame_words(chosen: Chosen) -> str:
    frame = chosen.study.frame
    at = ", ".join(f"{value:g}" for value in frame.ground_origin_mm)
    return (
        f"CAD axes: forward {frame.forward}, left {frame.left}, up {frame.up}; ground under the "
        f"middle of the front axle at ({at})"
    )


def _elsewhere(chosen: Chosen) -> str:
    """Which of what the new points are set out from is not as drawn; empty where all of it is."""
    drawn = chosen.study.points
    far = {
        name: float(np.sqrt(np.sum((getattr(chosen.points, name) - getattr(drawn, name)) ** 2)))
        for name in (*PIVOTS, *BALL_JOINTS)
    }
    moved = [f"{LETTERS[name]} by {mm:.1f} mm" for name, mm in far.items() if mm >= _MOVED_MM]
    if not moved:
        return ""
    return (
        f"NOT AS DRAWN on both sides: {', '.join(moved)}. All distances are from where this design "
        "has them; put these there first, by the table of points."
    )


# --- setting out ---------------------------------------------------------------------------------


def _reference_words(point: str, reference: str) -> str:
    """A' lower front pivot, other side."""
    if reference == GROUND:
        return "height above the ground"
    letters, name = letters_of(point, reference), _plain(reference.removeprefix(OTHER))
    side = "other" if reference.startswith(OTHER) else "same"
    return f"{letters} {name}, {side} side"


def _rows(new: Sequence[SetOut]) -> Iterator[dict[str, Any]]:
    """A row for each distance that is set out; a point's first says how many are its."""
    numbers = numbered(new)
    for one in new:
        for place, distance in enumerate(one.three):
            yield {
                "number": numbers[one.name, distance.reference],
                "point": f"{LETTERS[one.name]} {_plain(one.name)}",
                "first": place == 0,
                "from": _reference_words(one.name, distance.reference),
                "mm": f"{distance.mm:.2f}",
                "at_once": _off(distance.at_once_mm),
                "alone": _off(distance.alone_mm),
                "sides": (one.name != FEET[1], one.name != FEET[0]),
            }


def _off(allowed_mm: float | None) -> str:
    if allowed_mm is None:
        return BLANK
    if allowed_mm < STEP_MM:
        return f"below {STEP_MM:g}"
    return f"± {allowed_mm:g}" + (" or more" if allowed_mm >= MOST_MM else "")


def _tolerance_words(chosen: Chosen, found: SettingOut) -> str:
    accepted = chosen.problem.acceptable
    assert found.allowed is not None
    worst = np.degrees([found.allowed.bump_steer, found.allowed.ackermann_error])
    return (
        "At once: all six of I and O off by so much, each the worst way, both sides alike: "
        f"bump steer is then at most {worst[0]:.3f} deg (accepted {accepted[0]:g}), Ackermann "
        f"error {worst[1]:.2f} deg ({accepted[1]:g}). Alone: one by itself, the others exact. Toe "
        "is reset, all other points are as drawn; clearance and joints' angles are not judged."
        + (_FEET if len(found.points) > len(JOINTS) else "")
    )


def _checks(new: Sequence[SetOut]) -> list[tuple[str, list[tuple[str, bool]]]]:
    """A row for each reference: its words and, for each new point, distance and whether set out."""
    columns = [
        {
            distance.reference: (f"{distance.mm:.1f}", distance in one.three)
            for distance in (*one.three, *one.checks)
        }
        for one in new
    ]
    names = (*PIVOTS, *BALL_JOINTS, *(f"{OTHER}{name}" for name in PIVOTS), GROUND, ITSELF)
    return [
        (_check_words(name), [column.get(name, (BLANK, False)) for column in columns])
        for name in names
    ]


def _check_words(name: str) -> str:
    if name == ITSELF:
        return "the same point, other side"
    if name == GROUND:
        return "height above the ground"
    side = "other" if name.startswith(OTHER) else "same"
    return f"{LETTERS[name.removeprefix(OTHER)]} {_plain(name.removeprefix(OTHER))}, {side} side"


def _coordinates(chosen: Chosen, new: Sequence[SetOut]) -> Iterator[tuple[str, list[str]]]:
    """Points of the left side and the feet in the CAD frame; the new ones first."""
    points = named_points(chosen, new)
    names = {letter: name for name, letter in LETTERS.items()}
    shown = [*(LETTERS[one.name] for one in new)]
    shown += [LETTERS[name] for name in (*PIVOTS, *BALL_JOINTS)]
    for letter in shown:
        at = chosen.study.frame.to_cad(points[letter])
        yield f"{letter} {_plain(names[letter])}", [number(float(v), 2) for v in at]
