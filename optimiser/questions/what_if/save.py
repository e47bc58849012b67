"""A design that is being tried written into a folder of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.base.errors import InputError, NothingFeasibleError, StorageError
from optimiser.folder.choose import Picked
from optimiser.folder.pick import write_picked
from optimiser.questions.what_if.words import outside

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.questions.what_if.state import State

_MOST_SAVED = 10_000


def save(state: State, saves: Path) -> Path:
    """Write hardpoints, curves, figures and `pick.json`, as `pick --at` does; returns the folder.

    It is the first of `saves` and a number that is not there yet: nothing is written over.

    Raises:
        NothingFeasibleError: there are no poses to draw and no points worth building.
        StorageError: the folder cannot be written.
    """
    chosen = state.chosen
    if not chosen.outcome.assembles[0]:
        raise NothingFeasibleError(f"save: it {chosen.outcome.status[0]}; nothing was written")
    notes = tuple(f"outside the study: {text}." for text in outside(state))
    base = None if chosen.label == state.start.label else state.start
    picked = Picked(chosen, base, notes)
    folder = _new_folder(saves)
    write_picked(folder, picked, {"study_changed": state.asked_otherwise()})
    return folder


def _new_folder(saves: Path) -> Path:
    for number in range(1, _MOST_SAVED):
        folder = saves.with_name(f"{saves.name}-{number}")
        try:
            folder.mkdir(parents=True)
        except FileExistsError:
            continue
        except OSError as error:
            raise StorageError(f"{folder}: cannot be made ({error.strerror})") from None
        return folder
    raise InputError(str(saves.parent), "holds ten thousand saved designs", "clear some away")
