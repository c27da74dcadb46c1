"""`holdwater check`: the site in words, or all its problems."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from holdwater.cli.check import command
from holdwater.errors import ConfigError, HoldwaterError

SAMPLES = Path(__file__).parents[2] / "sample_configs"
QUERN = SAMPLES / "quern-bench.toml"
BAD = '[site]\nname = "A"\ntimezone = "America/Denvr"\n[broker]\npassword = "hunter2"\nport = "x"\n'


def run(*arguments: object):
    return CliRunner().invoke(command, [str(each) for each in arguments], catch_exceptions=True)


def test_check_says_the_site_in_words():
    """Tanks, sensors, what fills them, weather, broker, store, page, what can freeze, channels, notices."""
    result = run(QUERN)
    assert result.exit_code == 0
    said = result.output
    for words in (
        "Quern Bench, days by America/Denver, 37.6 N, 105 W, 6700 ft above the sea, US units",
        "drinking: upright, 42 in across, 353.9 gal on hand when full, 6.0 gal per inch, reserve 90 gal",
        "for drinking; filled by well, load; tap at 3 in, overflow at 62 in",
        "sensor drinking-level: pressure, reads drinking:pressure, mounted 1 in above the floor",
        "filled by roof (780 ft2)",
        "sensor garden-level: ultrasonic, reads garden:gap, face 58 in above the floor",
        "air temperature from garden:headspace",
        "Weather: air from garden:air, rain from garden:rain, barometer from garden:barometer",
        "Broker: 127.0.0.1 port 1883, without a name, not encrypted, topics water/…, session holdwater-quern-bench-",
        "Store: /var/lib/holdwater, written at least every 60 s, raw readings kept 400 days",
        "Page: http://127.0.0.1:8080/, also answers to water.home",
        "Can freeze: cabin-tank, a tank of cabin",
        'Channel phone: webhook, takes "act today" and worse, 22:00-06:30 "act now" only',
        "raised at 33 F after 10 min, cleared at 36 F after 60 min",
        "raised at its reserve after",
        "The file is right.",
    ):
        assert words in said, words


def test_check_says_warnings_and_routes_and_transfers():
    """What is allowed but worth a word stands apart."""
    said = run(SAMPLES / "roof-and-drinking.toml").output
    assert "transfer to-the-beds: from cistern to garden-barrel" in said
    assert "no level sensor" in said
    assert said.index("Worth a word") < said.index("nobody is called")
    assert (
        "Route shed-air: shed/climate (json) becomes shed:air in Cel" in run(SAMPLES / "foreign-payloads.toml").output
    )


def test_check_speaks_metric_where_the_site_does():
    """Litres, centimetres, C."""
    said = run(SAMPLES / "stock-tank-metric.toml").output
    assert "L on hand when full" in said
    assert "900 m above the sea, metric units" in said
    assert "raised at 1 C" in said


def test_check_for_machines_gives_volumes_in_both_units():
    """One JSON object."""
    result = run(QUERN, "--json")
    assert result.exit_code == 0
    said = json.loads(result.output)
    assert said["ok"] is True
    assert said["problems"] == []
    drinking = said["tanks"]["drinking"]
    assert drinking["full_on_hand_m3"] == pytest.approx(drinking["full_on_hand_gal"] * 231 * 0.0254**3)
    assert round(drinking["full_on_hand_gal"], 1) == 353.9
    assert drinking["capacity_m3"] > drinking["full_on_hand_m3"]
    assert drinking["sensors"] == ["drinking-level"]
    assert said["sensors"]["garden-level"]["unit"] == "m"
    assert len(said["sha256"]) == 64


def test_check_for_machines_lists_every_problem(tmp_path):
    """Key, found, expected, fix; exit code 2; no secret."""
    path = tmp_path / "bad.toml"
    path.write_text(BAD)
    result = run(path, "--json")
    assert result.exit_code == 2
    said = json.loads(result.output)
    assert said["ok"] is False
    assert said["file"] == str(path)
    assert [row["key"] for row in said["problems"]] == ["site.timezone", "broker.port"]
    assert said["problems"][0]["fix"] == 'did you mean "America/Denver"?'
    assert all(row["found"] and row["expected"] and row["fix"] for row in said["problems"])
    assert "hunter2" not in result.output


def test_check_for_machines_says_that_a_file_is_not_there(tmp_path):
    """Exit code 3, still one JSON object."""
    result = run(tmp_path / "none.toml", "--json")
    assert result.exit_code == 3
    (row,) = json.loads(result.output)["problems"]
    assert row["found"] == "there is no such file"
    assert "sample_configs" in row["fix"]


def test_check_raises_the_problems_for_the_main_command_to_print(tmp_path):
    """What main prints: file and count first."""
    path = tmp_path / "bad.toml"
    path.write_text(BAD)
    result = run(path)
    assert isinstance(result.exception, ConfigError)
    assert result.exception.words().splitlines()[0] == f"{path}: 2 problems"


def test_check_against_another_config_says_what_applies_when(tmp_path):
    """`--against`: the changes in plain sentences."""
    new = tmp_path / "new.toml"
    new.write_text(
        QUERN.read_text().replace('diameter = "42 in"', 'diameter = "43 in"').replace('"90 gal"', '"80 gal"')
    )
    said = run(new, "--against", QUERN).output
    assert "drinking: diameter 42 in -> 43 in: applies to the past" in said
    assert "drinking: reserve 90 gal -> 80 gal: applies from now on" in said
    assert "Changes\n  none" in run(QUERN, "--against", QUERN).output
    (first, _) = json.loads(run(new, "--against", QUERN, "--json").output)["changes"]
    assert first["applies"] == "past"


def test_check_against_a_file_that_is_wrong_says_which(tmp_path):
    """The other file is named in the error."""
    other = tmp_path / "other.toml"
    other.write_text("x = = 1\n")
    result = run(QUERN, "--against", other)
    assert isinstance(result.exception, HoldwaterError)
    assert str(other) in result.exception.words()


@pytest.mark.slow
def test_the_command_itself_prints_problems_on_stderr_and_ends_with_2(tmp_path):
    """The real command: nothing on stdout, no traceback."""
    path = tmp_path / "bad.toml"
    path.write_text(BAD)
    done = subprocess.run(
        [sys.executable, "-m", "holdwater", "check", str(path)],
        capture_output=True,
        text=True,
        env=dict(os.environ),
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert f"{path}: 2 problems" in done.stderr
    assert "Traceback" not in done.stderr
    assert "hunter2" not in done.stderr
