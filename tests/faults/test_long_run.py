"""Long runs of eight series through the real loop: what a reading costs on the card, and whether memory stays flat."""

from __future__ import annotations

import gc
import math
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from holdwater.events import Message
from holdwater.recording import Line
from holdwater.replay import Replay
from holdwater.store.writer import Store
from place import FACE_M, MINUTE_MS, START_MS, make_site, payload, pressure

DAY_MINUTES = 1440


def season(days: float) -> Iterator[Line]:
    """Two boxes with four series each, a reading a minute; levels and weather move as they do, with the last digits restless."""
    for minute in range(round(days * DAY_MINUTES)):
        at_ms = START_MS + minute * MINUTE_MS
        day, noise = minute / DAY_MINUTES, ((minute * 7919) % 101 - 50) / 50
        level = 1.0 + 0.4 * math.sin(day / 3) + 0.002 * noise
        air = 8.0 + 9.0 * math.sin(2 * math.pi * day) + 0.1 * noise
        packs = {
            "a": (("pressure", "Pa", pressure(level)), ("air", "Cel", round(air, 2)), ("battery", "V", round(3.3 + 0.01 * noise, 3)),
                  ("water", "Cel", round(9.0 + 2.0 * math.sin(day / 9), 2))),
            "b": (("gap", "m", round(FACE_M - level * 0.7, 4)), ("battery", "V", round(3.6 + 0.01 * noise, 3)),
                  ("rh", "%RH", round(50 + 20 * math.sin(day), 1)), ("box", "Cel", round(air + 3, 2))),
        }  # fmt: skip
        for node, records in packs.items():
            text = payload(*records, t_s=at_ms / 1000, run=1, seq=minute + 1, keep=1)
            yield Line(at_ms, Message(f"water/node/{node}/readings", text.encode(), at_ms, at_ms / 1000))


def memory_mib() -> float:
    gc.collect()
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024


def run(days: float, folder: Path, look_every_days: int) -> tuple[int, float, list[float]]:
    """Readings stored, bytes a reading, memory in MiB at each look."""
    store = Store(folder)
    running = Replay(make_site(folder), store, START_MS)
    looks: list[float] = []
    due_ms = START_MS
    for line in season(days):
        if line.at_ms >= due_ms:
            looks.append(memory_mib())
            due_ms += look_every_days * DAY_MINUTES * MINUTE_MS
        running.feed(line)
    running.finish()
    looks.append(memory_mib())
    readings = store.connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    store.close()
    return readings, (folder / "store.db").stat().st_size / readings, looks


@pytest.mark.slow
def test_a_reading_costs_at_most_24_bytes_with_all_that_is_derived_from_it(tmp_path: Path) -> None:
    """Ten days of eight series, raw, hours, days, levels, notices and indexes."""
    began = time.monotonic()
    readings, size, _ = run(10, tmp_path, 30)
    print(f"10 days: {readings} readings, {size:.1f} bytes each, {time.monotonic() - began:.0f} s")
    assert readings == 10 * DAY_MINUTES * 8
    assert size <= 24.0


@pytest.mark.soak
def test_memory_stays_flat_over_a_simulated_year(tmp_path: Path) -> None:
    """4.2 million readings: less than 1 MiB of growth a month once warm, the store as budgeted."""
    began = time.monotonic()
    readings, size, looks = run(365, tmp_path, 30)
    warm = looks[2:]
    months = range(len(warm))
    middle, mean = sum(months) / len(warm), sum(warm) / len(warm)
    slope = sum((m - middle) * (v - mean) for m, v in zip(months, warm, strict=True)) / sum(
        (m - middle) ** 2 for m in months
    )
    print(
        f"a year: {readings} readings, {size:.1f} bytes each, memory {', '.join(f'{v:.1f}' for v in looks)} MiB, "
        f"slope {slope:.2f} MiB a month, {time.monotonic() - began:.0f} s"
    )
    assert readings == 365 * DAY_MINUTES * 8
    assert size <= 24.0
    assert slope < 1.0
