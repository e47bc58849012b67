"""Damaged study files, hardpoints and catalogues: read, or refused in one clear line."""

import random
from pathlib import Path

import pytest

from optimiser.base.errors import InputError
from optimiser.study.read import read_study

STUDIES = Path(__file__).parent.parent / "studies"
VARIANTS = b"""
[[variant]]
name = "a"
car.wheelbase_mm = 2300
[[variant]]
name = "g"
[variant.grid]
steering.ackermann_target = [0, 1]
"""
PIECES = [
    b"nan", b"inf", b"-1", b"0", b'""', b"[", b"]", b"{", b"}", b"=", b"\n", b'"', b"'", b"1e999",
    b"\xff", b"\x00", b"[[x]]", b"true", b"1979-05-27T07:32:00Z", b",", b";", b"#", b".",
    b"9" * 26, b"\xef\xbb\xbf", b"-", b"1_0", b"0x1F", "\u0663".encode(), b'"\\u202e"', b"=cmd()",
]  # fmt: skip


def damaged(content, rng):
    """The file with one to four injuries such as a cut, a stray character or another encoding."""
    for _ in range(rng.choice([1, 1, 2, 4])):
        at, kind = rng.randrange(len(content) + 1), rng.random()
        if kind < 0.35:
            content = content[:at] + rng.choice(PIECES) + content[at:]
        elif kind < 0.6:
            content = content[:at] + content[at + rng.choice([1, 2, 5, 40]) :]
        elif kind < 0.75:
            content = content[:at] + rng.choice(PIECES) + content[at + rng.choice([1, 4, 8]) :]
        elif kind < 0.85:
            content = content[:at]
        elif kind < 0.95:
            lines = content.split(b"\n")
            del lines[rng.randrange(len(lines))]
            if rng.random() < 0.3:
                rng.shuffle(lines)
            content = b"\n".join(lines)
        else:
            text = content.replace(b"\n", b"\r\n").decode("utf-8", "ignore")
            content = text.encode(rng.choice(["utf-16", "utf-8", "utf-8-sig"]))
    return content


@pytest.mark.parametrize("name", ["demo.toml", "demo_hardpoints.csv", "demo_racks.csv"])
def test_a_damaged_file_is_read_or_refused_in_one_line(tmp_path, name):
    files = {path.name: path.read_bytes() for path in STUDIES.glob("demo*.*")}
    files["demo.toml"] += VARIANTS
    for other, content in files.items():
        (tmp_path / other).write_bytes(content)
    assert len(read_study(tmp_path / "demo.toml").cases) == 3
    rng = random.Random(name)
    lines = []
    for _ in range(100):
        (tmp_path / name).write_bytes(damaged(files[name], rng))
        try:
            for case in read_study(tmp_path / "demo.toml").cases:
                case.problem()
                case.resolved()
        except InputError as error:
            lines.append(str(error))
    assert 20 < len(lines) < 100
    assert all(line.isprintable() and str(tmp_path) in line for line in lines)
