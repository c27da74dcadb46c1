"""`[notice.…]` and `[channel.…]`: what they may say, what they become, and every mistake with its fix."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from holdwater.alerts.kinds import KINDS
from holdwater.alerts.settings import problems, rule_of
from holdwater.config.channel import ChannelConfig
from holdwater.config.channels import LogChannel, WebhookChannel, with_defaults
from holdwater.config.notice import NoticeConfig
from holdwater.config.notices import NoticeSettings
from holdwater.units import UnitError

CHANNEL: TypeAdapter[Any] = TypeAdapter(ChannelConfig)
TANKS, CHANNELS = ("drinking", "garden"), ("log", "mqtt", "phone")


def settings(**kinds: dict[str, Any]) -> NoticeSettings:
    return NoticeSettings(
        {name.replace("_", "-"): NoticeConfig.model_validate(each).build() for name, each in kinds.items()}
    )


def keys(found: NoticeSettings) -> list[str]:
    return [each.key for each in problems(found, TANKS, CHANNELS)]


def test_without_a_table_a_kind_keeps_its_defaults() -> None:
    """None is needed."""
    for kind in KINDS.values():
        for given in (None, NoticeSettings()):
            rule = rule_of(kind, "drinking", given)
            assert (rule.off, rule.severity, rule.timing) == (False, kind.severity, kind.defaults.timing)


def test_a_table_is_over_the_defaults_and_a_tank_over_the_table() -> None:
    """Only what is written changes."""
    given = settings(
        low={
            "raise_after": "5 min",
            "clear_margin": "10 %",
            "severity": "act now",
            "channels": ["phone"],
            "tank": {"garden": {"raise_after": "1 h", "off": True}},
        }
    )
    rule, garden = rule_of(KINDS["low"], "drinking", given), rule_of(KINDS["low"], "garden", given)
    assert (rule.timing.raise_after_ms, rule.timing.clear_after_ms, rule.clear_margin) == (300_000, 1_800_000, 0.1)
    assert (rule.severity, rule.channels, rule.off) == ("act now", ("phone",), False)
    assert (garden.timing.raise_after_ms, garden.clear_margin, garden.off, garden.channels) == (
        3_600_000,
        0.1,
        True,
        ("phone",),
    )


def test_lines_are_read_in_the_dimension_of_their_kind() -> None:
    """Degrees for freezing, gallons for low."""
    given = settings(freezing={"raise_at": "28 degF", "clear_at": "-1 degC"}, low={"raise_at": "100 L"})
    rule = rule_of(KINDS["freezing"], "air", given)
    assert rule.raise_at == pytest.approx(-2.2222, abs=1e-4)
    assert rule.clear_at == -1.0
    assert rule_of(KINDS["low"], "drinking", given).raise_at == pytest.approx(0.1)
    assert problems(given, TANKS, CHANNELS) == ()


MISTAKES: list[tuple[NoticeSettings, str, str]] = [
    (settings(lwo={}), "notice.lwo", "did you mean 'low'?"),
    (settings(low={"tank": {"dinking": {}}}), "notice.low.tank.dinking", "did you mean 'drinking'?"),
    (settings(low={"channels": ["fone"]}), "notice.low.channels", "did you mean 'phone'?"),
    (settings(freezing={"raise_at": "5 gal"}), "notice.freezing.raise_at", "degC"),
    (settings(silent={"raise_at": "5 min"}), "notice.silent.raise_at", "leave it out"),
    (settings(freezing={"raise_at": "36 degF"}), "notice.freezing.clear_at", "move one of them"),
    (settings(freezing={"clear_at": "32 degF"}), "notice.freezing.clear_at", "move one of them"),
    (settings(low={"tank": {"garden": {"clear_at": "1 in"}}}), "notice.low.tank.garden.clear_at", "gal"),
]


@pytest.mark.parametrize(("given", "key", "fix"), MISTAKES, ids=[key for _, key, _ in MISTAKES])
def test_a_mistake_is_said_with_its_key_and_its_fix(given: NoticeSettings, key: str, fix: str) -> None:
    """Found, expected, what to write."""
    (found,) = problems(given, TANKS, CHANNELS)
    assert found.key == key
    assert fix in found.fix
    assert found.expected


def test_all_mistakes_are_said_at_once() -> None:
    """Not the first only."""
    given = settings(lwo={}, low={"channels": ["fone"], "tank": {"x": {}}}, freezing={"raise_at": "5 gal"})
    assert sorted(keys(given)) == ["notice.freezing.raise_at", "notice.low.channels", "notice.low.tank.x", "notice.lwo"]


def test_a_line_that_was_never_checked_is_refused_when_it_is_used() -> None:
    """Nobody runs with a line that is not one."""
    with pytest.raises(UnitError):
        rule_of(KINDS["freezing"], "air", settings(freezing={"raise_at": "5 gal"}))


@pytest.mark.parametrize(
    "table",
    [
        {"raise_at": 32},
        {"raise_after": "10 gal"},
        {"raise_after": "-1 min"},
        {"clear_margin": "200 %"},
        {"colour": "red"},
        {"severity": "loud"},
        {"off": "perhaps"},
    ],
)
def test_a_table_that_cannot_be_is_refused(table: dict[str, Any]) -> None:
    """A number without a unit, a negative time, an unknown key."""
    with pytest.raises(ValidationError):
        NoticeConfig.model_validate(table)


GOOD: list[dict[str, Any]] = [
    {"kind": "log"},
    {"kind": "mqtt", "severity": "act today"},
    {"kind": "webhook", "url": "https://example.org/x", "quiet": "22:00-06:30", "daily_cap": 5},
    {"kind": "webhook", "url_file": "url", "secret_file": "key", "allow": ["192.168.1.0/24", "127.0.0.1", "fd00::1"]},
    {
        "kind": "smtp",
        "host": "mail.example.org",
        "sender": "a@example.org",
        "to": ["b@example.org"],
        "username": "a",
        "password_file": "p",
    },
    {"kind": "program", "command": ["/usr/local/bin/send-text", "--to", "5551234"]},
]
BAD: list[dict[str, Any]] = [
    {"kind": "pigeon"},
    {"kind": "webhook"},
    {"kind": "webhook", "url": "https://a.example/", "url_file": "x"},
    {"kind": "webhook", "url": "ftp://a.example/"},
    {"kind": "webhook", "url": "http://[::1"},
    {"kind": "webhook", "url": "http://x:99999/"},
    {"kind": "webhook", "url": "https://a.example/", "allow": ["house"]},
    {"kind": "smtp", "host": "h", "sender": "a@b.example", "to": []},
    {"kind": "smtp", "host": "h", "sender": "nobody", "to": ["a@b.example"]},
    {"kind": "smtp", "host": "h", "sender": "a@b.example", "to": ["a@b.example\nBcc: c@d.example"]},
    {"kind": "smtp", "host": "h", "sender": "a@b.example", "to": ["c@d.example"], "security": "plain", "password": "p"},
    {"kind": "program", "command": []},
    {"kind": "program", "command": ["send-text"]},
    {"kind": "log", "quiet": "ten to six"},
    {"kind": "log", "quiet": "24:00-06:00"},
    {"kind": "log", "daily_cap": 0},
    {"kind": "log", "severity": "loud"},
]


@pytest.mark.parametrize("table", GOOD)
def test_a_channel_is_read(table: dict[str, Any]) -> None:
    """Each kind of channel in its simplest and its full form."""
    assert CHANNEL.validate_python(table).kind == table["kind"]


@pytest.mark.parametrize("table", BAD)
def test_a_channel_that_cannot_work_is_refused(table: dict[str, Any]) -> None:
    """When the config is read, not when it is needed."""
    with pytest.raises(ValidationError):
        CHANNEL.validate_python(table)


def test_an_address_that_is_none_is_not_shown_in_the_error() -> None:
    """It may be a secret."""
    with pytest.raises(ValidationError) as caught:
        CHANNEL.validate_python({"kind": "webhook", "url": "htp://canary.example/"})
    assert "canary" not in caught.value.errors()[0]["msg"]


def test_log_and_broker_are_always_there_and_can_be_changed() -> None:
    """The file's own come on top."""
    phone = WebhookChannel(url="https://a.example/")
    assert list(with_defaults({"phone": phone})) == ["log", "mqtt", "phone"]
    quiet = LogChannel(severity="act now")
    assert with_defaults({"log": quiet})["log"].severity == "act now"
    assert quiet.quiet_minutes is None
    assert LogChannel(quiet="22:00-06:30").quiet_minutes == (1320, 390)
