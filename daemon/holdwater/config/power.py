"""The section [power]: what the board itself runs on, and when it spares it."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from holdwater.config.model import Duration, Model, Voltage, problem
from holdwater.config.names import Series
from holdwater.config.site import PowerSettings

BACK_V = 0.3
"""How far above `sparing_below` the voltage must come by itself: a battery relieved of its load rises by some tenths."""


class PowerConfig(Model):
    """[power]: the battery of the board."""

    board: Series = Field(description="Series of the board's supply voltage.", examples=["board:battery"])
    sparing_below: Voltage = Field(
        description="At or below it for `after` the service spares: page off, written less often.", examples=["12.0 V"]
    )
    back_above: Voltage | None = Field(
        default=None,
        description="At or above it for `after` all is as before; 0.3 V above sparing_below when left out.",
    )
    after: Duration = Field(
        default=600.0,
        ge=0.0,
        le=86400.0,
        description="How long the voltage must stay there, by the readings' own time.",
        examples=["10 min"],
    )
    commit_every: Duration = Field(
        default=600.0, description="Longest wait before readings are written while sparing.", examples=["10 min"]
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.back_above is not None and self.back_above <= self.sparing_below:
            raise problem(
                f"back_above {self.back_above:g} V", f"above sparing_below, {self.sparing_below:g} V",
                f'write back_above = "{self.sparing_below + BACK_V:g} V"', "back_above",
            )  # fmt: skip
        if not 0 < self.commit_every <= 3600:
            raise problem(
                f"{self.commit_every:g} s",
                "more than 0 s, at most 1 h",
                'write commit_every = "10 min"',
                "commit_every",
            )
        return self

    def build(self) -> PowerSettings:
        """The settings."""
        back_v = self.sparing_below + BACK_V if self.back_above is None else self.back_above
        return PowerSettings(self.board, self.sparing_below, back_v, self.after, self.commit_every)
