"""The backup that is made by itself: when it is due, where it may go, what stays."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.cli.doctor import _backup as backup_findings
from holdwater.config.site import BackupSettings
from holdwater.config.words import site_words
from holdwater.errors import ConfigError, StoreError
from holdwater.replay import replay
from holdwater.second_copy import AGAIN_S, COSTLY_S, SLOW_S, Look, SecondCopy, check_place, left_s, look
from holdwater.sitefile import site_of
from holdwater.store.backup import SUFFIX, backup, copies, made_ms, name_of, surplus, verify
from place import HOUR_MS, MINUTE_MS, START_MS, make_site, reading, text_of

DENVER = ZoneInfo("America/Denver")
DAY_S, DAY_MS = 86_400.0, 86_400_000


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with an hour of readings."""
    folder = tmp_path_factory.mktemp("store")
    replay(make_site(folder), [reading(START_MS + n * 5 * MINUTE_MS, 1.3) for n in range(12)], folder)
    return folder


def settings(folder: Path, *, keep: int = 3, same_disk: bool = True) -> BackupSettings:
    return BackupSettings(folder, DAY_S, keep, same_disk)


@given(st.integers(0, 10**9), st.integers(0, 10**13), st.floats(3600, 5e6))
def test_a_copy_is_due_when_the_newest_is_as_old_as_asked_for(age_ms: int, now_ms: int, every_s: float) -> None:
    """What is left and the age make up the whole; none, or one from after now, is due at once."""
    left = left_s(now_ms - age_ms, now_ms, every_s)
    assert left == pytest.approx(max(0.0, every_s - age_ms / 1000))
    assert left_s(None, now_ms, every_s) == 0.0
    assert left_s(now_ms + 1 + age_ms, now_ms, every_s) == 0.0


@given(st.lists(st.integers(0, 4 * 10**9), min_size=1, max_size=12, unique=True), st.integers(1, 5), st.data())
def test_the_new_copy_stays_and_those_of_a_wrong_clock_go_first(
    times: list[int], keep: int, data: st.DataObject
) -> None:
    """Of a folder `keep` stay: the new one, then the newest before it, then those named later than it."""
    found = [Path(name_of(at_s, DENVER)) for at_s in sorted(times, reverse=True)]
    made = data.draw(st.sampled_from(found))
    gone = surplus(found, made, keep)
    stay = [each for each in found if each not in gone]
    assert made in stay
    assert len(stay) == min(keep, len(found))
    older = [each for each in found if (made_ms(each) or 0) < (made_ms(made) or 0)]
    assert [each for each in older if each in stay] == older[: keep - 1]


def test_names_are_local_time_and_still_sort_right_when_the_clocks_go_back(tmp_path: Path) -> None:
    """1:30 comes twice on 1 Nov 2026 in Denver (tz database: daylight saving ends that night): the offset tells them apart."""
    first = datetime(2026, 11, 1, 7, 30, tzinfo=UTC).timestamp()
    names = [name_of(first, DENVER), name_of(first + 3600, DENVER), name_of(first + 7200, UTC)]
    assert names[0] == f"20261101T013000-0600{SUFFIX}"
    assert names[1] == f"20261101T013000-0700{SUFFIX}"
    for name in [*names, f"mine{SUFFIX}"]:
        (tmp_path / name).touch()
    assert [path.name for path in copies(tmp_path)] == names[::-1]


def test_a_restart_makes_no_copy_before_it_is_due_and_an_empty_or_damaged_one_counts_for_none(
    store: Path, tmp_path: Path
) -> None:
    """No state but the folder: the same day nothing is made, the next day one; a file that does not open is passed over."""
    stick, now = tmp_path / "stick", START_MS + DAY_MS
    first = look(store, settings(stick), DENVER, now)
    assert first.made is not None
    assert verify(first.made).ok
    again = look(store, settings(stick), DENVER, now + 5 * HOUR_MS)
    assert (again.made, again.wait_s) == (None, 19 * 3600)
    (stick / name_of((now + 4 * HOUR_MS) / 1000, DENVER)).write_bytes(b"no store " * 1000)
    (stick / name_of((now + 5 * HOUR_MS) / 1000, DENVER)).touch()
    assert look(store, settings(stick), DENVER, now + 6 * HOUR_MS).wait_s == 18 * 3600
    later = look(store, settings(stick), DENVER, now + DAY_MS)
    assert later.made is not None
    assert len(copies(stick)) == 3


def test_a_stick_that_is_not_mounted_gets_nothing(store: Path, tmp_path: Path) -> None:
    """An empty mount point lies on the store's own disk: said, and nothing is written there."""
    stick = tmp_path / "stick"
    stick.mkdir()
    for folder in (stick, stick / "holdwater"):
        found = look(store, settings(folder, same_disk=False), DENVER, START_MS)
        assert found.words == "not another disk: the stick is not mounted"
        assert found.wait_s == AGAIN_S
    assert list(stick.iterdir()) == []
    check_place(store, settings(Path("/dev/shm"), same_disk=False))


def test_a_file_in_the_place_of_the_folder_is_said(store: Path, tmp_path: Path) -> None:
    """Also when it stands higher up."""
    (tmp_path / "stick").touch()
    for folder in (tmp_path / "stick", tmp_path / "stick" / "copies"):
        assert look(store, settings(folder), DENVER, START_MS).words == "its folder is a file"


def as_plain_user(act: Callable[[], str]) -> str:
    """What comes of an act of a user who is not root."""
    if os.geteuid() != 0:
        return act()
    read, write = os.pipe()
    if os.fork() == 0:  # root may write everywhere
        os.setuid(65534)
        os.write(write, act().encode())
        os._exit(0)
    os.close(write)
    with os.fdopen(read) as said:
        words = said.read()
    os.wait()
    return words


def test_a_locked_folder_is_said_before_the_store_is_copied() -> None:
    """A card is not worn by copies that can go nowhere."""
    with tempfile.TemporaryDirectory() as place:
        stick = Path(place) / "stick"
        stick.mkdir(mode=0o555)
        Path(place).chmod(0o755)
        found = as_plain_user(lambda: repr(look(Path(place), settings(stick), DENVER, START_MS)))
    assert found == repr(Look(None, AGAIN_S, "its folder cannot be written"))


def test_what_a_power_cut_left_is_swept_away_and_a_copy_at_work_is_not(store: Path, tmp_path: Path) -> None:
    """By process beside the store, by age at the target."""
    stick = tmp_path / "stick"
    stick.mkdir()
    dead, alive = store / "backup-999999999.tmp", store / f"backup-{os.getppid()}.tmp"
    old, young = stick / f".x{SUFFIX}.tmp", stick / f".y{SUFFIX}.tmp"
    for path in (dead, alive, old, young):
        path.touch()
    os.utime(old, (time.time() - 2 * DAY_S,) * 2)
    backup(store, stick)
    assert [path.exists() for path in (dead, alive, old, young)] == [False, True, False, True]
    alive.unlink()


def test_nothing_is_asked_for_while_the_clock_is_not_trusted_and_a_hanging_stick_is_said(
    store: Path, tmp_path: Path
) -> None:
    """Before the first look nothing is known; a look that does not come back in time is said; one that does clears it."""
    stick = tmp_path / "stick"
    copy = SecondCopy(store, settings(stick), DENVER)
    copy.tick(0.0, START_MS, trusted=False)
    copy.tick(30.0, START_MS, trusted=True)  # its thread does not run yet: as a stick that hangs
    copy.tick(30.0 + SLOW_S - 1, START_MS, trusted=True)
    assert copy.words is None
    copy.tick(31.0 + SLOW_S, START_MS, trusted=True)
    assert copy.words == "the stick hangs: not done in 30 min"
    copy.start()
    end = time.monotonic() + 10
    while copy.words and time.monotonic() < end:
        copy.tick(32.0 + SLOW_S, START_MS, trusted=True)
        time.sleep(0.01)
    assert copy.words == ""
    assert len(copies(stick)) == 1
    copy.stop()


def test_a_copy_that_fails_on_its_way_is_tried_again_more_rarely(store: Path, tmp_path: Path) -> None:
    """Each try writes the store once to the card: here there is no store to copy."""
    found = look(tmp_path, settings(tmp_path / "stick"), DENVER, START_MS)
    assert (found.words, found.wait_s) == ("there is no store here", COSTLY_S)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('folder = "{store}"', "inside the store's folder"),
        ('folder = "{store}/copies"', "inside the store's folder"),
        ('folder = "/mnt/stick"\nevery = "30 min"', "1 h to 60 days"),
        ('folder = "/mnt/stick"\nkeep = 0', "keep"),
        ('every = "1 day"', "folder"),
    ],
)
def test_a_wrong_backup_is_said_with_the_fix(tmp_path: Path, lines: str, words: str) -> None:
    """A copy beside the store dies with it; one each minute wears both."""
    text = text_of(tmp_path / "store", more="\n[backup]\n" + lines.format(store=tmp_path / "store") + "\n")
    with pytest.raises(ConfigError) as caught:
        site_of(text, str(tmp_path / "site.toml"), {})
    assert words in caught.value.words()
    assert "backup" in caught.value.words()


def test_check_says_the_backup_in_words(tmp_path: Path) -> None:
    """Where, how often, how many."""
    site = make_site(tmp_path, more='\n[backup]\nfolder = "/mnt/stick"\nevery = "1 day"\nkeep = 3\n')
    assert "Backup: a checked copy of the store goes to /mnt/stick every 24 h; the newest 3 stay" in site_words(site)


def test_doctor_says_when_the_last_copy_was_made_and_what_to_do_when_there_is_none(store: Path, tmp_path: Path) -> None:
    """None, a fresh one, one that is late, a stick that is not mounted; without the section, how to have one."""
    stick = tmp_path / "stick"

    def found(more: str = "same_disk = true") -> tuple[bool, str, str]:
        site = make_site(store, more=f'\n[backup]\nfolder = "{stick}"\n{more}\n')
        [one] = backup_findings(site, store, deep=True)
        return one.well, one.words, one.fix

    [none] = backup_findings(make_site(store), store, deep=False)
    assert none.well
    assert "no copy is made by itself" in none.words
    well, words, fix = found()
    assert (well, words) == (False, f"no good copy in {stick}")
    assert f"holdwater backup {stick}" in fix
    backup(store, stick, now=time.time() - 3 * DAY_S)
    well, words, fix = found()
    assert not well
    assert "72 h ago" in words
    made = backup(store, stick)
    well, words, _ = found()
    assert well
    assert str(made) in words
    well, words, fix = found("")
    assert not well
    assert "not mounted" in words
    assert "mount it" in fix
    made.write_bytes(made.read_bytes()[:-8192] + bytes(8192))
    assert not found()[0]


def test_a_stick_that_gives_back_something_else_is_found(store: Path, tmp_path: Path) -> None:
    """The bytes are read back before the copy takes its name."""
    from holdwater.store.backup import _same

    (tmp_path / "a").write_bytes(b"x" * 600_000)
    (tmp_path / "b").write_bytes(b"x" * 599_999 + b"y")
    with pytest.raises(StoreError, match="reads back otherwise"):
        _same(tmp_path / "a", tmp_path / "b")
    _same(tmp_path / "a", tmp_path / "a")
