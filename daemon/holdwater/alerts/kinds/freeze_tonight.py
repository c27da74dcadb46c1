"""*freeze tonight*: something listed is likely enough to freeze in the coming night that acting pays; one notice a cold spell."""

from __future__ import annotations

from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import Severity, Timing
from holdwater.alerts.system import judge
from holdwater.alerts.telling import SHORT_MAX, Telling, cut, hour_text
from holdwater.freeze.deeds import CAUTIONS

THAW_C = 10.0 / 9.0  # 34 degF
LIKELY = 0.5
TAIL = " Only listed spots are watched. Tick off when done."


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return _over(told)
    say = {"morning": _morning, "missed": _missed, "blind": _blind, "done": _done}.get(_step(told), _evening)
    return say(told)


def _step(told: Telling) -> str:
    return told.words.get("step", "call")


def _evening(told: Telling) -> str:
    """What the air will do, and what to see to; as many names as fit."""
    chance = told.numbers.get("chance", 1.0)
    head = "Freeze tonight" if chance >= LIKELY else f"May freeze tonight ({chance:.0%})"
    if _step(told) == "colder":
        head = "Tonight colder than said"
    low, high = told.temperature("p10_c").rstrip("FC"), told.temperature("p90_c").rstrip("FC")
    near_ms = told.numbers.get("near_ms")
    near = "" if near_ms is None else f" near {hour_text(int(near_ms), told.zone, told.measure)}"
    when = "Before dark" if told.words.get("when") == "afternoon" else "Now"
    head = f"{head}: about {told.temperature('p50_c')} ({low} to {high}){near}. {when}: "
    names = _names(told)
    for count in range(len(names), 0, -1):
        more = f", {len(names) - count} more" if count < len(names) else ""
        for tail in (TAIL, " Tick off when done."):
            line = f"{head}{_deeds(told, names[:count])}{more}.{tail}"
            if len(line) <= SHORT_MAX:
                return line
    return f"{head}see the list of {len(names)}.{TAIL}"


def _names(told: Telling) -> list[str]:
    return [each for each in told.words.get("names", "").split("|") if each]


def _deeds(told: Telling, names: list[str]) -> str:
    """What to do, by deed: ``drain garden-spigot and shed-pipe, cover cabin-tank``."""
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(told.words.get(f"deed:{name}", "look after"), []).append(name)
    return ", ".join(f"{deed} {_row(some)}" for deed, some in found.items())


def _row(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _thaw(told: Telling) -> str:
    return told.measure.temperature_text(THAW_C)


def _morning(told: Telling) -> str:
    return (
        f"Night over: {told.temperature('came_c')}. Not the all-clear: splits show at thaw. Look at every valve once above {_thaw(told)}. "
        "From then I watch closer for loss for 24 h."
    )


def _missed(told: Telling) -> str:
    return (
        f"Night over: {told.temperature('came_c')}, colder than I said. Splits show at thaw. Look at every valve once above {_thaw(told)}. "
        "From then I watch closer for loss for 24 h."
    )


def _blind(told: Telling) -> str:
    since_ms = told.numbers.get("last_ms")
    since = "" if since_ms is None else f" since {told.when(int(since_ms))}"
    last = "" if "came_c" not in told.numbers else f" Last night {told.temperature('came_c')}."
    head = f"Cannot tell tonight's frost: no outside air{since}.{last} Read a thermometer before dark; in doubt drain "
    return head + cut(told.words.get("spots") or "what can freeze", SHORT_MAX - 1 - len(head)).rstrip(".") + "."


def _done(told: Telling) -> str:
    head, tail = (
        "Ticked off: ",
        ". Nothing else listed needs doing tonight. Write down what you open again: holdwater note opened.",
    )
    return head + cut(told.words.get("done", "all"), SHORT_MAX - len(head) - len(tail)).rstrip(".") + tail


def _over(told: Telling) -> str:
    lowest = f", lowest {told.temperature('coldest_c')}" if "coldest_c" in told.numbers else ""
    return (
        f"Cold spell over after {told.lasted}{lowest}. Not the all-clear: look at every valve and pipe before water is let in. "
        "Note what you open."
    )


def long(told: Telling) -> str:
    """The longer text."""
    text = short(told)
    if told.is_over:
        done = told.words.get("done")
        kept = f" Still drained or covered by your notes: {done}." if done else ""
        return f"{text}{kept} Watch the levels for a loss over the next day. Only listed spots are watched."
    step = _step(told)
    if step in ("morning", "missed"):
        spots = told.words.get("spots")
        below = f" It was below the limit of {spots}." if spots else ""
        return (
            f"{text}{below} Ice holds a split shut until it melts. Never thaw a pipe with a flame. Local codes decide."
        )
    if step in ("blind", "done"):
        return f"{text} No notice is no proof. {CAUTIONS}"
    things = " ".join(_thing(told, each) for each in _names(told))
    done = told.words.get("done")
    kept = f" Already drained or covered by your notes: {done}." if done else ""
    return f"{text} {things}{kept} {CAUTIONS}"


def _thing(told: Telling, name: str) -> str:
    """One exposure in a sentence."""
    numbers = told.numbers
    limit, chance, since = (numbers.get(f"{key}:{name}") for key in ("limit_c", "chance", "from_ms"))
    text = f"{name[:1].upper()}{name[1:]} can freeze"
    if limit is not None:
        text += f" below {told.measure.temperature_text(limit)}"
    if since is not None:
        text += f", from about {hour_text(int(since), told.zone, told.measure)}"
    return text + ("." if chance is None else f", chance {chance:.0%}.")


NIGHT = {"p10_c": -6.7, "p50_c": -4.4, "p90_c": -1.7, "near_ms": 1_790_602_000_000.0, "chance": 0.93, "count": 3.0,
         "limit_c:garden-spigot": 1.1, "chance:garden-spigot": 0.93, "from_ms:garden-spigot": 1_790_570_000_000.0}  # fmt: skip
DEEDS = {"deed:garden-spigot": "drain", "deed:cabin-spigot": "drain", "deed:cabin-tank": "cover"}
CALL = {"step": "call", "when": "afternoon", "names": "garden-spigot|cabin-spigot|cabin-tank", **DEEDS}
MANY = "|".join(f"spigot-number-{number}" for number in range(9))

KIND = Kind(
    name="freeze-tonight",
    title="freeze tonight",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=0, raise_count=1, clear_count=1)),
    listens=(),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "For a listed exposure the chance that it freezes in the coming night, times what that would cost, is more than acting costs. It "
        "comes at 15:00, or from two hours after sunset on when the evening is colder than it looked; a chance too small to be told from "
        "few nights calls nobody. One notice a cold spell: it says more when something new has to be seen to, when all is ticked off "
        "(holdwater note drained --exposure NAME), and on each morning after a night below the limit of something listed. It goes with "
        "the second afternoon in a row on which nothing is near its limit. Without outside air at 15:00 it says that it cannot tell. "
        "What to do: unhook hoses, drain what is named, before dark. Only listed spots are watched: no notice is no proof. "
        "Local codes and licensed people decide."
    ),
    samples=(
        {
            "subject": "air",
            "numbers": NIGHT,
            "words": CALL,
            "updated": {"came_c": -8.3},
            "updated_words": {"step": "morning", "spots": "garden-spigot and cabin-tank"},
            "cleared": {"coldest_c": -8.3},
            "cleared_words": {"done": "garden-spigot and cabin-spigot"},
        },
        {
            "subject": "air",
            "numbers": NIGHT | {"chance": 0.12, "p50_c": 2.2, "p10_c": -0.4, "p90_c": 4.6},
            "words": CALL | {"when": "evening", "names": MANY},
            "updated": {"came_c": -2.8},
            "updated_words": {"step": "missed", "spots": "garden-spigot"},
            "cleared": {},
            "cleared_words": {},
        },
        {
            "subject": "air",
            "numbers": {"last_ms": 1_790_570_000_000.0, "came_c": -4.4},
            "words": {"step": "blind", "spots": "garden-spigot, cabin-spigot and the pipe behind the shed by the well"},
            "updated": {},
            "updated_words": {
                "step": "done",
                "done": "garden-spigot, cabin-spigot and the pipe behind the shed by the well",
            },
            "cleared": {"coldest_c": -8.3},
        },
        {
            "subject": "air",
            "numbers": NIGHT | {"p50_c": -9.4},
            "words": CALL | {"step": "colder", "done": "shed-pipe"},
            "cleared": {"coldest_c": -31.0},
        },
    ),
)
