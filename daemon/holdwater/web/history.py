"""A season out of the store: what picture, list and table show. Read in one short pass, then the store is let go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from holdwater.config.site import Site
from holdwater.counted import rain_days
from holdwater.store.rows import DAY_MS, HOUR_MS, LevelRow, NoteRow, NoticeStepRow
from holdwater.units import Measure, rounded, trimmed
from holdwater.web.charts.axis import days_between, local_date, midnight_ms
from holdwater.web.charts.data import Season, Sign, Sky, TankLane
from holdwater.web.sources import History
from holdwater.web.words import bare

HOURS_UP_TO_DAYS = 200
"""Longer ranges are drawn from local days, so that rows stay few."""

MOST_SIGNS = 200
"""Signs in one picture; earlier ones are left to the table."""


@dataclass(frozen=True, slots=True)
class DayLine:
    """One local day in the table, as text: on hand of each tank, rain, lowest air, what was written and told."""

    day: date
    levels: tuple[str, ...]
    rain: str
    low: str
    signs: tuple[str, ...]


def read_season(
    site: Site,
    reader: History,
    measure: Measure,
    names: Sequence[str],
    *,
    days: int,
    now_ms: int,
    last: date | None = None,
) -> Season:
    """So many local days up to one, that day counted.

    Args:
        site: tanks and series.
        reader: the store, open.
        measure: household units.
        names: tanks to show, in this order.
        days: 1 to 3,660.
        now_ms: where *today* is.
        last: the last day; today when None.
    """
    start, end = season_bounds(site, days, last or local_date(now_ms, site.timezone))
    span = HOUR_MS if days <= HOURS_UP_TO_DAYS else DAY_MS
    lanes = []
    for name in names:
        tank = site.tanks[name]
        lanes.append(TankLane(name, tank.full_on_hand_m3, tank.reserve_m3, reader.levels(name, span, start, end), span))
    signs = signs_of(reader.notes(start, end), reader.notices(start, end), measure)
    return Season(
        site.name, site.timezone, measure, start, end, now_ms, lanes, read_sky(site, reader, start, end), signs
    )


def season_bounds(site: Site, days: int, last: date) -> tuple[int, int]:
    """Local midnights around so many days up to one."""
    first, after = last - timedelta(days=days - 1), last + timedelta(days=1)
    return midnight_ms(first, site.timezone), midnight_ms(after, site.timezone)


def last_day(site: Site, days: int, newest_ms: int, now_ms: int) -> date:
    """The last day of a span that names none: today, or that of the newest reading where the span would show nothing.

    A store that was filled by a replay, or that rested over a summer, would else be shown as an empty picture.
    """
    today = local_date(now_ms, site.timezone)
    return (
        today
        if newest_ms < 0 or newest_ms >= season_bounds(site, days, today)[0]
        else local_date(newest_ms, site.timezone)
    )


def read_sky(site: Site, reader: History, start_ms: int, end_ms: int) -> Sky:
    """Rain and lowest air of each local day."""
    rain = lows = None
    if site.rain_series is not None:
        rain = rain_days(site, reader, start_ms, end_ms)
    if site.air_series is not None:
        lows = [(row.start_ms, row.lo) for row in reader.rolls(site.air_series, DAY_MS, start_ms, end_ms)]
    return Sky(rain, lows)


def signs_of(notes: Sequence[NoteRow], steps: Sequence[NoticeStepRow], measure: Measure) -> list[Sign]:
    """Notes, and notices at the moment they were told, in order of time, numbered."""
    found: list[tuple[int, str, str, str]] = []
    for note in notes:
        kind = note.kind if note.kind in {"load", "dip"} else "chore"
        found.append((note.at_ms, kind, "", note_words(note, measure)))
    told: set[int] = set()
    for step in steps:
        if step.state == "active" and step.notice not in told:
            told.add(step.notice)
            found.append((step.at_ms, "notice", step.severity, f"{step.severity}: {bare(step.short)}"))
    found.sort(key=lambda each: each[0])
    return [Sign(number, *each) for number, each in enumerate(found[-MOST_SIGNS:], start=1)]


def note_words(note: NoteRow, measure: Measure) -> str:
    """A note in words: its kind, the tank, its figures in household units, its text."""
    words = ["note" if note.kind == "other" else note.kind.replace("_", " ")]
    tank = note.body.get("tank")
    if isinstance(tank, str):
        words.append(tank)
    for key, value in note.body.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        if key.endswith("_m3"):
            words.append(measure.volume_text(value))
        elif key.endswith("_m"):
            words.append(measure.length_text(value))
        elif key.endswith("_c"):
            words.append(f"{trimmed(measure.temperature(value), 0)} °{measure.temperature_unit}")
    for key in ("what", "exposure", "text", "words"):
        text = note.body.get(key)
        if isinstance(text, str) and text:
            words.append(text)
    return ", ".join(words)


def day_lines(
    site: Site, reader: History, measure: Measure, names: Sequence[str], *, days: int, last: date
) -> list[DayLine]:
    """The season as a table, the newest day first."""
    start, end = season_bounds(site, days, last)
    levels = {
        name: {_day(row.start_ms, site): row for row in reader.levels(name, DAY_MS, start, end)} for name in names
    }
    sky = read_sky(site, reader, start, end)
    rain = {_day(at, site): metres for at, metres in sky.rain or ()}
    lows = {_day(at, site): low for at, low in sky.lows or ()}
    signs: dict[date, list[str]] = {}
    for sign in signs_of(reader.notes(start, end), reader.notices(start, end), measure):
        signs.setdefault(local_date(sign.at_ms, site.timezone), []).append(sign.words)
    lines = []
    for each in days_between(local_date(start, site.timezone), local_date(end - 1, site.timezone)):
        texts = tuple(_level(levels[name].get(each), measure) for name in names)
        lines.append(
            DayLine(
                each, texts, _rain(rain.get(each), measure), _low(lows.get(each), measure), tuple(signs.get(each, ()))
            )
        )
    return lines[::-1]


def _day(ms: int, site: Site) -> date:
    return local_date(ms, site.timezone)


def _level(row: LevelRow | None, measure: Measure) -> str:
    if row is None or row.on_hand_m3 is None:
        return "unknown"
    doubt = measure.volume(2 * (row.u_noise_m3**2 + row.u_scale_m3**2) ** 0.5)
    return (
        f"{rounded(measure.volume(row.on_hand_m3), doubt / 2)} ± {doubt:.0f}"
        if doubt >= 1
        else f"{rounded(measure.volume(row.on_hand_m3), doubt / 2)} ± {doubt:.1f}"
    )


def _rain(metres: float | None, measure: Measure) -> str:
    if metres is None:
        return "–"
    return trimmed(measure.rain(metres), 2 if measure.system == "US" else 1)


def _low(low_c: float | None, measure: Measure) -> str:
    return "–" if low_c is None else f"{measure.temperature(low_c):.0f}"
