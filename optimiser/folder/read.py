"""A result folder read back: the study that it answered, and its designs, from its files alone."""

from __future__ import annotations

import csv
import json
import os
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.break_even import BREAK_EVEN_FILE, from_table
from optimiser.answer.run_result import RUN_FILE, RunResult, UnitResult
from optimiser.base.errors import InputError
from optimiser.base.files import plain_text, table_lines
from optimiser.evaluation.problem import Designs, Evaluation
from optimiser.evaluation.quantities import CLOSEST_WORDS
from optimiser.folder.sums import TRIALS_SUMS, check_sums
from optimiser.study.case import frame_key
from optimiser.study.read import read_case
from optimiser.study.start_from import START_FROM

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from optimiser.answer.break_even import Evens
    from optimiser.evaluation.problem import Problem
    from optimiser.study.read import Study

    Columns = dict[str, NDArray[Any]]

INPUTS = "inputs"
INPUTS_HASH = "inputs_hash"
"""Of `run.json`: the hash of what was understood of the inputs."""
_SAME = 1e-6
"""Numbers of one design that differ by less, or by a share that is less, are the same."""
_MOST_CHECKED = 100
_TEXT = ("rack", "origin", "status")
_AFTER = ("on_front", "origin", "status")


def input_path(folder: Path, kind: str) -> Path:
    """Where a result folder keeps a copy of an input, by its kind as in `Study.inputs`."""
    return folder / INPUTS / ("study.toml" if kind == "study" else f"{kind}.csv")


@dataclass(frozen=True)
class StoredRun:
    """A result folder read back.

    Attributes:
        folder: where it lies.
        study: the study as it was when the run began, or the variant that it is of.
        record: content of `run.json`.
        columns: those of `trials.csv`, a cell for each design; racks as in the catalogue.
        result: the same as arrays, what a run has in memory.
    """

    folder: Path
    study: Study
    record: dict[str, Any]
    columns: Columns
    result: RunResult

    @property
    def problem(self) -> Problem:
        """The problem that the study poses."""
        return self.result.problem

    @cached_property
    def trials(self) -> pd.DataFrame:
        """Every design, a row each."""
        import pandas as pd  # commands that show one design need not wait for it

        return pd.DataFrame(self.columns)

    @cached_property
    def front(self) -> pd.DataFrame:
        """Rows of the front over all racks, by rising bump steer."""
        return self.trials.iloc[self.result.front]

    def row(self, design: int) -> int:
        """Row of a design by its number in `trials.csv`.

        Raises:
            InputError: there is no such design.
        """
        if not 1 <= design <= len(self.trials):
            raise InputError(
                f"{self.folder / 'trials.csv'}",
                f"holds no design {design}",
                f"give a number from 1 to {len(self.trials)}",
            )
        return design - 1

    def check(self, rows: Sequence[int]) -> None:
        """Evaluate designs again: what is shown is what the study makes of them, not a cell.

        Raises:
            InputError: `trials.csv` has another number than that.
        """
        if not rows:
            return
        again = self.problem.evaluate(self.result.designs.select(np.array(rows)))
        limits = (f"limit_{name}" for name in self.problem.constraint_names)
        now = again.metrics | dict(zip(limits, again.constraints.T, strict=True))
        for name in (name for name in now if name in self.columns):
            found, written = now[name], self.columns[name][list(rows)]
            other = np.isfinite(found) & ~np.isclose(written, found, rtol=_SAME, atol=_SAME)
            for at in np.flatnonzero(other)[:1]:
                raise InputError(
                    f"{self.folder / 'trials.csv'}, design {rows[at] + 1}",
                    f"says {name} {written[at]:.6g}, and computed it is {found[at]:.6g}",
                    "put the file back as it was, or run the study again into another folder",
                )


def read_results(folder: Path | str) -> StoredRun:
    """Read a result folder.

    Raises:
        InputError: not a result folder, one whose run has written nothing yet, or one whose files
            were changed or lost; inputs that say something else than when it ran, too.
    """
    folder = Path(folder)
    record = _record(folder)
    try:
        study = _study(folder, record)
        problem = study.problem()
        columns = _columns(folder / "trials.csv")
        evens = _break_even(problem, folder / BREAK_EVEN_FILE)
        result = RunResult(study, problem, _units(problem, record, columns), evens)
    except (KeyError, TypeError, ValueError, StopIteration, OSError, csv.Error) as error:
        raise _unreadable(folder, error) from None
    stored = StoredRun(folder, study, record, columns, result)
    foremost = [] if result.foremost is None else [result.foremost]
    stored.check(sorted({*result.compared_rows, *_spread(result.front), *foremost}))
    check_sums(folder / "trials.csv", record.get(TRIALS_SUMS, {}), columns)
    return stored


def _spread(front: NDArray[np.intp]) -> list[int]:
    """Rows of a front, evenly spread ones where there are very many."""
    spread = np.linspace(0, len(front) - 1, min(len(front), _MOST_CHECKED))
    return [int(front[round(at)]) for at in spread]


def _record(folder: Path) -> dict[str, Any]:
    path = folder / RUN_FILE
    # os.path, for a name that no file system takes is no such file either.
    if not os.path.isfile(path):
        found = folder.glob(f"*/{RUN_FILE}") if os.path.isdir(folder) else ()
        variants = sorted(p.parent.name for p in found)
        remedy = "name the folder of a run, such as results/demo"
        if variants:
            remedy = f"name one of its variants, such as {folder / variants[0]}"
        raise InputError(str(folder), f"holds no {RUN_FILE}", remedy)
    try:
        record = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise _unreadable(folder, error) from None
    if not isinstance(record, dict):
        raise _unreadable(folder, ValueError(f"{RUN_FILE} is no table"))
    return record


def _unreadable(folder: Path, error: Exception) -> InputError:
    reason = f"no {error}" if isinstance(error, KeyError) else str(error)
    return InputError(
        str(folder), f"cannot be read back ({reason})", "run the study again into another folder"
    )


def _study(folder: Path, record: dict[str, Any]) -> Study:
    frames = (path.stem for path in (folder / INPUTS).glob(f"{frame_key(0)}*.csv"))
    files = {
        kind: path
        for kind in ("hardpoints", "catalogue", "wanted_toe", "wanted_outer", START_FROM, *frames)
        if (path := input_path(folder, kind)).is_file()
    }
    study = read_case(input_path(folder, "study"), str(record["variant"]), files)
    # Results of before the hash was kept have none.
    if record.get(INPUTS_HASH, study.inputs_hash) != study.inputs_hash:
        raise InputError(
            str(folder / INPUTS),
            "does not say any more what this run answered",
            "put the files back as they were, or run the changed study into another folder",
        )
    if "prefer" not in record["study"]["search"]:
        # Chosen before the key came, when the best design won: the files beside it are of that one.
        search = study.file.search.model_copy(update={"prefer": "best"})
        study = replace(study, file=study.file.model_copy(update={"search": search}))
    if study.file.title:
        return study
    # The copy is called study.toml, but a study without a title goes by its own file's name.
    stem = Path(str(record["study"]["derived"]["study_file"])).stem
    return replace(study, file=study.file.model_copy(update={"title": stem}))


def _break_even(problem: Problem, path: Path) -> Evens | None:
    """Break-even of the racks, None where the run has not worked it out."""
    if not path.is_file():
        return None
    cells = _cells(path)
    cells["rack"] = tuple(map(plain_text, cells.get("rack", ())))
    return from_table(problem, cells)


def _cells(path: Path) -> dict[str, tuple[str, ...]]:
    """Cells of a table by its columns."""
    table = csv.reader(table_lines(path), strict=True)
    names = next(table)
    rows = list(filter(None, table))
    return dict(zip(names, zip(*rows, strict=True), strict=True)) if rows else {}


def _columns(path: Path) -> Columns:
    """Columns of a table of designs."""
    cells = _cells(path)
    columns = {name: _column(name, given) for name, given in cells.items()}
    if columns["design"].tolist() != list(range(1, len(columns["design"]) + 1)):
        raise ValueError("trials.csv does not number its designs 1, 2, 3, ...")
    return columns


def _column(name: str, cells: Sequence[str]) -> NDArray[Any]:
    """Cells of one column; Python reads back every float as it was written."""
    if name in _TEXT or name in CLOSEST_WORDS:
        return np.array([plain_text(cell) for cell in cells], dtype=object)
    if name == "design":
        return np.array([int(cell) for cell in cells], dtype=np.int64)
    if name == "on_front":
        return np.array([cell.lower() == "true" for cell in cells], dtype=bool)
    return np.array([float(cell) if cell else np.nan for cell in cells], dtype=float)


def _units(problem: Problem, record: dict[str, Any], columns: Columns) -> tuple[UnitResult, ...]:
    names = [rack.name for rack in problem.racks]
    designs = Designs(
        np.array([names.index(name) for name in columns["rack"]], dtype=np.intp),
        np.stack([columns[name] for name in problem.columns], axis=1),
    )
    outcome = _evaluation(problem, columns)
    origin = columns["origin"]
    counts = [int(unit["designs"]) for unit in record["units"]]
    if sum(counts) != len(designs):
        raise ValueError(f"trials.csv holds {len(designs)} designs, {RUN_FILE} says {sum(counts)}")
    units, start = [], 0
    for unit, count in zip(record["units"], counts, strict=True):
        part = slice(start, start + count)
        start += count
        units.append(
            UnitResult(
                rack=names.index(unit["rack"]),
                seed=int(unit["seed"]),
                designs=designs.select(part),
                evaluation=outcome.select(part),
                origin=origin[part],
                stop_reason=str(unit["stopped_because"]),
                seconds={name: float(value) for name, value in unit["seconds"].items()},
                dropped=str(unit["dropped"]),
                finished=bool(unit["finished"]),
                starts=_starts(unit),
            )
        )
    return tuple(units)


def _starts(unit: dict[str, Any]) -> tuple[int, int]:
    found = unit.get("independent_starts", {"agree": 0, "followed": 0})
    return int(found["agree"]), int(found["followed"])


def _evaluation(problem: Problem, columns: Columns) -> Evaluation:
    limits = [f"limit_{name}" for name in problem.constraint_names]
    given = ("design", "rack", *problem.columns, *limits, *_AFTER, *CLOSEST_WORDS)
    metrics = {name: values for name, values in columns.items() if name not in given}
    objectives = problem.objective_values(metrics)
    # Price and mass are known of a design that cannot assemble; as objectives they are not.
    assembles = np.asarray(~np.isnan(objectives).any(axis=1))
    objectives[~assembles] = np.nan
    constraints = np.stack([columns[name] for name in limits], axis=1)
    # A blank cell of a design that exists: its rack has no such limit.
    constraints[assembles[:, None] & np.isnan(constraints)] = -np.inf
    closest = {name: columns[name] for name in CLOSEST_WORDS if name in columns}
    return problem.evaluation(objectives, constraints, metrics, columns["status"], closest)
