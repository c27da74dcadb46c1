"""What goes to the server: every reading once, with its own time; late ones too; levels; and nothing without a date."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from holdwater.replay import recompute
from holdwater.store.reader import open_reader
from holdwater.store.rows import HOUR_MS
from holdwater.store.upkeep import prune
from holdwater.store.writer import Store
from place import MINUTE_MS, START_MS, reading

LINES = [reading(START_MS + n * 5 * MINUTE_MS, 1.3 - n / 2000, node="ab"[n % 2]) for n in range(120)]


def test_every_reading_arrives_once_with_its_time_its_value_and_its_tags(place, victoria) -> None:
    """Ten hours; a second look sends nothing more."""
    place.to(victoria.url).take(LINES)
    first = place.send()
    assert victoria.points() == place.held()
    assert sum(place.held().values()) == 240
    assert victoria.tags("site") == {"Test place"}
    assert victoria.tags("tank") == {"main", "shed", "-"}
    assert victoria.tags("unit") == {"Pa", "m", "degC"}
    second = place.send()
    assert (first.why, second.why, second.sent) == ("", "", 0)
    assert victoria.points() == place.held()


def test_readings_that_come_one_after_the_other_are_sent_once_each(place, victoria) -> None:
    """Within the running hour, over its end, after a restart of the mirror: no reading twice on a server that keeps doubles."""
    place.to(victoria.url)
    for at in range(0, 120, 7):
        place.take(LINES[at : at + 7])
        place.send()
    assert victoria.points() == place.held()
    assert sum(victoria.points().values()) == 240


def test_a_reading_that_comes_late_is_found_without_an_order_of_arrival(place, influx) -> None:
    """In an hour that was mirrored long ago, and behind the newest of the running hour; nothing is double."""
    server, proxy = influx
    late = [LINES[3], LINES[60], LINES[117]]
    place.to(proxy.url).take([line for line in LINES if line not in late])
    place.send()
    assert sum(server.points().values()) == 234
    place.take(late)
    place.send()
    assert server.points() == place.held()
    assert sum(server.points().values()) == 240


def test_levels_go_by_the_hour_and_a_corrected_tank_corrects_them(place, influx) -> None:
    """Hours that are over, equal to the store; after a new generation the new figures stand in the place of the old."""
    server, proxy = influx
    place.to(proxy.url).take(LINES)
    place.send()

    def compare() -> list[float]:
        rows = {
            (row[0], row[1]): row
            for row in server.query('SELECT "tank", "on_hand_m3", "depth_m", "readings" FROM "level"')
        }
        with open_reader(place.folder) as reader:
            want = {
                (row.start_ms, tank): row
                for tank in ("main", "shed")
                for row in reader.levels(tank, HOUR_MS, 0, 2 * START_MS)
            }
        settled = {key for key in want if key[0] + 2 * HOUR_MS <= LINES[-1].at_ms}
        assert set(rows) == settled
        for key in settled:
            assert rows[key][2] == pytest.approx(want[key].on_hand_m3, abs=1e-6)
            assert rows[key][3] == pytest.approx(want[key].depth_m, abs=1e-6)
        return [rows[key][2] for key in sorted(settled) if key[1] == "main"]

    before = compare()
    assert len(before) >= 7
    from holdwater.sitefile import site_of
    from place import text_of

    place.site = site_of(text_of(place.folder).replace('diameter = "42 in"', 'diameter = "84 in"'), "test.toml", {})
    recompute(place.site, place.folder)
    place.send()
    after = compare()
    assert after == pytest.approx([4 * each for each in before], rel=1e-5)


def test_a_reading_without_a_date_waits_until_it_has_one(place, victoria) -> None:
    """Rows of a boot whose clock is not trusted are not mirrored; once they are dated they go like late ones."""
    place.to(victoria.url).take(LINES[:60])
    store = Store(place.folder)
    store.connection.execute(
        "INSERT INTO undated(boot, mono_ms, ts, series, value, flag) SELECT 'boot', 5, NULL, series, value, flag FROM reading LIMIT 7"
    )
    store.close()
    place.send()
    assert victoria.points() == place.held()
    assert sum(victoria.points().values()) == 120


def test_raw_readings_that_are_given_up_here_stay_there_and_what_was_never_sent_is_said(place, influx) -> None:
    """Retention drops mirrored hours without a word, and unsent ones as a gap that the report names."""
    server, proxy = influx
    place.to(proxy.url).take(LINES[:60])
    place.send()
    store = Store(place.folder)
    while prune(store.connection, LINES[24].at_ms):
        pass
    store.close()
    place.send()
    assert sum(server.points().values()) == 120
    assert gaps(place) == []
    place.take(LINES[60:])
    store = Store(place.folder)
    while prune(store.connection, LINES[84].at_ms):
        pass
    store.close()
    place.send()
    lost = sum(place.held().values()) + 2 * 60 + (2 * sum(1 for n in range(60, 120) if n < 84)) - 240
    assert lost >= 0
    said = gaps(place)
    assert said
    assert all("before the server took it" in line for line in said)
    missing = 240 - sum(server.points().values())
    assert sum(int(line.split(": ")[1].split(" from")[0]) for line in said) == missing > 0


def gaps(place) -> list[str]:
    from holdwater.mirror.gaps import refusal_words

    return list(refusal_words(place.folder, place.site.timezone))


def test_a_send_again_from_a_date_fills_what_the_server_lost_and_doubles_nothing(place, influx) -> None:
    """The server lost a morning; all of it comes again; what was there stays as it was."""
    server, proxy = influx
    place.to(proxy.url).take(LINES)
    place.send()
    server.query(f'DELETE FROM "reading" WHERE time >= {LINES[30].at_ms}ms AND time < {LINES[50].at_ms}ms')
    assert sum(server.points().values()) < 240
    from holdwater.mirror.marks import Marks

    with Marks.open(place.folder) as marks:
        assert marks.forget(LINES[20].at_ms - LINES[20].at_ms % HOUR_MS) > 150
    place.send()
    assert server.points() == place.held()


def test_another_server_gets_everything(place, influx, victoria) -> None:
    """Marks belong to one server, bucket and name."""
    place.to(influx[1].url).take(LINES[:20])
    place.send()
    place.to(victoria.url).send()
    assert victoria.points() == place.held() == influx[0].points()


def test_damaged_marks_are_begun_anew(place, influx) -> None:
    """Everything is sent again, which changes nothing there."""
    place.to(influx[1].url).take(LINES[:20])
    place.send()
    for name in ("mirror.db-wal", "mirror.db-shm"):
        (place.folder / name).unlink(missing_ok=True)
    (place.folder / "mirror.db").write_bytes(b"no database" * 1000)
    again = place.send()
    assert again.sent >= 40
    assert influx[0].points() == place.held()


def test_times_are_those_of_the_measurement() -> None:
    """START_MS is what the other tests take it for."""
    assert datetime.fromtimestamp(START_MS / 1000, UTC) == datetime(2026, 9, 21, 14, 13, 20, tzinfo=UTC)
