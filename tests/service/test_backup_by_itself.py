"""The running service makes its second copy by itself, says so when it cannot, and that it can again."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
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


@pytest.mark.slow
def test_the_backup_comes_fails_is_told_and_comes_again(tmp_path: Path, caplog) -> None:
    """The real service with its store, loop and rules: a file where the folder should be, then the folder, then a day later."""
    stick = tmp_path / "stick"
    stick.touch()
    more = f'\n[backup]\nfolder = "{stick}"\nevery = "1 day"\nkeep = 1\nsame_disk = true\n'
    clock = AheadClock()
    service = Service(make_site(tmp_path / "store", port=1, more=more), clock, believed=True)
    caplog.set_level("INFO")
    service.start()
    thread = threading.Thread(target=service.run)
    thread.start()

    def told() -> bool:
        return any((each.kind, each.subject) == ("card", "backup") for each in service.snapshot().notices)

    def soon(check: Callable[[], object], step_s: int = 0) -> bool:
        end = time.monotonic() + 15
        while time.monotonic() < end:
            if check():
                return True
            clock.ahead_s += step_s
            service._due()
            time.sleep(0.1)
        return False

    try:
        assert soon(told)
        assert "its folder is a file" in caplog.text
        stick.unlink()
        assert soon(lambda: copies(stick), step_s=60)
        assert soon(lambda: not told(), step_s=60)
        assert "backups are made again" in caplog.text
        [first] = copies(stick)
        assert verify(first).ok
        clock.ahead_s += 86_400
        assert soon(lambda: copies(stick) not in ([], [first]))
        assert soon(lambda: len(copies(stick)) == 1)
    finally:
        service.stop()
        thread.join(10)
    assert not thread.is_alive()
    assert "No backup since" in caplog.text
    assert "Backups are made again after" in caplog.text


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
