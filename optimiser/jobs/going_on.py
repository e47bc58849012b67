"""Whether what lies in a folder is a part of what is asked now, so that a run goes on from there.

More of the same may be asked: more trials, a later end of each search, more time, more racks or
variants. Whatever else changes makes it another question. Journals say themselves of which unit
they are, so that a folder whose state was lost is gone on with too; how long each search was to be
stands in the state.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from optimiser import __version__
from optimiser.folder.claim import RECORD_FOLDER, question_hash
from optimiser.linkage.racks import PLUS_MINUS
from optimiser.search.journal import Identity, read_identity
from optimiser.study.tables import SearchTable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from optimiser.jobs.unit import UnitSpec
    from optimiser.linkage.racks import Rack
    from optimiser.study.read import Study

LENGTHS = ("trials", "stop_window", "give_up_after")
"""What says how long a search is."""
ENDLESS = ("stop_window", "give_up_after")
"""Of these 0 is the longest."""

_NO_MATTER = ("hours", "start_from")
"""Of `[search]` what decides no design: of an earlier result its designs count, not its place."""

# --- what is asked -------------------------------------------------------------------------------


def search_asked(record: Mapping[str, Any], *without: str) -> dict[str, Any]:
    """The search of a resolved study without what decides no design, and without some keys."""
    search = {key: v for key, v in record["search"].items() if key not in (*_NO_MATTER, *without)}
    # Which rack wins decides no design: a run that was cut off before the key came goes on.
    if search["prefer"] == SearchTable().prefer:
        del search["prefer"]
    return search


def case_question(study: Study, *, quick: bool) -> str:
    """Hash of what all units of a case ask, but for rack and seed, however long they search."""
    record = study.resolved()
    record["search"] = search_asked(record, *LENGTHS)
    record["quick"] = quick
    record.pop("parts", None)  # what is bought decides no design
    del record["racks"], record["derived"]["racks"], record["seed"]
    return question_hash(
        [__version__.encode(), json.dumps(record, sort_keys=True, default=str).encode()]
    )


def unit_question(case: str, rack: Rack, seed: int) -> str:
    """Hash of what one unit asks; `case` is that of its case."""
    decides = {name: value for name, value in asdict(rack).items() if name not in PLUS_MINUS}
    return question_hash([case.encode(), json.dumps([decides, seed]).encode()])


def lengths_of(plan: Mapping[str, Sequence[UnitSpec]]) -> dict[str, dict[str, int]]:
    """How long the searches are, by the folder of their case; for the state."""
    return {
        folder: {name: getattr(specs[0].settings, name) for name in LENGTHS}
        for folder, specs in plan.items()
    }


# --- what is there -------------------------------------------------------------------------------


def holds_part(
    folder: Path, state: Mapping[str, Any], plan: Mapping[str, Sequence[UnitSpec]]
) -> bool:
    """Whether all of a folder's journals are of units that are asked, and asked for no less.

    Args:
        folder: where the run was.
        state: what its state file says; empty where that was lost.
        plan: units that are asked, by the folder of their case in the study's; it is empty for the
            study itself.
    """
    before, now = state.get("lengths"), lengths_of(plan)
    if isinstance(before, dict) and not _no_shorter(before, now):
        return False
    asked = {(case, Identity(s.label, s.question)) for case, specs in plan.items() for s in specs}
    found = [(case, identity) for case, _, identity in _journals(folder)]
    return bool(found) and asked.issuperset(found)


def known_records(folder: Path) -> dict[str, Path]:
    """Journals in one case's folder, by the names of their studies."""
    return {identity.study_name: path for case, path, identity in _journals(folder) if not case}


def _journals(folder: Path) -> Iterator[tuple[str, Path, Identity]]:
    """Journals of a folder and of those in it: name of that folder, path, of which unit.

    One whose first lines are damaged is left out: it will be begun again.
    """
    for record in (folder / RECORD_FOLDER, *sorted(folder.glob(f"*/{RECORD_FOLDER}"))):
        case = "" if record.parent == folder else record.parent.name
        for path in sorted(record.glob("*.journal")):
            identity = read_identity(path)
            if identity is not None:
                yield case, path, identity


def _no_shorter(before: dict[str, Any], now: dict[str, dict[str, int]]) -> bool:
    """Whether every search that was asked for is asked for again, for as long or longer."""
    return all(
        case in now and isinstance(lengths, dict) and _reaches(lengths, now[case])
        for case, lengths in before.items()
    )


def _reaches(before: dict[str, Any], now: dict[str, int]) -> bool:
    def length(of: dict[str, Any], name: str) -> float:
        return float("inf") if name in ENDLESS and not of[name] else float(of[name])

    try:
        return all(length(now, name) >= length(before, name) for name in LENGTHS)
    except (KeyError, TypeError, ValueError):  # no state that we wrote
        return True
