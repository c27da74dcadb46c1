"""Receipts: contiguous numbers, islands, holes closed as counted loss."""

from hypothesis import given
from hypothesis import strategies as st

from holdwater.runs import MOST_ISLANDS, Run, begin, take


def fed(seqs: list[int], keep: int | None = 1) -> Run:
    run = begin(seqs[0], keep)
    for seq in seqs:
        run = take(run, seq, keep)
    return run


def test_packs_in_order_make_one_contiguous_run() -> None:
    """Nothing is missing, nothing is ahead."""
    assert fed([1, 2, 3]) == Run(3, (), 0)


def test_a_hole_leaves_an_island_until_it_is_filled() -> None:
    """The receipt says both, so that the node sends what is missing and not the rest."""
    assert fed([1, 2, 5, 6]) == Run(2, ((5, 6),), 0)
    assert fed([1, 2, 5, 6, 3, 4]) == Run(6, (), 0)


def test_a_hole_below_what_the_node_still_holds_is_counted_as_lost() -> None:
    """It can never be filled: the record says so, and the run goes on."""
    assert take(Run(2, ((5, 6),), 0), 9, keep=9) == Run(9, (), 4)  # 3, 4, 7, 8


def test_a_run_heard_of_in_its_middle_counts_nothing_as_lost() -> None:
    """What a node gave up before we knew it was never ours."""
    assert begin(17, 15) == Run(14, (), 0)
    assert begin(17, None) == Run(16, (), 0)


@given(st.permutations(range(1, 30)), st.lists(st.integers(1, 29), max_size=20))
def test_any_order_with_any_repetition_ends_in_the_same_run(order: list[int], again: list[int]) -> None:
    """The receipt does not depend on how the packs came."""
    run = begin(1, 1)
    for seq in [*order, *again]:
        run = take(run, seq, 1)
    assert run == Run(29, (), 0)


@given(st.lists(st.integers(1, 5000), min_size=1, max_size=300))
def test_islands_stay_bounded_apart_and_in_order(seqs: list[int]) -> None:
    """Memory is bounded whatever a mad node sends."""
    run = begin(1, None)
    for seq in seqs:
        run = take(run, seq, None)
        assert run.has(seq)
    assert len(run.ahead) <= MOST_ISLANDS
    edges = [edge for island in run.ahead for edge in island]
    assert edges == sorted(edges)
    assert all(first <= last for first, last in run.ahead)
    assert all(later[0] > before[1] + 1 for before, later in zip(run.ahead, run.ahead[1:], strict=False))


def test_more_islands_than_are_remembered_close_the_oldest_hole_as_loss() -> None:
    """A node that loses every other pack must not grow our memory without end; what is given up is counted."""
    run = fed([1, *range(3, 3 + 2 * MOST_ISLANDS, 2)])
    assert (run.upto, len(run.ahead), run.lost) == (1, MOST_ISLANDS, 0)
    run = take(run, 3 + 2 * MOST_ISLANDS, 1)
    assert (run.upto, len(run.ahead), run.lost) == (3, MOST_ISLANDS, 1)
