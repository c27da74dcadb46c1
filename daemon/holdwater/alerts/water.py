"""What several kinds say of a tank's water: how it is called, and where more of it may come from."""

from __future__ import annotations

from holdwater.alerts.telling import Telling


def water_of(told: Telling) -> str:
    """``Drinking water``, or ``Water in garden tank``; begins a sentence."""
    if told.words.get("drinking") and told.subject.casefold() == "drinking":
        return "Drinking water"
    return f"Drinking water in {told.name}" if told.words.get("drinking") else f"Water in {told.name} tank"


def source(told: Telling) -> str:
    """Where water for drinking may be hauled from; empty for other water. Begins with a space."""
    if not told.words.get("drinking"):
        return ""
    return " Haul drinking water only from a source for drinking, in a tank and through a hose made for it."
