"""From the config's tables to one rule for each kind and subject, and everything that is wrong with them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from holdwater.alerts.kind import Kind, Rule
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.matter import Severity
from holdwater.config.notices import NoticeSettings, NoticeTable, Override
from holdwater.errors import Problem
from holdwater.units import EXAMPLES, UnitError, parse


def rule_of(kind: Kind, subject: str, settings: NoticeSettings | None) -> Rule:
    """The rule of a kind for a subject: defaults, then `[notice.KIND]`, then `[notice.KIND.tank.SUBJECT]`.

    Raises:
        UnitError: a line is not a quantity of the kind's dimension; `problems` finds that when the config is read.
    """
    defaults = kind.defaults
    rule = Rule(False, kind.severity, defaults.raise_at, defaults.clear_at, defaults.clear_margin, defaults.timing)
    config = settings.kinds.get(kind.name) if settings else None
    if config is None:
        return rule
    rule = replace(_over(rule, config, kind), channels=config.channels)
    override = config.tank.get(subject)
    return rule if override is None else _over(rule, override, kind)


def _over(rule: Rule, config: Override, kind: Kind) -> Rule:
    timing = rule.timing
    if config.raise_after is not None:
        timing = replace(timing, raise_after_ms=round(config.raise_after * 1000))
    if config.clear_after is not None:
        timing = replace(timing, clear_after_ms=round(config.clear_after * 1000))
    return replace(
        rule,
        off=rule.off if config.off is None else config.off,
        severity=rule.severity if config.severity is None else Severity(config.severity),
        raise_at=rule.raise_at if config.raise_at is None else _line(config.raise_at, kind),
        clear_at=rule.clear_at if config.clear_at is None else _line(config.clear_at, kind),
        clear_margin=rule.clear_margin if config.clear_margin is None else config.clear_margin,
        timing=timing,
    )


def _line(text: str, kind: Kind) -> float:
    if kind.dimension is None:
        raise UnitError(f"'{text}'", f"no line: '{kind.name}' has none of its own", "leave it out")
    return parse(text, kind.dimension)


def problems(settings: NoticeSettings, tanks: Iterable[str], channels: Iterable[str]) -> tuple[Problem, ...]:
    """Everything that is wrong with the `[notice.…]` tables, at once.

    Args:
        settings: the tables.
        tanks: names of the tanks of the site.
        channels: names of its channels, `log` and `mqtt` among them.
    """
    names, found = tuple(tanks), list[Problem]()
    known = tuple(channels)
    for name, config in settings.kinds.items():
        kind = KINDS.get(name)
        if kind is None:
            found.append(_unknown(f"notice.{name}", name, KINDS, "kind of notice"))
            continue
        for channel in config.channels or ():
            if channel not in known:
                found.append(_unknown(f"notice.{name}.channels", channel, known, "channel"))
        found += _lines(f"notice.{name}", kind, _over_of(kind), config)
        found += _tanks(kind, config, names)
    return tuple(found)


def _over_of(kind: Kind) -> tuple[float | None, float | None]:
    return kind.defaults.raise_at, kind.defaults.clear_at


def _tanks(kind: Kind, config: NoticeTable, names: tuple[str, ...]) -> list[Problem]:
    found: list[Problem] = []
    for tank, override in config.tank.items():
        key = f"notice.{kind.name}.tank.{tank}"
        if tank not in names:
            found.append(_unknown(key, tank, names, "tank"))
        found += _lines(key, kind, _over_of(kind), override)
    return found


def _lines(key: str, kind: Kind, defaults: tuple[float | None, float | None], config: Override) -> list[Problem]:
    values: list[float | None] = []
    for name, text, default in (("raise_at", config.raise_at, defaults[0]), ("clear_at", config.clear_at, defaults[1])):
        try:
            values.append(default if text is None else _line(text, kind))
        except UnitError as error:
            return [Problem(f"{key}.{name}", error.found, error.expected, error.fix)]
    raise_at, clear_at = values
    if raise_at is None or clear_at is None:
        return []
    wrong = clear_at >= raise_at if kind.rises else clear_at <= raise_at
    if not wrong:
        return []
    side = "below" if kind.rises else "above"
    example = EXAMPLES[kind.dimension] if kind.dimension else ""
    expected = f"clear_at {side} raise_at, so that noise at the line does not raise it again and again"
    return [Problem(f"{key}.clear_at", f"raise_at {config.raise_at or 'as default'}, clear_at {config.clear_at or 'as default'}",
                    expected, f'move one of them; written like "{example}"')]  # fmt: skip


def _unknown(key: str, name: str, known: Iterable[str] | Mapping[str, object], what: str) -> Problem:
    from difflib import get_close_matches  # noqa: PLC0415 -- for a mistake only; the service carries no difflib

    names = sorted(known)
    near = get_close_matches(name, names, n=1)
    fix = f"did you mean '{near[0]}'?" if near else f"take one of these, or leave {key} out"
    return Problem(key, f"'{name}'", f"a {what}: {', '.join(names) or 'there is none'}", fix)
