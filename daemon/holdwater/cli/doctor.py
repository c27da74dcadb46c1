"""`holdwater doctor`: looks at everything the service rests on, and says what is wrong and how to mend it."""

from __future__ import annotations

import platform
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdwater import __version__
from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.errors import HoldwaterError

if TYPE_CHECKING:
    from holdwater.config.site import Site

LEAST_FREE = 200_000_000
SILENT_S = 3 * 3600.0
BACKUP_LATE_MS = 2 * 3_600_000


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: `well`, what was found, and the fix when it is not well."""

    what: str
    well: bool
    words: str
    fix: str = ""


@click.command("doctor")
@config_option
@store_option
@click.option("--deep", is_flag=True, help="Also compare every hour of raw readings with its checksum; takes a while.")
def command(config: Path, store: Path | None, deep: bool) -> None:
    """Look at disk, store, clock, broker, its access, retained leftovers, last readings and versions.

    One line each; what is wrong comes with the fix. Exit code 1 when something is wrong.
    """
    site = site_of(config)
    folder = folder_of(site, store)
    wrong = 0
    for finding in examine(site, folder, deep=deep):
        click.echo(f"{'ok   ' if finding.well else 'WRONG'}  {finding.what}: {finding.words}")
        if not finding.well:
            wrong += 1
            click.echo(f"       next: {finding.fix}")
    click.echo("all well" if not wrong else f"{wrong} to mend")
    sys.exit(1 if wrong else 0)


def examine(site: Site, folder: Path, *, deep: bool = False) -> Iterator[Finding]:
    """All findings, one after the other; a check that fails is itself a finding."""
    checks: list[Callable[[], Iterator[Finding]]] = [
        _versions,
        lambda: _disk(folder),
        lambda: _store(folder, deep=deep),
        lambda: _service(folder),
        _clock,
        lambda: _broker(site),
        lambda: _readings(site, folder),
        lambda: _mirror(site, folder),
        lambda: _backup(site, folder, deep=deep),
    ]
    for check in checks:
        try:
            yield from check()
        except HoldwaterError as error:
            yield Finding(error.where or "check", well=False, words=error.found, fix=error.do or error.expected)


def _versions() -> Iterator[Finding]:
    yield Finding(
        "versions",
        True,
        f"holdwater {__version__}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}",
    )


def _disk(folder: Path) -> Iterator[Finding]:
    if not folder.exists():
        yield Finding("disk", False, f"{folder} does not exist", "start holdwater run once, or set store.folder")
        return
    free = shutil.disk_usage(folder).free
    yield Finding(
        "disk",
        free >= LEAST_FREE,
        f"{free / 1e6:.0f} MB free under {folder}",
        "make room: at least 200 MB should be free",
    )


def _store(folder: Path, *, deep: bool) -> Iterator[Finding]:
    from holdwater.store.backup import verify  # noqa: PLC0415
    from holdwater.store.connect import STORE_NAME  # noqa: PLC0415
    from holdwater.store.salvage import looks_sound  # noqa: PLC0415

    path = folder / STORE_NAME
    if not path.exists():
        yield Finding(
            "store", False, f"no {STORE_NAME} in {folder}", "start holdwater run once, or holdwater restore a copy"
        )
        return
    sound = looks_sound(path)
    yield Finding(
        "store",
        sound,
        f"{path.stat().st_size / 1e6:.1f} MB" + ("" if sound else ", damaged"),
        "restart: it salvages what can be read",
    )
    aside = sorted(folder.glob("aside-*.db"))
    if aside:
        yield Finding(
            "set aside",
            False,
            f"{len(aside)} earlier store(s) kept: {aside[-1].name}",
            "copy them off the card, then remove them",
        )
    if deep and sound:
        found = verify(path)
        yield Finding(
            "every hour",
            found.ok,
            "; ".join(found.faults[:3]) or f"{found.hours} hours are as written",
            "holdwater restore a copy",
        )


def _service(folder: Path) -> Iterator[Finding]:
    from holdwater.control import ask  # noqa: PLC0415

    try:
        status = ask(folder, "status")
    except HoldwaterError as error:
        yield Finding("service", False, error.found, error.do)
        return
    yield Finding(
        "service", True, f"running for {status['up_s']} s, version {status['version']}, {status['inbox']} events wait"
    )
    yield Finding(
        "its clock",
        status["clock"] == "trusted",
        status["clock"],
        "give it the time: holdwater clock, or connect a time source",
    )


def _clock() -> Iterator[Finding]:
    from holdwater.clock import BUILD_MS, system_synchronised  # noqa: PLC0415

    now = datetime.now(UTC)
    sane = now.timestamp() * 1000 > BUILD_MS
    words = f"{now:%Y-%m-%d %H:%M} UTC, {'synchronised' if system_synchronised() else 'no time server confirms it'}"
    yield Finding("clock", sane, words, "set it: date -s, a clock chip, or a time server")


def _broker(site: Site) -> Iterator[Finding]:
    from holdwater.intake.probe import probe  # noqa: PLC0415

    found = probe(site.broker)
    yield Finding(
        "broker",
        found.reached,
        found.words,
        "see that it runs, and broker.host, broker.port, username and password_file",
    )
    if found.reached:
        words = "anybody may connect without a password" if found.anonymous else "refuses those without a password"
        local = site.broker.host in ("127.0.0.1", "::1", "localhost")
        yield Finding("access", not found.anonymous or local, words + (" (this machine only)" if local and found.anonymous else ""),
                      "set allow_anonymous false and passwords in the broker's config; deploy/ has one")  # fmt: skip
        left = ", ".join(found.retained[:5])
        yield Finding("retained readings", not found.retained, left or "none",
                      "a sensor box sends with the retain flag: switch it off, then clear: mosquitto_pub -r -n -t TOPIC")  # fmt: skip


def _readings(site: Site, folder: Path) -> Iterator[Finding]:
    from holdwater.store.reader import open_reader  # noqa: PLC0415

    with open_reader(folder) as reader:
        now_ms = datetime.now(UTC).timestamp() * 1000
        for instrument in site.instruments.values():
            newest = reader.newest_of(instrument.series)
            age_s = None if newest is None else (now_ms - newest) / 1000
            words = "never heard" if age_s is None else f"last heard {_age(age_s)} ago"
            fix = "check the sensor box: power, cable, name, password; holdwater node list"
            yield Finding(instrument.series, age_s is not None and age_s < SILENT_S, words, fix)
        counts = reader.counts()
        refused = counts.get("quarantined", 0)
        yield Finding(
            "quarantine",
            True,
            f"{refused} messages set aside so far" + ("; holdwater quarantine list shows them" if refused else ""),
        )


def _mirror(site: Site, folder: Path) -> Iterator[Finding]:
    if site.mirror is None:
        return
    from holdwater.mirror.standing import BEHIND_MS, sentence, standing  # noqa: PLC0415

    found = standing(folder)
    now_ms = datetime.now(UTC).timestamp() * 1000
    behind = found.oldest_ms is not None and now_ms - found.oldest_ms > BEHIND_MS
    stale = found.at_ms is None or now_ms - found.at_ms > BEHIND_MS + 2000 * site.mirror.every_s
    fix = "see that the server and the service run, and [mirror] in the config; what waits is kept. holdwater mirror --gaps says it by day"
    yield Finding("mirror", not (found.words or behind or stale), sentence(found.plain(), site.timezone), fix)


def _backup(site: Site, folder: Path, *, deep: bool) -> Iterator[Finding]:
    """When the last good copy was made, and what to do when there is none."""
    if site.backup is None:
        words = 'no copy is made by itself; write [backup] and folder = "/mnt/stick" into the config, or holdwater backup now and then'
        yield Finding("backup", True, words)
        return
    from holdwater.second_copy import check_place  # noqa: PLC0415
    from holdwater.store.backup import newest_good, verify  # noqa: PLC0415

    place = site.backup.folder
    try:
        check_place(folder, site.backup)
        now_ms = round(datetime.now(UTC).timestamp() * 1000)
        found = newest_good(place, now_ms)
    except OSError as error:
        yield Finding("backup", False, f"{place} cannot be read: {error.strerror}", "try the stick in another machine")
        return
    except HoldwaterError as error:
        yield Finding("backup", False, f"{place}: {error.found}", error.do)
        return
    if found is None:
        fix = f"see that the service runs; or make one now: holdwater backup {place}"
        yield Finding("backup", False, f"no good copy in {place}", fix)
        return
    path, at_ms = found
    faults = verify(path).faults if deep else ()
    late = now_ms - at_ms > site.backup.every_s * 1000 + BACKUP_LATE_MS
    made = datetime.fromtimestamp(at_ms / 1000, site.timezone)
    words = f"last good copy {made:%Y-%m-%d %H:%M} ({_age((now_ms - at_ms) / 1000)} ago): {path}"
    if faults:
        yield Finding(
            "backup",
            False,
            f"{path} is damaged: {'; '.join(faults[:3])}",
            f"replace the stick; holdwater backup {place} makes a new copy",
        )
        return
    yield Finding(
        "backup",
        not late,
        words,
        f"see that the service runs, and what its log says of the backup; or holdwater backup {place}",
    )


def _age(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"
