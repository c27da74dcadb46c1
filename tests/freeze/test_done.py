"""What was drained stays drained until it is opened."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from holdwater.freeze.done import KEPT_MS, Deeds, Done, done_as_of, done_of, with_note

HOUR = 3_600_000
NOW = 1_790_604_000_000

NOTES = st.lists(
    st.tuples(
        st.sampled_from(["drained", "covered", "opened", "load", "watering"]),
        st.integers(NOW - 30 * HOUR, NOW),
        st.fixed_dictionaries({"exposure": st.sampled_from(["spigot", "pipe", "", None, 3])}),
    ),
    max_size=8,
    unique_by=lambda note: note[1],
)


def test_what_was_drained_stays_drained_until_it_is_opened() -> None:
    """Through a whole winter; opening ends it, draining again begins it."""
    drained = ("drained", NOW, {"exposure": "spigot"})
    winter_ms = NOW + 200 * 24 * HOUR
    assert done_of([drained], winter_ms) == {"spigot": Done("drained", NOW)}
    opened = ("opened", NOW + HOUR, {"exposure": "spigot"})
    assert done_of([drained, opened], winter_ms) == {}
    again = ("covered", NOW + 2 * HOUR, {"exposure": "spigot"})
    assert done_of([drained, opened, again], winter_ms) == {"spigot": Done("covered", NOW + 2 * HOUR)}


def test_a_note_of_another_year_says_nothing_of_this_one() -> None:
    """Who forgot to write that it was opened is warned again the winter after next."""
    assert done_of([("drained", NOW, {"exposure": "spigot"})], NOW + KEPT_MS + 1) == {}


def test_nothing_that_is_done_later_counts_yet() -> None:
    """As of a time: what comes after it is not known."""
    assert done_of([("drained", NOW + 1, {"exposure": "spigot"})], NOW) == {}


@given(NOTES, st.randoms(use_true_random=False))
def test_the_newest_note_of_a_thing_holds_in_whichever_order_they_come_in(notes, random) -> None:
    """Against a search through the whole list; a note without a thing says nothing."""
    mixed = list(notes)
    random.shuffle(mixed)
    deeds: Deeds = {}
    for note in mixed:
        deeds = with_note(deeds, *note)
    expected = {}
    for name in ("spigot", "pipe"):
        about = [n for n in notes if n[2]["exposure"] == name and n[0] in ("drained", "covered", "opened")]
        newest = max(about, key=lambda note: note[1], default=None)
        if newest is not None and newest[0] != "opened":
            expected[name] = Done(newest[0], newest[1])
    assert done_as_of(deeds, NOW) == expected == done_of(mixed, NOW)
