"""Delimited text: the spellings that are understood, and every refusal by its message."""

import re
from pathlib import Path

import pytest

from optimiser.base.errors import InputError
from optimiser.base.tables import MAX_BYTES, read_table, read_text

REQUIRED = ("name", "x_mm")


def rows(tmp_path, content, optional=("note",)):
    path = tmp_path / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_table(path, REQUIRED, optional)


@pytest.mark.parametrize(
    "content",
    [
        "name,x_mm\na,1.5\nb,-2\n",
        "name,x_mm\r\na,1.5\r\nb,-2\r\n",
        "name,x_mm\ra,1.5\rb,-2",
        "\ufeffname,x_mm\na,1.5\nb,-2",
        "# comment\n\n  # another\n name , x_mm \n a , +1.5 \n,\n b ,-2.0\n",
        "name;x_mm\na;1,5\nb;-2\n",
        "name;x_mm\na;1.5\nb;-2,0\n",
        "name\tx_mm\na\t1,5\nb\t-2\n",
        '"name","x_mm"\n"a","1.5"\n"b","-2"\n',
        "name,x_mm,,\na,1.5,,\nb,-2,,\n",
        "x_mm,name\n15e-1,a\n-.2e1,b\n",
    ],
    ids=lambda text: repr(text[:18]),
)
def test_one_table_in_every_spelling(tmp_path, content):
    table = rows(tmp_path, content)
    assert [(row.text("name"), row.number("x_mm")) for row in table] == [("a", 1.5), ("b", -2.0)]


def test_a_row_knows_its_line_and_an_absent_or_blank_cell_is_none(tmp_path):
    (row,) = rows(tmp_path, "# first\nname,x_mm\n\na,\n")
    assert row.where.endswith("table.csv, line 4")
    assert row.number("x_mm") is None
    assert row.number("note") is None
    assert row.text("note") == ""


def test_text_between_quotes_may_hold_the_separator(tmp_path):
    (row,) = rows(tmp_path, 'name,x_mm,note\n"a, b",1,"it said ""no"""\n')
    assert row.text("name") == "a, b"
    assert row.text("note") == 'it said "no"'


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "table.csv: is empty; begin with the line name,x_mm"),
        ("# only a comment\n", "table.csv: is empty; begin with the line name,x_mm"),
        (
            "name,x_mm\n",
            "table.csv: names columns but holds no rows; add one line for each entry",
        ),
        ("name\na\n", "table.csv, line 1: column x_mm is missing; name the columns name, x_mm"),
        (
            "name,x_mm,colour\na,1,red\n",
            "line 1: unknown column 'colour'; known columns: name, x_mm, note",
        ),
        ("name,x_mm,x_mm\na,1,2\n", "line 1: column x_mm stands twice; remove one of them"),
        (
            "name,x_mm\na,1,2\n",
            "line 2: has 3 cells where the first line names 2 columns; give every column a cell, "
            "empty where nothing is known",
        ),
        ("name,x_mm\na\n", "line 2: has 1 cells where the first line names 2 columns"),
        ('name,x_mm\n"a,1\n', "line 2: is not a row of cells (unexpected end of data); check its"),
        ('name,x_mm\n"a"b,1\n', "line 2: is not a row of cells ("),
    ],
)
def test_refusals_of_a_table(tmp_path, content, message):
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        rows(tmp_path, content)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("separator", "cell"),
    [
        (",", "abc"),
        (",", "1.2.3"),
        (",", "nan"),
        (",", "inf"),
        (",", "-Infinity"),
        (",", "1e999"),
        (",", "0x10"),
        (",", "1_000"),
        (",", "12 mm"),
        (",", '"1,5"'),
        (";", "1.234,5"),
        (";", "1,234.5"),
        (";", "1,2,3"),
    ],
)
def test_what_is_no_finite_number_is_refused_by_row_and_column(tmp_path, separator, cell):
    (row,) = rows(tmp_path, f"name{separator}x_mm\na{separator}{cell}\n")
    shown = cell.strip('"')
    message = (
        f"line 2, column x_mm: '{shown}' is not a finite number; write it plainly, such as "
        "312.5, without thousands separators or units"
    )
    with pytest.raises(InputError, match=re.escape(message)):
        row.number("x_mm")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"name\xff\n", "byte 4 is not UTF-8 text; save it as UTF-8 (CSV UTF-8)"),
        ("näme".encode("utf-16"), "is not UTF-8 text; save it as UTF-8 (CSV UTF-8)"),
        (b"name\0,x\n", "holds NUL bytes, so it is not plain text; save it as UTF-8 text"),
        (b"#" * (MAX_BYTES + 1), "larger than 2 MB; check that it is the right file"),
    ],
)
def test_what_is_no_text_is_refused(tmp_path, content, message):
    path = tmp_path / "table.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=re.escape(message)):
        read_text(path)


def test_a_file_that_is_not_there_or_is_no_file(tmp_path):
    with pytest.raises(InputError, match="no such file; check the path, relative to the study"):
        read_text(tmp_path / "none.csv")
    with pytest.raises(InputError, match="cannot be read"):
        read_text(tmp_path / ("n" * 300))
    with pytest.raises(InputError, match="cannot be read"):
        read_text(tmp_path / "nul\0byte.csv")


def test_a_folder_is_refused_and_a_device_is_not_read_for_ever(tmp_path):
    for path in (tmp_path, Path("/dev/zero")):
        with pytest.raises(InputError, match="is no ordinary file; check the path"):
            read_text(path)
