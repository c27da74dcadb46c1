"""`holdwater tank`: dip chart as text and JSON, single rows, the inverse, joined vessels, the drawing, and its errors."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from holdwater.cli.tank import command
from holdwater.errors import HoldwaterError

ROUND = json.dumps(
    {
        "shape": {"kind": "upright cylinder", "diameter": "42 in", "height": "66 in"},
        "outlet": "3 in",
        "overflow": "62 in",
        "reserve": "90 gal",
    }
)
JOINED = json.dumps(
    {
        "vessel": [
            {"name": "a", "shape": {"kind": "box", "length": "1 m", "width": "1 m", "height": "1 m"}},
            {"name": "b", "floor": "20 cm", "shape": {"kind": "box", "length": "2 m", "width": "1 m", "height": "1 m"}},
        ],
        "link": [{"between": ["a", "b"], "height": "20 cm"}],
    }
)
CONFIG = """
[site]
name = "Test bench"
timezone = "UTC"
units = "metric"

[tank.kitchen]
use = "drinking"
shape = { kind = "upright cylinder", diameter = "42 in", height = "66 in" }
outlet = "3 in"
overflow = "62 in"

[tank.yard]
shape = { kind = "box", length = "1 m", width = "1 m", height = "1 m" }
"""


def answer(*arguments):
    """What the command prints."""
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def table(*arguments):
    """What the command prints as JSON."""
    return json.loads(answer(*arguments, "--json"))


def wrong(*arguments):
    """The error that the command ends with."""
    with pytest.raises(HoldwaterError) as caught:
        CliRunner().invoke(command, arguments, catch_exceptions=False)
    return caught.value


def test_a_dip_chart_has_a_row_for_every_inch_up_to_the_overflow():
    """From 0 to 62 in: 63 rows; gallons per inch by hand: pi 21 x 21 / 231 = 5.9976."""
    chart = table("--shape", ROUND)
    assert [round(row["depth"], 6) for row in chart["rows"]] == list(range(63))
    assert chart["rows"][10]["volume"] == pytest.approx(59.976, abs=0.001)
    assert chart["rows"][10]["on_hand"] == pytest.approx(41.983, abs=0.001)
    assert chart["rows"][-1]["on_hand"] == pytest.approx(chart["full_on_hand"])
    assert (chart["units"], chart["depth_unit"], chart["volume_unit"], chart["outlet"]) == (
        "US",
        "in",
        "gal",
        pytest.approx(3),
    )


def test_metric_rows_come_every_centimetre_with_si_values_beside():
    """The same tank in cm and L; m and m3 are the same in both."""
    metric, us = (
        table("--shape", ROUND, "--units", "metric", "--depth", "1 m"),
        table("--shape", ROUND, "--depth", "100 cm"),
    )
    assert metric["rows"][0]["depth"] == pytest.approx(100)
    assert metric["rows"][0]["volume"] == pytest.approx(1000 * metric["rows"][0]["volume_m3"])
    assert metric["rows"][0]["volume_m3"] == us["rows"][0]["volume_m3"]
    assert len(table("--shape", ROUND, "--units", "metric")["rows"]) == 159


def test_text_and_json_say_the_same():
    """Depth, all, on hand and ±, one line a row."""
    text = answer("--shape", ROUND, "--depth", "17.3 in", "--u-depth", "0.25 in")
    row = table("--shape", ROUND, "--depth", "17.3 in", "--u-depth", "0.25 in")["rows"][0]
    line = next(line for line in text.splitlines() if line.strip().startswith("17.30"))
    assert line.split() == ["17.30", f"{row['volume']:.1f}", f"{row['on_hand']:.1f}", f"{row['u']:.1f}"]
    assert "upright, 42 in across, 353.9 gal on hand when full, 6.0 gal per inch, reserve 90 gal" in text


def test_a_volume_gives_its_depth():
    """The inverse, of all water and of what is on hand; beyond the tank it is flagged."""
    assert table("--shape", ROUND, "--volume", "59.976 gal")["rows"][0]["depth"] == pytest.approx(10, abs=1e-3)
    assert table("--shape", ROUND, "--on-hand", "41.983 gal")["rows"][0]["depth"] == pytest.approx(10, abs=1e-3)
    flags = [
        row["flag"]
        for row in table("--shape", ROUND, "--volume", "-1 gal", "--volume", "999 gal", "--depth", "50 in")["rows"]
    ]
    assert flags == ["", "below floor", "above overflow"]


def test_a_step_may_be_chosen():
    """The overflow is always the last row."""
    depths = [round(row["depth"], 6) for row in table("--shape", ROUND, "--every", "20 in")["rows"]]
    assert depths == [0, 20, 40, 60, 62]


def test_a_shape_may_come_from_a_file_or_as_text(tmp_path):
    """TOML or JSON, a shape alone or a whole tank; also TOML on the spot."""
    shape = {"kind": "box", "length": "1 m", "width": "1 m", "height": "1 m"}
    (tmp_path / "a.json").write_text(json.dumps(shape))
    (tmp_path / "b.toml").write_text('kind = "box"\nlength = "1 m"\nwidth = "1 m"\nheight = "1 m"\n')
    (tmp_path / "c.toml").write_text('[shape]\nkind = "box"\nlength = "1 m"\nwidth = "1 m"\nheight = "1 m"\n')
    (tmp_path / "d.toml").write_text('[tank.one.shape]\nkind = "box"\nlength = "1 m"\nwidth = "1 m"\nheight = "1 m"\n')
    for given in (
        *(str(path) for path in sorted(tmp_path.iterdir())),
        json.dumps(shape),
        'shape = { kind = "box", length = "1 m", width = "1 m", height = "1 m" }',
    ):
        assert table("--shape", given, "--depth", "0.5 m")["rows"][0]["volume_m3"] == pytest.approx(0.5)


def test_a_tank_of_a_config_comes_in_its_units(tmp_path):
    """By name; the site's units unless told otherwise."""
    path = tmp_path / "site.toml"
    path.write_text(CONFIG)
    chart = table("kitchen", "--config", str(path))
    assert (chart["tank"], chart["units"]) == ("kitchen", "metric")
    assert table("kitchen", "--config", str(path), "--units", "us")["full_on_hand"] == pytest.approx(353.9, abs=0.05)
    error = wrong("cellar", "--config", str(path))
    assert error.exit_code == 2
    assert "kitchen, yard" in error.words()


def test_joined_vessels_by_their_own_levels():
    """A shut link cuts off; levels apart over an open link are named."""
    row = table("--shape", JOINED, "--level", "a=50 cm", "--level", "b=10 cm", "--u-depth", "1 mm")["rows"][0]
    assert row["apart"][0]["between"] == ["a", "b"]
    assert row["volume_m3"] == pytest.approx(0.5 + 0.2)
    shut = table("--shape", JOINED, "--level", "a=50 cm", "--level", "b=10 cm", "--shut", "b,a")["rows"][0]
    assert (shut["apart"], shut["cut_off_m3"], shut["on_hand_m3"]) == ([], pytest.approx(0.2), pytest.approx(0.5))
    unknown = table("--shape", JOINED, "--level", "b=10 cm", "--shut", "a,b")["rows"][0]
    assert (unknown["unknown"], unknown["on_hand"], unknown["depth"]) == (["a"], None, None)
    text = answer("--shape", JOINED, "--level", "b=10 cm", "--shut", "a,b")
    assert "unknown" in text
    assert "Behind shut links" in text
    assert "Look at link and sensors" in answer("--shape", JOINED, "--level", "a=50 cm", "--level", "b=10 cm")


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ([], 2, "neither a tank's NAME nor --shape"),
        (["--shape", "{"], 2, "line 1"),
        (["--shape", "[1]"], 2, "a table in { }"),
        (["--shape", "{" * 60000], 2, "expected"),
        (["--shape", "kind = box"], 2, "line 1"),
        (["--shape", "/nowhere/tank.toml"], 3, "no such file"),
        (["--shape", '{"shape": 3}'], 2, "shape"),
        (["--shape", ROUND, "--depth", "3 gal"], 2, "unit of volume"),
        (["--shape", ROUND, "--every", "0 in"], 2, "--every"),
        (["--shape", ROUND, "--every", "0.001 in"], 2, "--every"),
        (["--shape", ROUND, "--level", "a=3 in"], 2, "--level"),
        (["--shape", ROUND, "--shut", "a,b"], 2, "--shut without --level"),
        (["--shape", JOINED, "--level", "a=3 in", "--shut", "a,c"], 2, "a,b"),
        (["--shape", ROUND, "--svg", "/nowhere/at/all.svg"], 3, "/nowhere/at/all.svg"),
    ],
)  # fmt: skip
def test_a_mistake_gets_words_and_an_exit_code(arguments, code, words):
    """What was found, what was expected, where, and what to do."""
    error = wrong(*arguments)
    assert error.exit_code == code
    assert words in error.words()


def test_all_wrong_keys_of_a_shape_are_said_at_once():
    """A wrong dimension and a missing measure together, by their keys."""
    error = wrong("--shape", '{"kind": "box", "length": "2 kg", "width": "1 m"}')
    assert "shape.length" in error.words()
    assert "shape.height" in error.words()


@pytest.mark.slow
def test_the_section_is_drawn_into_a_file(tmp_path):
    """An SVG, filled to the depth asked for."""
    path = tmp_path / "tank.svg"
    answer("--shape", ROUND, "--depth", "30 in", "--svg", str(path))
    assert path.read_text(encoding="utf-8").lstrip().startswith("<svg")


def test_help_names_every_shape_and_every_field():
    """What outsiders need to write a shape and to read the answer."""
    text = CliRunner().invoke(command, ["--help"]).output
    chart = table("--shape", ROUND, "--depth", "1 in")
    for name in (
        "box",
        "upright cylinder",
        "horizontal cylinder",
        "sphere",
        "capsule",
        "horizontal oval",
        "frustum",
        "trough",
        "stack",
        "dip chart",
        "filled",
    ):
        assert name in text
    for name in (*chart, *chart["rows"][0]):
        assert name.removesuffix("_m3").removesuffix("_m2").removesuffix("_m") in text


def test_a_list_for_a_shape_is_no_file():
    """It is read as JSON and refused as such."""
    with pytest.raises(HoldwaterError) as refused:
        command.main(["--shape", "[1, 2]"], standalone_mode=False)
    assert "a table in { }" in refused.value.words()


def test_a_tank_in_toml_may_be_as_long_as_it_likes():
    """More than a file's name may have."""
    text = "# " + "as measured, " * 30 + '\nkind = "box"\nlength = "1 m"\nwidth = "1 m"\nheight = "1 m"\n'
    result = CliRunner().invoke(command, ["--shape", text, "--depth", "50 cm", "--json"])
    assert json.loads(result.output)["rows"][0]["volume_m3"] == pytest.approx(0.5)
