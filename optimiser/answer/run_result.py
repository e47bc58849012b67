"""What a run found, and its tables as text; `folder.read` reads them back."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.budget import Budget, toe_budget
from optimiser.answer.choosing import best_of, cheapest_near_best, worst_ratios
from optimiser.answer.free_lock import FreeLock, free_lock
from optimiser.answer.rack_table import RackRow, compare, shown_row
from optimiser.answer.shown_racks import MOST_SHOWN, those_that_matter
from optimiser.base.files import csv_text, write_text
from optimiser.base.front import feasible_front
from optimiser.evaluation.problem import Designs, Evaluation
from optimiser.evaluation.quantities import TYRE_CLOSEST, closest_names
from optimiser.linkage.hardpoints import COLUMNS as POINT_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    import pandas as pd
    from numpy.typing import NDArray

    from optimiser.answer.break_even import Evens
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import CadFrame, Hardpoints
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array
    from optimiser.study.read import Study
    from optimiser.study.tables import Prefer

    Columns = Mapping[str, NDArray[Any] | list[object]]

_NO_POINTS: Mapping[str, Array] = MappingProxyType({})
RUN_FILE = "run.json"
_ROWS_AT_ONCE = 5000
CAUTION = (
    "Computed estimates to compare designs, not an approval: check every point on the car, sweep "
    "full travel and lock by hand, and have a qualified person inspect it under your local rules."
)


@dataclass(frozen=True, slots=True)
class UnitResult:
    """What one unit of work (one rack, one seed) found.

    Attributes:
        rack: index of the rack in the problem.
        origin: 'earlier', 'seed', 'search' or 'refined' for each design.
        stop_reason: why the search ended.
        seconds: wall-clock time by phase.
        dropped: empty, or why the rack was given up early.
        finished: False when it was stopped before its search was over.
        starts: independent starts that ended within a hundredth of its best ratio, and all that
            were followed to their end.
        kept: designs that were told before it was gone on with.
        note: what to know about how it was gone on with, a line; else empty.
    """

    rack: int
    seed: int
    designs: Designs
    evaluation: Evaluation
    origin: NDArray[np.object_]
    stop_reason: str
    seconds: dict[str, float]
    dropped: str = ""
    finished: bool = True
    starts: tuple[int, int] = (0, 0)
    kept: int = 0
    note: str = ""


@dataclass(frozen=True)
class Chosen:
    """One design of a study: a row of its result, or a point that was typed in.

    Attributes:
        label: 'design 12', or what was typed.
        design: a batch of one.
        outcome: its evaluation, a batch of one.
    """

    study: Study
    problem: Problem
    label: str
    design: Designs
    outcome: Evaluation

    @property
    def rack(self) -> Rack:
        """Its rack."""
        return self.problem.racks[int(self.design.rack[0])]

    @property
    def title(self) -> str:
        """Heading for its files, which says so where they are of no answer."""
        title = f"{self.study.title}: {self.label}, rack {self.rack.name}"
        return title if self.acceptable else f"{title}, NOT ACCEPTABLE"

    @property
    def acceptable(self) -> bool:
        """Whether it keeps every limit and is acceptable, its hand apart."""
        ratios = worst_ratios(self.outcome, self.problem)
        return bool(self.outcome.feasible[0] and ratios[0] <= 1.0)

    @cached_property
    def points(self) -> Hardpoints:
        """Its left corner in body axes."""
        points, _ = self.problem.corners(self.design)
        return points.select(0)

    @cached_property
    def steering_end_mm(self) -> float:
        """Rack displacement, either way, at which the rack or the stops end its steering."""
        return float(self.problem.steering_end_mm(self.design)[0])

    @cached_property
    def free_lock(self) -> FreeLock | None:
        """How far it may steer, worked out where it is first asked for; None if not assembled."""
        return free_lock(self.problem, self.design)

    @cached_property
    def budget(self) -> Budget | None:
        """Its toe budget, worked out where it is first asked for; None where none is asked."""
        return toe_budget(self)

    @property
    def lengths_mm(self) -> dict[str, float]:
        """Tie-rod length and the design's variables; the arm's angle is in degrees."""
        lengths = {"tie_rod_length_mm": self.metric("tie_rod_length_mm")}
        names = self.problem.variables
        return lengths | {name: float(self.design.column(name)[0]) for name in names}

    def metric(self, name: str) -> float:
        """One of its metrics; NaN where the study has no data for it."""
        values = self.outcome.metrics.get(name)
        return float("nan") if values is None else float(values[0])


@dataclass(frozen=True)
class RunResult:
    """All designs of one study, the fronts and the winner. Design n of the files is row n - 1.

    `break_even` is None where it was not worked out.
    """

    study: Study
    problem: Problem
    units: tuple[UnitResult, ...]
    break_even: Evens | None = None

    @cached_property
    def designs(self) -> Designs:
        """Every design, unit after unit in the order it was told."""
        return Designs.join([unit.designs for unit in self.units])

    @cached_property
    def evaluation(self) -> Evaluation:
        """Outcomes in the same order."""
        return Evaluation.join([unit.evaluation for unit in self.units])

    @cached_property
    def origin(self) -> NDArray[np.object_]:
        """Where each design came from."""
        return np.concatenate([unit.origin for unit in self.units])

    @cached_property
    def front(self) -> NDArray[np.intp]:
        """Rows of the front over all racks, by rising first objective."""
        return feasible_front(self.evaluation.objectives, self.evaluation.feasible)

    @cached_property
    def rack_fronts(self) -> dict[int, NDArray[np.intp]]:
        """Rows of each rack's own front."""
        return {
            rack: feasible_front(
                self.evaluation.objectives,
                self.evaluation.feasible & (self.designs.rack == rack),
            )
            for rack in range(len(self.problem.racks))
        }

    @cached_property
    def best(self) -> int | None:
        """Row of the design whose worst ratio of objective to acceptable value is least.

        Racks of which the driver needs the opposite hand stand back where there is any other.
        """
        usable = feasible_front(
            self.evaluation.objectives,
            self.evaluation.feasible & ~self.problem.wrong_hand[self.designs.rack],
        )
        return self.best_of(usable if len(usable) else self.front)

    @cached_property
    def winner(self) -> int | None:
        """Row of the design that wins; None when none keeps every limit.

        It is `best`, unless that one is acceptable and `[search] prefer` is not "best": then the
        cheapest rack that is as good within a tenth (`choosing.cheapest_near_best`).
        """
        best, outcome, wrong = self.best, self.evaluation, self.problem.wrong_hand
        if best is None or self.prefer == "best" or worst_ratios(outcome, self.problem)[best] > 1.0:
            return best
        compromises = [
            row
            for rack, rows in self.rack_fronts.items()
            if wrong[rack] == wrong[self.designs.rack[best]]
            and (row := self.best_of(rows)) is not None
        ]
        return cheapest_near_best(self.problem, self.designs, outcome, compromises)

    @property
    def prefer(self) -> Prefer:
        """Which rack the study prefers."""
        return self.study.file.search.prefer

    @cached_property
    def acceptable(self) -> bool:
        """Whether the winner is an answer: acceptable, and its rack not of the wrong hand."""
        if self.winner is None or self.problem.wrong_hand[self.designs.rack[self.winner]]:
            return False
        return bool(worst_ratios(self.evaluation, self.problem)[self.winner] <= 1.0)

    def best_of(self, rows: NDArray[np.intp]) -> int | None:
        """The row of the least worst ratio among some (`best_ratio`); None when there are none."""
        if not len(rows):
            return None
        return best_of(self.problem, self.evaluation, rows)

    @cached_property
    def _shown_before(self) -> dict[int, Chosen]:
        return {}

    def chosen(self, row: int) -> Chosen:
        """One of the designs by its row, the same one each time with what it has worked out."""
        if row not in self._shown_before:
            one = slice(row, row + 1)
            self._shown_before[row] = Chosen(
                self.study,
                self.problem,
                f"design {row + 1}",
                self.designs.select(one),
                self.evaluation.select(one),
            )
        return self._shown_before[row]

    @cached_property
    def nearest(self) -> int | None:
        """Row of the design that breaks its limits least, when none keeps them all."""
        return self.evaluation.nearest

    @property
    def foremost(self) -> int | None:
        """Row of the design that the answer is about: the winner, or without one the nearest."""
        return self.nearest if self.winner is None else self.winner

    @property
    def foremost_rack(self) -> RackRow | None:
        """The row of `comparison` that shows that design; None when there is none."""
        if self.foremost is None:
            return None
        return next((row for row in self.comparison if row.row == self.foremost), None)

    @cached_property
    def comparison(self) -> list[RackRow]:
        """A row for each rack, in the order of `rack_table.ORDER_RULE`."""
        dropped = {unit.rack: unit.dropped for unit in self.units}
        reasons = [dropped.get(index, "") for index in range(len(self.problem.racks))]
        return compare(
            self.problem, self.designs, self.evaluation, reasons, self.winner, self.break_even
        )

    @property
    def compared_rows(self) -> list[int]:
        """Rows of the designs that stand for their racks in `comparison`, without what it says."""
        racks = range(len(self.problem.racks))
        args = self.problem, self.designs, self.evaluation
        rows = (shown_row(*args, index, self.winner) for index in racks)
        return [row for row in rows if row is not None]

    def shown(self, most: int = MOST_SHOWN) -> list[RackRow]:
        """Rows of `comparison` that a person is shown: all, or those of the racks that matter."""
        worst = worst_ratios(self.evaluation, self.problem)
        return those_that_matter(self.comparison, worst, (self.foremost,), most)

    def shown_racks(self, most: int = MOST_SHOWN) -> list[int]:
        """Indices of the racks of `shown`, in the order of the catalogue."""
        names = {row.rack.name for row in self.shown(most)}
        return [index for index, rack in enumerate(self.problem.racks) if rack.name in names]

    def racks(self) -> pd.DataFrame:
        """The comparison as a table, blank where a number is not known."""
        import pandas as pd  # whoever writes files alone need not wait for it

        return pd.DataFrame(self.rack_columns(), dtype=object)

    def rack_columns(self) -> Columns:
        """The comparison by column, None where a number is not known."""
        rows: list[dict[str, object]] = [
            {
                "rack": row.rack.name,
                "verdict": row.verdict,
                "stopped_by": row.stopped_by,
                "design": None if row.row is None else row.row + 1,
                **row.numbers,
                "hand": row.hand.sentence,
                "rescue": "; ".join(row.rescue),
                "notes": "; ".join(row.notes),
                "chosen": self.acceptable and row.row == self.winner,
            }
            for row in self.comparison
        ]
        return {name: [row[name] for row in rows] for name in rows[0]} if rows else {}

    def trials(self) -> pd.DataFrame:
        """One row per design: variables, metrics, limits (kept at or below 0), status."""
        import pandas as pd

        return pd.DataFrame(self.trial_columns())

    def trial_columns(self) -> dict[str, NDArray[Any]]:
        """The same by column, (designs,) each."""
        designs, outcome = self.designs, self.evaluation
        columns: dict[str, Any] = {
            "design": np.arange(1, len(designs) + 1),
            "rack": np.array([self.problem.racks[i].name for i in designs.rack], dtype=object),
        }
        columns |= self.problem.variable_values(designs)
        columns |= _with_names(outcome)
        columns |= {
            f"limit_{name}": _blank_without(outcome.constraints[:, index])
            for index, name in enumerate(self.problem.constraint_names)
        }
        on_front = np.zeros(len(designs), dtype=bool)
        on_front[self.front] = True
        columns |= {"on_front": on_front, "origin": self.origin, "status": outcome.status}
        return columns


def _with_names(outcome: Evaluation) -> dict[str, NDArray[Any]]:
    """Metrics, the names of the closest pairs each before its distance."""
    named = {distance: name for name, distance in closest_names()}
    named["tyre_clearance_mm"] = TYRE_CLOSEST
    columns: dict[str, NDArray[Any]] = {}
    for metric, values in outcome.metrics.items():
        if (name := named.get(metric)) in outcome.closest:
            columns[name] = outcome.closest[name]
        columns[metric] = values
    return columns


def _blank_without(limit: Array) -> Array:
    """Blank cells for racks that have no such limit, which are always within it."""
    return np.where(np.isneginf(limit), np.nan, limit)


# --- writing -----------------------------------------------------------------------------------


def write_columns(path: Path, columns: Columns, comments: tuple[str, ...] = ()) -> None:
    """Write columns as CSV that loses nothing, and so that a cut never leaves half of it."""
    write_text(path, csv_text(list(columns), _rows(columns), comments))


def _rows(columns: Columns) -> Iterator[tuple[object, ...]]:
    """Rows as Python's own numbers; of a long night all at once would be 200 MB."""
    count = len(next(iter(columns.values()), ()))
    for start in range(0, count, _ROWS_AT_ONCE):
        part = (column[start : start + _ROWS_AT_ONCE] for column in columns.values())
        yield from zip(*(p.tolist() if isinstance(p, np.ndarray) else p for p in part), strict=True)


def coordinate_text(value: float) -> str:
    """A length in mm, or an angle in degrees, as people read it: to a ten-thousandth."""
    return f"{round(value, 4) + 0.0:.4f}"


def hardpoints_text(
    points: Hardpoints,
    frame: CadFrame,
    lengths_mm: dict[str, float],
    title: str,
    notes: Iterable[str] = (),
    more: Mapping[str, Array] = _NO_POINTS,
) -> str:
    """Both sides of a corner in the CAD frame; `notes` are comments, `more` further points.

    The rows are in full, since `check` reads them back; the comments have what people read.
    """
    to_read = (
        f"{name}: {', '.join(coordinate_text(v) for v in frame.to_cad(value).tolist())}"
        for name, value in (*points.items(), *more.items())
    )
    comments = (
        title,
        f"CAD axes: forward {frame.forward}, left {frame.left}, up {frame.up}; "
        f"ground origin at {', '.join(f'{v:g}' for v in frame.ground_origin_mm)} mm",
        "millimetres, at the design position; right_ points mirror the left ones",
        *(f"{name} = {coordinate_text(value)}" for name, value in lengths_mm.items()),
        *notes,
        "the left points to read and to type (x, y, z); below, in full, for programs",
        *to_read,
        CAUTION,
    )
    rows: list[list[object]] = []
    for prefix, side in points.both_sides():
        for name, value in side.items():
            rows.append([f"{prefix}{name}", *(float(v) for v in frame.to_cad(value))])
    rows += [[name, *(float(v) for v in frame.to_cad(at))] for name, at in more.items()]
    return csv_text(list(POINT_COLUMNS), rows, comments)


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write JSON with sorted keys left as given; NaN becomes null, since JSON has none."""
    write_text(path, json.dumps(_plain(content), indent=2, ensure_ascii=False) + "\n")


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
