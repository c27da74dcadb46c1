"""What the rules need of a site: named as protocols, so that the engine depends on values and not on how a config is read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol
from zoneinfo import ZoneInfo

from holdwater.config.channels import Channel
from holdwater.config.notices import NoticeSettings
from holdwater.tanks.tank import Tank
from holdwater.units import Measure


class InstrumentLike(Protocol):
    """What the engine needs of an instrument."""

    @property
    def tank(self) -> str:
        """The tank it measures."""

    @property
    def series(self) -> str:
        """The series it reads."""

    @property
    def kind(self) -> str:
        """Its kind as in the config."""

    @property
    def gives_depth(self) -> bool:
        """Whether it measures a level."""

    @property
    def from_ms(self) -> int | None:
        """From when on it counts."""

    @property
    def until_ms(self) -> int | None:
        """Until when it counts."""


class SiteLike(Protocol):
    """What the engine needs of a site."""

    @property
    def name(self) -> str:
        """What the household calls it."""

    @property
    def timezone(self) -> ZoneInfo:
        """Its time zone."""

    @property
    def measure(self) -> Measure:
        """Its units."""

    @property
    def tanks(self) -> Mapping[str, Tank]:
        """Its tanks."""

    @property
    def instruments(self) -> Mapping[str, InstrumentLike]:
        """Its level sensors."""

    @property
    def notices(self) -> NoticeSettings | None:
        """Its notice settings."""

    @property
    def channels(self) -> Mapping[str, Channel]:
        """Its channels."""
