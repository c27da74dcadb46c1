"""Makes the recordings beside the sample configs: `python tests/make_recordings.py`. A day and a half of each site, by its own physics.

Depths follow a story (use by day, a load or rain, a still night); each sensor's value is what its formula gives for that depth, rounded
as devices round, with a few millimetres of noise from a fixed seed. A test replays each file and holds the gallons against the story.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from holdwater.config.site import Site
from holdwater.recording import at_text
from holdwater.sitefile import open_site
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import Dip, Instrument
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.water import density, gravity

SAMPLES = Path(__file__).parents[1] / "sample_configs"
OMITTED = {"quern-bench"}  # its recording is the demo's season
START_MS = 1_790_496_000_000  # 2026-09-27T08:00:00Z
STEP_MS = 30 * 60_000
STEPS = 72
NOISE_M = 0.002
BAROMETER_PA = 91_500.0


def depth_m(full_m: float, at: int) -> float:
    """The story: from three fifths of full, a hundredth of it used each hour by day, a load of a fifth at hour 20."""
    hours = at * STEP_MS / 3_600_000
    awake = sum(0.005 for half in range(at) if 6 <= ((START_MS + half * STEP_MS) // 3_600_000 - 6) % 24 <= 20)
    return full_m * (0.6 - awake + (0.2 if hours >= 20 else 0.0))


def air_c(at: int) -> float:
    """Outside air: 12 degC, eight up and down."""
    return round(12.0 + 8.0 * math.sin(at * STEP_MS / 86_400_000 * 2 * math.pi), 1)


def value_of(each: Instrument, depth: float, site: Site) -> float | None:
    """What the sensor sends, in the unit of its series; None for what a person reads."""
    physics = each.physics
    if isinstance(physics, Ultrasonic):
        return round(physics.height_m - depth, 3)
    if isinstance(physics, Hydrostatic):
        head_pa = density(12.0) * gravity(site.latitude or 45.0, site.elevation_m) * max(0.0, depth - physics.height_m)
        return round(head_pa + (BAROMETER_PA if physics.reference == "absolute" else 0.0), -1)
    if isinstance(physics, FloatSwitch):
        return float(depth >= physics.heights_m[0])
    assert isinstance(physics, Dip)
    return None


def beside(site: Site, at: int) -> dict[str, tuple[str, float]]:
    """Weather and temperatures of the site's boxes: series, unit, value."""
    found: dict[str, tuple[str, float]] = {}
    for each in site.instruments.values():
        if each.air_series:
            found[each.air_series] = ("Cel", air_c(at))
        if each.water_series:
            found[each.water_series] = ("Cel", 12.0)
    if site.air_series:
        found[site.air_series] = ("Cel", air_c(at))
    if site.rain_series:
        found[site.rain_series] = ("m", 0.0)
    if site.barometer_series:
        found[site.barometer_series] = ("Pa", BAROMETER_PA)
    return found


def foreign(values: dict[str, float], at: int) -> Iterator[tuple[str, str]]:
    """The three devices of the sample with foreign payloads, each in its own form."""
    yield "shed/level", f"{values['shed:gap'] / 0.0254:.1f}"
    body = {"climate": {"t": round(air_c(at) * 9 / 5 + 32, 1)}, "at": (START_MS + at * STEP_MS) // 1000}
    yield "shed/climate", json.dumps(body)
    yield "shed/line", f"shed;ok;{3.9 - at * 0.002:.2f}"


def lines(name: str, site: Site) -> Iterator[str]:
    """The recording of one sample."""
    noise = random.Random(name)
    for at in range(STEPS):
        now_ms = START_MS + at * STEP_MS
        rows = beside(site, at)
        for each in site.instruments.values():
            depth = depth_m(site.tanks[each.tank].overflow_m, at) + noise.uniform(-NOISE_M, NOISE_M)
            value = value_of(each, depth, site)
            if value is None:
                if at in (20, 60):
                    yield line(now_ms, event="note", kind="dip", tank=each.tank, depth=f"{depth / 0.0254:.1f} in")
            else:
                rows[each.series] = (each.unit, value)
        if site.routes:
            for topic, payload in foreign({series: value for series, (_, value) in rows.items()}, at):
                yield line(now_ms, topic=topic, payload=payload)
            continue
        for node in sorted({series.partition(":")[0] for series in rows}):
            own = [
                (series.partition(":")[2], *row)
                for series, row in sorted(rows.items())
                if series.startswith(f"{node}:")
            ]
            pack: list[dict[str, Any]] = [{"n": quantity, "u": unit, "v": value} for quantity, unit, value in own]
            pack[0]["bt"] = now_ms / 1000
            yield line(now_ms, topic=f"water/node/{node}/readings", payload=json.dumps(pack, separators=(",", ":")))


def line(at_ms: int, **body: Any) -> str:
    """One line of a recording."""
    return json.dumps({"at": at_text(at_ms), **body}, separators=(",", ":"))


def main() -> None:
    """Write them all."""
    for path in sorted(SAMPLES.glob("*.toml")):
        if path.stem not in OMITTED:
            path.with_suffix(".jsonl").write_text(
                "\n".join(lines(path.stem, open_site(path, {}))) + "\n", encoding="utf-8"
            )


if __name__ == "__main__":
    main()
