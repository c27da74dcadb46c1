"""*valve open*: a tank falls fast and for longer than any ordinary use."""

from __future__ import annotations

from holdwater.alerts.facts import FlowFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import Verdict
from holdwater.alerts.telling import Telling, span_text
from holdwater.units import M3_PER_GAL

LIMIT_M3 = 40 * M3_PER_GAL  # a fixed stop: so much may be gone at an hour at which less is usual
LEAST_M3 = 15 * M3_PER_GAL  # under this no usual draw is short enough to call anybody
RATE_M3_S = 0.9 * M3_PER_GAL / 60  # 1 gal/min less what a rate may be off; slower losses are found by the water book
AHEAD_S = 60.0  # told when the limit would be passed by the next reading of a minute, not after it
SURE = 4.0  # and so many standard uncertainties: a wide tank's noise is gallons, and no valve
KNOWN_M3 = (
    1.5 * M3_PER_GAL
)  # what a usual sensor leaves in doubt; of a wider doubt the rest counts against calling anybody
OVER = 1.5  # so many times the largest usual draw of the hour
ABOVE = (
    1.25  # where more than the fixed stop is usual at that hour: a watering of 60 gal every other morning is no alarm
)
WATCHED = "thaw watch"
THAW_SHARE = 1 / 3  # of what must be gone otherwise (own choice): then a split is likelier than a long draw
EXPECTED = ("watering", "working on it", "moved", "drained")


def judge(fact: FlowFact, view: View, rule: Rule) -> Judgement | None:
    """Beyond when more has gone than is usual, at a rate that only an open valve or a burst gives."""
    if fact.ended:
        return None
    if any(view.noted(note, fact.tank, fact.ts_ms) for note in EXPECTED):
        return Judgement(fact.tank, Verdict.BACK, _numbers(fact))
    gone_m3, rate = -fact.moved_m3, -fact.rate_m3_s
    if rate < RATE_M3_S / 2:
        return Judgement(fact.tank, Verdict.BACK, _numbers(fact))
    limit_m3 = LIMIT_M3 if rule.raise_at is None else rule.raise_at
    if fact.usual_m3 is not None:
        limit_m3 = min(limit_m3, max(LEAST_M3, OVER * fact.usual_m3))
        if rule.raise_at is None:  # a stop that the household has set itself stands
            limit_m3 = max(limit_m3, ABOVE * fact.usual_m3)
    if view.noted(WATCHED, fact.tank, fact.ts_ms):
        # a pipe that split in the frost leaks when its ice melts: what is usual at the hour still calls nobody
        limit_m3 = min(limit_m3, max(THAW_SHARE * limit_m3, fact.usual_m3 or 0.0))
    sure = gone_m3 >= SURE * fact.u_m3
    beyond_m3 = gone_m3 - max(0.0, fact.u_m3 - KNOWN_M3) + rate * AHEAD_S
    open_wide = sure and beyond_m3 >= limit_m3 and rate >= RATE_M3_S
    return Judgement(fact.tank, Verdict.BEYOND if open_wide else Verdict.BETWEEN, _numbers(fact))


def _numbers(fact: FlowFact) -> tuple[tuple[str, float], ...]:
    gone_m3 = max(0.0, -fact.moved_m3)
    # What is told is the mean over the fall, which is steadier than the newest few readings.
    rate = gone_m3 / fact.for_s if fact.for_s >= 180 else max(0.0, -fact.rate_m3_s)
    return (
        ("gone_m3", gone_m3),
        ("u_m3", fact.u_m3),
        ("rate_m3_s", rate),
        ("for_s", fact.for_s),
        ("on_hand_m3", fact.on_hand_m3),
    )


def short(told: Telling) -> str:
    """The text message."""
    gone = told.volume("gone_m3")
    if told.is_over:
        return f"{told.name} tank has stopped falling. Find out what ran, look for wet ground, and check that valve once more before dark."
    rate = told.numbers.get("rate_m3_s", 0.0)
    per_min = told.measure.volume(rate * 60)
    flow = f"{per_min:.0f}" if per_min >= 2 else f"{per_min:.1f}"
    left = (
        ""
        if rate <= 0
        else f" Left alone it is empty in about {span_text(told.numbers.get('on_hand_m3', 0.0) / rate)}."
    )
    return (
        f"ACT NOW {told.name} tank falling {flow} {told.measure.volume_unit}/min for {span_text(told.numbers.get('for_s', 0.0))}, "
        f"{gone} gone. Nobody watering? Shut its valve.{left}"
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} If somebody is watering, write it down (holdwater note watering) and this ends. If the valve is shut and it "
        "still falls, a pipe or hose has burst: shut the valve at the tank itself. Do not step near wet wiring."
    )


KIND = Kind(
    name="valve-open",
    title="valve open",
    severity=Severity.NOW,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=10 * MIN_MS)),
    listens=(FlowFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "A tank has lost more in one go than is usual for it at that hour, at 1 gal/min (4 L/min) or more; at the latest when 40 gal "
        "(150 L) are gone, or a quarter more than usual at an hour that has draws so large; raise_at sets another stop. A note "
        "*watering*, *working on it*, *moved* or *drained* keeps it quiet while it holds. It goes when the tank has not fallen for "
        "10 minutes. What to do: shut the valve, find what ran, look for wet ground."
    ),
    samples=(
        {
            "subject": "garden",
            "severity": Severity.NOW,
            "numbers": {"gone_m3": 0.159, "u_m3": 0.004, "rate_m3_s": 4.4e-4, "for_s": 360.0, "on_hand_m3": 2.25},
        },
        {
            "subject": "garden",
            "severity": Severity.NOW,
            "numbers": {"gone_m3": 0.155, "u_m3": 0.004, "rate_m3_s": 7e-5, "for_s": 2400.0, "on_hand_m3": 0.4},
        },
    ),
    dimension="volume",
    held_by=("in-doubt",),
)
