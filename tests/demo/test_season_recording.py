"""The recording of the season: what `holdwater replay` gets, and how near to the truth the service can come with it."""

from __future__ import annotations

import json
from collections import Counter
from datetime import date
from itertools import islice, pairwise
from pathlib import Path

import pytest

from holdwater.config.load import load
from holdwater.demo.boxes import ASSUMED_SPEED, SILENT_MS, STUCK_MS, boxes, density, device_gap_m, sound_speed
from holdwater.demo.files import sample_config
from holdwater.demo.recording import FAST_MS, MINUTELY_FROM_MS, expected_lines, lines, notes
from holdwater.demo.water import END_MS, NAMES, Season
from holdwater.demo.weather import midnight_ms
from holdwater.events import Message, Request
from holdwater.recording import lines as read_lines
from holdwater.units import M3_PER_GAL
from holdwater.wishes import NOTE_KINDS
from holdwater_sensors.instrument import Surroundings
from holdwater_sensors.quality import Grade, grade_of
from season_fixture import Recorded


@pytest.mark.slow
def test_recording_is_in_order_and_readable(recorded: Recorded) -> None:
    """Each line is an event to the service's own reader, none earlier than the one before."""
    times = [each.at_ms for each in recorded.lines]
    assert times == sorted(times)
    assert len(times) == pytest.approx(expected_lines(), rel=0.002)
    events = [each.event for each in read_lines((each.text for each in recorded.lines[::50]), "season")]
    assert all(isinstance(each, Message) for each in events)
    assert recorded.end is not None
    assert recorded.end.at_ms == END_MS


@pytest.mark.slow
def test_packs_are_numbered_without_holes(recorded: Recorded) -> None:
    """One run a box, a second one for the garden box after its silent night."""
    for node in NAMES:
        runs: dict[int, list[int]] = {}
        for _, pack in recorded.packs(node):
            runs.setdefault(pack[0]["run"], []).append(pack[0]["seq"])
            assert 1 <= pack[0]["keep"] <= pack[0]["seq"]
        assert len(runs) == (2 if node == "garden" else 1)
        assert all(numbers == list(range(1, len(numbers) + 1)) for numbers in runs.values())


@pytest.mark.slow
def test_quirks_are_there(recorded: Recorded) -> None:
    """2 % false echoes, a stuck hour, a silent night, no clock in the drinking box, minutes while the valve is open."""
    garden = list(recorded.packs("garden"))
    gaps = [(at_ms, pack[0]["v"]) for at_ms, pack in garden]
    jumps = sum(
        abs(here[1] - before[1]) > 0.1 and abs(here[1] - after[1]) > 0.1
        for before, here, after in zip(gaps, gaps[1:], gaps[2:], strict=False)
    )
    assert jumps / len(gaps) == pytest.approx(0.02, abs=0.006)
    stuck = [gap for at_ms, gap in gaps if STUCK_MS[0] <= at_ms < STUCK_MS[1]]
    assert len(stuck) == 60
    assert len(set(stuck)) == 1
    assert not [at_ms for at_ms, _ in gaps if SILENT_MS[0] + 60_000 < at_ms < SILENT_MS[1]]
    assert sum(FAST_MS[0] <= at_ms < FAST_MS[1] for at_ms, _ in gaps) == 34
    assert {pack[0]["bt"] for _, pack in recorded.packs("drinking")} == {-1.5}
    assert min(pack[0]["bt"] for _, pack in garden) > 1.7e9


@pytest.mark.slow
def test_rain_of_the_gauge_adds_up(recorded: Recorded) -> None:
    """Each sample carries the rain since the one before: 7.70 in, in steps of a hundredth."""
    total = sum(each["v"] for _, pack in recorded.packs("garden") for each in pack if each["n"] == "rain")
    assert total / 0.0254 == pytest.approx(7.70, abs=0.001)


@pytest.mark.slow
def test_last_three_days_are_each_minute(recorded: Recorded) -> None:
    """Ten minutes before that."""
    times = [at_ms for at_ms, _ in recorded.packs("cabin")]
    steps = Counter(b - a for a, b in pairwise(times))
    assert set(steps) == {60_000, 600_000}
    assert sum(at_ms >= MINUTELY_FROM_MS for at_ms in times) == 3 * 1440


def test_same_seed_gives_the_same_bytes() -> None:
    """Noise and all."""
    first, second = (list(islice(lines(5, Season(5, balanced=False)), 0, 900)) for _ in range(2))
    other = list(islice(lines(6, Season(6, balanced=False)), 0, 900))
    assert first == second
    assert first != other


def test_notes_are_of_known_kinds() -> None:
    """Kinds that the service takes, on tanks that exist, in order of time."""
    assert all(body["kind"] in NOTE_KINDS for _, body in notes())
    assert {body.get("tank", "cabin") for _, body in notes()} <= set(NAMES)
    assert [at_ms for at_ms, _ in notes()] == sorted(at_ms for at_ms, _ in notes())
    text = json.dumps({"at": "2026-10-10T15:45:00Z", "event": "note", **notes()[4][1]})
    event = next(read_lines([text], "one")).event
    assert isinstance(event, Request)
    assert event.body["volume"] == "125 gal"


@pytest.mark.slow
def test_service_sees_the_truth_within_its_doubt() -> None:
    """Ten days of readings through the site's own instruments: gallons within three standard uncertainties of the truth.

    The simulation has tank formulas, density and speed of sound of its own, so this is no circle.
    """
    site = load(sample_config(), {})
    by_series = {each.series: each for each in site.instruments.values()}
    found = Counter[str]()
    chosen = boxes(3)
    for number, truth in enumerate(islice(Season(3, balanced=False).minutes(), 0, 10 * 1440, 10)):
        for box in chosen:
            readings = box.readings(truth) or []
            values = {f"{box.name}:{quantity}": value for quantity, _, value in readings}
            for series, instrument in by_series.items():
                if series not in values:
                    continue
                air = values.get(instrument.air_series or "")
                water = values.get(instrument.water_series or "")
                depth = instrument.depth(values[series], Surroundings(air_c=air, water_c=water, gravity=9.794))
                if depth.depth_m is None or grade_of(depth.quality) is Grade.REJECTED:
                    found[f"{box.name} refused"] += 1
                    continue
                stand = site.tanks[instrument.tank].stand(depth.depth_m, depth.u_noise_m, depth.u_scale_m)
                u_gal = (stand.u_noise_m3**2 + stand.u_scale_m3**2) ** 0.5 / M3_PER_GAL
                error_gal = stand.on_hand_m3 / M3_PER_GAL - truth.on_hand[instrument.tank]
                found[f"{box.name} {'near' if abs(error_gal) <= 3 * u_gal else 'far'}"] += 1
        assert number < 1440
    assert found["drinking near"] == found["cabin near"] == 1440
    assert found["drinking far"] == found["cabin far"] == 0
    assert found["garden far"] + found["garden refused"] == pytest.approx(0.02 * 1440, abs=16)  # the false echoes


def test_device_distances_shrink_in_warm_air() -> None:
    """A device that reckons with 343.2 m/s is right where sound has that speed, near 20 degC."""
    assert sound_speed(0) == pytest.approx(331.6, abs=0.4)  # dry 331.3 (ISO 9613-1 form), little vapour at 0 degC
    assert device_gap_m(1.0, 35) < ASSUMED_SPEED / 343.2 < device_gap_m(1.0, 0)


@pytest.mark.parametrize(("c", "rho"), [(4, 999.97), (10, 999.70), (15, 999.10), (20, 998.21)])
def test_density_of_water(c: float, rho: float) -> None:
    """Rows of the CIPM density table (Tanaka and others, Metrologia 38 (2001) 301), within 0.2 kg/m3."""
    assert density(c) == pytest.approx(rho, abs=0.2)


def test_sample_config_is_found() -> None:
    """The demo runs the sample that the manual shows."""
    assert sample_config().name == "quern-bench.toml"
    assert isinstance(sample_config(), Path)
    assert midnight_ms(date(2026, 7, 1)) == 1_782_885_600_000
