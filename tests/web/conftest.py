"""Fixtures: the invented household served on a free loopback port."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from web.household import household
from web.serving import Served


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    """Serve a site with a snapshot; all servers end with the test."""
    running: list[Served] = []

    def start(*args: object, **more: object) -> Served:
        served = Served(*(args or (household(),)), **more)  # type: ignore[arg-type]
        running.append(served)
        return served

    yield start
    for served in running:
        served.server.stop()


@pytest.fixture
def page(serve: Callable[..., Served]) -> Served:
    """The household on a good day."""
    return serve()
