"""`holdwater calibrate`: from points, from dips and from loads of a real store; the printed lines work in a config."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from holdwater.cli.calibrate import command
from holdwater.config.sensor import CalibrationConfig
from holdwater.errors import StoreError, UsageError
from holdwater.events import Message, Request
from holdwater.recording import Line
from holdwater.replay import replay
from holdwater.tanks.tank import Tank
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import Surroundings
from place import HOUR_MS, MINUTE_MS, START_MS, make_site, payload, reading, text_of

GAIN, OFFSET_M = 1.03, 0.012


def _run(folder: Path, *arguments: str, more: str = "") -> str:
    config = folder / "site.toml"
    config.write_text(text_of(folder, more=more))
    result = CliRunner().invoke(command, ["--config", str(config), *arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def _proposed(output: str) -> CalibrationConfig:
    tables = tomllib.loads(output[output.index("[[sensor.") :])
    ((_, sensor),) = tables["sensor"].items()
    return CalibrationConfig.model_validate(sensor["calibration"][0])


def _sensor_shows(true_m: float) -> float:
    return (true_m - OFFSET_M) / GAIN


def _note(at_ms: int, **body: Any) -> Line:
    return Line(at_ms, Request("note", {"at_ms": at_ms, **body}))


def _store(folder: Path, days: list[tuple[float, dict[str, Any] | None]]) -> None:
    """A day a true depth: readings every ten minutes of a sensor that is off, a note at noon."""
    lines: list[Line] = []
    for day, (true_m, note) in enumerate(days):
        start_ms = START_MS + day * 24 * HOUR_MS
        lines += [reading(start_ms + at * 10 * MINUTE_MS, _sensor_shows(true_m)) for at in range(72, 145)]
        if note is not None:
            lines.append(_note(start_ms + 18 * HOUR_MS + MINUTE_MS, **note))
    replay(make_site(folder), sorted(lines, key=lambda line: line.at_ms), folder)


def test_points_by_hand_become_a_correction_that_a_config_takes(tmp_path: Path) -> None:
    """Two exact points: gain 1.03, offset 12 mm."""
    points = ", ".join(f"{_sensor_shows(true) * 100:.6f} cm={true * 100} cm" for true in (0.2, 1.2))
    output = _run(tmp_path, "--sensor", "main-level", "--points", points, "--valid-from", "2026-10-01")
    found = _proposed(output)
    assert found.gain == pytest.approx(GAIN, rel=1e-5)
    assert found.offset == pytest.approx(OFFSET_M, abs=1e-5)
    assert found.offset_doubt > 0
    assert "from = 2026-10-01T00:00:00-06:00" in output
    assert "nothing is changed" in output


def test_one_point_says_that_a_second_is_missing(tmp_path: Path) -> None:
    """An offset only, counting always."""
    output = _run(tmp_path, "--sensor", "main-level", "--points", "20 in=21 in")
    found = _proposed(output)
    assert (found.gain, found.offset, found.since) == (1.0, pytest.approx(0.0254), None)
    assert "a second one" in output


def test_a_gain_far_from_one_points_at_the_config(tmp_path: Path) -> None:
    """Rather a wrong unit or height than a bad sensor."""
    output = _run(tmp_path, "--sensor", "main-level", "--points", "10 in=21 in, 20 in=41 in")
    assert "check those first" in output


@pytest.mark.slow
def test_dips_that_the_household_noted_are_set_against_the_readings_beside_them(tmp_path: Path) -> None:
    """Four dips in a real store; residuals are shown; the correction starts with the first of them."""
    true = [1.3, 1.0, 0.6, 0.3]
    _store(tmp_path, [(depth, {"kind": "dip", "tank": "main", "depth": f"{depth} m"}) for depth in true])
    output = _run(tmp_path, "--sensor", "main-level")
    found = _proposed(output)
    assert found.gain == pytest.approx(GAIN, abs=0.002)
    assert found.offset == pytest.approx(OFFSET_M, abs=0.002)
    assert "4 points" in output
    assert output.count("+0.0") + output.count("-0.0") >= 4


@pytest.mark.slow
def test_a_load_of_known_size_shows_the_gain(tmp_path: Path) -> None:
    """100 gal into the upright tank of 42 in: 16.7 in of rise; the sensor shows 3 % less."""
    tank: Tank = make_site(tmp_path).tanks["main"]
    low_m = 0.5
    high_m = tank.depth_m(tank.volume_m3(low_m) + 100 * 0.003785411784)
    noon = START_MS + 18 * HOUR_MS
    lines = [
        reading(START_MS + at * 5 * MINUTE_MS, _sensor_shows(low_m if START_MS + at * 5 * MINUTE_MS < noon else high_m))
        for at in range(180, 240)
    ]
    lines.append(_note(noon, kind="load", tank="main", volume="100 gal"))
    replay(make_site(tmp_path), sorted(lines, key=lambda line: line.at_ms), tmp_path)
    found = _proposed(_run(tmp_path, "--sensor", "main-level", "--by", "loads"))
    assert found.gain == pytest.approx(GAIN, abs=0.002)
    assert found.offset == 0.0


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--sensor", "nobody", "--points", "1 in=1 in"], "main-level"),
        (["--sensor", "main-level", "--points", "1 in"], "measured=true"),
        (["--sensor", "main-level", "--points", "1=2 in"], "length"),
        (["--sensor", "main-level", "--points", "1 in=1 in, 1 in=2 in"], "different depths"),
        (["--sensor", "main-level", "--points", "1 in=1 in", "--doubt", "much"], "length"),
    ],
)
def test_a_mistake_is_said_with_what_was_expected(tmp_path: Path, arguments: list[str], word: str) -> None:
    """Sensor, points and doubt."""
    with pytest.raises(UsageError) as error:
        _run(tmp_path, *arguments)
    assert word in error.value.words()


def test_without_a_store_or_a_note_the_next_step_is_named(tmp_path: Path) -> None:
    """No store yet; then a store without dips or loads."""
    with pytest.raises(StoreError):
        _run(tmp_path, "--sensor", "main-level")
    _store(tmp_path, [(1.0, None)])
    for by, word in (("dips", "holdwater note dip"), ("loads", "holdwater note load")):
        with pytest.raises(UsageError) as error:
            _run(tmp_path, "--sensor", "main-level", "--by", by)
        assert word in error.value.words()


SONAR = """
[sensor.pond-level]
tank = "shed"
kind = "ultrasonic"
series = "c:gap"
height = "2 m"
assumed_speed = "343.2 m/s"
air = "c:lid"
water = "c:water"
"""


def _sunny_days(folder: Path, share: float) -> None:
    """Twelve days of a level that stands, a lid that warms by day, and a device that reckons with one speed of sound."""
    physics = make_site(folder, more=SONAR).instruments["pond-level"].physics
    assert isinstance(physics, Ultrasonic)
    true = replace(physics, share=share)
    lines = []
    for at in range(12 * 144):
        at_ms = START_MS + at * 10 * MINUTE_MS
        lid_c = 15 + 12 * math.sin(at / 144 * 2 * math.pi) + 2 * math.sin(at * 1.7)
        sent_m = 1.4 / true.gap(1.0, Surroundings(air_c=lid_c, water_c=13.0))[0]
        pack = payload(("gap", "m", sent_m), ("lid", "Cel", lid_c), ("water", "Cel", 13.0), t_s=at_ms / 1000)
        lines.append(Line(at_ms, Message("water/node/c/readings", pack.encode(), at_ms, at_ms / 1000)))
    replay(make_site(folder, more=SONAR), [Line(START_MS - 1, Request("accept", {"node": "c"})), *lines], folder)


@pytest.mark.slow
def test_the_share_of_the_air_path_is_learned_from_a_real_store(tmp_path: Path) -> None:
    """True share 40 %: what is printed is within 3 % and a config takes it."""
    _sunny_days(tmp_path, 0.4)
    output = _run(tmp_path, "--sensor", "pond-level", "--share", more=SONAR)
    share = tomllib.loads(output[output.index("[sensor.") :])["sensor"]["pond-level"]["share"]
    assert float(share.split()[0]) == pytest.approx(40, abs=3)
    assert "windows of four hours" in output
    with pytest.raises(UsageError) as error:
        _run(tmp_path, "--sensor", "pond-level", "--share", "--days", "1", more=SONAR.replace("c:lid", "c:water"))
    assert "too few hours" in error.value.words()


@pytest.mark.parametrize(
    ("sensor", "more", "word"),
    [
        ("main-level", "", "is no ultrasonic sensor"),
        ("shed-level", "", "is no ultrasonic sensor"),
        ("pond-level", SONAR.replace('water = "c:water"\n', ""), "no series of water temperature"),
    ],
)
def test_a_sensor_without_a_path_to_learn_is_said(tmp_path: Path, sensor: str, more: str, word: str) -> None:
    """Pressure, self-compensated, or without one of the temperatures."""
    _store(tmp_path, [(1.0, None)])
    with pytest.raises(UsageError) as error:
        _run(tmp_path, "--sensor", sensor, "--share", more=more)
    assert word in error.value.words()


def test_the_help_has_the_caution() -> None:
    """Nobody climbs into a tank for a calibration."""
    assert "Never climb in" in CliRunner().invoke(command, ["--help"]).output
