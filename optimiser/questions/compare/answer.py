"""Wiring of `compare`: which two, what is not the same, the old design in the new study, where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser import __version__
from optimiser.base.errors import InputError
from optimiser.folder.claim import claimed
from optimiser.questions.asking import study_text
from optimiser.questions.compare.changes import (
    key_changes,
    numbers,
    point_moves,
    rack_changes,
    side_by_side,
    verdict_changes,
)
from optimiser.questions.compare.cures import cheapest, cures, outside_of
from optimiser.questions.compare.sides import carried, is_wrong_hand, open_side
from optimiser.study.measuring import MeasuringTable

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from optimiser.answer.run_result import Chosen
    from optimiser.questions.compare.changes import Change, NumberRow, PointMove
    from optimiser.questions.compare.cures import Cure
    from optimiser.questions.compare.sides import Carried, Side


@dataclass(frozen=True, slots=True)
class CompareAsked:
    """Arguments of the command.

    Attributes:
        old: a study file or the folder of a result.
        new: likewise; None: two designs of one result.
        designs: number of a design of each; None: the winners.
        out: where the folder goes.
    """

    old: Path
    new: Path | None
    designs: tuple[int, int] | None
    out: Path


@dataclass(frozen=True, slots=True)
class Judged:
    """The old design in the new study.

    Attributes:
        carried: the design there.
        outside: variables that the new study does not allow there.
        thickest_mm: of shims under the rack.
        cures: every way; none where it is acceptable and allowed.
    """

    carried: Carried
    outside: tuple[str, ...]
    thickest_mm: float
    cures: tuple[Cure, ...]

    @property
    def chosen(self) -> Chosen:
        """The design there."""
        return self.carried.chosen

    @property
    def cheapest(self) -> Cure | None:
        """The way to cure it."""
        return cheapest(self.cures)


@dataclass(frozen=True, slots=True)
class Compared:
    """The answer, before anyone words it.

    Attributes:
        old: what is compared.
        new: with what.
        drawn: points of the drawings that moved.
        built: points of the two designs that are not the same; none where one has no rack.
        keys: of the studies.
        racks: gained, lost, or of another catalogue value.
        verdicts: of the racks of two results.
        judged: the old design in the new study; None of two designs of one result.
        numbers: side by side.
    """

    old: Side
    new: Side
    drawn: tuple[PointMove, ...]
    built: tuple[PointMove, ...]
    keys: tuple[Change, ...]
    racks: tuple[Change, ...]
    verdicts: tuple[Change, ...]
    judged: Judged | None
    numbers: tuple[NumberRow, ...]

    @property
    def good(self) -> bool:
        """Whether the old design, or the new one of two of one result, is an answer now."""
        chosen = self.new.chosen if self.judged is None else self.judged.chosen
        return chosen.acceptable and not is_wrong_hand(chosen)


def answer_compare(asked: CompareAsked) -> tuple[Compared, Path]:
    """The answer and the folder that it was written to.

    Raises:
        InputError: a study or a result that cannot be used, or no such design.
        NothingFeasibleError: a result none of whose designs can be assembled.
        StorageError: the folder cannot be written.
    """
    from optimiser.questions.compare.folder import write_compared

    found = compare(asked)
    old, new = found.old, found.new
    if asked.new is None:
        name = f"{old.name}-{old.chosen.label}-{new.chosen.label}".replace(" ", "-")
    else:
        name = f"{new.name}-against-{old.name}"
    with claimed(asked.out, name, _question(old, new)) as folder:
        write_compared(folder, found)
    return found, folder


def _question(*sides: Side) -> Iterator[str]:
    yield __version__
    for side in sides:
        yield study_text(side.study)
        yield side.chosen.label
        yield repr(side.chosen.design.values.tolist())


def compare(asked: CompareAsked) -> Compared:
    """What is not the same; nothing is written."""
    first, second = asked.designs or (None, None)
    if asked.new is None:
        if asked.designs is None:
            raise InputError(
                str(asked.old),
                "is compared with nothing",
                "name a second study or result, or two of its designs with --designs",
            )
        if first == second:
            raise InputError(
                f"--designs {first} {second}", "are one design", "name two different ones"
            )
    old = open_side(asked.old, first)
    beside = old if asked.new is None else None
    new = open_side(asked.new or asked.old, second, beside)
    rows = [numbers(side.chosen, bare=side.bare) for side in (old, new)]
    judged = None if asked.new is None else _judge(old, new)
    moved = {} if judged is None else numbers(judged.chosen, bare=old.bare)
    results = old.result, new.result
    verdicts: tuple[Change, ...] = ()
    if asked.new is not None and results[0] is not None and results[1] is not None:
        verdicts = verdict_changes(results[0], results[1])
    return Compared(
        old=old,
        new=new,
        drawn=point_moves(old.study.points, new.study.points),
        built=() if old.bare or new.bare else point_moves(old.chosen.points, new.chosen.points),
        keys=key_changes(old.study, new.study),
        racks=rack_changes(old.study, new.study),
        verdicts=verdicts,
        judged=judged,
        numbers=side_by_side(rows[0], moved, rows[1], to_moved=new.bare and not old.bare),
    )


def _judge(old: Side, new: Side) -> Judged:
    found = carried(old, new.study)
    chosen, outside = (
        found.chosen,
        outside_of(found.chosen.problem, found.chosen.design, bare=old.bare),
    )
    thickest = max((new.study.file.measuring or MeasuringTable()).shims_mm)
    needed = not chosen.acceptable or outside
    ways = cures(chosen, thickest, bare=old.bare) if needed else ()
    return Judged(found, outside, thickest, ways)
