"""Fixtures of the demo's tests."""

from __future__ import annotations

import pytest

from season_fixture import Recorded, record


@pytest.fixture(scope="session")
def recorded() -> Recorded:
    """The season as the demo replays it, made once."""
    return record()
