"""*in doubt*: the level of a tank has been unknown or suspect for a while."""

from __future__ import annotations

from holdwater.alerts.facts import LevelFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import Verdict
from holdwater.alerts.telling import Telling
from holdwater_sensors.quality import WORDS, Reason, reason_of


def judge(fact: LevelFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """Beyond for every reading that cannot be trusted, back for every one that can."""
    if fact.trusted_m3 is not None:
        return Judgement(fact.tank, Verdict.BACK, (("on_hand_m3", fact.trusted_m3), ("u_m3", fact.u_m3)))
    reason = reason_of(fact.quality)
    if reason is Reason.LINK:
        return None  # *link shut* tells of vessels that stand apart
    numbers: tuple[tuple[str, float], ...] = ()
    trusted = view.trusted(fact.tank)
    if trusted is not None:
        numbers = (("trusted_ms", float(trusted[0])), ("trusted_m3", trusted[1]), ("trusted_u_m3", trusted[2]))
    words = "no level" if reason is Reason.NONE else WORDS[reason]
    return Judgement(fact.tank, Verdict.BEYOND, numbers, (("reason", words),))


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        now = told.volume("on_hand_m3")
        return f"{told.name} level known again: {now}. It was in doubt for {told.lasted}. Check it once against a dip stick."
    text = f"{told.name} level UNKNOWN since {told.when()}: {told.words.get('reason', 'no level')}."
    trusted = told.numbers.get("trusted_m3")
    last = "" if trusted is None else f" Last trusted {told.volume('trusted_m3', 'trusted_u_m3')}."
    ending = " Do not plan on it. Read the sight tube or a clean dip stick."
    return next(
        each for each in (f"{text}{last}{ending}", f"{text}{ending}", f"{text} Dip the tank.") if len(each) <= 160
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return f"{short(told)} Notices about its level come again."
    trusted = told.numbers.get("trusted_ms")
    at = "" if trusted is None else f" The last trusted reading was at {told.when(int(trusted))}."
    return (
        f"{short(told)}{at} While it lasts, notices about this tank's level are held back: no message is no proof that it is full. "
        "Never lean or climb into a tank to read it."
    )


KIND = Kind(
    name="in-doubt",
    title="in doubt",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=20 * MIN_MS, clear_after_ms=20 * MIN_MS, raise_count=3)),
    listens=(LevelFact,),
    judge=judge,
    held_by=("disagree",),
    short=short,
    long=long,
    manual=(
        "Every reading of a tank's level over 20 minutes, three or more, was unknown, suspect or rejected. It holds back the other "
        "notices about that tank's level and says so. It goes when every reading over 20 minutes can be trusted. "
        "What to do: read the level by hand, then look at the sensor."
    ),
    samples=(
        {
            "numbers": {"trusted_m3": 0.556, "trusted_ms": 1_790_550_000_000.0, "trusted_u_m3": 0.009},
            "cleared": {"on_hand_m3": 0.5, "u_m3": 0.01},
            "words": {"reason": "stuck at one value"},
        },
        {"numbers": {}, "cleared": {"on_hand_m3": 0.5, "u_m3": 0.01}, "words": {"reason": "no level"}},
    ),
)
