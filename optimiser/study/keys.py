"""What every table of a study file has in common: described keys, plausible ranges, refusals."""

from __future__ import annotations

from typing import Annotated, Any, NoReturn, Self, cast

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

# Factors to the unit of a key from units that it is often written in by mistake.
_MISTAKEN_UNITS = {
    "mm": {"metres": 1000.0, "inches": 25.4, "centimetres": 10.0},
    "m": {"feet": 0.3048, "millimetres": 0.001, "centimetres": 0.01},
    "deg": {"radians": 57.29577951308232, "minutes of arc": 1.0 / 60.0},
    "N": {"kilograms": 9.80665, "kilonewtons": 1000.0},
    "kPa": {"bar": 100.0, "pounds per square inch": 6.894757, "pascals": 0.001},
    "GPa": {"megapascals": 0.001},
    "MPa": {"pascals": 1e-6, "gigapascals": 1000.0},
    "1": {"per cent": 0.01},
}
_MINUTES_UP_TO_DEG = 5.0  # nobody writes a larger angle in minutes of arc
_GREATEST = 1e300  # a longer integer cannot be made a float


class Table(BaseModel):
    """Base of every table: frozen, no unknown keys, no conversions, no infinities.

    A number outside the plausible range of its key is refused with a guess at the unit.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    @field_validator("*", mode="after")
    @classmethod
    def _plausible(cls, value: Any, info: ValidationInfo) -> Any:
        extra = cls.model_fields[info.field_name or ""].json_schema_extra
        if not isinstance(extra, dict) or extra.get("low") is None:
            return value
        low, high = cast("float", extra["low"]), cast("float", extra["high"])
        unit = str(extra["unit"])
        paired = bool(extra["of_pairs"]) and isinstance(value, tuple)
        for number in _numbers(tuple(second for _, second in value) if paired else value):
            if not low <= number <= high:
                shown = "" if unit == "1" else f" {unit}"
                guess = _guess(number, low, high, unit)
                text = f"{number:.6g}" if abs(number) < _GREATEST else "that"
                refuse(
                    f"{text} is not between {low:g} and {high:g}{shown}{guess}",
                    f"check the value{f', which is in {unit}' if shown else ''}",
                )
        return value


def key(
    description: str,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    *,
    absent: str = "",
    alias: str | None = None,
    empty: bool = False,
    of_pairs: bool = False,
) -> Any:
    """Description of one key, for messages and for the table of keys.

    Args:
        description: what it means, a few words to a sentence.
        unit: its unit; "1" for a plain number, empty where it is no number.
        low: least plausible value.
        high: greatest plausible value.
        absent: what holds when the key is left out and its default does not say so.
        alias: the key's name where Python cannot spell it.
        empty: the default is an empty sub-table.
        of_pairs: where the value is a list of pairs, unit and range are of the second of each.
    """
    extra: dict[str, Any] = {
        "unit": unit,
        "low": low,
        "high": high,
        "absent": absent,
        "of_pairs": of_pairs,
    }
    if empty:
        return Field(
            default_factory=dict, description=description, json_schema_extra=extra, alias=alias
        )
    return Field(description=description, json_schema_extra=extra, alias=alias)


def refuse(problem: str, remedy: str, place: str = "") -> NoReturn:
    """Refuse a table from inside a validator; `place` names the key in it.

    Raises:
        PydanticCustomError: always; `study.toml` turns it into one line.
    """
    raise PydanticCustomError(
        "refused",
        "{problem}; {remedy}",
        {"problem": problem, "remedy": remedy, "place": place},
    )


class Span(Table):
    """A range to search, `{from = LOW, to = HIGH}`."""

    low: Annotated[float, key("lower bound", alias="from")]
    high: Annotated[float, key("upper bound", alias="to")]

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low > self.high:
            refuse(f"from = {self.low:g} is above to = {self.high:g}", "exchange them")
        return self


def kind_of(value: Any) -> str | None:
    """What a value of several spellings is: its tag in the union, or None for no spelling."""
    if isinstance(value, bool):
        return None
    if isinstance(value, str):
        return "word"
    if isinstance(value, (int, float)):
        return "number"
    if isinstance(value, (list, tuple)):
        return "stock"
    return "range" if isinstance(value, (dict, Table)) else None


def _as_tuple(value: Any) -> Any:
    """TOML has lists; the models are frozen and keep tuples."""
    return tuple(value) if isinstance(value, list) else value


FROM_LIST = BeforeValidator(_as_tuple)
Point = Annotated[tuple[float, float, float], FROM_LIST]
"""Three coordinates."""


def _numbers(value: Any) -> list[float]:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return [value]
    if isinstance(value, tuple):
        return [number for item in value for number in _numbers(item)]
    if isinstance(value, Table):
        return [
            number for name in type(value).model_fields for number in _numbers(getattr(value, name))
        ]
    return []


def _guess(number: float, low: float, high: float, unit: str) -> str:
    """The units in which the number would be plausible."""
    if not abs(number) < _GREATEST:
        return ""
    found = [
        name
        for name, factor in _MISTAKEN_UNITS.get(unit, {}).items()
        if low <= number * factor <= high
        and (name != "minutes of arc" or high <= _MINUTES_UP_TO_DEG)
    ]
    if not found and low <= -number <= high:
        found = ["the wrong sign"]
    return f", and looks like {' or '.join(found)}" if found else ""
