"""`holdwater demo` as a person starts it: page, live levels, a reading by hand, Ctrl-C."""

from __future__ import annotations

import json
import re
import resource
import select
import shlex
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from broker_fixture import TestBroker, program
from conftest import need
from holdwater.control import ask
from holdwater.demo.child import free_port, port_taken
from holdwater.demo.play import page_port, write_config
from holdwater.demo.times import Stand
from holdwater.demo.water import END_GAL, END_MS, Truth
from holdwater.errors import BusyError, OutsideError
from holdwater.sitefile import open_site
from holdwater.store.writer import Store

TRUTH = Truth(END_MS, dict(END_GAL), 12.0, 16.0, 7.7, 9.0, 0.0)
HOLDWATER = [sys.executable, "-c", "from holdwater.cli import main; main()"]


@dataclass
class Demo:
    """A demo that runs."""

    process: subprocess.Popen[bytes]
    said: str
    folder: Path
    port: int

    @property
    def broker_port(self) -> int:
        """Port of its broker, as it said."""
        found = re.search(r"on 127\.0\.0\.1:(\d+)", self.said)
        assert found is not None
        return int(found[1])

    def status(self) -> dict[str, Any]:
        """What its control socket says of it."""
        return ask(self.folder / "store", "status")

    def page(self) -> str:
        """The page."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/", timeout=5) as answer:
            return answer.read().decode()


def start(folder: Path | None, log: Path, wait_s: float) -> Demo:
    """Start the demo and wait until it says that it is ready."""
    port = free_port()
    keep = [] if folder is None else ["--keep", str(folder)]
    with log.open("w") as out:
        process = subprocess.Popen(
            [*HOLDWATER, "demo", *keep, "--port", str(port)], stdout=out, stderr=subprocess.STDOUT
        )
    try:
        until(lambda: "Page:" in log.read_text() or process.poll() is not None, wait_s)
        said = log.read_text()
        found = re.search(r"--config (\S+)/site\.toml", said)
        assert found is not None, said
    except BaseException:
        process.kill()
        raise
    return Demo(process, said, Path(found[1]), port)


def until(holds: Callable[[], bool], wait_s: float) -> float:
    """Ask again and again until it holds; how long that took."""
    begun_s = time.monotonic()
    while not holds():
        assert time.monotonic() - begun_s < wait_s, "it did not come true in time"
        select.select([], [], [], 0.05)
    return time.monotonic() - begun_s


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A folder as an earlier demo left it, with an empty store, so that no season is replayed."""
    Store(tmp_path / "store").close()
    Stand(END_MS, TRUTH).write(tmp_path / "stand.json")
    return tmp_path


@pytest.fixture
def demo(kept: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """A demo that was started a second time."""
    need(program("mosquitto") is not None, "mosquitto is missing: sudo apt-get install -y mosquitto")
    found = start(kept, tmp_path_factory.mktemp("said") / "log", 60)
    yield found
    if found.process.poll() is None:
        found.process.kill()
        found.process.wait()


@pytest.mark.slow
def test_second_start_shows_live_levels_and_ends_at_ctrl_c(demo: Demo) -> None:
    """All tanks have levels from MQTT within 15 s, the demo's date shows, and Ctrl-C ends every process and port."""

    def all_known() -> bool:
        tanks = demo.status()["snapshot"]["tanks"]
        return {each["name"] for each in tanks if each["on_hand_m3"] is not None} == {"drinking", "garden", "cabin"}

    until(all_known, 15)
    (words,) = re.findall(r"look too +(.+)", demo.said)
    shown = subprocess.run(shlex.split(words), capture_output=True, text=True, check=True).stdout
    assert "drinking" in shown  # the line to copy works as it stands, in the terminal that started the demo
    drinking = next(each for each in demo.status()["snapshot"]["tanks"] if each["name"] == "drinking")
    assert drinking["on_hand_m3"] * 264.172 == pytest.approx(70, abs=4)
    assert "28 Oct 2026" in demo.said
    assert "drinking" in demo.page().lower()
    broker_port = demo.broker_port
    demo.process.send_signal(signal.SIGINT)
    assert demo.process.wait(10) == 0
    assert not port_taken(broker_port)
    assert not port_taken(demo.port)
    assert until(lambda: not _left_behind(demo.folder), 3) < 3


@pytest.mark.slow
def test_a_reading_by_hand_is_there_within_two_seconds(demo: Demo) -> None:
    """A hand-written pack sent by mosquitto_pub; its own quantity, so that the box does not speak over it."""
    need(program("mosquitto_pub") is not None, "mosquitto_pub is missing: sudo apt-get install -y mosquitto-clients")
    until(lambda: _series(demo, "cabin:gap") is not None, 15)
    pack = json.dumps([{"n": "byhand", "u": "m", "v": 0.7777}])
    command = ["mosquitto_pub", "-p", str(demo.broker_port), "-q", "1", "-t", "water/node/cabin/readings", "-m", pack]
    subprocess.run(command, check=True, timeout=5)
    until(lambda: _series(demo, "cabin:byhand") == 0.7777, 2)


@pytest.mark.slow
def test_a_folder_has_one_demo_at_a_time(demo: Demo) -> None:
    """The second one says so and changes nothing of the first."""
    before = (demo.folder / "site.toml").read_bytes()
    done = subprocess.run([*HOLDWATER, "demo", "--keep", str(demo.folder)], capture_output=True, text=True, check=False)
    assert done.returncode == 4
    assert "another demo" in done.stderr
    assert (demo.folder / "site.toml").read_bytes() == before


@pytest.mark.slow
def test_ctrl_c_while_the_season_is_replayed_ends_all(tmp_path: Path) -> None:
    """No traceback, no child left; the next start begins the season anew."""
    with (tmp_path / "log").open("w") as out:
        process = subprocess.Popen(
            [*HOLDWATER, "demo", "--keep", str(tmp_path / "kept")], stdout=out, stderr=subprocess.STDOUT
        )
    until((tmp_path / "kept" / "store" / "store.db").exists, 20)
    process.send_signal(signal.SIGINT)
    assert process.wait(10) == 130
    assert "Traceback" not in (tmp_path / "log").read_text()
    until(lambda: not _left_behind(tmp_path / "kept"), 3)
    assert not (tmp_path / "kept" / "stand.json").exists()


@pytest.mark.slow
def test_killed_demo_leaves_nothing_running(demo: Demo) -> None:
    """kill -9 of the demo itself: broker and boxes end with it."""
    port = demo.broker_port
    demo.process.send_signal(signal.SIGKILL)
    demo.process.wait()
    until(lambda: not port_taken(port) and not _left_behind(demo.folder), 5)


@pytest.mark.soak
def test_first_start_replays_the_season(tmp_path: Path) -> None:
    """From nothing to the page with less than a minute of computing; *low* is on for drinking; the folder goes at the end."""
    before_s = _children_s()
    demo = start(
        None, tmp_path / "log", 300
    )  # the machine may be busy with other tests: the clock on the wall says nothing
    notices = demo.status()["snapshot"]["notices"]
    assert [(each["kind"], each["subject"]) for each in notices] == [("low", "drinking")]
    demo.process.send_signal(signal.SIGTERM)
    assert demo.process.wait(10) == 0
    assert not demo.folder.exists()
    assert _children_s() - before_s < 60


def _children_s() -> float:
    """Processor seconds of all children that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def test_busy_page_port_is_told(broker: TestBroker) -> None:
    """One that was asked for; without a wish another is taken."""
    with pytest.raises(BusyError) as caught:
        page_port(broker.port)
    assert str(broker.port) in caught.value.words()
    assert not port_taken(page_port(None))


def test_config_of_the_demo_is_the_sample_with_its_own_ports(tmp_path: Path) -> None:
    """Broker, page, store and commit time are changed; nothing goes outside; all else is the sample's."""
    site = open_site(write_config(tmp_path, 1999, 8099), {})
    assert (site.broker.host, site.broker.port) == ("127.0.0.1", 1999)
    assert (site.page.host, site.page.port) == ("127.0.0.1", 8099)
    assert site.store.folder == tmp_path / "store"
    assert site.store.commit_every_s == 2
    assert "phone" not in site.channels
    assert set(site.tanks) == {"drinking", "garden", "cabin"}


def test_config_that_cannot_be_changed_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sample without the line says which."""
    sample = tmp_path / "sample.toml"
    sample.write_text("[broker]\nport = 1\n", encoding="utf-8")
    monkeypatch.setattr("holdwater.demo.play.sample_config", lambda: sample)
    with pytest.raises(OutsideError) as caught:
        write_config(tmp_path, 1, 2)
    assert "folder" in caught.value.words()


def test_port_in_use_leaves_a_clear_message(tmp_path: Path) -> None:
    """No traceback, exit code 4."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        command = [*HOLDWATER, "demo", "--keep", str(tmp_path), "--port", str(port)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 4
    assert str(port) in done.stderr
    assert "Traceback" not in done.stderr


def _series(demo: Demo, name: str) -> float | None:
    return next((each["value"] for each in demo.status()["snapshot"]["series"] if each["name"] == name), None)


def _left_behind(folder: Path) -> list[str]:
    """Command lines of processes that name the demo's folder."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = path.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if str(folder) in words and "pytest" not in words:
            found.append(words)
    return found
