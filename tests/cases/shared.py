"""What is slow to make and never changed is made once, by the first process that wants it."""

from __future__ import annotations

import os
import pickle
import shutil
from typing import TYPE_CHECKING, TypeVar

from optimiser.base.locks import wait_for_lock

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest

T = TypeVar("T")


def made_once(
    factory: pytest.TempPathFactory, name: str, make: Callable[[Path], T], seconds: float = 300.0
) -> T:
    """What `make` returns for an empty folder, from the process that came first.

    Every process unpickles it, so that all of them see the same; nobody may change the folder.
    """
    place = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        place = place.parent  # each worker has a folder of its own in there
    folder, made = place / name, place / f"{name}.pickle"
    with (place / f"{name}.lock").open("ab") as lock:
        assert wait_for_lock(lock, seconds), f"{name} is not made within {seconds:g} s"
        if not made.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            content = pickle.dumps(make(folder))
            made.write_bytes(content)
    return pickle.loads(made.read_bytes())
