"""`holdwater calibrate --share`: where between lid and water the air of an ultrasonic sensor's path is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from holdwater.errors import UsageError
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.path import Share, learned_share, window_share

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.reader import Reader
    from holdwater_sensors.instrument import Instrument
    from holdwater_sensors.path import Sample

WINDOW_MS = 4 * 3_600_000  # long enough for the lid to warm or cool, short enough for the level to change steadily
SURE = 0.15  # a share less certain than this is no better than the default


def share_words(reader: Reader, site: Site, instrument: Instrument, start_ms: int, end_ms: int) -> str:
    """The learned share in words, with the line for the config.

    Raises:
        UsageError: the sensor has no path temperature to learn, or the record says too little of it.
    """
    gauge = _gauge(instrument)
    found = learned_share(
        window_share(gauge, samples) for samples in _windows(reader, site, instrument, start_ms, end_ms)
    )
    if found is None or found.u > SURE:
        said = "too few hours in which lid and water parted" if found is None else f"only {_percent(found)}"
        raise UsageError(
            said,
            expected="quiet hours with sun on the lid or a cold sky, and air and water temperature",
            do="take a longer span, or leave the share to its default",
        )
    return "\n".join(
        (
            f"{instrument.name}: seen from the water, the mean of the air path is {_percent(found)} of the way to the",
            f"temperature of {instrument.air_series}, from {found.windows} windows of four hours.",
            "",
            "To accept it, add to the config (nothing is changed by this command):",
            "",
            f"[sensor.{instrument.name}]",
            f'share = "{100 * found.value:.0f} %"',
        )
    )


def _percent(share: Share) -> str:
    return f"{100 * share.value:.0f} ± {100 * share.u:.0f} %"


def _gauge(instrument: Instrument) -> Ultrasonic:
    gauge = instrument.physics
    if not isinstance(gauge, Ultrasonic) or (gauge.assumed_speed is None and gauge.sends == "distance"):
        raise UsageError(
            f"{instrument.name} is no ultrasonic sensor that is corrected for its air here",
            expected="kind = 'ultrasonic', without compensated = true",
            do="nothing is to be learned for it",
        )
    if instrument.air_series is None or instrument.water_series is None:
        raise UsageError(
            f"{instrument.name} has no series of {'air' if instrument.air_series is None else 'water'} temperature",
            expected="both, for the share is that of their difference",
            do="name them: air = …, water = …",
        )
    return gauge


def _windows(reader: Reader, site: Site, instrument: Instrument, start_ms: int, end_ms: int) -> Iterator[list[Sample]]:
    from holdwater.gauge import AROUND_MS, RecordedSurrounds, around, companions  # noqa: PLC0415
    from holdwater.levels import place_of  # noqa: PLC0415

    place = place_of(site)
    beside = companions([instrument], place)
    for begin in range(start_ms, end_ms, WINDOW_MS):
        end = min(begin + WINDOW_MS, end_ms)
        looks = RecordedSurrounds(
            {name: [(r.ts_ms, r.value) for r in reader.readings(name, begin - AROUND_MS, end)] for name in beside}
        )
        yield [
            (row.ts_ms / 1000, row.value, around(instrument, looks, row.ts_ms, place))
            for row in reader.readings(instrument.series, begin, end)
        ]
