"""What a run of the small study that is cut off has on disk, looked at while it works."""

from __future__ import annotations

import json
import time

OPTIONS = ("--out", "out", "--workers", "2")


def told(folder):
    """Designs on disk, whole lines only."""
    return [
        line
        for path in sorted((folder / "out/small/record").glob("*.journal"))
        for line in path.read_bytes().splitlines(keepends=True)
        if b'"params"' in line and line.endswith(b"\n")
    ]


def wait_for_designs(folder, count, process, seconds=180.0):
    ends = time.monotonic() + seconds
    while len(told(folder)) < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < ends, "the run does not come to anything"
        time.sleep(0.01)


def check_nothing_half_written(folder):
    for path in (folder / "out").rglob("*"):
        if path.suffix == ".json":
            json.loads(path.read_text("utf-8"))
        if path.suffix == ".svg":
            assert path.read_bytes().endswith(b"</svg>\n")
        if path.suffix == ".csv":
            assert path.read_bytes().endswith(b"\n")
