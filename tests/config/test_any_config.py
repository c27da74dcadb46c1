"""Whatever stands in a config: a site or problems in words, never anything else."""

from __future__ import annotations

import copy
import datetime
import json
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.errors import ConfigError, Problem
from holdwater.sitefile import site_of

SAMPLES = sorted((Path(__file__).parents[2] / "sample_configs").glob("*.toml"))
DATA = [tomllib.loads(path.read_text(encoding="utf-8")) for path in SAMPLES]
JARGON = ("pydantic", "validation error", "Input should", "NoneType", "Traceback", "<class")

quantity = st.sampled_from(
    ["1 in", "-1 in", "0 m", "1e400 m", "1e308 m", "9999 gal", "3 psi", "-300 degC", "nan in", "5 %", "1 s", "$3"]
)
names = st.sampled_from(
    ["drinking", "garden", "box", "ultrasonic", "a:b", "tank", "", "x" * 100, "../..", "\x7f", "ä ö", "off", "log"]
)
plain = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.booleans(),
    st.sampled_from([math.nan, math.inf, -0.0, 1e308]),
    quantity,
    names,
    st.just(datetime.date(2026, 1, 1)),
    st.just(datetime.datetime(1, 1, 1, tzinfo=datetime.UTC)),
    st.just(datetime.datetime(2026, 1, 1)),  # noqa: DTZ001 - TOML has local times too
    st.just(datetime.time(1, 2)),
)
values = st.recursive(
    plain, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=3), max_leaves=5
)


def places(data: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place of a config."""
    found = [at] if at else []
    if isinstance(data, dict):
        return found + [each for key, value in data.items() for each in places(value, (*at, key))]
    if isinstance(data, list):
        return found + [each for place, value in enumerate(data) for each in places(value, (*at, place))]
    return found


def toml(value: Any) -> str:
    """A value as TOML, tables inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(each)}" for key, each in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(each) for each in value) + "]"
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value)
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def text_of(data: dict[str, Any]) -> str:
    return "\n".join(f"{json.dumps(key)} = {toml(value)}" for key, value in data.items())


@st.composite
def broken(draw) -> str:
    """A sample config with some values replaced, some taken out, some added."""
    data = copy.deepcopy(draw(st.sampled_from(DATA)))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.sampled_from(places(data)))
        inside = data
        for part in at[:-1]:
            inside = inside[part]
        what = draw(st.sampled_from(["replace", "remove", "add"]))
        if what == "replace":
            inside[at[-1]] = draw(values)
        elif what == "remove":
            del inside[at[-1]]
        elif isinstance(inside, dict):
            inside[draw(st.one_of(names, st.sampled_from(list(inside)).map(lambda key: key[:-1] + "x")))] = draw(values)
        else:
            inside.append(draw(values))
    return text_of(data)


@pytest.mark.slow
@settings(max_examples=120)
@given(broken())
def test_any_change_of_a_sample_gives_a_site_or_problems_in_words(text):
    """No other exception, no jargon, no problem without a fix."""
    problems: tuple[Problem, ...] = ()
    try:
        assert site_of(text, "/nowhere/site.toml", {}).sha
    except ConfigError as error:
        problems = error.problems
    for problem in problems:
        assert problem.key
        assert problem.found
        assert problem.expected
        assert problem.fix
        assert not any(word in problem.words() for word in JARGON), problem.words()


def test_the_samples_written_in_one_line_each_mean_the_same():
    """The writer of this test is right: SHA-256 of the canonical form does not change."""
    for path, data in zip(SAMPLES, DATA, strict=True):
        one = site_of(path.read_text(encoding="utf-8"), str(path), {})
        assert site_of(text_of(data), str(path), {}).sha == one.sha
