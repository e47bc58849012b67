"""The report: one page of HTML that needs nothing but itself, in the order a builder reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.bolted import bolt_sentences, bolted_points, drilling_rows
from optimiser.answer.corner_numbers import corner_numbers, corner_values
from optimiser.answer.design_numbers import design_numbers
from optimiser.answer.held import accepted_values
from optimiser.answer.limits_and_growth import (
    REFERENCE,
    binding_sentences,
    growth,
    leaning_sentences,
    limit_rows,
)
from optimiser.answer.one_off import STEP_MM
from optimiser.answer.question import what_was_asked
from optimiser.answer.rack_table import ACCEPTABLE, FAILS, ORDER_RULE, RackRow, more_columns
from optimiser.answer.run_result import CAUTION
from optimiser.answer.shown_racks import count_rest, some_names
from optimiser.answer.starting import starting_note
from optimiser.answer.wanted import band_numbers
from optimiser.evaluation.bolting import IF_KNOWN
from optimiser.evaluation.clearance.metrics import told_apart_mm
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.driven import COLUMN
from optimiser.evaluation.moves import DIRECTIONS
from optimiser.evaluation.quantities import is_pair, limit_words, pair_words, quantity, shown
from optimiser.evaluation.wants import accepted_bound, bound_range
from optimiser.report.answer_words import shimmed_words
from optimiser.report.first_screen import first_screen
from optimiser.report.html import template
from optimiser.report.moving_view import moving_data
from optimiser.report.ride_and_roll import height_table, roll_rows
from optimiser.report.under_load import forces_part, load_part
from optimiser.report.words import (
    BLANK,
    CAUTIONS,
    ORIGINS,
    assumptions,
    date_words,
    front_caption,
    number,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from optimiser.answer.exactness import Accuracy
    from optimiser.answer.run_result import Chosen, RunResult
    from optimiser.evaluation.problem import Problem
    from optimiser.report.answer_words import Answer

_RACKS_SIDE_BY_SIDE = 6
_GLANCE = (
    "price",
    "mass_kg",
    *JUDGED,
    "rack_height_mm",
    "rack_fore_aft_mm",
    "spacer_mm",
    "arm_length_mm",
)
"""What the table of racks shows of each at a glance."""
_LEAST_PAIRS, _LEAST_OF_MANY = 8, 10
_TOP_DIMENSIONS = 8
_TOP_OUTCOMES = 8
# A front that the last quarter of the designs still enlarged by more than this was cut short.
STILL_GROWING = 0.02


def report_html(
    result: RunResult,
    record: Mapping[str, Any],
    answer: Answer,
    pictures: Mapping[str, str],
    exact: Accuracy | None,
) -> str:
    """The page.

    Args:
        result: what was found.
        record: content of `run.json`.
        answer: the answer in words.
        pictures: SVG elements by name of the figure, which enter the page as they are; a figure
            that is missing is left out.
        exact: how exactly the winner must be made; None without a winner.
    """
    row = result.foremost
    chosen = None if row is None else result.chosen(row)
    return template("report.html.j2").render(
        title=result.study.title,
        caution=CAUTION,
        answer=answer,
        first=first_screen(result, chosen, answer, exact),
        date=date_words(str(record.get("date", ""))),
        problems=list(record.get("problems", [])),
        finished=bool(record.get("finished", True)),
        cautions=CAUTIONS,
        asked=list(what_was_asked(result.problem, result.prefer)),
        chosen=None if chosen is None else _chosen_part(result, chosen),
        moving=None if chosen is None else moving_data(chosen),
        racks=_racks_part(result),
        pictures=dict(pictures),
        front_caption=front_caption(result.problem.objectives),
        exact=None if exact is None else _exact_part(exact, result.problem),
        load=None if result.winner is None or chosen is None else load_part(chosen),
        forces=None if result.winner is None or chosen is None else forces_part(chosen),
        limits=_limits_part(result, None if result.winner is None else chosen),
        growth=_growth_part(result),
        reference=f"{REFERENCE:g}",
        assumptions=list(assumptions(result.problem)),
        record=record,
        blank=BLANK,
        study_text=result.study.text,
    )


# --- the chosen design ---------------------------------------------------------------------------


def _chosen_part(result: RunResult, chosen: Chosen) -> dict[str, Any]:
    row = result.foremost
    origin = "" if row is None else str(result.origin[row])
    lengths = chosen.lengths_mm
    frame = chosen.study.frame
    return {
        "label": chosen.label,
        "rack": chosen.rack.name,
        "heading": _chosen_heading(result),
        "word": "chosen" if result.acceptable else "nearest",
        "is_winner": result.winner is not None,
        "origin": ORIGINS.get(origin, origin),
        "setting_out": [
            (f"{one.words}: {one.definition}", number(lengths[one.name], one.digits), one.unit)
            for one in map(quantity, (*chosen.problem.variables, "tie_rod_length_mm"))
        ]
        + [
            (f"{name} moved: {way} from drawn", number(value, 1), "mm")
            for name, way, value in _moves(chosen)
        ],
        "joints": [
            (name.replace("_", " "), [number(float(v), 2) for v in frame.to_cad(point)])
            for name, point in (
                ("outer_joint", chosen.points.outer_joint),
                ("inner_joint", chosen.points.inner_joint),
            )
        ],
        "bolted": _bolted_part(chosen),
        "numbers": list(_number_rows(chosen)),
        "heights": height_table(chosen),
        "roll": roll_rows(chosen),
        "limits": [
            (row.words, number(row.left, row.digits), row.unit, row.left >= 0.0)
            for row in limit_rows(chosen)
        ],
        "clearances": list(_clearances(chosen)),
        "far": f"{told_apart_mm(chosen.problem.clearance_wanted_mm):g}",
        "built": "with tolerances" in _judged(chosen.problem),
    }


def _moves(chosen: Chosen) -> Iterator[tuple[str, str, float]]:
    """Entry, direction and size of each move of the suspension."""
    suspension = chosen.problem.suspension
    if suspension is None:
        return
    values = chosen.problem.moves(chosen.design)[0].tolist()
    for value, (number_of, axis) in zip(values, suspension.columns, strict=True):
        yield suspension.movers[number_of].name.replace("_", " "), DIRECTIONS[axis], value


def _bolted_part(chosen: Chosen) -> dict[str, Any]:
    """Feet, pinion and column: points in the CAD frame, the drilling sheet, and numbers."""
    problem, design, frame = chosen.problem, chosen.design, chosen.study.frame
    names = ("mount_mm", "foot_bolt_tilt_deg", "pinion_facing_deg", *COLUMN)
    found = design_numbers(problem, design, chosen.outcome)
    points = bolted_points(problem, design)
    return {
        "points": [
            (_plain(name), [number(float(v), 2) for v in frame.to_cad(at)])
            for name, at in points.items()
        ],
        "bolts": list(bolt_sentences(problem, design, frame)),
        "drilling": [
            (_plain(foot), _plain(to), number(distance, 1))
            for foot, to, distance in drilling_rows(problem, design)
        ],
        "numbers": [
            (one.words, number(value, one.digits), one.unit)
            for one in map(quantity, names if points else ())
            if (value := found.get(one.name)) is not None
        ],
    }


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _chosen_heading(result: RunResult) -> str:
    if result.acceptable:
        return "The chosen design"
    if result.winner is None:
        return "The nearest design: it does not keep every limit"
    return "The nearest design: it is not acceptable"


def _judged(problem: Problem) -> tuple[str, str]:
    return problem.objectives.bump_steer, problem.objectives.ackermann_error


def _number_rows(chosen: Chosen) -> Iterator[tuple[str, str, str, str, bool | None]]:
    """Words, chosen, as drawn, acceptable, and whether that is kept (None: not asked)."""
    problem = chosen.problem
    corners = [corner_numbers(problem, points) for points in (chosen.points, problem.points)]
    mine, drawn = map(corner_values, corners)
    bounds = dict(problem.bounds)
    for name, accepted in accepted_values(problem).items():
        bounds[name] = accepted_bound(name, accepted)
    corner = [one for one in shown("corner") if one.name in mine]
    for one in (*corner, *(quantity(name) for name in bounds if name not in mine)):
        value = mine[one.name] if one.name in mine else _value(chosen, one.name)
        now, then = (
            f"{number(v, one.digits)} {one.unit}".rstrip()
            for v in (value, drawn.get(one.name, np.nan))
        )
        bound = bounds.get(one.name)
        text = f"{bound_range(bound)} {one.unit}".rstrip() if bound else ""
        # A limit that came without a word does not hold where the catalogue does not say enough.
        silent = one.name in IF_KNOWN and np.isnan(value)
        yield one.words, now, then, text, bound.kept(value) if bound and not silent else None
    bands = (band_numbers(problem, one.bump) for one in corners)
    for band, drawn_band in zip(*bands, strict=True):
        kept, limit = band.value <= band.accepted, f"{band.accepted:g} deg"
        yield band.words, band.text, drawn_band.text, limit, kept


def _value(chosen: Chosen, name: str) -> float:
    return float(chosen.problem.bounded(name, chosen.design, chosen.outcome.metrics)[0])


def _clearances(chosen: Chosen) -> Iterator[tuple[str, str]]:
    """The closest pairs of parts, in words."""
    metrics, most = chosen.outcome.metrics, _LEAST_PAIRS
    if chosen.outcome.closest:
        problem, most = chosen.problem, _LEAST_OF_MANY
        solved = problem.solve(chosen.design)
        driven = problem.drive(chosen.design, solved)
        metrics = problem.clearances(chosen.design, solved, driven)
    found = [(float(v[0]), pair_words(name)) for name, v in metrics.items() if is_pair(name)]
    for value, words in sorted(pair for pair in found if np.isfinite(pair[0]))[:most]:
        yield words, number(value, quantity("clearance_mm").digits)


# --- the racks -----------------------------------------------------------------------------------


def _racks_part(result: RunResult) -> dict[str, Any]:
    rows = result.shown()
    tables = -(-len(rows) // _RACKS_SIDE_BY_SIDE)
    groups = [[rows[i] for i in part] for part in np.array_split(np.arange(len(rows)), tables)]
    return {
        "rule": ORDER_RULE,
        "rest": count_rest(result.comparison, rows),
        "glance": [quantity(name) for name in _glance(result.problem)],
        "rows": [_rack_row(result, row) for row in rows],
        "details": [_rack_details(result.problem, group) for group in groups],
    }


def _glance(problem: Problem) -> list[str]:
    """Numbers at a glance, with those that something is accepted of."""
    at = _GLANCE.index(JUDGED[-1]) + 1
    return list(dict.fromkeys((*_GLANCE[:at], *accepted_values(problem), *_GLANCE[at:])))


def _rack_row(result: RunResult, row: RackRow) -> dict[str, Any]:
    names = _glance(result.problem)
    values = [number(row.numbers[name], quantity(name).digits) for name in names]
    return {
        "name": row.rack.name,
        "verdict": row.verdict,
        "good": row.verdict == ACCEPTABLE,
        "bad": row.verdict == FAILS,
        "chosen": result.acceptable and row.row == result.winner,
        "design": None if row.row is None else row.row + 1,
        "values": values,
        "stopped_by": row.stopped_by[:1].upper() + row.stopped_by[1:],
        "hand": row.hand.sentence,
        "rescue": [text for text in row.rescue if row.hand.sentence not in text],
        "notes": list(row.notes),
    }


def _rack_details(problem: Problem, rows: Sequence[RackRow]) -> dict[str, Any]:
    lines = []
    for one in (*shown("racks"), *map(quantity, more_columns(problem))):
        cells = [number(row.numbers[one.name], one.digits) for row in rows]
        if any(cell != BLANK for cell in cells):
            lines.append((one.heading, cells))
    return {"names": [row.rack.name for row in rows], "lines": lines}


# --- how exactly ---------------------------------------------------------------------------------


def _exact_part(exact: Accuracy, problem: Problem) -> dict[str, Any]:
    degrees, rack_height = np.degrees, exact.shims["rack height"]
    shims = [
        (
            f"{step:+d}" if step else "0",
            number(float(degrees(bump)), 3),
            _mark(exact, float(degrees(bump)), exact.others.at("rack height", float(offset))),
        )
        for step, offset, bump in zip(
            rack_height.steps, rack_height.offset_mm, rack_height.bump_steer, strict=True
        )
    ]
    built = exact.built
    return {
        "bands": [
            (
                band.adjustment,
                exact.words(band).split(": ", 1)[1],
                *(
                    (
                        number(float(degrees(bump)), 3),
                        _mark(exact, float(degrees(bump)), exact.others.at(band.adjustment, off)),
                    )
                    for off, bump in ((1.0, band.up), (-1.0, band.down))
                ),
            )
            for band in exact.bands
        ],
        "shims": shims,
        "itself": exact.others.itself,
        "step": f"{STEP_MM:g}",
        "built": None
        if built is None
        else {
            "cars": built.cars,
            "bump": built.percentiles[0].text,
            "ackermann": built.percentiles[1].text,
            "wrong": [
                f"{quantity(name).words} {verdict}"
                for name, found, most in zip(
                    JUDGED, built.percentiles, problem.acceptable, strict=True
                )
                if (verdict := found.against(float(most)))
            ],
            "shimmed": "" if built.shimmed is None else shimmed_words(problem, built.shimmed),
            "reason": built.reason,
            "matters": built.matters_most,
            "rows": [
                (
                    row.name,
                    f"±{row.tolerance:g} {'deg' if row.name == 'toe setting' else 'mm'}",
                    number(row.bump_per_unit, 3),
                    f"{100.0 * row.bump_share:.0f} %",
                    number(row.ackermann_per_unit, 3),
                    f"{100.0 * row.ackermann_share:.0f} %",
                )
                for row in built.rows[:_TOP_DIMENSIONS]
            ],
        },
    }


def _mark(exact: Accuracy, bump_deg: float, also: str) -> str:
    """What is not acceptable at a place, in words; empty where nothing is."""
    above = f"above {exact.acceptable_deg:g}" if bump_deg > exact.acceptable_deg else ""
    return ", ".join(part for part in (above, also) if part)


# --- what limited the search, and was it long enough ---------------------------------------------


def _limits_part(result: RunResult, chosen: Chosen | None) -> dict[str, Any]:
    statuses = result.evaluation.status.astype(str)
    causes, first, counts = np.unique(statuses, return_index=True, return_counts=True)
    order = np.argsort(-counts, kind="stable")[:_TOP_OUTCOMES]
    return {
        "sentences": []
        if chosen is None
        else [*binding_sentences(chosen), *leaning_sentences(chosen)],
        "known": chosen is not None,
        "outcomes": [
            (
                _outcome_words(result, int(first[index])),
                int(counts[index]),
                _share(counts[index], counts.sum()),
            )
            for index in order.tolist()
        ],
        "more": len(causes) - len(order),
    }


def _outcome_words(result: RunResult, row: int) -> str:
    """What became of a design in words, limits by what they are."""
    outcome = result.evaluation
    if outcome.feasible[row]:
        return "keeps every limit"
    if not outcome.assembles[row]:
        return str(outcome.status[row])
    names = zip(result.problem.constraint_names, outcome.constraints[row], strict=True)
    return f"breaks {', '.join(limit_words(name) for name, over in names if not over <= 0.0)}"


def _share(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.1f} %"


def _growth_part(result: RunResult) -> dict[str, Any]:
    found = growth(result)
    shown_racks = result.shown_racks()
    rows = [
        (
            one.name,
            len(unit.designs),
            number(float(one.share[-1]), 1),
            f"{100.0 * one.last_gain:.1f} %" if one.share[-1] > 0.0 else BLANK,
            unit.dropped or unit.stop_reason,
            unit.seed,
        )
        for one, unit in zip(found, result.units, strict=True)
        if unit.rack in shown_racks
    ]
    growing = [one.name for one in found if one.last_gain > STILL_GROWING]
    return {
        "rows": rows,
        "growing": some_names(growing),
        "empty": not any(one.share[-1] > 0.0 for one in found),
        "limit": f"{100.0 * STILL_GROWING:g} %",
        "begun": starting_note(result),
    }
