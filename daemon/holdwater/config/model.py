"""What every part of the config is made of: a strict base model and quantities written as text.

Every model of the config derives from `Model`: unknown keys are errors, values are frozen once read.
Quantities are annotated types (`Length`, `Volume`, …): the file holds text with a unit, the model holds an SI float.
A model may raise `UnitError` or `problem(...)` in a validator; `config.load` turns all of them into `errors.Problem`s
with the dotted key, the value found, what was expected and the fix.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError

from holdwater.units import EXAMPLES, Dimension, UnitError, parse


class Model(BaseModel):
    """Base of every config model: strict about names, frozen, explained by `Field(description=…)`."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, hide_input_in_errors=True)


def problem(found: str, expected: str, fix: str, key: str = "") -> PydanticCustomError:
    """An error to raise in a validator; `config.load` shows it as found, expected, fix.

    Args:
        found: the value found, in words ("overflow 70 in").
        expected: what would have been right ("at most the height, 64 in").
        fix: what to do ("lower overflow or raise height").
        key: key below the model at which to show it, dotted, if it is not the model itself ("overflow").
    """
    return PydanticCustomError("holdwater", "{found}", {"found": found, "expected": expected, "fix": fix, "key": key})


def _reads(dimension: Dimension) -> BeforeValidator:
    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, str):
            raise problem(
                f"{value!r} has no unit"
                if isinstance(value, int | float) and not isinstance(value, bool)
                else f"{value!r}",
                f"a {dimension} as text with its unit",
                f'write it like "{EXAMPLES[dimension]}", in quotes',
            )
        try:
            return parse(value, dimension)
        except UnitError as error:
            raise problem(error.found, error.expected, error.fix) from None

    return BeforeValidator(read)


Length = Annotated[float, _reads("length")]
Area = Annotated[float, _reads("area")]
Volume = Annotated[float, _reads("volume")]
Flow = Annotated[float, _reads("flow")]
Pressure = Annotated[float, _reads("pressure")]
Temperature = Annotated[float, _reads("temperature")]
TemperatureDifference = Annotated[float, _reads("temperature difference")]
Duration = Annotated[float, _reads("time")]
Ratio = Annotated[float, _reads("ratio")]
Angle = Annotated[float, _reads("angle")]
Voltage = Annotated[float, _reads("voltage")]
Current = Annotated[float, _reads("current")]
Mass = Annotated[float, _reads("mass")]
Insulation = Annotated[float, _reads("insulation")]
Speed = Annotated[float, _reads("speed")]
Money = Annotated[float, _reads("money")]
