"""A restart is no event: nothing is worked out anew, nothing is told."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

from holdwater.gauge import Place
from holdwater.replay import replay
from holdwater.rollup import RollUp
from place import MINUTE_MS, START_MS, make_site, reading


def test_the_same_config_means_the_same_levels_in_every_process(tmp_path: Path) -> None:
    """Else each start would build all levels of all years anew."""
    program = (
        f"import sys, sqlite3; sys.path[:0] = {sys.path!r}\n"
        "from pathlib import Path\nfrom place import make_site\nfrom holdwater.gauge import Place\nfrom holdwater.rollup import RollUp\n"
        "c = sqlite3.connect(':memory:'); c.execute('CREATE TABLE meta(key, value)')\n"
        f"print(RollUp(c, make_site(Path({str(tmp_path)!r})), Place(None, 9.8)).meaning())"
    )
    other = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    connection = sqlite3.connect(":memory:")
    connection.execute("CREATE TABLE meta(key, value)")
    assert RollUp(connection, make_site(tmp_path), Place(None, 9.8)).meaning() == other.stdout.strip()


def test_a_store_opened_again_keeps_its_generation_of_levels(tmp_path: Path) -> None:
    """Also when the config is read anew, as at each start."""
    lines = [reading(START_MS + n * 10 * MINUTE_MS, 1.0) for n in range(40)]
    replay(make_site(tmp_path), lines, tmp_path)
    replay(make_site(tmp_path), lines[-1:], tmp_path)
    with sqlite3.connect(tmp_path / "store.db") as connection:
        assert connection.execute("SELECT value FROM meta WHERE key = 'generation'").fetchone() == (1,)
