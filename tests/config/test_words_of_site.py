"""The words of sensors, durations, channels, lines of notices and names."""

from __future__ import annotations

import pytest

from holdwater.alerts.kinds import KINDS
from holdwater.alerts.settings import rule_of
from holdwater.cli.check import line_words, notice_words, rule_words
from holdwater.config.names import hint, listed, nearest, topic_problem
from holdwater.config.words import channel_words, day, duration, site_words
from holdwater.units import Measure


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (400 * 86400, "400 days"),
        (86400, "24 h"),
        (7200, "2 h"),
        (600, "10 min"),
        (60, "60 s"),
        (90.5, "90.5 s"),
        (0, "0 s"),
    ],
)
def test_a_duration_is_said_in_the_unit_that_fits(seconds, words):
    """Never 0.5 days for 12 h."""
    assert duration(seconds) == words


def test_a_time_is_said_as_the_file_would_have_it():
    """A date alone at midnight UTC; 1785564000 is 1 August 2026 06:00 UTC (by `date -u -d @…`)."""
    assert day(1785564000000) == "2026-08-01T06:00:00Z"
    assert day(1785542400000) == "2026-08-01 UTC"


def test_a_sensor_is_said_with_its_times_vessel_and_calibrations(read):
    """All that decides from when a reading means what."""
    site = read(
        """
[tank.cubes]
use = "garden"
[[tank.cubes.vessel]]
name = "a"
shape = { kind = "box", length = "1 m", width = "1 m", height = "1 m" }
[[tank.cubes.vessel]]
name = "b"
shape = { kind = "box", length = "1 m", width = "1 m", height = "1 m" }
[[tank.cubes.link]]
between = ["a", "b"]
[sensor.level]
tank = "cubes"
vessel = "a"
kind = "ratiometric"
series = "cubes:volts"
height = "1 in"
range = "2 psi"
supply = "cubes:supply"
from = 2026-08-01T00:00:00Z
until = 2026-09-01T00:00:00Z
[[sensor.level.calibration]]
offset = "1 in"
[[sensor.level.calibration]]
from = 2026-08-10T00:00:00Z
offset = "2 in"
"""
    )
    (line,) = [line for line in site_words(site) if "sensor level" in line]
    for words in (
        "ratiometric, reads cubes:volts",
        "on vessel a",
        "supply voltage from cubes:supply",
        "counts from 2026-08-01 UTC, until 2026-09-01 UTC",
        "calibrated from the first reading, 2026-08-10 UTC",
    ):
        assert words in line


def test_the_broker_the_page_and_what_can_freeze_are_said(read):
    """With password and encryption named, never shown."""
    site = read(
        """
[broker]
username = "me"
password = "hunter2"
tls = { }
[page]
listen = "off"
[exposure.pipe]
kind = "pipe"
insulation = "3 R"
limit = "20 degF"
[exposure.skin]
kind = "tank skin"
tank = "drinking"
box = "2 R"
drained = true
"""
    )
    said = "\n".join(site_words(site))
    assert "Broker: 127.0.0.1 port 8883, as me, with a password, encrypted" in said
    assert "hunter2" not in said
    assert "Page: off" in said
    assert "Can freeze: pipe, a pipe, insulated, below 20F outside" in said
    assert "Can freeze: skin, a tank skin of drinking, in a box, drained" in said


def test_a_channel_is_said_with_where_it_goes_but_not_its_secret(read):
    """Mail: by which server, to whom."""
    site = read(
        """
[channel.mail]
kind = "smtp"
host = "mail.example.org"
username = "me"
password = "hunter2"
sender = "a@example.org"
to = ["b@example.org"]
severity = "act now"
"""
    )
    words = channel_words(site.channels["mail"])
    assert (
        words == 'smtp, by mail.example.org, to b@example.org, takes "act now" only, at most 20 a day, tested monthly'
    )


def test_notices_are_said_with_what_differs_for_a_tank(read):
    """Off for all, another severity for one."""
    site = read(
        '[notice.low]\nseverity = "know"\nchannels = ["log"]\n[notice.low.tank.drinking]\noff = true\n[notice.silent]\noff = true\n'
    )
    said = list(notice_words(site))
    at = next(place for place, line in enumerate(said) if line.startswith("  low:"))
    assert '"know"' in said[at]
    assert said[at].endswith("to log")
    assert said[at + 1] == "    drinking: off"
    assert "  silent: off" in said


def test_lines_of_notices_are_said_in_the_units_of_the_household():
    """32 F or 0 C; gallons or litres."""
    freezing = KINDS["freezing"]
    assert line_words(freezing, 0.0, Measure("US")) == "32 F"
    assert line_words(freezing, 0.0, Measure("metric")) == "0 C"
    for kind in KINDS.values():
        assert rule_words(kind, rule_of(kind, "", None), Measure("US"))
        if kind.dimension is not None:
            assert line_words(kind, 0.5, Measure("metric"))


def test_the_nearest_name_is_found_by_capitals_beginning_and_likeness():
    """In that order; nothing is guessed for what is like nothing."""
    known = ["drinking", "garden", "bottom_diameter"]
    assert nearest("Garden", known) == "garden"
    assert nearest("bottom", known) == "bottom_diameter"
    assert nearest("drnking", known) == "drinking"
    assert nearest("zzzz", known) is None
    assert nearest("x", []) is None
    assert hint("zzzz", known, "rename it") == "rename it"
    assert listed([]) == "none yet"


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("", "empty"),
        ("a/+", "wildcard"),
        ("$SYS/a", "belongs to the broker"),
        ("/a", "empty part"),
        ("a//b", "empty part"),
        ("a\x00b", "control characters"),
        ("a" * 300, "too long"),
        ("water/node", ""),
    ],
)
def test_a_topic_to_publish_on_is_checked(topic, words):
    """OASIS MQTT 5.0, 4.7: wildcards, $, empty levels, NUL."""
    assert words in topic_problem(topic)
    assert bool(topic_problem(topic)) == bool(words)


def test_counters_load_cells_and_switches_say_how_they_are_set(read):
    """What one pulse is and which way its water goes, the tare, the heights; a rain gauge stands by the weather."""
    said = "\n".join(
        site_words(
            read(
                '[sensor.tap]\ntank = "drinking"\nkind = "flow pulses"\nseries = "w:tap"\nper_pulse = "0.1 gal"\n'
                '[sensor.fill]\ntank = "drinking"\nkind = "flow pulses"\nseries = "w:fill"\nper_pulse = "1 gal"\nflows = "in"\n'
                '[sensor.tips]\nkind = "rain pulses"\nseries = "w:tips"\nper_pulse = "0.01 in"\n'
                '[sensor.scale]\ntank = "drinking"\nkind = "load cell"\nseries = "w:kg"\nempty = "45 lb"\ncarried = "50 %"\n'
                '[sensor.switch]\ntank = "drinking"\nkind = "float"\nseries = "w:up"\nheights = ["10 in", "50 in"]\n'
            )
        )
    )
    assert "reads w:tap, 0.1 gal a pulse, water that leaves the tank" in said
    assert "reads w:fill, 1 gal a pulse, water that comes into the tank" in said
    assert "sensor tips: rain pulses, reads w:tips, 0.01 in of rain a tip" in said
    assert "shows 45 lb when empty, carries 50 % of the weight" in said
    assert "switches at 10 in and 50 in" in said
