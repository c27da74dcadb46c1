"""At the tank: the walk before drilling, the tape beside the sensor, two minutes at the tap; on a real broker."""

from __future__ import annotations

import json
import subprocess
import threading
from pathlib import Path

import pytest

from broker_fixture import program
from conftest import need
from holdwater.errors import OutsideError
from holdwater.intake.decode import Pack, Reading
from holdwater.setting_up import trials
from holdwater.setting_up.boxes import Door, card, enrol, new_password, password_line, with_line
from holdwater.setting_up.hearing import Ear, Heard
from holdwater.setting_up.trials import Level, Walk, drawn, silent_words, tape_words
from holdwater.units import M3_PER_GAL
from place import FACE_M, make_site, payload, pressure, publisher

IN = 0.0254


def heard(run: int | None, seq: int | None, *readings: Reading) -> Heard:
    """A pack of box a."""
    return Heard("a", 0.0, Pack("a", readings, run, seq))


def dbm(value: float) -> Reading:
    """A strength as the decoder gives it: dBm became dBW."""
    return Reading("signal", "dBW", value - 30.0, 0.0, relative=True)


def test_a_walk_counts_what_came_what_was_lost_and_how_strong() -> None:
    """Numbers 1 to 20 without 5 and 9, one twice: 18 of 20; the weakest strength is said."""
    tally = Walk()
    for seq in [*range(1, 5), *range(6, 9), *range(10, 21), 20]:
        tally.take(heard(7, seq, dbm(-60.0 - seq)))
    assert (tally.came, tally.lost, tally.repeats) == (18, 2, 1)
    words = tally.words("garden")
    assert "18 came of 20" in words
    assert "2 lost on the way" in words
    assert "weakest -80." in words
    assert "Weak:" not in words


def test_a_box_that_resets_is_counted_run_by_run() -> None:
    """A gap between two boots is no loss."""
    tally = Walk()
    for run, seq in ((1, 1), (1, 2), (2, 1), (2, 3)):
        tally.take(heard(run, seq))
    assert (tally.came, tally.lost) == (4, 1)


def test_a_weak_box_is_said_to_be_weak_and_a_silent_strength_is_said() -> None:
    """Below -85 dBm; and a box that numbers nothing and announces nothing."""
    weak, plain = Walk(), Walk()
    weak.take(heard(1, 1, dbm(-91.0)))
    plain.take(heard(None, None))
    assert "Weak: rain or a full tank may cut it off." in weak.words("a")
    assert "cannot be told" in plain.words("a")
    assert "does not announce" in plain.words("a")


def test_silence_says_what_to_check() -> None:
    """With how long it has lasted."""
    assert silent_words("garden", 240.0) == "nothing heard from garden, 4 min: check power, name, password"


def test_tape_and_sensor_side_by_side(tmp_path: Path) -> None:
    """Within twice the doubt they agree; beyond, the height of the mount is named."""
    site = make_site(tmp_path)
    gauge = site.instruments["shed-level"]
    near = tape_words(21 * IN, Level(21.3 * IN, 0.25 * IN), gauge, site.measure)
    assert near == "Tape says 21 in, sensor says 21.3 (give or take 0.5). They agree."
    far = tape_words(21 * IN, Level(23 * IN, 0.25 * IN), gauge, site.measure)
    assert "They do not agree by 2.0 in" in far
    assert "height of its face" in far
    assert "gives no depth: too near" in tape_words(0.5, Level(None, 0.0, "too near"), gauge, site.measure)


def test_a_tap_test_is_judged_by_the_noise_of_two_readings(tmp_path: Path) -> None:
    """Six gallons from a 42 in tank are an inch: seen; a glass of water is too little to see."""
    site = make_site(tmp_path)
    tank, gauge = site.tanks["main"], site.instruments["main-level"]
    six_m = 6 * M3_PER_GAL / tank.area_m2(1.0)
    out = drawn(tank, Level(1.0, 0.01), Level(1.0 - six_m, 0.01), gauge, 120.0)
    assert out.by_sensor_m3 == pytest.approx(6 * M3_PER_GAL)
    assert "3.0 gal/min. They agree." in out.words(6 * M3_PER_GAL, site.measure)
    assert "They do not agree: is another tap open" in out.words(20 * M3_PER_GAL, site.measure)
    still = drawn(tank, Level(1.0, 0.01), Level(1.0, 0.01), gauge, 120.0)
    assert "Too little for this sensor" in still.words(0.05 * M3_PER_GAL, site.measure)
    assert "says nothing" in drawn(tank, Level(1.0, 0.01), None, gauge, 120.0).words(None, site.measure)


@pytest.mark.slow
def test_a_walk_over_a_real_broker_hears_its_own_box_and_reminds_while_it_is_silent(broker, tmp_path: Path) -> None:
    """Packs of another box and the broker's kept message do not count; silence is said, then the packs come."""
    site = make_site(tmp_path, port=broker.port)
    box = publisher(broker.port, "box")
    box.publish("water/node/a/readings", payload(("pressure", "Pa", 1.0)), qos=1, retain=True).wait_for_publish(5)
    said: list[str] = []

    def say(text: str) -> None:
        said.append(text)
        if text.startswith("nothing heard") and not sender.is_alive():
            sender.start()

    def send() -> None:
        for seq in (1, 2, 4):
            pack = json.loads(payload(("pressure", "Pa", 9000.0), ("signal", "dBW", -100.0), run=5, seq=seq))
            for node in ("b", "a"):
                box.publish(f"water/node/{node}/readings", json.dumps(pack), qos=1).wait_for_publish(5)

    sender = threading.Thread(target=send)
    with Ear(site) as ear:
        tally = trials.walk(ear, "a", say, packs=3, remind_s=0.2, give_up_s=20.0)
    assert any(text.startswith("nothing heard from a, 0 s: check power, name, password") for text in said)
    assert (tally.came, tally.lost) == (3, 1)
    assert "-70 dBm" in tally.words("a")


def test_a_box_that_never_comes_ends_the_walk(broker, tmp_path: Path) -> None:
    """After the patience it gives up and says so."""
    said: list[str] = []
    with Ear(make_site(tmp_path, port=broker.port)) as ear:
        tally = trials.walk(ear, "a", said.append, remind_s=0.05, give_up_s=0.2)
    assert tally.came == 0
    assert said[-1].endswith("Giving up for now.")


@pytest.mark.slow
def test_the_tap_test_over_a_real_broker(broker, tmp_path: Path) -> None:
    """A level before, the tap open, a level after: the gallons of the shape between two pressures."""
    site = make_site(tmp_path, port=broker.port)
    box = publisher(broker.port, "box")
    said: list[str] = []

    def send(depth_m: float) -> None:
        box.publish("water/node/a/readings", payload(("pressure", "Pa", pressure(depth_m))), qos=1)

    def say(text: str) -> None:
        said.append(text)
        if text.startswith("Shut every tap"):
            send(1.0)
        if text.startswith("Shut it NOW"):
            threading.Timer(0.2, send, (0.97,)).start()

    with Ear(site) as ear:
        out = trials.tap(ear, site, "main", say, open_s=0.3, remind_s=5.0, give_up_s=10.0)
    assert out.by_sensor_m3 == pytest.approx(site.tanks["main"].area_m2(1.0) * 0.03, rel=0.01)
    assert [text for text in said if text.startswith("Open the tap NOW")]


@pytest.mark.slow
def test_the_depth_of_an_ultrasonic_box_is_heard_through_the_sites_own_physics(broker, tmp_path: Path) -> None:
    """Distance down becomes depth; a pack without the gap is said and waited past."""
    site = make_site(tmp_path, port=broker.port)
    box = publisher(broker.port, "box")
    with Ear(site) as ear:
        box.publish("water/node/b/readings", payload(("air", "Cel", 20.0)), qos=1)
        box.publish("water/node/b/readings", payload(("gap", "m", FACE_M - 0.8)), qos=1)
        said: list[str] = []
        level = trials.hear_level(ear, site.instruments["shed-level"], said.append, give_up_s=10.0)
    assert level is not None
    assert level.depth_m == pytest.approx(0.8, abs=0.002)
    assert "without b:gap" in said[0]


def test_a_broker_that_is_not_there_is_said_in_words(tmp_path: Path) -> None:
    """With its address and what to do."""
    with pytest.raises(OutsideError) as caught, Ear(make_site(tmp_path, port=9)):
        pass
    assert "127.0.0.1:9" in caught.value.words()


# -- boxes --------------------------------------------------------------------------------------------------------------------


def test_a_new_password_is_long_plain_and_never_the_same() -> None:
    """Twenty signs without look-alikes, in groups of five."""
    made = {new_password() for _ in range(50)}
    assert len(made) == 50
    for each in made:
        assert len(each.replace("-", "")) == 20
        assert not set(each) & set("0o1il")


@pytest.mark.slow
def test_a_line_that_we_make_lets_a_box_in_at_a_real_broker(make_broker, tmp_path: Path) -> None:
    """Our PBKDF2 line and one of mosquitto_passwd in one file; a wrong password stays out."""
    need(program("mosquitto_passwd") is not None, "mosquitto_passwd is missing: sudo apt-get install -y mosquitto")
    passwords = tmp_path / "passwords"
    subprocess.run(
        [str(program("mosquitto_passwd")), "-b", "-c", str(passwords), "old", "x"], check=True, capture_output=True
    )
    words = enrol("garden", "our-word", passwords)
    assert "garden" in words
    broker = make_broker(extra=("allow_anonymous false", f"password_file {passwords}"))
    passwords.chmod(0o644)
    for login in (("garden", "our-word"), ("old", "x")):
        publisher(broker.port, login[0], username=login[0], password=login[1]).disconnect()
    with pytest.raises(AssertionError):
        publisher(broker.port, "thief", username="garden", password="another")


def test_a_new_password_of_a_box_takes_the_place_of_its_old_one_only() -> None:
    """One line a name; names that begin alike are left alone."""
    text = with_line("a:1\ngarden:2\ngarden2:3\n", password_line("garden", "x", b"s" * 12))
    lines = text.splitlines()
    assert [each.partition(":")[0] for each in lines] == ["a", "garden2", "garden"]
    assert lines[-1].startswith("garden:$7$101$")


def test_a_card_has_all_that_a_box_needs_and_fits_the_terminal() -> None:
    """Name, password, broker, topics, what it says; the authority where it is encrypted."""
    text = card("garden", "abcde-fghjk", Door("water.local", 8883, "water", "AB:CD"), ["gap, distance down in m"])
    for words in (
        "garden",
        "abcde-fghjk",
        "water.local port 8883",
        "water/node/garden/readings",
        "water/node/garden/receipt",
        "AB:CD",
    ):
        assert words in text
    assert len({len(line) for line in text.splitlines()}) == 1


def test_the_password_file_keeps_its_owner_and_mode(tmp_path: Path) -> None:
    """The broker must still be able to read it."""
    passwords = tmp_path / "passwords"
    passwords.write_text("")
    enrol("a", "x", passwords)
    assert passwords.stat().st_mode & 0o777 == 0o640
