"""Reading a study: its file, hardpoints and racks, checked together; and the starter study."""

from __future__ import annotations

import importlib.resources
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.base.errors import InputError
from optimiser.evaluation.clearance.pairs import OWN_OBSTACLES, TYRE_OBSTACLES, column
from optimiser.evaluation.quantities import COLUMN_PART
from optimiser.linkage.hardpoints import CadFrame, read_hardpoints
from optimiser.linkage.racks import read_racks
from optimiser.metrics.roll_table import roll_travel_mm
from optimiser.study.bolting_checks import check_bolting
from optimiser.study.case import (
    Study,
    check_whole,
    frame_key,
    greatest_lock_deg,
    least_circle_m,
)
from optimiser.study.given import check_given, check_spring
from optimiser.study.keys import Span
from optimiser.study.messages import shown
from optimiser.study.problem_parts import room_of
from optimiser.study.space_frame import read_frame
from optimiser.study.start_from import START_FROM, read_copy, read_earlier
from optimiser.study.toml import expand, read_toml, validate, with_keys
from optimiser.study.wanted import check_wanted, read_wanted_outer, read_wanted_toe

if TYPE_CHECKING:
    from collections.abc import Mapping

    from optimiser.evaluation.asked import Room
    from optimiser.linkage.racks import Rack
    from optimiser.metrics.wanted import Curve
    from optimiser.study.space_frame import Tube
    from optimiser.study.start_from import EarlierDesign
    from optimiser.study.tables import StudyFile

__all__ = ["Study", "read_case", "read_study", "with_overrides", "write_starter"]

_STARTER_STUDY, *_STARTER_TABLES = "study.toml", "hardpoints.csv", "racks.csv"


# --- reading -------------------------------------------------------------------------------------


def read_study(path: Path | str, *, whole: bool = True, racks: bool = True) -> Study:
    """Read a study file, its hardpoints and its racks; paths in it are relative to it.

    Args:
        path: the study file.
        whole: require everything that a search needs; when False, `[car]` and `[hardpoints]`
            are enough, and what else is there is still checked.
        racks: require `[racks]` of what is whole, which only a search needs.

    Raises:
        InputError: anything wrong in any of the files, and in any variant.
    """
    path = Path(path)
    text, raw = read_toml(path)
    file = validate(raw, str(path))
    study = _build(path, text, file, str(path), "", whole, racks)
    variants = tuple(
        _build(path, text, validate(tables, where), where, name, whole, racks)
        for name, where, tables in expand(file, raw, str(path))
    )
    return replace(study, variants=variants)


def read_case(path: Path, variant: str, files: Mapping[str, Path]) -> Study:
    """Read one case of a study from copies of its files, wherever the study says they are.

    Args:
        path: the study file.
        variant: name of the variant; empty for the study itself.
        files: `hardpoints` and, for a study that names them, `catalogue`, `wanted_toe`,
            `wanted_outer` and files of keep-outs, see `case.frame_key`.

    Raises:
        InputError: anything that `read_study` refuses in that case, or no such variant.
    """
    text, raw = read_toml(path)
    file, where = validate(raw, str(path)), str(path)
    if variant:
        cases = {name: (at, tables) for name, at, tables in expand(file, raw, where)}
        if variant not in cases:
            raise InputError(
                where, f"has no variant {shown(variant)}", "name one of its [[variant]] tables"
            )
        where, tables = cases[variant]
        file = validate(tables, where)
    return _build(path, text, file, where, variant, True, True, files)


def with_overrides(study: Study, overrides: Mapping[str, Any], where: str) -> Study:
    """A study that was read, with some keys of its tables replaced and no file read again.

    Args:
        study: the study or the variant.
        overrides: tables with the keys that are replaced.
        where: what they come from, for messages.

    Raises:
        InputError: anything that `read_study` refuses in those tables.
    """
    changed = replace(study, file=with_keys(study.file, overrides, where), variants=())
    check_whole(changed)
    _check_together(changed, where)
    return changed


_AS_NAMED: Mapping[str, Path] = MappingProxyType({})


def _build(
    path: Path,
    text: str,
    file: StudyFile,
    where: str,
    variant: str,
    whole: bool,
    racked: bool,
    files: Mapping[str, Path] = _AS_NAMED,
) -> Study:
    frame = CadFrame(
        file.frame.forward, file.frame.left, file.frame.up, file.frame.ground_origin_mm
    )
    try:
        _ = frame.rotation
    except InputError as error:
        raise InputError(f"{where}, {error.where}", error.problem, error.remedy) from None
    table = file.hardpoints
    drawn = files.get("hardpoints") or _beside(path, table.file, f"{where}, [hardpoints] file")
    points = read_hardpoints(drawn, frame, table.unit, table.names)
    racks = _racks(path, file, where, files.get("catalogue"))
    toe, outer = _wanted(path, file, where, files)
    frames = _frames(path, file, where, files)
    earlier = _earlier(path, file, where, files)
    study = Study(
        path,
        text,
        file,
        frame,
        points,
        racks,
        variant,
        files=dict(files),
        wanted_toe=toe,
        wanted_outer=outer,
        frames=frames,
        start_from=earlier,
    )
    if whole:
        check_whole(study, racks=racked)
    _check_together(study, where)
    return study


def _beside(path: Path, name: str, where: str) -> Path:
    """Path of a file that the study names; reading it is left to those who know its format."""
    if not name.strip() or not name.isprintable():
        raise InputError(
            where, f"{shown(name)} is no file name", "give a path to a CSV file, with / and not \\"
        )
    beside = path.parent / name
    try:
        exists = beside.exists()
    except OSError:  # a name that no file system takes
        exists = False
    if not exists:
        raise InputError(
            where, f"no such file {shown(name)}", "paths start at the folder of the study file"
        )
    return beside


def _wanted(
    path: Path, file: StudyFile, where: str, copies: Mapping[str, Path]
) -> tuple[Curve | None, Curve | None]:
    """Curves of the wanted toe and of the wanted outer angle, where the study names files."""
    if file.steering is None:
        return None, None

    def at(key: str, name: str) -> Path:
        return copies.get(key) or _beside(path, name, f"{where}, [steering] {key}")

    toe, outer = file.steering.wanted_toe, file.steering.wanted_outer
    return (
        None if toe is None else read_wanted_toe(at("wanted_toe", toe)),
        None if outer is None else read_wanted_outer(at("wanted_outer", outer)),
    )


def _frames(
    path: Path, file: StudyFile, where: str, copies: Mapping[str, Path]
) -> tuple[tuple[Tube, ...], ...]:
    """Tubes of each file of keep-outs."""
    found: list[tuple[Tube, ...]] = []
    for number, item in enumerate(file.keep_out):
        if item.file is not None:
            place = f"{where}, [[keep_out]] number {number + 1} file"
            copy = copies.get(frame_key(len(found)))
            found.append(read_frame(copy or _beside(path, item.file, place)))
    return tuple(found)


def _earlier(
    path: Path, file: StudyFile, where: str, copies: Mapping[str, Path]
) -> tuple[EarlierDesign, ...]:
    """Designs that the search begins with, of the result that the study names or of the copy."""
    name = file.search.start_from
    if name is None:
        return ()
    if copy := copies.get(START_FROM):
        return read_copy(copy)
    return read_earlier(path.parent / name, f"{where}, [search] {START_FROM}")


def _racks(path: Path, file: StudyFile, where: str, copy: Path | None) -> tuple[Rack, ...]:
    if file.racks is None:
        return ()
    use = file.racks.use
    catalogue = copy or _beside(path, file.racks.catalogue, f"{where}, [racks] catalogue")
    racks = {rack.name: rack for rack in read_racks(catalogue)}
    for name in () if use == "all" else use:
        if name not in racks:
            raise InputError(
                f"{where}, [racks] use",
                f"{shown(name)} is not in {file.racks.catalogue}",
                f"it holds {', '.join(racks)}",
            )
    return tuple(rack for name, rack in racks.items() if use == "all" or name in use)


# --- checks across tables and files --------------------------------------------------------------


def _check_together(study: Study, where: str) -> None:
    """What two tables, or a table and a file, say together."""
    file = study.file
    vary, limits, car = file.search.vary, file.limits, file.car
    spacer = vary.spacer_mm
    longest = spacer.high if isinstance(spacer, Span) else float(np.max(spacer))
    if longest > limits.spacer_max_mm:
        raise InputError(
            f"{where}, [search.vary] spacer_mm",
            f"reaches {longest:g} mm, above [limits] spacer_max_mm = {limits.spacer_max_mm:g}",
            "lower the one or raise the other",
        )
    _check_objectives(study, where)
    room = room_of(file, study.frame, study.frames, study.points.inner_joint)
    _check_moving(room, where)
    _check_tyre(study, where)
    names = [item.name for item in room.keep_outs]
    if twice := next((name for name in names if names.count(name) > 1), None):
        raise InputError(
            f"{where}, [[keep_out]]", f"name {shown(twice)} stands twice", "name each differently"
        )
    shafts = file.column is not None and file.column.shaft_diameter_mm is not None
    _check_columns(names, where, tyre=room.tyre is not None, shafts=shafts)
    if file.loads is not None and car.front_axle_load_n is None:
        raise InputError(
            f"{where}, [loads]", "needs the weight on the front axle", "add [car] front_axle_load_n"
        )
    check_spring(study, where)
    _check_steering(study, where)
    check_bolting(study, where)
    check_given(study, where)
    _check_between_stops(study, where)


def _check_between_stops(study: Study, where: str) -> None:
    """A body that is lifted, lowered or rolls must leave its wheels between their stops."""
    travel, car = study.travel, study.car
    if travel is None:
        return
    for height in car.ride_heights_mm:
        end, most = ("droop", travel.droop_mm) if height > 0.0 else ("bump", travel.bump_mm)
        if abs(height) > most:
            raise InputError(
                f"{where}, [car] ride_heights_mm",
                f"at {height:+g} mm the wheel would rest {abs(height) - most:g} mm beyond its "
                f"{end} stop, [travel] {end}_mm = {most:g}",
                f"list heights from {-travel.bump_mm:g} to {travel.droop_mm:g} mm, or widen "
                "[travel]",
            )
    least = min(travel.droop_mm, travel.bump_mm)
    for roll in car.roll_angles_deg:
        wheel = abs(float(roll_travel_mm(study.points, car.attitude, np.array(roll))))
        if not wheel <= least:
            raise InputError(
                f"{where}, [car] roll_angles_deg",
                f"{roll:g} deg of roll moves each wheel by {wheel:.0f} mm, and "
                f"[travel] has {least:g} mm",
                "list smaller angles, or widen [travel]",
            )


_MIDDLE_MM = 1e-6
"""What is nearer the middle of the car is in it: a frame's origin leaves rounding of that order."""


def _check_moving(room: Room, where: str) -> None:
    """What moves is given on the left."""
    for item in room.keep_outs:
        if item.moves and not 0.5 * (item.low[1] + item.high[1]) > _MIDDLE_MM:
            raise InputError(
                f"{where}, [[keep_out]] {shown(item.name)}",
                "moves, and its middle is not on the left of the car",
                "give the one of the left corner: the right has its mirror image",
            )


def _check_tyre(study: Study, where: str) -> None:
    wheel, width = study.file.wheel, study.file.car.tyre_width_mm
    if wheel is None or wheel.tyre_diameter_mm is None:
        limit = study.file.limits
        if "tyre_clearance_mm" in limit.model_fields_set and limit.tyre_clearance_mm != "off":
            raise InputError(
                f"{where}, [limits] tyre_clearance_mm",
                "there is no tyre to keep clear",
                'give [wheel] tyre_diameter_mm, or write "off"',
            )
        return
    if width is None:
        raise InputError(
            f"{where}, [wheel] tyre_diameter_mm",
            "needs the tyre's width",
            "add [car] tyre_width_mm",
        )
    if 2.0 * wheel.tyre_shoulder_mm > width:
        raise InputError(
            f"{where}, [wheel] tyre_shoulder_mm",
            f"{wheel.tyre_shoulder_mm:g} mm is more than half the tyre's width, {width:g} mm",
            "give the radius of its outer edges",
        )


def _check_columns(names: list[str], where: str, *, tyre: bool, shafts: bool) -> None:
    """Two parts that share a column of clearances would hide one another."""
    own = {*OWN_OBSTACLES, *(TYRE_OBSTACLES if tyre else ())}
    if shafts:
        own |= {"tie_rod", COLUMN_PART} if tyre else {"tie_rod"}
    taken = {column("", name): name.replace("_", " ") for name in own}
    for name in names:
        other = taken.setdefault(column("", name), name)
        if other is not name:
            raise InputError(
                f"{where}, [[keep_out]]",
                f"name {shown(name)} cannot be told from {shown(other)} in the names of columns",
                "name it by other letters or numbers",
            )


def _check_objectives(study: Study, where: str) -> None:
    file = study.file
    objectives = file.objectives
    place = f"{where}, [objectives]"
    for name in ("bump_steer", "ackermann_error"):
        if getattr(objectives, name) == "with tolerances" and file.tolerance is None:
            raise InputError(
                f"{place} {name}", "with tolerances needs to know them", "add [tolerance]"
            )


def _check_steering(study: Study, where: str) -> None:
    steering = study.file.steering
    if steering is None:
        return
    if steering.keep_tie_rods:
        blank = [rack.name for rack in study.racks if rack.tie_rod_length_mm is None]
        if blank:
            raise InputError(
                f"{where}, [steering] keep_tie_rods",
                f"rack {shown(blank[0])} has no tie_rod_length_mm",
                "fill it in, or leave the rack out of [racks] use",
            )
    elif study.file.limits.track_growth_mm != "off":
        raise InputError(
            f"{where}, [limits] track_growth_mm",
            "nothing grows without [steering] keep_tie_rods = true",
            'remove the limit, or write "off"',
        )
    check_wanted(study, where)
    if steering.turning_circle_m is None:
        return
    place = f"{where}, [steering] turning_circle_m"
    if study.file.car.tyre_width_mm is None:
        raise InputError(
            place, "between kerbs depends on the tyre's width", "add [car] tyre_width_mm"
        )
    lock = study.inner_lock or 0.0
    most = greatest_lock_deg(study)
    if not np.degrees(lock) <= most:
        least = least_circle_m(study)
        raise InputError(
            place,
            f"{steering.turning_circle_m:g} m needs more than {most:g} deg of the inner wheel",
            f"with this wheelbase and track the least is about {least:.1f} m",
        )


# --- starter -------------------------------------------------------------------------------------


def write_starter(folder: Path) -> list[Path]:
    """Write a commented study that runs as it is, with its two CSV files, into a folder.

    The study file has the folder's name, which its results then have too.

    Returns:
        The files written, the study first.

    Raises:
        InputError: one of the files is already there, or the folder cannot be written.
    """
    source = importlib.resources.files("optimiser.study") / "starter"
    try:
        files = {_STARTER_STUDY: folder / f"{folder.resolve().name or 'study'}.toml"}
        files |= {name: folder / name for name in _STARTER_TABLES}
        folder.mkdir(parents=True, exist_ok=True)
        for target in files.values():
            if target.exists():
                raise InputError(
                    str(target), "is already there", "name a new folder: nothing is overwritten"
                )
        for name, target in files.items():
            with target.open("x", encoding="utf-8", newline="") as out:
                out.write((source / name).read_text("utf-8"))
    except OSError as error:
        raise InputError(
            str(folder), f"cannot be written ({error.strerror})", "name another folder"
        ) from None
    return list(files.values())
