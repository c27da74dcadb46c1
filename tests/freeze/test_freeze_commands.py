"""`holdwater freeze score` on tables of every kind, good and bad, and `holdwater freeze tonight` on a real store."""

from __future__ import annotations

import json
import math
import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from freeze import tmy
from holdwater.cli import main
from holdwater.cli.freeze_words import tonight_json, tonight_lines
from holdwater.config.exposure import ExposureConfig
from holdwater.events import Message
from holdwater.freeze.air import air_series
from holdwater.freeze.humidity import dew_point_c
from holdwater.freeze.tonight import Airs, tonight
from holdwater.look import Look, learned
from holdwater.nights import place_of
from holdwater.recording import Line
from holdwater.replay import replay
from holdwater.store.reader import open_reader
from holdwater.units import Measure
from place import HOUR_MS, payload, reading, text_of

HERE = ("--latitude", "36.1", "--longitude", "-79.95", "--timezone", "America/New_York")


class Ran:
    """What a command printed and how it ended."""

    def __init__(self, capsys: pytest.CaptureFixture[str], *arguments: str) -> None:
        with pytest.raises(SystemExit) as left:
            main(["freeze", *arguments])
        self.code = left.value.code
        printed = capsys.readouterr()
        self.out, self.err = printed.out, printed.err


def table(folder: Path, text: str | bytes, name: str = "air.csv") -> str:
    """A file with a text."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


def short_year() -> str:
    """Greensboro, October and November: enough nights for a table, quick to score."""
    head, *rows = tmy.text(tmy.GREENSBORO).splitlines()
    return "\n".join([head, *(row for row in rows if row[5:7] in ("10", "11"))]) + "\n"


def test_the_table_names_ours_and_every_yardstick(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Four forecasters, 80 columns, the place, the count of nights."""
    ran = Ran(capsys, "score", table(tmp_path, short_year()), *HERE)
    assert ran.code == 0
    assert [line.split()[0] for line in ran.out.splitlines()[-4:]] == ["holdwater", "persistence", "climatology", "FAO"]
    assert all(len(line) <= 80 for line in ran.out.splitlines())
    assert "America/New_York" in ran.out
    assert re.search(r"\d+ of 61 nights scored, \d+ below 0 C; humidity known in 61", ran.out)


def test_json_is_one_record_a_night(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Issued at a whole hour two to three hours after sunset, figures in order, a chance, and what came."""
    ran = Ran(capsys, "score", table(tmp_path, short_year()), *HERE, "--json")
    nights = [json.loads(line) for line in ran.out.splitlines()]
    assert [night["night"] for night in nights] == [
        f"2001-{day}" for day in [f"10-{n:02d}" for n in range(1, 32)] + [f"11-{n:02d}" for n in range(1, 31)]
    ]
    for night in nights[:-1]:
        assert night["p10_c"] <= night["p50_c"] <= night["p90_c"]
        assert 0 <= night["chance_below_0c"] <= 1
        assert isinstance(night["came_c"], float)
        issued = datetime.fromisoformat(night["issued"])
        assert issued.utcoffset() is not None
        assert (issued.minute, issued.second) == (0, 0)
        assert 18 <= issued.hour <= 22


def test_relative_humidity_serves_like_a_dew_point(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same weather with rh_pct instead of dew_c: the same figures within the rounding of the column."""

    def as_rh(line: str) -> str:
        time, air, dew = line.split(",")
        low, high = 0.0, 110.0
        for _ in range(25):
            middle = (low + high) / 2
            low, high = (
                (middle, high)
                if dew_point_c(float(air), middle / 100 + 1e-9) is None
                or dew_point_c(float(air), middle / 100) < float(dew)
                else (low, middle)
            )
        return f"{time},{air},{low:.3f}"

    head, *rows = short_year().splitlines()
    text = "\n".join(["time,air_c,rh_pct", *(as_rh(row) for row in rows)])
    by_rh = Ran(capsys, "score", table(tmp_path, text, "rh.csv"), *HERE, "--json").out.splitlines()
    by_dew = Ran(capsys, "score", table(tmp_path, f"{head}\n" + "\n".join(rows)), *HERE, "--json").out.splitlines()
    for one, other in zip(by_rh, by_dew, strict=True):
        assert json.loads(one)["p50_c"] == pytest.approx(json.loads(other)["p50_c"], abs=0.02)


def test_a_table_from_elsewhere_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Byte order mark, CRLF, capitals, spaces, further columns, missing cells, UTC times, empty lines: all the same
    nights."""
    _, *rows = short_year().splitlines()
    messy = ["\ufeffStation, Time , AIR_C,Dew_C"]
    for row in rows:
        time, air, dew = row.split(",")
        utc = datetime.fromisoformat(time).astimezone(UTC).isoformat().replace("+00:00", "z")
        messy.append(f"x,{utc}, {air} ,{dew}")
        if len(messy) % 50 == 0:
            messy += ["", f"x,{utc[:-1]}Z,NaN,"]
    there = Ran(capsys, "score", table(tmp_path, "\r\n".join(messy), "messy.csv"), *HERE, "--json").out
    assert there == Ran(capsys, "score", table(tmp_path, short_year()), *HERE, "--json").out


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "the file is empty"),
        ("\n\n", "no column time and no column air_c"),
        ("time,temp\n", "no column air_c"),
        ("time,air_c,air_c\n", "column air_c twice"),
        ("time,air_c\n", "no row has an air temperature"),
        ("time,air_c\n2026-01-31T06:00:00-07:00,\n", "no row has an air temperature"),
        ("time,air_c\n2026-01-31 06:00,1\n", "line 2: time '2026-01-31 06:00' has no offset"),
        ("time,air_c\n2026-01-31T06:00:00Z,1\nyesterday,2\n", "line 3: time 'yesterday' cannot be read"),
        ("time,air_c\n2026-02-31T06:00:00Z,1\n", "line 2: time '2026-02-31T06:00:00Z' cannot be read"),
        ("time,air_c\n2026-01-31T06:00:00Z,cold\n", "line 2: air_c 'cold' is not a number"),
        ("time,air_c\n2026-01-31T06:00:00Z,-9900\n", "line 2: air_c -9900 is out of range"),
        ("time,air_c,rh_pct\n2026-01-31T06:00:00Z,1,140\n", "line 2: rh_pct 140 is out of range"),
        ("time,air_c,dew_c\n2026-01-31T06:00:00Z,1,1e9\n", "line 2: dew_c 1e9 is out of range"),
        ("time;air_c\n2026-01-31T06:00:00Z;1\n", "no column time and no column air_c; the first line names time;air_c"),
        (b"\xff\xfe\x00t", "not text in UTF-8"),
        (b"time,air_c\n\x00,1\n", "line 2"),
        ('time,air_c\n"2026-01-31T06:00:00Z,1\n' + "x" * 200_000, "line"),
    ],
)
def test_a_bad_table_is_an_error_with_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str | bytes, found: str
) -> None:
    """What was found, what was expected, which line, what to do; exit code 2 and no traceback."""
    ran = Ran(capsys, "score", table(tmp_path, text), *HERE)
    assert ran.code == 2
    assert found in ran.err
    assert "expected:" in ran.err
    assert "next:" in ran.err
    assert "air.csv" in ran.err


def test_a_missing_file_is_an_error_with_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 3: the world outside; a folder is no file."""
    for path in (tmp_path / "none.csv", tmp_path):
        ran = Ran(capsys, "score", str(path), *HERE)
        assert ran.code == 3
        assert str(path) in ran.err


@pytest.mark.parametrize(
    ("arguments", "found"),
    [
        (("--timezone", "America/Denvr"), "did you mean America/Denver?"),
        (("--timezone", "Mars"), "no timezone 'Mars'"),
        (("--issue", "noon"), "no time of issue 'noon'"),
        (("--issue", "40"), "no time of issue '40'"),
        (("--months", "13-2"), "no months '13-2'"),
        (("--months", "a"), "no months 'a'"),
        (("--latitude", "91"), "91"),
        (("--longitude", "x"), "x"),
    ],
)
def test_a_wrong_option_is_an_error_with_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], found: str
) -> None:
    """The option, what it should be; exit code 2."""
    ran = Ran(capsys, "score", table(tmp_path, short_year()), *HERE, *arguments)
    assert ran.code == 2
    assert found in ran.err


def test_what_cannot_be_scored_says_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Half a day, and three-hourly rows: no table of zeros."""
    day = "time,air_c\n" + "".join(f"2026-01-10T{hour:02d}:00:00Z,{hour}\n" for hour in range(12, 24))
    assert "No night can be scored" in Ran(capsys, "score", table(tmp_path, day), *HERE).out
    summer = "time,air_c\n" + "".join(
        f"2026-07-{day:02d}T{hour:02d}:00:00Z,{hour}\n" for day in range(1, 9) for hour in range(24)
    )
    assert "no night of these months" in Ran(capsys, "score", table(tmp_path, summer), *HERE).out
    assert Ran(capsys, "score", table(tmp_path, summer), *HERE, "--json").out == ""
    head, *rows = short_year().splitlines()
    sparse = Ran(capsys, "score", table(tmp_path, "\n".join([head, *rows[::3]])), *HERE).out
    assert "too many hours are missing" in sparse or "no air temperature" in sparse


def test_weather_that_never_changes_is_scored_without_a_line_through_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every hour alike: the handbook has no line, the others are there, and ours has learned that nothing falls."""
    flat = "time,air_c\n" + "".join(
        f"2026-{11 + day // 31}-{day % 30 + 1:02d}T{hour:02d}:00:00Z,3\n"
        for day in range(60)
        for hour in range(24)
        if day // 30 == day // 31
    )
    ran = Ran(capsys, "score", table(tmp_path, flat), *HERE)
    rows = [line.split() for line in ran.out.splitlines()[-3:]]
    assert [row[0] for row in rows] == ["holdwater", "persistence", "climatology"]
    assert float(rows[0][1]) < 0.5
    assert rows[0][5:7] == ["-", "-"]


def test_months_and_issue_are_chosen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One month; the afternoon word; the south has its own winter."""
    path = table(tmp_path, short_year())
    assert len(Ran(capsys, "score", path, *HERE, "--json", "--months", "11").out.splitlines()) == 30
    afternoon = json.loads(Ran(capsys, "score", path, *HERE, "--json", "--issue", "afternoon").out.splitlines()[3])
    assert "T15:00:00" in afternoon["issued"]
    later = json.loads(Ran(capsys, "score", path, *HERE, "--json", "--issue", "6").out.splitlines()[3])
    assert datetime.fromisoformat(later["issued"]).hour in (23, 0, 1)
    south = Ran(capsys, "score", path, "--latitude", "-36", "--longitude", "149", "--timezone", "Australia/Sydney").out
    assert "April to October" in south


def invented(
    zone: str, latitude: float, mean_c: float, season_c: float, day_c: float, days: int = 60
) -> list[tuple[datetime, float]]:
    """Hourly air of an invented place from 1 November on, coldest at five, warmest at three."""
    chance = Random(zone)
    first = datetime(2026, 11, 1, tzinfo=UTC)
    found = []
    for hour in range(days * 24):
        at = (first + timedelta(hours=hour)).astimezone(ZoneInfo(zone))
        swing = day_c / 2 * math.cos(2 * math.pi * (at.hour + at.minute / 60 - 15) / 24)
        found.append((at, round(mean_c - math.copysign(season_c, latitude) + swing + chance.gauss(0, 1), 1)))
    return found


def as_table(rows: list[tuple[datetime, float]]) -> str:
    return "time,air_c\n" + "".join(f"{at.isoformat()},{air_c}\n" for at, air_c in rows)


@pytest.mark.parametrize(
    ("zone", "latitude", "longitude", "climate"),
    [
        ("Asia/Singapore", 1.3, 103.8, (27.0, 0.5, 6.0)),
        ("America/Denver", 37.6, -105.0, (8.0, 9.0, 18.0)),
        ("Arctic/Longyearbyen", 78.2, 15.6, (-6.0, 8.0, 1.0)),
        ("Australia/Hobart", -42.9, 147.3, (11.0, 4.0, 9.0)),
        ("Asia/Kathmandu", 27.7, 85.3, (12.0, 6.0, 11.0)),
        ("Pacific/Kiritimati", 1.9, -157.4, (27.0, 0.5, 5.0)),
        ("Antarctica/South_Pole", -90.0, 0.0, (-40.0, 10.0, 1.0)),
    ],
)
@pytest.mark.slow
def test_any_climate_and_clock_is_scored(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    zone: str,
    latitude: float,
    longitude: float,
    climate: tuple[float, float, float],
) -> None:
    """Tropics, high desert, polar night and day, south, a clock of quarter hours, the date line, a pole: one record a
    night, no gap, figures in order, errors near those of the noise."""
    there = ("--latitude", str(latitude), "--longitude", str(longitude), "--timezone", zone, "--months", "11-12")
    path = table(tmp_path, as_table(invented(zone, latitude, *climate)))
    for issue in ("2", "afternoon"):
        nights = [
            json.loads(line) for line in Ran(capsys, "score", path, *there, "--issue", issue, "--json").out.splitlines()
        ]
        assert len(nights) in (59, 60, 61)
        assert len({night["night"] for night in nights}) == len(nights)
        known = [night for night in nights if night["came_c"] is not None]
        assert len(known) >= 57
        assert all(night["p10_c"] <= night["p50_c"] <= night["p90_c"] for night in known)
        assert sum(abs(night["p50_c"] - night["came_c"]) for night in known[20:]) / len(known[20:]) < 2.0


def test_rows_too_far_apart_are_said_to_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Six-hourly rows: no figure, and what to do."""
    rows = invented("Europe/Berlin", 52.5, 3.0, 4.0, 8.0)[::6]
    out = Ran(capsys, "score", table(tmp_path, as_table(rows)), *HERE).out
    assert "Its rows are 6 h apart" in out
    assert "Give hourly rows." in out


# ------------------------------------------------------------------------------------------------ tonight

EVENING_MS = round(datetime(2026, 11, 20, 3, 10, tzinfo=UTC).timestamp() * 1000)  # 20:10 in Denver on the 19th
EXPOSED = """
[exposure.garden-spigot]
kind = "spigot"

[exposure.main]
kind = "tank"
tank = "main"
wind = false
"""


def days_of_air(days: int = 12) -> list[Line]:
    """Half-hourly air of a cold spell and a level, up to the evening."""
    lines = []
    for half in range(days * 48):
        at_ms = EVENING_MS - (days * 48 - half) * HOUR_MS // 2
        hour = at_ms / HOUR_MS
        air_c = 5.0 + 6 * math.sin((hour - 15) / 24 * 2 * math.pi) + 2 * math.sin(hour / 60)
        lines.append(reading(at_ms, 1.0, air_c=round(air_c, 2)))
        pack = payload(("rh", "%RH", 70.0), t_s=at_ms / 1000)
        lines.append(Line(at_ms, Message("water/node/a/readings", pack.encode(), at_ms, at_ms / 1000)))
    return lines


@pytest.fixture(scope="module")
def household(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site file with its store, filled through the service's own loop."""
    folder = tmp_path_factory.mktemp("frost")
    text = text_of(folder / "store", more=EXPOSED).replace(
        'timezone = "America/Denver"', 'timezone = "America/Denver"\nlatitude = 37.6\nlongitude = -105.0'
    )
    site = folder / "site.toml"
    site.write_text(text)
    from holdwater.sitefile import site_of

    replay(site_of(text, "site.toml", {}), iter(days_of_air()), folder / "store")
    return site


@pytest.mark.slow
def test_tonight_is_told_from_the_store(household: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The figure, its band, the chance of frost and when the word was given; as text and as JSON."""
    ran = Ran(capsys, "tonight", "--config", str(household))
    assert ran.code == 0
    assert re.search(r"Tonight about -?\d+F near [67]am; four nights in five between -?\d+F and -?\d+F\.", ran.out)
    assert "Word of Thu 19 Nov 19:00." in ran.out
    told = json.loads(Ran(capsys, "tonight", "--config", str(household), "--json").out)
    assert told["p10_c"] < told["p50_c"] < told["p90_c"] < 5.0
    assert told["issued"] == "2026-11-19T19:00:00-07:00"
    assert [(each["name"], each["state"], each["act"]) for each in told["exposures"]] == [
        ("garden-spigot", "can freeze", True),
        ("main", "can freeze", False),
    ]
    assert re.search(r"garden-spigot +3\dF +\d+% +\d+ +\d+[ap]m +unhook the hose, drain it", ran.out)
    noon = Ran(capsys, "tonight", "--config", str(household), "--at", "2026-11-19T12:00:00-07:00")
    assert "due at 15:00" in noon.out


@pytest.mark.slow
def test_humidity_of_the_air_becomes_its_dew_point(household: Path) -> None:
    """A series of relative humidity beside the air, 70 %: every hour has its dew point."""
    from holdwater.sitefile import site_of

    site = site_of(household.read_text(), "site.toml", {})
    with open_reader(site.store.folder) as reader:
        look = Look(reader, EVENING_MS)
        plain, damp = look.air("a:air"), look.air("a:air", "a:rh")
    assert {each.dew_c for each in plain.readings} == {None}
    assert all(each.dew_c == pytest.approx(dew_point_c(each.air_c, 0.7), abs=0.01) for each in damp.readings)
    assert len(damp.readings) >= 280


@pytest.mark.slow
def test_tonight_is_drawn(household: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A well-formed picture with a title, without style elements; a folder that is not there is an error with words."""
    picture = tmp_path / "tonight.svg"
    assert Ran(capsys, "tonight", "--config", str(household), "--svg", str(picture)).code == 0
    root = ET.fromstring(picture.read_text())
    assert "Test place" in root.attrib["aria-label"]
    assert "<style" not in picture.read_text()
    assert Ran(capsys, "tonight", "--config", str(household), "--svg", str(tmp_path / "no" / "x.svg")).code == 3


@pytest.mark.slow
def test_the_site_must_say_where_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without latitude there is no sunset: an error that says what to add; without a store likewise."""
    path = tmp_path / "site.toml"
    path.write_text(text_of(tmp_path / "store"))
    ran = Ran(capsys, "tonight", "--config", str(path))
    assert ran.code == 2
    assert "latitude" in ran.err


@pytest.mark.slow
def test_exposures_are_judged_with_their_tank(household: Path) -> None:
    """A spigot, a drained pipe, and a tank that holds what its level says, in the words of the command."""
    from holdwater.sitefile import site_of

    site = site_of(household.read_text(), "site.toml", {})
    exposures = [
        ExposureConfig(kind="spigot").build("garden spigot"),
        ExposureConfig(kind="pipe", drained=True).build("shed pipe"),
        ExposureConfig(kind="tank", tank="main", wind=False).build("main tank"),
        ExposureConfig(kind="tank", tank="none").build("a tank not there"),
    ]
    with open_reader(site.store.folder) as reader:
        look = Look(reader, EVENING_MS)
        airs = Airs(look.air(site.air_series))
        pairs = [(each, look.holding(site, each)) for each in exposures]
    assert pairs[2][1].water_m3 == pytest.approx(math.pi / 4 * (42 * 0.0254) ** 2 * 1.0, rel=0.01)
    place = place_of(site)
    model_of = learned({}, place, EVENING_MS, lambda _: airs.outside)
    told = tonight(airs, place, EVENING_MS, model_of, pairs)
    text = "\n".join(tonight_lines(told, Measure(), place.zone))
    assert re.search(r"garden spigot +3\dF +\d+% +\d+ +\d+[ap]m +unhook the hose, drain it", text)
    assert re.search(r"shed pipe +drained", text)
    assert "cannot tell: its tank is not known" in text
    assert "no word is no proof" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert {each["name"]: each["state"] for each in tonight_json(told, place.zone)["exposures"]}[
        "shed pipe"
    ] == "drained"
    silent = tonight(Airs(air_series([])), place, EVENING_MS, model_of, pairs)
    assert tonight_lines(silent, Measure(), place.zone)[0].startswith("Cannot tell tonight's lowest air")
    assert tonight_json(silent, place.zone)["p50_c"] is None


@pytest.mark.slow
def test_past_nights_are_listed_beside_what_came(household: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line a night of at most 80 columns, the season's tally, and JSON with the same figures."""
    ran = Ran(capsys, "nights", "--config", str(household), "--days", "5")
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert all(len(line) <= 80 for line in lines)
    nights = [line for line in lines if re.match(r"(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ Nov ", line)]
    assert len(nights) == 5
    assert re.match(r"Wed 18 Nov +-?\d+ \(-?\d+ to \d+\) +-?\d+ \(-?\d+ to \d+\) +\d+F +yes +garden-spigot", nights[-2])
    assert any(line.startswith("This winter: ") for line in lines)
    records = [
        json.loads(line)
        for line in Ran(capsys, "nights", "--config", str(household), "--days", "5", "--json").out.splitlines()
    ]
    assert [each["night"] for each in records] == [f"2026-11-{day}" for day in range(15, 20)]
    told = records[-2]["told"]["afternoon"]
    assert told["p10_c"] < told["p50_c"] < told["p90_c"]
    assert records[-2]["came_c"] <= told["came_c"]
    assert records[-1]["came_c"] is None


@pytest.mark.slow
def test_without_a_night_there_is_a_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A store without a word yet, and one without a reading."""
    path = tmp_path / "site.toml"
    path.write_text(text_of(tmp_path / "store"))
    from holdwater.sitefile import site_of

    replay(site_of(path.read_text(), "site.toml", {}), iter([reading(EVENING_MS, 1.0)]), tmp_path / "store")
    assert "No night was told yet" in Ran(capsys, "nights", "--config", str(path)).out
