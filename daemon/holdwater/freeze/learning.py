"""The folds of the service: nights learned when they are over, once each, in order."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from holdwater.freeze.air import AirSeries
from holdwater.freeze.evening import AFTER_SUNRISE_MS, Issue, evening, lowest_c
from holdwater.freeze.night import NightModel, fresh, learn
from holdwater.freeze.sun import HOUR_MS, Night, Place, local_date, night

DAY_MS = 24 * HOUR_MS
FIRST_H, LATEST_H = 2, 16  # hours after sunset
ISSUES = (Issue("afternoon"), *(Issue("evening", hours) for hours in range(FIRST_H, LATEST_H + 1)))


def learn_nights(model: NightModel, series: AirSeries, place: Place, issue: Issue, until_ms: int) -> NightModel:
    """The model after all nights of a series that were over at a time and that it has not learned yet.

    Args:
        model: what was learned so far for this time of issue.
        series: readings of the air from 14 h before the first night to be learned.
        place: where.
        issue: when its forecasts are made.
        until_ms: now; nothing later is looked at.
    """
    if not series.times:
        return model
    known = series.until(until_ms)
    day = local_date(max(series.times[0], model.reached_ms - DAY_MS), place.zone)
    last = local_date(until_ms, place.zone)
    while day <= last and known.times:
        tonight = night(day, place)
        seen = evening(known, issue.at_ms(tonight, place), tonight)
        if seen is not None and seen.end_ms <= until_ms:
            came_c = lowest_c(known, seen.issued_ms, seen.end_ms)
            model = model if came_c is None else learn(model, seen, came_c)
        day += timedelta(days=1)
    return model


def learn_all(
    models: Mapping[str, NightModel], series: AirSeries, place: Place, until_ms: int
) -> dict[str, NightModel]:
    """The models of every time of issue, by its name, after the nights that were over: what the service keeps and
    folds each day.

    Args:
        models: by `Issue.name`; a missing one begins with the prior.
        series: as for `learn_nights`.
        place: where.
        until_ms: now.
    """
    return {
        issue.name: learn_nights(models.get(issue.name) or fresh(), series, place, issue, until_ms) for issue in ISSUES
    }


def issue_now(now_ms: int, place: Place) -> tuple[Issue, Night, int] | None:
    """The latest word due at a time: which, of which night, and when it was due (ms UTC).

    From 15:00 of the local clock it is the afternoon word, from two hours after sunset on a new one each hour, until
    two hours after sunrise.

    Returns:
        None from then until 15:00: there is no word of the coming night yet.
    """
    today = local_date(now_ms, place.zone)
    for day in (today, today - timedelta(days=1)):
        tonight = night(day, place)
        due = [(issue.at_ms(tonight, place), issue) for issue in ISSUES]
        due = [pair for pair in due if pair[0] <= now_ms]
        if due and now_ms <= tonight.sunrise_ms + AFTER_SUNRISE_MS:
            issued_ms, issue = max(due, key=lambda pair: pair[0])
            return issue, tonight, issued_ms
    return None
