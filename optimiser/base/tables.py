"""Delimited text as it comes from a spreadsheet or CAD, read into rows that know their line.

Accepted without being told: a byte-order mark, CRLF, comma, semicolon or tab between cells,
decimal commas where the cells are not separated by commas, capitals in the names of columns,
spaces around cells, blank lines and lines that begin with `#`, also between the quotes that a
spreadsheet puts around them: there a name that begins with `#` has other cells beside it.
Everything else is refused by row, never guessed.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.base.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

MAX_BYTES = 2_000_000
_FIRST_CELL = re.compile(r"""[ \t]*("(?:[^"]|"")*"|[^,;\t]*)""")
_PLAIN_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?")


@dataclass(frozen=True, slots=True)
class Row:
    """One data row: its place for messages, its cells by column, and how decimals are written."""

    where: str
    cells: dict[str, str]
    decimal_comma: bool

    def text(self, column: str) -> str:
        """The cell's text, stripped; empty when the column is absent."""
        return self.cells.get(column, "")

    def number(self, column: str) -> float | None:
        """The cell as a finite number, None when it is blank.

        Raises:
            InputError: not a number, NaN or infinite.
        """
        raw = self.text(column)
        if not raw:
            return None
        text = raw.replace(",", ".") if self.decimal_comma and raw.count(",") == 1 else raw
        if self.decimal_comma and "," in raw and "." in raw:
            text = raw
        if not _PLAIN_NUMBER.fullmatch(text) or not math.isfinite(float(text)):
            raise InputError(
                f"{self.where}, column {column}",
                f"{raw!r} is not a finite number",
                "write it plainly, such as 312.5, without thousands separators or units",
            )
        return float(text)


def read_text(path: Path) -> str:
    """A small text file as UTF-8, without its byte-order mark.

    Raises:
        InputError: missing, a folder, unreadable, too large, not UTF-8, or holding NUL bytes.
    """
    try:
        size = path.stat().st_size
        if not path.is_file():  # a folder, or a device that never ends
            raise InputError(str(path), "is no ordinary file", "check the path")
        if size > MAX_BYTES:
            raise InputError(
                str(path),
                f"larger than {MAX_BYTES // 1_000_000} MB",
                "check that it is the right file",
            )
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            str(path), "no such file", "check the path, relative to the study file"
        ) from None
    except UnicodeDecodeError as error:
        raise InputError(
            str(path), f"byte {error.start} is not UTF-8 text", "save it as UTF-8 (CSV UTF-8)"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            str(path), f"cannot be read ({reason})", "check the path and its permissions"
        ) from None
    if "\0" in text:
        raise InputError(
            str(path), "holds NUL bytes, so it is not plain text", "save it as UTF-8 text"
        )
    return text


def read_table(path: Path, required: tuple[str, ...], optional: tuple[str, ...] = ()) -> list[Row]:
    """Rows of a delimited file whose first line that is not a comment names the columns.

    Raises:
        InputError: unreadable file, missing, unknown or double columns, a row of another length,
            or no rows at all.
    """
    lines = _lines(path)
    if not lines:
        raise InputError(str(path), "is empty", f"begin with the line {','.join(required)}")
    separator = _separator(lines)
    header = _header(path, lines)
    _check_header(header, required, optional, f"{path}, line {lines[0][0]}")
    rows = []
    for number, line in lines[1:]:
        where = f"{path}, line {number}"
        cells = [cell.strip() for cell in _cells(line, separator, where)]
        while len(cells) > len(header) and not cells[-1]:
            cells.pop()
        if len(cells) != len(header):
            raise InputError(
                where,
                f"has {len(cells)} cells where the first line names {len(header)} columns",
                "give every column a cell, empty where nothing is known",
            )
        rows.append(Row(where, dict(zip(header, cells, strict=True)), separator != ","))
    if not rows:
        raise InputError(
            str(path), "names columns but holds no rows", "add one line for each entry"
        )
    return rows


def read_header(path: Path) -> list[str]:
    """Names of the columns of a delimited file, in small letters; none when it is empty.

    Raises:
        InputError: unreadable file, or a first line that is no row of cells.
    """
    lines = _lines(path)
    return _header(path, lines) if lines else []


def _lines(path: Path) -> list[tuple[int, str]]:
    """Number and text of every line that is neither blank nor a comment."""
    return [
        (number, line)
        for number, line in enumerate(re.split(r"\r\n|\r|\n", read_text(path)), start=1)
        if line.strip(" \t,;") and not _is_comment(line)
    ]


def _is_comment(line: str) -> bool:
    plain = line.lstrip(" \t")
    if plain.startswith("#") or not plain.lstrip("\"'").startswith("#"):
        return plain.startswith("#")
    first = _FIRST_CELL.match(line)
    return first is not None and not line[first.end() :].strip(" \t,;")


def _separator(lines: list[tuple[int, str]]) -> str:
    return max(";\t,", key=lines[0][1].count)


def _header(path: Path, lines: list[tuple[int, str]]) -> list[str]:
    number, line = lines[0]
    header = [
        cell.strip().lower() for cell in _cells(line, _separator(lines), f"{path}, line {number}")
    ]
    while header and not header[-1]:
        header.pop()
    return header


def _cells(line: str, separator: str, where: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator, strict=True))
    except (csv.Error, StopIteration) as error:
        raise InputError(
            where, f"is not a row of cells ({error})", "check its quotation marks"
        ) from None


def _check_header(
    header: list[str], required: tuple[str, ...], optional: tuple[str, ...], where: str
) -> None:
    known = (*required, *optional)
    if missing := [name for name in required if name not in header]:
        raise InputError(
            where, f"column {missing[0]} is missing", f"name the columns {', '.join(required)}"
        )
    for index, name in enumerate(header):
        if name not in known:
            raise InputError(
                where, f"unknown column {name!r}", f"known columns: {', '.join(known)}"
            )
        if name in header[:index]:
            raise InputError(where, f"column {name} stands twice", "remove one of them")
