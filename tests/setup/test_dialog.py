"""Asking: checked at once, one question back, left and taken up again."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conftest import need
from holdwater.setting_up.answers import Sizes, name, one_of, quantity, some_of, tidy, yes_no
from holdwater.setting_up.dialog import Dialog, Left, Wrong
from holdwater.setting_up.journal import Journal, write_private
from holdwater.units import Measure, parse
from setup.answering import Person


def three(dialog: Dialog) -> tuple[str, bool, str]:
    """Three questions, the third depends on the second."""
    first = dialog.ask("first", "Name?", name())
    second = dialog.ask("second", "Large?", yes_no)
    third = dialog.ask("third.large" if second else "third.small", "Which?", one_of(("oak", "elm")))
    return first, second, third


def test_a_wrong_answer_is_asked_again_with_found_and_expected() -> None:
    """Nothing goes on with an answer that cannot be."""
    person = Person(
        [("Name?", "no spaces please"), ("Name?", "cabin"), ("Large?", "maybe"), ("Large?", "y"), ("Which?", "2")]
    )
    assert Dialog(person, Journal()).run(three) == ("cabin", True, "elm")
    assert "found:    'no spaces please'" in person.said
    assert "expected: yes or no" in person.said


def test_back_goes_one_question_back_and_offers_what_was_answered() -> None:
    """Enter alone takes the old answer; one that led elsewhere leads elsewhere."""
    person = Person(
        [
            ("Name?", "cabin"),
            ("Large?", "yes"),
            ("Which?", "back"),
            ("Large?", "back"),
            ("Name?", ""),
            ("Large?", "no"),
            ("Which?", "oak"),
        ]
    )
    assert Dialog(person, Journal()).run(three) == ("cabin", False, "oak")
    assert any("[cabin]" in prompt for prompt in person.asked)
    assert any("[yes]" in prompt for prompt in person.asked)


def test_back_at_the_first_question_stays_there() -> None:
    """And says so."""
    person = Person([("Name?", "back"), ("Name?", "a"), ("Large?", "y"), ("Which?", "oak")])
    assert Dialog(person, Journal()).run(three)[0] == "a"
    assert "first question" in person.said


@pytest.mark.parametrize("leaving", ["<Ctrl-C>", "leave", "quit"])
def test_what_was_answered_is_there_when_the_interview_is_taken_up_again(tmp_path: Path, leaving: str) -> None:
    """Left in the middle; the file is for its owner only; the next start asks the next question."""
    path = tmp_path / "site.toml.answers"
    with pytest.raises(Left):
        Dialog(Person([("Name?", "cabin"), ("Large?", leaving)]), Journal.open(path)).run(three)
    assert path.stat().st_mode & 0o077 == 0
    person = Person([("Large?", "n"), ("Which?", "elm")])
    assert Dialog(person, Journal.open(path)).run(three) == ("cabin", False, "elm")
    assert not any("Name?" in prompt for prompt in person.asked)


@pytest.mark.parametrize("spoiled", ["", "{", '{"entries": 3}', '{"entries": [["first"]], "offers": {}}'])
def test_a_spoiled_file_of_answers_begins_anew(tmp_path: Path, spoiled: str) -> None:
    """A journal that cannot be read is no reason to stop."""
    path = tmp_path / "answers"
    path.write_text(spoiled)
    assert Journal.open(path).entries == []


def test_an_answer_of_another_interview_is_asked_again(tmp_path: Path) -> None:
    """A kept answer that can no longer be read as one is asked anew, with all that follows."""
    path = tmp_path / "answers"
    path.write_text(
        json.dumps(
            {
                "entries": [["first", "ok", "asked"], ["second", "perhaps", "asked"], ["third", "oak", "asked"]],
                "offers": {},
            }
        )
    )
    person = Person([("Large?", "y"), ("Which?", "oak")])
    assert Dialog(person, Journal.open(path)).run(three) == ("ok", True, "oak")


def test_what_is_done_once_is_not_done_again_by_going_back_to_after_it() -> None:
    """A password is made once; taking back the question before it makes a new one."""
    made: list[int] = []

    def act() -> str:
        made.append(1)
        return f"made {len(made)}"

    def both(dialog: Dialog) -> tuple[str, str]:
        dialog.ask("a", "First?", yes_no)
        done = dialog.once("made", act)
        dialog.ask("b", "Second?", yes_no)
        return done, str(dialog.ask("c", "Third?", yes_no))

    person = Person([("First?", "y"), ("Second?", "y"), ("Third?", "back"), ("Second?", "y"), ("Third?", "y")])
    assert Dialog(person, Journal()).run(both)[0] == "made 1"


@pytest.mark.parametrize(
    ("text", "expected"),
    [("42", "42 in"), ("41 1/2", "41.5 in"), ("1/4", "0.25 in"), ("5 ft 6 in", "66 in"), ("5' 6\"", "66 in"),
     ("12 ft 10 1/2 in", "154.5 in"),
     ("107 cm", "107 cm"), ('62"', "62 in"), ("-3", "-3 in"), ("-1 1/2 in", "-1.5 in"), ("1,200", "1,200 in")],
)  # fmt: skip
def test_lengths_are_taken_as_people_say_them(text: str, expected: str) -> None:
    """Fractions, feet and inches, a plain number in the household's unit."""
    assert tidy(text, "in") == expected
    parse(expected, "length")


@given(st.text(max_size=30))
def test_no_text_at_all_breaks_a_reader(text: str) -> None:
    """Every reader gives a value or `Wrong` with words; never anything else."""
    sizes = Sizes(Measure("US"))
    readers = (
        name(("a",)),
        yes_no,
        one_of(("a", "b")),
        some_of(("a", "b"), none=True),
        sizes.length(0, 9),
        sizes.volume(0, 9, none=True),
        quantity("angle", "deg", 0, 1),
    )
    for read in readers:
        with contextlib.suppress(Wrong):
            read(text.strip())


def test_a_measure_out_of_bounds_says_the_bounds_in_the_same_unit() -> None:
    """Of 600 in nobody has a household tank."""
    with pytest.raises(Wrong) as caught:
        Sizes(Measure("US")).length(0.0254, 10 * 0.3048, "a measure of a tank")("600")
    assert caught.value.expected == "a measure of a tank, 1 in to 120 in"


def test_what_root_writes_belongs_to_the_group_of_its_folder_so_that_the_service_can_read_it(tmp_path: Path) -> None:
    """/etc/holdwater is root's, its group the service's: a config of mode 640 with root's group would keep the service out."""
    need(os.geteuid() == 0, "only root may give a folder another group")
    os.chown(tmp_path, -1, 12345)
    write_private(tmp_path / "site.toml", "x", mode=0o640)
    found = (tmp_path / "site.toml").stat()
    assert (found.st_gid, found.st_mode & 0o777) == (12345, 0o640)
