"""Tables of the READMEs that are made from the package: every key of a study, every number."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.evaluation.quantities import QUANTITIES
from optimiser.evaluation.quantity import BAR, RACK
from optimiser.study.messages import all_tables, heading, keys_of, table_of, unit_of, ways

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo

_SPELLINGS = """\
A variable under `[search.vary]` is a range `{from = 120, to = 220}`, a list of stock values
`[0, 10, 20]`, one fixed number, or a word in quotes where its line names one. In brackets: what is
accepted.
"""


def keys_table() -> str:
    """Markdown table of every key: table, key, unit, default, meaning; how to write a value."""
    lines = [
        _SPELLINGS,
        "| table | key | unit | default | meaning |",
        "| --- | --- | --- | --- | --- |",
    ]
    for path, model in all_tables().items():
        table = f"`{heading(path)}`" if path else "(top)"
        for name, info in keys_of(model).items():
            if table_of(info) is None:
                cells = (table, f"`{name}`", unit_of(info), _default(info), _meaning(info))
                lines.append(f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |")
    return "\n".join(lines) + "\n"


def _default(info: FieldInfo) -> str:
    extra = info.json_schema_extra
    absent = str(extra["absent"]) if isinstance(extra, dict) else ""
    if info.is_required():
        return "required"
    value = info.default
    if absent:
        return absent
    if isinstance(value, str):
        return f'`"{value}"`'
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, tuple):
        return f"`[{', '.join(f'{item:g}' for item in value)}]`"
    return f"`{value:g}`"


def _meaning(info: FieldInfo) -> str:
    extra = info.json_schema_extra
    low, high = (extra["low"], extra["high"]) if isinstance(extra, dict) else (None, None)
    if not isinstance(low, (int, float)) or not isinstance(high, (int, float)):
        return info.description or ""
    bounds = " to ".join(f"{int(n)}" if n == int(n) else f"{n:g}" for n in (low, high))
    off = ', or `"off"`' if '"off"' in ways(info.annotation) else ""
    return f"{info.description} ({bounds}{off})"


def quantities_table() -> str:
    """Markdown table of every quantity, for the README on results."""
    lines = [
        "| column | words | unit | what it is | needs | better | source |",
        "| " + "--- | " * 7,
    ]
    for one in QUANTITIES:
        # A number of a rack needs a rack: that goes without saying.
        needs = "; ".join(need.words for need in one.needs if need not in (RACK, BAR))
        cells = (
            f"`{one.name}`",
            one.words,
            one.unit,
            one.definition,
            needs,
            one.better,
            one.source,
        )
        lines.append(f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |")
    return "\n".join(line.rstrip() for line in lines) + "\n"
