"""*short*: the water above the reserve may be used up within the household's worst wait for more."""

from __future__ import annotations

from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import Verdict, below
from holdwater.alerts.telling import Telling, days_text
from holdwater.alerts.water import source, water_of

MARGIN = 1.25
DAY_S = 86400.0


def judge(fact: SystemFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """Beyond when the cautious figure of the days is under the worst wait; back when a well keeps up, or it is well over."""
    low_s = fact.numbers.get("low_s")
    raise_s = rule.raise_at if rule.raise_at is not None else fact.numbers.get("worst_wait_s")
    if low_s is None or raise_s is None:
        return None
    clear_s = max(raise_s * MARGIN, raise_s + DAY_S) if rule.clear_at is None else rule.clear_at
    given = Verdict(fact.verdict)
    verdict = below(low_s, raise_s, clear_s) if given is Verdict.UNKNOWN else given
    numbers = {**fact.numbers, "line_s": raise_s}
    return Judgement(fact.subject, verdict, tuple(numbers.items()), tuple(fact.named.items()))


def _range(told: Telling) -> str:
    low_s, mid_s, high_s = (told.numbers.get(key) for key in ("low_s", "mid_s", "high_s"))
    if low_s is None or mid_s is None or high_s is None:
        return "an unknown time"
    return days_text(low_s, mid_s, high_s)


def short(told: Telling) -> str:
    """The text message."""
    water = water_of(told)
    if told.is_over:
        return f"{water} no longer short: {_range(told)} above its reserve. Check again before the next dry spell."
    line_s = told.numbers.get("line_s")
    wait = "" if line_s is None else f", against a worst wait of {days_text(line_s)}"
    use = told.volume("use_m3", "use_u_m3")
    return f"{water} short: {_range(told)} above the reserve at {use} a day{wait}. Use less now and get more at the first chance."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} {told.volume('on_hand_m3')} on hand, reserve {told.volume('reserve_m3', 'exact')}. The first figure in "
        f"brackets is the cautious one: in one of ten futures it is sooner. What comes by itself is not counted on."
        f"{source(told)} This measures amount, not safety."
    )


KIND = Kind(
    name="short",
    title="short",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=60 * MIN_MS, clear_after_ms=60 * MIN_MS, raise_count=2)),
    listens=(SystemFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "For an hour the days above the reserve, by the cautious figure (one future in ten is worse), have been under the worst wait of "
        "`[tank.NAME.haul]`, or under `raise_at` where that is set: more may not come in time. It goes when they are a quarter and a day "
        "above that, or when a well has brought as much as was used for two weeks. It is left out while the tank is *low* and while "
        "*haul by* says the same with the day to act on. "
        "What to do: use less, haul or fill at the first chance."
    ),
    samples=(
        {
            "numbers": {
                "low_s": 4.2 * DAY_S, "mid_s": 5.4 * DAY_S, "high_s": 7.1 * DAY_S, "use_m3": 0.0416, "use_u_m3": 0.003,
                "line_s": 8 * DAY_S, "on_hand_m3": 0.572, "reserve_m3": 0.3407, "u_m3": 0.008,
            },
            "cleared": {"low_s": 12 * DAY_S, "mid_s": 15 * DAY_S, "high_s": 19 * DAY_S, "on_hand_m3": 1.0, "u_m3": 0.01},
            "words": {"drinking": "yes", "fills": "the well"},
        },
        {
            "subject": "stock",
            "numbers": {
                "low_s": 0.4 * DAY_S, "mid_s": 0.9 * DAY_S, "high_s": 1.3 * DAY_S, "use_m3": 1.2, "use_u_m3": 0.1, "line_s": 3 * DAY_S,
                "on_hand_m3": 3.1, "reserve_m3": 2.0, "u_m3": 0.05,
            },
            "cleared": {"low_s": 90 * DAY_S, "mid_s": 90 * DAY_S, "high_s": 90 * DAY_S},
            "words": {"drinking": "", "fills": ""},
        },
    ),
    dimension="time",
    held_by=("in-doubt",),
    said_by=("low", "haul-by"),
)  # fmt: skip
