"""The page on which the household writes notes: a list of kinds, a form for each, and what came of sending one."""

from __future__ import annotations

import re
import secrets
from collections import OrderedDict
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from holdwater.config.site import Site
from holdwater.note_figures import EXAMPLE, QUANTITIES
from holdwater.noting import KINDS, Faults, NoteKind, offered, read_note, takes, usual_text
from holdwater.store.rows import NoteRow
from holdwater.units import Measure, parse
from holdwater.web.choice import measure_of
from holdwater.web.history import note_words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request
    from starlette.responses import Response

    from holdwater.web.pages import Pages

SAID_KEPT = 32
"""Confirmations held in memory until they are shown."""

LABELS = {
    "tank": "Which tank",
    "link": "Which valve",
    "exposure": "Which one",
    "volume": "How much",
    "depth": "How deep",
    "for": "For how long",
    "at": "When",
    "text": "In your own words",
}


@dataclass(frozen=True, slots=True)
class FieldView:
    """One field of the form.

    Attributes:
        name: its key.
        label: what it asks for.
        form: choice, figure, moment or words.
        value: as typed, or what stands in it at first.
        hint: how to fill it in.
        fault: what is wrong with it; empty when nothing is.
        choices: (value, words) of a choice.
        must: whether it may not stay empty.
    """

    name: str
    label: str
    form: str
    value: str
    hint: str
    fault: str
    choices: tuple[tuple[str, str], ...] = ()
    must: bool = False


class NotePages:
    """Handlers of `/note`."""

    def __init__(self, pages: Pages, site: Site) -> None:
        self._pages = pages
        self._site = site
        self._said: OrderedDict[str, str] = OrderedDict()

    def said(self, uid: str) -> str:
        """The confirmation of a note just written; empty for any other mark in the address."""
        return self._said.get(uid, "")

    async def serve(self, request: Request) -> Response:
        """The list of kinds or a form to read; a note to take."""
        return await (self.write(request) if request.method == "POST" else self.show(request))

    async def show(self, request: Request) -> Response:
        """The list of kinds, or the form of one."""
        name = request.query_params.get("kind")
        if name is None:
            groups = [(group, list(kinds)) for group, kinds in groupby(offered(self._site), lambda kind: kind.group)]
            return self._pages.page("note.html", request, groups=groups)
        return self._form(request, _kind(name), {}, {}, secrets.token_hex(10))

    async def write(self, request: Request) -> Response:
        """Take a note: back to the figures, or the same form with what is wrong beside each field."""
        typed = await self._pages.form(request)
        kind = _kind(typed.get("kind", ""))
        uid = typed.get("uid", "")
        if not re.fullmatch(r"[0-9a-f]{20}", uid):
            raise HTTPException(400, "Open the form again and send it from there.")
        body, faults = read_note(kind, typed, self._site, self._pages.now_ms())
        if not faults:
            answer = await self._pages.ask("note", {**body, "uid": uid})
            if "error" not in answer:
                self._say(uid, kind, body, measure_of(request, self._site.measure))
                return RedirectResponse(f"/?noted={uid}", status_code=303)
            faults = {"": str(answer["error"])}
        return self._form(request, kind, typed, faults, uid)

    def _say(self, uid: str, kind: NoteKind, body: Mapping[str, object], measure: Measure) -> None:
        row = NoteRow(0, uid, 0, 0, kind.name, in_si(body))
        self._said[uid] = f"Noted: {note_words(row, measure).rstrip('.')}."
        while len(self._said) > SAID_KEPT:
            self._said.popitem(last=False)

    def _form(self, request: Request, kind: NoteKind, typed: Mapping[str, str], faults: Faults, uid: str) -> Response:
        fields = fields_of(kind, typed, faults, self._site, measure_of(request, self._site.measure))
        answer = self._pages.page(
            "note_form.html", request, kind=kind, fields=fields, uid=uid, fault=faults.get("", ""),
            wrong=len(faults), back=f"/note?kind={kind.name.replace(' ', '+')}",
        )  # fmt: skip
        answer.status_code = 400 if faults else 200
        return answer


def _kind(name: str) -> NoteKind:
    kind = KINDS.get(name)
    if kind is None:
        raise HTTPException(404, "There is no such kind of note. Choose one of the list under Note.")
    return kind


def in_si(body: Mapping[str, object]) -> dict[str, object]:
    """A note's body with its quantities as the store holds them."""
    kept = {key: value for key, value in body.items() if key not in {*QUANTITIES, "kind", "at_ms"}}
    return kept | {
        name: parse(str(body[key]), dimension) for key, (name, dimension) in QUANTITIES.items() if key in body
    }


def fields_of(
    kind: NoteKind, typed: Mapping[str, str], faults: Faults, site: Site, measure: Measure
) -> tuple[FieldView, ...]:
    """The fields of a kind's form, in the order in which one thinks of them."""
    found = []
    for name in ("tank", "link", "exposure", "volume", "depth", "for", "at", "text"):
        need = "may" if name == "at" else takes(kind, name)
        choices = _choices(name, need == "must", site)
        if need == "no" or (choices is not None and len(choices) <= (0 if need == "must" else 1)):
            continue
        first = usual_text(kind) if name == "for" else ""
        if choices is not None and need == "must" and len(choices) == 1:
            first = choices[0][0]
        form = "choice" if choices is not None else {"at": "moment", "text": "words"}.get(name, "figure")
        found.append(
            FieldView(name, LABELS[name], form, typed.get(name, first), _hint(name, need == "must", measure),
                      faults.get(name, ""), choices or (), need == "must")
        )  # fmt: skip
    return tuple(found)


def _choices(name: str, must: bool, site: Site) -> tuple[tuple[str, str], ...] | None:
    if name == "tank":
        some = [(each, each) for each in site.tanks]
        return tuple(some if must else [("", "no one in particular"), *some])
    if name == "exposure":
        return (("", "none of the list"), *((each, each) for each in site.exposures))
    if name == "link":
        return tuple(
            (f"{tank.name}/{number}", f"{tank.name}: between {' and '.join(link.between)}")
            for tank in site.tanks.values()
            for number, link in enumerate(tank.links)
        )
    return None


def _hint(name: str, must: bool, measure: Measure) -> str:
    if name == "for":
        return "Number and unit, such as 90 min, 3 h or 2 days. It ends by itself then."
    if name in QUANTITIES:
        example = f"Number and unit, such as {EXAMPLE[name, measure.system]}."
        return example if must else f"{example} Leave it empty if you do not know."
    if name == "at":
        return "Empty means now."
    return "" if must or name != "text" else "If there is more to say."
