"""What a config may say, but what is worth a word: one sentence each, with what to do."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from typing import Any

from holdwater.config import sensor_words
from holdwater.config.credentials import in_the_open
from holdwater.config.site import Site
from holdwater_sensors.instrument import Instrument


def warnings(site: Site, data: dict[str, Any]) -> tuple[str, ...]:
    """Every warning about a site.

    Args:
        site: the site.
        data: the tables of its file, for what the site no longer shows.
    """
    said = [*_tanks(site), *_mounts(site), *_weather(site), *_network(site), *_files(data), *_routes(site)]
    return tuple(said)


def _tanks(site: Site) -> Iterable[str]:
    if not site.tanks:
        yield "No tank yet: add [tank.NAME] with its shape."
    for name, tank in site.tanks.items():
        mounted = site.instruments_of(name)
        if not any(each.gives_depth for each in mounted):
            yield (
                f"{name}: no level sensor; its level is known for a day and a half after a dip: "
                f'holdwater note dip --tank {name} --depth "21 in". Or add [sensor.NAME] with tank = "{name}".'
            )
        if tank.is_drinking and "roof" in tank.filled_by:
            yield f"{name}: roof water is not for drinking, cooking or teeth unless it is treated and tested."
        if tank.is_drinking and len(tank.uses) > 1:
            yield (
                f"{name}: for drinking and other uses; a hose left in it can draw dirty water back. "
                "Fit a backflow stop; local code decides."
            )
        if not tank.uses:
            yield f'{name}: no use said; add use = "…" so that waters are kept apart.'
        if tank.roof_m2 and "roof" not in tank.filled_by:
            yield (
                f"{name}: a roof area is given but filled_by does not name the roof; its rain is not reckoned. "
                'Add "roof" to filled_by.'
            )
        if "fire" in tank.uses and tank.floor_m3 is None:
            yield f'{name}: for fire, but no floor is set; the fire water is not kept back. Add floor = "… gal".'


def _mounts(site: Site) -> Iterable[str]:
    """What a sensor cannot see from where it is mounted."""
    for name, instrument in site.instruments.items():
        tank = site.tanks.get(instrument.tank)
        if tank is None:
            continue
        for words in sensor_words.warnings(instrument, tank, site.measure, site.barometer_series is not None):
            yield f"{name}: {words}"


def _weather(site: Site) -> Iterable[str]:
    if site.air_series is None:
        yield 'No outside air: no freeze warning. Name its series in [weather], such as air = "garden:air".'
    if site.humidity_series is not None and site.air_series is None:
        yield "The outside humidity is of no use without the outside air. Name its series in [weather] as well."
    if site.latitude is None:
        yield "No latitude and longitude: the cold of a clear night is not reckoned. Add both to [site]."
    roofs = [name for name, tank in site.tanks.items() if tank.roof_m2]
    if roofs and site.rain_series is None:
        yield (
            f"No rain gauge: what {_row(roofs)} should have caught is not known, so a clogged screen is not found. "
            "Name it in [weather]."
        )


def _network(site: Site) -> Iterable[str]:
    broker = site.broker
    if broker.password is not None and broker.tls is None and not _here(broker.host):
        yield f"The password goes to {broker.host} unencrypted; use tls unless that wire is your own."
    if broker.port == 8883 and broker.tls is None:
        yield "Port 8883 is the port for encrypted connections, but tls is not set; add tls = { } to [broker]."
    if broker.username is not None and broker.password is None:
        yield "The broker gets a username but no password; add password_file to [broker] if it asks for one."
    if site.page.on and not _here(site.page.host):
        yield (
            f"Everybody on the network of {site.page.host} can open the page; "
            "keep it off the internet (no port forwarding)."
        )
    mirror = site.mirror
    if mirror is not None and mirror.token is not None and mirror.url.startswith("http:") and not _here(mirror.host):
        yield f"The mirror's token goes to {mirror.host} unencrypted; use https unless that wire is your own."
    if not any(getattr(channel, "kind", "") in {"webhook", "smtp", "program"} for channel in site.channels.values()):
        yield "Notices go to the log and the broker only; nobody is called. Add [channel.NAME]."


def _files(data: dict[str, Any]) -> Iterable[str]:
    for key in in_the_open(data):
        name = key.rsplit(".", 1)[-1]
        yield (
            f"{key} stands in the open in the config; it is not kept in the store, "
            f"but better moved to a file: {name}_file."
        )


def _routes(site: Site) -> Iterable[str]:
    used = {each for instrument in site.instruments.values() for each in _series_of(instrument)}
    weather = (site.air_series, site.humidity_series, site.rain_series, site.barometer_series)
    used |= {each for each in weather if each}
    frost = [series for each in site.exposures.values() for series in (each.air_series, each.water_series)]
    used |= {each for each in frost if each}
    for route in site.routes:
        if route.series not in used:
            yield f"route {route.name}: its series {route.series} is stored, but no sensor and no weather uses it."


def _series_of(instrument: Instrument) -> Iterable[str]:
    named = (
        instrument.series,
        instrument.air_series,
        instrument.water_series,
        instrument.supply_series,
        instrument.rh_series,
    )
    return (each for each in named if each)


def _here(host: str) -> bool:
    """Whether a host is this machine itself."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.rstrip(".").casefold() == "localhost"


def _row(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
