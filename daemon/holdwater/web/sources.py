"""What the page reads besides the snapshot: the store, through a narrow seam of its own."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import TracebackType
from typing import Protocol, Self

from holdwater.store.rows import ForecastRow, LevelRow, NoteRow, NoticeLife, NoticeStepRow, ReadingRow, RollRow


class History(Protocol):
    """The part of the store's reader that page and graph use. One per thread, opened for one page, then closed."""

    def __enter__(self) -> Self:
        """Open for reading."""
        ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Close."""
        ...

    def levels(self, tank: str, span_ms: int, start_ms: int, end_ms: int) -> Sequence[LevelRow]:
        """Hours or local days of a tank with `start_ms` in [start_ms, end_ms), oldest first."""
        ...

    def rolls(self, series: str, span_ms: int, start_ms: int, end_ms: int) -> Sequence[RollRow]:
        """Hours or local days of a series, oldest first."""
        ...

    def notices(self, start_ms: int, end_ms: int) -> Sequence[NoticeStepRow]:
        """Steps of notices, oldest first."""
        ...

    def lives(self, start_ms: int) -> Sequence[NoticeLife]:
        """Notices of which anything was told since a time, the newest first."""
        ...

    def notes(self, start_ms: int, end_ms: int) -> Sequence[NoteRow]:
        """Notes of the household, oldest first."""
        ...

    def newest_ms(self) -> int | None:
        """Time of the newest reading."""
        ...

    def readings(self, series: str, start_ms: int, end_ms: int) -> Iterable[ReadingRow]:
        """Raw readings of a series, oldest first."""
        ...

    def forecasts(self, start_ms: int, end_ms: int) -> Sequence[ForecastRow]:
        """Words as told and what came of them, oldest first."""
        ...

    def models(self, kind: str) -> Sequence[tuple[str, int, bytes]]:
        """What was learned, of one kind: (subject, time it reaches, body)."""
        ...
