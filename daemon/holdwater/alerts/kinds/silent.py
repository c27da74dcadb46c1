"""*silent*: nothing has come from a level sensor for three of its intervals."""

from __future__ import annotations

from holdwater.alerts.facts import SilenceFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import Judgement, Severity, Timing
from holdwater.alerts.states import Verdict
from holdwater.alerts.telling import Telling, cut


def judge(fact: SilenceFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """Beyond when silent for its limit; back only by something heard, never by time."""
    verdict = Verdict.BACK if fact.heard else Verdict.BEYOND if fact.for_s >= fact.limit_s else Verdict.UNKNOWN
    numbers: tuple[tuple[str, float], ...] = (("silent_s", fact.for_s),)
    if fact.last_ms is not None:
        numbers += (("last_ms", float(fact.last_ms)),)
    trusted = view.trusted(fact.tank)
    if trusted is not None:
        numbers += (("trusted_ms", float(trusted[0])), ("trusted_m3", trusted[1]), ("trusted_u_m3", trusted[2]))
    return Judgement(fact.series, verdict, numbers, (("tank", fact.tank),))


def short(told: Telling) -> str:
    """The text message."""
    box = cut(told.subject.split(":")[0], 16)
    tank = cut(told.words.get("tank", "its"), 16)
    if told.is_over:
        why = "If it was off for no clear reason, check its battery and cable."
        return f"Sensor box {box} is back. {tank.capitalize()} level is known again. {why}"
    last = told.numbers.get("last_ms")
    since = "yet" if last is None else f"since {told.when(int(last))}"
    level = f"{tank.capitalize()} level unknown. Read the sight tube or a dip stick."
    return f"Sensor box {box} SILENT: nothing {since}. {level} Check battery and cable."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return f"{short(told)} Series {cut(told.subject, 65)}. What it kept while it could not send comes in later."
    trusted = told.numbers.get("trusted_m3")
    known = ""
    if trusted is not None:
        at = told.when(int(told.numbers["trusted_ms"]))
        known = f" Last trusted {told.volume('trusted_m3', 'trusted_u_m3')}, {at}. Do not plan on it."
    return (
        f"{short(told)}{known} Series {cut(told.subject, 65)}. A low tank cannot be noticed while its sensor is silent."
    )


KIND = Kind(
    name="silent",
    title="silent",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=0, raise_count=1, clear_count=1)),
    listens=(SilenceFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "Nothing has come from a level sensor for three of its intervals (learned, or announced by the sensor box), and at least "
        "30 minutes. It goes when a reading comes, never by itself or by a restart. While the broker is away it is held back, "
        "since then everything is silent. What to do: read the level by hand, then look at battery, cable and radio."
    ),
    samples=(
        {
            "subject": "garden:gap",
            "numbers": {
                "silent_s": 3600.0,
                "last_ms": 1_790_593_000_000.0,
                "trusted_m3": 1.56,
                "trusted_ms": 1_790_593_000_000.0,
                "trusted_u_m3": 0.02,
            },
            "words": {"tank": "garden"},
        },
        {"subject": "cabin:gap", "numbers": {"silent_s": 3600.0}, "words": {"tank": "cabin"}},
    ),
    held_by=("broker",),
    lived=True,
)
