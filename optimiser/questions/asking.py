"""What every question asks: of which racks, and the text that tells one question from another."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from optimiser import __version__
from optimiser.base.errors import InputError
from optimiser.study.messages import shown

if TYPE_CHECKING:
    from optimiser.study.read import Study


def study_text(study: Study) -> str:
    """All that a study says, as text that is the same for the same study."""
    return json.dumps(study.resolved(), sort_keys=True, default=str)


def question_parts(study: Study, *more: str) -> list[str]:
    """What decides the answer to a question of a study: this version, the study, and more."""
    return [__version__, study_text(study), *more]


def chosen_racks(study: Study, rack: str | None, *, every: bool) -> list[int]:
    """Indices of the racks that a command names, with `--rack` or `--all`.

    Raises:
        InputError: none is named, both are given, or the study has no such rack.
    """
    names = [one.name for one in study.racks]
    remedy = f"name one of {', '.join(names)}, or give --all"
    if every and rack is not None:
        raise InputError("--rack, --all", "both are given", "give one of the two")
    if every:
        return list(range(len(names)))
    if rack is None:
        raise InputError("--rack", "no rack is named", remedy)
    if rack not in names:
        raise InputError("--rack", f"{shown(rack)} is not in {study.path}", remedy)
    return [names.index(rack)]
