"""A cold spell: called once, more only where it matters, a line each morning, over after two calm afternoons."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest

from holdwater.config.exposures import Exposure
from holdwater.freeze.evening import AFTER_SUNRISE_MS, Issue
from holdwater.freeze.exposure import Risk
from holdwater.freeze.night import NightForecast
from holdwater.freeze.spell import (
    MORNINGS,
    Spell,
    calling_chance,
    is_calm,
    least_chance,
    needs,
    on_blind,
    on_done,
    on_morning,
    on_word,
)
from holdwater.freeze.spread import distribution
from holdwater.freeze.sun import Night, Place, night

DENVER = Place(37.6, -105.0, ZoneInfo("America/Denver"))
FIRST = date(2026, 10, 12)
AFTERNOON = Issue("afternoon")
SPIGOT, PIPE = Exposure("spigot", "spigot"), Exposure("pipe", "pipe", cost=6.0, loss=150.0)


def the_night(number: int) -> Night:
    return night(FIRST + timedelta(days=number), DENVER)


def told(number: int, middle_c: float = -3.0, issue: Issue = AFTERNOON, nights: int = 100) -> NightForecast:
    """The word of a night."""
    coming = the_night(number)
    spread = distribution([(middle_c - 2, 1.0), (middle_c, 2.0), (middle_c + 2, 1.0)], ceiling=20.0)
    return NightForecast(
        issue.at_ms(coming, DENVER), coming.sunrise_ms + AFTER_SUNRISE_MS, 8.0, False, spread, nights=nights
    )


def at_risk(chance: float | None = 0.9, exposure: Exposure = SPIGOT, **changes: object) -> Risk:
    acts = chance is not None and chance * exposure.loss > exposure.cost
    return replace(Risk(exposure, "can freeze", 0.5, chance, acts), **changes)


def said(spell: Spell, number: int, *risks: Risk, issue: Issue = AFTERNOON, middle_c: float = -3.0) -> Spell:
    """The spell after a word."""
    return on_word(spell, issue, the_night(number), told(number, middle_c, issue), risks)


def test_a_spell_is_called_once_however_many_words_say_the_same() -> None:
    """Five nights of fifteen words: one edition."""
    spell, editions = Spell(), set()
    for number in range(5):
        for issue in (AFTERNOON, *(Issue("evening", hours) for hours in range(2, 16))):
            spell = said(spell, number, at_risk(), issue=issue)
            editions.add(spell.edition)
    assert editions == {"2026-10-12 afternoon"}
    assert spell.since_ms == AFTERNOON.at_ms(the_night(0), DENVER)
    assert (spell.step, spell.named) == ("call", ("spigot",))


def test_something_new_is_called_within_the_spell() -> None:
    """The pipe comes into danger on the second night."""
    spell = said(said(Spell(), 0, at_risk()), 1, at_risk(), at_risk(0.7, PIPE))
    assert (spell.step, spell.named, spell.edition) == ("more", ("spigot", "pipe"), "2026-10-13 afternoon")


def test_what_was_possible_is_called_once_more_when_it_is_likely() -> None:
    """Called at 19 % two weeks ago and not ticked off: at 80 % again, once."""
    spell = said(Spell(), 0, at_risk(0.19))
    spell = said(spell, 1, at_risk(0.3))
    assert spell.edition == "2026-10-12 afternoon"
    spell = said(spell, 2, at_risk(0.8))
    assert (spell.step, spell.edition) == ("likely", "2026-10-14 afternoon")
    assert said(spell, 3, at_risk(0.9)).edition == spell.edition


def test_an_evening_much_colder_than_said_calls_once_more_that_night() -> None:
    """2.5 degC colder, before it is late, while there is something to do."""
    spell = said(Spell(), 0, at_risk())
    colder = said(spell, 0, at_risk(), issue=Issue("evening", 2), middle_c=-6.0)
    assert (colder.step, colder.told_c) == ("colder", pytest.approx(-6.0))
    assert said(colder, 0, at_risk(), issue=Issue("evening", 3), middle_c=-9.0).edition == colder.edition
    assert said(spell, 0, at_risk(), issue=Issue("evening", 9), middle_c=-9.0) == spell
    assert said(spell, 0, issue=Issue("evening", 2), middle_c=-9.0) == spell
    assert said(spell, 0, at_risk(), issue=Issue("evening", 2), middle_c=-4.0) == spell


def test_late_at_night_only_what_is_likely_calls_anybody_out() -> None:
    """Six hours after sunset and later."""
    late = Issue("evening", 8)
    assert not said(Spell(), 0, at_risk(0.4), issue=late).is_on
    assert said(Spell(), 0, at_risk(0.6), issue=late).is_on


def test_a_spell_is_over_after_two_calm_afternoons() -> None:
    """Evenings do not count; a risk near its calling chance, or ice, keeps it on."""
    spell = said(Spell(), 0, at_risk())
    spell = said(spell, 1, at_risk(0.01), issue=Issue("evening", 2))
    once = said(spell, 2, at_risk(0.01))
    assert (once.calm, once.is_on) == (1, True)
    again = said(once, 3, at_risk(0.01))
    assert (again.is_on, again.step) == (False, "over")
    assert said(once, 3, at_risk(0.04)).calm == 0
    assert said(once, 3, at_risk(0.01, state="frozen")).calm == 0
    assert said(again, 4, at_risk()).edition == "2026-10-16 afternoon"


def test_few_nights_call_nobody_for_a_small_chance() -> None:
    """The rule of three: what never came in n nights may still come with 3/n; 0.3 at most."""
    assert least_chance(0) == least_chance(8) == 0.3
    assert least_chance(29) == pytest.approx(0.1)
    assert calling_chance(at_risk(), 500) == pytest.approx(3 / 58)
    risk = at_risk(0.1)
    assert needs([risk], 5) == ()
    assert needs([risk], 60) == (risk,)


def test_the_household_s_own_cost_and_loss_set_the_chance_that_calls() -> None:
    """A pipe of $150 for $6 calls at 4 %, a spigot of $58 for $3 at 5 %."""
    assert calling_chance(at_risk(0.9, PIPE), 500) == pytest.approx(0.04)
    low = (at_risk(0.045, PIPE), at_risk(0.045, SPIGOT))
    assert [each.exposure.name for each in needs(low, 500)] == ["pipe"]


def test_what_is_ticked_off_is_said_once_and_then_opened_may_be_called_anew() -> None:
    """All of the list: a line. One of two: none. Opened: called again."""
    spell = said(Spell(), 0, at_risk(), at_risk(0.9, PIPE))
    assert on_done(spell, 5, ["pipe"]) == spell
    done = on_done(spell, 5, [])
    assert (done.step, done.edition) == ("done", "5 done")
    assert on_done(done, 6, []) == done
    assert on_done(Spell(), 5, []) == Spell()
    opened = done.opened("pipe")
    assert said(opened, 1, at_risk(0.9, PIPE)).step == "more"


def test_each_morning_after_a_night_below_a_limit_has_a_line() -> None:
    """None after a night above all limits, or one above the thaw line where only a clear sky made a film."""
    spell = said(Spell(), 0, at_risk())
    cold = on_morning(spell, the_night(0), 10, -4.4, {"spigot": 0.5})
    assert (cold.step, cold.edition, cold.coldest_c) == ("morning", "2026-10-12 morning", -4.4)
    mild = on_morning(cold, the_night(1), 20, 3.0, {"spigot": 0.5})
    assert (mild.edition, mild.coldest_c) == (cold.edition, -4.4)
    assert on_morning(cold, the_night(1), 20, 2.0, {"spigot": 3.0}).edition == cold.edition


def test_a_frost_that_was_not_called_is_owned_up_to() -> None:
    """The notice begins with the morning."""
    missed = on_morning(Spell(), the_night(0), 10, -2.0, {"spigot": 0.5})
    assert (missed.is_on, missed.step, missed.since_ms) == (True, "missed", 10)
    assert on_morning(Spell(), the_night(0), 10, -2.0, {}) == Spell()


def test_a_long_winter_is_no_news_each_morning() -> None:
    """After ten mornings only one that was colder than all before."""
    spell, lines = said(Spell(), 0, at_risk()), 0
    for number in range(40):
        after = on_morning(spell, the_night(number), number, -5.0 - (number == 30), {"spigot": 0.5})
        lines += after.edition != spell.edition
        spell = after
    assert lines == MORNINGS + 1


def test_without_air_it_is_said_once_that_nothing_can_be_told() -> None:
    """While a spell is on, or the nights before were near to freezing something; not in summer."""
    blind = on_blind(Spell(), 7, 9, matters=True)
    assert (blind.is_on, blind.step) == (True, "blind")
    assert on_blind(blind, 7, 99, matters=True) == blind
    assert on_blind(Spell(), 7, 9, matters=False) == Spell()
    assert on_blind(said(Spell(), 0, at_risk()), 7, 9, matters=False).step == "blind"


def test_calm_looks_at_what_is_done_as_well() -> None:
    """Drained spigots freeze no less for it: the spell goes on until it is over."""
    assert not is_calm([at_risk(0.9, act=False, done="covered")], 100)
    assert is_calm([at_risk(None, state="not known")], 100)
