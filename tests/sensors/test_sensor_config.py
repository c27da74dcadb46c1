"""[sensor.NAME] and [route.NAME]: what is read, what is refused and with which words."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from holdwater.config.route import wire_unit
from holdwater.config.sensor import CalibrationConfig, RouteConfig, SensorConfig, mismatches, warnings
from holdwater.config.tank import TankConfig
from holdwater.tanks.tank import Tank
from holdwater.units import PA_PER_PSI, UNITS, Measure
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.counter import Pulses
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import Dip, Instrument, Surroundings
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.senml_units import PRIMARY
from holdwater_sensors.signals import CurrentLoop, Ratiometric
from holdwater_sensors.weight import LoadCell

US = Measure("US")
SONAR = {"kind": "ultrasonic", "height": "74 in"}
GAUGE = {"kind": "pressure", "height": "1 in"}


def _config(**settings: Any) -> SensorConfig:
    return SensorConfig.model_validate({"tank": "drinking", "series": "drinking:level"} | settings)


def _build(**settings: Any) -> Instrument:
    return _config(**settings).build("level")


def _refused(model: Any, settings: dict[str, Any]) -> dict[str, str]:
    with pytest.raises(ValidationError) as error:
        model.model_validate(settings)
    return dict(error.value.errors()[0].get("ctx") or {"found": str(error.value)})


def _tank(**more: Any) -> Tank:
    shape = {"kind": "upright cylinder", "diameter": "42 in", "height": "66 in"}
    settings = {"use": "drinking", "shape": shape, "outlet": "3 in", "overflow": "62 in"} | more
    return TankConfig.model_validate(settings).build("drinking")


# -- what is built ---------------------------------------------------------------------------------------------------------


def test_a_pressure_sensor_as_in_the_manual_is_built() -> None:
    """Height, accuracy as height of water, gravity and air pressure of the site."""
    instrument = _config(**GAUGE, accuracy="0.5 in", water="drinking:water").build("level", None, 9.79, 2042.0)
    physics = instrument.physics
    assert isinstance(physics, Hydrostatic)
    assert (instrument.unit, instrument.water_series, instrument.air_series) == ("Pa", "drinking:water", None)
    assert physics.accuracy_pa == pytest.approx(0.0127 * 9806.65)
    assert physics.gravity == 9.79
    assert physics.pressure_pa == pytest.approx(79_085, abs=50)
    assert instrument.depth(10_000.0, Surroundings(water_c=15.0)).depth_m == pytest.approx(1.0478, abs=1e-3)


def test_an_ultrasonic_sensor_takes_the_air_of_the_site_unless_it_names_its_own() -> None:
    """[weather] air is the default."""
    assert _config(**SONAR).build("level", "garden:air").air_series == "garden:air"
    assert _config(**SONAR, air="lid:air").build("level", "garden:air").air_series == "lid:air"
    assert _config(**GAUGE).build("level", "garden:air").air_series is None


@pytest.mark.parametrize(
    ("settings", "speed", "stated"),
    [
        ({}, 343.2, False),
        ({"assumed_speed": "340 m/s"}, 340.0, True),
        ({"assumed_air": "68 degF"}, 343.2, True),
        ({"compensated": True}, None, True),
    ],
)
def test_how_a_device_reckons_distance_is_said_in_one_of_three_ways(
    settings: dict[str, Any], speed: float | None, stated: bool
) -> None:
    """Fixed speed, fixed temperature, or its own compensation; else 343.2 m/s, with a warning."""
    physics = _build(**SONAR, **settings).physics
    assert isinstance(physics, Ultrasonic)
    assert physics.assumed_speed == (speed if speed is None else pytest.approx(speed))
    assert physics.speed_stated is stated


def test_an_echo_time_is_sent_in_seconds() -> None:
    """The unit that readings must have follows from what the device sends."""
    assert _build(**SONAR, sends="echo time").unit == "s"
    assert _build(**SONAR).unit == "m"


def test_accuracy_of_an_ultrasonic_sensor_is_a_length_or_a_share() -> None:
    """Either replaces both parts of the default."""
    for text, expected in (("0.5 in", (0.0127, 0.0)), ("1 %", (0.0, 0.01))):
        physics = _build(**SONAR, accuracy=text, resolution="2 mm").physics
        assert isinstance(physics, Ultrasonic)
        assert (physics.accuracy_m, physics.accuracy_share) == pytest.approx(expected)
        assert physics.resolution_m == pytest.approx(0.002)


def test_a_range_may_be_one_end_or_two_in_pressure_or_height_of_water() -> None:
    """Accuracy and drift as shares are of it; the default accuracy is half a percent of it."""
    for text, high_pa in (("5 psi", 5 * PA_PER_PSI), (["0 m", "5 m"], 5 * 9806.65)):
        physics = _build(**GAUGE, range=text, drift="0.1 %").physics
        assert isinstance(physics, Hydrostatic)
        assert physics.high_pa == pytest.approx(high_pa)
        assert physics.accuracy_pa == pytest.approx(0.005 * high_pa)
        assert physics.drift_pa == pytest.approx(0.001 * high_pa)
    plain = _build(**GAUGE).physics
    assert isinstance(plain, Hydrostatic)
    assert (plain.accuracy_pa, plain.drift_pa, plain.accuracy_stated) == (250.0, 0.0, False)


def test_a_loop_and_a_ratiometric_part_carry_their_signal() -> None:
    """A current in A, a voltage in V, each with the range behind it."""
    loop = _build(kind="current loop", height="0 in", range=["0 m", "5 m"])
    assert isinstance(loop.physics, Hydrostatic)
    assert (loop.unit, loop.physics.signal) == ("A", CurrentLoop())
    part = _build(kind="ratiometric", height="0 in", range="100 psi", supply="a:supply", reference="absolute")
    assert isinstance(part.physics, Hydrostatic)
    assert part.physics.signal == Ratiometric(0.1, 0.9, 5.0, True)
    assert (part.unit, part.supply_series, part.physics.reference) == ("V", "a:supply", "absolute")


def test_a_loop_may_stand_for_a_depth_or_a_distance() -> None:
    """Radar at 3 m over the floor, 20 mA at the face: 12 mA is 1.5 m down; a depth counts from its zero up."""
    radar = _build(kind="current loop", height="3 m", range=["3 m", "0 m"], measures="distance", accuracy="1 cm")
    assert radar.depth(0.012, Surroundings()).depth_m == pytest.approx(1.5)
    assert radar.depth(0.012, Surroundings()).u_noise_m == pytest.approx(0.01 / 3**0.5)
    assert (radar.gives_depth, radar.spread_m) == (True, 0.005)
    rod = _build(kind="current loop", height="10 cm", range="2 m", measures="depth", accuracy="1 %", resolution="1 mm")
    assert rod.depth(0.020, Surroundings()).depth_m == pytest.approx(2.1)
    assert rod.depth(0.0039, Surroundings()).depth_m == pytest.approx(0.0875)
    assert rod.depth(0.0, Surroundings()).depth_m is None
    deep = _build(kind="current loop", height="1 m", range="3 m", measures="distance")
    assert deep.depth(0.020, Surroundings())[::3] == (None, 205)
    assert deep.depth(0.0094, Surroundings()).depth_m == 0.0


def test_a_voltage_that_does_not_follow_the_supply_is_read_as_it_is() -> None:
    """0 to 10 V."""
    part = _build(
        kind="ratiometric", height="0 m", range="5 m", span=["0 V", "10 V"], fixed_span=True, measures="depth"
    )
    assert part.depth(5.0, Surroundings(supply_v=3.0)).depth_m == pytest.approx(2.5)


def test_the_other_kinds_are_built() -> None:
    """Float, load cell, pulses of water and of rain, dip."""
    assert _build(kind="float", heights=["10 in", "40 in"]).physics == FloatSwitch((0.254, 1.016))
    assert _build(kind="load cell", empty="45 kg", carried="50 %").physics == LoadCell(45.0, 0.5, accuracy_share=0.005)
    assert _build(kind="load cell", empty="0 kg", accuracy="1 %").physics == LoadCell(0.0, accuracy_share=0.01)
    assert _build(kind="flow pulses", per_pulse="1 L", rollover=65536).physics == Pulses(0.001, 65536)
    assert _build(kind="rain pulses", per_pulse="0.01 in", accuracy="5 %").physics == Pulses(
        0.000254, accuracy_share=0.05
    )
    assert _build(kind="dip").physics == Dip()
    assert _build(kind="dip", height="80 in", accuracy="0.25 in").physics == Dip(2.032, 0.00635)
    sealed = _build(kind="sealed pressure", height="1 in", seal="101 kPa").physics
    assert isinstance(sealed, Hydrostatic)
    assert (sealed.reference, sealed.seal_pa) == ("sealed", 101_000.0)


def test_dates_count_in_the_time_zone_of_the_site_and_calibrations_in_order() -> None:
    """A date alone is its local midnight."""
    settings: dict[str, Any] = {
        "from": "2026-07-01",
        "until": "2026-07-02T00:00:00Z",
        "calibration": [{"from": "2026-08-01", "gain": 1.02}, {"offset": "0.5 in", "offset_doubt": "0.1 in"}],
    }
    instrument = _config(**GAUGE, **settings).build("level", zone=ZoneInfo("America/Denver"))
    assert (instrument.from_ms, instrument.until_ms) == (1_782_885_600_000, 1_782_950_400_000)
    assert [each.from_ms for each in instrument.corrections] == [None, 1_785_564_000_000]
    assert instrument.corrections[0].offset_m == pytest.approx(0.0127)


# -- what is refused ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "key", "word"),
    [
        (SONAR | {"heights": ["3 in"]}, "heights", "belongs to: float"),
        (GAUGE | {"beam": "15 deg"}, "beam", "belongs to: ultrasonic"),
        ({"kind": "pressure"}, "height", "height of a sensor"),
        ({"kind": "current loop", "height": "1 in"}, "range", "range of a sensor"),
        ({"kind": "float"}, "heights", "heights of a sensor"),
        ({"kind": "flow pulses"}, "per_pulse", "per_pulse of a sensor"),
        ({"kind": "load cell"}, "empty", "empty of a sensor"),
        (GAUGE | {"height": "-1 in"}, "height", "0 to 30 m"),
        (SONAR | {"height": "8 in"}, "height", "higher above the floor than the dead zone"),
        (SONAR | {"compensated": True, "assumed_speed": "343 m/s"}, "compensated", "one of them"),
        (SONAR | {"sends": "echo time", "assumed_air": "20 degC"}, "assumed_air", "needs no assumed speed"),
        (GAUGE | {"range": ["5 psi", "0 psi"]}, "range", "high end above the low end"),
        (GAUGE | {"range": []}, "range", "the high end"),
        ({"kind": "pressure", "height": "1 in", "tank": ""}, "tank", "tank of a sensor"),
        (GAUGE | {"flows": "in"}, "flows", "belongs to: flow pulses"),
        (GAUGE | {"range": ["0 psi", "5 m"]}, "range", "one kind of unit"),
        (GAUGE | {"range": ["0 m", "1 m", "2 m"]}, "range", "both ends"),
        ({"kind": "ratiometric", "height": "1 in", "range": "5 psi", "span": ["4.5 V", "0.5 V"]}, "span", "low first"),
        (
            {"kind": "current loop", "height": "1 m", "range": "5 psi", "measures": "depth"},
            "range",
            "a range in lengths",
        ),
        ({"kind": "current loop", "height": "1 m", "range": ["1 m", "1 m"], "measures": "depth"}, "range", "high end"),
        (
            {"kind": "current loop", "height": "1 m", "range": "5 m", "measures": "depth", "accuracy": "1 psi"},
            "accuracy",
            "length or ratio",
        ),
        (
            {"kind": "ratiometric", "height": "1 in", "range": "5 psi", "span": ["0 V", "10 V"]},
            "span",
            "nominal supply",
        ),
        (SONAR | {"accuracy": "1 psi"}, "accuracy", "length or ratio"),
        ({"kind": "load cell", "empty": "1 kg", "accuracy": "1 in"}, "accuracy", "mass or ratio"),
        (GAUGE | {"accuracy": "0.5 %"}, "accuracy", "share is of the full range"),
        (GAUGE | {"drift": "0.5 %"}, "drift", "share is of the full range"),
        ({"kind": "flow pulses", "per_pulse": "0.01 in"}, "per_pulse", "a volume above zero"),
        ({"kind": "rain pulses", "per_pulse": "-1 mm"}, "per_pulse", "a length above zero"),
        ({"kind": "float", "heights": ["4 in", "3 in"]}, "heights", "lowest up"),
        (GAUGE | {"from": "2026-07-02T00:00:00Z", "until": "2026-07-01T00:00:00Z"}, "until", "after the start"),
    ],
)
def test_settings_that_do_not_fit_are_refused_with_key_and_words(settings: dict[str, Any], key: str, word: str) -> None:
    """Found, expected and fix name the trouble at its own key."""
    said = _refused(SensorConfig, {"tank": "t", "series": "a:b"} | settings)
    assert said["key"] == key
    assert word in said["expected"]
    assert said["fix"]


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        (GAUGE | {"accuracy": "0.5"}, "no unit"),
        (GAUGE | {"accuracy": 5}, "5"),
        (GAUGE | {"accuracy": "5 gal"}, "gal"),
        (GAUGE | {"range": "5 gal"}, "gal"),
        (GAUGE | {"height": "1 psi"}, "psi"),
        (GAUGE | {"series": "no colon"}, "no colon"),
        (GAUGE | {"from": "yesterday"}, "yesterday"),
        (GAUGE | {"from": 5}, "'5'"),
        (GAUGE | {"from": "2026-07-01T08:00:00"}, "no offset"),
        (GAUGE | {"kind": "sonar"}, "ultrasonic"),
        (GAUGE | {"calibration": [{"gain": 9.0}]}, "less than"),
        (GAUGE | {"hieght": "1 in"}, "hieght"),
    ],
)
def test_a_unit_of_the_wrong_dimension_or_a_wrong_word_is_refused(settings: dict[str, Any], word: str) -> None:
    """The value found stands in the message."""
    with pytest.raises(ValidationError) as error:
        SensorConfig.model_validate({"tank": "t", "series": "a:b"} | settings)
    assert word in str(error.value) + str([each.get("ctx") for each in error.value.errors()])


def test_every_setting_is_explained() -> None:
    """The manual is made from the descriptions."""
    for model in (SensorConfig, CalibrationConfig, RouteConfig):
        for name, field in model.model_fields.items():
            assert field.description, f"{model.__name__}.{name}"


# -- a sensor on its tank ------------------------------------------------------------------------------------------------------


def test_a_dead_zone_that_reaches_the_overflow_is_an_error() -> None:
    """Face at 66 in, dead zone 25 cm: blind above 56.2 in, the overflow is at 62 in."""
    (problem,) = mismatches(_build(kind="ultrasonic", height="66 in"), _tank(), US)
    assert problem.key == "sensor.level.height"
    assert "56.2 in" in problem.found
    assert "62 in" in problem.expected
    assert "71.8 in" in problem.fix
    assert mismatches(_build(kind="ultrasonic", height="72 in"), _tank(), US) == ()


def test_a_diaphragm_above_the_overflow_or_a_float_above_the_tank_is_an_error() -> None:
    """Heights are from the inside floor."""
    assert mismatches(_build(kind="pressure", height="62 in"), _tank(), US)[0].key == "sensor.level.height"
    assert mismatches(_build(kind="float", heights=["70 in"]), _tank(), US)[0].key == "sensor.level.heights"
    assert mismatches(_build(**GAUGE), _tank(), US) == ()
    assert mismatches(_build(kind="float", heights=["60 in"]), _tank(), US) == ()


def test_a_sensor_of_joined_vessels_names_the_vessel_it_sits_on() -> None:
    """Its height counts from that vessel's floor."""
    box = {"kind": "box", "length": "1 m", "width": "1 m", "height": "1 m"}
    vessels = [{"name": "low", "shape": box}, {"name": "high", "shape": box, "floor": "50 cm"}]
    tank = _tank(shape=None, vessel=vessels, link=[{"between": ["low", "high"]}], overflow="1.4 m", outlet="0 m")
    assert mismatches(_build(**GAUGE), tank, US)[0].key == "sensor.level.vessel"
    assert "low, high" in mismatches(_build(**GAUGE, vessel="middle"), tank, US)[0].expected
    assert mismatches(_build(**GAUGE, vessel="low"), tank, US) == ()
    assert (
        mismatches(_build(kind="ultrasonic", height="1.1 m", vessel="high"), tank, US)[0].key == "sensor.level.height"
    )
    assert mismatches(_build(kind="ultrasonic", height="1.2 m", vessel="high"), tank, US) == ()


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        (SONAR, "below 37.6 in of water the edge of its beam"),
        (SONAR | {"wall": "10 in"}, "meets the wall 10 in beside it"),
        (SONAR, "not said how the device reckons"),
        (SONAR | {"assumed_speed": "343 m/s"}, "no air temperature"),
        (SONAR | {"height": "6 m"}, "out of its sight"),
        (GAUGE | {"height": "4 in"}, "above the outlet at 3 in"),
        (GAUGE | {"range": "1 psi"}, "a full tank is out of its range"),
        ({"kind": "absolute pressure", "height": "1 in"}, "right only beside a barometer"),
        (GAUGE, "neither accuracy nor range is stated"),
    ],
)
def test_what_works_worse_than_one_may_think_is_said_in_words(settings: dict[str, Any], word: str) -> None:
    """Depth below which the beam meets the wall, assumptions, ranges."""
    assert any(word in each for each in warnings(_build(**settings), _tank(), US))


@pytest.mark.parametrize(
    ("outlet", "beam", "depth"),
    [("4 in", "60 deg", "below 17.8 in of water the edge"), ("4 in", "60 deg", "and below 11.6 in that wall is nearer"),
     ("13 in", "60 deg", ""), ("0 in", "15 deg", "")],
)  # fmt: skip
def test_a_lying_cylinder_is_warned_of_only_where_its_wall_answers_before_the_water(
    outlet: str, beam: str, depth: str
) -> None:
    """48 in across, face 58 in up. At 30 deg the wall is met 23.2 in aside at 17.8 in: 46.4 in away, as far as water 11.6 in deep."""
    shape = {"kind": "horizontal cylinder", "diameter": "48 in", "length": "120 in"}
    tank = TankConfig.model_validate({"shape": shape, "outlet": outlet, "overflow": "45 in"}).build("drinking")
    sonar = _build(kind="ultrasonic", height="58 in", compensated=True, beam=beam)
    said = " ".join(warnings(sonar, tank, US))
    assert (depth in said) if depth else said == ""


def test_a_barometer_that_the_site_names_is_not_asked_for() -> None:
    """Only an absolute or sealed sensor without one is worth a word."""
    absolute = _build(kind="absolute pressure", height="1 in", accuracy="0.5 in")
    assert warnings(absolute, _tank(), US, barometer=True) == ()
    assert "the site names none" in warnings(absolute, _tank(), US)[0]


def test_a_well_described_sensor_is_passed_without_a_word() -> None:
    """No warning without a reason."""
    sonar = _config(**SONAR, beam="15 deg", compensated=True).build("level", "a:air")
    assert warnings(sonar, _tank(), US) == ()
    assert warnings(_config(**SONAR, beam="15 deg", wall="21 in", compensated=True).build("level"), _tank(), US) == ()
    assert warnings(_build(**GAUGE, accuracy="0.5 in"), _tank(), US) == ()
    assert warnings(_build(kind="dip"), _tank(), US) == ()


# -- routes --------------------------------------------------------------------------------------------------------------------


def _route(**settings: Any) -> dict[str, Any]:
    return {"topic": "shed/level", "payload": "number", "unit": "in", "series": "shed:gap"} | settings


def test_routes_of_all_forms_are_built() -> None:
    """Number, JSON with a time, text with a time; scale and unit multiply."""
    assert RouteConfig.model_validate(_route()).build("shed").decode(b"10", 5.0)[0].value == pytest.approx(0.254)
    pointed = RouteConfig.model_validate(
        _route(payload="json", pointer="/l", scale=0.1, time={"pointer": "/t", "form": "milliseconds"})
    ).build("shed")
    (record,) = pointed.decode(b'{"l":100,"t":5000}', 9.0)
    assert (record.value, record.t_s, pointed.qos) == (pytest.approx(0.254), 5.0, 1)
    line = RouteConfig.model_validate(_route(payload="text", field=2, delimiter=";", time={"field": 1})).build("shed")
    assert line.decode(b"7;10", 9.0)[0].t_s == 7.0


@pytest.mark.parametrize(
    ("settings", "key", "word"),
    [
        ({"topic": "a/#"}, "topic", "one plain topic"),
        ({"scale": 0}, "scale", "not zero"),
        ({"scale": float("inf")}, "scale", "not zero"),
        ({"unit": "furlong"}, "unit", "a unit such as"),
        ({"payload": "json", "pointer": "level"}, "pointer", "begins with /"),
        ({"pointer": "/level"}, "pointer", "payload = 'json'"),
        ({"time": {"field": 1}}, "time", "'json' or 'text'"),
        ({"payload": "json", "time": {"field": 1}}, "time.pointer", "place of the time"),
        ({"payload": "json", "time": {"pointer": "t"}}, "time.pointer", "begins with /"),
        ({"payload": "text", "time": {"pointer": "/t"}}, "time.field", "number of the field"),
    ],
)
def test_a_route_that_cannot_work_is_refused(settings: dict[str, Any], key: str, word: str) -> None:
    """Topic, scale, unit, pointer and time each at their key."""
    said = _refused(RouteConfig, _route(**settings))
    assert (said["key"], word in said["expected"]) == (key, True)


def test_every_unit_a_household_writes_leads_to_a_unit_of_the_registry() -> None:
    """RFC 8428 section 12.1: what comes out of a route has a primary unit, as from our own nodes."""
    unmeasured = {"insulation", "money", "temperature difference"}
    for name in {key.split(":", 1)[1] for key in UNITS if key.split(":", 1)[0] not in unmeasured}:
        assert wire_unit(name)[0] in PRIMARY, name
    assert wire_unit("%RH") == ("%RH", 1.0, 0.0)
    assert wire_unit("degF")[0] == "Cel"
