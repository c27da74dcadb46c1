"""The whole first hour: what is answered is what the config says, and the config is right."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from holdwater.setting_up.dialog import Dialog
from holdwater.setting_up.drawing import draw
from holdwater.setting_up.interview import Where, interview
from holdwater.setting_up.journal import Journal
from holdwater.setting_up.writing import toml
from holdwater.sitefile import open_site, site_of
from holdwater.units import Measure
from place import run_command
from setup.answering import BEGINNER, Person

SAMPLES = Path(__file__).parents[2] / "sample_configs"


def hold(person: Person, folder: Path):
    """An interview of that person; text and site."""
    where = Where(folder / "site.toml", str(folder / "store"), folder / "broker" / "passwords")
    return Dialog(person, Journal()).run(lambda dialog: interview(dialog, where))


def replaced(*changes: tuple[str, str]) -> list[tuple[str, str]]:
    """The beginner's answers with some others."""
    given = dict(changes)
    return [(part, given.pop(part, answer)) for part, answer in BEGINNER] + [
        each for each in changes if each[0] in given
    ]


def test_a_beginners_answers_become_a_config_that_is_right(tmp_path: Path) -> None:
    """One tank, one ultrasonic sensor: height is the tank's and the spacer's, the gallons are those of the shape."""
    person = Person(list(BEGINNER))
    text, site = hold(person, tmp_path)
    assert site_of(text, "again.toml", {}).sha == site.sha
    tank = site.tanks["drinking"]
    assert round(site.measure.volume(tank.full_on_hand_m3), 1) == 353.9
    assert site.instruments["drinking-level"].physics.height_m == pytest.approx((66 + 7) * 0.0254)
    assert site.measure.system == "US"
    assert person.script == []


def test_the_household_sees_its_tank_and_its_gallons_beside_the_label(tmp_path: Path) -> None:
    """The section with lip, tap and reserve; label and tape side by side; a label far off is worth a word."""
    person = Person(list(BEGINNER))
    hold(person, tmp_path)
    assert "overflow lip 62 in: 353.9 gal on hand" in person.said
    assert "Label 400 gal; by your tape 396 gal to the rim, 372 to the overflow lip, 354 above the tap." in person.said
    assert "less than the label" not in person.said
    person = Person(replaced(("label say", "550")))
    hold(person, tmp_path)
    assert "28% less than the label" in person.said


def test_cautions_come_where_it_can_hurt(tmp_path: Path) -> None:
    """Climbing, drinking water, shavings, heat tape, no message."""
    person = Person(list(BEGINNER))
    hold(person, tmp_path)
    for words in (
        "Never climb in or lean into a tank",
        "not for drinking, cooking or teeth",
        "No shavings in drinking water",
        "GFCI",
        "no proof that all is well",
    ):
        assert words in person.said


def test_a_face_inside_its_dead_zone_is_refused_with_the_spacer_that_helps(tmp_path: Path) -> None:
    """Lip at 62 in, rim at 66 in, dead zone 10 in: the face must be 6 in above the rim."""
    person = Person([*replaced(("on its spacer", "0")), ("on its spacer", "6")])
    _, site = hold(person, tmp_path)
    assert "found:    face 4 in above the overflow lip" in person.said
    assert "brings the face 6 in above the top" in person.said
    assert site.instruments["drinking-level"].physics.height_m == pytest.approx(72 * 0.0254)


def test_not_my_tank_asks_for_its_shape_again_with_the_old_measures_offered(tmp_path: Path) -> None:
    """Enter alone keeps a measure, the wrong one is mended."""
    script = replaced(("Is that your tank", "no"))
    script += [("Diameter, inside?\n[42]", "48"), ("Is that your tank", "yes")]
    person = Person(script, enter=True)
    _, site = hold(person, tmp_path)
    assert "48 in across" in site.tanks["drinking"].describe(site.measure)
    assert round(site.measure.volume(site.tanks["drinking"].full_on_hand_m3), 0) == 462  # pi/4 48^2 59 / 231


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ((("Which shape", "lying"), ("How do you tape", "round"), ("round the belly", "12 ft 10 1/2 in"), ("straight part", "120"),
          ("thick is the wall", "1/4"),
          ("its ends look", "flat"), ("overflow lip", "45")), "lying cylinder, 48.7 in across, 119.5 in long"),
        ((("Which shape", "box"), ("Length, inside", "48"), ("Width, inside", "36"), ("overflow lip", "62")), "box, 48 by 36 in"),
        ((("Which shape", "tapered"), ("Diameter at the floor", "60"), ("Diameter at the rim", "66"),
          ("overflow lip", "62")), "60 to 66 in across"),
        ((("Which shape", "trough"), ("Width at the floor", "20"), ("Width at the rim", "30"), ("Length, inside", "90"),
          ("overflow lip", "62")), "trough"),
        ((("Which shape", "joined"), ("How many are joined", "3"), ("one of them like", "box"), ("Length, inside", "45"),
          ("Width, inside", "37"),
          ("joining pipes", "1"), ("On which of the joined", "a")), "3 joined vessels"),
        ((("Which shape", "filling"), ("Amount 1", "100"), ("Depth of the water", "17"), ("Amount 2", "250"), ("Depth of the water", "60"),
          ("Another amount", "no"), ("give or take", "1"), ("overflow lip", "58"), ("on its spacer", "9")), "on hand when full"),
        ((("Which shape", "chart"), ("Point 1: height", "0"), ("holds there", "0"), ("Point 2: height", "60"), ("holds there", "350"),
          ("Another point", "no"), ("overflow lip", "58"), ("on its spacer", "9")), "on hand when full"),
    ],
    ids=["lying", "box", "tapered", "trough", "joined", "filling", "chart"],
)  # fmt: skip
def test_every_shape_can_be_answered_and_is_drawn(
    tmp_path: Path, answers: tuple[tuple[str, str], ...], words: str
) -> None:
    """Measures, or a dip chart by filling with known loads; every drawing fits 79 columns and is plain ASCII."""
    shape = {"on its spacer", "How do you tape", "Diameter, inside", "floor to rim", "Which shape", "overflow lip"}
    wanted = [part for part, _ in answers]
    script = [
        each
        for each in BEGINNER
        if each[0] not in shape & set(wanted) or (each[0] in ("How do you tape",) and "How do you tape" not in wanted)
    ]
    person = Person([*answers, *script], always={"label say": ""})
    _, site = hold(person, tmp_path)
    tank = site.tanks["drinking"]
    assert words in tank.describe(site.measure)
    drawing = draw(tank, site.measure)
    assert drawing in person.said
    assert drawing.isascii()
    assert max(map(len, drawing.splitlines())) <= 79


def test_measures_that_cannot_be_are_said_and_the_shape_is_asked_again(tmp_path: Path) -> None:
    """A wall thicker than the tank: the config's own words, then the shape anew."""
    bad = [
        ("Which shape", "box"),
        ("How do you tape", "outside"),
        ("Length, outside", "10"),
        ("Width, outside", "10"),
        ("floor to rim, outside", "20"),
        ("thick is the wall", "6"),
    ]
    person = Person([*bad, *BEGINNER], enter=True)
    _, site = hold(person, tmp_path)
    assert "leaves no inside" in person.said
    assert "upright" in site.tanks["drinking"].describe(site.measure)


def test_metric_households_are_asked_in_their_units(tmp_path: Path) -> None:
    """A plain number is centimetres, litres, metres above the sea."""
    given = {"Gallons, inches": "metric", "above the sea": "900", "Diameter, inside": "107", "floor to rim": "168", "overflow lip": "157",
             "Height of the tap": "8",
             "want to be told": "340", "label say": "1500", "dead zone": "25", "on its spacer": "20", "nearest wall": "40"}  # fmt: skip
    _, site = hold(Person([(part, given.get(part, answer)) for part, answer in BEGINNER]), tmp_path)
    assert site.measure.system == "metric"
    assert site.elevation_m == 900
    assert site.tanks["drinking"].reserve_m3 == pytest.approx(0.34)


def test_every_sample_config_comes_out_of_the_writer_as_it_went_in() -> None:
    """Quotes, lists, tables in tables, joined vessels: read back, the same TOML."""
    import tomllib

    for path in sorted(SAMPLES.glob("*.toml")):
        data = tomllib.loads(path.read_text())
        kept = {
            name: table
            for name, table in data.items()
            if name in ("site", "broker", "store", "page", "weather", "tank", "sensor", "exposure", "channel")
        }
        assert tomllib.loads(toml(kept, "x")) == kept, path.name


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.toml")), ids=lambda path: path.stem)
def test_the_section_of_every_sample_is_drawn_with_its_marks(path: Path) -> None:
    """The overflow lip and its gallons stand beside the row of the lip; the floor is below."""
    site = open_site(path, {})
    for tank in site.tanks.values():
        lines = draw(tank, site.measure).splitlines()
        assert len(lines) <= 16
        lip = next(at for at, line in enumerate(lines) if "overflow lip" in line)
        assert "~" in lines[lip]
        assert not any("~" in line for line in lines[:lip])
        if tank.outlet_m > 0:
            assert lip < next(at for at, line in enumerate(lines) if "tap " in line)


def test_a_drawing_is_as_wide_as_its_tank_is_to_its_height() -> None:
    """Characters twice as high as wide: a box 40 wide and 40 high is twice as many columns as rows."""
    from holdwater.config.tank import TankConfig

    tank = TankConfig.model_validate(
        {"shape": {"kind": "box", "length": "40 in", "width": "40 in", "height": "40 in"}}
    ).build("t")
    rows = [re.match(r"  (\|.*\||\s*)", line) for line in draw(tank, Measure()).splitlines()]
    width = max(len(row[1]) for row in rows if row)
    assert width == 2 * len(rows)


@pytest.mark.slow
def test_over_a_terminal_it_is_left_by_ctrl_c_taken_up_and_writes_a_config_that_check_takes(tmp_path: Path) -> None:
    """The real command on a real pseudo-terminal, as over ssh; mode 640, the old file kept, no answers left behind."""
    config = tmp_path / "site.toml"
    config.write_text("# an older one\n")
    first = Terminal(config)
    for part, answer in BEGINNER[:9]:
        first.answer(part, answer)
    first.expect("Diameter, inside")
    first.send(b"\x03")
    assert first.wait() == 130
    assert "To go on: holdwater setup" in " ".join(first.seen.split())
    assert config.read_text() == "# an older one\n"
    second = Terminal(config)
    second.expect("9 answers so far")
    for part, answer in BEGINNER[9:]:
        second.answer(part, answer)
    assert second.wait() == 0
    assert "353.9 gal on hand when full" in " ".join(second.seen.split())
    assert all(len(line) <= 79 for line in second.seen.splitlines() if line.endswith("?"))
    assert run_command("check", str(config)).returncode == 0
    assert config.stat().st_mode & 0o777 == 0o640
    assert (tmp_path / "site.toml.before").read_text() == "# an older one\n"
    assert not (tmp_path / "site.toml.answers").exists()


class Terminal:
    """`holdwater setup` on a pseudo-terminal."""

    def __init__(self, config: Path) -> None:
        self._master, slave = pty.openpty()
        command = [
            sys.executable,
            "-m",
            "holdwater",
            "setup",
            "--config",
            str(config),
            "--store",
            str(config.parent / "store"),
        ]
        command += ["--passwords", str(config.parent / "none" / "passwords")]
        self._process = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            preexec_fn=own_terminal,  # noqa: PLW1509 -- one system call
        )  # fmt: skip
        os.close(slave)
        self.seen = ""
        self._from = 0

    def answer(self, part: str, answer: str) -> None:
        """Wait for a question, then type."""
        self.expect(part)
        self.expect("> ")
        self.send(answer.encode() + b"\n")

    def expect(self, part: str) -> None:
        """Wait until it is on the screen, after what was waited for before."""
        end = time.monotonic() + 20
        while (at := self._find(part)) < 0:
            assert time.monotonic() < end, f"{part!r} did not come:\n{self.seen[-1500:]}"
            self._read(0.5)
        self._from = at + len(part)

    def _find(self, part: str) -> int:
        """Where it stands; a line of the terminal may end at any blank of it."""
        found = re.compile(r"\s+".join(map(re.escape, part.split(" ")))).search(self.seen, self._from)
        return found.start() if found else -1

    def send(self, keys: bytes) -> None:
        """Type."""
        os.write(self._master, keys)

    def wait(self) -> int:
        """Its exit code."""
        while self._read(5.0):
            pass
        os.close(self._master)
        return self._process.wait(10)

    def _read(self, wait_s: float) -> bool:
        ready, _, _ = select.select([self._master], [], [], wait_s)
        if not ready:
            return False
        try:
            data = os.read(self._master, 65536)
        except OSError:  # the other end is gone
            return False
        self.seen += data.decode(errors="replace").replace("\r\n", "\n")
        return bool(data)


def own_terminal() -> None:
    """The pseudo-terminal becomes the child's own, so that Ctrl-C reaches it as a signal."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
