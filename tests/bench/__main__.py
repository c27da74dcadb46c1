"""Measure what a reading costs, beside the naive script in the same run: `python -m bench [--json] [--quick] [ROW ...]`.

ROW is a number of the budgets, `replay` or `growth`; all when none is named. `--quick` takes sizes for CI, under a minute in all.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from bench.bench_run import Bench
from bench.device import rows_6_7
from bench.figures import Figure, skipped, table
from bench.kills import row_13
from bench.live import row_12, rows_1_2_3_5
from bench.page import rows_4_10
from bench.storage import growth, rows_8_9_11
from broker_fixture import program

GROUPS: tuple[tuple[frozenset[str], Callable[[Bench], list[Figure]], bool], ...] = (
    (frozenset({"1", "2", "3", "5"}), rows_1_2_3_5, True),
    (frozenset({"12"}), row_12, True),
    (frozenset({"13"}), row_13, True),
    (frozenset({"6", "7"}), rows_6_7, False),
    (frozenset({"8", "9", "11", "replay"}), rows_8_9_11, False),
    (frozenset({"4", "10", "12"}), rows_4_10, True),
    (frozenset({"growth"}), growth, True),
)
"""Rows, who measures them, whether a broker is needed."""

ORDER = (*(str(each) for each in range(1, 14)), "replay", "growth")


def main(arguments: list[str]) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="./run bench", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--json", action="store_true", help="JSON instead of the table")
    parser.add_argument("--quick", action="store_true", help="sizes for CI")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="work in DIR and leave it there")
    parser.add_argument("rows", nargs="*", metavar="ROW", help="rows to measure; all when none is named")
    given = parser.parse_args(arguments)
    unknown = sorted(set(given.rows) - set(ORDER))
    if unknown:
        parser.error(f"no row is called {', '.join(unknown)}; there are: {' '.join(ORDER)}")
    begin = time.monotonic()
    figures = measured(given.rows or ORDER, quick=given.quick, keep=given.keep)
    seconds = time.monotonic() - begin
    if given.json:
        data = {
            "quick": given.quick,
            "seconds": seconds,
            "machine": machine(),
            "figures": [each.as_data() for each in figures],
        }
        print(json.dumps(data, indent=1))
    else:
        print(table(figures), f"\n{machine()}; {seconds:.0f} s{', quick: sizes for CI' if given.quick else ''}", sep="")
    return 1 if any(each.met == "NO" for each in figures) else 0


def measured(rows: list[str] | tuple[str, ...], *, quick: bool, keep: Path | None = None) -> list[Figure]:
    """The figures of some rows, in the order of the budgets."""
    with tempfile.TemporaryDirectory(prefix="holdwater-bench-", dir=keep) as folder:
        bench = Bench(Path(folder), quick)
        found: list[Figure] = []
        for names, measure, needs_broker in GROUPS:
            wanted = names & set(rows)
            if not wanted:
                continue
            print(f"measuring {', '.join(sorted(wanted))} ...", file=sys.stderr, flush=True)
            if needs_broker and program("mosquitto") is None:
                found += [
                    skipped(row, "", "mosquitto is missing: apt-get install -y mosquitto") for row in sorted(wanted)
                ]
            else:
                found += [each for each in measure(bench) if each.row in wanted]
    return sorted(found, key=lambda each: ORDER.index(each.row))


def machine() -> str:
    """What it ran on."""
    return f"Python {platform.python_version()}, {platform.machine()}, Linux {platform.release()}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
