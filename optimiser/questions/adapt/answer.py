"""Wiring of `adapt`: which rack, which study, where the answer goes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser import __version__
from optimiser.base.errors import InputError
from optimiser.folder.claim import claim_folder, question_hash
from optimiser.questions.adapt.folder import write_all, write_rack
from optimiser.questions.adapt.rack import answer_rack
from optimiser.study.messages import shown
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
    chosen = _racks(asked, study)
    last = "all" if asked.every else study.racks[chosen[0]].name
    parts = [__version__, json.dumps(study.resolved(), sort_keys=True, default=str), last]
    claim = claim_folder(
        asked.out, f"{study.path.stem}-adapt-{last}", question_hash(p.encode() for p in parts)
    )
    try:
        found = []
        for index in chosen:
            watch(study.racks[index].name)
            found.append(answer_rack(problem, index))
        if asked.every:
            write_all(claim.path, study, found)
        else:
            write_rack(claim.path, study, found[0])
        claim.finish()
    finally:
        claim.release()
    return AdaptAnswer(study, tuple(found), claim.path)


def _racks(asked: AdaptAsked, study: Study) -> list[int]:
    names = [rack.name for rack in study.racks]
    remedy = f"name one of {', '.join(names)}, or give --all"
    if asked.every and asked.rack is not None:
        raise InputError("--rack, --all", "both are given", "give one of the two")
    if asked.every:
        return list(range(len(names)))
    if asked.rack is None:
        raise InputError("--rack", "no rack is named", remedy)
    if asked.rack not in names:
        raise InputError("--rack", f"{shown(asked.rack)} is not in {study.path}", remedy)
    return [names.index(asked.rack)]
