"""Lines of a journal file: their checksums, and what can be read of one that was cut or damaged.

Each line ends with a key of ours, which Optuna passes over: the CRC-32 of the line before that key,
going on from that of our line before it.

    {"op_code":4,...,"crc32":"7d32fb17"}

A line that is damaged, missing or written twice is thus found, and ends what is read. A whole line
without the key is none of ours, such as a note that someone kept with the study: it is passed over.
Lines of records from before the key came are taken as they are.
"""

from __future__ import annotations

import json
import re
import zlib
from itertools import islice
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

QUESTION = "question"
"""User attribute of a study: hash of what its unit asks."""
_SUM = re.compile(rb',"crc32":"([0-9a-f]{8})"\}\n\Z')
_HEADER_LINES = 4


class Identity(NamedTuple):
    """What a journal says of itself: name of its study, and the hash of what that asks."""

    study_name: str
    question: str


def read_identity(path: Path) -> Identity | None:
    """Of which unit a journal is; None when its first line is not whole.

    Raises:
        OSError: it cannot be read.
    """
    with path.open("rb") as stream:
        header = [line.entry for line in islice(_read_lines(stream), _HEADER_LINES)]
    if not header or "study_name" not in header[0]:
        return None
    attrs = [line["user_attr"] for line in header if QUESTION in line.get("user_attr", {})]
    return Identity(str(header[0]["study_name"]), str(attrs[0][QUESTION]) if attrs else "")


def sealed(lines: Iterable[dict[str, Any]], check: int | None) -> tuple[bytes, int | None]:
    """Text of lines that follow one of that sum (None for the first), and the sum of the last."""
    text = bytearray()
    for line in lines:
        body = json.dumps(line, separators=(",", ":"))[:-1].encode("utf-8")
        check = zlib.crc32(body, check or 0)
        text += body + b',"crc32":"%08x"}\n' % check
    return bytes(text), check


def read_whole_batches(path: Path) -> tuple[list[dict[str, Any]], int, int | None, str]:
    """Lines of a journal up to the first that is bad, without a batch that this leaves unfinished.

    A cut leaves part of a line, a power failure perhaps a line of zeros. If whole lines follow a
    bad one, which no cut does, all that goes is kept beside the file under the name `.damaged`.

    Returns:
        The lines, the bytes they take, the sum of the last (None where none has one), and what to
        say about lines that went.
    """
    with path.open("rb") as stream:
        found = list(_read_lines(stream))
        kept = found[: _count_whole(found)]
        size, check = (kept[-1].end, kept[-1].sum) if kept else (0, None)
        stream.seek(size)
        gone = stream.read()
    bad = gone[(found[-1].end if found else 0) - size :]
    note = _say_gone(path, len(kept) + 1, gone, damaged=b"\n" in bad[:-1])
    return [line.entry for line in kept if line.entry], size, check, note


def _say_gone(path: Path, number: int, gone: bytes, *, damaged: bool) -> str:
    """Keep what goes where it was damaged, and say how many designs go with it."""
    # No single damage hides a trial's line from all three.
    marks = (b'"params":', b'"distributions":', b'"user_attrs":')
    count = sum(any(mark in line for mark in marks) for line in gone.splitlines())
    kept = path.with_suffix(path.suffix + ".damaged")
    if damaged:
        kept.write_bytes(gone)
    if not count:
        return ""
    why = f"is damaged (what stood there is in {kept.name})" if damaged else "was cut off"
    designs = "1 design is" if count == 1 else f"{count} designs are"
    return f"{path} {why} from line {number} on: {designs} searched again."


def _read_lines(stream: Iterable[bytes]) -> Iterator[_Line]:
    """Lines up to the first that is bad."""
    size, check = 0, None
    for text in stream:
        line = _read_line(text, size, check)
        if line is None:
            return
        yield line
        size, check = line.end, line.sum


class _Line(NamedTuple):
    """A line of a journal: nothing of it where it is none of ours; where it ends; its sum."""

    entry: dict[str, Any]
    end: int
    sum: int | None


def _read_line(text: bytes, start: int, check: int | None) -> _Line | None:
    """One line, after one of that sum; None when it is not whole."""
    if not text.endswith(b"\n"):
        return None
    end = start + len(text)
    found = _SUM.search(text)
    own = check if found is None else zlib.crc32(text[: found.start()], check or 0)
    if found is not None and own != int(found[1], 16):
        return None
    try:
        entry = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not (isinstance(entry, dict) and "op_code" in entry):
        return None
    foreign = found is None and check is not None
    return _Line({} if foreign else entry, end, own)


def _count_whole(lines: Sequence[_Line]) -> int:
    """How many lines there are before a batch of trials that is not whole, or out of order."""
    whole = batches = told = 0
    for number, line in enumerate(lines, 1):
        batch = line.entry.get("user_attrs", {})
        if "batch" in batch:
            if batch["batch"] != batches:
                break
            told = (told + 1) % batch.get("batch_size", 1)
            batches += told == 0
        if told == 0:
            whole = number
    return whole
