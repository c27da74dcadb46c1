"""The daemon of a test: a real child process with a real broker."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from place import Daemon, text_of


@pytest.fixture
def make_daemon(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """`make_daemon(port=…, listen=…, more=…)`: a daemon that is not started yet; all end with the test."""
    made: list[Daemon] = []

    def make(*arguments: str, environment: dict[str, str] | None = None, **settings: object) -> Daemon:
        text = text_of(tmp_path / "store", **settings)  # type: ignore[arg-type]
        daemon = Daemon(tmp_path, text, arguments, environment or {})
        made.append(daemon)
        return daemon

    yield make
    for daemon in made:
        daemon.end()
