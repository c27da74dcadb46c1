"""Low batteries by their voltage."""

import pytest

from holdwater.power import verdict


@pytest.mark.parametrize(
    ("volts", "expected"),
    [(3.2, "beyond"), (3.3, "beyond"), (3.4, "between"), (3.6, "back"), (11.8, "beyond"), (12.1, "between"), (12.7, "back"),
     (24.0, "between"), (0.0, "unknown"), (7.0, "unknown"), (230.0, "unknown")],
)  # fmt: skip
def test_a_battery_is_low_well_or_between_by_the_kind_its_voltage_tells(volts: float, expected: str) -> None:
    """One cell, 12 V and 24 V; a voltage that fits none says nothing."""
    assert verdict(volts).value == expected
