"""The gap report: what is here and not on the server, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from holdwater.balance.days import day_of
from holdwater.mirror.lines import Heads
from holdwater.mirror.look import Look
from holdwater.mirror.marks import Marks
from holdwater.mirror.source import Source

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from holdwater.config.site import Site


def waiting_days(site: Site, folder: Path) -> list[tuple[date, int]]:
    """Local days with readings or levels that wait, and how many.

    Raises:
        StoreError: there is no store.
    """
    found: Counter[date] = Counter()
    name = site.mirror.site if site.mirror is not None else site.name
    with Marks.look(folder) or Marks.none() as marks, Source(folder) as source:
        look = Look(source, marks, Heads(site, name), site.tanks)
        for hour, count in (look.all() | look.near()).items():
            found[day_of(hour, site.timezone)] += count
    return sorted(found.items())


def refusal_words(folder: Path, zone: ZoneInfo) -> Iterator[str]:
    """What the server did not take, or what was gone before it did: one line a series and reason."""
    marks = Marks.look(folder)
    if marks is None:
        return
    with marks:
        names = marks.names()
        for each in marks.refusals():
            kind, _, rest = names.get(each.series, "reading:?").partition(":")
            series = rest.rpartition(":")[0] if kind == "reading" else f"level of {rest}"
            since, until = (datetime.fromtimestamp(ms / 1000, zone) for ms in (each.from_ms, each.to_ms))
            yield f"{series}: {each.n:,} from {since:%Y-%m-%d %H:%M} to {until:%Y-%m-%d %H:%M} not there: {each.words}"
            if each.line:
                yield f"    such as: {each.line[:200]}"
