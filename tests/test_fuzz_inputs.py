"""The whole program on files nobody would write: a run, or one clear line; files only in place."""

from __future__ import annotations

import contextlib
import csv
import io
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from small_study import files_of, nothing_drawn, run_here, write_small_study

from optimiser.answer.run_result import RUN_FILE

if TYPE_CHECKING:
    from collections.abc import Sequence

HARD_NAMES = (
    *("=1+2", "+a", "-a", "@a", "../../up", "/etc/passwd", "a/b\\c", "..", ".", "con", "a,b;c"),
    *("[red]x[/red]", "[/]", "<script>alert(1)</script>", "$x_1^{2$", "_hidden", "%s{0}"),
    *("x" * 80, "é ü", "名前"),
)
NAMES = st.one_of(
    st.sampled_from(HARD_NAMES),
    st.text(st.characters(codec="utf-8", exclude_categories=["C"]), min_size=1, max_size=80),
)
STRAY = (
    *("nan", "inf", "-inf", "1e999", "-1", "0", '""', "[", "]", "{", "}", "=", '"', "\x00", "true"),
    *("1979-05-27", ",", ";", "#", "[[variant]]", "[a.b.c]", "9" * 400, "[" * 300),
    *("a = {b = " * 40, "\ud7ff", "\ufeff", "٣", "1_000", "0x1F", "\u202e", "=cmd()"),
    *("../../../x.csv", "/dev/zero"),
)
PIECES = st.one_of(
    st.sampled_from(STRAY).map(lambda text: text.encode("utf-8")), st.binary(max_size=12)
)
INJURY = st.tuples(
    st.sampled_from(["insert", "replace", "cut", "drop line", "double line", "exchange", "swell"]),
    st.floats(0.0, 1.0),
    PIECES,
)
ENCODINGS = st.sampled_from([None, None, None, "utf-16", "utf-8-sig", "cp1252", "utf-32"])


def injured(content: bytes, injury: tuple[str, float, bytes]) -> bytes:
    kind, place, piece = injury
    at = int(place * len(content))
    lines = content.split(b"\n")
    line = int(place * (len(lines) - 1))
    if kind == "insert":
        return content[:at] + piece + content[at:]
    if kind == "replace":
        return content[:at] + piece + content[at + len(piece) :]
    if kind == "cut":
        return content[:at]
    if kind == "drop line":
        del lines[line]
    elif kind == "double line":
        lines.insert(line, lines[line])
    elif kind == "exchange":
        lines[line], lines[-1 - line] = lines[-1 - line], lines[line]
    else:
        lines[line:line] = [lines[line]] * 3000
    return b"\n".join(lines)


def check_ending(code: int, out: str, err: str) -> None:
    assert code in (0, 1, 2)
    assert "Traceback" not in out + err
    if code == 2:
        (line,) = err.splitlines()
        assert line.startswith("optimiser: ")
        assert line.isprintable()


def run_and_look(folder: Path) -> tuple[int, str, str]:
    """Run the study in FOLDER/in; nothing but FOLDER/out may change."""
    before = files_of(folder / "in")
    beside = set(folder.parent.iterdir())
    ending = run_here(
        "run", folder / "in/small.toml", "--out", folder / "out", "--workers", 1, "--trials", 10,
        cwd=folder,
    )  # fmt: skip
    check_ending(*ending)
    assert files_of(folder / "in") == before
    assert {path.name for path in folder.iterdir()} <= {"in", "out"}
    assert set(folder.parent.iterdir()) - beside == set()
    if ending[0] == 2:
        assert not (folder / "out").exists()
    return ending


@contextlib.contextmanager
def a_place(drawn: bool = False):
    # One folder deeper than where it is looked for, so that one step up is seen.
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name, "place")
        folder.mkdir()
        with contextlib.nullcontext() if drawn else nothing_drawn():
            yield folder


@settings(max_examples=24, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    name=st.sampled_from(["small.toml", "hardpoints.csv", "racks.csv"]),
    injuries=st.lists(INJURY, min_size=1, max_size=3),
    encoding=ENCODINGS,
)
@example(name="small.toml", injuries=[("insert", 1.0, b"\na = " + b"[" * 3000)], encoding=None)
@example(name="racks.csv", injuries=[("cut", 0.0, b"")], encoding=None)
@example(name="hardpoints.csv", injuries=[("swell", 0.9, b"")], encoding="utf-16")
def test_injured_files_are_run_or_refused_in_one_line(name, injuries, encoding):
    with a_place() as folder:
        write_small_study(folder / "in", trials=10)
        path = folder / "in" / name
        content = path.read_bytes()
        for injury in injuries:
            content = injured(content, injury)
        if encoding is not None:
            text = content.decode("utf-8", "replace")
            content = text.encode(encoding, "replace")
        path.write_bytes(content)
        run_and_look(folder)
        check_ending(*run_here("check", folder / "in/small.toml", cwd=folder))
        assert {path.name for path in folder.iterdir()} <= {"in", "out"}


def toml_text(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def named_study(folder: Path, racks: Sequence[str], variant: str, title: str) -> None:
    """The starter with its three racks, a variant and the study called otherwise."""
    extra = f"\n[[variant]]\nname = {toml_text(variant)}\n"
    path = write_small_study(folder / "in", trials=10, extra=extra)
    text = path.read_text("utf-8").replace("My car: which rack, and where?", "TITLE")
    text = text.replace('use = ["Short", "Middle"]', 'use = "all"')
    path.write_text(text.replace('"TITLE"', toml_text(title)), "utf-8")
    catalogue = folder / "in" / "racks.csv"
    content = catalogue.read_text("utf-8")
    for old, new in zip(("Short", "Middle", "Long"), racks, strict=False):
        cell = io.StringIO()
        csv.writer(cell).writerow([new])
        content = content.replace(f"\n{old},", f"\n{cell.getvalue().strip()},")
    catalogue.write_text(content, "utf-8")


def check_tables(folder: Path) -> None:
    """No cell of a table that the program wrote is taken for a formula."""
    for table in folder.rglob("*.csv"):
        if table.parent.name == "inputs":
            continue  # copies of the user's own files, byte for byte
        lines = table.read_text("utf-8").splitlines()
        for cells in csv.reader(line for line in lines if not line.startswith("#")):
            for cell in cells:
                assert not cell.startswith(("=", "+", "@", "\t", "\r")), (table, cell)
                assert not cell.startswith("-") or is_number(cell), (table, cell)


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(rack=NAMES, variant=NAMES, title=NAMES)
@example(rack="=1+2", variant="../../up", title="[/]")
@example(rack="[/red]", variant="..", title="=HYPERLINK(1)")
@example(rack="a/../../b", variant="/", title="$\\frac{")
def test_names_stay_names_and_files_stay_in_place(rack, variant, title):
    with a_place() as folder:
        named_study(folder, [rack], variant, title)
        code, out, err = run_and_look(folder)
        if code == 2:
            return
        check_tables(folder / "out")
        assert any((folder / "out").rglob(RUN_FILE)), err
        words = " ".join(title.split())
        if words.isascii() and len(words) < 60:
            assert words in " ".join(out.split())


def test_hard_names_are_drawn_as_they_are():
    racks = ("$x_1^{2$", "<script>alert(1)</script>", "_=[/red]")
    with a_place(drawn=True) as folder:
        named_study(folder, racks, "../$\\frac{</svg>", "[/] $\\alpha <b>")
        code, _, err = run_and_look(folder)
        assert code in (0, 1), err
        check_tables(folder / "out")
        # Of the variant, and the page over all of them.
        reports = list((folder / "out").rglob("report.html"))
        pages = [report.read_text("utf-8") for report in reports]
        assert len(pages) == 2
        assert not any("<script>alert(1)" in page for page in pages)
        assert any("&lt;script&gt;alert(1)" in page for page in pages)
        assert list((folder / "out").rglob("front.svg"))


def is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
