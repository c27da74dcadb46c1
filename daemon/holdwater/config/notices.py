"""The tables `[notice.KIND]` as the running service sees them: plain values, made by the models of `config.notice`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """What differs from the defaults; None keeps them. Lines are text with their unit, durations s, the margin a share."""

    off: bool | None = None
    severity: str | None = None
    raise_at: str | None = None
    clear_at: str | None = None
    raise_after: float | None = None
    clear_after: float | None = None
    clear_margin: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeTable(Override):
    """One kind of notice: what differs, its channels (None: all that take its severity), what differs for one tank."""

    channels: tuple[str, ...] | None = None
    tank: Mapping[str, Override] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NoticeSettings:
    """All `[notice.KIND]` tables of the file, by kind; a kind that is not there keeps its defaults."""

    kinds: Mapping[str, NoticeTable] = field(default_factory=dict)
