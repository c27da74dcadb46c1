"""`holdwater check`: says a config in words, or everything that is wrong with it."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from holdwater import __version__
from holdwater.alerts.kind import Kind, Rule
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.settings import rule_of
from holdwater.config.general import StoreConfig
from holdwater.config.history import Change, compare
from holdwater.config.load import read_text
from holdwater.config.moves import MOVES, moved
from holdwater.config.site import Site
from holdwater.config.syntax import parse_toml
from holdwater.config.words import duration, site_values, site_words
from holdwater.errors import ConfigError, HoldwaterError
from holdwater.sitefile import open_site
from holdwater.store.reader import step_of
from holdwater.store.steps import STEPS
from holdwater.units import Measure, trimmed


@click.command("check", short_help="Say a config in words, or what is wrong with it.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="For machines: one JSON object, problems included.")
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    metavar="STORED.toml",
    help="Another config, for instance the one in use: say what changes and from when each change counts.",
)
@click.option(
    "--upgrade",
    is_flag=True,
    help="Before a new version takes over: settings that changed, old and new, and the store.",
)
def command(file: Path, *, as_json: bool, against: Path | None, upgrade: bool) -> None:
    """Say in words what the config FILE means, so that you can see whether it is your place.

    Every tank with what it holds when full, its sensors, weather, broker, page, notices, and what is worth a word.
    Nothing is started or written.

    Exit code 0: the file is right. 2: it is not; every problem of it is listed, with the key, what was found, what was
    expected and how to mend it. 3: it cannot be read.
    """
    if upgrade and not as_json:
        click.echo("\n".join(upgrade_words(file)))
    try:
        site = open_site(file, os.environ)
        changes = changes_between(against, file) if against else ()
    except HoldwaterError as error:
        if not as_json:
            raise
        click.echo(json.dumps(error_values(error), ensure_ascii=False, indent=2))
        sys.exit(error.exit_code)
    if as_json:
        click.echo(json.dumps(values(site, changes), ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(words(site, changes, compared=against is not None)))


def changes_between(old: Path, new: Path) -> tuple[Change, ...]:
    """What differs between two config files.

    Raises:
        HoldwaterError: one of them cannot be read.
    """
    texts = []
    for path in (old, new):
        text = read_text(path)
        _, problems = parse_toml(text)
        if problems:
            raise ConfigError(str(path), problems)
        texts.append(text)
    return compare(texts[0], texts[1])


def upgrade_words(file: Path) -> list[str]:
    """What this version makes of a file and a store of an older one.

    Raises:
        HoldwaterError: the file cannot be read.
    """
    data, problems = parse_toml(read_text(file))
    if problems:
        raise ConfigError(str(file), problems)
    lines = ["Settings that changed, up to this version " + __version__]
    lines += [f"  {each}" for each in moved(data)] or [
        f"  in this file: none ({'no setting has changed yet' if not MOVES else 'all names are the present ones'})"
    ]
    return [*lines, *_store_words(data, file), ""]


def _store_words(data: dict[str, Any], file: Path) -> list[str]:
    """The store's schema beside ours; nothing is changed, the store is opened read-only."""
    section = data.get("store")
    named = section.get("folder") if isinstance(section, dict) else None
    folder = file.absolute().parent / Path(named if isinstance(named, str) else StoreConfig().folder).expanduser()
    try:
        ran = step_of(folder)
    except HoldwaterError as error:
        return [f"Store {folder}: {error.found}"]
    if ran is None:
        return [f"Store {folder}: none yet"]
    if ran > len(STEPS):
        return [
            f"Store {folder}: written by a newer version (step {ran}, this one knows {len(STEPS)}); it would be refused"
        ]
    due = len(STEPS) - ran
    what = (
        "nothing to do"
        if not due
        else f"{due} step{'s' * (due > 1)} at the first start, each whole or not at all; nothing is lost"
    )
    return [f"Store {folder}: step {ran} of {len(STEPS)}, {what}"]


def words(site: Site, changes: tuple[Change, ...], *, compared: bool) -> list[str]:
    """All that `check` says of a right file."""
    lines = [*site_words(site), "", "Notices", *notice_words(site)]
    if compared:
        lines += ["", "Changes", *([f"  {change.words}" for change in changes] or ["  none"])]
    if site.warnings:
        lines += ["", "Worth a word", *(f"  {warning}" for warning in site.warnings)]
    return [*lines, "", "The file is right."]


def notice_words(site: Site) -> Iterator[str]:
    """Every kind of notice with its lines: as they hold for all, then the tanks that differ."""
    for kind in KINDS.values():
        rule = rule_of(kind, "", site.notices)
        yield f"  {kind.title}: {rule_words(kind, rule, site.measure)}"
        for tank in site.tanks:
            own = rule_of(kind, tank, site.notices)
            if own != rule:
                yield f"    {tank}: {rule_words(kind, own, site.measure)}"


def rule_words(kind: Kind, rule: Rule, measure: Measure) -> str:
    """One rule: severity, lines, durations, channels."""
    if rule.off:
        return "off"
    parts = [f'"{rule.severity.value}"']
    line = "its reserve" if kind.name == "low" else ""
    if rule.raise_at is not None:
        line = line_words(kind, rule.raise_at, measure)
    parts += _when("raised", line, rule.timing.raise_after_ms)
    line = f"{trimmed(rule.clear_margin * 100, 1)} % above" if rule.clear_margin else ""
    if rule.clear_at is not None:
        line = line_words(kind, rule.clear_at, measure)
    parts += _when("cleared", line, rule.timing.clear_after_ms)
    parts.append(f"to {', '.join(rule.channels)}" if rule.channels is not None else "to every channel that takes it")
    return ", ".join(parts)


def _when(what: str, line: str, after_ms: int) -> list[str]:
    """One end of a rule: raised at its line, after a time; nothing where it has neither."""
    at = f" at {line}" if line else ""
    after = f" after {duration(after_ms / 1000)}" if after_ms else ""
    return [f"{what}{at}{after}"] if at or after else []


def line_words(kind: Kind, value: float, measure: Measure) -> str:
    """A line of a notice in the household's units."""
    if kind.dimension == "temperature":
        return f"{trimmed(measure.temperature(value), 1)} {measure.temperature_unit}"
    if kind.dimension == "volume":
        return f"{trimmed(measure.volume(value), 1)} {measure.volume_unit}"
    if kind.dimension == "length":
        return measure.length_text(value)
    if kind.dimension == "time":
        return duration(value)
    return f"{trimmed(value * 100, 1)} %" if kind.dimension == "ratio" else f"{value:g}"


def values(site: Site, changes: tuple[Change, ...]) -> dict[str, Any]:
    """All that `check --json` says of a right file."""
    rows = [
        {"key": each.key, "subject": each.subject, "applies": each.applies, "words": each.words} for each in changes
    ]
    return {"ok": True, **site_values(site), "changes": rows, "problems": []}


def error_values(error: HoldwaterError) -> dict[str, Any]:
    """All that `check --json` says of a file that is wrong or cannot be read."""
    if isinstance(error, ConfigError):
        rows = [
            {"key": each.key, "found": each.found, "expected": each.expected, "fix": each.fix}
            for each in error.problems
        ]
        return {"ok": False, "file": error.path, "problems": rows}
    row = {"key": "file", "found": error.found, "expected": error.expected, "fix": error.do}
    return {"ok": False, "file": error.where, "problems": [row]}
