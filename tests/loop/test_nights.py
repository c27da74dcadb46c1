"""The fold over nights: words when they are due, models when a night is over, the same after a restart."""

import math
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from holdwater.events import Message
from holdwater.freeze.air import Air
from holdwater.freeze.evening import Issue
from holdwater.freeze.night import from_bytes
from holdwater.look import tonight_of
from holdwater.nights import KEPT_MS, Nights, Word
from holdwater.recording import Line
from holdwater.replay import Replay
from holdwater.store.reader import open_reader
from holdwater.store.writer import Store
from place import make_site, payload

HOUR_MS = 3_600_000
START_MS = round(datetime(2026, 10, 10, 6, tzinfo=UTC).timestamp() * 1000)


def airs(days: int, every_min: int = 10) -> list[Air]:
    """Nights that fall to -4 degC near sunrise, each a little colder."""
    found = []
    for at_ms in range(START_MS, START_MS + days * 24 * HOUR_MS, every_min * 60_000):
        hour = (at_ms - START_MS) / HOUR_MS
        found.append(Air(at_ms, 3 - 0.1 * hour / 24 - 7 * math.cos(2 * math.pi * (hour - 6) / 24)))
    return found


def site_of(folder: Path):
    return replace(make_site(folder), latitude=37.6, longitude=-105.0, air_series="a:air")


def fed(nights: Nights, readings: list[Air]) -> tuple[list, list]:
    rows, words = [], []
    for each in readings:
        models, happened = nights.on_air(each.at_ms, each.air_c)
        rows += models
        words += [each for each in happened if isinstance(each, Word)]
    return rows, words


def test_the_first_word_is_due_in_mid_afternoon_and_later_ones_each_hour(tmp_path: Path) -> None:
    """15:00 local, then from two hours after sunset on; none before."""
    nights = Nights(site_of(tmp_path))
    _, words = fed(nights, airs(3))
    names = [each.issue.name for each in words if each.night.day == words[-1].night.day]
    assert names[:4] == ["afternoon", "2", "3", "4"]
    zone = site_of(tmp_path).timezone
    afternoon = [each for each in words if each.issue.name == "afternoon"]
    assert {datetime.fromtimestamp(each.forecast.issued_ms / 1000, zone).hour for each in afternoon} == {15}
    assert len({(each.night.day, each.issue.name) for each in words}) == len(words)


def test_a_restart_changes_no_model_and_no_word(tmp_path: Path) -> None:
    """Models and words after a restart in the middle of a night are those of a run without one."""
    site, readings = site_of(tmp_path), airs(6)
    rows, words = fed(Nights(site), readings)
    cut = len(readings) // 2 + 17
    before_rows, before_words = fed(Nights(site), readings[:cut])
    saved = list({name: (name, through, body) for name, through, body in before_rows}.values())
    past = [each for each in readings[:cut] if each.at_ms >= readings[cut].at_ms - KEPT_MS - 2 * HOUR_MS]
    after_rows, after_words = fed(Nights(site, saved, past), readings[cut:])
    assert before_rows + after_rows == rows
    assert before_words + after_words == words


def test_each_night_is_learned_once(tmp_path: Path) -> None:
    """The night that is over moves every model by one; late and repeated readings move nothing."""
    nights, readings = Nights(site_of(tmp_path)), airs(6)
    fed(nights, readings)
    assert nights.model(Issue("evening", 2)).nights == 5
    assert fed(nights, readings) == ([], [])


def test_no_air_series_or_no_coordinates_is_said_in_words(tmp_path: Path) -> None:
    """Nothing is told, nothing fails."""
    site = site_of(tmp_path)
    for less, word in ((replace(site, latitude=None), "latitude"), (replace(site, air_series=None), "outside air")):
        Store(tmp_path / "store").close()
        with open_reader(tmp_path / "store") as reader:
            told = tonight_of(less, reader, START_MS)
        assert told.forecast is None
        assert word in told.why
        assert fed(Nights(less), airs(2)) == ([], [])


@pytest.mark.slow
def test_120_days_are_folded_within_a_few_seconds(tmp_path: Path) -> None:
    """The fold must not slow a replay: well under three seconds of work on the bench machine."""
    if sys.gettrace() is not None:
        pytest.skip("times under a tracer mean nothing")
    began = time.process_time()
    fed(Nights(site_of(tmp_path)), airs(120))
    took = time.process_time() - began
    assert took < 4


@pytest.mark.parametrize("every", [1, 37, 10_000])
def test_the_loop_keeps_words_and_models_once_whatever_the_batches(tmp_path: Path, every: int) -> None:
    """Forecasts are stored as told, each once; the rows do not depend on when was committed; a restart goes on."""
    site = site_of(tmp_path / "store")
    readings = airs(3)
    for part in (readings[:250], readings[250:]):
        store = Store(tmp_path / "store")
        running = Replay(site, store, part[0].at_ms)
        for count, each in enumerate(part, 1):
            text = payload(("air", "Cel", round(each.air_c, 2)), t_s=each.at_ms / 1000)
            running.feed(Line(each.at_ms, Message("water/node/a/readings", text.encode(), each.at_ms, 0.0)))
            if count % every == 0:
                running.loop.commit()
        running.finish()
        words = store.connection.execute(
            "SELECT kind, subject, issued, target, body FROM forecast WHERE kind = 'night' ORDER BY id"
        ).fetchall()
        models = store.connection.execute("SELECT subject, through, body FROM model WHERE kind = 'night'").fetchall()
        store.close()
    _, told = fed(Nights(site), [replace(each, air_c=round(each.air_c, 2)) for each in readings])
    assert words == [each.row() for each in told]
    assert len(models) > 10
    assert all(from_bytes(body).nights == 2 for name, _, body in models if name == "afternoon")
