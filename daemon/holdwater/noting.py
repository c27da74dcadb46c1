"""Kinds of note that a household can write, what each one takes, and what is wrong with one as it was typed. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Literal

from holdwater.alerts.notes import LASTS_MS, MOST_MS
from holdwater.clock import BUILD_MS
from holdwater.errors import UsageError
from holdwater.note_figures import EXAMPLE, MOST_TEXT, QUANTITIES, About, figure
from holdwater.units import trimmed

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.units import Measure

Need = Literal["no", "may", "must"]

AHEAD_MS = 10 * 60_000
"""What has happened cannot lie ahead; a phone's clock may be so far off, ms."""


@dataclass(frozen=True, slots=True)
class NoteKind:
    """One kind of note.

    Attributes:
        name: as it is stored.
        group: heading of the list it stands under.
        meaning: what it is for and what it changes, in a sentence or two.
        tank, volume, depth, lasts, link, exposure, text: whether it takes these: no, may, must.
        caution: where it can hurt.
    """

    name: str
    group: str
    meaning: str
    tank: Need = "may"
    volume: Need = "no"
    depth: Need = "no"
    lasts: Need = "no"
    link: Need = "no"
    exposure: Need = "no"
    text: Need = "may"
    caution: str = ""

    @property
    def usual_s(self) -> float | None:
        """How long it holds when nothing else is said, s; None when it has no end of its own."""
        usual_ms = LASTS_MS.get(self.name)
        return usual_ms / 1000 if usual_ms is not None and self.lasts != "no" else None


CLIMB = "Never climb in or lean into a tank."

KINDS: dict[str, NoteKind] = {
    each.name: each
    for each in (
        NoteKind("load", "Water in", "Hauled water that went into a tank. A rise in the next 6 hours is then expected.", "must", "must",
                 caution="Part-full loads surge: mind payload, axles, tires and hitch."),
        NoteKind("well run", "Water in", "The well was run into a tank. A rise in the next 6 hours is then expected.", "must", "may"),
        NoteKind("moved", "Water in", "Water moved out of this tank or into it on purpose.", "must", "may"),
        NoteKind("dip", "A look", "What a dip stick showed above the floor. It is held against the sensor; two or three correct it.",
                 "must", depth="must", caution=CLIMB),
        NoteKind("tested", "A look", "A test of the water, with its result.", "must", text="must"),
        NoteKind("watering", "Going on", "Water runs on purpose. No valve-open notice while it holds.", lasts="may"),
        NoteKind("working on it", "Going on", "Somebody works at a tank or its lines. No valve-open notice while it holds.", lasts="may"),
        NoteKind("guests", "Going on", "More people than usual in the house, for so long.", "no", lasts="may"),
        NoteKind("away", "Going on", "Nobody is at home: any use is told at once while it holds.", "no", lasts="may"),
        NoteKind("home", "Going on", "Somebody is at home again. It ends \u201caway\u201d.", "no"),
        NoteKind("drained", "Chores", "A spigot, a line or a tank was drained. It stays so until it is opened.", exposure="may"),
        NoteKind("covered", "Chores", "A spot was covered or wrapped against frost. It stays so until it is opened.", exposure="may"),
        NoteKind("opened", "Chores", "What was drained or covered is in use again, and can freeze again.", exposure="may"),
        NoteKind("screen cleaned", "Chores", "A leaf screen was cleaned.", caution="No roof work alone, on ice or in wind."),
        NoteKind("dosed", "Chores", "Water was disinfected: with what, and how much.", "must", text="must",
                 caution="Plain unscented bleach only, never mixed with anything; test after 30 minutes."),
        NoteKind("mended", "Chores", "A leak, a valve or a sensor was mended."),
        NoteKind("link shut", "Chores", "The valve between two vessels was shut. What it cuts off does not count.", "no", link="must"),
        NoteKind("link open", "Chores", "The valve between two vessels was opened.", "no", link="must"),
        NoteKind("other", "Other", "Anything else worth knowing next year.", text="must"),
    )
}  # fmt: skip
NOTE_KINDS = tuple(KINDS)

Faults = dict[str, str]


def offered(site: Site) -> tuple[NoteKind, ...]:
    """The kinds that make sense at a site: notes on links only where vessels are joined."""
    linked = any(tank.links for tank in site.tanks.values())
    return tuple(kind for kind in KINDS.values() if kind.link == "no" or linked)


def takes(kind: NoteKind, key: str) -> Need:
    """Whether a kind takes a field of the form: tank, volume, depth, for, link, exposure, text."""
    needs: dict[str, Need] = {
        "tank": kind.tank, "volume": kind.volume, "depth": kind.depth, "for": kind.lasts, "link": kind.link,
        "exposure": kind.exposure, "text": kind.text,
    }  # fmt: skip
    return needs[key]


def read_note(kind: NoteKind, typed: Mapping[str, str], site: Site, now_ms: int) -> tuple[dict[str, object], Faults]:
    """A note as it was typed into a form: its body for the door, and what is wrong, by field.

    Args:
        kind: what kind of note it is.
        typed: fields as text: tank, volume, depth, for, at (local time), link (``tank/number``), exposure, text.
        site: tanks, links, time zone, units.
        now_ms: wall clock, ms UTC.
    """
    body: dict[str, object] = {"kind": kind.name}
    faults: Faults = {}
    for key in ("tank", "volume", "depth", "for", "exposure", "text"):
        value, need = typed.get(key, "").strip(), takes(kind, key)
        if need == "no":
            continue
        if value:
            body[key] = value
        elif need == "must":
            faults[key] = _missing(key, site.measure)
    if body.get("exposure", "") not in ("", *site.exposures):
        faults["exposure"] = "Choose one of the list; the config names what can freeze."
    if takes(kind, "link") == "must":
        _take_link(typed.get("link", ""), site, body, faults)
    _take_time(kind, typed.get("at", "").strip(), site, now_ms, (body, faults))
    faults |= {key: words for key, words in check_figures(body, site).items() if key not in faults}
    return body, faults


def check_figures(body: Mapping[str, object], site: Site) -> Faults:
    """What is wrong with names and quantities of a note as it was typed, by field."""
    faults = check_names(body, site)
    about = About.of(body, 0, site)
    for key in QUANTITIES:
        if key in body and key not in faults:
            try:
                figure(key, body[key], about)
            except UsageError as error:
                faults[key] = _sentences(error)
    return faults


def check_names(body: Mapping[str, object], site: Site) -> Faults:
    """What is wrong with names and text of a note, by field."""
    faults: Faults = {}
    tank = body.get("tank")
    if tank is not None and not (isinstance(tank, str) and tank in site.tanks):
        faults["tank"] = f"There is no tank {str(tank)[:40]!r}. Choose one of: {', '.join(site.tanks)}."
    exposure = body.get("exposure")
    if exposure is not None and not (isinstance(exposure, str) and exposure in site.exposures):
        known = ", ".join(site.exposures) or "nothing yet; add a table [exposure.NAME] to the config"
        faults["exposure"] = f"Nothing that can freeze is called {str(exposure)[:40]!r}. Listed: {known}."
    if len(str(body.get("text", ""))) > MOST_TEXT:
        faults["text"] = f"That is longer than {MOST_TEXT} characters. Say it shorter."
    return faults


def _sentences(error: UsageError) -> str:
    """An error as sentences, for beside a field."""
    return " ".join(f"{each[:1].upper()}{each[1:]}." for each in (error.found, f"expected: {error.expected}", error.do))


def _missing(key: str, measure: Measure) -> str:
    if key == "tank":
        return "Choose a tank."
    if key == "text":
        return "Say it in a few words."
    return f"Write a number and its unit, such as \u201c{EXAMPLE[key, measure.system]}\u201d."


def _take_link(text: str, site: Site, body: dict[str, object], faults: Faults) -> None:
    name, _, number = text.rpartition("/")
    tank = site.tanks.get(name)
    if tank is None or not (number.isascii() and number.isdigit() and int(number) < len(tank.links)):
        faults["link"] = "Choose which one."
        return
    body |= {"tank": name, "link": int(number)}


def _take_time(kind: NoteKind, text: str, site: Site, now_ms: int, into: tuple[dict[str, object], Faults]) -> None:
    if not text:
        return
    body, faults = into
    at_ms = local_ms(text, site)
    if at_ms is None:
        faults["at"] = (
            "That is no date and time. Write it like \u201c2026-10-28 17:20\u201d, or leave it empty for now."
        )
    elif at_ms < BUILD_MS:
        faults["at"] = "That is before 2026, and no reading here is so old. Look at the year."
    elif at_ms > now_ms + (MOST_MS if kind.lasts != "no" else AHEAD_MS):
        faults["at"] = (
            "That lies ahead. Note it when it has been done." if kind.lasts == "no" else "That is too far ahead."
        )
    else:
        body["at_ms"] = at_ms


def local_ms(text: str, site: Site) -> int | None:
    """A date and time as it is typed or as a browser sends it, on the household's clock, ms UTC; None when it is none."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=site.timezone)
    try:
        return round(at.timestamp() * 1000)
    except (OverflowError, ValueError):
        return None


def usual_text(kind: NoteKind) -> str:
    """How long a kind holds by itself, as it is typed: ``3 h``, ``7 days``; empty when it has no end of its own."""
    if kind.usual_s is None:
        return ""
    hours = kind.usual_s / 3600
    return f"{trimmed(hours / 24, 1)} days" if hours >= 48 else f"{trimmed(hours, 1)} h"
