"""Wiring of `adapt`: which rack, which study, where the answer goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.folder.claim import claimed
from optimiser.questions.adapt.folder import write_all, write_rack
from optimiser.questions.adapt.rack import answer_rack
from optimiser.questions.asking import chosen_racks, question_parts
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from optimiser.questions.adapt.rack import RackAnswer
    from optimiser.study.read import Study


@dataclass(frozen=True, slots=True)
class AdaptAsked:
    """Arguments of the command; None where nothing was typed."""

    study: Path
    rack: str | None
    every: bool
    out: Path


@dataclass(frozen=True, slots=True)
class AdaptAnswer:
    """What was found and where it was written."""

    study: Study
    found: tuple[RackAnswer, ...]
    folder: Path


def answer_adapt(asked: AdaptAsked, watch: Callable[[str], None]) -> AdaptAnswer:
    """Solve one rack or all, write the folder.

    Raises:
        InputError: no or an unknown rack, both a rack and all, or a study that lets nothing move.
        StorageError: the folder cannot be written.
    """
    study = read_study(asked.study)
    problem = study.moving_problem()
    chosen = chosen_racks(study, asked.rack, every=asked.every)
    last = "all" if asked.every else study.racks[chosen[0]].name
    name, found = f"{study.path.stem}-adapt-{last}", []
    with claimed(asked.out, name, question_parts(study, last)) as folder:
        for index in chosen:
            watch(study.racks[index].name)
            found.append(answer_rack(problem, index))
        if asked.every:
            write_all(folder, study, found)
        else:
            write_rack(folder, study, found[0])
    return AdaptAnswer(study, tuple(found), folder)
