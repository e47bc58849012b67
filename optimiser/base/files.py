"""Writing files so that a cut or a full disk never leaves half of one, and reading small ones."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import os
import re
import tempfile
from typing import TYPE_CHECKING, Any

from optimiser.base.errors import StorageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

# What a spreadsheet runs, and the same behind the mark that keeps it from doing so.
_RUNS_IN_SPREADSHEET = re.compile(r"'*[=+\-@\t\r]")
_MOST_LETTERS = 60


def write_bytes(path: Path, content: bytes, *, sync: bool = True) -> None:
    """Write under a temporary name, sync, then rename over `path`.

    Raises:
        StorageError: the disk is full or the folder cannot be written; `path` is as it was.
    """
    temporary = None
    try:
        if path.is_dir():
            raise StorageError(f"{path}: is a folder; give the name of a file in it")
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            if sync:
                os.fsync(stream.fileno())
        # mkstemp makes files private; a result is as readable as the user's mask allows.
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        raise StorageError(
            f"{path}: cannot be written ({error.strerror}); what was there is untouched; "
            "free some space or choose another folder with --out, then run the same command again"
        ) from None


def write_text(path: Path, content: str) -> None:
    """`write_bytes` of UTF-8 text with plain line feeds."""
    write_bytes(path, content.encode("utf-8"))


def number_text(value: object) -> str:
    """A cell: floats so that reading them back loses nothing, blank for None and NaN."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return "" if value != value else repr(value)
    return str(value)


def safe_text(text: str) -> str:
    """Text from a name, written so that no spreadsheet takes it for a formula."""
    return f"'{text}" if _RUNS_IN_SPREADSHEET.match(text) else text


def plain_text(cell: str) -> str:
    """The name that `safe_text` wrote."""
    return cell[1:] if cell.startswith("'") and _RUNS_IN_SPREADSHEET.match(cell) else cell


def table_lines(path: Path) -> list[str]:
    """Lines of a table that `csv_text` wrote, from its columns on.

    Only lines before the columns are comments, for a name may hold a #.
    """
    lines = path.read_text("utf-8").split("\n")
    first = next((n for n, line in enumerate(lines) if not line.startswith("#")), len(lines))
    return lines[first:]


def csv_text(
    columns: Sequence[str], rows: Iterable[Sequence[object]], comments: Sequence[str] = ()
) -> str:
    """A CSV file's text: comment lines with `#`, the columns, the rows.

    A row with a `#` in it is quoted, so that nobody takes it or its rest for a comment.
    """
    out = io.StringIO()
    for comment in comments:
        out.write("# " + " ".join(comment.split()) + "\n")
    writer = csv.writer(out, lineterminator="\n")
    quoting = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow(columns)
    for row in rows:
        cells = [safe_text(cell) if isinstance(cell, str) else number_text(cell) for cell in row]
        (quoting if any("#" in cell for cell in cells) else writer).writerow(cells)
    return out.getvalue()


def read_json_table(path: Path) -> dict[str, Any]:
    """The table in a JSON file; empty where that is missing, damaged or holds something else."""
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def readable(name: str) -> str:
    """A name as the file system has it in letters that can be written; other bytes are marked."""
    return os.fsencode(name).decode("utf-8", "replace")


def slug(name: str) -> str:
    """A file name made of a user's words: letters, digits, dot, dash and underscore only."""
    return _plain(name)[:_MOST_LETTERS] or "unnamed"


def own_slug(name: str) -> str:
    """`slug`, but of names that it would cut, the end is a hash that no other name has.

    It says which is which by the name alone, whatever other names there are.
    """
    if len(_plain(name)) <= _MOST_LETTERS:
        return slug(name)
    tail = "-" + hashlib.sha256(name.encode("utf-8")).hexdigest()[:8]
    return _plain(name)[: _MOST_LETTERS - len(tail)] + tail


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip(".-")
