"""What a run leaves on disk, written and read back."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from optimiser.comparison import RackRow, compare
from optimiser.errors import InputError
from optimiser.files import csv_text, plain_text, write_text
from optimiser.front import best_ratio, feasible_front
from optimiser.hardpoints import COLUMNS as POINT_COLUMNS
from optimiser.mounting import check_hand
from optimiser.problem import VARIABLES, Designs, Evaluation
from optimiser.study import Study, read_study

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from optimiser.hardpoints import CadFrame, Hardpoints
    from optimiser.problem import Problem

RUN_FILE = "run.json"
CAUTION = (
    "Computed estimates to compare designs, not an approval: check every point on the car, sweep "
    "full travel and lock by hand, and have a qualified person inspect it under your local rules."
)


@dataclass(frozen=True, slots=True)
class UnitResult:
    """What one unit of work (one rack, one seed) found.

    Attributes:
        rack: index of the rack in the problem.
        origin: 'seed', 'search' or 'refined' for each design.
        stop_reason: why the search ended.
        seconds: wall-clock time by phase.
        dropped: empty, or why the rack was given up early.
        finished: False when it was stopped before its search was over.
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


@dataclass(frozen=True)
class RunResult:
    """All designs of one study, the fronts and the winner. Design n of the files is row n - 1."""

    study: Study
    problem: Problem
    units: tuple[UnitResult, ...]

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
    def winner(self) -> int | None:
        """Row of the design whose worst ratio of objective to acceptable value is least.

        Racks of which the driver needs the opposite hand stand back where there is any other.
        """
        problem, rows = self.problem, self.front
        wrong = [
            bool(check_hand(rack, problem.arm_ahead, problem.car.drive_side).opposite_hand_needed)
            for rack in problem.racks
        ]
        usable = feasible_front(
            self.evaluation.objectives,
            self.evaluation.feasible & ~np.array(wrong)[self.designs.rack],
        )
        return self.best_of(usable if len(usable) else rows)

    def best_of(self, rows: NDArray[np.intp]) -> int | None:
        """The winner's rule applied to some rows; None when there are none."""
        if not len(rows):
            return None
        values = self.evaluation.objectives[rows][:, :2]
        return int(rows[best_ratio(values, self.problem.acceptable)])

    @cached_property
    def nearest(self) -> int | None:
        """Row of the design that breaks its limits least, when none keeps them all."""
        rows = np.flatnonzero(self.evaluation.assembles)
        if not len(rows):
            return None
        broken = np.maximum(self.evaluation.constraints[rows], 0.0).sum(axis=1)
        return int(rows[np.argmin(broken)])

    @cached_property
    def comparison(self) -> list[RackRow]:
        """A row for each rack, in the order of `comparison.ORDER_RULE`."""
        dropped = {unit.rack: unit.dropped for unit in self.units}
        reasons = [dropped.get(index, "") for index in range(len(self.problem.racks))]
        return compare(self.problem, self.designs, self.evaluation, reasons)

    def racks(self) -> pd.DataFrame:
        """The comparison as a table, blank where a number is not known."""
        rows = [
            {
                "rack": row.rack.name,
                "verdict": row.verdict,
                "stopped_by": row.stopped_by,
                "design": None if row.row is None else row.row + 1,
                **row.numbers,
                "hand": row.hand.sentence,
                "rescue": "; ".join(row.rescue),
                "chosen": row.row is not None and row.row == self.winner,
            }
            for row in self.comparison
        ]
        return pd.DataFrame(rows, dtype=object)

    def trials(self) -> pd.DataFrame:
        """One row per design: variables, metrics, limits (kept at or below 0), status."""
        designs, outcome = self.designs, self.evaluation
        columns: dict[str, Any] = {
            "design": np.arange(1, len(designs) + 1),
            "rack": [self.problem.racks[index].name for index in designs.rack],
        }
        columns |= {name: designs.column(name) for name in VARIABLES}
        columns |= outcome.metrics
        columns |= {
            f"limit_{name}": outcome.constraints[:, index]
            for index, name in enumerate(self.problem.constraint_names)
        }
        on_front = np.zeros(len(designs), dtype=bool)
        on_front[self.front] = True
        columns |= {"on_front": on_front, "origin": self.origin, "status": outcome.status}
        return pd.DataFrame(columns)


# --- writing -----------------------------------------------------------------------------------


def frame_text(frame: pd.DataFrame, comments: tuple[str, ...] = ()) -> str:
    """A DataFrame as CSV text that loses nothing and that no spreadsheet runs."""
    rows = zip(*(frame[name].tolist() for name in frame.columns), strict=True)
    return csv_text(list(frame.columns), rows, comments)


def write_frame(path: Path, frame: pd.DataFrame, comments: tuple[str, ...] = ()) -> None:
    """Write a DataFrame so that a cut never leaves half of it."""
    write_text(path, frame_text(frame, comments))


def hardpoints_text(
    points: Hardpoints, frame: CadFrame, lengths_mm: dict[str, float], title: str
) -> str:
    """Both sides of a corner in the CAD frame; `check` reads it back."""
    comments = (
        title,
        f"CAD axes: forward {frame.forward}, left {frame.left}, up {frame.up}; "
        f"ground origin at {', '.join(f'{v:g}' for v in frame.ground_origin_mm)} mm",
        "millimetres, at the design position; right_ points mirror the left ones",
        *(f"{name} = {value:.6f}" for name, value in lengths_mm.items()),
        CAUTION,
    )
    rows: list[list[object]] = []
    for prefix, side in (("", points), ("right_", points.mirrored())):
        for name, value in side.items():
            rows.append([f"{prefix}{name}", *(float(v) for v in frame.to_cad(value))])
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


# --- reading -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A finished run read back: the study it answered, its record and its tables."""

    folder: Path
    study: Study
    record: dict[str, Any]
    trials: pd.DataFrame
    front: pd.DataFrame


def read_results(folder: Path) -> StoredRun:
    """Read a result folder.

    Raises:
        InputError: not a result folder, or one whose run has not finished.
    """
    record_path = folder / RUN_FILE
    if not record_path.is_file():
        raise InputError(
            str(folder),
            f"holds no {RUN_FILE}",
            "name the folder of a finished run, such as results/demo",
        )
    try:
        record = json.loads(record_path.read_text("utf-8"))
        study = read_study(folder / "inputs" / record["study_file"])
        trials = _read_frame(folder / "trials.csv")
        front = _read_frame(folder / "front.csv")
    except (KeyError, ValueError, OSError, pd.errors.ParserError) as error:
        raise InputError(
            str(folder), f"cannot be read back ({error})", "run the study again into another folder"
        ) from None
    return StoredRun(folder, study, record, trials, front)


def _read_frame(path: Path) -> pd.DataFrame:
    frame = pd.read_csv(path, comment="#", float_precision="round_trip")
    for column in ("rack", "status"):
        if column in frame:
            frame[column] = [plain_text(str(cell)) for cell in frame[column]]
    return frame
