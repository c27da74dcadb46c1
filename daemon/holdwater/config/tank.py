"""Tables `[tank.NAME]` and `[transfer.NAME]` of the config."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from holdwater.config.haul import HaulConfig
from holdwater.config.model import Area, Length, Model, Ratio, Volume, problem
from holdwater.config.shape import ShapeConfig
from holdwater.config.shape_parts import length_words
from holdwater.tanks.tank import Tank
from holdwater.tanks.vessels import Link, Vessel
from holdwater.units import M3_PER_GAL

Use = Literal["drinking", "washing", "garden", "stock", "fire"]
Filler = Literal["roof", "well", "load", "transfer", "spring", "mains"]


def _one_or_more(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


Uses = Annotated[list[Use], BeforeValidator(_one_or_more)]
Fillers = Annotated[list[Filler], BeforeValidator(_one_or_more)]


def volume_words(m3: float) -> str:
    """A volume in both systems, for errors."""
    return f"{m3 / M3_PER_GAL:.4g} gal ({m3 * 1000:.4g} L)"


class VesselConfig(Model):
    """One vessel of joined ones: `[[tank.NAME.vessel]]`."""

    name: str = Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$",
        description="name of the vessel, to put sensors on it and join links to it",
    )
    shape: ShapeConfig = Field(description="its inside shape")
    floor: Length = Field(
        default=0.0, ge=0.0, description="height of its inside floor above the lowest inside floor of the tank"
    )
    use: Uses | None = Field(
        default=None,
        description="what its water is for, if said; must be the tank's use: waters of different use never mix",
    )


class LinkConfig(Model):
    """A pipe between two vessels: `[[tank.NAME.link]]`."""

    between: tuple[str, str] = Field(description="names of the two vessels it joins")
    height: Length = Field(
        default=0.0,
        ge=0.0,
        description="height of its lowest way through above the lowest inside floor of the tank; below it nothing flows",
    )
    shut: bool = Field(
        default=False, description="true while its valve is shut: what it cuts off is counted but not on hand"
    )


class TankConfig(Model):
    """One body of water: `[tank.NAME]`. All heights are above the lowest inside floor."""

    use: Uses = Field(
        default_factory=list, description="what its water is for: drinking, washing, garden, stock, fire; one or a list"
    )
    shape: ShapeConfig | None = Field(default=None, description="inside shape of a single tank")
    vessel: list[VesselConfig] = Field(
        default_factory=list, validate_default=True, description="joined vessels instead of one shape"
    )
    link: list[LinkConfig] = Field(default_factory=list, description="pipes that join the vessels")
    overflow: Length | None = Field(
        default=None,
        description="height of the overflow lip, where capacity ends; default: the top",
    )
    outlet: Length = Field(default=0.0, description="height of the draw-off; water below it never counts")
    outlet_vessel: str | None = Field(default=None, description="vessel with the outlet; default: the first")
    reserve: Volume | None = Field(default=None, description="on-hand volume never to go below")
    floor: Volume | None = Field(
        default=None, description="on-hand volume kept for a named purpose, such as fire water"
    )
    geometry: Ratio = Field(
        default=0.01, ge=0.0, le=0.5, description="standard uncertainty of the volume from the measures of the tank"
    )
    mount: Length = Field(
        default=0.0, ge=0.0, description="standard uncertainty of the height at which its sensors are mounted"
    )
    table: Ratio = Field(
        default=0.0, ge=0.0, le=0.5, description="standard uncertainty of a dip chart, as a share of the volume"
    )
    filled_by: Fillers = Field(
        default_factory=list, description="what fills it: roof, well, load, transfer, spring, mains; one or a list"
    )
    roof: Area | None = Field(default=None, ge=0.0, description="roof area that feeds it, as seen from above")
    haul: HaulConfig | None = Field(default=None, description="how water is hauled to it, if it is")

    @field_validator("haul", mode="after")
    @classmethod
    def _load_fits(cls, value: HaulConfig | None, info: ValidationInfo) -> HaulConfig | None:
        tank = _tank(info.data)
        if value is not None and tank is not None and value.load > tank.full_on_hand_m3:
            raise problem(
                f"load {volume_words(value.load)}",
                f"at most what is on hand when full, {volume_words(tank.full_on_hand_m3)}",
                "write what one trip can bring into this tank; the rest of a larger load has no place in it",
                "load",
            )
        return value

    @field_validator("vessel", mode="after")
    @classmethod
    def _one_form(cls, value: list[VesselConfig], info: ValidationInfo) -> list[VesselConfig]:
        if "shape" not in info.data:
            return value
        if info.data["shape"] is None and not value:
            raise problem(
                "neither shape nor vessel",
                "a shape, or two or more [[…vessel]]",
                'add shape = { kind = "box", … }',
                "shape",
            )
        if info.data["shape"] is not None and value:
            raise problem("shape and vessel together", "one of them", "move the shape into a vessel of its own")
        names = [each.name for each in value]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise problem(f"vessel {twice[0]} twice", "a name of its own for each vessel", "rename one of them")
        for each in value:
            cls._same_use(each, info.data.get("use") or [])
        return value

    @staticmethod
    def _same_use(vessel: VesselConfig, uses: list[str]) -> None:
        if vessel.use is None or set(vessel.use) == set(uses):
            return
        said = ", ".join(vessel.use)
        raise problem(
            f"vessel {vessel.name} for {said} joined into a tank for {', '.join(uses) or 'no stated use'}",
            "joined vessels of one use: their water mixes"
            + (", and only drinking water may get to drinking water" if "drinking" in uses else ""),
            "make it a tank of its own, or correct its use",
        )

    @field_validator("link", mode="after")
    @classmethod
    def _known_vessels(cls, value: list[LinkConfig], info: ValidationInfo) -> list[LinkConfig]:
        names = [each.name for each in info.data.get("vessel") or []]
        for at, link in enumerate(value):
            for name in link.between:
                if name not in names and "vessel" in info.data:
                    raise problem(
                        f"link {at + 1} joins '{name}'",
                        f"names of vessels of this tank: {', '.join(names) or 'none'}",
                        "correct the name",
                    )
            if link.between[0] == link.between[1]:
                raise problem(
                    f"link {at + 1} joins '{link.between[0]}' to itself",
                    "two different vessels",
                    "correct one of the names",
                )
        return value

    @field_validator("overflow", mode="after")
    @classmethod
    def _within(cls, value: float | None, info: ValidationInfo) -> float | None:
        vessels = _vessels(info.data)
        if value is None or not vessels:
            return value
        top = max(each.top_m for each in vessels)
        if value > top * (1 + 1e-9):
            raise problem(
                f"overflow {length_words(value)}",
                f"at most the inside height, {length_words(top)}",
                "lower overflow, or correct the height of the shape",
            )
        if value <= 0.0:
            raise problem(
                f"overflow {length_words(value)}",
                "above the floor",
                "write the height of the overflow's lip above the inside floor",
            )
        return value

    @field_validator("outlet", mode="after")
    @classmethod
    def _under_overflow(cls, value: float, info: ValidationInfo) -> float:
        if value < 0.0:
            raise problem(
                f"outlet {length_words(value)}",
                "zero or above: the height of the draw-off over the floor",
                'write outlet = "0 in" for one at the floor',
            )
        full = _full_m(info.data)
        if full is not None and value >= full:
            raise problem(
                f"outlet {length_words(value)}",
                f"below the overflow, {length_words(full)}",
                "lower outlet or raise overflow",
            )
        return value

    @field_validator("outlet_vessel", mode="after")
    @classmethod
    def _outlet_on(cls, value: str | None, info: ValidationInfo) -> str | None:
        names = [each.name for each in info.data.get("vessel") or []]
        if value is not None and value not in names:
            raise problem(
                f"outlet_vessel '{value}'",
                f"a vessel of this tank: {', '.join(names) or 'it has only one shape'}",
                "correct the name or leave it out",
            )
        return value

    @field_validator("reserve", "floor", mode="after")
    @classmethod
    def _fits(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is None:
            return None
        if value < 0.0:
            raise problem(volume_words(value), "zero or more", 'write a volume such as "90 gal"')
        tank = _tank(info.data)
        if tank is not None and value > tank.full_on_hand_m3:
            raise problem(
                f"{info.field_name} {volume_words(value)}",
                f"at most what is on hand when full, {volume_words(tank.full_on_hand_m3)}",
                f"lower {info.field_name}, or correct shape, outlet or overflow",
            )
        return value

    def build(self, name: str) -> Tank:
        """The tank of that name."""
        tank = _tank(self.__dict__, name)
        if tank is None:
            raise AssertionError("a checked tank has a shape")
        return tank


def _vessels(data: dict[str, Any]) -> tuple[Vessel, ...]:
    if data.get("shape") is not None:
        return (Vessel("", data["shape"].build()),)
    return tuple(Vessel(each.name, each.shape.build(), each.floor) for each in data.get("vessel") or ())


def _full_m(data: dict[str, Any]) -> float | None:
    if "overflow" not in data:
        return None
    if data["overflow"] is not None:
        return float(data["overflow"])
    vessels = _vessels(data)
    return max(each.top_m for each in vessels) if vessels else None


def _tank(data: dict[str, Any], name: str = "") -> Tank | None:
    """The tank of the keys read so far; None when those it needs are wrong."""
    vessels = _vessels(data)
    full = _full_m(data)
    if not vessels or full is None or "outlet" not in data or "link" not in data:
        return None
    return Tank(
        name=name,
        vessels=vessels,
        links=tuple(Link(each.between, each.height, each.shut) for each in data["link"]),
        outlet_m=data["outlet"],
        overflow_m=min(full, max(each.top_m for each in vessels)),
        outlet_vessel=data.get("outlet_vessel") or "",
        uses=tuple(data.get("use") or ()),
        reserve_m3=data.get("reserve"),
        floor_m3=data.get("floor"),
        filled_by=tuple(data.get("filled_by") or ()),
        roof_m2=data.get("roof"),
        geometry=data.get("geometry", 0.01),
        u_mount_m=data.get("mount", 0.0),
        table=data.get("table", 0.0),
        haul=data["haul"].build() if data.get("haul") is not None else None,
    )


class TransferConfig(Model):
    """Water moved by the household from one tank to another: `[transfer.NAME]`."""

    source: str = Field(alias="from", description="tank it is taken from")
    target: str = Field(alias="to", description="tank it is put into")

    def check(self, tanks: dict[str, Tank]) -> None:
        """Refuse names of no tank, and water of another use into a drinking tank.

        Raises:
            PydanticCustomError: as `model.problem`, for the loader to show under this transfer.
        """
        for key, name in (("from", self.source), ("to", self.target)):
            if name not in tanks:
                raise problem(
                    f"{key} '{name}'", f"a tank of this file: {', '.join(tanks) or 'none'}", "correct the name", key
                )
        if self.source == self.target:
            raise problem(f"from and to are both '{self.source}'", "two different tanks", "correct one of them", "to")
        if tanks[self.target].is_drinking and not tanks[self.source].is_drinking:
            uses = ", ".join(tanks[self.source].uses) or "no stated use"
            raise problem(
                f"transfer from '{self.source}' (for {uses}) into '{self.target}' (for drinking)",
                "only drinking water into a drinking tank",
                "remove this transfer; take the water for drinking from a drinking source",
                "to",
            )
