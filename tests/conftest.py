"""Fixtures that more than one file of tests uses."""

from __future__ import annotations

import functools
import os
import shutil

import pytest
from examples.printed import Workshop
from one_run import make_run
from shared import made_once

from optimiser.folder.read import read_results


@pytest.fixture(scope="session")
def once(tmp_path_factory):
    """`once(name, make)` gives what `make(folder)` made, once for all processes."""
    return functools.partial(made_once, tmp_path_factory)


@pytest.fixture(scope="session")
def finished_run(once):
    """Folder of the run of `one_run`, and what it had in memory; read only."""
    return once("one-run", make_run)


@pytest.fixture(scope="session")
def stored(finished_run):
    """The same run read back from its folder; read only."""
    return read_results(finished_run[0])


@pytest.fixture
def copy(finished_run, tmp_path):
    """A copy of its folder that a test may change."""
    folder = tmp_path / "copy"
    shutil.copytree(finished_run[0], folder)
    return folder


@pytest.fixture(scope="session")
def workshop(tmp_path_factory) -> Workshop:
    """Where commands of the READMEs are run, once each for all processes of this session."""
    base = tmp_path_factory.getbasetemp()
    return Workshop((base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "workshop")
