"""The table `[tank.NAME.haul]` of the config: how water is hauled to a tank."""

from __future__ import annotations

from pydantic import Field, ValidationInfo, field_validator

from holdwater.config.model import Duration, Model, Volume, problem
from holdwater.tanks.hauling import Hauling

DAY_S = 86400.0
MOST_WAIT_DAYS = 60


class HaulConfig(Model):
    """How water is hauled to a tank: `[tank.NAME.haul]`. With it the service says by which day to haul."""

    load: Volume = Field(gt=0.0, description="what one trip brings", examples=["125 gal"])
    usual_wait: Duration = Field(
        ge=0.0, description="usual time from deciding to haul until the water is in the tank", examples=["2 days"]
    )
    worst_wait: Duration = Field(
        ge=0.0,
        le=MOST_WAIT_DAYS * DAY_S,
        description="the longest such time that you reckon with: road closed, truck broken, nobody home",
        examples=["6 days"],
    )

    @field_validator("worst_wait", mode="after")
    @classmethod
    def _not_under_usual(cls, value: float, info: ValidationInfo) -> float:
        usual_s = info.data.get("usual_wait")
        if usual_s is not None and value < usual_s:
            raise problem(
                f"worst_wait {value / DAY_S:.3g} days",
                f"at least the usual wait, {usual_s / DAY_S:.3g} days",
                "raise worst_wait to the longest wait you have had, or lower usual_wait",
            )
        return value

    def build(self) -> Hauling:
        """How water is hauled, as plain values."""
        return Hauling(self.load, self.usual_wait / DAY_S, self.worst_wait / DAY_S)
