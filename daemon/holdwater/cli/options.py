"""What several commands take: the config file, the store's folder, times."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holdwater.errors import UsageError

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from holdwater.config.site import Site

ENVIRONMENT = "HOLDWATER_CONFIG"
DEFAULT = "/etc/holdwater/holdwater.toml"

config_option = click.option(
    "--config", "config", type=click.Path(path_type=Path), envvar=ENVIRONMENT, default=DEFAULT, show_default=True,
    help=f"The site's config file (or set {ENVIRONMENT}).",
)  # fmt: skip
store_option = click.option(
    "--store",
    "store",
    type=click.Path(path_type=Path),
    default=None,
    help="Folder of the store, instead of store.folder of the config.",
)


def site_of(config: Path) -> Site:
    """Load a config.

    Raises:
        ConfigError: with every problem of the file.
    """
    from holdwater.sitefile import open_site  # noqa: PLC0415 -- pydantic costs 20 MiB that not every command needs

    return open_site(config, os.environ)


def folder_of(site: Site, store: Path | None) -> Path:
    """Folder of the store: the option's, or the config's."""
    return store if store is not None else site.store.folder


def span_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """`--from`, `--to` and `--days`."""
    for option in (
        click.option("--days", type=click.IntRange(1, 36500), default=None, help="The last so many days."),
        click.option("--to", "until", default=None, help="End: a date (its end) or an RFC 3339 time."),
        click.option("--from", "since", default=None, help="Begin: a date (local midnight) or an RFC 3339 time."),
    ):
        function = option(function)
    return function


def moment_ms(text: str, zone: ZoneInfo, *, end_of_day: bool = False) -> int:
    """A time of the command line, ms UTC.

    Args:
        text: a local date such as 2026-10-10, or an RFC 3339 time.
        zone: time zone of dates and of times without an offset.
        end_of_day: a date stands for its end.

    Raises:
        UsageError: neither.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"time {text!r}",
            expected="a date such as 2026-10-10, or 2026-10-10T16:20:00-06:00",
            do="write it like that",
        ) from None
    if len(text) == 10 and end_of_day:
        moment += timedelta(days=1)
    return round((moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp() * 1000)


def span_ms(
    since: str | None, until: str | None, days: int | None, zone: ZoneInfo, bounds: tuple[int, int]
) -> tuple[int, int]:
    """Begin and end of a span, ms UTC; what is not given is the record's own begin and end."""
    oldest, newest = bounds
    end = newest + 1 if until is None else moment_ms(until, zone, end_of_day=True)
    if since is not None:
        return moment_ms(since, zone), end
    return (oldest if days is None else end - days * 86_400_000), end
