"""The pages: from a request to an answer. Reading changes nothing; what changes anything goes through the door."""

from __future__ import annotations

import asyncio
import json
import logging
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import parse_qs

from jinja2 import Environment
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

from holdwater.config.site import Site
from holdwater.door import Door
from holdwater.errors import BusyError, HoldwaterError, UsageError
from holdwater.snapshot import Snapshot
from holdwater.units import Measure
from holdwater.web.charts.data import Sign
from holdwater.web.charts.season import NARROW, season_svg, sign_when
from holdwater.web.charts.section import section_svg
from holdwater.web.choice import LIGHTS, PATHS, RANGES, UNITS, Span, light_of, measure_of, span_of, way_back
from holdwater.web.clock import ClockPages
from holdwater.web.guard import BodyTooLong, body_of
from holdwater.web.history import day_lines, last_day, read_season
from holdwater.web.notes import NotePages
from holdwater.web.notices import NoticePages
from holdwater.web.sources import History
from holdwater.web.static_files import StaticFile
from holdwater.web.tonight import TonightPages
from holdwater.web.view import QUIET_HOURS, NowView, Scene, TankView, now_view, quiet_choices
from holdwater.web.words import local

log = logging.getLogger("holdwater.web")

SEASONS_KEPT = 6
"""Drawn seasons held in memory; each about 200 kB."""

HEARTBEAT_MS = 120_000
"""The loop swaps its snapshot at least with every tick (10 s); older than this it hangs, and /health says so."""

COOKIE_S = 365 * 86400


@dataclass(frozen=True, slots=True)
class Drawn:
    """A season as drawn, for wide and for narrow screens, with its signs and their days. Its rows are let go."""

    wide: str
    narrow: str
    signs: Sequence[tuple[Sign, str]]


@dataclass(frozen=True, slots=True)
class Sources:
    """All that the pages read from and speak to."""

    site: Site
    snapshot: Callable[[], Snapshot]
    reader: Callable[[], History]
    door: Door
    now_ms: Callable[[], int]


class Pages:
    """Handlers of all routes. Two threads, one that draws and one that waits at the door, leave the server free."""

    def __init__(self, sources: Sources, templates: Environment, files: Mapping[str, StaticFile]) -> None:
        self._from = sources
        self._templates = templates
        self._files = files
        self.draw = ThreadPoolExecutor(1, thread_name_prefix="page-draw")
        self._asks = ThreadPoolExecutor(1, thread_name_prefix="page-ask")
        self._seasons: OrderedDict[tuple[object, ...], Drawn] = OrderedDict()
        self.notes = NotePages(self, sources.site)
        self.notices = NoticePages(self)
        self.tonight = TonightPages(self)
        self.clock = ClockPages(self, sources.site)

    def close(self) -> None:
        """End the two threads."""
        self.draw.shutdown(wait=False, cancel_futures=True)
        self._asks.shutdown(wait=False, cancel_futures=True)

    # Reading

    async def now(self, request: Request) -> Response:
        """What is on hand, and what to do."""
        scene = self.scene(request)
        view = now_view(scene)
        pictures = [_picture(tank, scene.measure) for tank in view.tanks]
        said = self.notes.said(request.query_params.get("noted", ""))
        return self.page("now.html", request, view=view, pictures=pictures, quiet=quiet_choices(scene), said=said)

    async def api_now(self, request: Request) -> Response:
        """The same as data, for our script and for others on the household's network."""
        scene = self.scene(request)
        return JSONResponse(_as_data(now_view(scene), scene))

    async def season(self, request: Request) -> Response:
        """The season in lanes."""
        measure, span = measure_of(request, self._from.site.measure), self._span(request)
        last = self._last(span)
        drawn = await asyncio.get_running_loop().run_in_executor(self.draw, self._drawn, span, last, measure)
        return self.page("season.html", request, drawn=drawn, signs=drawn.signs, **self._range(span, last))

    async def table(self, request: Request) -> Response:
        """The season as a table."""
        measure, span = measure_of(request, self._from.site.measure), self._span(request)
        last = self._last(span)
        lines = await asyncio.get_running_loop().run_in_executor(self.draw, self._lines, span, last, measure)
        return self.page("table.html", request, lines=lines, measure=measure, **self._range(span, last))

    async def health(self, _: Request) -> Response:
        """`ok` while the loop's heart beats."""
        quiet_ms = self._from.now_ms() - self._from.snapshot().made_ms
        ok = quiet_ms <= HEARTBEAT_MS
        return PlainTextResponse("ok\n" if ok else "not ok\n", status_code=200 if ok else 503)

    async def static(self, request: Request) -> Response:
        """One of the page's own files."""
        file = self._files.get(request.path_params["name"])
        if file is None:
            raise HTTPException(404)
        headers = {"etag": file.etag, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == file.etag:
            return Response(status_code=304, headers=headers)
        return Response(file.body, media_type=file.kind, headers=headers)

    # Changing

    async def seen(self, request: Request) -> Response:
        """*Seen*: somebody knows of this notice."""
        form = await self.form(request)
        return await self._wish("seen", {"notice": request.path_params["id"]}, way_back(form.get("back", "/")))

    async def quiet(self, request: Request) -> Response:
        """*Quiet until*: no more messages about this notice for a while."""
        form = await self.form(request)
        hours = form.get("hours", "")
        if hours not in {str(each) for each, _ in QUIET_HOURS}:
            raise HTTPException(400, "For how long? Choose one of the times beside the button.")
        wish = {"notice": request.path_params["id"], "for_s": int(hours) * 3600}
        return await self._wish("quiet", wish, way_back(form.get("back", "/")))

    async def look(self, request: Request) -> Response:
        """Units and light of this reader: a cookie, nothing else."""
        form = await self.form(request)
        answer = RedirectResponse(way_back(form.get("back", "/")), status_code=303)
        for name, allowed in (("units", UNITS), ("light", LIGHTS)):
            if form.get(name) in allowed:
                answer.set_cookie(name, form[name], max_age=COOKIE_S, path="/", httponly=True, samesite="strict")
        return answer

    async def ask(self, what: str, body: dict[str, Any]) -> dict[str, Any]:
        """The door's answer to a wish; `error` in it when it cannot be carried out."""
        return await asyncio.get_running_loop().run_in_executor(self._asks, self._from.door.ask, what, body)

    async def form(self, request: Request) -> dict[str, str]:
        """Fields of one of our forms; see `form_of`."""
        return await form_of(request)

    async def _wish(self, what: str, body: dict[str, Any], back: str = "/") -> Response:
        answer = await self.ask(what, body)
        if "error" in answer:
            raise HTTPException(409, str(answer["error"]))
        return RedirectResponse(back, status_code=303)

    # Faults

    async def refused(self, request: Request, error: Exception) -> Response:
        """A page that says what went wrong and what to do."""
        code, words = 500, ""
        if isinstance(error, HTTPException):
            code, words = error.status_code, error.detail
        elif isinstance(error, BodyTooLong):
            code, words = 413, "That is longer than any form of this page."
        elif isinstance(error, UsageError):
            code, words = 400, error.words()
        elif isinstance(error, HoldwaterError):
            log.warning("page %s: %s", request.url.path[:200], error.words())
            code, words = (
                503,
                error.words()
                if isinstance(error, BusyError)
                else "The store cannot be read just now. Look at it again in a minute.",
            )
        title = TITLES.get(code, "That did not work")
        answer = self.page("error.html", request, title=title, words=words.splitlines(), code=code)
        answer.status_code = code
        if isinstance(error, HTTPException) and error.headers:
            answer.headers.update(error.headers)
        return answer

    # Inside

    def scene(self, request: Request) -> Scene:
        """What a page is made from, in this reader's units."""
        site = self._from.site
        return Scene(site, self._from.snapshot(), measure_of(request, site.measure), self._from.now_ms())

    def _span(self, request: Request) -> Span:
        return span_of(request.query_params, tuple(self._from.site.tanks))

    def _last(self, span: Span) -> date:
        """The last local day of a span."""
        now_ms, newest_ms = self._from.now_ms(), self._from.snapshot().newest_ms
        return span.to or last_day(self._from.site, span.days, newest_ms, now_ms)

    def _range(self, span: Span, last: date) -> dict[str, Any]:
        """What heading and links of a season need."""
        today = local(self._from.now_ms(), self._from.site.timezone).date()
        return {"span": span, "ranges": RANGES, "last": last, "today": today, "beside": span.beside(last, today)}

    def _drawn(self, span: Span, last: date, measure: Measure) -> Drawn:
        """Draw a season, or take it from memory. Runs on the drawing thread only, so one at a time."""
        now = self._from.now_ms()
        key = (span, last, measure, self._from.snapshot().newest_ms, now // 60_000)
        drawn = self._seasons.get(key)
        if drawn is None:
            with self._from.reader() as reader:
                season = read_season(
                    self._from.site, reader, measure, span.tanks, days=span.days, now_ms=now, last=last
                )
            signs = [(sign, sign_when(sign, season)) for sign in season.signs]
            drawn = self._seasons[key] = Drawn(season_svg(season), season_svg(season, NARROW), signs)
            while len(self._seasons) > SEASONS_KEPT:
                self._seasons.popitem(last=False)
        self._seasons.move_to_end(key)
        return drawn

    def _lines(self, span: Span, last: date, measure: Measure) -> Any:
        with self._from.reader() as reader:
            return day_lines(self._from.site, reader, measure, span.tanks, days=span.days, last=last)

    def now_ms(self) -> int:
        """Wall clock, ms UTC."""
        return self._from.now_ms()

    def reader(self) -> History:
        """The store, to be opened, read and closed on the drawing thread."""
        return self._from.reader()

    def page(self, template: str, request: Request, *, back: str = "", **values: Any) -> Response:
        """A page out of a template.

        Args:
            template: its file.
            request: what was asked for.
            back: where the switches of units and light lead back to; left out: here.
            values: what the template is made from.
        """
        site = self._from.site
        query = request.url.query if request.url.path in PATHS[1:] else ""
        path = request.url.path if request.url.path in PATHS else "/"
        text = self._templates.get_template(template).render(
            site=site,
            tank_names=list(site.tanks),
            light=light_of(request),
            units=measure_of(request, site.measure).system,
            back=back or (f"{path}?{query}" if query else path),
            path=path,
            year=local(self._from.now_ms(), site.timezone).year,
            **values,
        )
        return Response(text, media_type="text/html; charset=utf-8")


TITLES = {
    400: "That address is not right",
    403: "Not allowed",
    404: "There is no such page",
    405: "Not like this",
    409: "That could not be done",
    413: "Too long",
    415: "Not one of the page's forms",
    503: "Not just now",
}


async def form_of(request: Request) -> dict[str, str]:
    """Fields of one of our forms; the first of each name.

    Raises:
        HTTPException: 415 when it is no form.
        BodyTooLong: see `body_of`.
    """
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/x-www-form-urlencoded":
        raise HTTPException(415, "Open the page and press the button there.")
    body = await body_of(request)
    try:
        fields = parse_qs(body.decode("ascii"), max_num_fields=16)
    except ValueError:
        raise HTTPException(400, "That form cannot be read. Open the page and press the button there.") from None
    return {name: values[0] for name, values in fields.items()}


def _picture(tank: TankView, measure: Measure) -> str:
    return section_svg(tank.tank, tank.stand, measure, tank.reason)


def _as_data(view: NowView, scene: Scene) -> dict[str, Any]:
    tanks = []
    for tank in view.tanks:
        state = scene.snapshot.tank(tank.name)
        tanks.append(
            {
                "name": tank.name,
                "known": tank.known,
                "figure": tank.figure,
                "unit": tank.unit,
                "doubt": tank.doubt,
                "lines": list(tank.lines),
                "doubted": tank.doubted or tank.reason,
                "picture": _picture(tank, scene.measure),
                "on_hand_m3": state.on_hand_m3 if state else None,
                "u_m3": state.u_m3 if state and state.on_hand_m3 is not None else None,
                "depth_m": state.depth_m if state else None,
                "at_ms": state.at_ms if state else None,
            }
        )
    notices = json.dumps(
        [[n.id, n.severity, n.short, n.seen, n.quiet, n.easing] for n in view.notices]
        + [[w.name] for w in view.waiting]
        + [[view.clock]]
    )
    return {"day": view.day, "tone": view.tone, "made": view.made, "notices": notices, "tanks": tanks}
