"""Whatever value, surroundings or settings: a depth with its doubt or none, a sensor or a problem in words."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from holdwater.config.sensor import RouteConfig, SensorConfig
from holdwater_sensors.calibrate import Correction
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import Depth, Dip, Instrument, Physics, Surroundings
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.quality import Grade, grade_of
from holdwater_sensors.signals import CurrentLoop, Ratiometric, Voltage
from holdwater_sensors.transmitter import LevelTransmitter

PHYSICS: list[Physics] = [
    Ultrasonic(2.0),
    Ultrasonic(2.0, sends="echo time", share=0.3, tilt_rad=0.1, expects_air=True),
    Ultrasonic(2.0, assumed_speed=None),
    Hydrostatic(0.1, high_pa=30_000.0),
    Hydrostatic(0.0, reference="absolute"),
    Hydrostatic(0.0, reference="sealed", drift_pa=50.0),
    Hydrostatic(0.0, signal=CurrentLoop(), high_pa=30_000.0),
    Hydrostatic(0.0, signal=Ratiometric(supply_measured=True), high_pa=30_000.0),
    Hydrostatic(0.0, signal=Voltage(0.0, 10.0), high_pa=30_000.0),
    LevelTransmitter(2.0, CurrentLoop(), 2.0, 0.0, True, 0.01),
    Dip(2.0),
]
CORRECTIONS = [(), (Correction(1.05, -0.01, 0.01, 0.01, -0.8),)]
any_number = st.one_of(st.none(), st.floats(), st.floats(-150, 150), st.floats(5e4, 1.1e5))
values = st.one_of(st.floats(), st.floats(0, 3), st.floats(0, 0.025), st.floats(-1e4, 1.3e5))


@settings(max_examples=300)
@given(
    st.sampled_from(PHYSICS),
    st.sampled_from(CORRECTIONS),
    values,
    st.builds(Surroundings, any_number, any_number, any_number, any_number, any_number, st.floats(9.7, 9.9)),
)
def test_any_value_gives_a_finite_depth_with_a_finite_doubt_or_none(
    physics: Physics, corrections: tuple[Correction, ...], value: float, around: Surroundings
) -> None:
    """Never below the floor, never a number without its doubt, never a rejected depth."""
    found = Instrument("x", "t", "", "k", "a:b", "m", physics, corrections).depth(value, around, 0)
    assert isinstance(found, Depth)
    if found.depth_m is None:
        assert grade_of(found.quality) is Grade.REJECTED
        return
    assert 0 <= found.depth_m < math.inf
    assert 0 < found.u_m < math.inf
    assert grade_of(found.quality) is not Grade.REJECTED


KEYS = [name if field.alias is None else field.alias for name, field in SensorConfig.model_fields.items()]
WORDS = [
    "5 in",
    "1 m",
    "5 psi",
    "2 %",
    "20 degC",
    "343 m/s",
    "5 V",
    "10 deg",
    "1 gal",
    "2026-07-01",
    "a:b",
    "tank",
    "",
    "0 in",
    "-1 m",
]
texts = st.one_of(st.sampled_from(WORDS), st.text(max_size=6))
anything = st.one_of(
    texts, st.lists(texts, max_size=3), st.integers(), st.floats(), st.booleans(), st.none(), st.just([{}])
)
kinds = st.sampled_from(
    ["ultrasonic", "pressure", "current loop", "ratiometric", "float", "load cell", "flow pulses", "dip"]
)


@settings(max_examples=200)
@given(kinds, st.dictionaries(st.sampled_from(KEYS), anything, max_size=5))
def test_any_settings_make_a_sensor_or_a_problem(kind: str, given_settings: dict[str, Any]) -> None:
    """Nothing but a validation error comes out; what is accepted can be built."""
    basic = {"tank": "t", "kind": kind, "series": "a:b", "height": "1 m", "range": "5 psi"}
    if kind in ("float", "load cell", "flow pulses", "dip", "ultrasonic"):
        del basic["range"]
    basic |= {"float": {"heights": ["5 in"]}, "load cell": {"empty": "1 kg"}, "flow pulses": {"per_pulse": "1 L"}}.get(
        kind, {}
    )
    if kind in ("float", "load cell", "flow pulses"):
        del basic["height"]
    try:
        config = SensorConfig.model_validate(basic | given_settings)
    except ValidationError:
        return
    assert isinstance(config.build("x", "a:air"), Instrument)


@given(st.dictionaries(st.sampled_from(list(RouteConfig.model_fields)), anything, max_size=5))
def test_any_settings_make_a_route_or_a_problem(given_settings: dict[str, Any]) -> None:
    """As for sensors."""
    basic: dict[str, Any] = {"topic": "t", "payload": "json", "unit": "in", "series": "a:b"}
    try:
        config = RouteConfig.model_validate(basic | given_settings)
    except ValidationError:
        return
    assert config.build("r").name == "r"


def test_the_plain_settings_of_each_kind_are_accepted() -> None:
    """Else the two tests above would prove nothing."""
    for kind, more in (("ultrasonic", {"height": "1 m"}), ("pressure", {"height": "1 in"}), ("dip", {})):
        SensorConfig.model_validate({"tank": "t", "kind": kind, "series": "a:b"} | more).build("x")
    with pytest.raises(ValidationError):
        SensorConfig.model_validate({"tank": "t", "kind": "dip"})
