"""The page of tonight: the air to come, what can freeze by it, what to tick off, and how the nights before came out."""

from __future__ import annotations

import asyncio
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from holdwater.config.exposures import OF_TANK
from holdwater.freeze.deeds import DEEDS
from holdwater.freeze.done import KINDS, Done
from holdwater.freeze.evening import AFTER_SUNRISE_MS
from holdwater.freeze.exposure import Risk
from holdwater.freeze.past import AFTERNOON, EVENING, PastNight, Said, marks, past_nights, season_of, tally
from holdwater.freeze.sun import HOUR_MS
from holdwater.freeze.tonight import Tonight
from holdwater.look import Look, tonight_of
from holdwater.web.charts.tonight import NARROW, WIDE, tonight_svg
from holdwater.web.words import clock, listed, moment

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from holdwater.web.pages import Pages
    from holdwater.web.view import Scene

DRAWN_MS = 15 * HOUR_MS
SEASON_MS = 370 * 24 * HOUR_MS
NIGHTS = 14
HYPHEN = "\N{NON-BREAKING HYPHEN}"
LIKELY = 0.5
CAUTIONS = (
    "Pump and water heater off before a line is drained. Leave no hose on: it keeps even a frost-free spigot full.",
    "A trickle spends drinking water. Heat tape only if listed for the pipe, on a GFCI outlet, never overlapped. Never thaw by flame.",
    "Only listed spots are watched: no word is no proof. Local codes and licensed people decide.",
)


@dataclass(frozen=True, slots=True)
class SpotView:
    """One thing that can freeze.

    Attributes:
        name: its name in the config.
        kind: what it is.
        says: what tonight means for it, in short lines.
        do: what to do; empty for nothing.
        done: what was noted of it, with the time; empty where nothing was.
        buttons: (kind of note, words) that can be pressed.
    """

    name: str
    kind: str
    says: tuple[str, ...]
    do: str
    done: str
    buttons: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class NightView:
    """One past night, as text; `inside` says whether it came within the band told after sunset."""

    day: str
    afternoon: str
    evening: str
    came: str
    inside: str
    warned: str
    below: str


@dataclass(frozen=True, slots=True)
class TonightView:
    """The whole page."""

    head: str
    tone: str
    lines: tuple[str, ...]
    wide: str
    narrow: str
    todo: tuple[SpotView, ...]
    rest: tuple[SpotView, ...]
    nights: tuple[NightView, ...]
    score: tuple[str, ...]
    heading: str = "Before dark"
    cautions: tuple[str, ...] = CAUTIONS


class TonightPages:
    """Handlers of `/tonight`."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages
        self._kept: tuple[tuple[object, ...], TonightView] | None = None

    async def show(self, request: Request) -> Response:
        """What the air will do, and the list."""
        scene = self._pages.scene(request)
        view = await asyncio.get_running_loop().run_in_executor(self._pages.draw, self._view, scene)
        return self._pages.page("tonight.html", request, view=view, uid=secrets.token_hex(10))

    async def done(self, request: Request) -> Response:
        """Tick something off the list, or put it back."""
        form = await self._pages.form(request)
        name, kind, uid = form.get("exposure", ""), form.get("kind", ""), form.get("uid", "")
        if name not in self._pages.scene(request).site.exposures or kind not in KINDS:
            raise HTTPException(400, "That is not on the list. Open the page again and press a button there.")
        if not re.fullmatch(r"[0-9a-f]{20}", uid):
            raise HTTPException(400, "Open the page again and press the button there.")
        answer = await self._pages.ask("note", {"kind": kind, "exposure": name, "uid": f"{uid}-{name}"[:64]})
        if "error" in answer:
            raise HTTPException(409, str(answer["error"]))
        self._kept = None
        return RedirectResponse("/tonight", status_code=303)

    def _view(self, scene: Scene) -> TonightView:
        """Read and draw; on the drawing thread, and kept for a minute."""
        key = (scene.measure, scene.snapshot.newest_ms, scene.now_ms // 60_000)
        kept = self._kept
        if kept is not None and kept[0] == key:
            return kept[1]
        with self._pages.reader() as reader:
            look = Look(reader, scene.now_ms)
            told = tonight_of(scene.site, reader, scene.now_ms)
            air = look.air(scene.site.air_series, span_ms=DRAWN_MS)
            rows = reader.forecasts(scene.now_ms - SEASON_MS, scene.now_ms + 1)
            done = look.done()
        past = [each for each in air.readings if each.at_ms >= scene.now_ms - DRAWN_MS]
        wide, narrow = (
            tonight_svg(told, past, scene.measure, scene.site.timezone, "", sheet) for sheet in (WIDE, NARROW)
        )
        view = view_of(told, scene, done, past_nights(rows), wide, narrow)
        self._kept = key, view
        return view


def view_of(
    told: Tonight, scene: Scene, done: dict[str, Done], nights: Sequence[PastNight], wide: str = "", narrow: str = ""
) -> TonightView:
    """What the page says.

    Args:
        told: of tonight.
        scene: site, units, time.
        done: what is drained or covered.
        nights: past nights, oldest first.
        wide: the picture for wide screens; empty where there is nothing to draw.
        narrow: for narrow ones.
    """
    todo = [_spot(each, told, scene, done) for each in told.to_do]
    named = {each.name for each in todo}
    rest = [_spot(each, told, scene, done) for each in told.risks if each.exposure.name not in named]
    drawn = told.forecast is not None
    head, tone, lines = _head(told, scene)
    return TonightView(
        head, tone, lines, wide if drawn else "", narrow if drawn else "", tuple(todo), tuple(rest),
        tuple(_night(each, scene) for each in reversed(nights[-NIGHTS:])), _score(nights, scene),
        "Before dark" if told.forecast is None or told.forecast.daylight else "To do now",
    )  # fmt: skip


def _head(told: Tonight, scene: Scene) -> tuple[str, str, tuple[str, ...]]:
    """The sentence at the top, its tone, and the figures below it."""
    measure, zone, word = scene.measure, scene.site.timezone, told.forecast
    if not scene.snapshot.clock_trusted:
        return "Cannot tell tonight: the clock of this box is not trusted yet.", "", ()
    if word is None:
        text = f"Cannot tell tonight: {told.why}."
        if told.issue is None and "15:00" in told.why:
            text = f"The first word of tonight comes at {clock(_three(scene), zone, measure)}."
            return text, "", ("Until then the list says how things stand now.",)
        return text, "act-today", ("Read a thermometer before dark. In doubt, drain what can freeze.",)
    low, middle, high = (measure.temperature_text(each) for each in (word.p10_c, word.p50_c, word.p90_c))
    near = clock(round((word.end_ms - AFTER_SUNRISE_MS) / HOUR_MS) * HOUR_MS, zone, measure)
    lines = (
        f"Four nights in five it stays between {low} and {high}, lowest near {near}.",
        f"Below {measure.temperature_text(0.0)} with a chance of {percent(word.chance_below(0.0))}. "
        f"Word of {moment(word.issued_ms, zone, measure)}.",
    )
    if not told.to_do:
        return f"Tonight about {middle}. Nothing on the list needs doing.", "", lines
    names = [each.exposure.name.replace("-", HYPHEN) for each in told.to_do]
    some = listed(names) if len(names) < 4 else f"{', '.join(names[:3])} and {len(names) - 3} more"
    when = "before dark" if word.daylight else "now"
    return f"Tonight about {middle}. See to {some} {when}.", "act-today", lines


def _three(scene: Scene) -> int:
    """Three in the afternoon of the household's clock."""
    from holdwater.freeze.sun import local_date, local_hour_ms  # noqa: PLC0415 -- only here

    return local_hour_ms(local_date(scene.now_ms, scene.site.timezone), 15, scene.site.timezone)


def percent(chance: float) -> str:
    """A chance in whole percent, never as certain where it is not: ``under 1 %``, ``over 99 %``."""
    if 0 < chance < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < chance < 1 else f"{chance:.0%}".replace("%", " %")


def _spot(each: Risk, told: Tonight, scene: Scene, done: dict[str, Done]) -> SpotView:
    exposure, noted = each.exposure, done.get(each.exposure.name)
    how = f"{noted.kind.capitalize()}, noted {scene.when(noted.at_ms)}" if noted is not None else ""
    buttons: tuple[tuple[str, str], ...] = (("opened", "Opened again"),)
    if noted is None:
        buttons = (
            (("covered", "Covered"),)
            if exposure.kind in (*OF_TANK, "sensor")
            else (("drained", "Drained"), ("covered", "Covered"))
        )
    if exposure.drained:
        buttons = ()
    do = DEEDS[exposure.kind] if each.act else ""
    return SpotView(exposure.name, exposure.kind, _says(each, told, scene), do[:1].upper() + do[1:], how, buttons)


def _says(each: Risk, told: Tonight, scene: Scene) -> tuple[str, ...]:
    """What tonight means for an exposure."""
    measure = scene.measure
    if each.state == "not known":
        return (f"cannot tell: {each.why}",) if told.forecast is not None or told.issue is not None else ()
    fixed = {
        "drained": "no water in it" if each.done else "drained for the season",
        "empty": "no water in it",
        "safe": "does not freeze in such a night",
    }
    if each.state in fixed:
        return (fixed[each.state],)
    lines = [f"chance {percent(each.chance or 0.0)}"]
    if each.state == "frozen":
        lines = ["ice is likely in it now"]
    elif each.limit_c is not None:
        lines.append(f"freezes when the air falls below {measure.temperature_text(each.limit_c)}")
    if each.from_ms is not None and each.hours_below_cold > 0:
        lines.append(
            f"in a cold night below it from about {clock(each.from_ms, scene.site.timezone, measure)}, {_hours(each)}"
        )
    return tuple(lines)


def _hours(each: Risk) -> str:
    low, high = round(each.hours_below), round(each.hours_below_cold)
    return f"{high} h" if low == high else f"{low} to {high} h"


def _night(each: PastNight, scene: Scene) -> NightView:
    measure = scene.measure
    came = "–" if each.lowest_c is None else measure.temperature_text(each.lowest_c)
    pair = each.told(EVENING) or each.told(AFTERNOON)
    inside = "" if pair is None else "within" if pair[0].p10_c <= pair[1] <= pair[0].p90_c else "outside"
    afternoon, evening = (_told(each.said.get(issue), scene) for issue in (AFTERNOON, EVENING))
    day = f"{each.day:%a} {each.day.day} {each.day:%b}"
    return NightView(day, afternoon, evening, came, inside, ", ".join(each.called) or "–", ", ".join(each.below) or "–")


def _told(said: Said | None, scene: Scene) -> str:
    if said is None:
        return "–"
    middle, low, high = (round(scene.measure.temperature(each)) for each in (said.p50_c, said.p10_c, said.p90_c))
    return f"{middle} ({low} to {high})"


def _score(nights: Sequence[PastNight], scene: Scene) -> tuple[str, ...]:
    """How often the season's words were right."""
    season = season_of(nights, scene.site.latitude or 0.0)
    if not season:
        return ()
    lines = [f"This winter: {tally(season).words()}"]
    for issue, when in ((AFTERNOON, "in the afternoon"), (EVENING, "after sunset")):
        found = marks(season, issue)
        if found is not None:
            size = scene.measure.temperature(found.mae_c) - scene.measure.temperature(0.0)
            lines.append(
                f"Told {when}: off by {size:.1f} °{scene.measure.temperature_unit} on average over {found.nights} nights; "
                f"{percent(found.covers)} came within the band, 80 % are meant to."
            )
    return tuple(lines)
