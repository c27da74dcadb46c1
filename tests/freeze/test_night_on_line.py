"""Nothing looks ahead, and holes in the record are defined: on invented weather."""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.freeze.air import Air, AirSeries, air_series
from holdwater.freeze.evening import Issue, evening, lowest_c
from holdwater.freeze.learning import issue_now, learn_all, learn_nights
from holdwater.freeze.night import VERSION, NightModel, forecast, fresh, from_bytes, learn
from holdwater.freeze.score import NO_AIR, NOT_KNOWN, OURS, walk
from holdwater.freeze.sun import HOUR_MS, Place, night

DENVER = Place(37.6, -105.0, ZoneInfo("America/Denver"))
EVENING = Issue()
START_MS = round(datetime(2025, 10, 1, tzinfo=UTC).timestamp() * 1000)


def weather(days: int, seed: int = 1, step_h: float = 1.0, dew: bool = True) -> list[Air]:
    """Invented air: a day's swing, slow waves, noise."""
    chance = random.Random(seed)
    slow = 0.0
    found: list[Air] = []
    for number in range(round(days * 24 / step_h)):
        hour = number * step_h
        slow = 0.98**step_h * slow + chance.gauss(0, 0.7) * step_h**0.5
        air_c = 4 + slow + 7 * math.sin((hour - 16) / 24 * 2 * math.pi) - 3 * math.sin(hour / 24 / 50)
        found.append(Air(START_MS + round(hour * HOUR_MS), air_c, air_c - 6 + chance.gauss(0, 1) if dew else None))
    return found


def told(
    series: AirSeries, place: Place = DENVER, issue: Issue = EVENING
) -> dict[str, tuple[float, float, float, float | None]]:
    """By night: 10, 50, 90 % and what came."""
    return {
        each.day.isoformat(): (*(each.told[OURS].spread.quantile(level) for level in (0.1, 0.5, 0.9)), each.came_c)
        for each in walk(series, place, issue)
        if OURS in each.told
    }


@pytest.mark.parametrize("issue", [Issue(), Issue("afternoon"), Issue("evening", 6)], ids=lambda issue: issue.name)
def test_a_word_does_not_change_when_the_future_does(issue: Issue) -> None:
    """Replace everything after the issue of a night by nonsense: its word, and all before it, stay as they were."""
    air = weather(25)
    before = told(air_series(air), issue=issue)
    records = list(walk(air_series(air), DENVER, issue))
    cut_ms = records[17].issued_ms
    after = told(air_series(each if each.at_ms <= cut_ms else Air(each.at_ms, 40.0, 39.0) for each in air), issue=issue)
    for record in records[:18]:
        day = record.day.isoformat()
        assert after[day][:3] == before[day][:3]
    last = records[-1].day.isoformat()
    assert after[last][:3] != before[last][:3]


def test_order_doubles_and_not_a_number_change_nothing() -> None:
    """Rows in any order, twice, and rows without a number give the same words as the clean table."""
    air = weather(12)
    clean = told(air_series(air))
    messy = [*air, *air[::3], Air(air[5].at_ms + 60_000, math.nan, 1.0), Air(air[9].at_ms + 60_000, math.inf)]
    random.Random(3).shuffle(messy)
    assert told(air_series(messy)) == clean


def test_half_hourly_rows_count_by_their_whole_hours() -> None:
    """The value of an hour is its last reading, so rows between the hours change nothing."""
    half = weather(12, step_h=0.5)
    assert told(air_series(half)) == told(air_series(half[::2]))


def test_rows_at_seven_to_the_hour_stand_for_the_hour() -> None:
    """Airport times: each row counts for the hour that it ends in."""
    air = weather(12)
    early = air_series(Air(each.at_ms - 7 * 60_000, each.air_c, each.dew_c) for each in air)
    assert told(early).keys() == told(air_series(air)).keys()
    assert told(early)["2025-10-08"] == pytest.approx(told(air_series(air))["2025-10-08"])


def test_a_night_without_air_at_issue_has_no_word_and_says_why() -> None:
    """Silent from noon to midnight: no word; a gap of two hours: the last reading serves."""
    air = weather(10)
    records = list(walk(air_series(air), DENVER, Issue()))
    issued_ms = records[5].issued_ms
    silent = air_series(each for each in air if not issued_ms - 5 * HOUR_MS < each.at_ms <= issued_ms + 2 * HOUR_MS)
    record = next(each for each in walk(silent, DENVER, Issue()) if each.day == records[5].day)
    assert record.told == {}
    assert record.why == NO_AIR
    short = air_series(each for each in air if not issued_ms - 2 * HOUR_MS < each.at_ms <= issued_ms)
    assert OURS in next(each for each in walk(short, DENVER, Issue()) if each.day == records[5].day).told


def test_a_night_with_a_hole_has_no_known_lowest() -> None:
    """Three hours in a row missing before dawn: a word, but nothing to score it by; two missing hours are borne."""
    air = weather(10)
    record = list(walk(air_series(air), DENVER, Issue()))[5]
    for hours, known in ((3, False), (2, True)):
        holed = air_series(
            each
            for each in air
            if not record.issued_ms + 4 * HOUR_MS <= each.at_ms < record.issued_ms + (4 + hours) * HOUR_MS
        )
        same = next(each for each in walk(holed, DENVER, Issue()) if each.day == record.day)
        assert (same.came_c is not None) == known
        assert same.why == ("" if known else NOT_KNOWN)
    sparse = air_series(each for each in air if each.at_ms <= record.issued_ms or (each.at_ms // HOUR_MS) % 2)
    assert next(each for each in walk(sparse, DENVER, Issue()) if each.day == record.day).came_c is None


def test_the_last_night_is_not_scored_before_it_is_over() -> None:
    """The record ends at midnight: the word stands, what came is not known."""
    air = weather(10)
    records = list(walk(air_series(air), DENVER, Issue()))
    cut = air_series(each for each in air if each.at_ms <= records[6].issued_ms + 3 * HOUR_MS)
    last = list(walk(cut, DENVER, Issue()))[-1]
    assert last.day == records[6].day
    assert last.came_c is None


def test_humidity_that_comes_and_goes_is_used_when_it_is_there() -> None:
    """Nights with and without dew point have their words, each marked."""
    air = [each if (each.at_ms // (24 * HOUR_MS)) % 2 else Air(each.at_ms, each.air_c) for each in weather(20)]
    records = [each for each in walk(air_series(air), DENVER, Issue()) if OURS in each.told]
    assert {each.humid for each in records} == {True, False}


def test_the_clocks_may_go_back_in_the_night() -> None:
    """26 October 2025 to 2 November, when Denver goes back an hour: every night has a word at a whole local hour and
    24 h or 25 h apart."""
    records = list(walk(air_series(weather(40)), DENVER, Issue()))
    assert len({each.day for each in records}) == len(records) >= 38
    assert all(datetime.fromtimestamp(each.issued_ms / 1000, DENVER.zone).minute == 0 for each in records)
    assert {(b.issued_ms - a.issued_ms) // HOUR_MS for a, b in pairwise(records)} <= {23, 24, 25}


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (69.65, 18.96, "Europe/Oslo"),
        (78.22, 15.65, "Arctic/Longyearbyen"),
        (-77.85, 166.67, "Antarctica/McMurdo"),
        (-45.0, 168.7, "Pacific/Auckland"),
        (28.6, 77.2, "Asia/Kolkata"),
        (90.0, 0.0, "UTC"),
        (0.0, -160.0, "Pacific/Kiritimati"),
    ],
)
def test_every_place_has_one_word_a_day(latitude: float, longitude: float, zone: str) -> None:
    """Polar day and night, the south, half-hour zones, the date line: a word each day, none twice, at a whole local
    hour."""
    place = Place(latitude, longitude, ZoneInfo(zone))
    records = list(walk(air_series(weather(60)), place, Issue()))
    assert 57 <= len(records) <= 60
    assert all(OURS in each.told for each in records[1:-1])
    assert all(datetime.fromtimestamp(each.issued_ms / 1000, place.zone).minute == 0 for each in records)
    assert all(each.came_c is not None for each in records[1:-2])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-45, 45), st.floats(-15, 15)), min_size=1, max_size=60), st.booleans())
def test_whatever_came_before_the_word_is_sane(nights: list[tuple[float, float]], humid: bool) -> None:
    """Any nights, however wild: figures are finite and in order, never above the air at issue; chances rise with the
    limit; the state survives a restart."""
    model = fresh()
    for number, (air_c, other) in enumerate(nights):
        tonight = night(
            datetime(2025, 10, 1, tzinfo=UTC).date().replace(day=1 + number % 28, month=10 + number // 28), DENVER
        )
        issued_ms = Issue().at_ms(tonight, DENVER)
        readings = [
            Air(issued_ms - hour * HOUR_MS, air_c + hour * other / 10, air_c - abs(other) if humid else None)
            for hour in range(14)
        ]
        seen = evening(air_series(readings), issued_ms, tonight)
        word = forecast(model, seen)
        assert all(math.isfinite(each) for each in (word.p10_c, word.p50_c, word.p90_c))
        assert word.p10_c <= word.p50_c <= word.p90_c <= air_c
        chances = [
            word.chance_below(limit_c) for limit_c in (-80.0, word.p10_c, word.p50_c, word.p90_c, air_c, air_c + 0.01)
        ]
        assert chances == sorted(chances)
        assert chances[-1] == 1.0
        assert chances[0] >= 0
        model = learn(model, seen, min(air_c, air_c - other))
    assert from_bytes(model.to_bytes()) == model


def test_a_chance_is_the_inverse_of_a_quantile() -> None:
    """Below the ceiling the chance of less than the 10 % figure is 10 %, and so on, tails included."""
    seen = next(iter(evenings(weather(3))))
    word = forecast(fresh(), seen)
    for level in (0.001, 0.01, 0.1, 0.3, 0.5):
        assert word.chance_below(word.spread.quantile(level)) == pytest.approx(level)
    assert word.spread.quantile(0.999) == word.air_c


def evenings(air: list[Air]) -> list:
    """All evenings of an invented record."""
    series = air_series(air)
    return [
        seen
        for day in (datetime.fromtimestamp(each.at_ms / 1000, DENVER.zone).date() for each in air[20::24])
        if (seen := evening(series, Issue().at_ms(night(day, DENVER), DENVER), night(day, DENVER))) is not None
    ]


def test_a_night_is_learned_once() -> None:
    """Learning a night again, or an older one, changes nothing: a fold may be repeated."""
    first, second, *_ = evenings(weather(6))
    model = learn(learn(fresh(), first, -1.0), second, -2.0)
    assert learn(model, second, -9.0) is model
    assert learn(model, first, -9.0) is model
    assert model.nights == 2
    assert model.reached_ms == second.end_ms


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'{"version":0}',
        b'{"version":1}',
        b'{"version":1,"dry":3,"moist":4,"size":5,"errors":6}',
        fresh().to_bytes()[:-9],
    ],
)
def test_a_saved_model_that_cannot_be_read_is_no_model(text: bytes) -> None:
    """Another version, cut off, or something else: the caller learns anew instead of failing."""
    assert from_bytes(text) is None


def test_a_saved_model_with_other_inputs_is_no_model() -> None:
    """A model of the same version whose sizes do not fit is refused."""
    assert VERSION == 1
    model = fresh()
    other = NightModel(model.moist, model.dry, model.size, model.errors)
    assert from_bytes(other.to_bytes()) is None


def test_the_fold_in_pieces_is_the_fold_at_once() -> None:
    """Learning night by night as they end, from the last days only, leads to the state of one long pass."""
    series = air_series(weather(20))
    whole = learn_nights(fresh(), series, DENVER, Issue(), series.times[-1])
    pieces = fresh()
    for day in range(1, 21):
        now_ms = START_MS + day * 24 * HOUR_MS
        recent = air_series(each for each in series.readings if now_ms - 72 * HOUR_MS <= each.at_ms <= now_ms)
        pieces = learn_nights(pieces, recent, DENVER, Issue(), now_ms)
    pieces = learn_nights(pieces, series, DENVER, Issue(), series.times[-1])
    assert pieces == whole
    assert whole.nights >= 17
    assert learn_nights(fresh(), air_series([]), DENVER, Issue(), START_MS) == fresh()


def test_every_time_of_issue_has_its_model() -> None:
    """The afternoon and each hour from two to sixteen after sunset; what was learned before is kept and gone on
    from."""
    series = air_series(weather(6))
    first = learn_all({}, series, DENVER, START_MS + 3 * 24 * HOUR_MS)
    models = learn_all(first, series, DENVER, series.times[-1])
    assert list(models) == ["afternoon", *(str(hours) for hours in range(2, 17))]
    assert models["2"] == learn_nights(fresh(), series, DENVER, EVENING, series.times[-1])
    assert first["afternoon"].nights < models["afternoon"].nights


def test_the_word_that_is_due_follows_the_clock() -> None:
    """No word in the morning, the afternoon's from 15:00, the evening's two hours after sunset, then one an hour
    until after sunrise."""

    def due(text: str) -> str | None:
        found = issue_now(round(datetime.fromisoformat(text).timestamp() * 1000), DENVER)
        return None if found is None else f"{found[0].name} of {found[1].day}"

    assert due("2026-01-10T12:00:00-07:00") is None
    assert due("2026-01-10T15:00:00-07:00") == "afternoon of 2026-01-10"
    assert due("2026-01-10T18:30:00-07:00") == "afternoon of 2026-01-10"
    assert due("2026-01-10T20:00:00-07:00") == "2 of 2026-01-10"
    assert due("2026-01-10T21:30:00-07:00") == "3 of 2026-01-10"
    assert due("2026-01-11T05:00:00-07:00") == "11 of 2026-01-10"
    assert due("2026-01-11T09:15:00-07:00") == "15 of 2026-01-10"
    assert due("2026-01-11T09:30:00-07:00") is None


def test_the_lowest_of_no_hours_is_not_known() -> None:
    """No reading in the window: None, no minimum of nothing."""
    assert lowest_c(air_series([]), START_MS, START_MS + 10 * HOUR_MS) is None
    series = air_series(weather(2))
    assert lowest_c(series, series.times[5], series.times[5]) == series.readings[5].air_c
