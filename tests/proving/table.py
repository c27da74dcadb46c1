"""One table of many scores."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from statistics import median

from proving.score import FREEZE_WITHIN, SILENT_WITHIN, STUCK_WITHIN, Score


def percent(part: int, whole: int) -> str:
    """Share in words."""
    return "-" if not whole else f"{100 * part / whole:.1f} % of {whole}"


def quantile(values: Sequence[float], share: float) -> float:
    """The value under which that share lies."""
    ranked = sorted(values)
    return ranked[min(len(ranked) - 1, int(share * len(ranked)))] if ranked else math.nan


def rows(scores: Sequence[Score]) -> Iterable[tuple[str, str]]:
    """What is promised, and what was found."""
    days = sum(each.days for each in scores)
    lost = [x for each in scores for x in each.valve_lost]
    seen = [x for x in lost if x is not None]
    yield "seasons, days", f"{len(scores)}, {days:.0f}"
    yield "valve open found (>= 95 %)", percent(len(seen), len(lost))
    yield (
        "gallons gone when told, median; 90 % (<= 40)",
        f"{median(seen):.1f}; {quantile(seen, 0.9):.1f}" if seen else "-",
    )
    false = [told for each in scores for told in each.false]
    valves = sum(told.kind == "valve-open" for told in false)
    yield "false valve open per 120 days (<= 1)", f"{valves * 120 / days:.2f}"
    yield from _low(scores)
    yield from _within(scores)
    kinds = Counter(told.kind for told in false)
    yield "all notices a week", f"{sum(each.told for each in scores) * 7 / days:.2f}"
    yield "  of them without a cause a week", f"{len(false) * 7 / days:.3f}  {dict(kinds)}"
    yield from _figures(scores)


def _low(scores: Sequence[Score]) -> Iterable[tuple[str, str]]:
    late = [x for each in scores for x in each.low_late]
    told = [x for x in late if x is not None]
    early = [x for each in scores for x in each.low_early]
    good = sum(-10 <= x <= 10 for x in told)
    yield "low told within 10 min of the crossing", percent(good, len(late))
    if told:
        spread = f"{quantile(told, 0.05):.0f} / {median(told):.0f} / {quantile(told, 0.95):.0f} min; not told {len(late) - len(told)}"
        yield "  when: 5 %, median, 95 %", spread
        under = [x for each in scores for x in each.low_under]
        yield (
            "  gallons under the reserve when told: median, most",
            f"{median(under):.2f}, {max(under):.2f}" if under else "-",
        )
    yield "  told though above the reserve", f"{len(early)}, by at most {max(early, default=0):.2f} gal"


def _within(scores: Sequence[Score]) -> Iterable[tuple[str, str]]:
    for name, limit in (("stuck", STUCK_WITHIN), ("silent", SILENT_WITHIN), ("freeze", FREEZE_WITHIN)):
        found = [x for each in scores for x in getattr(each, name)]
        good = [x for x in found if x is not None and x <= limit]
        longest = max((x for x in found if x is not None), default=math.nan)
        yield f"{name} told within {limit} min", f"{percent(len(good), len(found))}; latest {longest:.0f} min"
    yield "freezing told more often than once a spell", f"{sum(each.freeze_extra for each in scores)}"


def _figures(scores: Sequence[Score]) -> Iterable[tuple[str, str]]:
    for world, tank in sorted({(each.world, tank) for each in scores for tank in each.level}):
        mine = [each for each in scores if each.world == world]
        pairs = [pair for each in mine for pair in each.level[tank]]
        if not pairs:
            continue
        errors = [error for error, _ in pairs]
        inside = sum(abs(error) <= 2 * u for error, u in pairs)
        bias = sum(errors) / len(errors)
        u = median(u for _, u in pairs)
        yield (
            f"level of {world} {tank}",
            f"RMS {_rms(errors):.1f}, bias {bias:+.1f}, u {u:.1f} gal; within 2 u {percent(inside, len(pairs))}",
        )
        used = [x for each in mine for x in each.used.get(tank, ())]
        gone = [x for each in mine for x in each.gone.get(tank, ())]
        came = [x for each in mine for x in each.came.get(tank, ())]
        if used:
            took = [error for error, _ in gone]
            near = sum(abs(error) <= 2 * u for error, u in gone)
            yield (
                f"  a day's book of {world} {tank}",
                f"used RMS {_rms(used):.2f} ({sum(used) / len(used):+.2f}), "
                f"with unexplained {_rms(took):.2f} ({sum(took) / len(took):+.2f}) gal, "
                f"within 2 u {percent(near, len(gone))}; in RMS {_rms(came):.2f} ({sum(came) / len(came):+.2f})",
            )
    lasts = [x for each in scores for x in each.lasts]
    covered = sum(low <= true <= high for true, low, _, high in lasts)
    yield "days above reserve inside the range (80 %)", percent(covered, len(lasts))
    if lasts:
        yield "  said over true, median", f"{median(mid / max(true, 0.1) for true, _, mid, _ in lasts):.2f}"


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(sum(x * x for x in values) / len(values))


def text(scores: Sequence[Score]) -> str:
    """The table."""
    found = list(rows(scores))
    width = max(len(name) for name, _ in found)
    return "\n".join(f"{name:<{width}}  {value}" for name, value in found)
