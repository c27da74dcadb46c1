"""I/O errors, a full card, a read-only card: acknowledgements wait, the service lives or ends for its supervisor, nothing is lost."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import need
from faults.sender import Sender
from faults.tracer import Tracer
from holdwater.control import ask

pytestmark = pytest.mark.slow


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own, 6 MB, in memory."""
    need(os.geteuid() == 0, "only root may mount a file system")
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    need(done.returncode == 0, "a file system cannot be mounted here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def running(make_daemon, broker, **settings):
    daemon = make_daemon(port=broker.port, commit_every="0.2 s", **settings).start()
    daemon.wait_for("connected to")
    return daemon


@pytest.mark.parametrize("call", ["fdatasync", "pwrite64"])
@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
def test_one_failed_call_is_mended_without_a_restart(make_daemon, broker, tmp_path, call, error) -> None:
    """The batch is held, the file opened anew, and written again; then the broker is answered."""
    daemon = running(make_daemon, broker)
    sender = Sender(broker.port)
    sender.send(5)
    assert len(sender.found(tmp_path / "store")) == 5
    tracer = Tracer(daemon.process.pid, f"{call}:error={error}:when=1", tmp_path)
    sender.send(30)
    daemon.wait_for("the store can be written again")
    tracer.end()
    assert tracer.hits == 1
    assert set(sender.found(tmp_path / "store")) == sender.expected()
    assert "the store cannot be written" in daemon.log
    assert daemon.stop() == 0


@pytest.mark.parametrize("call", ["fdatasync", "pwrite64"])
def test_a_card_that_keeps_failing_ends_the_service_for_its_supervisor(make_daemon, broker, tmp_path, call) -> None:
    """Twice the same I/O error: exit code other than 0, words instead of a traceback, nothing acknowledged; the next start has all."""
    daemon = running(make_daemon, broker)
    sender = Sender(broker.port)
    tracer = Tracer(daemon.process.pid, f"{call}:error=EIO:when=1+", tmp_path)
    sender.send(30)
    code = daemon.process.wait(20)
    tracer.end()
    assert code not in (0, -9), daemon.log
    assert "the store failed twice" in daemon.log
    assert "Traceback" not in daemon.log
    daemon.start()
    assert set(sender.found(tmp_path / "store")) == sender.expected()


def test_a_full_card_is_held_out_and_all_is_written_when_there_is_room(make_daemon, broker, tmp_path) -> None:
    """No space for 3 s at any write: no acknowledgement, a notice, the ballast given up, and then everything is there."""
    daemon = running(make_daemon, broker)
    sender = Sender(broker.port)
    sender.send(5)
    assert len(sender.found(tmp_path / "store")) == 5
    tracer = Tracer(daemon.process.pid, "pwrite64:error=ENOSPC:when=1+", tmp_path)
    sender.send(300)
    daemon.wait_for("the disk is full: the ballast file is given up")
    assert not (tmp_path / "store" / "ballast").exists()
    wait_for_notice(tmp_path / "store", "card")
    assert len(sender.found(tmp_path / "store", most_s=2)) == 5
    assert daemon.process.poll() is None
    tracer.end()
    daemon.wait_for("the store can be written again")
    assert set(sender.found(tmp_path / "store")) == sender.expected()
    assert daemon.stop() == 0


@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
def test_a_fault_in_slack_work_ends_as_one_at_a_commit(make_daemon, broker, tmp_path, error) -> None:
    """Roll-ups meet the broken card too: no traceback, and nothing is lost."""
    daemon = running(make_daemon, broker)
    sender = Sender(broker.port, step_ms=600_000, back_ms=5 * 86_400_000)
    sender.send(150)
    assert len(sender.found(tmp_path / "store")) == 150
    tracer = Tracer(daemon.process.pid, f"pwrite64:error={error}:when=1+", tmp_path)
    sender.send(150)
    if error == "EIO":
        daemon.process.wait(20)
    else:
        daemon.wait_for("the store cannot be written")
    tracer.end()
    assert "Traceback" not in daemon.log
    if error == "EIO":
        daemon.start()
    assert set(sender.found(tmp_path / "store")) == sender.expected()


def test_a_really_full_file_system_stops_nothing_and_loses_nothing(make_daemon, broker, small_disk, tmp_path) -> None:
    """Another program fills the disk; the ballast keeps the service writing; with room again it is made anew at its time."""
    daemon = running(make_daemon, broker, store=small_disk / "store")
    sender = Sender(broker.port)
    sender.send(50)
    assert len(sender.found(small_disk / "store")) == 50
    assert (small_disk / "store" / "ballast").exists()
    filler = small_disk / "other"
    fill(filler)
    while (small_disk / "store" / "ballast").exists() and sender.sent < 4000:
        sender.send(200)
    daemon.wait_for("the ballast file is given up")
    assert set(sender.found(small_disk / "store")) == sender.expected()
    filler.unlink()
    sender.send(50)
    assert set(sender.found(small_disk / "store")) == sender.expected()
    assert daemon.stop() == 0
    assert "Traceback" not in daemon.log


def test_a_service_that_starts_on_a_full_file_system_gives_up_its_ballast_and_runs(
    make_daemon, broker, small_disk
) -> None:
    """A power cut while the disk was full: the start needs room for the log files, and takes it."""
    daemon = running(make_daemon, broker, store=small_disk / "store")
    sender = Sender(broker.port)
    sender.send(20)
    assert len(sender.found(small_disk / "store")) == 20
    daemon.kill()
    for path in (small_disk / "store").glob("store.db-*"):
        assert path.exists()
    fill(small_disk / "other")
    daemon.log_path.unlink()
    daemon.start()
    daemon.wait_for("connected to")
    sender.send(20)
    assert set(sender.found(small_disk / "store")) == sender.expected()
    assert daemon.stop() == 0


def fill(path: Path) -> None:
    """Take all the room there is."""
    with path.open("wb", buffering=0) as file:
        try:
            while file.write(bytes(4096)) == 4096:
                pass
        except OSError:
            return


def test_a_read_only_file_system_is_said_with_what_to_do(make_daemon, broker, small_disk) -> None:
    """At the start: exit code 3, the folder, and what to look at; writable again, all is there."""
    daemon = running(make_daemon, broker, store=small_disk / "store")
    sender = Sender(broker.port)
    sender.send(20)
    assert len(sender.found(small_disk / "store")) == 20
    assert daemon.stop() == 0
    sender.send(20)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    daemon.log_path.unlink()
    daemon.start()
    assert daemon.process.wait(20) == 3, daemon.log
    assert str(small_disk / "store") in daemon.log
    assert "next: " in daemon.log
    assert "Traceback" not in daemon.log
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    daemon.start()
    assert set(sender.found(small_disk / "store")) == sender.expected()


def test_a_card_that_turns_read_only_while_the_service_runs_is_held_out(make_daemon, broker, tmp_path) -> None:
    """Writes answered with EROFS, as after the kernel's emergency remount: held or ended for the supervisor, never lost."""
    daemon = running(make_daemon, broker)
    sender = Sender(broker.port)
    sender.send(5)
    assert len(sender.found(tmp_path / "store")) == 5
    tracer = Tracer(daemon.process.pid, "pwrite64:error=EROFS:when=1+", tmp_path)
    sender.send(30)
    daemon.wait_for("the store cannot be written")
    assert len(sender.found(tmp_path / "store", most_s=1)) == 5
    tracer.end()
    with contextlib.suppress(subprocess.TimeoutExpired):
        assert daemon.process.wait(3) == 3
        daemon.start()
    assert set(sender.found(tmp_path / "store")) == sender.expected()
    assert "Traceback" not in daemon.log


def wait_for_notice(folder: Path, kind: str, most_s: float = 10.0) -> None:
    """Until the picture of the service shows a notice of that kind."""
    end = time.monotonic() + most_s
    while not any(notice["kind"] == kind for notice in ask(folder, "status")["snapshot"]["notices"]):
        assert time.monotonic() < end, f"no notice of kind {kind}"
        time.sleep(0.1)


def test_a_slow_card_delays_and_loses_nothing(make_daemon, broker, tmp_path) -> None:
    """300 ms at each sync, as old cards take: all is stored, the page's snapshot goes on, the watchdog is not missed."""
    daemon = running(make_daemon, broker)
    sender = Sender(broker.port)
    tracer = Tracer(daemon.process.pid, "fdatasync:delay_exit=300000", tmp_path)
    for _ in range(10):
        sender.send(20)
    assert set(sender.found(tmp_path / "store")) == sender.expected()
    assert ask(tmp_path / "store", "status")["inbox"] < 200
    tracer.end()
    assert daemon.stop() == 0
