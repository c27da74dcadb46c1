"""`holdwater clock`: the owner's word over the control socket, and every refusal in words."""

from __future__ import annotations

from pathlib import Path

import pytest

from holdwater.clock import SetClock
from holdwater.service import Service
from holdwater.trust import GuidedClock
from place import START_MS, make_site, run_command


@pytest.mark.slow
def test_a_trusted_clock_is_shown_and_not_moved(make_daemon) -> None:
    """By the machine that runs the tests, whose clock is believed; exit code 3 and a way on."""
    daemon = make_daemon(port=1).start()
    daemon.wait_for("ready: ")
    config = ("--config", str(daemon.config))
    shown = run_command("clock", *config)
    assert shown.returncode == 0
    assert shown.stdout.strip().endswith(": trusted")
    moved = run_command("clock", "--set", "2031-10-10 16:20", *config)
    assert moved.returncode == 3
    assert "trusted already" in moved.stderr
    assert "Traceback" not in moved.stderr
    early = run_command("clock", "--set", "2024-10-10 16:20", *config)
    assert "before this program was made" in early.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(("--set", "teatime"), "time 'teatime'"), (("--right", "--set", "2026-10-10 16:20"), "one of the two")],
)
def test_a_mistake_on_the_command_line_is_said(tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    """Before anything is asked of the service."""
    from place import text_of

    config = tmp_path / "site.toml"
    config.write_text(text_of(tmp_path / "store"))
    done = run_command("clock", *arguments, "--config", str(config))
    assert done.returncode != 0
    assert words in done.stderr


def test_a_phone_puts_the_clock_of_a_service_right_and_the_snapshot_says_so_at_once(tmp_path: Path) -> None:
    """A board that woke in 1970; the same door that the page uses."""
    clock = GuidedClock(SetClock(60_000))
    service = Service(make_site(tmp_path / "store"), clock)
    try:
        assert not service.snapshot().clock_trusted
        answer = service.ask("time", {"source": "phone", "wall_ms": START_MS})
        assert (answer["clock"], clock.wall_ms()) == ("trusted", START_MS)
        for event in service._inbox.take(10, 0.0):
            service.loop.handle(event)
        service.loop.commit()
        assert service.snapshot().clock_trusted
        assert "error" in service.ask("time", {"source": "phone", "wall_ms": START_MS + 3_600_000})
    finally:
        service._close()
