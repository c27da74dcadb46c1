"""`holdwater run`: the service."""

from __future__ import annotations

import contextlib
import logging
import signal
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import click

from holdwater.cli.options import config_option, site_of, store_option
from holdwater.config.apart import begin
from holdwater.logs import Form, set_up


@click.command("run")
@config_option
@store_option
@click.option(
    "--log-level",
    type=click.Choice(["debug", "info", "warning", "error"]),
    default="info",
    show_default=True,
    help="The least that is logged.",
)
@click.option(
    "--log", "form", type=click.Choice(["plain", "json"]), default="plain", show_default=True,
    help="How a line of the log is written: for people, or one JSON object a line for a log collector.",
)  # fmt: skip
@click.option(
    "--trust-clock", is_flag=True, help="This machine's clock is right, though no time server or clock chip says so."
)
def command(config: Path, store: Path | None, log_level: str, form: Form, trust_clock: bool) -> None:
    """Run the service until SIGTERM or Ctrl-C.

    Reads levels from the broker, keeps the store, serves the page, sends notices.
    Says READY to a service manager, and on the log the address of the page.
    """
    set_up(log_level, form)
    reading = begin(partial(site_of, config))
    from holdwater.service import Service  # noqa: PLC0415 -- while the config is read beside us

    site = reading.site()
    if store is not None:
        site = replace(site, store=replace(site.store, folder=store))
    service = Service(site, believed=trust_clock)

    def leave(_signal: int, _frame: object) -> None:
        service.stop()

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)
    service.start()
    log = logging.getLogger("holdwater")
    log.info("ready: %s, store %s, page %s", site.name, site.store.folder, site.page.address)
    with contextlib.suppress(KeyboardInterrupt):
        service.run()
    log.info("stopped")
    sys.stdout.flush()
