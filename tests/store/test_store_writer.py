"""The one writer: what it promises of a batch, a lock, a newer store, garbage."""

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.errors import BusyError, StoreError
from holdwater.runs import Run
from holdwater.store.batch import Batch, NewSeries, NodeState
from holdwater.store.digits import UNSCALED, digits_for, pack, unpack
from holdwater.store.reader import open_reader
from holdwater.store.writer import QUARANTINE_BYTES, QUARANTINE_ROWS, Store

SERIES = NewSeries(1, 1, "gap", "m", 3)


def batch_of(*readings: tuple[int, float]) -> Batch:
    batch = Batch()
    batch.nodes[1] = NodeState(1, "a", "accepted", 0, 0)
    batch.series.append(SERIES)
    batch.readings += [(ts, 1, *pack(value, 3)) for ts, value in readings]
    return batch


@pytest.fixture
def store(tmp_path: Path):
    opened = Store(tmp_path)
    yield opened
    opened.close()


def test_a_batch_is_there_after_the_store_is_opened_again(tmp_path: Path) -> None:
    """What was written once is read back, in SI and in time order."""
    store = Store(tmp_path)
    store.write(batch_of((2000, 1.25), (1000, 1.5)))
    store.close()
    with open_reader(tmp_path) as reader:
        assert [(row.ts_ms, row.value) for row in reader.readings("a:gap", 0, 9000)] == [(1000, 1.5), (2000, 1.25)]


def test_the_same_batch_written_twice_changes_nothing(store: Store) -> None:
    """A commit of unclear fate may be repeated."""
    batch = batch_of((1000, 1.5))
    batch.runs[1, 7] = Run(3, ((5, 6),), 1)
    store.write(batch)
    store.write(batch)
    assert store.connection.execute("SELECT count(*) FROM reading").fetchone() == (1,)
    assert store.known().runs == {(1, 7): Run(3, ((5, 6),), 1)}
    assert store.connection.execute("SELECT count(*) FROM quarantine").fetchone() == (0,)


def test_a_second_different_value_for_the_same_time_is_kept_aside(store: Store) -> None:
    """First wins; the other is neither lost nor believed."""
    store.write(batch_of((1000, 1.5)))
    store.write(batch_of((1000, 1.6)))
    assert store.connection.execute("SELECT value FROM reading").fetchone() == (1500.0,)
    ((reason, payload),) = store.connection.execute("SELECT reason, payload FROM quarantine").fetchall()
    assert reason == "a second, different value for the same time"
    assert b"refused 1600.0" in payload


def test_a_batch_that_fails_leaves_nothing_behind(store: Store) -> None:
    """One transaction: a fault in the last row takes the first one with it."""
    batch = batch_of((1000, 1.5))
    batch.readings.append((2000, 1, float("nan"), 0))  # becomes NULL, which the column refuses
    batch.notes.append("no note")  # type: ignore[arg-type]
    with pytest.raises(Exception):  # noqa: B017, PT011 -- whatever it is, nothing may be written
        store.write(batch)
    assert store.connection.execute("SELECT count(*) FROM reading").fetchone() == (0,)
    assert not store.connection.in_transaction


def test_a_second_holdwater_on_the_same_store_is_told_who_owns_it(store: Store, tmp_path: Path) -> None:
    """Two writers would be the end of the store; the message says which process, and what to do."""
    code = f"from holdwater.store.writer import Store; from pathlib import Path; Store(Path({str(tmp_path)!r}))"
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "another holdwater (process" in other.stderr
    assert "stop it first" in other.stderr
    with pytest.raises(BusyError):
        Store(tmp_path)


def test_a_folder_that_cannot_be_written_is_named_with_the_fix(tmp_path: Path) -> None:
    """A path under a file can never be a folder, for root neither."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError) as caught:
        Store(tmp_path / "file" / "store")
    assert str(tmp_path / "file" / "store") in caught.value.words()
    assert "store.folder" in caught.value.words()


def test_a_file_that_is_no_database_is_set_aside_and_a_new_store_begun(tmp_path: Path) -> None:
    """Garbage in place of the store is said and kept, never overwritten, and the service goes on."""
    garbage = b"not a database, but somebody's only copy of something" * 200
    (tmp_path / "store.db").write_bytes(garbage)
    store = Store(tmp_path)
    assert store.salvaged is not None
    assert store.salvaged.aside.read_bytes() == garbage
    assert "kept as aside-" in store.salvaged.words()
    store.write(batch_of((1000, 1.5)))
    store.close()


def test_a_store_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    """Data of a form we do not know is never guessed at."""
    store = Store(tmp_path)
    store.connection.execute("INSERT INTO step VALUES (99, '9.9')")
    store.close()
    with pytest.raises(StoreError, match="newer holdwater"):
        Store(tmp_path)
    with pytest.raises(StoreError):
        open_reader(tmp_path)


def test_a_reader_without_a_store_says_what_to_start(tmp_path: Path) -> None:
    """No store yet is no traceback."""
    with pytest.raises(StoreError, match="no store here yet"):
        open_reader(tmp_path)


def test_the_store_runs_in_wal_mode_with_full_sync(store: Store) -> None:
    """The receipt rests on these two settings."""
    assert store.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert store.connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_the_quarantine_never_outgrows_its_bounds(store: Store) -> None:
    """Garbage cannot fill the card: rows and bytes are bounded, the newest stay, what went is counted."""
    for n in range(30):
        batch = Batch()
        batch.quarantine += [(n, b"t", bytes(3000), "syntax") for _ in range(50)]
        store.write(batch)
    rows, size = store.connection.execute("SELECT count(*), sum(length(payload)) FROM quarantine").fetchone()
    assert rows <= QUARANTINE_ROWS
    assert size <= QUARANTINE_BYTES
    assert store.connection.execute("SELECT max(at) FROM quarantine").fetchone() == (29,)
    assert (
        store.connection.execute("SELECT n FROM count WHERE name = 'quarantine dropped'").fetchone()[0] == 1500 - rows
    )


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_every_number_comes_back_to_the_last_bit(value: float) -> None:
    """Packing into whole numbers loses nothing."""
    digits = digits_for("m")
    stored, flag = pack(value, digits)
    assert unpack(stored, digits, flag) == value


def test_an_ordinary_reading_is_stored_as_a_small_whole_number() -> None:
    """1.234 m packs as 12340; a value with more decimals than its series stays as it came."""
    assert digits_for("m") == 4
    assert pack(1.234, 4) == (12340.0, 0)
    assert pack(1.23456, 4) == (1.23456, UNSCALED)


def test_a_reader_cannot_write(store: Store, tmp_path: Path) -> None:
    """Only the loop writes."""
    store.write(batch_of((1000, 1.5)))
    with (
        open_reader(tmp_path) as reader,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        reader._connection.execute("DELETE FROM reading")
