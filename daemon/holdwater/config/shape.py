"""Tables `shape = { kind = "…", … }` of the config: the inside of a tank, any units."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from holdwater.config.model import Length, Model, problem
from holdwater.tanks import shapes
from holdwater.tanks.shapes import Shape


def _above_zero(value: float) -> float:
    if not value > 0.0:
        raise problem(f"{value:g} m", "a length above zero", 'write an inside measure such as "42 in"')
    return value


Size = Annotated[Length, AfterValidator(_above_zero)]


class BoxShape(Model):
    """A box with upright walls."""

    kind: Literal["box"] = Field(description="box")
    length: Size = Field(description="inside length")
    width: Size = Field(description="inside width")
    height: Size = Field(description="inside height, floor to rim")

    def build(self) -> Shape:
        """The shape itself."""
        return shapes.box(self.length, self.width, self.height)


class UprightCylinderShape(Model):
    """A round tank standing on a flat floor."""

    kind: Literal["upright cylinder"] = Field(description="upright cylinder")
    diameter: Size = Field(description="inside diameter")
    height: Size = Field(description="inside height, floor to rim")

    def build(self) -> Shape:
        """The shape itself."""
        return shapes.upright_cylinder(self.diameter, self.height)


class HorizontalCylinderShape(Model):
    """A lying round tank."""

    kind: Literal["horizontal cylinder"] = Field(description="horizontal cylinder")
    diameter: Size = Field(description="inside diameter")
    length: Size = Field(description="inside length")

    def build(self) -> Shape:
        """The shape itself."""
        return shapes.horizontal_cylinder(self.diameter, self.length)


def _tidy(value: Any) -> Any:
    """Accept `upright-cylinder` and `Upright_Cylinder` for `upright cylinder`."""
    if isinstance(value, dict) and isinstance(value.get("kind"), str):
        return {**value, "kind": " ".join(value["kind"].lower().replace("-", " ").replace("_", " ").split())}
    return value


ShapeConfig = Annotated[
    Annotated[BoxShape | UprightCylinderShape | HorizontalCylinderShape, Field(discriminator="kind")],
    BeforeValidator(_tidy),
]
