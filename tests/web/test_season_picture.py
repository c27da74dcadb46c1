"""The season strip: lanes on one axis, gaps white, doubt as a band, signs explained, local midnights."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.store.rows import DAY_MS, HOUR_MS, LevelRow
from holdwater.units import Measure
from holdwater.web.charts.axis import TimeAxis, local_date, midnight_ms, round_step, steps
from holdwater.web.charts.columns import column_count, runs_of
from holdwater.web.charts.data import AheadPoint, Season, Sign, Sky, TankLane
from holdwater.web.charts.lanes import SIGN_ROWS, placed_signs
from holdwater.web.charts.season import NARROW, WIDE, Format, season_svg
from holdwater.web.history import read_season
from web.drawings import Drawing
from web.household import NOW_MS, ZONE, gallons, household, inches, midnight, season_book

SITE = household()
FORMS = [WIDE, NARROW]


def season(
    days: int = 120, names: tuple[str, ...] = ("drinking", "garden", "cabin"), measure: Measure = SITE.measure
) -> Season:
    with season_book(SITE).reader() as reader:
        return read_season(SITE, reader, measure, names, days=days, now_ms=NOW_MS)


def lane(rows: list[LevelRow], **more: object) -> TankLane:
    return TankLane("tank", gallons(300), None, rows, HOUR_MS, **more)  # type: ignore[arg-type]


def only(rows: list[LevelRow], start_ms: int, end_ms: int, **more: object) -> Season:
    return Season("site", ZONE, Measure(), start_ms, end_ms, end_ms - 1, [lane(rows)], Sky(None, None), (), **more)  # type: ignore[arg-type]


def level(start_ms: int, gal: float | None, noise: float = 1.0) -> LevelRow:
    return LevelRow(start_ms, 0.5, None if gal is None else gallons(gal), gallons(noise), 0.0, 0)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("days", [1, 7, 10, 11, 30, 45, 46, 120, 365])
def test_no_two_texts_overlap_at_any_range(form: Format, days: int) -> None:
    """On a phone and on a wall."""
    drawing = Drawing(season_svg(season(days), form))
    signs = [each for each in drawing.texts if each.look in {"text", "soft"}]
    assert len(signs) > 8
    assert [pair for pair in drawing.overlaps() if not all("–" in each for each in pair)] == []


@pytest.mark.parametrize("form", FORMS)
def test_all_text_stays_inside_the_picture(form: Format) -> None:
    """Nothing is cut at the edges."""
    drawing = Drawing(season_svg(season(), form))
    for each in drawing.texts:
        assert each.left >= -1, each
        assert each.right <= drawing.width + 1, each
        assert each.bottom <= drawing.height, each


def test_lanes_stand_in_the_order_sky_tanks_hand() -> None:
    """Read downwards."""
    names = [
        each.text
        for each in Drawing(season_svg(season())).texts
        if each.text in {"sky", "drinking", "garden", "cabin", "hand"}
    ]
    assert names == ["sky", "drinking", "garden", "cabin", "hand"]


def test_rain_hangs_from_the_top_as_one_bar_a_day_in_proportion() -> None:
    """16 days of rain; the longest is 3 August with 1.40 in."""
    drawing = Drawing(season_svg(season()))
    bars = drawing.looks("rain")[0].attrib["d"].split("M")[1:]
    assert len(bars) == 16
    tall = [float(bar.split("v")[1].split("h")[0]) for bar in bars]
    assert max(tall) / min(tall) == pytest.approx(1.40 / 0.19, rel=0.05)
    assert len({bar.split("h")[0].split()[1] for bar in bars}) == 1


def test_frost_nights_are_counted_and_notched() -> None:
    """Seven nights at or below freezing."""
    drawing = Drawing(season_svg(season()))
    assert drawing.looks("frost")[0].attrib["d"].count("M") == 7
    assert any("7 frost nights" in each.text for each in drawing.texts)


def test_without_rain_gauge_and_air_there_is_no_sky() -> None:
    """An absence costs a lane, not the picture."""
    drawing = Drawing(season_svg(replace(season(), sky=Sky(None, None))))
    assert "sky" not in [each.text for each in drawing.texts]
    assert not drawing.looks("rain") + drawing.looks("frost")


def test_rain_without_air_and_air_without_rain_each_give_half_a_sky() -> None:
    """Each absence costs only what rests on it; rain outside the range is not drawn."""
    whole = season()
    rain = [*(whole.sky.rain or ()), (whole.end_ms + 9 * DAY_MS, 0.01)]
    dry, mild = (Drawing(season_svg(replace(whole, sky=sky))) for sky in (Sky(None, whole.sky.lows), Sky(rain, None)))
    assert (len(dry.looks("rain")), len(dry.looks("frost"))) == (0, 1)
    assert (len(mild.looks("rain")), len(mild.looks("frost"))) == (1, 0)
    assert mild.looks("rain")[0].attrib["d"].count("M") == 16
    assert not any("frost" in each.text for each in mild.texts)


def test_a_season_that_ended_has_no_today() -> None:
    """Nor a line for it."""
    drawing = Drawing(season_svg(replace(season(), now_ms=NOW_MS + 9 * DAY_MS)))
    assert not drawing.looks("today")
    assert "today" not in [each.text for each in drawing.texts]


@pytest.mark.parametrize("absent", [True, False])
def test_gaps_are_left_white(absent: bool) -> None:
    """Missing rows and unknown levels alike, an hour as well as days."""
    start = midnight(date(2026, 7, 1))
    rows = [level(start + hour * HOUR_MS, 100.0 if hour not in {5, 6, 30} else None) for hour in range(48)]
    rows = [row for row in rows if not (absent and row.on_hand_m3 is None)]
    areas = Drawing(season_svg(only(rows, start, start + 2 * DAY_MS))).points("water")
    hour = (WIDE.width - WIDE.left - WIDE.right) / 48
    spans = [(min(x for x, _ in each), max(x for x, _ in each)) for each in areas]
    wanted = [(0, 5), (7, 30), (31, 48)]
    assert [edge for span in spans for edge in span] == pytest.approx(
        [WIDE.left + hour * edge for span in wanted for edge in span], abs=0.2
    )


def test_a_single_hour_between_gaps_can_be_seen() -> None:
    """It is as wide as its column."""
    start = midnight(date(2026, 7, 1))
    (area,) = Drawing(season_svg(only([level(start + 9 * HOUR_MS, 100.0)], start, start + DAY_MS))).points("water")
    assert max(x for x, _ in area) - min(x for x, _ in area) == pytest.approx(
        (WIDE.width - WIDE.left - WIDE.right) / 24, abs=0.2
    )


def test_no_level_at_all_is_said() -> None:
    """An empty lane with words in it."""
    start = midnight(date(2026, 7, 1))
    drawing = Drawing(season_svg(only([], start, start + DAY_MS)))
    assert "no trusted level in this time" in [each.text for each in drawing.texts]


def test_the_band_is_two_standard_uncertainties_each_way() -> None:
    """Noise 3 and scale 4 gal make 5; the band is 20 gal tall."""
    start = midnight(date(2026, 7, 1))
    rows = [LevelRow(start + hour * HOUR_MS, 0.5, gallons(150), gallons(3), gallons(4), 0) for hour in range(24)]
    drawing = Drawing(season_svg(only(rows, start, start + DAY_MS)))
    (band,) = drawing.points("band")
    assert max(y for _, y in band) - min(y for _, y in band) == pytest.approx(WIDE.tank * 20 / 300, abs=0.2)


def test_a_spike_of_an_hour_stays_visible_in_a_column_of_many() -> None:
    """About one point a pixel, but the extremes of each column are kept."""
    start = midnight(date(2026, 7, 1))
    rows = [level(start + hour * HOUR_MS, 250.0 if hour == 1000 else 100.0, 0.0) for hour in range(2880)]
    (run,) = runs_of(rows, start, start + 120 * DAY_MS, HOUR_MS, 300)
    assert len(run.mid) == 300
    assert max(run.high) == gallons(250)


@settings(max_examples=60)
@given(st.integers(1, 400), st.integers(1, 1000), st.sets(st.integers(0, 399)))
def test_every_known_hour_is_inside_a_run_and_runs_never_touch(hours: int, most: int, missing: set[int]) -> None:
    """No known level is lost, no gap is bridged."""
    rows = [level(hour * HOUR_MS, 10.0) for hour in range(hours) if hour not in missing]
    count = column_count(0, hours * HOUR_MS, HOUR_MS, most)
    runs = runs_of(rows, 0, hours * HOUR_MS, HOUR_MS, count)
    covered = [index for run in runs for index in range(run.first, run.first + len(run.mid))]
    assert covered == sorted({int((row.start_ms / HOUR_MS + 0.5) * count / hours) for row in rows})
    assert all(a.first + len(a.mid) < b.first for a, b in itertools.pairwise(runs))


def test_the_reserve_is_a_line_with_its_amount() -> None:
    """In household units, also in metric."""
    texts = [each.text for each in Drawing(season_svg(season(measure=Measure("metric")))).texts]
    assert "reserve 341 L" in texts
    assert "1000 L" in texts
    assert any("0 mm" in each or "20 mm" in each for each in texts)


def test_today_is_a_line_through_all_lanes_at_the_right_place() -> None:
    """28 October, 17:20, of a picture that ends at midnight."""
    drawing = Drawing(season_svg(season()))
    x = float(drawing.looks("today")[0].attrib["d"].split()[0][1:])
    day = (WIDE.width - WIDE.left - WIDE.right) / 120
    assert x == pytest.approx(WIDE.width - WIDE.right - day * (6 + 40 / 60) / 24, abs=0.3)


def test_an_outlook_is_drawn_only_when_given() -> None:
    """A widening band right of today, its middle dashed."""
    plain = season(30, ("drinking",))
    assert len(Drawing(season_svg(plain)).looks("band")) == 1
    ahead = [
        AheadPoint(NOW_MS + day * DAY_MS, gallons(60 - 9 * day), gallons(60 - 6 * day), gallons(60 - 4 * day))
        for day in range(7)
    ]
    given_ = replace(plain, end_ms=NOW_MS + 7 * DAY_MS, tanks=[replace(plain.tanks[0], ahead=ahead)])
    bands = Drawing(season_svg(given_)).points("band")
    assert len(bands) == 2
    assert min(x for x, _ in bands[1]) >= max(x for x, _ in bands[0]) - 10


def test_signs_show_their_kind_by_shape_and_each_number_once() -> None:
    """Square load, round dip, pointed notice, chore with cut corners; crowded ones share a range of numbers."""
    signs = season().signs
    placed = placed_signs(
        signs, TimeAxis(season().start_ms, season().end_ms, WIDE.left, WIDE.width - WIDE.right, ZONE), WIDE.font
    )
    shown: list[int] = []
    for each in placed:
        first, _, last = each.label.partition("–")
        shown += range(int(first), int(last or first) + 1)
    assert sorted(shown) == [sign.number for sign in signs]
    assert {sign.kind for sign in signs} == {"load", "dip", "chore", "notice"}


@settings(max_examples=50)
@given(st.lists(st.integers(0, 120 * 24), max_size=120), st.sampled_from(FORMS))
def test_signs_never_cover_each_other_as_long_as_there_is_room(hours: list[int], form: Format) -> None:
    """In each row, left to right; none outside the lane."""
    start = midnight(date(2026, 7, 1))
    signs = [Sign(n, start + hour * HOUR_MS, "notice", "know", "x") for n, hour in enumerate(sorted(hours), 1)]
    axis = TimeAxis(start, start + 120 * DAY_MS, form.left, form.width - form.right, ZONE)
    placed = placed_signs(signs, axis, form.font)
    assert all(0 <= each.row < SIGN_ROWS for each in placed)
    for each in placed:
        assert each.x - each.wide / 2 >= axis.left - 0.01
        assert each.x + each.wide / 2 <= axis.right + 0.01
    for row in range(SIGN_ROWS):
        some = [each for each in placed if each.row == row]
        assert all(a.x + a.wide / 2 <= b.x - b.wide / 2 + 0.01 for a, b in itertools.pairwise(some))


def test_a_saved_picture_explains_itself_and_needs_no_stylesheet() -> None:
    """Title, date, site, list of signs, own colours."""
    svg = season_svg(season(), heading=("Quern Bench: water on hand", "120 days to Wednesday 28 October 2026"))
    drawing = Drawing(svg)
    said = "\n".join(each.text for each in drawing.texts)
    assert "Quern Bench" in said
    assert "load, drinking, 125 gal" in said
    assert "style" not in svg
    for each in drawing.looks("water"):
        assert each.attrib["fill"].startswith("#")


def test_the_lanes_tell_water_line_and_band_apart_in_black_and_white() -> None:
    """Relative luminance of fill, band, ground and line differ (WCAG 2.2, definition of relative luminance)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    from holdwater.web.charts.svg import BAND, FILL, LINE

    ground, band, fill, line = (luminance(each) for each in ("#ffffff", BAND, FILL, LINE))
    assert ground > band + 0.15 > fill + 0.3
    assert (fill + 0.05) / (line + 0.05) >= 3


def test_midnights_are_local_also_where_the_clock_changes() -> None:
    """Denver leaves summer time on 1 November 2026; Lisbon and Santiago skip or repeat around midnight."""
    denver = [midnight_ms(date(2026, 11, day), ZONE) for day in (1, 2)]
    assert denver[1] - denver[0] == 25 * HOUR_MS
    spring = [midnight_ms(date(2026, 3, day), ZONE) for day in (8, 9)]
    assert spring[1] - spring[0] == 23 * HOUR_MS
    santiago = ZoneInfo("America/Santiago")
    skipped = midnight_ms(date(2026, 9, 6), santiago)
    assert local_date(skipped, santiago) == date(2026, 9, 6)
    assert local_date(skipped - 1, santiago) == date(2026, 9, 5)


def test_day_marks_follow_the_clock_change() -> None:
    """A week across 1 November: the day of 25 hours is wider."""
    axis = TimeAxis(midnight(date(2026, 10, 29)), midnight(date(2026, 11, 5)), 0, 169, ZONE)
    places = [x for x, _, _ in axis.marks()]
    wide = [b - a for a, b in itertools.pairwise(places)]
    assert [round(each) for each in wide] == [24, 24, 24, 25, 24, 24]


@given(st.floats(1e-6, 1e9), st.integers(1, 6))
def test_steps_are_round_and_few(top: float, most: int) -> None:
    """1, 2, 2.5 or 5 times a power of ten, never more than asked for."""
    step = round_step(top, most)
    lead = float(f"{step:e}".split("e")[0])
    assert lead in {1.0, 2.0, 2.5, 5.0}
    values = steps(top, most)
    assert values[0] == 0
    assert len(values) <= most + 1
    assert values[-1] <= top * (1 + 1e-9)
    assert top < values[-1] + step * (1 + 1e-9)


def test_nothing_to_scale_by_gives_a_step_of_one() -> None:
    """An empty tank has an axis too."""
    assert round_step(0.0, 3) == 1.0


def test_months_are_named_all_long_or_all_short() -> None:
    """Full names on a wall, three letters where one would not fit; on a phone those that have room."""
    start, end = midnight(date(2025, 11, 1)), midnight(date(2026, 11, 1))
    season_ = TimeAxis(midnight(date(2026, 7, 1)), midnight(date(2026, 10, 29)), 66, 988, ZONE)
    assert [text for _, text in season_.labels(14)] == ["July 2026", "August", "September", "October"]
    year = [text for _, text in TimeAxis(start, end, 66, 988, ZONE).labels(14)]
    assert year == ["Nov", "Dec", "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct"]
    phone = [text for _, text in TimeAxis(start, end, 40, 354, ZONE).labels(13)]
    assert len(phone) >= 5
    assert all(len(text) == 3 for text in phone)


def test_days_are_named_with_weekday_or_number_where_there_is_room() -> None:
    """A week on a wall and on a phone."""
    start, end = midnight(date(2026, 10, 22)), midnight(date(2026, 10, 29))
    assert next(text for _, text in TimeAxis(start, end, 66, 988, ZONE).labels(14)) == "Thu 22"
    assert [text for _, text in TimeAxis(start, end, 40, 354, ZONE).labels(13)][:2] == ["22", "23"]


def test_the_clock_of_the_picture_is_the_sites_not_the_readers() -> None:
    """A reading at 23:30 in Denver belongs to that day, though it is tomorrow in UTC."""
    late = round(datetime(2026, 7, 1, 23, 30, tzinfo=ZONE).timestamp() * 1000)
    assert local_date(late, ZONE) == date(2026, 7, 1)
    assert inches(1) == 0.0254
