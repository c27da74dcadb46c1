"""Tables `[exposure.NAME]` of the config: what can freeze, how it is made and protected, and what is at stake."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator, model_validator

from holdwater.config.exposures import OF_TANK, WALL_M, Exposure, ExposureKind, Sky
from holdwater.config.model import (
    Area,
    Insulation,
    Length,
    Model,
    Money,
    Temperature,
    problem,
)
from holdwater.config.names import Series
from holdwater.units import M_PER_IN

# What a kind is like when the file does not say: bore and length in m. A pressure sensor's port is a stagnant
# quarter-inch bore, a wet screen holds about a millimetre of water. Common sizes, no source.
BORES_M: dict[ExposureKind, float] = {
    "spigot": 0.5 * M_PER_IN,
    "pipe": 0.75 * M_PER_IN,
    "sensor": 0.25 * M_PER_IN,
    "screen": 0.002,
}
LENGTHS_M: dict[ExposureKind, float] = {"spigot": 0.3, "pipe": 3.0, "sensor": 0.03, "screen": 0.3}

# Cost of acting once and loss when nobody did, in the household's money: own figures, to be replaced by the
# household's.
STAKES: dict[ExposureKind, tuple[float, float]] = {
    "spigot": (3.0, 58.0),
    "pipe": (6.0, 150.0),
    "tank": (15.0, 400.0),
    "tank skin": (3.0, 30.0),
    "screen": (2.0, 12.0),
    "sensor": (3.0, 60.0),
}

Positive = Annotated[Length, Field(gt=0.0)]


class ExposureConfig(Model):
    """One thing that can freeze: `[exposure.NAME]`."""

    kind: ExposureKind = Field(description="what it is: spigot, pipe, tank, tank skin, screen, sensor")
    tank: str = Field(
        default="",
        validate_default=True,
        description="tank or tank skin: name of the tank",
        examples=["garden"],
    )
    bore: Positive | None = Field(
        default=None,
        description="inside diameter of the pipe or valve where water stands; default by kind",
        examples=["2 in"],
    )
    outside: Positive | None = Field(
        default=None,
        description="outside diameter; default: the bore and 3 mm of wall on each side",
        examples=["2.4 in"],
    )
    length: Positive | None = Field(default=None, description="length in the cold; default by kind", examples=["12 ft"])
    insulation: Insulation = Field(
        default=0.0, ge=0.0, description="resistance of the sleeve or foam around it; 0 for none", examples=["3 R"]
    )
    box: Insulation = Field(
        default=0.0,
        ge=0.0,
        description="resistance of a box around the tank with its air gap; 0 for none; keeps the wind out",
        examples=["2 R"],
    )
    wind: bool = Field(default=True, description="true when wind reaches it")
    sky: Sky = Field(
        default="part",
        description="how much of the sky it sees: open, part (at a wall), roof (none); "
        "on a clear night what sees the sky is colder than the air",
    )
    surface: Area | None = Field(
        default=None,
        gt=0.0,
        description="tank: its whole outside; default: that of a cube of its volume",
        examples=["72 ft2"],
    )
    air: Series | None = Field(
        default=None,
        description="series of the air right at it (crawl space, pump house); default: [weather] air",
        examples=["shed:air"],
    )
    water: Series | None = Field(
        default=None, description="tank: series of the water temperature", examples=["garden:water"]
    )
    limit: Temperature | None = Field(
        default=None,
        gt=-60.0,
        lt=15.0,
        description="outside air below which it freezes, when you know it; default: reckoned each night",
        examples=["28 degF"],
    )
    drained: bool = Field(default=False, description="true while there is no water in it for the season")
    cost: Money | None = Field(
        default=None, ge=0.0, description="what acting once is worth to you; default by kind", examples=["$3"]
    )
    loss: Money | None = Field(
        default=None,
        ge=0.0,
        description="what it costs you when it freezes and nobody acted; default by kind",
        examples=["$58"],
    )

    @field_validator("tank")
    @classmethod
    def _names_a_tank(cls, tank: str, info: ValidationInfo) -> str:
        if info.data.get("kind") in OF_TANK and not tank:
            raise problem("no tank", "the name of the tank", 'add: tank = "NAME"')
        return tank

    @model_validator(mode="after")
    def _bore_fits(self) -> ExposureConfig:
        bore_m = self._bore_m()
        if self.outside is not None and self.outside < bore_m:
            raise problem(
                f"outside {self.outside / M_PER_IN:.3g} in",
                f"at least the bore, {bore_m / M_PER_IN:.3g} in",
                "give the outside diameter of the pipe, or leave it out",
                "outside",
            )
        return self

    def _bore_m(self) -> float:
        return self.bore if self.bore is not None else BORES_M.get(self.kind, 0.5 * M_PER_IN)

    def build(self, name: str) -> Exposure:
        """The exposure, under its name in the file."""
        bore_m = self._bore_m()
        usual_cost, usual_loss = STAKES[self.kind]
        return Exposure(
            name,
            self.kind,
            bore_m,
            self.outside if self.outside is not None else bore_m + 2 * WALL_M,
            self.length if self.length is not None else LENGTHS_M.get(self.kind, 0.3),
            self.insulation,
            self.box,
            self.wind and self.box <= 0,
            self.sky,
            self.surface,
            self.tank,
            self.air,
            self.water,
            self.limit,
            self.drained,
            usual_cost if self.cost is None else self.cost,
            usual_loss if self.loss is None else self.loss,
        )
