"""`[notice.KIND]`: lines, durations and severity of one kind of notice; `[notice.KIND.tank.NAME]` for one tank.

None is needed: every kind has its defaults. Which kinds there are, and in which unit their lines are written, is known
to `holdwater.alerts.settings`, which checks these tables against them.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from holdwater.config.model import Duration, Model, Ratio, problem
from holdwater.config.notices import NoticeTable, Override

SeverityName = Literal["act now", "act today", "know"]


def _quantity(value: object) -> str:
    """A line as text with its unit; which dimension it must have is known to its kind."""
    if not isinstance(value, str):
        raise problem(
            f"{value!r} has no unit",
            'a quantity as text with its unit, such as "32 degF" or "90 gal"',
            "write number and unit in quotes",
        )
    return value


Line = Annotated[str, BeforeValidator(_quantity)]


class NoticeOverride(Model):
    """What differs for one tank."""

    off: bool | None = Field(None, description="true switches this kind off for this tank")
    severity: SeverityName | None = Field(None, description='"act now", "act today" or "know"')
    raise_at: Line | None = Field(None, description='line at which it is raised, with its unit, such as "32 degF"')
    clear_at: Line | None = Field(None, description='line at which it is cleared, with its unit, such as "34 degF"')
    raise_after: Duration | None = Field(
        None, description='how long readings must be past raise_at, such as "10 min"', ge=0
    )
    clear_after: Duration | None = Field(
        None, description='how long readings must be past clear_at, such as "30 min"', ge=0
    )
    clear_margin: Ratio | None = Field(
        None, description='how far above the line it is cleared, as a share of it, such as "5 %"', ge=0, le=1
    )

    def override(self) -> Override:
        """What differs, as a plain value."""
        return Override(**_values(self, NoticeOverride))


class NoticeConfig(NoticeOverride):
    """One kind of notice."""

    channels: tuple[str, ...] | None = Field(
        None, description="names of the channels it goes to; left out: to all that take its severity"
    )
    tank: dict[str, NoticeOverride] = Field(default_factory=dict, description="what differs for one tank, by its name")

    def build(self) -> NoticeTable:
        """The table as a plain value."""
        tanks = {name: each.override() for name, each in self.tank.items()}
        return NoticeTable(**_values(self, NoticeOverride), channels=self.channels, tank=tanks)


def _values(entry: NoticeOverride, model: type[NoticeOverride]) -> dict[str, Any]:
    return {name: getattr(entry, name) for name in model.model_fields}
