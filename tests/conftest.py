"""Fixtures that more than one file of tests uses."""

from __future__ import annotations

import os
import shutil

import pytest
from examples.printed import Workshop
from one_run import make_run
from shared import made_once, share_in

from optimiser.folder.read import read_results

SLOWEST = (
    *("test_readme", "test_refine", "test_starts", "test_heights_ways", "test_try"),
    *("test_overnight", "test_cluster", "test_batch", "test_heights_optima", "test_heights"),
    *("test_report", "test_racks_table", "test_linkage_referee", "test_fuzz_inputs"),
    *("test_tolerance_linear", "test_search", "test_cli", "test_first_screen"),
)
"""Files that take longest, begun first so that no process is left with one of them at the end.

A file stays in one process (`--dist=loadfile` in pyproject.toml): its fixtures are made once, and
no process waits for what another makes.
"""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the slowest files first; the order is otherwise kept."""
    place = {name: number for number, name in enumerate(SLOWEST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(place)))


@pytest.fixture(scope="session", autouse=True)
def common_folder(tmp_path_factory):
    """Where all processes of this run of the tests find what they share."""
    place = tmp_path_factory.getbasetemp()
    # Each process of pytest-xdist has a folder of its own in the one of the run.
    place = place.parent if "PYTEST_XDIST_WORKER" in os.environ else place
    share_in(place)
    return place


@pytest.fixture(scope="session")
def workshop(common_folder) -> Workshop:
    """Where commands of the READMEs are run, once each for all processes of this session."""
    return Workshop(common_folder / "workshop")


@pytest.fixture(scope="session")
def finished_run():
    """Folder of the run of `one_run`, and what it had in memory; read only."""
    return made_once("one-run", make_run)


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
