"""Replay a recording in a process of its own and say what it cost: `python -m bench.replaying CONFIG RECORDING`."""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from pathlib import Path

from holdwater.recording import lines
from holdwater.replay import replay
from holdwater.sitefile import open_site


def main(config: Path, recording: Path) -> None:
    """Replay; one JSON object on standard output. Processor time and memory begin after the config is read."""
    site = open_site(config, os.environ)
    before_s = time.process_time()
    with recording.open(encoding="utf-8") as texts:
        told = replay(site, lines(texts, recording.name), site.store.folder)
    cost = {
        "seconds": told.seconds,
        "cpu_s": time.process_time() - before_s,
        "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "events": told.events,
        "store_bytes": site.store.database.stat().st_size,
    }
    print(json.dumps(cost))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
