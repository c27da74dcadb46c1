"""A store of an earlier version opens, nothing of it is lost; a step that fails leaves it as it was; a config's changes are explained."""

from __future__ import annotations

import gzip
import hashlib
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from holdwater.config.moves import MOVES, Move, moved
from holdwater.errors import StoreError
from holdwater.sitefile import open_site
from holdwater.store import steps
from holdwater.store.connect import STORE_NAME
from holdwater.store.reader import open_reader, step_of
from holdwater.store.rows import HOUR_MS
from holdwater.store.writer import Store
from make_store_fixture import SAMPLES, STORES, table_rows
from place import run_command

STEP_SHA = {1: "24c8f5ba8daf83d03b53425b79b4f39b5e81a2e7fe09dd13e96f1da6e4445dbc"}
"""Checksum of each step that has run anywhere."""


def unpacked(number: int, folder: Path) -> Path:
    """A kept store of a step, in a folder of its own."""
    with gzip.open(STORES / f"step-{number}.db.gz") as packed, (folder / STORE_NAME).open("wb") as raw:
        shutil.copyfileobj(packed, raw)
    return folder / STORE_NAME


def test_a_step_that_has_run_is_never_changed() -> None:
    """Each step's text is the one that stores out there were made by; a new step adds its checksum and its store."""
    assert {number: hashlib.sha256(text.encode()).hexdigest() for number, text in enumerate(steps.STEPS, 1)} == STEP_SHA
    for number in STEP_SHA:
        assert (STORES / f"step-{number}.db.gz").exists(), "run tests/make_store_fixture.py"


@pytest.mark.parametrize("number", sorted(STEP_SHA))
def test_a_store_of_every_step_opens_and_has_lost_nothing(number: int, tmp_path: Path) -> None:
    """Rows of each table as counted when it was made; its readings, levels, notes, notices are read; its name is the old one."""
    told = json.loads((STORES / f"step-{number}.json").read_text())
    path = unpacked(number, tmp_path)
    with closing(sqlite3.connect(path)) as connection:
        name = connection.execute("SELECT value FROM meta WHERE key = 'store'").fetchone()[0]
    store = Store(tmp_path)
    assert store.uuid == name
    store.close()
    assert step_of(tmp_path) == len(steps.STEPS)
    rows = table_rows(path)
    assert {table: rows[table] for table in told["rows"] if table != "step"} == {
        table: count for table, count in told["rows"].items() if table != "step"
    }
    with open_reader(tmp_path) as reader:
        site = open_site(SAMPLES / f"{told['site']}.toml", {})
        assert len(list(reader.readings("yard:pressure", 0, 2**62))) == 72
        assert len(reader.notes(0, 2**62)) == 2
        assert reader.levels(next(iter(site.tanks)), HOUR_MS, 0, 2**62)
        assert reader.notices(0, 2**62)


@pytest.mark.slow
@pytest.mark.parametrize("number", sorted(STEP_SHA))
def test_a_store_of_every_step_is_worked_with_as_if_it_were_new(number: int, tmp_path: Path) -> None:
    """verify finds it whole; the same recording once more adds no reading."""
    told = json.loads((STORES / f"step-{number}.json").read_text())
    path = unpacked(number, tmp_path)
    config = SAMPLES / f"{told['site']}.toml"
    before = table_rows(path)["reading"]
    again = run_command(
        "replay", str(config.with_suffix(".jsonl")), "--config", str(config), "--store", str(tmp_path), "--quiet"
    )
    assert again.returncode == 0, again.stderr
    assert table_rows(path)["reading"] == before
    assert run_command("verify", "--config", str(config), "--store", str(tmp_path)).returncode == 0


def test_a_step_that_fails_leaves_the_store_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One transaction a step: the second statement fails, the first leaves no trace; the next try works."""
    path = unpacked(1, tmp_path)
    before = table_rows(path)
    monkeypatch.setattr(
        steps, "STEPS", (*steps.STEPS[:1], "CREATE TABLE more(n INT) STRICT; INSERT INTO nowhere VALUES (1)")
    )
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        with pytest.raises(sqlite3.OperationalError):
            steps.upgrade(connection, str(path))
        assert steps.current(connection) == 1
    assert table_rows(path) == before
    monkeypatch.setattr(steps, "STEPS", (*steps.STEPS[:1], "CREATE TABLE more(n INT) STRICT"))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        steps.upgrade(connection, str(path))
        assert steps.current(connection) == 2
    assert table_rows(path) == before | {"more": 0, "step": 2}


def test_a_store_of_a_newer_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    """Said in words, with what to do."""
    path = unpacked(1, tmp_path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO step VALUES (99, '9.9.9')")
        connection.commit()
    before = table_rows(path)
    with pytest.raises(StoreError) as caught:
        Store(tmp_path)
    assert "written by a newer holdwater" in caught.value.words()
    assert table_rows(path) == before


# -- the config ---------------------------------------------------------------------------------------------------------------

INVENTED = (
    Move("0.2.0", "tank.*.lip", "tank.*.overflow", "The household's word is overflow."),
    Move("0.3.0", "store.compress", "", "Stores are always packed."),
    Move("0.3.0", "broker.secret", "broker.password", "One word for one thing."),
)


def test_changes_of_settings_are_explained_old_to_new() -> None:
    """A star stands for any name; what went away says so; a secret is not shown; what is not in the file is not spoken of."""
    data = {
        "tank": {"a": {"lip": "40 in"}, "b": {"overflow": "1 m"}},
        "store": {"compress": True},
        "broker": {"secret": "hidden"},
    }
    said = moved(data, INVENTED)
    assert said[0] == 'tank.a.lip = "40 in" -> tank.a.overflow since 0.2.0. The household\'s word is overflow.'
    assert said[1].startswith("store.compress = true: gone since 0.3.0.")
    assert "hidden" not in said[2]
    assert len(said) == 3
    assert moved({"tank": 3, "store": []}, INVENTED) == []


def test_every_change_of_a_setting_leads_to_a_setting_that_there_is() -> None:
    """What is renamed must be found under its new name in the manual of settings; none has been so far, and check says so."""
    manual = (Path(__file__).parents[2] / "docs" / "settings.md").read_text()
    for move in MOVES:
        assert not move.new or f"`{move.new.rsplit('.', 1)[1]}`" in manual


@pytest.mark.slow
def test_check_upgrade_says_what_becomes_of_config_and_store(tmp_path: Path) -> None:
    """The store's step beside ours, nothing opened for writing; then all that check says."""
    unpacked(1, tmp_path)
    text = (SAMPLES / "buried-cylinder.toml").read_text() + f'\n[store]\nfolder = "{tmp_path}"\n'
    (tmp_path / "site.toml").write_text(text)
    before = (tmp_path / STORE_NAME).read_bytes()
    done = run_command("check", "--upgrade", str(tmp_path / "site.toml"))
    assert done.returncode == 0, done.stderr
    assert "no setting has changed yet" in done.stdout or MOVES
    assert f"step 1 of {len(steps.STEPS)}" in done.stdout
    assert "The file is right." in done.stdout
    assert (tmp_path / STORE_NAME).read_bytes() == before
