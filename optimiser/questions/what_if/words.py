"""What is said of a design that is being tried, a line each."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from optimiser.answer.design_numbers import closest_pair
from optimiser.answer.held import held
from optimiser.answer.kept_rods import kept_rod_sentences
from optimiser.answer.limits_and_growth import limit_rows
from optimiser.answer.wanted import asked_of
from optimiser.evaluation.clearance.metrics import told_apart_mm
from optimiser.evaluation.designs import FollowsRack, Stock, allows
from optimiser.evaluation.quantities import amount, is_clearance, quantity, shown
from optimiser.evaluation.wants import bound_words
from optimiser.folder.choose import outside_words
from optimiser.folder.pick import change_line, verdict_lines
from optimiser.questions.what_if.state import plain, setting

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.answer.limits_and_growth import LimitRow
    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.asked import Bound
    from optimiser.questions.what_if.lines import Line
    from optimiser.questions.what_if.state import State

_HELP = (
    "rack_height 218      a place: mm, or degrees for angles; rack_height = -5 for one below zero",
    "rack_height +5       a step from where it is; -5 is a step too",
    "rack NAME            another rack, all else as it is",
    "  what can be moved: {variables}",
    "wheelbase 2300       what the study asks, tried otherwise: travel (both ways), bump, droop,",
    "                     wheelbase, lock, ackermann_target",
    "clearance 8          limits (off: none): clearance, toggle_margin, inner_joint_angle,",
    "                     outer_joint_angle, rack_travel_margin",
    "best                 the best from here, by the rule for the winner: all that has a range in",
    "                     the study moves within it, stock values stay, every limit is kept; found",
    "                     from this one place, so optimiser run may find a better one",
    "limits               each limit with what is left of it",
    "show                 all variables and numbers, beside where it began",
    "undo                 back by one line",
    "save                 hardpoints, curves and figures into a folder of their own",
    "help                 these lines",
    "quit                 or the end of the input",
    "Names may be cut short (rack_h, sp, cl), and _mm and _deg left out.",
)


def help_lines(variables: Sequence[str]) -> tuple[str, ...]:
    """What can be typed where a study has these variables."""
    return tuple(line.replace("{variables}", ", ".join(variables)) for line in _HELP)


# --- a block -------------------------------------------------------------------------------------


def change_block(state: State, before: State) -> Iterator[str]:
    """What a line changed, the numbers after it, what breaks, and what is left."""
    yield ", ".join(changes(state, before)) or "nothing changed"
    yield from numbers(state.chosen, before.chosen)
    yield from verdict_lines(state.chosen)
    yield from standing(state)


def whole_block(state: State, words: str, against: Chosen | None = None) -> Iterator[str]:
    """All of a design, `words` and its rack first; with `against` how it differs from that."""
    chosen = state.chosen
    yield f"{words}: rack {chosen.rack.name}"
    if against is not None:
        yield f"against {against.label}, rack {against.rack.name}:"
    for name, value in state.values.items():
        before = None if against is None else float(against.design.column(name)[0])
        yield change_line(quantity(name), value, before)
    yield from numbers(chosen, against)
    yield from verdict_lines(chosen)
    yield from standing(state)


def numbers(chosen: Chosen, before: Chosen | None) -> Iterator[str]:
    """The numbers of `pick`, then what else the study minimises, as far as they are known."""
    names = [one.name for one in shown("pick")]
    for name in dict.fromkeys((*names, *chosen.problem.objectives.names)):
        if math.isfinite(value := chosen.metric(name)):
            was = None if before is None else before.metric(name)
            yield change_line(quantity(name), value, was)
    yield from kept_rod_sentences(chosen.problem, chosen.design, chosen.outcome)


def changes(state: State, before: State) -> Iterator[str]:
    """What differs from the line before: rack, variables, keys of the study."""
    rack, old = state.chosen.rack.name, before.chosen.rack.name
    if rack != old:
        yield f"rack {rack} (before {old})"
    for name, value in state.values.items():
        if difference := value - before.values[name]:
            one = quantity(name)
            fixed = f"{difference:+.{one.digits}f}"
            by = fixed if float(fixed) else f"{difference:+.2g}"
            yield f"{one.words} {one.text(value)} ({by})"
    now, then = state.asked_otherwise(), before.asked_otherwise()
    tables = {**now, **then}
    for table in tables:
        for key in {**now.get(table, {}), **then.get(table, {})}:
            was, value = (setting(one.chosen.study, table, key) for one in (before, state))
            if was != value:
                yield f"[{table}] {key} = {plain(value)} (before {plain(was)})"


def standing(state: State) -> Iterator[str]:
    """What is left of the limits that are kept, and where it is not what the study asks."""
    kept = [row for row in nearest_first(state.chosen) if row.left >= 0.0]
    if kept:
        left = ", ".join(_left(state.chosen, row) for row in kept)
        yield f"Left of the limits, nearest first: {left}."
    for text in outside(state):
        yield f"outside the study: {text}."


# --- limits --------------------------------------------------------------------------------------


def nearest_first(chosen: Chosen) -> list[LimitRow]:
    """The limits that could be judged, the one with the least left first, mm and degrees alike."""
    rows = [row for row in limit_rows(chosen) if math.isfinite(row.left)]
    problem = chosen.problem
    scales = dict(zip(problem.constraint_names, problem.constraint_scales.tolist(), strict=True))
    known = (row for row in rows if not _unknown(chosen, row))
    return sorted(known, key=lambda row: row.left / scales[row.name])


def _unknown(chosen: Chosen, row: LimitRow) -> bool:
    """A clearance of parts whose size nobody gave: it counts as kept and says nothing."""
    return row.name == "clearance_mm" and math.isnan(chosen.metric(row.name))


def _far(chosen: Chosen, row: LimitRow) -> bool:
    """A clearance beyond which distances are not told apart."""
    far = told_apart_mm(chosen.problem.clearance_wanted_mm)
    return is_clearance(row.name) and chosen.metric(row.name) >= far


def _left(chosen: Chosen, row: LimitRow) -> str:
    more = " or more" if _far(chosen, row) else ""
    return f"{row.words.removeprefix('the ')} {row.amount(row.left)}{more}"


def limits_block(state: State) -> Iterator[str]:
    """Each limit: what it is now, what is wanted, what is left; then what is acceptable."""
    chosen = state.chosen
    if not chosen.outcome.assembles[0]:
        yield from verdict_lines(chosen)
        return
    for row in nearest_first(chosen):
        yield f"  {_limit_line(chosen, row)}"
    for row in limit_rows(chosen):
        if _unknown(chosen, row):
            yield f"  {row.words}: not known, the size of a part is not given"
    for found in held(chosen.problem, chosen.outcome):
        one = found.one
        left = one.text(abs(found.accepted - found.value))
        how = f"{left} left" if found.kept else f"NOT ACCEPTABLE by {left}"
        way = "at least" if found.at_least else "at most"
        yield f"  {one.words}: {one.text(found.value)}, {way} {found.accepted:g} accepted: {how}"
    if asked := asked_of(chosen.problem, chosen.points):
        yield f"  {asked}"
    if chosen.problem.objectives.as_built:
        yield "  the last of one in twenty built cars, as the study asks; limits as made exactly"
    elif chosen.problem.tolerances is not None:
        yield "  of the design made exactly; how built cars scatter, optimiser run says"


def _limit_line(chosen: Chosen, row: LimitRow) -> str:
    if bound := chosen.problem.bounds.get(row.name):
        return _bound_line(chosen, bound, row)
    name = "rack_needed_mm" if row.name == "rack_travel_mm" else row.name
    one, value = quantity(name), chosen.metric(name)
    at_least = one.better == "more"
    wanted = value + (-row.left if at_least else row.left)
    if not at_least and name == "track_growth_mm":
        wanted = abs(value) + row.left
    more = " or more" if _far(chosen, row) else ""
    pair = "" if more else closest_pair(chosen.outcome, 0, name)
    pair = f" ({pair})" if pair else ""
    text = f"{one.words} {one.text(value)}{more}{pair}"
    text += f", at {'least' if at_least else 'most'} {round(wanted, 6):g} wanted"
    return f"{text}: {_standing_words(row, more)}"


def _bound_line(chosen: Chosen, bound: Bound, row: LimitRow) -> str:
    """The same of a bound on any quantity."""
    problem, one = chosen.problem, quantity(bound.name)
    value = float(problem.bounded(bound.name, chosen.design, chosen.outcome.metrics)[0])
    more = " or more" if _far(chosen, row) else ""
    text = f"{one.words} {one.text(value)}{more}, {bound_words(bound)} wanted"
    return f"{text}: {_standing_words(row, more)}"


def _standing_words(row: LimitRow, more: str) -> str:
    if row.left >= 0.0:
        return f"{row.amount(row.left)}{more} left"
    return f"BROKEN by {row.amount(-row.left)}"


# --- outside the study ---------------------------------------------------------------------------


def outside(state: State) -> Iterator[str]:
    """Where design and question are not what the study allows and asks."""
    space, limits = state.chosen.problem.space, state.chosen.problem.limits
    for name, value in state.values.items():
        choice, one = space[name], quantity(name)
        if isinstance(choice, FollowsRack) and not state.arm_alone:
            continue
        if text := outside_words(choice, value, one.unit):
            yield f"{one.words} {value:g} {one.unit} {text}"
    longest = limits.spacer_max_mm
    if longest is not None and state.values["spacer_mm"] > longest:
        yield f"[limits] spacer_max_mm is {longest:g} mm"
    for table, keys in state.asked_otherwise().items():
        for key, value in keys.items():
            was = setting(state.start.study, table, key)
            yield f"[{table}] {key} is {plain(value)}, in the study {plain(was)}"


def found_block(state: State, before: State) -> Iterator[str]:
    """What `best` found."""
    held = "" if not (names := held_words(before)) else f" with {names}"
    if not state.chosen.outcome.feasible[0]:
        yield f"No place that keeps every limit was found from here{held}; this breaks them less:"
    else:
        yield f"The best found from here{held}; optimiser run may find a better one elsewhere:"
    yield from change_block(state, before)


def nothing_better(state: State) -> str:
    """That `best` left the design as it is."""
    held = "" if not (names := held_words(state)) else f" with {names}"
    broken = "" if state.chosen.outcome.feasible[0] else " It still breaks limits."
    return (
        f"Nothing better was found from here{held}, within the study.{broken} optimiser run may "
        "find a better place elsewhere."
    )


def held_words(state: State) -> str:
    """Stock values that `best` leaves as they are, where there could be others."""
    words = []
    for name, value in state.values.items():
        choice = state.chosen.problem.space[name]
        several = isinstance(choice, Stock) and (
            len(choice.values) > 1 or value not in choice.values
        )
        alone = isinstance(choice, FollowsRack) and state.arm_alone
        if several or alone:
            words.append(f"{quantity(name).words} {amount(name, value)}")
    return " and ".join(words)


def change_notes(state: State, before: State, line: Line) -> Iterator[str]:
    """What a change does not say of itself."""
    if state.chosen.rack != before.chosen.rack:
        yield f"All else is as it was with {before.chosen.rack.name}; best looks on from here."
    if not line.is_step or line.name not in state.values or not float(line.value or 0.0) < 0.0:
        return
    # A place below zero is written with a sign too.
    if allows(state.chosen.problem.space[line.name], float(line.value or 0.0)):
        name = line.name
        yield f"{line.value:g} was taken as a step; for the place type {name} = {line.value:g}."
