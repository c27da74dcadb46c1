"""The time from the phone: a page opened on a board that does not know the time offers to take it from there."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse

from holdwater.noting import local_ms

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from holdwater.config.site import Site
    from holdwater.web.pages import Pages

NO_TIME = "That is no date and time. Write it like 2026-10-28 17:20, on the clock of this place."
NO_SCRIPT = "This browser did not send its time. Type the time instead."


class ClockPages:
    """Handler of `/time`."""

    def __init__(self, pages: Pages, site: Site) -> None:
        self._pages = pages
        self._site = site

    async def take(self, request: Request) -> Response:
        """Take the time of the phone, or the one typed; a page in words when it is not taken."""
        form = await self._pages.form(request)
        typed, phone = form.get("at", "").strip(), form.get("ms", "")
        wall_ms = int(phone) if re.fullmatch(r"[0-9]{12,14}", phone) else local_ms(typed, self._site)
        if wall_ms is None:
            return self._said(request, NO_TIME if typed else NO_SCRIPT, offer=True)
        if self._pages.scene(request).snapshot.clock_trusted:
            return self._said(request, "The clock is trusted already. Nothing was changed.", code=409)
        body = {"source": "phone", "wall_ms": wall_ms, "sure": form.get("sure") == "1"}
        answer = await self._pages.ask("time", body)
        if answer.get("ask") == "sure":
            return self._said(request, _sentence(answer["error"]), sure=True, typed=typed)
        if "error" in answer or answer.get("clock") != "trusted":
            return self._said(request, _sentence(answer.get("error", answer.get("clock", ""))), offer=True)
        return RedirectResponse("/", status_code=303)

    def _said(
        self, request: Request, words: str, *, code: int = 400, sure: bool = False, typed: str = "", offer: bool = False
    ) -> Response:
        title = "Is this the time?" if sure else "The time was not taken"
        answer = self._pages.page("time.html", request, title=title, words=words, sure=sure, typed=typed, offer=offer)
        answer.status_code = code
        return answer


def _sentence(words: object) -> str:
    text = str(words)
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "?")) else ".")
