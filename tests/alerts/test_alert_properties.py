"""A1 to A12 and L1, L2, L4 of the alert model on the real engine over real SQLite files, restarts included."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from alerts.notice_machine import Plant, machine

CHECKS = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much, HealthCheck.large_base_example]


@pytest.mark.slow
def test_nothing_is_told_that_the_plain_list_of_readings_does_not_bear_out() -> None:
    """50 stories of 30 steps each: any order of readings, junk, restarts, silence, steps of the clock, *seen* and *quiet*."""
    run_state_machine_as_test(
        machine(Plant()),
        settings=settings(
            max_examples=50,
            stateful_step_count=30,
            deadline=None,
            phases=[Phase.reuse, Phase.generate],
            report_multiple_bugs=False,
            suppress_health_check=CHECKS,
        ),
    )


@pytest.mark.soak
def test_a_hundred_thousand_steps_break_nothing() -> None:
    """1,000 stories of 100 steps."""
    run_state_machine_as_test(
        machine(Plant()),
        settings=settings(
            max_examples=1000,
            stateful_step_count=100,
            deadline=None,
            suppress_health_check=CHECKS,
            phases=[Phase.generate],
            report_multiple_bugs=False,
        ),
    )
