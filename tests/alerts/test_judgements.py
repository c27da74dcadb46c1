"""What each kind makes of one fact: on which side of its line it lies, whom it is about, and the figures its text tells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import pytest

from alerts.rig import T0_MS, gal, household
from holdwater.alerts.facts import AirFact, FlowFact, LevelFact, SilenceFact, SystemFact
from holdwater.alerts.kind import Rule
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.kinds.freezing import FORETOLD
from holdwater.alerts.matter import Judgement
from holdwater.alerts.settings import rule_of
from holdwater.alerts.states import Verdict
from holdwater.freeze.done import Done
from holdwater.tanks.tank import Tank
from holdwater.tanks.vessels import Link, Vessel
from holdwater_sensors.quality import OK, Grade, Reason, code

STUCK = code(Grade.SUSPECT, Reason.STUCK)
B, M, K = Verdict.BEYOND, Verdict.BETWEEN, Verdict.BACK
RESERVE = gal(90)
FULL = household().tanks["drinking"].full_on_hand_m3


@dataclass(frozen=True)
class House:
    """What a kind may look at: two tanks, what is known of them, and the notes that hold, as (kind, tank)."""

    notes: frozenset[tuple[str, str]] = frozenset()
    habits: frozenset[str] = frozenset()
    known: Mapping[str, tuple[int, float, float]] = field(default_factory=dict)
    cut: frozenset[str] = frozenset()
    tanks: Mapping[str, Tank] = field(default_factory=lambda: household().tanks)

    def tank(self, name: str) -> Tank | None:
        """The tank of that name."""
        return self.tanks.get(name)

    def trusted(self, tank: str) -> tuple[int, float, float] | None:
        """The newest trusted level."""
        return self.known.get(tank)

    def noted(self, kind: str, subject: str, at_ms: int) -> bool:
        """Whether a note holds; all begin at the test's own time."""
        return (kind, subject) in self.notes and at_ms >= T0_MS

    def keeps(self, kind: str, at_ms: int) -> bool:
        """Whether it is this household's habit to note it."""
        return kind in self.habits and at_ms >= T0_MS

    def shut(self, tank: str) -> bool:
        """Whether a note has shut a link of it."""
        return tank in self.cut

    def done(self, at_ms: int) -> Mapping[str, Done]:
        """Nothing is drained."""
        return {}


def rule(kind: str, **changes: float | None) -> Rule:
    """The rule of a kind, as it ships but for some lines."""
    return replace(rule_of(KINDS[kind], "drinking", None), **changes)


def judged(kind: str, fact: object, house: House | None = None, **changes: float | None) -> Judgement | None:
    """What a kind makes of a fact."""
    return KINDS[kind].judge(fact, house or House(), rule(kind, **changes))


def verdict(kind: str, fact: object, house: House | None = None, **changes: float | None) -> Verdict | None:
    """Its verdict alone; None when the fact is no concern of the kind."""
    found = judged(kind, fact, house, **changes)
    return None if found is None else found.verdict


def level(on_hand_m3: float | None, noise_m3: float = 0.0, *, quality: int = OK, tank: str = "drinking", scale_m3: float = 0.0,
          steady_m3: float | None = None) -> LevelFact:  # fmt: skip
    """A reading of a tank."""
    return LevelFact(tank, T0_MS, on_hand_m3, noise_m3, scale_m3, quality, steady_m3)


def fall(
    gone: float, rate: float, *, for_s: float = 600.0, u: float = 0.5, usual: float | None = None, ended: bool = False
) -> FlowFact:
    """A fall of the drinking tank in gallons and gallons a minute."""
    usual_m3 = None if usual is None else gal(usual)
    return FlowFact("drinking", T0_MS, gal(150), -gal(gone), gal(u), -gal(rate) / 60, for_s, usual_m3, ended)


def rise(gallons: float, *, u: float = 0.1, ended: bool = True, tank: str = "drinking") -> FlowFact:
    """A rise that is over."""
    return FlowFact(tank, T0_MS, gal(150), gal(gallons), gal(u), gal(1) / 60, 600.0, None, ended)


# -- low --------------------------------------------------------------------------------------------------------------------------------


def test_low_tells_what_is_on_hand_the_reserve_and_the_doubt() -> None:
    """And that it is drinking water, where it is."""
    assert judged("low", level(gal(80), gal(3), scale_m3=gal(4))) == Judgement(
        "drinking", B, (("on_hand_m3", gal(80)), ("reserve_m3", RESERVE), ("u_m3", pytest.approx(gal(5)))),
        (("drinking", "yes"),), upper=K,
    )  # fmt: skip
    garden = judged("low", level(gal(80), tank="garden"), raise_at=gal(90))
    assert garden is not None
    assert (garden.subject, garden.words) == ("garden", ())


def test_low_goes_by_the_steady_value_where_there_is_one() -> None:
    """One reading's noise under the reserve raises nothing."""
    assert verdict("low", level(gal(80), steady_m3=gal(120))) is K
    assert verdict("low", level(gal(120), steady_m3=gal(80))) is B


def test_low_has_its_lines_where_the_specification_says() -> None:
    """At the reserve; back above it by the margin, or by twice the noise where that is more; a set line stands."""
    margin = rule("low").clear_margin
    assert margin > 0
    assert verdict("low", level(RESERVE)) is B
    assert verdict("low", level(RESERVE + 1e-9)) is M
    assert verdict("low", level(RESERVE * (1 + margin) + 1e-9)) is K
    assert verdict("low", level(RESERVE * (1 + margin) - 1e-9)) is M
    noisy = RESERVE * margin
    assert verdict("low", level(RESERVE + 2 * noisy - 1e-9, noisy)) is M
    assert verdict("low", level(RESERVE + 2 * noisy + 1e-9, noisy)) is K
    assert verdict("low", level(gal(99), 0.0), clear_at=gal(100)) is M
    assert verdict("low", level(gal(100), 0.0), clear_at=gal(100)) is K
    assert verdict("low", level(gal(50)), raise_at=gal(40)) is K


def test_half_the_reserve_is_the_worse_stage() -> None:
    """At half; back above that by the margin of the whole reserve, or by twice the noise."""

    def upper(on_hand_m3: float, noise_m3: float = 0.0) -> Verdict:
        found = judged("low", level(on_hand_m3, noise_m3))
        assert found is not None
        return found.upper

    half, margin = RESERVE / 2, RESERVE * rule("low").clear_margin
    assert (upper(half), upper(half + 1e-9)) == (B, M)
    assert (upper(half + margin - 1e-9), upper(half + margin + 1e-9)) == (M, K)
    assert (upper(half + 2 * margin - 1e-9, margin), upper(half + 2 * margin + 1e-9, margin)) == (M, K)


@pytest.mark.parametrize(
    "fact", [level(None), level(gal(50), quality=STUCK), level(gal(50), tank="moon"), level(gal(50), tank="garden")]
)
def test_low_says_nothing_without_a_level_that_can_be_trusted_and_a_reserve(fact: LevelFact) -> None:
    """A tank without a reserve, a tank that is gone, a level in doubt."""
    assert judged("low", fact) is None


def test_a_reserve_of_nothing_is_none() -> None:
    """An empty tank is not below it."""
    assert judged("low", level(0.0), raise_at=0.0) is None


# -- in doubt, silent -------------------------------------------------------------------------------------------------------------------


def test_in_doubt_tells_the_reason_and_the_last_level_that_was_trusted() -> None:
    """With its time and its doubt; without one it says the reason alone."""
    house = House(known={"drinking": (T0_MS - 5, gal(147), gal(2))})
    figures = (("trusted_ms", float(T0_MS - 5)), ("trusted_m3", gal(147)), ("trusted_u_m3", gal(2)))
    assert judged("in-doubt", level(gal(140), quality=STUCK), house) == Judgement(
        "drinking", B, figures, (("reason", "stuck at one value"),)
    )
    assert judged("in-doubt", level(None), House()) == Judgement("drinking", B, (), (("reason", "no level"),))


def test_a_level_that_can_be_trusted_ends_the_doubt_and_is_told() -> None:
    """With what is on hand, and its doubt."""
    assert judged("in-doubt", level(gal(140), gal(3), scale_m3=gal(4))) == Judgement(
        "drinking", K, (("on_hand_m3", gal(140)), ("u_m3", pytest.approx(gal(5))))
    )


def silence(for_s: float, *, heard: bool = False, last_ms: int | None = T0_MS) -> SilenceFact:
    """A level sensor with a limit of half an hour."""
    return SilenceFact("drinking:pressure", "drinking", T0_MS, last_ms, for_s, 1800.0, heard)


def test_silent_tells_for_how_long_since_when_and_what_was_known() -> None:
    """Which box, which tank, the last trusted level with its doubt."""
    house = House(known={"drinking": (T0_MS - 5, gal(147), gal(2))})
    assert judged("silent", silence(1800.0), house) == Judgement(
        "drinking:pressure", B,
        (("silent_s", 1800.0), ("last_ms", float(T0_MS)), ("trusted_ms", float(T0_MS - 5)), ("trusted_m3", gal(147)),
         ("trusted_u_m3", gal(2))),
        (("tank", "drinking"),),
    )  # fmt: skip
    assert judged("silent", silence(1801.0, last_ms=None)) == Judgement(
        "drinking:pressure", B, (("silent_s", 1801.0),), (("tank", "drinking"),)
    )


def test_only_something_heard_ends_a_silence() -> None:
    """Less than the limit says nothing either way."""
    assert verdict("silent", silence(1799.9)) is Verdict.UNKNOWN
    assert verdict("silent", silence(9999.0, heard=True)) is K


# -- freezing, overflowing --------------------------------------------------------------------------------------------------------------


def test_freezing_is_about_the_air_and_tells_it() -> None:
    """At the raise line it is, at the clear line it is not."""
    assert judged("freezing", AirFact(T0_MS, 0.0)) == Judgement("air", B, (("air_c", 0.0),))
    assert verdict("freezing", AirFact(T0_MS, 0.5)) is M
    assert verdict("freezing", AirFact(T0_MS, 1.2)) is K
    assert judged("freezing", AirFact(T0_MS, None)) is None
    assert judged("freezing", AirFact(T0_MS, -5.0), raise_at=None) is None
    assert judged("freezing", AirFact(T0_MS, -5.0), clear_at=None) is None


def test_a_frost_that_was_foretold_is_not_told_again_by_the_air() -> None:
    """While its own notice is on, the household has its list; another's note says nothing about the air."""
    foretold = House(frozenset({(FORETOLD, "air")}))
    assert judged("freezing", AirFact(T0_MS, -5.0), foretold) is None
    assert verdict("freezing", AirFact(T0_MS, -5.0), House(frozenset({(FORETOLD, "drinking")}))) is B
    assert verdict("freezing", AirFact(T0_MS - 1, -5.0), foretold) is B


def test_a_barrel_overflows_like_a_tank() -> None:
    """However little it holds."""
    barrel = replace(household().tanks["drinking"], overflow_m=4 * 0.0254)
    assert verdict("overflowing", level(barrel.full_on_hand_m3), House(tanks={"drinking": barrel})) is B


def test_overflowing_begins_within_half_a_percent_of_the_lip_and_ends_three_percent_below() -> None:
    """Or further below where the noise is wide; a set line stands for the lip."""
    found = judged("overflowing", level(FULL, gal(0.3), scale_m3=gal(0.4)))
    assert found == Judgement("drinking", B, (("on_hand_m3", FULL), ("u_m3", pytest.approx(gal(0.5)))))
    assert verdict("overflowing", level(0.995 * FULL + 1e-9)) is B
    assert verdict("overflowing", level(0.995 * FULL - 1e-9)) is M
    assert verdict("overflowing", level(0.97 * FULL + 1e-9)) is M
    assert verdict("overflowing", level(0.97 * FULL - 1e-9)) is K
    wide = 0.02 * FULL
    assert verdict("overflowing", level(0.955 * FULL + 1e-9, wide)) is M
    assert verdict("overflowing", level(0.955 * FULL - 1e-9, wide)) is K
    assert verdict("overflowing", level(gal(100)), raise_at=gal(100)) is B
    assert verdict("overflowing", level(gal(100)), raise_at=gal(200)) is K


@pytest.mark.parametrize("fact", [level(None), level(FULL, quality=STUCK), level(FULL, tank="moon")])
def test_overflowing_says_nothing_without_a_level_of_a_known_tank(fact: LevelFact) -> None:
    """A level in doubt is no flood."""
    assert judged("overflowing", fact) is None


def test_a_tank_that_holds_nothing_above_its_tap_cannot_overflow() -> None:
    """Its lip stands at the tap: full is nothing."""
    tank = replace(household().tanks["drinking"], outlet_m=62 * 0.0254)
    assert judged("overflowing", level(0.0), House(tanks={"drinking": tank})) is None


# -- water that moves -------------------------------------------------------------------------------------------------------------------


def figures(gone: float, rate: float, u: float = 0.5, for_s: float = 600.0) -> tuple[tuple[str, object], ...]:
    """What valve open tells, in gallons and gallons a minute."""
    return (("gone_m3", pytest.approx(gal(gone))), ("u_m3", pytest.approx(gal(u))), ("rate_m3_s", pytest.approx(gal(rate) / 60)),
            ("for_s", for_s), ("on_hand_m3", pytest.approx(gal(150))))  # fmt: skip


def test_an_open_valve_tells_gallons_rate_time_and_what_is_left() -> None:
    """The rate is the mean over the fall once that has lasted three minutes, before that the newest one."""
    assert judged("valve-open", fall(50, 7)) == Judgement("drinking", B, figures(50, 5))
    assert judged("valve-open", fall(50, 7, for_s=180)) == Judgement("drinking", B, figures(50, 50 / 3, for_s=180))
    assert judged("valve-open", fall(50, 7, for_s=179.9)) == Judgement("drinking", B, figures(50, 7, for_s=179.9))
    assert judged("valve-open", fall(-1, -2, for_s=60)) == Judgement("drinking", K, figures(0, 0, for_s=60))


def test_an_open_valve_is_told_when_the_stop_would_be_passed_within_a_minute() -> None:
    """Forty gallons where nothing is known of the hour; a set stop stands."""
    assert verdict("valve-open", fall(38.01, 2)) is B
    assert verdict("valve-open", fall(37.99, 2)) is M
    assert verdict("valve-open", fall(20.01, 2), raise_at=gal(22)) is B
    assert verdict("valve-open", fall(19.99, 2), raise_at=gal(22)) is M


def test_a_trickle_is_no_open_valve() -> None:
    """Under nine tenths of a gallon a minute nobody is called; under half of that it ends."""
    assert verdict("valve-open", fall(100, 0.9)) is B
    assert verdict("valve-open", fall(100, 0.899)) is M
    assert verdict("valve-open", fall(100, 0.4501)) is M
    trickle = judged("valve-open", fall(100, 0.4499))
    assert trickle == Judgement("drinking", K, figures(100, 10))


def test_what_is_usual_at_the_hour_moves_the_stop() -> None:
    """One and a half times it, never under 15 gal; a quarter above it where that is more than 40, unless a stop is set."""
    assert verdict("valve-open", fall(28.01, 2, usual=20)) is B
    assert verdict("valve-open", fall(27.99, 2, usual=20)) is M
    assert verdict("valve-open", fall(13.01, 2, usual=1)) is B
    assert verdict("valve-open", fall(12.9, 2, usual=1)) is M
    assert verdict("valve-open", fall(73.01, 2, usual=60)) is B
    assert verdict("valve-open", fall(72.9, 2, usual=60)) is M
    assert verdict("valve-open", fall(38.1, 2, usual=60), raise_at=gal(40)) is B


def test_while_frost_thaws_a_third_is_enough_but_never_what_is_usual() -> None:
    """A pipe that split leaks when its ice melts."""
    thaw = House(notes=frozenset({("thaw watch", "drinking")}))
    assert verdict("valve-open", fall(12, 2), thaw) is B
    assert verdict("valve-open", fall(11, 2), thaw) is M
    assert verdict("valve-open", fall(18.1, 2, usual=20), thaw) is B
    assert verdict("valve-open", fall(17.9, 2, usual=20), thaw) is M
    elsewhere = House(notes=frozenset({("thaw watch", "garden")}))
    assert verdict("valve-open", fall(12, 2), elsewhere) is M


def test_a_wide_doubt_counts_against_calling_anybody() -> None:
    """Four uncertainties at least; of a doubt the part above a gallon and a half is taken off."""
    assert verdict("valve-open", fall(48, 2, u=12)) is M
    assert verdict("valve-open", fall(39.51, 2, u=3)) is B
    assert verdict("valve-open", fall(39.49, 2, u=3)) is M
    assert verdict("valve-open", fall(20, 2, u=4.99), raise_at=gal(10)) is B
    assert verdict("valve-open", fall(20, 2, u=5.01), raise_at=gal(10)) is M


@pytest.mark.parametrize("note", ["watering", "working on it", "moved", "drained"])
def test_a_note_that_explains_a_fall_ends_it_with_its_figures(note: str) -> None:
    """For its own tank only."""
    assert judged("valve-open", fall(50, 7), House(frozenset({(note, "drinking")}))) == Judgement(
        "drinking", K, figures(50, 5)
    )
    assert verdict("valve-open", fall(50, 7), House(frozenset({(note, "garden")}))) is B


def test_a_fall_that_is_over_is_no_open_valve_and_no_use_while_away() -> None:
    """Both go by what goes on."""
    away = House(frozenset({("away", "drinking")}))
    assert judged("valve-open", fall(50, 7, ended=True)) is None
    assert judged("use-away", fall(50, 7, ended=True), away) is None


def test_use_while_away_begins_at_two_gallons_and_five_uncertainties() -> None:
    """It tells what is gone and how sure that is; a set line stands; without the note it is over."""
    away = House(frozenset({("away", "drinking")}))
    told = (("gone_m3", pytest.approx(gal(2.01))), ("u_m3", pytest.approx(gal(0.1))))
    assert judged("use-away", fall(2.01, 1, u=0.1), away) == Judgement("drinking", B, told)
    assert judged("use-away", fall(2.01, 1, u=0.1)) == Judgement("drinking", K, told)
    assert verdict("use-away", fall(1.99, 1, u=0.1), away) is K
    assert verdict("use-away", fall(3, 1, u=0.59), away) is B
    assert verdict("use-away", fall(3, 1, u=0.61), away) is K
    assert verdict("use-away", fall(3, 1, u=0.1), away, raise_at=gal(4)) is K
    assert verdict("use-away", fall(3, 1, u=0.1), House(frozenset({("away", "garden")}))) is K
    risen = judged("use-away", rise(9, ended=False), away)
    assert risen is not None
    assert risen.numbers == (("gone_m3", 0.0), ("u_m3", pytest.approx(gal(0.1))))


def test_an_unexplained_rise_begins_at_five_gallons_and_five_uncertainties() -> None:
    """Of a drinking tank, when it is over, where noting the well is a habit."""
    house = House(habits=frozenset({"well run"}))
    told = (("rose_m3", pytest.approx(gal(5.01))), ("u_m3", pytest.approx(gal(0.1))))
    assert judged("unexplained-rise", rise(5.01), house) == Judgement("drinking", B, told)
    assert judged("unexplained-rise", rise(4.99), house) is None
    assert verdict("unexplained-rise", rise(10, u=1.99), house) is B
    assert judged("unexplained-rise", rise(10, u=2.01), house) is None
    assert judged("unexplained-rise", rise(6), house, raise_at=gal(7)) is None
    assert judged("unexplained-rise", rise(9, ended=False), house) is None
    assert judged("unexplained-rise", rise(9), House()) is None
    assert judged("unexplained-rise", rise(9, tank="garden"), house) is None
    assert judged("unexplained-rise", rise(9, tank="moon"), house) is None


@pytest.mark.parametrize("note", ["load", "well run", "moved", "working on it", "tested"])
def test_a_note_that_explains_a_rise_ends_it(note: str) -> None:
    """Whatever the size of the rise."""
    house = House(frozenset({(note, "drinking")}), frozenset({"well run"}))
    assert judged("unexplained-rise", rise(99), house) == Judgement("drinking", K)


@pytest.mark.parametrize("fills", ["roof", "spring", "mains"])
def test_a_tank_that_fills_by_itself_has_no_unexplained_rise(fills: str) -> None:
    """Nobody writes down the rain."""
    tank = replace(household().tanks["drinking"], filled_by=("load", fills))
    assert judged("unexplained-rise", rise(9), House(habits=frozenset({"well run"}), tanks={"drinking": tank})) is None


# -- figures worked out elsewhere -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "figure", "beyond", "between", "back"),
    [("warm", "water_c", 30.0, 25.0, 20.0), ("old-water", "turnover_s", 90.0, 70.0, 60.0)],
)
def test_a_figure_is_held_against_the_lines_and_told(
    kind: str, figure: str, beyond: float, between: float, back: float
) -> None:
    """At the raise line it is on, at the clear line it is over; without a figure or a line nothing is said."""

    def fact(value: float) -> SystemFact:
        return SystemFact(kind, "drinking", T0_MS, "unknown", numbers={figure: value})

    lines = {"raise_at": beyond, "clear_at": back}
    found = judged(kind, fact(beyond), **lines)
    assert found is not None
    assert (found.subject, found.verdict, dict(found.numbers)[figure]) == ("drinking", B, beyond)
    assert verdict(kind, fact(between), **lines) is M
    assert verdict(kind, fact(back), **lines) is K
    assert judged(kind, SystemFact(kind, "drinking", T0_MS, "unknown"), **lines) is None
    assert judged(kind, fact(beyond), raise_at=None, clear_at=back) is None
    assert judged(kind, fact(beyond), raise_at=beyond, clear_at=None) is None


def test_short_is_under_the_worst_wait_and_over_again_by_a_quarter_or_a_day() -> None:
    """By the cautious figure of the days; a set line stands for the wait, and nothing is said without either."""
    day = 86400.0

    def fact(low_d: float | None, wait_d: float | None = 8.0, given: str = "unknown") -> SystemFact:
        figures = {"low_s": low_d, "worst_wait_s": wait_d}
        numbers = {name: value * day for name, value in figures.items() if value is not None}
        return SystemFact("short", "drinking", T0_MS, given, numbers=numbers)

    assert [verdict("short", fact(days)) for days in (8.0, 8.01, 9.99, 10.0)] == [B, M, M, K]
    assert [verdict("short", fact(days, 2.0)) for days in (2.0, 2.99, 3.0)] == [B, M, K]
    assert verdict("short", fact(5.0), raise_at=4 * day) is K
    assert verdict("short", fact(4.5), raise_at=4 * day, clear_at=6 * day) is M
    assert verdict("short", fact(1.0, given="back")) is K
    assert judged("short", fact(None)) is None
    assert judged("short", fact(5.0, None)) is None
    found = judged("short", fact(5.0))
    assert found is not None
    assert found.subject == "drinking"
    assert dict(found.numbers) == {"low_s": 5 * day, "worst_wait_s": 8 * day, "line_s": 8 * day}


def test_a_link_is_told_as_shut_by_note_or_config_or_as_apart_by_the_levels() -> None:
    """Shut is to know, apart is the worse stage; back when the vessels stand alike, unknown while nobody can tell."""
    near, far = (Vessel(name, household().tanks["drinking"].shape) for name in ("near", "far"))
    joined = Tank("drinking", (near, far), 0.1, 1.5, links=(Link(("near", "far"), 0.1),))
    pair = House(tanks={"drinking": joined})
    shut = replace(pair, tanks={"drinking": replace(joined, links=(Link(("near", "far"), 0.1, shut=True),))})
    figures = (("on_hand_m3", gal(50)), ("u_m3", 0.0))
    apart = code(Grade.SUSPECT, Reason.LINK)
    known = Judgement("drinking", B, figures, (("how", "shut"),), upper=K)
    assert judged("link-shut", level(gal(50)), replace(pair, cut=frozenset({"drinking"}))) == known
    assert judged("link-shut", level(gal(50)), shut) == known
    assert judged("link-shut", level(gal(50), quality=apart), pair) == Judgement(
        "drinking", B, figures, (("how", "apart"),), upper=B
    )
    assert judged("link-shut", level(gal(50)), pair) == Judgement("drinking", K, figures, upper=K)
    unknown = Verdict.UNKNOWN
    assert judged("link-shut", level(gal(50), quality=STUCK), pair) == Judgement(
        "drinking", unknown, figures, upper=unknown
    )
    assert judged("link-shut", level(None), pair) == Judgement("drinking", unknown, (), upper=unknown)
    assert judged("link-shut", level(gal(50))) is None
    assert judged("link-shut", level(gal(50), tank="moon"), pair) is None
