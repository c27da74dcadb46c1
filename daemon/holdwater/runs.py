"""Which packs of a node's run are stored: contiguous up to a number, islands beyond it, holes closed as counted loss.

Pure. A node numbers its packs 1, 2, 3 … in each run (boot) and says in each pack the oldest number it still holds (`keep`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

MOST_ISLANDS = 64
"""Islands remembered beyond the contiguous part; past it the oldest hole is closed as loss, so that memory stays bounded."""


@dataclass(frozen=True, slots=True)
class Run:
    """What is stored of one run.

    Attributes:
        upto: every pack up to this number is stored or given up.
        ahead: islands beyond it, as (first, last), in order and apart.
        lost: packs that were given up because the node no longer held them.
    """

    upto: int = 0
    ahead: tuple[tuple[int, int], ...] = ()
    lost: int = 0

    def has(self, seq: int) -> bool:
        """True when that pack is stored already."""
        return seq <= self.upto or any(first <= seq <= last for first, last in self.ahead)


def begin(seq: int, keep: int | None) -> Run:
    """The state of a run heard of for the first time: what the node no longer held then was never ours to lose."""
    return Run(upto=max(0, min(seq, keep if keep is not None else seq) - 1))


def take(run: Run, seq: int, keep: int | None) -> Run:
    """The run after pack `seq` is stored; holes below `keep` are closed and counted."""
    if keep is not None and keep > run.upto + 1:
        run = _close_below(run, keep)
    if not run.has(seq):
        run = _absorb(replace(run, ahead=_insert(run.ahead, seq)))
    while len(run.ahead) > MOST_ISLANDS:
        run = _close_below(run, run.ahead[0][0])
    return run


def _insert(islands: tuple[tuple[int, int], ...], seq: int) -> tuple[tuple[int, int], ...]:
    merged: list[tuple[int, int]] = []
    for first, last in sorted((*islands, (seq, seq))):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return tuple(merged)


def _absorb(run: Run) -> Run:
    upto, ahead = run.upto, list(run.ahead)
    while ahead and ahead[0][0] <= upto + 1:
        upto = max(upto, ahead.pop(0)[1])
    return Run(upto, tuple(ahead), run.lost)


def _close_below(run: Run, keep: int) -> Run:
    stored = sum(min(last, keep - 1) - first + 1 for first, last in run.ahead if first < keep)
    missing = keep - 1 - run.upto - stored
    ahead = tuple((max(first, keep), last) for first, last in run.ahead if last >= keep)
    return _absorb(Run(keep - 1, ahead, run.lost + missing))
