"""What the loop is given of the world: a clock, a way out to the broker, a post. Replay and tests give it others."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from holdwater.alerts.rows import Change
    from holdwater.clock import Clock
    from holdwater.events import Delivered
    from holdwater.reception import Moment
    from holdwater.store.batch import Ack


class Outward(Protocol):
    """What the loop does to the world, after a commit. Every method returns at once."""

    def acks(self, owed: Sequence[Ack]) -> None:
        """Acknowledge messages to the broker, in this order."""
        ...

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Publish or queue a message."""
        ...


class Post(Protocol):
    """The outbox at work: knows the open rows, hands due ones to the channels."""

    @property
    def sends(self) -> bool:
        """False in replay: nothing is put out, what is told stays in the store."""
        ...

    def committed(self, changes: Iterable[Change]) -> None:
        """Changes whose outbox rows are on the card."""
        ...

    def delivered(self, event: Delivered, now: Moment) -> list[tuple[str, str, int, int]]:
        """What became of a sending: rows to update as (key, state, tries, due ms)."""
        ...

    def send_due(self, now: Moment) -> list[tuple[str, str, int, int]]:
        """Hand due rows to their channels; rows to update."""
        ...

    def next_due_s(self, now: Moment) -> float | None:
        """Seconds until the next row is due; None when nothing waits."""
        ...

    def failing(self, now: Moment) -> tuple[tuple[str, float, str], ...]:
        """Channels that are failing: name, seconds, why."""
        ...


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the loop is given: clock, world, post, and who judges the clock."""

    clock: Clock
    outward: Outward
    post: Post
    trusted: Callable[[], bool]
    window: Callable[[], int] = lambda: 20
    ticked: Callable[[], None] = lambda: None
    why_untrusted: Callable[[], str] = str
    backup_words: Callable[[], str | None] = lambda: None
    """Why no backup is made; empty when it is or none is asked for, None while nothing is known."""
    told_time: Callable[[str, int], object] = lambda _source, _wall_ms: None
