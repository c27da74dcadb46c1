"""Everything that can be wrong in a config is said at once: key, what was found, what was expected, how to mend it."""

from __future__ import annotations

import pytest
from pydantic import Field, model_validator

from holdwater.config.model import Model
from holdwater.config.sections import Section, read_many
from holdwater.errors import ConfigError

JARGON = ("validation", "pydantic", "Input should", "type=", "ctx", "NoneType", "str_", "union", "Traceback", "dict")

SENSOR = '[sensor.level]\ntank = "drinking"\nkind = "pressure"\nseries = "drinking:pressure"\nheight = "1 in"\n'
GARDEN = """
[tank.garden]
use = ["garden", "washing"]
shape = { kind = "box", length = "4 ft", width = "3 ft", height = "40 in" }
"""

# text -> key, part of found, part of expected, part of fix
CASES = {
    "an unknown setting with the nearest name": (
        '[broker]\nhosst = "a"\n',
        "broker.hosst",
        "unknown setting 'hosst' = \"a\"",
        "one of: host, port",
        "did you mean 'host'?",
    ),
    "an unknown setting like no other": (
        "[page]\nzzz = 1\n",
        "page.zzz",
        "unknown setting",
        "listen",
        "docs/settings.md",
    ),
    "an unknown section": (
        "[brocker]\n",
        "brocker",
        "unknown section [brocker]",
        "site, broker",
        "did you mean 'broker'?",
    ),
    "a name left out": (
        '[sensor]\ntank = "drinking"\n',
        "sensor.tank",
        'tank = "drinking" outside of a named section',
        "[sensor.NAME]",
        "give it a name",
    ),
    "a section that is a value": ("", "broker", "3", "a section [broker]", "write [broker] on a line of its own"),
    "a number without a unit": ("[store]\nkeep_raw = 400\n", "store.keep_raw", "400 has no unit", "time", "in quotes"),
    "an unknown unit": (
        '[store]\nkeep_raw = "400 dayz"\n',
        "store.keep_raw",
        "unknown unit 'dayz'",
        "a unit of time",
        "did you mean 'day'?",
    ),
    "a unit of another dimension": (
        '[tank.a]\nshape = { kind = "box", length = "3 gal", width = "1 m", height = "1 m" }\n',
        "tank.a.shape.length",
        "'gal' is a unit of volume",
        "a unit of length",
        'like "45 in"',
    ),
    "a wrong kind of value": ('[broker]\nport = "x"\n', "broker.port", '"x"', "a whole number", "without quotes"),
    "a number out of range": (
        "[broker]\nport = 70000\n",
        "broker.port",
        "70000",
        "at most 65535",
        "correct the number",
    ),
    "a text that is a number": ("[broker]\nhost = 5\n", "broker.host", "5", "a text in quotes", "in quotes"),
    "a list that is a number": ("[page]\nhosts = 5\n", "page.hosts", "5", "a list in [ ]", "in [ ]"),
    "a table that is a text": ('[broker]\ntls = "yes"\n', "broker.tls", '"yes"', "a table in { }", "{ key = value"),
    "a shape that is a text": ('[tank.a]\nshape = "box"\n', "tank.a.shape", '"box"', "a table in { }", "{ key = value"),
    "a choice mistyped": (
        '[tank.a]\nuse = "gardn"\nshape = { kind = "box", length = "1 m", width = "1 m", height = "1 m" }\n',
        "tank.a.use",
        '"gardn"',
        'one of: "drinking"',
        'did you mean "garden"?',
    ),
    "a kind mistyped": (
        '[tank.a]\nshape = { kind = "upright cylindr", diameter = "1 m", height = "1 m" }\n',
        "tank.a.shape.kind",
        '"upright cylindr"',
        '"upright cylinder"',
        'did you mean "upright cylinder"?',
    ),
    "a kind left out": ("[channel.a]\n", "channel.a", "{ }", "a table that says its kind", 'add kind = "…"'),
    "a setting left out": (
        '[transfer.a]\nfrom = "drinking"\n',
        "transfer.a.to",
        "nothing; it must be given",
        "tank it is put into",
        "write to = ",
    ),
    "overflow above the rim": (
        '[tank.a]\noverflow = "3 m"\nshape = { kind = "box", length = "1 m", width = "1 m", height = "2 m" }\n',
        "tank.a.overflow",
        "3 m",
        "at most the inside height",
        "lower overflow",
    ),
    "a series without its box": ('[weather]\nair = "air"\n', "weather.air", '"air"', "node:quantity", "one colon"),
    "a series with strange letters": (
        '[weather]\nair = "gar den:air"\n',
        "weather.air",
        '"gar den:air"',
        "node:quantity",
        "letters",
    ),
    "a host that is an address with http": (
        '[broker]\nhost = "mqtt://a"\n',
        "broker.host",
        '"mqtt://a"',
        "without http://",
        '"127.0.0.1"',
    ),
    "a prefix with a wildcard": (
        '[broker]\nprefix = "a/#"\n',
        "broker.prefix",
        "wildcard",
        "first part of a topic",
        '"water"',
    ),
    "a keepalive too short": ('[broker]\nkeepalive = "1 s"\n', "broker.keepalive", "1 s", "5 s to 1 h", '"60 s"'),
    "a commit that never comes": (
        '[store]\ncommit_every = "1 h"\n',
        "store.commit_every",
        "3600 s",
        "at most 10 min",
        '"60 s"',
    ),
    "raw readings kept too short": (
        '[store]\nkeep_raw = "1 day"\n',
        "store.keep_raw",
        "1 days",
        "at least 7 days",
        '"400 days"',
    ),
    "a page without an address": (
        '[page]\nlisten = "8080"\n',
        "page.listen",
        '"8080"',
        "an address and a port",
        '"127.0.0.1:8080"',
    ),
    "a page with a port that is none": (
        '[page]\nlisten = "0.0.0.0:99999"\n',
        "page.listen",
        "port 99999",
        "1 to 65535",
        "listen",
    ),
    "a certificate without its key": (
        '[broker]\ntls = { cert_file = "a" }\n',
        "broker.tls.key_file",
        "cert_file without key_file",
        "both or neither",
        "add key_file",
    ),
    "a sensor on no tank": (
        SENSOR.replace('drinking"', 'drinkin"', 1),
        "sensor.level.tank",
        'there is no tank "drinkin"',
        "one of the tanks of this file: drinking",
        "did you mean 'drinking'?",
    ),
    "a transfer from no tank": (
        '[transfer.a]\nfrom = "drnking"\nto = "drinking"\n',
        "transfer.a.from",
        'there is no tank "drnking"',
        "drinking",
        "did you mean 'drinking'?",
    ),
    "a transfer into drinking water from another use": (
        GARDEN + '[transfer.a]\nfrom = "garden"\nto = "drinking"\n',
        "transfer.a.to",
        "transfer from 'garden' (for garden, washing) into 'drinking' (for drinking)",
        "only drinking water into a drinking tank",
        "remove this transfer",
    ),
    "a vessel of another use joined into drinking water": (
        """[tank.mix]
use = "drinking"
[[tank.mix.vessel]]
name = "a"
shape = { kind = "box", length = "1 m", width = "1 m", height = "1 m" }
[[tank.mix.vessel]]
name = "b"
use = "garden"
shape = { kind = "box", length = "1 m", width = "1 m", height = "1 m" }
[[tank.mix.link]]
between = ["a", "b"]
""",
        "tank.mix.vessel",
        "vessel b for garden joined into a tank for drinking",
        "only drinking water may get to drinking water",
        "a tank of its own",
    ),
    "a vessel that is not there": (
        SENSOR + 'vessel = "x"\n',
        "sensor.level.vessel",
        "vessel 'x'",
        "a vessel of this tank",
        "correct",
    ),
    "a face inside its dead zone at the overflow": (
        '[sensor.a]\ntank = "drinking"\nkind = "ultrasonic"\nseries = "a:gap"\nheight = "66 in"\ndead_zone = "10 in"\n',
        "sensor.a.height",
        "face 66 in above the floor, dead zone 10 in",
        "overflow at 62 in",
        "raise the face to 72 in on a riser",
    ),
    "a pressure sensor above the water": (
        SENSOR.replace("1 in", "63 in"),
        "sensor.level.height",
        "diaphragm 63 in",
        "below the overflow, 62 in",
        "correct",
    ),
    "two sensors on one series": (
        SENSOR + SENSOR.replace("sensor.level", "sensor.other"),
        "sensor.other.series",
        '"drinking:pressure", which sensor level reads',
        "a series of its own",
        "until",
    ),
    "two names that differ by capitals": (
        GARDEN + GARDEN.replace("tank.garden", "tank.Garden"),
        "tank.Garden",
        "tank 'Garden' beside tank 'garden'",
        "more than capitals",
        "rename one",
    ),
    "a name with a blank": (
        GARDEN.replace("tank.garden", 'tank."my tank"'),
        'tank."my tank"',
        'the name "my tank"',
        "letters, digits, - and _",
        "my-tank",
    ),
    "an exposure of no tank": (
        '[exposure.a]\nkind = "tank"\ntank = "drnking"\n',
        "exposure.a.tank",
        'there is no tank "drnking"',
        "drinking",
        "did you mean 'drinking'?",
    ),
    "a notice that is no kind": ("[notice.lo]\n", "notice.lo", "'lo'", "a kind of notice", "did you mean 'low'?"),
    "a notice of no tank": (
        "[notice.low.tank.drnking]\noff = true\n",
        "notice.low.tank.drnking",
        "'drnking'",
        "a tank: drinking",
        "did you mean 'drinking'?",
    ),
    "a notice to no channel": (
        '[channel.phone]\nkind = "log"\n[notice.low]\nchannels = ["phon"]\n',
        "notice.low.channels",
        "'phon'",
        "a channel",
        "did you mean 'phone'?",
    ),
    "a line in the wrong unit": (
        '[notice.freezing]\nraise_at = "3 gal"\n',
        "notice.freezing.raise_at",
        "'gal' is a unit of volume",
        "a unit of temperature",
        '"-3 degC"',
    ),
    "a route to no unit": (
        '[route.a]\ntopic = "a"\npayload = "number"\nunit = "inn"\nseries = "a:b"\n',
        "route.a.unit",
        "unknown unit 'inn'",
        "a unit such as",
        '"in"',
    ),
}


@pytest.mark.parametrize("name", list(CASES))
def test_a_problem_says_key_found_expected_and_fix(problems_of, name):
    """In plain words, at the key as written in the file."""
    text, key, found, expected, fix = CASES[name]
    problems = (
        problems_of(text) if text else problems_of("", before='broker = 3\n[site]\nname = "a"\ntimezone = "UTC"\n')
    )
    assert key in problems, f"found only {list(problems)}"
    problem = problems[key]
    assert found in problem.found
    assert expected in problem.expected
    assert fix in problem.fix
    assert not any(word in problem.words() for word in JARGON)


def test_every_case_at_once_is_every_problem_at_once(read):
    """One reading of one file says all; the count stands at the top."""
    texts = [
        '[broker]\nhosst = "a"\nport = "x"\n',
        '[tank.a]\nuse = "gardn"\nshape = { kind = "box", length = "3 gal", width = "1 m" }\n',
        SENSOR.replace('drinking"', 'drinkin"', 1),
        '[transfer.t]\nfrom = "drinking"\nto = "nowhere"\n',
        "[notice.lo]\n",
    ]
    with pytest.raises(ConfigError) as caught:
        read("".join(texts))
    keys = [problem.key for problem in caught.value.problems]
    assert set(keys) == {
        "broker.hosst",
        "broker.port",
        "tank.a.use",
        "tank.a.shape.length",
        "tank.a.shape.height",
        "sensor.level.tank",
        "transfer.t.to",
        "notice.lo",
    }
    words = caught.value.words()
    assert words.splitlines()[0].endswith("site.toml: 8 problems")
    assert all(key in words for key in keys)
    assert caught.value.exit_code == 2


def test_a_check_of_ours_that_fails_is_said_at_its_section_and_is_no_traceback():
    """A fault of ours in one section hides nothing in the others, and is called ours."""

    class Faulty(Model):
        ends: list[int] = Field(description="ends")

        @model_validator(mode="after")
        def _fails(self) -> Faulty:
            assert self.ends[1] >= 0
            return self

    good, problems = read_many(Section("tank", "many", Faulty, "x"), {"a": {"ends": []}, "b": {"ends": [1, 2]}})
    assert list(good) == ["b"]
    (problem,) = problems
    assert problem.key == "tank.a"
    assert "IndexError: list index out of range" in problem.found
    assert "the fault is ours: report it" in problem.fix


def test_problems_come_in_the_order_of_the_file(read):
    """So that a person can mend from top to bottom."""
    with pytest.raises(ConfigError) as caught:
        read('[weather]\nair = "x"\n[page]\nlisten = "x"\n[broker]\nport = "x"\n')
    assert [problem.key for problem in caught.value.problems] == ["weather.air", "page.listen", "broker.port"]


def test_a_mistyped_setting_is_said_once_and_not_also_as_missing(problems_of):
    """`heigth` is the height: one problem."""
    problems = problems_of('[tank.a]\nshape = { kind = "box", length = "1 m", width = "1 m", heigth = "1 m" }\n')
    assert list(problems) == ["tank.a.shape.heigth"]
    assert problems["tank.a.shape.heigth"].fix == "did you mean 'height'?"


def test_a_sensor_of_a_tank_that_is_wrong_is_not_said_to_have_no_tank(problems_of):
    """A wrong tank is one problem, not two."""
    problems = problems_of(SENSOR.replace('"drinking"', '"a"', 1) + '[tank.a]\nshape = "box"\n')
    assert list(problems) == ["tank.a.shape"]


def test_sections_that_are_right_are_held_against_each_other_though_another_is_wrong(problems_of):
    """[site] is missing, and still the transfer is refused."""
    text = (
        GARDEN + '[tank.d]\nuse = "drinking"\n' + GARDEN.split("\n")[3] + '\n[transfer.a]\nfrom = "garden"\nto = "d"\n'
    )
    problems = problems_of(text, before="")
    assert set(problems) == {"site", "transfer.a.to"}
    assert problems["site"].found == "no section [site]"
    assert "timezone" in problems["site"].fix


@pytest.mark.parametrize(
    ("zone", "fix"),
    [
        ("America/Denvr", '"America/Denver"'),
        ("america/denver", '"America/Denver"'),
        ("Denver", '"America/Denver"'),
        ("US/Mountan", '"US/Mountain"'),
        ("new york", '"America/New_York"'),
        ("../etc/passwd", "IANA"),
        ("America", "America/"),
    ],
)
def test_an_unknown_time_zone_is_said_with_the_nearest(problems_of, zone, fix):
    """By its whole name, its capitals or its city alone."""
    problem = problems_of("", before=f'[site]\nname = "a"\ntimezone = "{zone}"\n')["site.timezone"]
    assert problem.found == f'"{zone}" is no time zone'
    assert "America/Denver" in problem.expected
    assert fix in problem.fix


@pytest.mark.parametrize(
    ("line", "key", "found", "expected"),
    [
        ("latitude = 99\nlongitude = 0", "site.latitude", "99", "at most 90"),
        ("latitude = 9\nlongitude = -190.5", "site.longitude", "-190.5", "at least -180"),
        ("latitude = 9", "site.longitude", "latitude without longitude", "both or neither"),
        ("longitude = 9", "site.latitude", "longitude without latitude", "both or neither"),
        ('elevation = "67000 ft"', "site.elevation", "m above the sea", "9000 m"),
        ('latitude = "37 N"', "site.latitude", '"37 N"', "a number"),
        ("latitude = nan\nlongitude = 1", "site.latitude", "nan", "at most 90"),
        ('units = "us"', "site.units", '"us"', '"US", "metric"'),
    ],
)
def test_a_place_that_is_none_is_refused(problems_of, line, key, found, expected):
    """Out of range, half given, in words."""
    problem = problems_of("", before=f'[site]\nname = "a"\ntimezone = "UTC"\n{line}\n')[key]
    assert found in problem.found
    assert expected in problem.expected


def test_a_setting_above_all_sections_is_told_where_it_belongs(problems_of):
    """`timezone = …` on the first line belongs to [site]."""
    problems = problems_of("", before='timezone = "UTC"\nzzz = 1\n[site]\nname = "a"\ntimezone = "UTC"\n')
    assert problems["timezone"].fix == "move the line below [site]"
    assert "stands above every section" in problems["zzz"].found


def test_a_sensor_may_be_moved_in_time(read):
    """One series, two mounts: the older ends where the newer begins."""
    old = SENSOR + "until = 2026-08-01\n"
    new = SENSOR.replace("sensor.level", "sensor.level-2").replace("1 in", "3 in") + "from = 2026-08-01\n"
    site = read(old + new)
    one, other = site.instruments_of("drinking")
    assert one.until_ms == other.from_ms
    assert one.until_ms == 1785564000000  # midnight of 1 August 2026 in Denver (UTC-6), by `date -d`


def test_a_tank_without_a_sensor_is_allowed_and_said(read):
    """A tank may be written down before its sensor is bought; its level is unknown until then."""
    site = read("")
    assert any(words.startswith("drinking: no level sensor") for words in site.warnings)
    assert not any("no level sensor" in words for words in read(SENSOR).warnings)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "No outside air: no freeze warning."),
        ("", "No latitude and longitude"),
        ("", "nobody is called. Add [channel.NAME]"),
        ('[page]\nlisten = "0.0.0.0:80"\n', "Everybody on the network of 0.0.0.0"),
        ('[broker]\nhost = "far.home"\nusername = "u"\npassword = "p"\n', "The password goes to far.home unencrypted"),
        ("[broker]\nport = 8883\n", "Port 8883"),
        ('[broker]\nusername = "u"\n', "a username but no password"),
        (GARDEN + 'filled_by = "roof"\nroof = "100 ft2"\n', "No rain gauge: what garden should have caught"),
        (GARDEN + 'roof = "100 ft2"\n', "filled_by does not name the roof"),
        (GARDEN.replace('garden"', 'fire"'), "no floor is set"),
        (GARDEN.replace('use = ["garden", "washing"]', 'use = ["drinking", "garden"]'), "Fit a backflow stop"),
        (GARDEN.replace('use = ["garden", "washing"]', ""), "no use said"),
        (
            GARDEN.replace('["garden", "washing"]', '"drinking"\nfilled_by = "roof"'),
            "not for drinking, cooking or teeth",
        ),
        (
            '[route.r]\ntopic = "a"\npayload = "number"\nunit = "in"\nseries = "a:b"\n',
            "route r: its series a:b is stored, but no sensor",
        ),
    ],
)
def test_what_is_worth_a_word_is_said(read, text, words):
    """Allowed, but the household should know."""
    assert any(words in warning for warning in read(text).warnings)


def test_a_site_without_tanks_is_right_but_empty(read):
    """It can be begun with, and says so."""
    site = read("", before='[site]\nname = "a"\ntimezone = "UTC"\n')
    assert any("No tank yet" in words for words in site.warnings)


def test_a_load_cell_gives_a_level_and_meters_and_rain_gauges_ask_for_nothing(read):
    """What works needs no word; a rain gauge needs no tank and is the site's rain by itself."""
    cells = '[sensor.weight]\ntank = "drinking"\nkind = "load cell"\nseries = "w:weight"\nempty = "45 lb"\n'
    tap = '[sensor.tap]\ntank = "drinking"\nkind = "flow pulses"\nseries = "w:tap"\nper_pulse = "0.1 gal"\n'
    tips = '[sensor.tips]\nkind = "rain pulses"\nseries = "w:tips"\nper_pulse = "0.2 mm"\n'
    found = read(cells + tap + tips)
    assert not any(words.startswith(("weight", "tap", "tips")) for words in found.warnings)
    assert found.instruments["weight"].gives_depth
    assert found.rain_series == "w:tips"
