"""A store, a mirror in this process, and the servers of a test."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from broker_fixture import program
from conftest import need
from holdwater.config.mirrors import MirrorSettings
from holdwater.config.secrets import Secret
from holdwater.mirror.run import Mirror
from holdwater.recording import Line
from holdwater.replay import replay
from holdwater.store.digits import unpack
from holdwater.store.reader import open_reader
from holdwater.units import wire_unit
from place import make_site
from series_servers import Proxy, SeriesServer

Points = Counter[tuple[str, str, int, float]]


class Place:
    """A site's store and its mirror; the mirror's waits are counted, not waited."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.site = make_site(folder)
        self.settings = MirrorSettings("http://127.0.0.1:1", "water", "Test place", token=Secret("t0ken"))
        self.pauses: list[float] = []
        self.deadline_s = 10.0

    def to(self, url: str, **changes: object) -> Place:
        """Point the mirror somewhere."""
        self.settings = replace(self.settings, url=url, **changes)  # type: ignore[arg-type]
        return self

    def take(self, lines: list[Line]) -> None:
        """What the service would have taken."""
        replay(self.site, lines, self.folder)

    def pause(self, seconds: float) -> bool:
        """Count a wait."""
        self.pauses.append(seconds)
        return False

    def mirror(self) -> Mirror:
        """The mirror, as its process would make it."""
        return Mirror(self.site, self.settings, self.folder, self.pause, self.deadline_s)

    def send(self, turns: int = 20) -> Mirror:
        """Turn until nothing waits or nothing goes; the mirror as it then is, closed."""
        with self.mirror() as mirror:
            for _ in range(turns):
                if mirror.turn() > 0:
                    break
        return mirror

    def held(self) -> Points:
        """Every reading of the store, in SI."""
        found: Points = Counter()
        with open_reader(self.folder) as reader:
            for ts, node, quantity, unit, digits, value, flag in reader.rows(
                "SELECT r.ts, n.name, s.quantity, s.unit, s.digits, r.value, r.flag FROM reading r "
                "JOIN series s ON s.id = r.series JOIN node n ON n.id = s.node"
            ):
                found[node, quantity, ts, wire_unit(unit).to_si(unpack(value, digits, flag))] += 1
        return found


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """An empty site."""
    return Place(tmp_path / "store")


@pytest.fixture
def make_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., SeriesServer]]:
    """`make_server("influxd")` or `make_server("victoria-metrics", "-flag")`; all end with the test."""
    started: list[SeriesServer] = []

    def make(kind: str, *extra: str) -> SeriesServer:
        package = "influxdb" if kind == "influxd" else kind
        need(program(kind) is not None, f"{kind} is missing: sudo apt-get install -y {package}")
        server = SeriesServer(tmp_path_factory.mktemp(kind), kind, extra)
        started.append(server)
        return server.start()

    yield make
    for server in started:
        server.kill()


@pytest.fixture
def make_proxy() -> Iterator[Callable[..., Proxy]]:
    """`make_proxy(port, rewrite=…, fault=…)`; all end with the test."""
    started: list[Proxy] = []

    def make(target: int, **rest: object) -> Proxy:
        started.append(Proxy(target, **rest))  # type: ignore[arg-type]
        return started[-1].start()

    yield make
    for proxy in started:
        proxy.stop()


@pytest.fixture
def influx(make_server: Callable[..., SeriesServer], make_proxy: Callable[..., Proxy]) -> tuple[SeriesServer, Proxy]:
    """An influxd with a database `water`, and a proxy before it that speaks InfluxDB 2."""
    server = make_server("influxd")
    server.make("water")
    return server, make_proxy(server.port, rewrite=True)


@pytest.fixture
def victoria(make_server: Callable[..., SeriesServer]) -> SeriesServer:
    """A victoria-metrics that keeps every sample, doubles too."""
    return make_server("victoria-metrics")
