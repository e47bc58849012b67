"""What is slow to make and never changed is made once, by the first process that wants it."""

from __future__ import annotations

import pickle
import shutil
from typing import TYPE_CHECKING, TypeVar

from optimiser.base.locks import wait_for_lock

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

T = TypeVar("T")
_LONGEST_S = 300.0
_place: list[Path] = []


def share_in(place: Path) -> None:
    """Say where all processes of this run of the tests find what is shared."""
    _place[:] = [place]


def made_once(name: str, make: Callable[[Path], T]) -> T:
    """What `make` returned for an empty folder, in the process that came first.

    Every process unpickles it, so that all of them see the same; nobody may change the folder.
    """
    (place,) = _place
    folder, made = place / name, place / f"{name}.pickle"
    with (place / f"{name}.lock").open("ab") as lock:
        assert wait_for_lock(lock, _LONGEST_S), f"{name} is not made within {_LONGEST_S:g} s"
        if not made.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            made.write_bytes(pickle.dumps(make(folder)))
    return pickle.loads(made.read_bytes())
