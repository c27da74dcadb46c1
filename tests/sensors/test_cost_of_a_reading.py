"""What decoding and measuring one ordinary pack costs, as a ratio to parsing its JSON alone."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable

import pytest

from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.filter import Hampel, Window
from holdwater_sensors.instrument import Instrument
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.senml import decode_json
from holdwater_sensors.surroundings import Surroundings

PACK = json.dumps(
    [
        {"bn": "garden:", "bt": 1_767_225_600, "run": 12, "seq": 345, "keep": 300, "n": "gap", "u": "m", "v": 0.7421},
        {"n": "headspace", "u": "Cel", "v": 21.4},
        {"n": "water", "u": "Cel", "v": 12.5},
        {"n": "battery", "u": "V", "v": 3.92},
    ]
).encode()
SONAR = Instrument("g", "garden", "", "ultrasonic", "garden:gap", "m", Ultrasonic(1.5, expects_air=True))
GAUGE = Instrument("d", "drinking", "", "pressure", "drinking:pressure", "Pa", Hydrostatic(0.0254))
AROUND = Surroundings(air_c=21.4, water_c=12.5)


def _decode_and_measure() -> float | None:
    records = decode_json(PACK, 1_767_225_600.0).records
    value = records[0].value
    return None if value is None else SONAR.depth(value, AROUND, 0).depth_m


def _ratios(what: Callable[[], object], rounds: int = 30, calls: int = 300) -> float:
    """Ratio of the quickest rounds, taken in turns in CPU time, so that a busy machine matters little."""
    quickest = [float("inf"), float("inf")]
    for _ in range(rounds):
        for at, each in enumerate((lambda: json.loads(PACK), what)):
            begin = time.thread_time()
            for _ in range(calls):
                each()
            quickest[at] = min(quickest[at], time.thread_time() - begin)
    return quickest[1] / quickest[0]


@pytest.mark.slow
def test_decoding_and_measuring_a_pack_costs_a_few_times_its_json(capsys: pytest.CaptureFixture[str]) -> None:
    """Aim: 4 times json.loads of the same pack; the test fails at 6, so that a busy machine does not."""
    assert _decode_and_measure() == pytest.approx(0.7571, abs=0.01)
    both = _ratios(_decode_and_measure)
    decode = _ratios(lambda: decode_json(PACK, 0.0))
    sonar = _ratios(lambda: SONAR.depth(0.7421, AROUND))
    gauge = _ratios(lambda: GAUGE.depth(9000.0, AROUND))
    live, at = Hampel(Window(0.003)), iter(range(10**9))
    hampel = _ratios(lambda: live.push(next(at) * 60_000, 1.0))
    with capsys.disabled():
        print(
            f"\n  a pack of four against json.loads of it: decode {decode:.1f}, decode and measure {both:.1f}; "
            f"depth by ultrasonic {sonar:.2f}, by pressure {gauge:.2f}, filter {hampel:.2f}"
        )
    if sys.gettrace() is None:  # under coverage every line of Python costs more, json.loads does not
        assert both < 6
