"""*icing*: by what the air did there is likely ice in something listed."""

from __future__ import annotations

from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import HOUR_MS, Severity, Timing
from holdwater.alerts.system import judge
from holdwater.alerts.telling import Telling, cut, hour_text

TANKS = ("tank", "tank skin")


def short(told: Telling) -> str:
    """The text message."""
    what = told.words.get("what", "")
    if told.is_over:
        head = f"No ice likely in {cut(told.subject, 24)} for a day."
        return f"{head} Not the all-clear: a split shows now. Look at it, and at the ground beneath it."
    ice = told.numbers.get("ice", 0.0)
    share = "a film" if ice < 0.05 else f"about {ice:.0%} of its water"
    head = f"Ice likely in {cut(told.subject, 24)} since {told.when(_ms(told, 'since_ms'))} ({share})"
    if what in TANKS:
        return f"{head}. Do not climb in, lean in or break it by hand. Keep room above the water."
    if what == "screen":
        return f"{head}. Do not work on an icy roof. Melt may run over it."
    if what == "sensor":
        return f"{head}. Do not go by what it shows until it has thawed."
    blocked = ""
    if "blocked_ms" in told.numbers:
        blocked = f", blocked by {hour_text(_ms(told, 'blocked_ms'), told.zone, told.measure)}"
    return f"{head}{blocked}. Do not force it. Shut its supply, thaw gently, no flame."


def _ms(told: Telling, key: str) -> int:
    return int(told.numbers.get(key, told.at_ms))


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return f"{short(told)} Watch the levels for a loss over the next day."
    return (
        f"{short(told)} It is reckoned from the air, from what was noted and from how the thing is made, not seen. If it is empty or "
        "drained, note it so (holdwater note drained --exposure NAME) and this ends. Ice holds a split shut until it melts. Heat tape "
        "only if listed for the pipe, on a GFCI outlet, never overlapped. Local codes and licensed people decide."
    )


KIND = Kind(
    name="icing",
    title="icing",
    severity=Severity.TODAY,
    defaults=Defaults(
        timing=Timing(raise_after_ms=0, clear_after_ms=24 * HOUR_MS, raise_count=1, clear_count=12, stale_ms=3 * HOUR_MS)
    ),
    listens=(),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "The air of the last hours and days has frozen at least a tenth of the water in something listed (a two-hundredth of a tank's), "
        "as its heat balance has it. It goes when there was no ice in it for a day, or when it is noted as drained. "
        "An iced level sensor is told as a level in doubt instead. What to do: thaw it gently, look for splits. Reckoned, not seen."
    ),
    samples=(
        {
            "subject": "cabin-spigot",
            "numbers": {"ice": 0.12, "since_ms": 1_790_590_000_000.0, "blocked_ms": 1_790_608_000_000.0},
            "words": {"what": "spigot"},
            "cleared": {"ice": 0.0},
        },
        {
            "subject": "cabin-tank",
            "numbers": {"ice": 0.022, "since_ms": 1_790_590_000_000.0},
            "words": {"what": "tank", "tank": "cabin"},
            "cleared": {"ice": 0.0},
        },
        {
            "subject": "leaf-screen",
            "numbers": {"ice": 0.9, "since_ms": 1_790_590_000_000.0},
            "words": {"what": "screen"},
            "cleared": {"ice": 0.0},
        },
        {
            "subject": "well-sensor",
            "numbers": {"ice": 0.3, "since_ms": 1_790_590_000_000.0},
            "words": {"what": "sensor"},
            "cleared": {"ice": 0.0},
        },
    ),
)  # fmt: skip
