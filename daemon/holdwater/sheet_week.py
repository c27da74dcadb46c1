"""The week out of the store, for the sheet: one short look, beside a running service."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwater.balance.days import day_bounds_ms
from holdwater.books import tank_book
from holdwater.counted import rain_of
from holdwater.outcomes import outcomes
from holdwater.sheet import CHORES, Week, week_days
from holdwater.store.rows import DAY_MS, NoteRow

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from holdwater.config.site import Site
    from holdwater.store.reader import Reader
    from holdwater.store.rows import NoticeLife

YEAR_MS = 366 * DAY_MS
REACHED_MS = 62 * DAY_MS
"""So far back it is looked for what each channel took: two monthly tests."""


def read_week(site: Site, reader: Reader, now_ms: int) -> Week:
    """The last seven whole local days, with what was told and written."""
    first, last = week_days(now_ms, site.timezone)
    start_ms, end_ms = day_bounds_ms(first, site.timezone)[0], day_bounds_ms(last, site.timezone)[1]
    books = {name: tank_book(site, reader, name, first, last)[0] for name in site.tanks}
    rain_m = sum(each.depth_m for each in rain_of(site, reader, start_ms, end_ms)) if site.rain_series else None
    notes = reader.notes(now_ms - YEAR_MS, now_ms + DAY_MS)
    lives = [life for life in reader.lives(now_ms - REACHED_MS) if life.steps[0].at_ms <= now_ms]
    told = [each for each in lives if any(step.at_ms >= start_ms for step in each.steps) or each.state != "clear"]
    found = sorted(outcomes(told, notes), key=lambda each: -each.raised_ms)
    return Week(
        books,
        rain_m,
        found,
        [note for note in notes if note.at_ms >= start_ms],
        last_done(notes),
        reached(site, lives),
    )


def last_done(notes: Iterable[NoteRow]) -> list[tuple[str, str, int]]:
    """Chores that were noted, each with its tank and time."""
    return [(note.kind, str(note.body.get("tank") or ""), note.at_ms) for note in notes if note.kind in CHORES]


def reached(site: Site, lives: Iterable[NoticeLife]) -> Mapping[str, tuple[int | None, int | None]]:
    """When each channel last took a message, and when a test of it was last answered."""
    found: dict[str, tuple[int | None, int | None]] = dict.fromkeys(site.channels, (None, None))
    for life in lives:
        for name, state in life.told:
            if name not in found:
                continue
            taken_ms, answered_ms = found[name]
            if state == "sent":
                taken_ms = max(taken_ms or 0, life.steps[-1].at_ms)
            if life.kind == "test" and life.subject == name and life.seen_ms is not None:
                answered_ms = max(answered_ms or 0, life.seen_ms)
            found[name] = (taken_ms, answered_ms)
    return found
