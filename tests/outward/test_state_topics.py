"""What the service says on the broker unasked: states of tanks, a lamp that fails dark, a line for a display."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from holdwater.config.outwards import StateSettings
from holdwater.config.site import Site
from holdwater.sitefile import open_site
from holdwater.snapshot import NoticeNow, Snapshot, TankNow
from holdwater.statetopics import BUZZER, LAMP_EXPIRY_S, StateTopics, buzzer_of, lamp_of, line_said, tank_said
from holdwater.units import Measure
from holdwater.web.view import Scene
from place import payload, pressure, publisher
from web.household import FREEZE, LOW, NOW_MS, SILENT, bad, gallons, well

SITE = open_site(Path(__file__).parents[2] / "sample_configs" / "quern-bench.toml", {})


def scene(snapshot: Snapshot, site: Site = SITE) -> Scene:
    return Scene(site, snapshot, site.measure, NOW_MS)


class Ear:
    """Takes what is published, as the broker would."""

    def __init__(self, site: Site = SITE, *, expires: bool = True) -> None:
        self.number = 1
        self.said: list[tuple[str, str, bool, int]] = []
        self.takes = True
        self.states = StateTopics(site, self._publish, lambda: self.number, lambda: expires)

    def _publish(self, topic: str, text: str, retain: bool, expiry_s: int) -> bool:
        if self.takes:
            self.said.append((topic, text, retain, expiry_s))
        return self.takes

    def tick(self, mono_s: float, snapshot: Snapshot | None = None) -> list[str]:
        """Topics of what was said at a tick."""
        before = len(self.said)
        self.states.tick(snapshot or well(SITE), NOW_MS + round(mono_s * 1000), mono_s)
        return [topic.removeprefix("water/state/") for topic, *_ in self.said[before:]]


def test_all_states_are_said_once_then_only_what_is_news_then_all_again() -> None:
    """Quiet between changes; the lamp each minute, the rest every ten."""
    ear = Ear()
    everything = ["drinking", "garden", "cabin", "line", "lamp", "buzzer"]
    assert ear.tick(0.0) == everything
    assert ear.tick(10.0) == []
    assert ear.tick(60.0) == ["lamp", "buzzer"]
    drinking = replace(well(SITE).tanks[0], on_hand_m3=gallons(205))
    less = replace(well(SITE), tanks=(drinking, *well(SITE).tanks[1:]))
    assert ear.tick(70.0, less) == ["drinking", "line"]
    assert ear.tick(669.0, less) == ["garden", "cabin", "lamp", "buzzer"]
    assert ear.tick(670.0, less) == ["drinking", "line"]


def test_a_change_below_the_doubt_is_no_news() -> None:
    """Noise on every reading must not keep the broker busy."""
    ear = Ear()
    ear.tick(0.0)
    drinking = well(SITE).tanks[0]
    noisy = replace(drinking, on_hand_m3=(drinking.on_hand_m3 or 0.0) + gallons(0.1), at_ms=NOW_MS)
    assert ear.tick(10.0, replace(well(SITE), tanks=(noisy, *well(SITE).tanks[1:]))) == []


def test_a_new_connection_gets_everything_anew_and_no_connection_nothing() -> None:
    """The broker may have lost its memory; while there is none nothing is queued that would be old when it comes."""
    ear = Ear()
    ear.tick(0.0)
    ear.number = 0
    assert ear.tick(10.0, bad(SITE)) == []
    ear.number = 2
    assert len(ear.tick(20.0)) == 6


def test_what_the_broker_did_not_take_is_said_again() -> None:
    """At the next tick."""
    ear = Ear()
    ear.takes = False
    assert ear.tick(0.0) == []
    ear.takes = True
    assert len(ear.tick(10.0)) == 6


def test_the_broker_forgets_the_lamp_within_three_minutes_and_is_not_trusted_to_where_it_cannot() -> None:
    """A 3.1.1 broker would keep "well" for ever: there the lamp is not retained."""
    by_lamp = {}
    for expires in (True, False):
        ear = Ear(expires=expires)
        ear.tick(0.0)
        by_lamp[expires] = next(said for said in ear.said if said[0] == "water/state/lamp")
        assert all(retain for topic, _, retain, _ in ear.said if topic[12:] not in ("lamp", "buzzer"))
    assert by_lamp[True] == ("water/state/lamp", "well", True, LAMP_EXPIRY_S)
    assert by_lamp[False] == ("water/state/lamp", "well", False, LAMP_EXPIRY_S)
    assert LAMP_EXPIRY_S == 180


def test_the_lamp_goes_dark_and_the_buzzer_silent_when_the_service_ends() -> None:
    """By a word, not only by its absence."""
    ear = Ear()
    ear.states.dark()
    assert ear.said == [
        ("water/state/lamp", "dark", True, LAMP_EXPIRY_S),
        ("water/state/buzzer", "[]", True, LAMP_EXPIRY_S),
    ]


def test_a_site_that_wants_no_states_says_none() -> None:
    """[state] on = false."""
    ear = Ear(replace(SITE, state=StateSettings(on=False)))
    ear.states.dark()
    assert ear.tick(0.0) == []
    assert ear.said == []


def _worse(**changes: object) -> Snapshot:
    drinking = replace(well(SITE).tanks[0], **changes)  # type: ignore[arg-type]
    return replace(well(SITE), tanks=(drinking, *well(SITE).tanks[1:]))


@pytest.mark.parametrize(
    ("snapshot", "lamp"),
    [
        (well(SITE), "well"),
        (replace(well(SITE), notices=(replace(SILENT, state="watching"),)), "well"),
        (replace(well(SITE), notices=(SILENT,)), "well"),
        (replace(well(SITE), notices=(LOW,)), "act today"),
        (replace(well(SITE), notices=(LOW, FREEZE)), "act now"),
        (replace(well(SITE), notices=(replace(LOW, state="easing", seen=True),)), "act today"),
        (replace(well(SITE), clock_trusted=False), "unsure"),
        (replace(well(SITE), tanks=well(SITE).tanks[:2]), "unsure"),
        (replace(well(SITE), tanks=()), "unsure"),
        (_worse(on_hand_m3=None, reason="nothing heard from its sensor"), "unsure"),
        (_worse(quality=102), "unsure"),
        (_worse(reason="stuck at one value"), "unsure"),
    ],
)
def test_the_lamp_is_well_only_while_all_is_watched_and_well(snapshot: Snapshot, lamp: str) -> None:
    """One tank that nobody can vouch for, and it is not lit."""
    assert lamp_of(SITE, snapshot) == lamp


@pytest.mark.parametrize(
    ("notice", "loud"),
    [
        (replace(FREEZE, seen=False, quiet_until_ms=None), True),
        (replace(FREEZE, seen=False, quiet_until_ms=NOW_MS - 1), True),
        (replace(FREEZE, seen=True, quiet_until_ms=None), False),
        (replace(FREEZE, seen=False, quiet_until_ms=NOW_MS + 1), False),
        (replace(FREEZE, seen=False, quiet_until_ms=None, state="easing"), False),
        (replace(FREEZE, seen=False, quiet_until_ms=None, severity="act today"), False),
    ],
)
def test_the_buzzer_sounds_only_for_an_act_now_that_nobody_has_seen(notice: NoticeNow, loud: bool) -> None:
    """Once somebody knows it is silent."""
    assert bool(buzzer_of(replace(well(SITE), notices=(LOW, notice)), NOW_MS)) == loud


def test_the_buzzer_is_neither_a_smoke_nor_a_carbon_monoxide_alarm() -> None:
    """Not three or four equal pulses (ISO 8201; the temporal-four pattern): two unequal ones in ten seconds."""
    on, off = BUZZER[0::2], BUZZER[1::2]
    assert len(on) == len(off) == 2
    assert on[0] > 2 * on[1]
    assert sum(BUZZER) == 10_000


def test_a_site_that_watches_nothing_has_no_lamp_to_light() -> None:
    """No sensor: nobody can say that all is well."""
    assert lamp_of(replace(SITE, instruments={}), well(SITE)) == "unsure"


def test_a_tank_that_is_only_dipped_by_hand_does_not_hold_the_lamp() -> None:
    """Between two dips its level is not known, and nobody expects it to be."""
    dipped = {
        name: replace(each, kind="dip") if each.tank == "cabin" else each for name, each in SITE.instruments.items()
    }
    assert lamp_of(replace(SITE, instruments=dipped), replace(well(SITE), tanks=well(SITE).tanks[:2])) == "well"


def test_a_tanks_state_has_the_households_figures_the_exact_ones_and_its_time() -> None:
    """On hand with its doubt, in both units; times in UTC."""
    state = json.loads(tank_said("drinking", well(SITE).tanks[0], scene(well(SITE))).text)
    assert (state["on_hand"], state["plus_minus"], state["unit"], state["days"]) == ("212", "5", "gal", [12, 15, 19])
    assert state["on_hand_m3"] == pytest.approx(gallons(212), abs=0.0002)
    assert state["u_m3"] == pytest.approx(well(SITE).tanks[0].u_m3, abs=0.00001)
    assert (state["known"], state["quality"], state["reason"]) == (True, "ok", "")
    assert (state["at"], state["sent"]) == ("2026-10-28T23:17:50Z", "2026-10-28T23:20:00Z")
    assert state["haul_by"] is None
    hauled = replace(well(SITE).tanks[0], haul_by="2026-11-07")
    assert json.loads(tank_said("drinking", hauled, scene(well(SITE))).text)["haul_by"] == "2026-11-07"


def test_an_unknown_level_is_null_with_its_reason_never_zero() -> None:
    """And no figure of its doubt."""
    state = json.loads(tank_said("cabin", bad(SITE).tanks[2], scene(bad(SITE))).text)
    assert (state["known"], state["on_hand"], state["on_hand_m3"], state["plus_minus"], state["u_m3"]) == (
        False,
        *[None] * 4,
    )
    assert state["reason"] == "ice at the sensor is likely"


def test_without_a_trusted_clock_no_time_is_claimed() -> None:
    """Null, not a guess."""
    state = json.loads(tank_said("drinking", bad(SITE).tanks[0], scene(bad(SITE))).text)
    assert (state["at"], state["sent"]) == (None, None)
    assert line_said(scene(bad(SITE))).text.endswith("time unknown")


def test_the_line_says_the_state_first_then_each_tank_then_when() -> None:
    """Plain characters, at most 160."""
    words = "All well until about Monday 9 November. Drinking 212 gal 15 days, garden 540 gal 55 days, cabin 160 gal. 28 Oct 5:20pm"
    assert line_said(scene(well(SITE))).text == words
    for snapshot in (well(SITE), bad(SITE), Snapshot(NOW_MS, True, 0)):
        for system in ("US", "metric"):
            text = line_said(scene(snapshot, replace(SITE, measure=Measure(system)))).text  # type: ignore[arg-type]
            assert text.isascii()
            assert len(text) <= 160
    assert line_said(scene(bad(SITE))).text.startswith("Act now: Drain the garden spigot before dark: 24 F expected.")
    unknown = line_said(scene(Snapshot(NOW_MS, True, 0, (TankNow("drinking"),)))).text
    assert "Drinking UNKNOWN" in unknown


@pytest.mark.slow
def test_a_lamp_on_the_broker_lights_goes_dark_with_a_kill_and_says_off_after_a_stop(
    make_daemon: Callable[..., object], broker: object
) -> None:
    """From readings to the retained messages of a real broker; the will of a killed service; the last word of a stopped one."""
    heard: list[tuple[str, str]] = []
    listener = publisher(broker.port, "lamp")  # type: ignore[attr-defined]
    listener.on_message = lambda _client, _data, message: heard.append((message.topic[12:], message.payload.decode()))
    listener.subscribe("water/state/#", 1)
    daemon = make_daemon(port=broker.port).start()  # type: ignore[attr-defined]
    daemon.wait_for("connected to")
    client = publisher(broker.port)  # type: ignore[attr-defined]
    now = time.time()
    for seconds in (600, 0):
        for node, record in (("a", ("pressure", "Pa", pressure(1.4))), ("b", ("gap", "m", 1.2))):
            text = payload(record, t_s=now - seconds)
            client.publish(f"water/node/{node}/readings", text, qos=1).wait_for_publish(5)

    def wait(said: tuple[str, str]) -> None:
        end = time.monotonic() + 25
        while said not in heard and time.monotonic() < end:
            time.sleep(0.02)
        assert said in heard, heard

    wait(("service", "up"))
    wait(("lamp", "well"))
    main = json.loads(next(text for name, text in heard if name == "main" and json.loads(text)["known"]))
    assert main["on_hand_m3"] == pytest.approx(1.185, abs=0.02)  # pi/4 1.0668^2 (1.4 - 0.0762)
    daemon.kill()
    wait(("service", "lost"))
    heard.clear()
    daemon.start()
    wait(("service", "up"))
    assert daemon.stop() == 0
    wait(("lamp", "dark"))
    wait(("service", "off"))
