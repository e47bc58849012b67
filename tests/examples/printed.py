"""Blocks of the READMEs that show what a command prints: found, printed anew, compared.

A block is marked by a comment before it, which names the command and which of its lines are shown:

    <!-- printed: optimiser check studies/demo.toml; from "wheelbase" to "limits" -->
    ```text
    ...
    ```

There may be several pieces, each from the first line that begins with the first words to the next
that begins with the second ones, spaces before them not counted.
"""

from __future__ import annotations

import re
import shlex
import shutil
import textwrap
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from examples.tables import keys_table, quantities_table
from small_study import ROOT, run, run_here

from optimiser.base.files import slug
from optimiser.base.locks import wait_for_lock

if TYPE_CHECKING:
    from pathlib import Path

READMES = ("README.md", "studies/README.md", "results/README.md")
DEMO = "optimiser run studies/demo.toml"
RESCUE = "optimiser heights studies/rescue.toml --rack Linnet"
WIDTH = 98
"""Longer lines are broken, as a terminal does."""
MOST_SECONDS = 600.0
_BLOCK = re.compile(
    r"(?P<mark><!-- printed: (?P<command>[^;\n]+)"
    r'(?P<pieces>(?:; from "[^"\n]+" to "[^"\n]+")+) -->)'
    r"\n```text\n(?P<text>.*?)```",
    re.DOTALL,
)
_PIECE = re.compile(r'from "([^"]+)" to "([^"]+)"')
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Block:
    """One block: its command, first and last words of each piece, and the text that is shown."""

    command: str
    pieces: tuple[tuple[str, str], ...]
    text: str

    @classmethod
    def of(cls, found: re.Match[str]) -> Block:
        return cls(found["command"], tuple(_PIECE.findall(found["pieces"])), found["text"])

    def cut(self, printed: str) -> str:
        """The pieces of what the command printed.

        Raises:
            ValueError: a piece is not there.
        """
        lines = [line.rstrip() for line in printed.splitlines()]
        shown: list[str] = []
        for first, last in self.pieces:
            begin = _find(lines, first, 0)
            end = _find(lines, last, begin)
            shown += lines[begin : end + 1]
        return "".join(f"{line}\n" for line in _wrapped(shown))


def _find(lines: list[str], words: str, start: int) -> int:
    for index in range(start, len(lines)):
        if lines[index].lstrip().startswith(words):
            return index
    raise ValueError(f"no line that begins with {words!r} was printed")


def _wrapped(lines: list[str]) -> list[str]:
    out = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()))
        if len(line) <= WIDTH:
            out.append(line)
        else:
            out += textwrap.wrap(line, WIDTH, initial_indent="", subsequent_indent=indent)
    return out


def blocks(text: str) -> list[Block]:
    """Blocks of a README, in order."""
    return [Block.of(found) for found in _BLOCK.finditer(text)]


def renewed(text: str, workshop: Workshop) -> str:
    """A README with its blocks as the commands print them, and with its tables."""

    def block(found: re.Match[str]) -> str:
        one = Block.of(found)
        return f"{found['mark']}\n```text\n{one.cut(workshop.printed(one.command))}```"

    text = _BLOCK.sub(block, text)
    for name, table in TABLES.items():
        text = re.sub(between(name), lambda found, table=table: found[1] + table() + found[3], text)
    return text


def between(name: str) -> re.Pattern[str]:
    """Pattern of a table between its markers; the second group is the table."""
    return re.compile(rf"(<!-- {name} -->\n)(.*?)(<!-- /{name} -->)", re.DOTALL)


TABLES = {"keys": keys_table, "numbers": quantities_table}
"""Tables that are made from the package, by the name of their markers."""


def agree(shown: str, printed: str) -> bool:
    """Whether two texts are the same but for one unit of the last digit of their numbers.

    Between kinds of processor that digit may differ; line breaks may then differ as well.
    """
    if shown == printed:
        return True
    if _NUMBER.sub("#", shown).split() != _NUMBER.sub("#", printed).split():
        return False
    pairs = zip(_NUMBER.findall(shown), _NUMBER.findall(printed), strict=True)
    return all(_near(one, other) for one, other in pairs)


def _near(one: str, other: str) -> bool:
    digits = {len(number.partition(".")[2]) for number in (one, other)}
    if len(digits) > 1:
        return False
    return abs(Decimal(one) - Decimal(other)) <= Decimal(1).scaleb(-digits.pop())


class Workshop:
    """A folder with the studies in it, in which commands are run once each.

    Several processes may share it: whoever comes first runs the command, the others wait.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def printed(self, command: str) -> str:
        """What a command prints on standard output; run here if it has not been.

        Raises:
            RuntimeError: it fails.
        """
        if " results/demo" in command:
            self.printed(DEMO)
        self.folder.mkdir(parents=True, exist_ok=True)
        kept = self.folder / f"{slug(command)}.txt"
        with (self.folder / "lock").open("ab") as stream:
            if not wait_for_lock(stream, MOST_SECONDS):
                raise RuntimeError(f"{self.folder} stays locked")
            if not kept.is_file():
                kept.write_text(self._run(command), "utf-8")
        return kept.read_text("utf-8")

    def _run(self, command: str) -> str:
        if not (self.folder / "studies").is_dir():
            shutil.copytree(ROOT / "studies", self.folder / "studies")
        program, *arguments = shlex.split(command)
        if program != "optimiser":
            raise ValueError(f"{command}: is no command of this program")
        if command == DEMO:
            code, out, err = run(*arguments, cwd=self.folder, timeout=MOST_SECONDS)
        else:  # the same without a second of imports each
            code, out, err = run_here(*arguments, cwd=self.folder)
        if code != 0:
            raise RuntimeError(f"{command}: exit code {code}\n{err}")
        return out
