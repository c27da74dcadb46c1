"""Helpers for tests of the config: a small right site, and everything that is wrong with a text."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from holdwater.config.site import Site
from holdwater.errors import ConfigError, Problem
from holdwater.sitefile import site_of

SITE = '[site]\nname = "Test"\ntimezone = "America/Denver"\n'
TANK = """
[tank.drinking]
use = "drinking"
shape = { kind = "upright cylinder", diameter = "42 in", height = "66 in" }
outlet = "3 in"
overflow = "62 in"
reserve = "90 gal"
"""

Read = Callable[..., Site]
Problems = Callable[..., dict[str, Problem]]


@pytest.fixture
def read(tmp_path) -> Read:
    """Reads a text as the config of a folder of its own, with [site] and a tank before it unless told otherwise."""

    def read_text(text: str, environ: Mapping[str, str] | None = None, before: str = SITE + TANK) -> Site:
        return site_of(before + text, str(tmp_path / "site.toml"), environ or {})

    return read_text


@pytest.fixture
def problems_of(read) -> Problems:
    """Every problem of a text, by key; fails when there is none."""

    def find(text: str, environ: Mapping[str, str] | None = None, before: str = SITE + TANK) -> dict[str, Problem]:
        with pytest.raises(ConfigError) as caught:
            read(text, environ, before)
        keys = [problem.key for problem in caught.value.problems]
        assert len(keys) == len(set(keys)), "one problem a key"
        return {problem.key: problem for problem in caught.value.problems}

    return find
