"""A TOML syntax error is shown with its line, in plain words."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from holdwater.config.syntax import dotted, parse_toml


def only(text):
    data, problems = parse_toml(text)
    assert data == {}
    assert len(problems) == 1
    return problems[0]


def test_a_quantity_without_quotes_is_shown_with_its_line_and_the_quoted_form():
    """Where, the line itself with a mark, and the exact line to write."""
    problem = only('[tank.a]\nuse = "garden"\noutlet = 3 in # tap\n')
    assert problem.key == "line 3, column 12"
    assert "outlet = 3 in # tap" in problem.found
    assert problem.found.splitlines()[-1].rstrip().endswith("^")
    assert problem.fix == 'put quotes around the value: outlet = "3 in"'
    assert "quotes" in problem.expected


def test_several_syntax_errors_are_found_at_once():
    """A plain line that does not parse does not hide the next one."""
    _, problems = parse_toml("[site]\nname = Quern Bench\nunits = US\n[tank.a]\noutlet = 3 in\n")
    assert [problem.key for problem in problems] == ["line 2, column 8", "line 3, column 9", "line 5, column 12"]


@pytest.mark.parametrize(
    ("text", "key", "found", "fix"),
    [
        ("[site\n", "line 1, column 6", "expected ']'", "close the bracket ]"),
        ('name = "x\n', "line 1, column 10", "quotes are opened and not closed", "close the quotes"),
        ("[site]\nname\n", "line 2, column 5", "no = after the key", "key = value"),
        ("x = [1,\n  2\n", "line 2", "array", "close the bracket ]"),
        ("x = {a = 1\n", "line 1", "table", "close the brace }"),
        ("a = 1\na = 2\n", "line 2", "twice", "remove one of the two"),
        ("= 3\n", "line 1, column 1", "does not begin with a key", "key = value"),
        ("x = 2026-13-01\n", "line 1", "", "date"),
        ('x = "\x01"\n', "line 1", "character", "control character"),
        ("x = {a = 1, a = 2}\n", "line 1", "'a' is there twice", "remove one of the two"),
    ],
)
def test_each_common_slip_says_what_and_how_to_mend_it(text, key, found, fix):
    """What was found and what to do, without parser jargon."""
    problem = only(text)
    assert problem.key.startswith(key)
    assert found in problem.found
    assert fix in problem.fix
    assert "statement" not in problem.found


def test_two_sensors_of_one_name_are_two_sections_of_one_name():
    """Two sensors with the same name: TOML refuses the second section; both places are clear from the words."""
    problem = only('[sensor.level]\ntank = "a"\n[sensor.level]\ntank = "b"\n')
    assert problem.key == "line 3, column 14"
    assert "two sections are called [sensor.level]" in problem.found
    assert "another name" in problem.fix


def test_brackets_nested_beyond_reason_are_a_problem_and_no_crash():
    """A hostile file ends in words."""
    assert "nested too deep" in only("x = " + "[" * 100_000).found
    for depth in (30, 400, 480):
        assert "nested too deep" in only("x = " + "[" * depth + "]" * depth).found
        assert "nested too deep" in only("x = " + "{a=" * depth + "1" + "}" * depth).found


def test_keys_are_written_as_in_the_file():
    """List places count from 1; a name with a blank is quoted."""
    assert dotted(("tank", "garden", "vessel", 1, "shape")) == "tank.garden.vessel[2].shape"
    assert dotted(("tank", "my tank", "use")) == 'tank."my tank".use'


@pytest.mark.slow
@settings(max_examples=100)
@given(st.text(alphabet='ab=.[]{}",#\n 1\'"\\', max_size=40))
@example("a = 1\r\nb = x\r\n")
def test_any_text_gives_tables_or_problems(text):
    """Nothing but an answer comes of any text."""
    data, problems = parse_toml(text)
    assert not (data and problems)
    assert all(problem.key and problem.found and problem.expected and problem.fix for problem in problems)
