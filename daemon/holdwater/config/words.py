"""The site in words, as `holdwater check` says it, and the same as plain values for machines."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from holdwater.config.mirrors import MirrorSettings
from holdwater.config.site import Site
from holdwater.tanks.tank import Tank
from holdwater.tanks.words import hauled
from holdwater.units import KG_PER_LB, M2_PER_FT2, M3_PER_GAL, M_PER_FT, Measure, trimmed
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.counter import Pulses
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import Dip, Instrument
from holdwater_sensors.weight import LoadCell

DAY_S = 86400


def site_words(site: Site) -> list[str]:
    """The site in lines: where, tanks with their sensors, weather, broker, store, page, channels."""
    lines = [_place(site), "", "Tanks"]
    for name in site.tanks:
        lines += tank_words(site, name)
    lines += [f"  transfer {each.name}: from {each.source} to {each.target}" for each in site.transfers]
    lines += ["", _weather(site), _broker(site), _store(site), f"Page: {_page(site)}"]
    lines += [
        f"Route {each.name}: {each.topic} ({each.form}) becomes {each.series} in {each.unit}" for each in site.routes
    ]
    lines += [f"Can freeze: {exposure_words(site, name)}" for name in site.exposures]
    lines += [f"Channel {name}: {channel_words(channel)}" for name, channel in site.channels.items()]
    if site.power is not None:
        power = site.power
        lines.append(
            f"Power: at {power.sparing_below_v:g} V of {power.board_series} for {duration(power.after_s)} the page goes off and readings "
            f"are written every {duration(power.commit_every_s)}; back at {power.back_above_v:g} V"
        )
    if site.backup is not None:
        backup = site.backup
        which = "the newest stays" if backup.keep == 1 else f"the newest {backup.keep} stay"
        lines.append(
            f"Backup: a checked copy of the store goes to {backup.folder} every {duration(backup.every_s)}; {which}"
        )
    if site.heartbeat is not None:
        lines.append(
            f"Sign of life: {site.heartbeat.method} every {duration(site.heartbeat.every_s)} to an address that is not shown"
        )
    if not site.state.on:
        lines.append("States on the broker: off")
    if site.mirror is not None:
        lines.append(f"Mirror: {mirror_words(site.mirror)}")
    return lines


def tank_words(site: Site, name: str) -> list[str]:
    """One tank: its sentence, then its sensors, what it is for and what fills it."""
    tank = site.tanks[name]
    lines = [f"  {name}: {tank.describe(site.measure)}"]
    lines.append(f"    {_purpose(tank, site.measure)}")
    mounted = site.instruments_of(name)
    lines += [f"    sensor {each.name}: {instrument_words(each, site.measure)}" for each in mounted]
    if not any(each.gives_depth for each in mounted):
        lines.append("    no level sensor: dipped by hand")
    return lines


def _purpose(tank: Tank, measure: Measure) -> str:
    parts = [f"for {', '.join(tank.uses)}" if tank.uses else "no use said"]
    if tank.filled_by:
        roof = f" ({_area(tank.roof_m2, measure)})" if tank.roof_m2 else ""
        parts.append("filled by " + ", ".join(each + roof if each == "roof" else each for each in tank.filled_by))
    parts.append(f"tap at {measure.length_text(tank.outlet_m)}, overflow at {measure.length_text(tank.overflow_m)}")
    if tank.haul is not None:
        parts.append(hauled(tank.haul, measure))
    return "; ".join(parts)


def _area(m2: float, measure: Measure) -> str:
    return f"{trimmed(m2 / M2_PER_FT2, 0)} ft2" if measure.system == "US" else f"{trimmed(m2, 1)} m2"


def instrument_words(instrument: Instrument, measure: Measure) -> str:
    """One sensor: kind, series, where it is mounted, from when it counts."""
    parts = [f"{instrument.kind}, reads {instrument.series}"]
    parts += _counts_and_weights(instrument, measure)
    height_m = getattr(instrument.physics, "height_m", None)
    if height_m is not None and not (isinstance(instrument.physics, Dip) and height_m == 0):
        what = "face" if isinstance(instrument.physics, Ultrasonic) else "mounted"
        parts.append(f"{what} {measure.length_text(height_m)} above the floor")
    if instrument.vessel:
        parts.append(f"on vessel {instrument.vessel}")
    if isinstance(instrument.physics, Ultrasonic):
        parts.append(f"dead zone {measure.length_text(instrument.physics.dead_zone_m)}")
    for what, series in (
        ("air", instrument.air_series),
        ("water", instrument.water_series),
        ("supply", instrument.supply_series),
    ):
        if series and not isinstance(instrument.physics, Pulses):
            parts.append(f"{what} temperature from {series}" if what != "supply" else f"supply voltage from {series}")
    if instrument.from_ms is not None:
        parts.append(f"counts from {day(instrument.from_ms)}")
    if instrument.until_ms is not None:
        parts.append(f"until {day(instrument.until_ms)}")
    if instrument.corrections:
        since = [
            day(each.from_ms) if each.from_ms is not None else "the first reading" for each in instrument.corrections
        ]
        parts.append(f"calibrated from {', '.join(since)}")
    return ", ".join(parts)


def _counts_and_weights(instrument: Instrument, measure: Measure) -> list[str]:
    """What is said only of counters, load cells and float switches."""
    physics = instrument.physics
    if isinstance(physics, Pulses) and instrument.kind == "rain pulses":
        return [f"{measure.rain(physics.per_pulse):.3g} {'in' if measure.system == 'US' else 'mm'} of rain a tip"]
    if isinstance(physics, Pulses):
        each = f"{measure.volume(physics.per_pulse):.3g} {measure.volume_unit} a pulse"
        return [each, "water that comes into the tank" if instrument.fills else "water that leaves the tank"]
    if isinstance(physics, LoadCell):
        pounds = measure.system == "US"
        empty = f"{trimmed(physics.empty_kg / (KG_PER_LB if pounds else 1.0), 1)} {'lb' if pounds else 'kg'}"
        carried = "" if physics.carried == 1.0 else f", carries {physics.carried * 100:.0f} % of the weight"
        return [f"shows {empty} when empty{carried}"]
    if isinstance(physics, FloatSwitch):
        return ["switches at " + " and ".join(measure.length_text(each) for each in physics.heights_m)]
    return []


def day(ms: int) -> str:
    """A time as the file would have it, in UTC."""
    at = datetime.fromtimestamp(ms / 1000, UTC)
    return (
        at.date().isoformat() + " UTC"
        if (at.hour, at.minute, at.second) == (0, 0, 0)
        else at.strftime("%Y-%m-%dT%H:%M:%SZ")
    )


def _place(site: Site) -> str:
    parts = [site.name, f"days by {site.timezone.key}"]
    if site.latitude is not None and site.longitude is not None:
        north, east = "N" if site.latitude >= 0 else "S", "E" if site.longitude >= 0 else "W"
        parts.append(f"{trimmed(abs(site.latitude), 4)} {north}, {trimmed(abs(site.longitude), 4)} {east}")
    if site.elevation_m:
        us = site.measure.system == "US"
        high = f"{trimmed(site.elevation_m / M_PER_FT, 0)} ft" if us else f"{trimmed(site.elevation_m, 0)} m"
        parts.append(f"{high} above the sea")
    return ", ".join([*parts, f"{site.measure.system} units"])


def _weather(site: Site) -> str:
    named = (("air", site.air_series), ("rain", site.rain_series), ("barometer", site.barometer_series))
    gauges = [each for each in site.instruments.values() if not each.tank]
    humidity = f", humidity from {site.humidity_series}" if site.humidity_series else ""
    return (
        "Weather: "
        + ", ".join(f"{what} from {series}" if series else f"no {what}" for what, series in named)
        + humidity
        + "".join(f"\n  sensor {each.name}: {instrument_words(each, site.measure)}" for each in gauges)
    )


def _broker(site: Site) -> str:
    broker = site.broker
    who = f"as {broker.username}" if broker.username else "without a name"
    how = "encrypted" if broker.tls else "not encrypted"
    secret = ", with a password" if broker.password else ""
    where = f"{broker.host} port {broker.port}, {who}{secret}, {how}"
    return f"Broker: {where}, topics {broker.prefix}/…, session {broker.client_id}"


def _store(site: Site) -> str:
    store = site.store
    often, long = duration(store.commit_every_s), duration(store.keep_raw_s)
    return f"Store: {store.folder}, written at least every {often}, raw readings kept {long}"


def duration(seconds: float) -> str:
    """A duration in the largest unit that divides it well: 400 days, 10 min, 60 s."""
    for unit, size in (("days", DAY_S), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size and seconds % size == 0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"


def _page(site: Site) -> str:
    if not site.page.on:
        return "off"
    names = f", also answers to {', '.join(site.page.hosts)}" if site.page.hosts else ""
    return site.page.address + names


def exposure_words(site: Site, name: str) -> str:
    """One thing that can freeze: what it is, where, how it is kept."""
    each = site.exposures[name]
    parts = [f"{name}, a {each.kind}" + (f" of {each.tank}" if each.tank else "")]
    if each.insulation_m2k_w > 0:
        parts.append("insulated")
    if each.box_m2k_w > 0:
        parts.append("in a box")
    if each.drained:
        parts.append("drained")
    if each.limit_c is not None:
        parts.append(f"below {site.measure.temperature_text(each.limit_c)} outside")
    return ", ".join(parts)


def channel_words(channel: Any) -> str:
    """One channel: kind, where to without a secret, from which severity on, quiet hours."""
    parts = [
        channel.kind,
        f'takes "{channel.severity}" and worse' if channel.severity != "act now" else 'takes "act now" only',
    ]
    if getattr(channel, "host", None):
        parts.insert(1, f"by {channel.host}")
    if getattr(channel, "to", None):
        parts.insert(2, f"to {', '.join(channel.to)}")
    if channel.after_s:
        parts.append(f"only what nobody has seen after {duration(channel.after_s)}")
    if channel.sheet:
        parts.append("with the weekly sheet")
    if channel.quiet:
        parts.append(f'{channel.quiet} "act now" only')
    parts.append(f"at most {channel.daily_cap} a day")
    if channel.test != "off":
        parts.append(f"tested {channel.test}")
    return ", ".join(parts)


def mirror_words(mirror: MirrorSettings) -> str:
    """The mirror: where to, under which name, how often; never the token."""
    secret = "with a token" if mirror.token else "without a token"
    where = f"{mirror.url}, bucket {mirror.bucket}, {secret}, as site {mirror.site}"
    often = f"every {duration(mirror.every_s)}, at most {mirror.batch} readings a request and {mirror.rate} a second"
    return f"readings and levels go to {where}; {often}"


def site_values(site: Site) -> dict[str, Any]:
    """The site as plain values: volumes in m3 and gallons, lengths in m, times in ms."""
    broker, store, page = site.broker, site.store, site.page
    return {
        "name": site.name,
        "timezone": site.timezone.key,
        "latitude": site.latitude,
        "longitude": site.longitude,
        "elevation_m": site.elevation_m,
        "units": site.measure.system,
        "sha256": site.sha.hex(),
        "tanks": {name: tank_values(tank, site) for name, tank in site.tanks.items()},
        "transfers": [{"name": each.name, "from": each.source, "to": each.target} for each in site.transfers],
        "sensors": {name: instrument_values(each) for name, each in site.instruments.items()},
        "routes": [
            {"name": r.name, "topic": r.topic, "form": r.form, "series": r.series, "unit": r.unit} for r in site.routes
        ],
        "weather": {
            "air": site.air_series,
            "humidity": site.humidity_series,
            "rain": site.rain_series,
            "barometer": site.barometer_series,
        },
        "broker": {
            "host": broker.host,
            "port": broker.port,
            "tls": broker.tls is not None,
            "prefix": broker.prefix,
            "client_id": broker.client_id,
        },
        "store": {"folder": str(store.folder), "commit_every_s": store.commit_every_s, "keep_raw_s": store.keep_raw_s},
        "page": {"on": page.on, "address": page.address, "hosts": list(page.hosts)},
        "channels": {name: {"kind": each.kind, "severity": each.severity} for name, each in site.channels.items()},
        "exposures": list(site.exposures),
        "mirror": None
        if site.mirror is None
        else {"url": site.mirror.url, "bucket": site.mirror.bucket, "org": site.mirror.org, "site": site.mirror.site},
        "backup": None
        if site.backup is None
        else {"folder": str(site.backup.folder), "every_s": site.backup.every_s, "keep": site.backup.keep},
        "warnings": list(site.warnings),
    }


def tank_values(tank: Tank, site: Site) -> dict[str, Any]:
    """One tank as plain values."""
    return {
        "words": tank.describe(site.measure),
        "uses": list(tank.uses),
        "filled_by": list(tank.filled_by),
        "outlet_m": tank.outlet_m,
        "overflow_m": tank.overflow_m,
        "height_m": tank.height_m,
        "capacity_m3": tank.capacity_m3,
        "capacity_gal": tank.capacity_m3 / M3_PER_GAL,
        "full_on_hand_m3": tank.full_on_hand_m3,
        "full_on_hand_gal": tank.full_on_hand_m3 / M3_PER_GAL,
        "reserve_m3": tank.reserve_m3,
        "floor_m3": tank.floor_m3,
        "roof_m2": tank.roof_m2,
        "haul": None
        if tank.haul is None
        else {
            "load_m3": tank.haul.load_m3,
            "usual_wait_days": tank.haul.usual_wait_days,
            "worst_wait_days": tank.haul.worst_wait_days,
        },
        "geometry": tank.geometry,
        "vessels": [each.name for each in tank.vessels if each.name],
        "sensors": [each.name for each in site.instruments_of(tank.name)],
    }


def instrument_values(instrument: Instrument) -> dict[str, Any]:
    """One sensor as plain values."""
    return {
        "tank": instrument.tank,
        "vessel": instrument.vessel or None,
        "kind": instrument.kind,
        "series": instrument.series,
        "unit": instrument.unit,
        "height_m": getattr(instrument.physics, "height_m", None),
        "air_series": instrument.air_series,
        "water_series": instrument.water_series,
        "from_ms": instrument.from_ms,
        "until_ms": instrument.until_ms,
        "calibrations": len(instrument.corrections),
    }
