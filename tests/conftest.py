"""Fixtures that several test modules share."""

from __future__ import annotations

import os

import pytest
from examples.printed import Workshop


@pytest.fixture(scope="session")
def workshop(tmp_path_factory) -> Workshop:
    """Where commands of the READMEs are run, once each for all processes of this session."""
    base = tmp_path_factory.getbasetemp()
    return Workshop((base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "workshop")
