"""The lock that keeps two runs out of one folder."""

from __future__ import annotations

import errno
import os

import filelock
import pytest

from optimiser.base.locks import try_lock, wait_for_lock


def test_the_lock_is_the_library_s_own_and_dies_with_its_file(tmp_path):
    path = tmp_path / ".lock"
    with path.open("ab") as ours, path.open("ab") as theirs:
        assert filelock.lock_descriptor(theirs.fileno(), blocking=False)
        assert not try_lock(ours)
        assert not wait_for_lock(ours, 0.1)
        theirs.close()
        assert try_lock(ours)
        with path.open("ab") as third:
            assert not filelock.lock_descriptor(third.fileno(), blocking=False)


@pytest.mark.skipif(os.name == "nt", reason="flock is not what locks there")
def test_a_file_system_that_says_access_denied_means_that_another_holds_it(tmp_path, monkeypatch):
    # Where flock is made of record locks, as on a network disk; fcntl(2): EACCES or EAGAIN.
    import fcntl

    def held(*_):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(fcntl, "flock", held)
    with (tmp_path / ".lock").open("ab") as stream:
        assert not try_lock(stream)
