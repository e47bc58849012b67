"""A study's variants side by side: `sweep.csv`, a page, a figure with a small panel for each."""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from optimiser.answer.run_result import CAUTION, RunResult, write_columns
from optimiser.answer.shown_racks import MOST_SHOWN
from optimiser.answer.variant_rows import variant_rows
from optimiser.base.files import write_bytes, write_text
from optimiser.evaluation.quantities import quantity
from optimiser.folder.write import REPORT_FILE
from optimiser.report.draw import front_extent, plot_front
from optimiser.report.draw.style import (
    GREY,
    INK,
    POINTS_PER_INCH,
    ROOM,
    TEXT_SIZE,
    heading,
    rack_look,
    style,
)
from optimiser.report.figures import drawn_svg, inline_svg
from optimiser.report.variants_page import variants_html

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

    from optimiser.linkage.vectors import Array

SWEEP_TABLE = "sweep.csv"
SWEEP_FIGURE = "sweep.svg"
MOST_PANELS = 36
_NEAR = 3.0  # panels reach so many times the largest acceptable values at most
_ACROSS, _UP = 2.8, 2.5  # inches of a panel
_PANEL_PT = (0.8 * _ACROSS * POINTS_PER_INCH, 0.75 * _UP * POINTS_PER_INCH)  # its axes, about
_LETTERS = 32  # of a line of a panel's title: it is no wider than its panel


def write_sweep(folder: Path, title: str, results: Mapping[str, RunResult]) -> None:
    """Write table, figure and page of variants, given by the name of each one's folder.

    Raises:
        StorageError: they cannot be written.
    """
    changed = changed_keys([result.study.resolved() for result in results.values()])
    write_columns(folder / SWEEP_TABLE, sweep_table(results, changed), (title, CAUTION))
    drawn = drawn_svg(sweep_figure(title, results))
    write_bytes(folder / SWEEP_FIGURE, drawn)
    page = variants_html(
        title,
        variant_rows(results),
        changed,
        REPORT_FILE,
        inline_svg(drawn, "fronts", "Fronts of the racks in each variant."),
    )
    write_text(folder / REPORT_FILE, page)


def sweep_table(
    results: Mapping[str, RunResult], changed: Mapping[str, Sequence[object]]
) -> dict[str, list[object]]:
    """The comparison of racks of every variant, one below the other, with what was changed."""
    table: dict[str, list[object]] = {}
    for number, (name, result) in enumerate(results.items()):
        racks, count = result.rack_columns(), len(result.comparison)
        same = {"variant": result.study.variant} | {k: v[number] for k, v in changed.items()}
        part = {key: [value] * count for key, value in same.items()}
        part |= {key: list(values) for key, values in racks.items()} | {"folder": [name] * count}
        for key, values in part.items():
            table.setdefault(key, []).extend(values)
    return table


def changed_keys(studies: Sequence[dict[str, Any]]) -> dict[str, list[object]]:
    """Keys of the study files that are not the same in all of them, with each one's value."""
    flat = [
        _flat("", {k: v for k, v in s.items() if k not in ("title", "derived")}) for s in studies
    ]
    keys = list(dict.fromkeys(key for each in flat for key in each))
    values = {key: [each.get(key) for each in flat] for key in keys}
    return {key: found for key, found in values.items() if any(v != found[0] for v in found)}


def _flat(path: str, value: Any) -> dict[str, object]:
    if isinstance(value, dict) and value:
        found: dict[str, object] = {}
        for key, inner in value.items():
            found |= _flat(f"{path}.{key}".lstrip("."), inner)
        return found
    return {path: value if isinstance(value, int | float | str | None) else str(value)}


# --- the figure ----------------------------------------------------------------------------------


def sweep_figure(title: str, results: Mapping[str, RunResult]) -> Figure:
    """One panel for each variant, all to one scale: fronts of its racks and what is acceptable."""
    shown = list(results.values())[:MOST_PANELS]
    across = min(len(shown), 4, math.ceil(math.sqrt(len(shown))))
    down = math.ceil(len(shown) / across)
    # Room for one line of names below, however few panels there are.
    figure = Figure(figsize=(max(5.0, _ACROSS * across), _UP * down + 1.2), layout="constrained")
    grid = figure.subplots(down, across, sharex=True, sharey=True, squeeze=False)
    ends = _extent(shown)
    racks = _racks_shown(shown)
    numbers = {name: number for number, name in enumerate(racks)}
    for index, (axes, result) in enumerate(zip(grid.flat, shown, strict=False)):
        _draw_panel(axes, result, numbers, ends)
        lowest = index + across >= len(shown)
        axes.tick_params(labelbottom=lowest)
        style(
            axes,
            quantity("bump_steer_deg").heading if lowest else "",
            quantity("ackermann_error_deg").heading if index % across == 0 else "",
        )
    for axes in list(grid.flat)[len(shown) :]:
        axes.set_visible(False)
    left_out = len(results) - len(shown)
    more = f" (the first {MOST_PANELS} of {len(results)} variants)" if left_out else ""
    figure.suptitle(f"{title}{more}", fontsize=TEXT_SIZE + 1, color=INK, parse_math=False)
    count = len({rack.name for result in shown for rack in result.problem.racks})
    _name_racks(figure, numbers, count - len(racks))
    return figure


def _racks_shown(results: Sequence[RunResult]) -> list[str]:
    """Names of racks that are drawn, in the order of the catalogue: those that matter most often.

    Those that are chosen somewhere come first.
    """
    shown: Counter[str] = Counter()
    for result in results:
        for row in result.shown():
            shown[row.rack.name] += len(results) if row.row == result.winner else 1
    kept = {name for name, _ in shown.most_common(MOST_SHOWN)}
    names = dict.fromkeys(rack.name for result in results for rack in result.problem.racks)
    return [name for name in names if name in kept]


def _extent(results: Sequence[RunResult]) -> Array:
    """Upper ends of the axes that all panels share."""
    acceptable = np.max([result.problem.acceptable for result in results], axis=0)
    values = [
        result.evaluation.judged[rows] for result in results for rows in result.rack_fronts.values()
    ]
    return np.array(front_extent(values, acceptable, np.zeros(2), near=_NEAR))


def _draw_panel(axes: Axes, result: RunResult, numbers: Mapping[str, int], ends: Array) -> None:
    acceptable = result.problem.acceptable
    axes.fill_between([0.0, acceptable[0]], 0.0, acceptable[1], color=ROOM, zorder=0)
    for rack, rows in result.rack_fronts.items():
        if (name := result.problem.racks[rack].name) in numbers:
            look = rack_look(numbers[name])
            plot_front(axes, result.evaluation.judged[rows], look, ends, _PANEL_PT)
    if result.winner is not None:
        chosen = result.evaluation.judged[result.winner]
        if (chosen <= ends).all():
            axes.plot(*chosen, "o", markersize=10, fillstyle="none", color=INK)
        else:
            _say(axes, f"{'chosen' if result.acceptable else 'nearest'}: outside this picture")
    else:
        _say(axes, "no design keeps the limits")
    axes.set_xlim(0.0, ends[0])
    axes.set_ylim(0.0, ends[1])
    heading(axes, textwrap.fill(result.study.variant, _LETTERS))


def _say(axes: Axes, text: str) -> None:
    axes.text(
        0.97, 0.95, text, transform=axes.transAxes, ha="right", va="top", fontsize=7.5, color=GREY
    )


def _name_racks(figure: Figure, numbers: Mapping[str, int], left_out: int) -> None:
    handles = []
    for number in numbers.values():
        colour, marker = rack_look(number)
        handles.append(Line2D([], [], color=colour, marker=marker, markersize=4, linewidth=1))
    handles.append(Line2D([], [], color=INK, marker="o", fillstyle="none", linestyle="none"))
    # A leading underscore or a dollar sign in a name would mean something to the legend.
    names = [name.replace("$", r"\$").lstrip("_") or "?" for name in numbers]
    chosen = "chosen or nearest" + (f"; racks not drawn: {left_out}" if left_out else "")
    figure.legend(
        handles,
        [*names, chosen],
        loc="outside lower center",
        ncols=4,
        fontsize=TEXT_SIZE - 1,
        frameon=False,
    )
