"""What to do about each kind of thing that can freeze, and the cautions that go with it."""

from __future__ import annotations

CAUTIONS = (
    "Pump and water heater off before a line is drained. Leave no hose on: it keeps even a frost-free spigot full. A trickle spends "
    "drinking water, so it is not advised. Heat tape: only one listed for the pipe, on a GFCI outlet, never overlapped. Never thaw with a "
    "flame. Local codes and licensed people decide."
)
DEEDS = {
    "spigot": "unhook the hose, drain it",
    "pipe": "pump and heater off, drain it",
    "tank": "close lid and box",
    "tank skin": "ice at the wall: leave room",
    "screen": "clear leaves, let it run dry",
    "sensor": "cover it, doubt its level",
}
ACTIONS = {
    "spigot": "drain",
    "pipe": "drain",
    "tank": "cover",
    "tank skin": "watch",
    "screen": "clear",
    "sensor": "shield",
}
