"""A cold spell: called once, sharpened only where it matters, a line each morning, over when two afternoons call for nothing.

The household is called when acting pays by its own cost and loss. While few nights were learned a small chance cannot be told from
none: of an event that never came in n nights the chance may still be 3/n (the rule of three: Hanley and Lippman-Hand, JAMA 249,
1983), so a smaller chance calls nobody until then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from holdwater.freeze.decision import Stake
from holdwater.freeze.evening import Issue
from holdwater.freeze.exposure import Risk
from holdwater.freeze.night import NightForecast
from holdwater.freeze.sun import Night
from holdwater.freeze.thaw import THAW_C

YOUNG_CHANCE = 0.3  # the most that few nights ask for: the warning level that `freeze score` scores
RULE_OF_THREE = 3.0
EASED = 0.5  # a spell goes on while a chance is above this share of what would call
CALM_AFTERNOONS = 2
LATEST_CALL_H = 5  # hours after sunset until which the household is called out for what is new
SURE_CHANCE = 0.5  # later only for what is more likely than not
COLDER_C = 2.5  # so much colder than said calls once more, while there is something to do
MORNINGS = 10  # from then on only the coldest so far: a whole winter is no news each morning

LIKELY_CHANCE = 0.5  # what was called at less is called once more when it comes to this

Step = Literal["", "call", "colder", "likely", "more", "done", "morning", "missed", "blind", "over"]


@dataclass(frozen=True, slots=True)
class Spell:
    """Where a cold spell stands.

    Attributes:
        since_ms: when it was called; None while there is none.
        edition: names what was said last; another one is told once.
        step: what kind of thing was said last.
        named: exposures that the household was told to see to and that were not opened since.
        sure: those of them that it was told were more likely than not to freeze.
        told_c: the 50 % figure said last of the night `told_day`.
        told_day: ISO date of the night last spoken of in an evening.
        called_day: ISO date of the night in which something was last added to what had been said.
        calm: afternoons in a row that called for nothing.
        mornings: morning lines so far.
        coldest_c: lowest air of its nights; None before the first is over.
    """

    since_ms: int | None = None
    edition: str = ""
    step: Step = ""
    named: tuple[str, ...] = ()
    sure: tuple[str, ...] = ()
    told_c: float = 0.0
    told_day: str = ""
    called_day: str = ""
    calm: int = 0
    mornings: int = 0
    coldest_c: float | None = None

    @property
    def is_on(self) -> bool:
        """Whether there is a spell."""
        return self.since_ms is not None

    def opened(self, name: str) -> Spell:
        """The spell after an exposure was filled again: it may be called anew."""
        named, sure = (tuple(each for each in some if each != name) for some in (self.named, self.sure))
        return replace(self, named=named, sure=sure)


def least_chance(nights: int) -> float:
    """The chance below which nobody is called, by how many own nights taught the forecast; 0 to 0.3."""
    return min(YOUNG_CHANCE, RULE_OF_THREE / (nights + 1))


def calling_chance(risk: Risk, nights: int) -> float:
    """The chance of an exposure above which the household is called: where acting pays, and can be told."""
    return max(Stake(risk.exposure.cost, risk.exposure.loss).act_above, least_chance(nights))


def needs(risks: Sequence[Risk], nights: int) -> tuple[Risk, ...]:
    """What has to be seen to, the most at stake first."""
    found = [each for each in risks if each.act and (each.chance or 0.0) >= calling_chance(each, nights)]
    return tuple(sorted(found, key=lambda each: (-(each.chance or 0.0) * each.exposure.loss, each.exposure.name)))


def is_calm(risks: Sequence[Risk], nights: int) -> bool:
    """Whether nothing is near to calling, done or not, so that a spell may end."""
    return all(each.state != "frozen" and (each.chance or 0.0) < EASED * calling_chance(each, nights) for each in risks)


def on_word(spell: Spell, issue: Issue, night: Night, told: NightForecast, risks: Sequence[Risk]) -> Spell:
    """The spell after a word of the coming night.

    Args:
        spell: as it stood.
        issue: which word.
        night: of which night.
        told: its figures.
        risks: every exposure by them.

    Returns:
        With another `edition` where the household has to be told something.
    """
    due, day = needs(risks, told.nights), night.day.isoformat()
    step = _step(spell, issue, day, told, due)
    if step:
        names = tuple(dict.fromkeys((*spell.named, *(each.exposure.name for each in due))))
        return replace(
            spell,
            since_ms=told.issued_ms if spell.since_ms is None else spell.since_ms,
            edition=f"{day} {issue.name}",
            step=step,
            named=names,
            sure=tuple(dict.fromkeys((*spell.sure, *_likely(due)))),
            told_c=told.p50_c,
            told_day=day,
            called_day=day if step != "call" else spell.called_day,
            calm=0,
            coldest_c=spell.coldest_c if spell.is_on else None,
        )
    if not spell.is_on or issue.kind != "afternoon":
        return spell
    calm = spell.calm + 1 if not due and is_calm(risks, told.nights) else 0
    if calm >= CALM_AFTERNOONS:
        return Spell(step="over", edition=f"{day} over", coldest_c=spell.coldest_c)
    return replace(spell, calm=calm)


def _step(spell: Spell, issue: Issue, day: str, told: NightForecast, due: Sequence[Risk]) -> Step:
    """What a word gives to say."""
    late = issue.kind == "evening" and issue.after_sunset_h > LATEST_CALL_H
    new = [each for each in due if each.exposure.name not in spell.named]
    if late:
        new = [each for each in new if (each.chance or 0.0) >= SURE_CHANCE]
    if new:
        return "more" if spell.is_on else "call"
    if spell.is_on and not late and not set(_likely(due)) <= set(spell.sure):
        return "likely"
    colder = spell.told_day == day and told.p50_c <= spell.told_c - COLDER_C
    if spell.is_on and due and colder and not late and spell.called_day != day:
        return "colder"
    return ""


def _likely(due: Sequence[Risk]) -> list[str]:
    return [each.exposure.name for each in due if (each.chance or 0.0) >= LIKELY_CHANCE]


def on_done(spell: Spell, at_ms: int, undone: Sequence[str]) -> Spell:
    """The spell after the household ticked something off.

    Args:
        spell: as it stood.
        at_ms: when.
        undone: those of `named` that are not ticked off.
    """
    if not spell.is_on or undone or not spell.named or spell.step == "done":
        return spell
    return replace(spell, step="done", edition=f"{at_ms} done")


def on_morning(spell: Spell, night: Night, end_ms: int, came_c: float, limits: Mapping[str, float]) -> Spell:
    """The spell after a night.

    Args:
        spell: as it stood.
        night: which night.
        end_ms: its end.
        came_c: its lowest air.
        limits: by name, the air below which each exposure freezes that held water, or was drained in this spell. A night
            above the thaw line splits nothing, even where a clear sky made a film of ice.
    """
    before_c = spell.coldest_c if spell.is_on else None
    is_coldest = before_c is None or came_c < before_c
    coldest_c = came_c if before_c is None else min(before_c, came_c)
    if not any(came_c < min(limit_c, THAW_C) for limit_c in limits.values()):
        return replace(spell, coldest_c=coldest_c) if spell.is_on else spell
    if spell.mornings >= MORNINGS and not is_coldest:
        return replace(spell, coldest_c=coldest_c)
    return replace(
        spell,
        since_ms=end_ms if spell.since_ms is None else spell.since_ms,
        step="morning" if spell.is_on else "missed",
        edition=f"{night.day.isoformat()} morning",
        mornings=spell.mornings + 1,
        coldest_c=coldest_c,
        calm=0,
    )


def on_blind(spell: Spell, since_ms: int, at_ms: int, *, matters: bool) -> Spell:
    """The spell when the time of the afternoon word has passed without air to forecast from; said once.

    Args:
        spell: as it stood.
        since_ms: newest reading of the air.
        at_ms: when.
        matters: whether the nights before came near to freezing something.
    """
    edition = f"{since_ms} blind"
    if spell.edition == edition or not (spell.is_on or matters):
        return spell
    return replace(
        spell, since_ms=at_ms if spell.since_ms is None else spell.since_ms, step="blind", edition=edition, calm=0
    )
