"""The running service makes its second copy by itself, says so when it cannot, and that it can again."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from holdwater.clock import SystemClock
from holdwater.service import Service
from holdwater.store.backup import copies, verify
from place import make_site


class AheadClock:
    """The machine's clocks, set forward together by the test."""

    def __init__(self) -> None:
        self._under = SystemClock()
        self.ahead_s = 0

    def wall_ms(self) -> int:
        return self._under.wall_ms() + self.ahead_s * 1000

    def mono_s(self) -> float:
        return self._under.mono_s() + self.ahead_s

    def boot_id(self) -> str:
        return self._under.boot_id()


@contextlib.contextmanager
def running(store: Path, clock: AheadClock, more: str, *, hangs: bool = False) -> Iterator[Service]:
    """A service at work in a thread of its own, until the block ends."""
    service = Service(make_site(store, port=1, more=more), clock, believed=True)
    if hangs and service._copy is not None:
        service._copy._due_s = 1e18  # as if the stick hung from the start: no look ever comes back
    service.start()
    thread = threading.Thread(target=service.run)
    thread.start()
    try:
        yield service
    finally:
        service.stop()
        thread.join(10)
        assert not thread.is_alive()


def told(service: Service) -> bool:
    """Whether the notice about the backup is on."""
    return any((each.kind, each.subject) == ("card", "backup") for each in service.snapshot().notices)


def soon(service: Service, clock: AheadClock, check: Callable[[], object], step_s: int = 0) -> bool:
    """Whether a check comes true while ticks come, each so much later."""
    end = time.monotonic() + 15
    while time.monotonic() < end:
        if check():
            return True
        clock.ahead_s += step_s
        service._due()
        time.sleep(0.05)
    return False


def section(stick: Path) -> str:
    return f'\n[backup]\nfolder = "{stick}"\nevery = "1 day"\nkeep = 1\nsame_disk = true\n'


@pytest.mark.slow
def test_the_backup_comes_fails_is_told_and_comes_again(tmp_path: Path, caplog) -> None:
    """The real service with its store, loop and rules: a file where the folder should be, then the folder, then a day later."""
    stick, clock = tmp_path / "stick", AheadClock()
    stick.touch()
    caplog.set_level("INFO")
    with running(tmp_path / "store", clock, section(stick)) as service:
        assert soon(service, clock, lambda: told(service))
        assert "its folder is a file" in caplog.text
        stick.unlink()
        assert soon(service, clock, lambda: copies(stick), step_s=60)
        assert soon(service, clock, lambda: not told(service), step_s=60)
        [first] = copies(stick)
        assert verify(first).ok
        clock.ahead_s += 86_400
        assert soon(service, clock, lambda: copies(stick) not in ([], [first]))
        assert soon(service, clock, lambda: len(copies(stick)) == 1)
    assert caplog.text.count("no backup is made in") == 1
    assert "backups are made again" in caplog.text
    assert "No backup since" in caplog.text
    assert "Backups are made again after" in caplog.text


@pytest.mark.slow
def test_the_notice_outlives_a_restart_until_a_copy_is_made_or_none_is_asked_for(tmp_path: Path) -> None:
    """A start knows nothing of the stick before it looked: no all-clear by a restart. Without the section the matter is gone."""
    stick, clock = tmp_path / "stick", AheadClock()
    stick.touch()
    with running(tmp_path / "store", clock, section(stick)) as service:
        assert soon(service, clock, lambda: told(service))
    with running(tmp_path / "store", clock, section(stick), hangs=True) as service:
        began_s = clock.ahead_s
        assert soon(service, clock, lambda: clock.ahead_s - began_s >= 3600, step_s=120)
        assert told(service)
    with running(tmp_path / "store", clock, "") as service:
        assert told(service)
        assert soon(service, clock, lambda: not told(service), step_s=120)


@pytest.mark.slow
def test_a_service_without_a_backup_carries_nothing_of_it(tmp_path: Path) -> None:
    """A process that makes a service without the section has not loaded the module; with it, it has."""
    program = (
        "import sys; from place import make_site; from pathlib import Path; from holdwater.service import Service; "
        "Service(make_site(Path(sys.argv[1]), more=sys.argv[2])); print('holdwater.second_copy' in sys.modules)"
    )
    tests = {**os.environ, "PYTHONPATH": f"{Path(__file__).parents[1]}:{os.environ.get('PYTHONPATH', '')}"}
    said = [
        subprocess.run(
            [sys.executable, "-c", program, str(tmp_path / str(n)), more],
            env=tests,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        for n, more in enumerate(("", '\n[backup]\nfolder = "/mnt/stick"\n'))
    ]
    assert said == ["False", "True"]
