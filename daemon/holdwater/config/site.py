"""The site: everything the config says, checked, in SI, without secrets in its text. Nothing here reads files.

`config.load` builds it; every other part of the service takes it as a value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from holdwater.config.outwards import HeartbeatSettings, SheetSettings, StateSettings
from holdwater.config.secrets import Secret
from holdwater.units import Measure

if TYPE_CHECKING:
    from holdwater.config.channels import Channel
    from holdwater.config.exposures import Exposure
    from holdwater.config.mirrors import MirrorSettings
    from holdwater.config.notices import NoticeSettings
    from holdwater.tanks.tank import Tank
    from holdwater_sensors.formats import Route
    from holdwater_sensors.instrument import Instrument


@dataclass(frozen=True, slots=True)
class TlsSettings:
    """TLS to the broker.

    Attributes:
        ca_file: certificate of the authority that signed the broker's; None takes the system's.
        cert_file: our own certificate, if the broker asks for one.
        key_file: its key.
    """

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where readings come from.

    Attributes:
        host: name or address of the broker.
        port: its port.
        username: who we are, or None.
        password: its password, or None; `.reveal()` when connecting.
        prefix: first part of every topic, without slash at its end.
        client_id: name of our durable session; must stay the same over restarts.
        keepalive_s: seconds between pings, 5 to 3600.
        version: MQTT version: auto, 5 or 3.1.1.
        tls: None for a plain connection.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: Secret | None = None
    prefix: str = "water"
    client_id: str = "holdwater"
    keepalive_s: int = 60
    version: str = "auto"
    tls: TlsSettings | None = None


@dataclass(frozen=True, slots=True)
class StoreSettings:
    """Where things are kept.

    Attributes:
        folder: holds store.db, control.sock and store.lock.
        commit_every_s: longest wait before readings are written to the disk, s.
        keep_raw_s: how long raw readings are kept, s; roll-ups stay for ever.
    """

    folder: Path = Path("/var/lib/holdwater")
    commit_every_s: float = 60.0
    keep_raw_s: float = 400 * 86400.0

    @property
    def database(self) -> Path:
        """The SQLite file."""
        return self.folder / "store.db"

    @property
    def socket(self) -> Path:
        """The control socket of the running service."""
        return self.folder / "control.sock"

    @property
    def lock(self) -> Path:
        """The lock of whoever owns the store."""
        return self.folder / "store.lock"


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Where the page is served.

    Attributes:
        on: False when `listen = "off"`.
        host: address it listens on.
        port: port it listens on.
        hosts: further names it answers to.
    """

    on: bool = True
    host: str = "127.0.0.1"
    port: int = 8080
    hosts: tuple[str, ...] = ()

    @property
    def address(self) -> str:
        """The address to open in a browser, or "off"."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/" if self.on else "off"


@dataclass(frozen=True, slots=True)
class PowerSettings:
    """What the board runs on.

    Attributes:
        board_series: series of its supply voltage, V.
        sparing_below_v: at or below it the service spares.
        back_above_v: at or above it all is as before.
        after_s: how long the voltage must stay there, s.
        commit_every_s: longest wait before readings are written while sparing, s.
    """

    board_series: str
    sparing_below_v: float
    back_above_v: float
    after_s: float = 600.0
    commit_every_s: float = 600.0


@dataclass(frozen=True, slots=True)
class BackupSettings:
    """Where the service puts a second copy of the store, by itself.

    Attributes:
        folder: the folder of the copies.
        every_s: how old the newest good copy there may become, s.
        keep: copies kept there.
        same_disk: False when it must be another disk than the store's: an empty mount point is no stick.
    """

    folder: Path
    every_s: float = 86_400.0
    keep: int = 3
    same_disk: bool = False


@dataclass(frozen=True, slots=True)
class Transfer:
    """Water that may be moved from one tank to another.

    Attributes:
        name: its name in the config.
        source: tank it comes from.
        target: tank it goes to.
    """

    name: str
    source: str
    target: str


@dataclass(frozen=True, slots=True)
class Site:
    """One household, as its config says.

    Attributes:
        name: what the household calls it.
        timezone: where its days begin and end.
        latitude: degrees north, or None.
        longitude: degrees east, or None.
        elevation_m: height above the sea, m.
        measure: US or metric, for what people read.
        tanks: tanks by name, in the order of the file.
        instruments: level sensors by name, in the order of the file.
        routes: foreign devices: from topic and payload to series.
        transfers: water that may be moved between tanks.
        air_series: series of the outside air, or None.
        humidity_series: series of its relative humidity, or None.
        rain_series: series of the rain gauge, or None.
        barometer_series: series of the barometer, or None.
        broker: where readings come from.
        store: where things are kept.
        page: where the page is served.
        notices: thresholds and durations of every kind of notice.
        channels: where notices are sent, by name.
        exposures: what can freeze, by name.
        state: what is published on the broker.
        power: what the board runs on, or None.
        heartbeat: where a sign of life goes, or None.
        sheet: when the weekly sheet goes out.
        mirror: the time-series server that gets a copy, or None.
        backup: where the store is copied to by itself, or None.
        warnings: what is allowed but worth a word, one sentence each.
        text: the file's text with secrets out: this is what the store keeps.
        sha: SHA-256 of the canonical form: the same for two files that mean the same.
    """

    name: str
    timezone: ZoneInfo
    latitude: float | None = None
    longitude: float | None = None
    elevation_m: float = 0.0
    measure: Measure = field(default_factory=Measure)
    tanks: Mapping[str, Tank] = field(default_factory=dict)
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    routes: tuple[Route, ...] = ()
    transfers: tuple[Transfer, ...] = ()
    air_series: str | None = None
    humidity_series: str | None = None
    rain_series: str | None = None
    barometer_series: str | None = None
    broker: BrokerSettings = BrokerSettings()
    store: StoreSettings = StoreSettings()
    page: PageSettings = PageSettings()
    notices: NoticeSettings | None = None
    channels: Mapping[str, Channel] = field(default_factory=dict)
    exposures: Mapping[str, Exposure] = field(default_factory=dict)
    state: StateSettings = field(default_factory=StateSettings)
    power: PowerSettings | None = None
    heartbeat: HeartbeatSettings | None = None
    sheet: SheetSettings = field(default_factory=SheetSettings)
    mirror: MirrorSettings | None = None
    backup: BackupSettings | None = None
    warnings: tuple[str, ...] = ()
    text: str = ""
    sha: bytes = b""

    def instruments_of(self, tank: str) -> tuple[Instrument, ...]:
        """The instruments mounted on a tank, in the order of the file."""
        return tuple(each for each in self.instruments.values() if each.tank == tank)
