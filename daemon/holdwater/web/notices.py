"""The page of notices: what is on, and what was told in the last two months and what came of it."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwater.outcomes import Outcome, outcomes
from holdwater.store.rows import DAY_MS
from holdwater.web.history import note_words
from holdwater.web.view import SEVERITIES, Scene, now_view, quiet_choices

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from holdwater.web.pages import Pages

DAYS = 60
"""How far back the list goes: two months, as long as a note holds at most."""

MOST = 200
"""Notices in the list; a page of more is not read by anybody."""


@dataclass(frozen=True, slots=True)
class ToldView:
    """One notice of the list."""

    id: int
    severity: str
    mark: str
    head: str
    when: str
    text: str
    came: tuple[str, ...]


class NoticePages:
    """Handler of `/notices`."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages

    async def show(self, request: Request) -> Response:
        """What is on now, and the list."""
        scene = self._pages.scene(request)
        found = await asyncio.get_running_loop().run_in_executor(self._pages.draw, self._read, scene)
        told = [told_view(each, scene) for each in found[:MOST]]
        view = now_view(scene)
        return self._pages.page("notices.html", request, view=view, quiet=quiet_choices(scene), told=told, days=DAYS)

    def _read(self, scene: Scene) -> list[Outcome]:
        start_ms = scene.now_ms - DAYS * DAY_MS
        with self._pages.reader() as reader:
            lives = reader.lives(start_ms)
            first_ms = min((life.since_ms for life in lives), default=start_ms)
            notes = reader.notes(min(first_ms, start_ms), scene.now_ms + DAY_MS)
        found = outcomes(lives, notes)
        return sorted(found, key=lambda each: -each.raised_ms)


def told_view(each: Outcome, scene: Scene) -> ToldView:
    """A notice as the list shows it."""
    severity = each.severity if each.severity in SEVERITIES else "know"
    when = scene.when(each.raised_ms)
    if each.over_ms is not None:
        when += f" to {scene.when(each.over_ms)}, {each.lasted}"
    head = f"{each.title[:1].upper()}{each.title[1:]}, {each.subject}"
    return ToldView(
        each.id,
        severity,
        severity.replace(" ", "-"),
        head,
        when,
        each.text,
        _came(each, scene),
    )


def _came(each: Outcome, scene: Scene) -> tuple[str, ...]:
    lines = []
    if each.told:
        times = "" if each.again == 1 else f", {each.again} times"
        lines.append(f"Told by {', '.join(each.told)}{times}.")
    if each.untold:
        lines.append(f"Not by {', '.join(each.untold)}.")
    lines.append("Nobody marked it as seen." if each.seen_ms is None else f"Seen {scene.when(each.seen_ms)}.")
    lines += [f"Noted {scene.when(note.at_ms)}: {note_words(note, scene.measure).rstrip('.')}." for note in each.notes]
    lines.append(f"Over: {each.ended}" if each.ended else "It is still on.")
    return tuple(lines)
