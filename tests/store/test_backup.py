"""A second copy, its check, and the way back; damage found, set aside and salvaged."""

import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from holdwater.errors import StoreError
from holdwater.replay import replay
from holdwater.store.backup import backup, copies, restore, verify
from holdwater.store.reader import open_reader
from holdwater.store.salvage import looks_sound
from holdwater.store.writer import Store
from place import MINUTE_MS, START_MS, make_site, reading


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with two days of readings, rolled up, checkpointed into one file."""
    folder = tmp_path_factory.mktemp("whole")
    replay(make_site(folder), [reading(START_MS + n * 5 * MINUTE_MS, 1.3 - n / 2000) for n in range(600)], folder)
    return folder


@pytest.fixture
def folder(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole, tmp_path / "s")
    return tmp_path / "s"


def digest(folder: Path) -> str:
    with open_reader(folder) as reader:
        return reader.digest()


def test_a_copy_is_whole_checked_and_restores_to_the_same_rows(folder: Path, tmp_path: Path) -> None:
    """Backup, loss of everything, restore: every row that matters is back."""
    before = digest(folder)
    made = backup(folder, tmp_path / "stick")
    assert verify(made).ok
    aside = restore(made, folder)
    assert aside is not None
    assert aside.exists()
    assert digest(folder) == before


def test_copies_beyond_those_to_keep_go_only_after_the_new_one_is_in_place(folder: Path, tmp_path: Path) -> None:
    """The oldest go, the newest stay, nothing half-written is left."""
    for n in range(4):
        backup(folder, tmp_path / "stick", keep=2, now=1_790_000_000 + n)
    assert len(copies(tmp_path / "stick")) == 2
    assert sorted(path.name for path in (tmp_path / "stick").iterdir()) == sorted(
        path.name for path in copies(tmp_path / "stick")
    )
    assert not list(folder.glob("*.tmp"))


def test_a_copy_is_made_beside_a_writer_at_work(folder: Path, tmp_path: Path) -> None:
    """The service need not stop."""
    store = Store(folder)
    store.connection.execute("BEGIN IMMEDIATE")
    store.connection.execute("INSERT INTO done VALUES ('x', 'y')")
    made = backup(folder, tmp_path / "stick")
    store.connection.execute("ROLLBACK")
    store.close()
    assert verify(made).ok


@pytest.mark.slow
def test_every_single_flipped_bit_in_a_value_is_found(folder: Path) -> None:
    """SQLite's own checks let such bits pass; the checksum of each hour does not."""
    path = folder / "store.db"
    rng = random.Random(3)
    missed = 0
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT ts, series, value FROM reading").fetchall()
    for ts, series, value in rng.sample(rows, 40):
        connection.execute(
            "UPDATE reading SET value = ? WHERE ts = ? AND series = ?",
            (float(int(value) ^ 1 << rng.randrange(12)), ts, series),
        )
        connection.commit()
        found = verify(path)
        missed += found.ok
        connection.execute("UPDATE reading SET value = ? WHERE ts = ? AND series = ?", (value, ts, series))
        connection.commit()
    connection.close()
    assert missed == 0
    assert verify(path).ok


def test_a_damaged_copy_is_refused_and_the_store_stays(folder: Path, tmp_path: Path) -> None:
    """A bad stick must not cost the good store."""
    made = backup(folder, tmp_path / "stick")
    data = bytearray(made.read_bytes())
    data[8192:12288] = bytes(4096)
    made.write_bytes(data)
    before = digest(folder)
    with pytest.raises(StoreError):
        restore(made, folder)
    assert digest(folder) == before


@pytest.mark.slow
def test_a_store_that_cannot_be_opened_any_more_is_set_aside_and_a_new_one_begun(folder: Path) -> None:
    """Said loudly, nothing thrown away; what cannot be read at all costs the past, not the service."""
    path = folder / "store.db"
    data = bytearray(path.read_bytes())
    data[100:120] = b"\xff" * 20  # the root of the schema
    path.write_bytes(data)
    assert not looks_sound(path)
    store = Store(folder)
    assert store.salvaged is not None
    assert store.salvaged.aside.read_bytes() == data
    assert store.connection.execute("SELECT count(*) FROM reading").fetchone() == (0,)
    store.close()


@pytest.mark.slow
def test_rows_around_a_hole_are_carried_over(whole: Path, tmp_path: Path) -> None:
    """One lost page of readings costs the readings of that page."""
    from holdwater.store.salvage import salvage

    folder = tmp_path / "s"
    shutil.copytree(whole, folder)
    path = folder / "store.db"
    connection = sqlite3.connect(path)
    total = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    page = connection.execute(
        "SELECT pageno FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf' ORDER BY pageno LIMIT 1 OFFSET 2"
    ).fetchone()
    connection.close()
    data = bytearray(path.read_bytes())
    data[(page[0] - 1) * 4096 : page[0] * 4096] = bytes(4096)
    path.write_bytes(data)
    found = salvage(folder)
    assert found.holes >= 1
    assert total > found.rows["reading"] > total - 400
    assert found.rows["notice"] >= 0
    assert verify(path).readings == found.rows["reading"]


def test_a_backup_to_a_full_or_missing_place_says_so_and_leaves_nothing(folder: Path, tmp_path: Path) -> None:
    """A stick that is not there is the usual case."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="stick"):
        backup(folder, tmp_path / "file" / "stick")
    assert not list(folder.glob("*.tmp"))
