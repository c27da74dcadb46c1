"""What is tried at the tank: the walk before drilling, the tape beside the sensor, two minutes at the tap.

The tallies are pure; `listen` loops feed them from an `Ear` and say what happens.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdwater.setting_up.hearing import Ear, Heard
from holdwater.tanks.tank import Tank
from holdwater.units import Measure, rounded, trimmed, wire_unit
from holdwater_sensors.instrument import Instrument, Surroundings
from holdwater_sensors.quality import words as quality_words

if TYPE_CHECKING:
    from holdwater.config.site import Site

WALK_PACKS = 20
REMIND_S = 60.0
GIVE_UP_S = 15 * 60.0
TAP_S = 120.0
SIGNALS = ("signal", "rssi")
"""Quantities by which a box may announce how strongly it is heard; in dBW or dBm (RFC 8428 and 8798)."""

WEAK_DBM = -85.0
"""Below it a box is lost in rain or behind a full tank (common practice, no source)."""

Say = Callable[[str], None]


@dataclass(slots=True)
class Walk:
    """The tally of a walk test: how many packs came, how many were lost, how strong.

    Attributes:
        came: packs heard, repeats not counted.
        repeats: packs heard again.
        unreadable: messages that could not be read.
        signals_dbm: strengths announced.
    """

    came: int = 0
    repeats: int = 0
    unreadable: int = 0
    signals_dbm: list[float] = field(default_factory=list)
    _seen: dict[int, set[int]] = field(default_factory=dict)

    def take(self, heard: Heard) -> None:
        """Count one message."""
        pack = heard.pack
        if pack is None:
            self.unreadable += 1
            return
        if pack.run is not None and pack.seq is not None:
            seen = self._seen.setdefault(pack.run, set())
            if pack.seq in seen:
                self.repeats += 1
                return
            seen.add(pack.seq)
        self.came += 1
        # SenML keeps power ratios in dBW; a radio's strength is said in dBm, 30 more
        self.signals_dbm += [
            each.value + 30.0 for each in pack.readings if each.quantity in SIGNALS and each.unit == "dBW"
        ]

    @property
    def lost(self) -> int | None:
        """Numbers missing between the first and the last pack of each run; None when the box does not number its packs."""
        return sum(max(seen) - min(seen) + 1 - len(seen) for seen in self._seen.values()) if self._seen else None

    def words(self, node: str) -> str:
        """The verdict."""
        lines = [f"{node}: {self.came} came" + ("" if self.lost is None else f" of {self.came + self.lost}") + "."]
        if self.unreadable:
            lines.append(f"{self.unreadable} could not be read: see its program, or a route in the config.")
        if self.lost is None and self.came:
            lines.append("It does not number its packs: what was lost on the way cannot be told.")
        elif self.lost:
            lines.append(f"{self.lost} lost on the way: move the box or its antenna before you drill.")
        if self.signals_dbm:
            weakest, middle = min(self.signals_dbm), statistics.median(self.signals_dbm)
            lines.append(
                f"Strength {middle:.0f} dBm, weakest {weakest:.0f}."
                + (" Weak: rain or a full tank may cut it off." if weakest < WEAK_DBM else "")
            )
        elif self.came:
            lines.append("It does not announce how strongly it is heard.")
        return " ".join(lines)


def walk(
    ear: Ear, node: str, say: Say, *, packs: int = WALK_PACKS, remind_s: float = REMIND_S, give_up_s: float = GIVE_UP_S
) -> Walk:
    """Count the packs of a box until so many came; while nothing comes, say so.

    Args:
        ear: connected.
        node: name of the box.
        say: prints a line.
        packs: how many to wait for.
        remind_s: how long silence lasts before it is said, and said again.
        give_up_s: after so long without any pack it is over.
    """
    tally = Walk()
    say(
        f"Carry {node} to its place and back, or stay and reset it {packs} times. Waiting for {packs} packs; Ctrl-C ends it."
    )
    for heard in _packs_of(ear, node, say, remind_s, give_up_s):
        tally.take(heard)
        say(f"  {tally.came:>2}  {_contents(heard)}")
        if tally.came >= packs:
            break
    return tally


def _packs_of(ear: Ear, node: str, say: Say, remind_s: float, give_up_s: float) -> Iterator[Heard]:
    """What a box sends, one after the other, with reminders while it is silent; ends after a long silence."""
    last_s = time.monotonic()
    reminded_s = last_s
    while True:
        heard = ear.next(max(0.0, min(reminded_s + remind_s, last_s + give_up_s) - time.monotonic()))
        now_s = time.monotonic()
        if heard is not None and heard.node == node:
            last_s = reminded_s = now_s
            yield heard
        elif now_s - last_s >= give_up_s:
            say(silent_words(node, now_s - last_s) + " Giving up for now.")
            return
        elif now_s - reminded_s >= remind_s:
            reminded_s = now_s
            say(silent_words(node, now_s - last_s))


def silent_words(node: str, silent_s: float) -> str:
    """While nothing comes."""
    long = f"{silent_s / 60:.0f} min" if silent_s >= 60 else f"{silent_s:.0f} s"
    return f"nothing heard from {node}, {long}: check power, name, password"


def _contents(heard: Heard) -> str:
    if heard.pack is None:
        return f"cannot be read: {heard.wrong}"
    return ", ".join(f"{each.quantity} {each.value:.6g} {each.unit}".rstrip() for each in heard.pack.readings)


# -- level ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Level:
    """A depth by the sensor with its doubt; `depth_m` None with the reason where it cannot be trusted."""

    depth_m: float | None
    u_m: float
    reason: str = ""


class Gauge:
    """Makes a level of what is heard: the sensor's value, with the newest temperatures beside it."""

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._beside: dict[str, float] = {}

    def take(self, heard: Heard) -> Level | None:
        """The level of a pack; None when it has none."""
        if heard.pack is None:
            return None
        each = self._instrument
        values = {f"{heard.node}:{r.quantity}": wire_unit(r.unit).to_si(r.value) for r in heard.pack.readings}
        self._beside |= values
        if each.series not in values:
            return None
        look = self._beside.get
        around = Surroundings(
            air_c=look(each.air_series or ""),
            water_c=look(each.water_series or ""),
            supply_v=look(each.supply_series or ""),
        )
        depth = each.depth(values[each.series], around)
        u_m = (depth.u_noise_m**2 + depth.u_scale_m**2) ** 0.5
        return Level(depth.depth_m, u_m, "" if depth.depth_m is not None else quality_words(depth.quality))


def hear_level(
    ear: Ear, instrument: Instrument, say: Say, *, remind_s: float = REMIND_S, give_up_s: float = GIVE_UP_S
) -> Level | None:
    """The next level of a sensor; None after a long silence."""
    gauge = Gauge(instrument)
    for heard in _packs_of(ear, instrument.series.partition(":")[0], say, remind_s, give_up_s):
        level = gauge.take(heard)
        if level is not None:
            return level
        say(f"  heard, but without {instrument.series}: {_contents(heard)}")
    return None


def tape_words(tape_m: float, level: Level, instrument: Instrument, measure: Measure) -> str:
    """The tape beside the sensor: “tape says 21 in, sensor says 21.3”."""
    if level.depth_m is None:
        return f"The sensor gives no depth: {level.reason}"
    unit, show = measure.length_unit, measure.length
    said = (
        f"Tape says {trimmed(show(tape_m), 1)} {unit}, sensor says "
        f"{trimmed(show(level.depth_m), 1)} (give or take {show(2 * level.u_m):.1f})."
    )
    apart_m = level.depth_m - tape_m
    if abs(apart_m) <= max(2 * level.u_m, 0.006):
        return said + " They agree."
    what = "its face" if instrument.kind == "ultrasonic" else "its opening"
    return said + (
        f" They do not agree by {show(abs(apart_m)):.1f} {unit}: tape once more; "
        f"if it stays, the height of {what} is off by that much."
    )


# -- tap --------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drawn:
    """What two minutes at the tap showed: drop by the sensor with its doubt, m3; None where a level was missing."""

    by_sensor_m3: float | None
    u_m3: float
    seconds: float

    def words(self, bucket_m3: float | None, measure: Measure) -> str:
        """The sensor beside the bucket."""
        if self.by_sensor_m3 is None:
            return "No level before or after: the tap test says nothing."
        show, unit = measure.volume, measure.volume_unit
        u = show(2 * self.u_m3)
        said = f"By the sensor {rounded(show(self.by_sensor_m3), u / 2)} {unit} went out, give or take {u:.1f}."
        if bucket_m3 is None:
            return said
        minutes = self.seconds / 60
        said += f" By the bucket {trimmed(show(bucket_m3), 1)}: {show(bucket_m3) / minutes:.1f} {unit}/min."
        if abs(self.by_sensor_m3 - bucket_m3) > 2 * self.u_m3 + 0.05 * bucket_m3:
            return said + " They do not agree: is another tap open, does a pump fill, are the tank's measures right?"
        if show(bucket_m3) < u:
            return said + " Too little for this sensor to see; that is no fault. Draw more for a sharper test."
        return said + " They agree."


def tap(
    ear: Ear,
    site: Site,
    tank: str,
    say: Say,
    *,
    open_s: float = TAP_S,
    remind_s: float = REMIND_S,
    give_up_s: float = GIVE_UP_S,
) -> Drawn:
    """Two minutes at the tap: a level before, the tap open, a level after.

    Args:
        ear: connected.
        site: for the sensor and the tank.
        tank: name of the tank.
        say: prints a line.
        open_s: how long the tap is open, s.
        remind_s: how long silence lasts before it is said, s.
        give_up_s: after so long without any pack it is over, s.
    """
    instrument = next(each for each in site.instruments_of(tank) if each.gives_depth)
    body = site.tanks[tank]
    say("Shut every tap and pump of this tank. Waiting for a level.")
    before = hear_level(ear, instrument, say, remind_s=remind_s, give_up_s=give_up_s)
    if before is None or before.depth_m is None:
        return Drawn(None, 0.0, open_s)
    say(f"Open the tap NOW, into a bucket that you know. Shut it when I say so, in {open_s:.0f} s.")
    end_s = time.monotonic() + open_s
    gauge = Gauge(instrument)
    while (left_s := end_s - time.monotonic()) > 0:
        heard = ear.next(left_s)
        level = gauge.take(heard) if heard is not None and heard.node == instrument.series.partition(":")[0] else None
        if level is not None and level.depth_m is not None:
            say(f"  {left_s:>4.0f} s left, {_drop_words(body, before, level, site.measure)}")
    say("Shut it NOW. Waiting for a level of the water at rest.")
    while ear.next(0.0) is not None:
        pass  # levels from before the tap was shut
    after = hear_level(ear, instrument, say, remind_s=remind_s, give_up_s=give_up_s)
    return drawn(body, before, after, instrument, open_s)


def drawn(tank: Tank, before: Level, after: Level | None, instrument: Instrument, seconds: float) -> Drawn:
    """The drop between two levels. What both share (mount, geometry, scale) cancels; each has the noise of one reading."""
    if before.depth_m is None or after is None or after.depth_m is None:
        return Drawn(None, 0.0, seconds)
    drop_m3 = tank.volume_m3(before.depth_m) - tank.volume_m3(after.depth_m)
    u_m3 = tank.area_m2((before.depth_m + after.depth_m) / 2) * instrument.spread_m * 2**0.5
    return Drawn(drop_m3, u_m3, seconds)


def _drop_words(tank: Tank, before: Level, now: Level, measure: Measure) -> str:
    drop_m3 = tank.volume_m3(before.depth_m or 0.0) - tank.volume_m3(now.depth_m or 0.0)
    return f"{measure.length_text(now.depth_m or 0.0)} deep, {measure.volume(drop_m3):.1f} {measure.volume_unit} gone"
