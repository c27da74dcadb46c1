"""*haul by*: the last day to set out for a load, so that the reserve holds over the worst wait."""

from __future__ import annotations

from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import Verdict, below
from holdwater.alerts.telling import SHORT_MAX, Telling, days_text
from holdwater.alerts.water import source

DAY_S = 86400.0
AHEAD_S = 7 * DAY_S  # a week to plan a trip: common practice, no source
SHARE = 0.5  # and no sooner than half of what a load lasts, else small loads would be announced without end
LAST_S, LAST_BACK_S = DAY_S, 2 * DAY_S  # from the day before the last one on it is *act today*
SURGE = "A part-full load surges: mind payload, axles, tires and hitch."


def judge(fact: SystemFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """Beyond when the day is a week off or nearer; worse on the day before it and after."""
    left_s = fact.numbers.get("left_s")
    numbers, words = tuple(fact.numbers.items()), tuple(fact.named.items())
    given = Verdict(fact.verdict)
    if left_s is None or given is not Verdict.UNKNOWN:
        return None if given is Verdict.UNKNOWN else Judgement(fact.subject, given, numbers, words, upper=given)
    gained_s = fact.numbers.get("gained_s", 2 * AHEAD_S)
    raise_s = max(LAST_BACK_S, min(AHEAD_S, SHARE * gained_s)) if rule.raise_at is None else rule.raise_at
    clear_s = raise_s + DAY_S if rule.clear_at is None else max(raise_s, rule.clear_at)
    verdict, upper = below(left_s, raise_s, clear_s), below(left_s, LAST_S, LAST_BACK_S)
    return Judgement(fact.subject, verdict, numbers, words, upper=upper, edition=fact.edition)


def _what(told: Telling) -> str:
    if told.words.get("drinking"):
        return "drinking water" if told.subject.casefold() == "drinking" else f"drinking water to {told.name}"
    return f"water to {told.name} tank"


def _room(told: Telling) -> str:
    """Whether the load fits, and if not how much does and from when on it all does."""
    load_m3, fits_m3 = told.numbers.get("load_m3"), told.numbers.get("fits_m3")
    if load_m3 is None or fits_m3 is None:
        return "Look whether your load fits."
    load = told.volume("load_m3", "exact")
    if fits_m3 >= load_m3 * 0.999:
        return f"Your {load} load fits."
    later = "" if "fits_on_ms" not in told.numbers else f", all from {told.day('fits_on_ms')}"
    return f"Only {told.volume('fits_m3')} of your {load} load fits now{later}."


def short(told: Telling) -> str:
    """The text message."""
    what = _what(told)
    if told.is_over:
        return f"No need to haul {what} soon: {told.volume('on_hand_m3')} now. Check road and fill station before the next time."
    fills = told.words.get("fills")
    without = f", not counting {fills}" if fills else ""
    late = told.numbers.get("late", 0.0) > 0
    by = f"by {told.day('by_ms')}" if not late else "today: the day to be safe is past"
    stand = f"{told.volume('on_hand_m3')} now, reserve {_bare(told)}."
    open_ = " Road and fill station open?"
    head = f"Haul {what} {by}"
    texts = (
        f"{head}{without}. {stand} {_room(told)}{open_}",
        f"{head}. {stand} {_room(told)}{open_}",
        f"{head}. {stand} {_room(told)}",
    )
    return next((text for text in texts if len(text) <= SHORT_MAX), f"{head}. {stand}")


def _bare(told: Telling) -> str:
    """The reserve without its unit, which has just been said."""
    return told.volume("reserve_m3", "exact").split(" ")[0]


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    worst, usual = (told.numbers.get(key) for key in ("worst_wait_s", "usual_wait_s"))
    waits = ""
    if worst is not None and usual is not None and "reserve_on_ms" in told.numbers:
        waits = (
            f" At heavy use (one future in ten is worse) the reserve is reached on {told.day('reserve_on_ms')}; that day less your worst "
            f"wait of {days_text(worst)} is the day named. With the usual wait of {days_text(usual)} it is {told.day('by_usual_ms')}."
        )
    gained = told.numbers.get("gained_s")
    lasts = "" if gained is None else f" A load lasts about {days_text(gained)}."
    less = " Less than a full load: take a tank with baffles and drive slowly." if _is_part(told) else ""
    return f"{short(told)}{waits}{lasts}{less} {SURGE}{source(told)} This measures amount, not safety."


def _is_part(told: Telling) -> bool:
    return told.numbers.get("fits_m3", 0.0) < told.numbers.get("load_m3", 0.0) * 0.999


KIND = Kind(
    name="haul-by",
    title="haul by",
    severity=Severity.KNOW,
    upper=Severity.TODAY,
    defaults=Defaults(
        timing=Timing(raise_after_ms=60 * MIN_MS, clear_after_ms=60 * MIN_MS, raise_count=2)
    ),
    listens=(SystemFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "For a tank with `[tank.NAME.haul]`: the last day to set out is a week off or nearer, or half as long as a load lasts where "
        "that is less. It is the day on which the reserve is reached at heavy use (one future in ten is worse) less the worst wait; "
        "rain and wells are not counted on. It says whether the load fits. From the day before on it is *act today*. It goes when the "
        "day is a day farther off than that, or when a well has brought nine tenths of "
        "the use for two weeks; it is not told while a well brings six tenths. What to do: look whether "
        "road and fill station are open, then haul."
    ),
    samples=(
        {
            "numbers": {
                "by_ms": 1_791_050_400_000.0, "left_s": 5 * DAY_S, "late": 0.0, "reserve_on_ms": 1_791_828_000_000.0,
                "by_usual_ms": 1_791_568_800_000.0, "on_hand_m3": 0.5716, "u_m3": 0.008, "reserve_m3": 0.34069, "load_m3": 0.473176,
                "fits_m3": 0.473176, "worst_wait_s": 8 * DAY_S, "usual_wait_s": 2 * DAY_S, "gained_s": 11.4 * DAY_S,
                "fits_on_ms": 1_790_618_400_000.0,
            },
            "cleared": {"on_hand_m3": 1.045, "u_m3": 0.01},
            "words": {"drinking": "yes", "fills": "the well"},
        },
        {
            "numbers": {
                "by_ms": 1_790_618_400_000.0, "left_s": 0.0, "late": 1.0, "reserve_on_ms": 1_790_964_000_000.0,
                "by_usual_ms": 1_790_704_800_000.0, "on_hand_m3": 0.5716, "u_m3": 0.008, "reserve_m3": 0.34069, "load_m3": 0.9085,
                "fits_m3": 0.76, "worst_wait_s": 8 * DAY_S, "usual_wait_s": 2 * DAY_S, "gained_s": 21.8 * DAY_S,
                "fits_on_ms": 1_790_964_000_000.0,
            },
            "cleared": {"on_hand_m3": 1.33, "u_m3": 0.01},
            "words": {"drinking": "yes", "fills": "the well and rain"},
            "severity": Severity.TODAY,
        },
        {
            "subject": "stock",
            "numbers": {
                "by_ms": 1_791_050_400_000.0, "left_s": 5 * DAY_S, "late": 0.0, "on_hand_m3": 9.2, "u_m3": 0.2, "reserve_m3": 5.0,
                "load_m3": 3.785, "fits_m3": 3.785,
            },
            "cleared": {"on_hand_m3": 15.0, "u_m3": 0.2},
            "words": {"drinking": "", "fills": "rain"},
        },
    ),
    dimension="time",
    held_by=("in-doubt",),
)  # fmt: skip
