"""Makes tests/reference/stores/step-N.db.gz, a small store as the code of today writes it: `python tests/make_store_fixture.py`.

To be run once for each schema step, before the next one is written, and never again: the file then stands for the stores of that time.
"""

from __future__ import annotations

import gzip
import json
import shutil
import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from holdwater import __version__
from holdwater.recording import lines
from holdwater.replay import replay
from holdwater.sitefile import open_site
from holdwater.store.connect import STORE_NAME
from holdwater.store.steps import STEPS

SAMPLES = Path(__file__).parents[1] / "sample_configs"
STORES = Path(__file__).parent / "reference" / "stores"
NAME = "buried-cylinder"  # levels, a barometer, hand dips


def table_rows(path: Path) -> dict[str, int]:
    """How many rows each table has."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        names = [
            row[0]
            for row in connection.execute(
                "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            )
        ]
        return {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in sorted(names)}


def main() -> None:
    """Replay a sample into a store, pack it, and write down how many rows it has."""
    stem = STORES / f"step-{len(STEPS)}"
    if stem.with_suffix(".db.gz").exists():
        sys.exit(f"{stem.with_suffix('.db.gz')} exists: it stands for the stores of its time and is not made anew")
    STORES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        with (SAMPLES / f"{NAME}.jsonl").open("rb") as file:
            replay(open_site(SAMPLES / f"{NAME}.toml", {}), lines(file, NAME), Path(folder))
        whole = Path(folder) / "whole.db"
        with closing(sqlite3.connect(Path(folder) / STORE_NAME)) as connection:
            connection.execute("VACUUM INTO ?", (str(whole),))
        with whole.open("rb") as raw, gzip.GzipFile(stem.with_suffix(".db.gz"), "wb", mtime=0) as packed:
            shutil.copyfileobj(raw, packed)
        said = {"made by": __version__, "step": len(STEPS), "site": NAME, "rows": table_rows(whole)}
        stem.with_suffix(".json").write_text(json.dumps(said, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
