"""A season as a file of its own: the page's picture with title, date, site and list of signs, in its own colours."""

from __future__ import annotations

from holdwater.config.site import Site
from holdwater.units import Measure
from holdwater.web.charts.season import season_svg
from holdwater.web.history import read_season
from holdwater.web.sources import History
from holdwater.web.words import local, long_day


def saved_season(
    site: Site, reader: History, measure: Measure, names: tuple[str, ...], *, days: int, now_ms: int
) -> str:
    """A whole SVG file.

    Args:
        site: whose season.
        reader: the store, open.
        measure: household units.
        names: tanks to show.
        days: 1 to 3,660 local days up to `now_ms`.
        now_ms: where *today* is, ms UTC.
    """
    season = read_season(site, reader, measure, names, days=days, now_ms=now_ms)
    until = f"{long_day(now_ms, site.timezone)} {local(now_ms, site.timezone).year}"
    length = "one day" if days == 1 else f"{days} days"
    heading = (f"{site.name}: water on hand", f"{length} to {until}, days as in {site.timezone.key}")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{season_svg(season, heading=heading)}\n'
