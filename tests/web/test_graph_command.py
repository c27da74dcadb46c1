"""`holdwater graph` on a real store: a file that explains itself, and clear words when something is missing."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from holdwater.cli import graph
from holdwater.errors import ConfigError, HoldwaterError, OutsideError, StoreError, UsageError
from holdwater.store import steps
from holdwater.store.rows import DAY_MS, HOUR_MS
from web.drawings import Drawing
from web.household import household, season_book

CONFIG = """
[site]
name = "Quern Bench"
timezone = "America/Denver"
units = "US"
[store]
folder = "{folder}"
[tank.drinking]
use = "drinking"
shape = {{ kind = "upright cylinder", diameter = "42 in", height = "66 in" }}
outlet = "3 in"
overflow = "62 in"
reserve = "90 gal"
[tank.cabin]
use = ["washing", "fire"]
shape = {{ kind = "box", length = "48 in", width = "36 in", height = "42 in" }}
outlet = "2 in"
overflow = "40 in"
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A config with two tanks and an empty store folder."""
    file = tmp_path / "site.toml"
    file.write_text(CONFIG.format(folder=tmp_path))
    return file


def fill(folder: Path, readings: bool = True) -> None:
    """A store with 120 days of hours of two tanks, as the loop would have written them."""
    connection = sqlite3.connect(folder / "store.db", isolation_level=None)
    steps.upgrade(connection, "store.db")
    connection.execute("BEGIN")
    if readings:
        book = season_book(household())
        newest = book.hours["drinking"][-1].start_ms
        connection.execute("INSERT INTO node VALUES (1, 'drinking', 'accepted', NULL, NULL)")
        connection.execute("INSERT INTO series VALUES (1, 1, 'pressure', 'Pa', 0)")
        connection.execute("INSERT INTO reading VALUES (?, 1, 1000, 0)", (newest,))
        for span, rows in ((HOUR_MS, book.hours), (DAY_MS, book.days)):
            for tank in ("drinking", "cabin"):
                connection.executemany(
                    "INSERT INTO level(gen, span, tank, start, depth, on_hand, u_noise, u_scale, n, worst) VALUES (1,?,?,?,?,?,?,?,1,?)",
                    [
                        (span, tank, r.start_ms, r.depth_m, r.on_hand_m3, r.u_noise_m3, r.u_scale_m3, r.worst)
                        for r in rows[tank]
                    ],
                )
    connection.execute("COMMIT")
    connection.close()


def run(*arguments: object) -> Result:
    return CliRunner().invoke(graph.command, [str(each) for each in arguments])


def test_it_writes_a_picture_with_title_date_and_site(config: Path, tmp_path: Path) -> None:
    """The file stands alone."""
    fill(tmp_path)
    out = tmp_path / "season.svg"
    result = run("--config", config, "--out", out)
    assert result.exit_code == 0, result.exception
    assert result.output.strip() == str(out)
    text = out.read_text(encoding="utf-8")
    said = "\n".join(each.text for each in Drawing(text).texts)
    assert "Quern Bench: water on hand" in said
    assert "120 days to Wednesday 28 October 2026" in said
    assert text.startswith("<?xml")
    assert len(Drawing(text).looks("level")) >= 2


def test_tank_days_and_units_are_chosen_and_a_dash_writes_to_standard_output(config: Path, tmp_path: Path) -> None:
    """One lane, metric, thirty days."""
    fill(tmp_path)
    result = run("--config", config, "--tank", "cabin", "--days", 30, "--units", "metric", "--out", "-")
    assert result.exit_code == 0, result.exception
    said = [each.text for each in Drawing(result.output).texts]
    assert "cabin" in said
    assert "drinking" not in said
    assert "1000 L" in said


def test_it_changes_nothing_in_the_store(config: Path, tmp_path: Path) -> None:
    """Not a byte."""
    fill(tmp_path)
    before = (tmp_path / "store.db").read_bytes()
    assert run("--config", config, "--out", tmp_path / "a.svg").exit_code == 0
    assert (tmp_path / "store.db").read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "filled", "kind", "words"),
    [
        (("--tank", "cistern"), True, UsageError, "no tank is called 'cistern'"),
        ((), None, StoreError, "there is no store here yet"),
        ((), False, StoreError, "there is no reading yet"),
        (("--out", "/nowhere/at/all.svg"), True, OutsideError, "cannot write"),
        (("--config", "/nowhere.toml"), True, HoldwaterError, "/nowhere.toml"),
    ],
)
def test_mistakes_are_told_in_words(
    config: Path,
    tmp_path: Path,
    arguments: tuple[str, ...],
    filled: bool | None,
    kind: type[HoldwaterError],
    words: str,
) -> None:
    """What was found, what was expected, where, what to do; no traceback."""
    if filled is not None:
        fill(tmp_path, filled)
    result = run("--config", config, *arguments)
    assert isinstance(result.exception, kind)
    assert words in result.exception.words()


def test_a_broken_config_is_told_with_all_its_problems(config: Path) -> None:
    """The config's own error reaches the person."""
    config.write_text(config.read_text().replace("42 in", "42 furlongs"))
    assert isinstance(run("--config", config).exception, ConfigError)


@pytest.mark.parametrize("days", ["0", "9999", "x"])
def test_a_wrong_number_of_days_is_refused(config: Path, days: str) -> None:
    """Click's own words, exit code 2."""
    assert run("--config", config, "--days", days).exit_code == 2
