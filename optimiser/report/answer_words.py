"""The answer of a run in plain words: which rack, where, what it comes to, and what to watch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.answer.break_even_words import measure_first, unsure_numbers
from optimiser.answer.choosing import (
    SMALL_SHARE,
    how_chosen,
    how_nearest,
    worse_words,
    worst_ratios,
)
from optimiser.answer.exactness import built_percentiles, shimmed_percentile
from optimiser.answer.fitting import fitting_sentences
from optimiser.answer.held import accepted_values
from optimiser.answer.moved import moves_words
from optimiser.answer.rack_table import ACCEPTABLE, WRONG_HAND
from optimiser.answer.shown_racks import some_names
from optimiser.answer.wanted import asked_of
from optimiser.evaluation.bolting import IF_KNOWN
from optimiser.evaluation.designs import JUDGED, VARIABLES, Range, Stock
from optimiser.evaluation.quantities import amount, quantity, said

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.exactness import Built, Percentile
    from optimiser.answer.rack_table import RackRow
    from optimiser.answer.run_result import RunResult
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Rack

NONE_ACCEPTABLE = "No rack is acceptable"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a run says.

    Attributes:
        headline: the rack and its price, or that none is acceptable.
        place: where the chosen or nearest design is and what it comes to, a sentence or two.
        asked: what bump steer means for the study, and bump steer up to each band's edge; empty
            where it is the change of toe from rest, alike at every travel.
        others: what speaks for another rack, a sentence each.
        measure: what of the racks to measure first; empty where nothing hangs on it.
        fitting: what fitting the rack asks: kept tie rods, direction and hand; a sentence each.
        built: what cars built to the study's tolerances come to; empty without tolerances.
        how: how it was chosen; empty where no design keeps every limit.
        luck: how many independent starts agree with it, and whether anything was searched beyond
            them; empty where none were followed.
    """

    headline: str
    place: str
    others: tuple[str, ...] = ()
    fitting: tuple[str, ...] = ()
    built: str = ""
    how: str = ""
    luck: str = ""
    asked: str = ""
    measure: str = ""

    def sentences(self) -> Iterator[str]:
        """All of it, as the terminal shows it."""
        if self.headline == NONE_ACCEPTABLE:
            yield f"{self.headline}."
        yield from filter(
            None,
            (
                self.place,
                self.asked,
                *self.others,
                self.measure,
                *self.fitting,
                self.built,
                self.how,
                self.luck,
            ),
        )


def answer_of(result: RunResult, built: Built | None = None) -> Answer:
    """The answer of a run; `built` is what is known of the winner's cars, found here if None."""
    row, measure = result.winner, _to_measure(result)
    if row is None:
        return Answer(NONE_ACCEPTABLE, _nothing_feasible(result), measure=measure)
    problem = result.problem
    one = slice(row, row + 1)
    design = result.designs.select(one)
    fitting = tuple(fitting_sentences(problem, design, result.evaluation.select(one)))
    said = "" if problem.tolerances is None else _as_built(result, design, built)
    luck = _luck(result, row)
    asked = asked_of(problem, problem.corners(design)[0].select(0))
    if not result.acceptable:
        stopped = next((r.stopped_by for r in result.comparison if r.row == row), "")
        place = f"{_place(result, row, 'The nearest is')}"
        if stopped:
            place += f" {stopped[:1].upper()}{stopped[1:]}."
        return Answer(
            NONE_ACCEPTABLE,
            place,
            tuple(_no_rack(result)),
            fitting,
            said,
            how_nearest(problem),
            luck,
            asked,
            measure,
        )
    return Answer(
        f"{_priced(problem.racks[int(design.rack[0])])}",
        _place(result, row, "Chosen:"),
        tuple(_other_racks(result, row)),
        fitting,
        said,
        how_chosen(problem, result.prefer),
        luck,
        asked,
        measure,
    )


def _to_measure(result: RunResult) -> str:
    """What of the racks' spacings and travels to measure first."""
    racks = range(len(result.problem.racks))
    return measure_first(
        [one for rack in racks for one in unsure_numbers(result.problem, rack, result.break_even)]
    )


def _luck(result: RunResult, row: int) -> str:
    """How many independent starts of the rack ended where its best design is."""
    units = [unit.starts for unit in result.units if unit.rack == result.designs.rack[row]]
    agree, followed = (sum(unit[which] for unit in units) for which in (0, 1))
    if not followed:
        return ""
    rack = result.problem.racks[int(result.designs.rack[row])].name
    space = result.problem.space.values()
    stock = any(isinstance(c, Stock) and len(c.values) > 1 for c in space) and any(
        isinstance(c, Range) and c.low < c.high for c in space
    )
    worse = worse_words(result.problem)
    text = (
        f"Of {followed} independent starts of rack {rack}{' with these stock values' * stock} that "
        f"were followed to their end {agree} came within a hundredth of its least {worse}."
    )
    if (result.origin == "search").any():
        return text
    return f"{text} Nothing was searched beyond them: run without --quick before you rely on it."


def _priced(rack: Rack) -> str:
    return f"{rack.name}, price {'not known' if rack.price is None else format(rack.price, 'g')}"


def _nothing_feasible(result: RunResult) -> str:
    text = "No design keeps every limit."
    row = result.nearest
    if row is None:
        return text
    nearest = result.problem.racks[int(result.designs.rack[row])].name
    return (
        f"{text} The nearest is one with rack {nearest}: it {result.evaluation.status[row]}, see "
        f"design {row + 1} in trials.csv."
    )


def _place(result: RunResult, row: int, begin: str) -> str:
    at = {name: float(result.designs.column(name)[row]) for name in VARIABLES}
    spacers = f"a {amount('spacer_mm', at['spacer_mm'])} spacer at each end"
    ahead = amount("rack_fore_aft_mm", abs(at["rack_fore_aft_mm"]))
    side = "ahead of" if at["rack_fore_aft_mm"] >= 0.0 else "behind"
    return (
        f"{begin} {_priced(result.problem.racks[int(result.designs.rack[row])])}, with its inner "
        f"joints {amount('rack_height_mm', at['rack_height_mm'])} above ground and {ahead} {side} "
        f"the front axle, {spacers if at['spacer_mm'] else 'no spacers'}, steering arms "
        f"{amount('arm_length_mm', at['arm_length_mm'])} long with the outer joint "
        f"{amount('arm_height_mm', at['arm_height_mm'])} above ground{_moved(result, row)}: "
        f"{_all_numbers(result, row)}, made exactly."
    )


def _moved(result: RunResult, row: int) -> str:
    """What of the suspension is elsewhere than drawn, where it may be."""
    if result.problem.suspension is None:
        return ""
    words = moves_words(result.problem, result.designs.select(slice(row, row + 1)))
    change = said("moved_mm", result.evaluation.metrics["moved_mm"][row])
    return f", MOVED from drawn {words} ({change})"


def _all_numbers(result: RunResult, row: int) -> str:
    """Every number of a design that the study says what it may be of, as made exactly."""
    problem, metrics = result.problem, result.evaluation.metrics
    # What is asked of feet and column without a word of the study is told beside.
    bounded = (name for name in problem.bounds if name in metrics and name not in IF_KNOWN)
    names = dict.fromkeys((*accepted_values(problem), *bounded))
    return ", ".join(said(name, metrics[name][row]) for name in names)


def _no_rack(result: RunResult) -> Iterator[str]:
    yield "The table of racks says what stops each and what would help."
    turned = [row.rack.name for row in result.comparison if row.verdict == WRONG_HAND]
    if turned:
        yield f"Acceptable but of the wrong hand: {some_names(turned)}."


# --- other racks ---------------------------------------------------------------------------------


def _other_racks(result: RunResult, row: int) -> Iterator[str]:
    """The acceptable rack of the least price and the best one, where they were not chosen."""
    rack = result.designs.rack[row]
    worst = worst_ratios(result.evaluation, result.problem)
    others = [
        other
        for other in result.comparison
        if other.verdict == ACCEPTABLE and other.row is not None and _rack(result, other) != rack
    ]
    own = result.problem.racks[int(rack)].price
    cheaper = [
        r for r in others if r.rack.price is not None and (own is None or r.rack.price < own)
    ]
    if cheaper:
        yield _cheapest(result, row, cheaper[0])
    best = min(others, key=lambda other: worst[other.row or 0], default=None)
    if result.prefer == "best" or best is None or worst[best.row or 0] >= worst[row]:
        return
    yield (
        f"The best rack is {_against(result, row, best)}, its {worse_words(result.problem)} lower "
        "by no more than a tenth of what you accept: optimiser pick, --by best."
    )


def _rack(result: RunResult, row: RackRow) -> int:
    return int(result.designs.rack[row.row or 0])


def _against(result: RunResult, row: int, other: RackRow) -> str:
    """A rack by name and price against the chosen one's, with its numbers."""
    own, price = result.problem.racks[int(result.designs.rack[row])].price, other.rack.price
    prices = (
        "a price that is not known" if value is None else format(value, "g")
        for value in (price, own)
    )
    cost = "at the same price" if own is not None and price == own else " against ".join(prices)
    number = (other.row or 0) + 1
    return f"{other.rack.name}, {cost}: {_all_numbers(result, number - 1)} (design {number})"


def _cheapest(result: RunResult, row: int, other: RackRow) -> str:
    """A cheaper rack, and whether the chosen one is worth the difference."""
    text = f"The cheapest acceptable rack is {_against(result, row, other)}."
    if result.prefer == "cheapest":
        return (
            f"{text} The chosen one's {worse_words(result.problem)} is lower by more than a tenth "
            "of what you accept."
        )
    ratios = result.problem.ratios(result.evaluation)
    if not (ratios[other.row or 0] - ratios[row]).max() < SMALL_SHARE:
        return text
    return (
        f"{text} The chosen one is better by less than a tenth of what you accept, so price, mass "
        "and what you can get may decide: optimiser pick, --by cheapest."
    )


# --- as built ------------------------------------------------------------------------------------


def _as_built(result: RunResult, design: Designs, built: Built | None) -> str:
    """What cars built to the study's tolerances come to, and whether that is acceptable."""
    problem = result.problem
    if built is None:
        points = problem.corners(design)[0].select(0)
        percentiles, reason = built_percentiles(problem, points)
        shimmed = None if reason else shimmed_percentile(problem, points)
    else:
        percentiles, reason, shimmed = built.percentiles, built.reason, built.shimmed
    if reason:
        return f"Built to your tolerances: {reason}."
    bump, ackermann = percentiles
    which = "chosen" if result.acceptable else "nearest"
    text = (
        f"Built to your tolerances, 95 of 100 cars of the {which} design have at most "
        f"{bump.text} bump steer and {ackermann.text} Ackermann error"
    )
    wrong = [
        f"{quantity(name).words} {verdict}"
        for name, found, most in zip(JUDGED, percentiles, problem.acceptable, strict=True)
        if (verdict := found.against(float(most)))
    ]
    text += f": {' and '.join(wrong)}." if wrong else ", which is acceptable."
    return text if shimmed is None else f"{text} {shimmed_words(problem, shimmed)}"


def shimmed_words(problem: Problem, shimmed: Percentile) -> str:
    """What the same cars keep to with their racks shimmed after measuring."""
    text = (
        "With the rack shimmed after thirteen readings of each wheel, packs added or taken out, "
        f"95 of 100 keep to {shimmed.text} bump steer"
    )
    wrong = shimmed.against(float(problem.acceptable[0]))
    return f"{text}: it {wrong}." if wrong else f"{text}, which is acceptable."
