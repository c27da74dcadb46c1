"""Whatever a model says is wrong comes out in plain words, at its key."""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

import pytest
from pydantic import Field, ValidationError, field_validator

from holdwater.config.explain import problems_of
from holdwater.config.model import Length, Model
from holdwater.units import UnitError


class Part(Model):
    """A part."""

    size: Length = Field(description="Size of it.")
    pair: tuple[int, int] = Field(default=(1, 2), description="two numbers")


class Whole(Model):
    """One of everything."""

    text: str = Field(default="", max_length=3, min_length=0, description="a word")
    number: float = Field(default=1.0, gt=0, lt=10, allow_inf_nan=False, description="a number")
    either: Literal["a", "b"] | int = Field(default="a", description="a letter or a number")
    many: list[Part] = Field(default_factory=list, max_length=1, description="parts")
    by_name: dict[str, Part] = Field(default_factory=dict, description="parts by name")
    at: datetime | None = Field(default=None, description="a time")
    on: date | None = Field(default=None, description="a day")
    flag: bool = Field(default=False, description="a flag")
    odd: int = Field(default=1, description="an odd number")
    depth: float = Field(default=0.0, description="a depth")
    from_: int = Field(default=0, alias="from", ge=1, description="first one")

    @field_validator("odd")
    @classmethod
    def _odd(cls, value: int) -> int:
        if value % 2 == 0:
            raise ValueError(f"an odd number, not {value}")
        return value

    @field_validator("depth", mode="before")
    @classmethod
    def _depth(cls, value: object) -> object:
        if value == "deep":
            raise UnitError("'deep' is no depth", "a length", 'write "1 in"')
        return value


CASES = {
    "too long": ({"text": "word"}, "whole.x.text", '"word"', "at most 3 characters", "shorten it"),
    "too many": ({"many": [{"size": "1 in"}] * 2}, "whole.x.many", "[{", "at most 1 entry", "shorten it"),
    "too small": ({"number": 0}, "whole.x.number", "0", "more than 0", "correct the number"),
    "too large": ({"number": 10}, "whole.x.number", "10", "less than 10", "correct the number"),
    "no alternative": (
        {"either": "c"},
        "whole.x.either",
        '"c"',
        'one of: "a", "b"; or a whole number',
        "take one of these",
    ),
    "inside a list": ({"many": [{"size": "1 gal"}]}, "whole.x.many[1].size", "'gal'", "a unit of length", '"45 in"'),
    "inside a name": (
        {"by_name": {"k": {}}},
        "whole.x.by_name.k.size",
        "nothing",
        "length with its unit: size of it",
        '"45 in"',
    ),
    "one too few": ({"many": [{"size": "1 in", "pair": [1]}]}, "whole.x.many[1].pair", "[1]", "two numbers", "pair"),
    "one too many": (
        {"many": [{"size": "1 in", "pair": [1, 2, 3]}]},
        "whole.x.many[1].pair",
        "[1, 2, 3]",
        "at most 2",
        "shorten",
    ),
    "no time": ({"at": "noon"}, "whole.x.at", '"noon"', "date and time", "offset from UTC"),
    "no day": ({"on": "noon"}, "whole.x.on", '"noon"', "a date such as", "year-month-day"),
    "no flag": ({"flag": "maybe"}, "whole.x.flag", '"maybe"', "true or false", "without quotes"),
    "words of a model": ({"odd": 2}, "whole.x.odd", "2", "an odd number, not 2", "write odd"),
    "words of a unit": ({"depth": "deep"}, "whole.x.depth", "'deep' is no depth", "a length", 'write "1 in"'),
    "an alias": ({"from": 0}, "whole.x.from", "0", "at least 1", "correct the number"),
    "a part that is a text": ({"many": ["x"]}, "whole.x.many[1]", '"x"', "a table in { }", "{ key = value"),
    "unknown inside a list": (
        {"many": [{"size": "1 in", "sise": 1}]},
        "whole.x.many[1].sise",
        "'sise' = 1",
        "size, pair",
        "'size'",
    ),
}


@pytest.mark.parametrize("name", list(CASES))
def test_what_is_wrong_comes_out_in_plain_words(name):
    """Key, found, expected, fix."""
    data, key, found, expected, fix = CASES[name]
    with pytest.raises(ValidationError) as caught:
        Whole.model_validate(data)
    (problem,) = problems_of(caught.value, [Whole], ("whole", "x"), data)
    assert problem.key == key
    assert found in problem.found
    assert expected in problem.expected
    assert fix in problem.fix
    assert "Input should" not in problem.words()


def test_a_long_value_is_cut():
    """A screen stays readable."""
    data = {"text": "w" * 500}
    with pytest.raises(ValidationError) as caught:
        Whole.model_validate(data)
    (problem,) = problems_of(caught.value, [Whole], ("whole",), data)
    assert len(problem.found) <= 60
    assert problem.found.endswith("…")
