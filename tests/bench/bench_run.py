"""What all measurements of one call share: the folder, the length, the season's store."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.measured import PATHS, site_text
from bench.season import SEASON_DAYS, write_recording
from broker_fixture import BrokerPlan, TestBroker

HOUR_MS = 3_600_000


@dataclass(slots=True)
class Bench:
    """One call of the bench.

    Attributes:
        folder: where everything goes; on a real file system, because memory file systems count no writes.
        quick: sizes for CI, under a minute in all.
    """

    folder: Path
    quick: bool
    _replayed: dict[tuple[int, int], dict[str, Any]] = field(default_factory=dict)

    def pick(self, quick: Any, full: Any) -> Any:
        """The size for this call."""
        return quick if self.quick else full

    @property
    def days(self) -> int:
        """Length of the season."""
        return int(self.pick(7, SEASON_DAYS))

    def sub(self, name: str) -> Path:
        """A folder of its own for one measurement."""
        path = self.folder / name
        path.mkdir(parents=True, exist_ok=True)
        return path

    def broker(self, name: str) -> TestBroker:
        """A Mosquitto with its own defaults, apart from a queue without limit; it writes nothing, or the bench would measure it."""
        return TestBroker(self.sub(name), BrokerPlan(persistent=False)).start()

    def season(self) -> dict[str, Any]:
        """The season replayed into a store, once a call; what it cost. Its last reading is of the hour before now."""
        return self.replayed(self.days, 1)

    def replayed(self, days: int, copies: int) -> dict[str, Any]:
        """So many days of so many households replayed; what it cost, and where the store is.

        Args:
            days: length of the recording.
            copies: households of eight series and three tanks.
        """
        key = (days, copies)
        if key not in self._replayed:
            folder = self.sub(f"replayed-{days}-{copies}")
            config, recording = folder / "site.toml", folder / "recording.jsonl"
            config.write_text(site_of_copies(site_text(folder / "store"), copies), encoding="utf-8")
            now_ms = round(time.time() * 1000)
            start_ms = now_ms - now_ms % HOUR_MS - days * 24 * HOUR_MS
            count = write_recording(recording, days, start_ms, copies)
            command = [sys.executable, "-m", "bench.replaying", str(config), str(recording)]
            told = subprocess.run(
                command, check=True, capture_output=True, env={**os.environ, "PYTHONPATH": PATHS}
            ).stdout
            recording.unlink()
            self._replayed[key] = {
                **json.loads(told), "readings": count, "folder": folder, "store": folder / "store", "start_ms": start_ms,
            }  # fmt: skip
        return self._replayed[key]


def site_of_copies(text: str, copies: int) -> str:
    """The site, with its tanks and their sensors again under numbered names for each further household."""
    before, _, rest = text.partition("[tank.drinking]")
    parts, _, after = ("[tank.drinking]" + rest).partition("[exposure.garden-spigot]")
    names = ("drinking", "garden", "cabin")
    found = [before, parts]
    for copy in range(1, copies):
        again = parts
        for name in names:
            again = again.replace(f"tank.{name}]", f"tank.{name}{copy}]").replace(
                f"sensor.{name}-", f"sensor.{name}{copy}-"
            )
            again = again.replace(f'tank = "{name}"', f'tank = "{name}{copy}"').replace(f'"{name}:', f'"{name}{copy}:')
        found.append(again)
    return "\n".join(found) + "\n[exposure.garden-spigot]" + after
