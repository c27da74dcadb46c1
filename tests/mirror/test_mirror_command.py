"""`holdwater mirror`, and what the running service does with it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from holdwater.cli import commands
from holdwater.cli.doctor import _mirror as mirror_findings
from holdwater.errors import HoldwaterError, OutsideError, UsageError
from holdwater.mirror.child import MirrorChild
from holdwater.mirror.lines import head
from holdwater.mirror.verify import counter
from holdwater.sitefile import open_site
from place import MINUTE_MS, START_MS, Daemon, payload, publisher, reading, run_command, text_of

LINES = [reading(START_MS + n * 20 * MINUTE_MS, 1.3 - n / 2000) for n in range(100)]  # 33 hours


def called(*arguments: str) -> tuple[str, int | HoldwaterError]:
    """What a command says, and its exit code or the error in words."""
    done = CliRunner().invoke(commands, arguments)
    if isinstance(done.exception, HoldwaterError):
        return done.output, done.exception
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.output, done.exit_code


@pytest.fixture
def config(place, influx) -> Path:
    """A site with a mirror and readings of two days."""
    place.to(influx[1].url).take(LINES)
    path = place.folder.parent / "site.toml"
    path.write_text(text_of(place.folder, more=f'[mirror]\nurl = "{influx[1].url}"\nbucket = "water"\n'))
    return path


def test_send_once_gaps_verify_and_send_again_work_together(config, place, influx) -> None:
    """What waits is said, sent, counted; a loss over there is seen by day, and mended by the line that is proposed."""
    server, _ = influx
    said, code = called("mirror", "--gaps", "--config", str(config))
    assert code == 0
    assert "has not looked yet" in said
    assert said.count(" wait\n") == 2  # two local days
    said, code = called("mirror", "--once", "--config", str(config))
    assert code == 0
    assert "readings and levels sent" in said
    said, code = called("mirror", "--gaps", "--config", str(config))
    assert "up to date" in said
    assert " wait\n" not in said
    said, code = called("mirror", "--verify", "--config", str(config))
    assert code == 0
    assert "every day is whole" in said
    server.query(f'DELETE FROM "reading" WHERE time < {LINES[40].at_ms}ms')
    said, code = called("mirror", "--verify", "--config", str(config))
    assert code == 1
    assert "lacks some" in said
    day = said.split("--resend-from ")[1].strip()
    said, code = called("mirror", "--resend-from", day, "--config", str(config))
    assert code == 0
    said, code = called("mirror", "--verify", "--days", "1", "--config", str(config))
    assert "every day is whole" in said
    assert server.points() == place.held()


def test_counts_by_day_are_right_on_victoria_metrics_too(place, victoria, config) -> None:
    """By PromQL; to the last millisecond of a day; doubles there are seen."""
    from holdwater.mirror.server import Server
    from holdwater.mirror.source import Source
    from holdwater.mirror.verify import compare

    place.to(victoria.url).send()
    victoria.points()
    server = Server(place.settings)
    with Source(place.folder) as source:
        days = list(
            compare(source, counter(server, place.settings), place.site.timezone, LINES[0].at_ms, LINES[-1].at_ms)
        )
    assert [each.here for each in days] == [each.there for each in days]
    assert sum(each.there for each in days) == 200
    at = LINES[0].at_ms
    count = counter(server, place.settings)
    assert (count(at, at + 1), count(at - 5, at), count(at + 1, at + 5)) == (2, 0, 0)
    server.close()


def test_a_server_that_cannot_count_says_so(place, make_proxy) -> None:
    """Neither InfluxQL nor PromQL."""
    from holdwater.mirror.server import Server

    place.to(make_proxy(1).url)
    server = Server(place.settings)
    with pytest.raises(OutsideError, match="cannot be asked for counts"):
        counter(server, place.settings)
    server.close()


def test_a_server_that_is_away_ends_send_once_with_words_and_keeps_all(place, config, influx) -> None:
    """Exit code of the world outside; the words say that nothing is lost."""
    influx[0].kill()
    said, error = called("mirror", "--once", "--config", str(config))
    assert isinstance(error, OutsideError)
    assert "502" in error.words()
    assert "kept" in error.words()
    assert "wait" in said


def test_mistakes_are_said_in_words(place, tmp_path) -> None:
    """No mirror; two wishes at once; a date that is none."""
    path = tmp_path / "none.toml"
    path.write_text(text_of(place.folder))
    _, error = called("mirror", "--once", "--config", str(path))
    assert isinstance(error, UsageError)
    assert "no mirror" in error.words()
    _, error = called("mirror", "--once", "--gaps", "--config", str(path))
    assert isinstance(error, UsageError)
    path.write_text(text_of(place.folder, more='[mirror]\nurl = "http://127.0.0.1:1"\nbucket = "w"\n'))
    _, error = called("mirror", "--resend-from", "yesterday", "--config", str(path))
    assert isinstance(error, UsageError)
    assert "2026-10-10" in error.words()
    assert isinstance(commands.get_command(click.Context(commands), "mirror"), click.Command)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_what_root_makes_belongs_to_the_service_and_a_look_makes_nothing(place, config) -> None:
    """A report by root before the mirror ever ran must not keep the service from it."""
    os.chown(place.folder, 12345, 12345)
    before = {path.name for path in place.folder.iterdir()}
    called("mirror", "--gaps", "--config", str(config))
    assert {path.name for path in place.folder.iterdir()} - before <= {"store.db-shm", "store.db-wal"}
    called("mirror", "--once", "--config", str(config))
    for name in ("mirror.db", "mirror.lock"):
        assert (place.folder / name).stat().st_uid == 12345


def test_two_mirrors_of_one_store_cannot_be(place, config) -> None:
    """The second says who is there."""
    with place.mirror():
        _, error = called("mirror", "--once", "--config", str(config))
    assert isinstance(error, HoldwaterError)
    assert error.exit_code == 4
    assert "another process mirrors this store" in error.words()


@pytest.mark.slow
def test_a_service_without_a_mirror_loads_nothing_of_it() -> None:
    """Neither the client nor our own part."""
    code = "import sys, holdwater.service; print([n for n in sys.modules if 'influxdb' in n or n.startswith('holdwater.mirror')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_doctor_says_a_mirror_that_is_behind_or_stopped_with_what_to_do(place, config) -> None:
    """Never looked; server away; hours behind; well again."""
    site = open_site(config, {})

    def finding():
        (found,) = mirror_findings(site, place.folder)
        return found

    assert not finding().well
    assert finding().words == "has not looked yet"
    good, place.settings = place.settings, replace(place.settings, url="http://127.0.0.1:1")
    place.send()
    assert not finding().well
    assert "wait, the oldest of Mon 21 Sep" in finding().words
    assert "it cannot be connected to" in finding().words
    assert "kept" in finding().fix
    place.settings = good
    place.send()
    assert finding().well


def wait_until(found: Callable[[], bool], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not found():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)


@pytest.mark.slow
def test_the_running_service_mirrors_by_itself_and_takes_its_mirror_with_it(tmp_path, broker, influx) -> None:
    """A reading by MQTT arrives there; status and doctor say how it stands; a killed service leaves none."""
    server, proxy = influx
    token = tmp_path / "token"
    token.write_text("t0ken")
    token.chmod(0o600)
    more = f'[mirror]\nurl = "{proxy.url}"\nbucket = "water"\nevery = "5 s"\ntoken_file = "{token}"\n'
    daemon = Daemon(tmp_path, text_of(tmp_path / "store", port=broker.port, more=more), ("--trust-clock",)).start()
    try:
        daemon.wait_for("connected to")
        daemon.wait_for("begins at")
        client = publisher(broker.port)
        client.publish("water/node/a/readings", payload(("pressure", "Pa", 9000.0)), qos=1).wait_for_publish(5)
        wait_until(lambda: server.points().total() == 1)
        assert set(proxy.authorization) == {"Token t0ken"}
        child = mirror_of(daemon)
        assert b"t0ken" not in Path(f"/proc/{child}/cmdline").read_bytes() + Path(f"/proc/{child}/environ").read_bytes()
        assert rss_kib(child) < 120_000  # with NumPy and pandas beside it, which a board has not
        said = run_command("status", "--config", str(tmp_path / "site.toml")).stdout
        assert "mirror: up to date" in said
        site = open_site(tmp_path / "site.toml", {})
        (finding,) = mirror_findings(site, site.store.folder)
        assert (finding.what, finding.well) == ("mirror", True)
        daemon.kill()
        wait_until(lambda: not Path(f"/proc/{child}").exists())
    finally:
        daemon.end()


@pytest.mark.slow
def test_a_mirror_that_ends_is_started_anew_after_a_wait_that_grows(place) -> None:
    """Killed, as when memory is short: ten seconds, then twenty; `stop` ends it for good."""
    place.site = replace(place.site, mirror=place.settings)
    child = MirrorChild(place.site)
    child.start(0.0)
    assert alive(child.pid)
    for now_s, wait_s in ((100.0, 10.0), (200.0, 20.0)):
        first = child.pid
        assert first is not None
        os.kill(first, 9)
        wait_until(lambda first=first: Path(f"/proc/{first}/stat").read_text().split()[2] == "Z")
        child.look(now_s)
        assert child.pid is None
        assert child.status()["running"] is False
        child.look(now_s + wait_s - 0.1)
        assert child.pid is None
        child.look(now_s + wait_s + 0.1)
        assert alive(child.pid)
    last = child.pid
    child.stop()
    assert child.pid is None
    assert not alive(last)


def alive(pid: int | None) -> bool:
    return pid is not None and Path(f"/proc/{pid}").exists()


def mirror_of(daemon: Daemon) -> int:
    """Process of the mirror of a running service; 0 while there is none."""
    assert daemon.process is not None
    children = Path(f"/proc/{daemon.process.pid}/task/{daemon.process.pid}/children").read_text().split()
    found = [int(each) for each in children if b"holdwater.mirror" in Path(f"/proc/{each}/cmdline").read_bytes()]
    return found[0] if found else 0


def rss_kib(pid: int) -> int:
    return int(Path(f"/proc/{pid}/status").read_text().split("VmRSS:")[1].split()[0])


def test_names_are_escaped_as_the_client_escapes_them() -> None:
    """Spaces, commas, equals signs; the client of the server's makers is the reference."""
    from influxdb_client import Point

    for name in ("Quern Bench", "a,b=c d", "Ärmel 7", "x"):
        point = Point("reading").tag("site", name).tag("node", "a").field("v", 1.0).to_line_protocol()
        assert point.split(" v=")[0] == head("reading", {"site": name, "node": "a"})
