"""Rows 6 and 7: what reaches the card, and how often it is flushed, at true load."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from bench.bench_run import Bench
from bench.figures import Bound, Figure, skipped
from bench.measured import PATHS

IMAGE_BYTES = 256 << 20
SECTOR = 512
WARM_MINUTES = (
    320  # by then the write-ahead log has its full length; the ballast is written, too: once, not for each reading
)
WRITTEN = 6  # Documentation/block/stat.rst of the Linux kernel: seventh field, sectors written


def rows_6_7(bench: Bench) -> list[Figure]:
    """Device bytes and fsyncs a reading."""
    return [*_row_6(bench), row_7(bench)]


def _command(who: str, folder: Path, first: int, minutes: int, *more: str) -> list[str]:
    return [sys.executable, "-m", "bench.truerate", who, str(folder), str(first), str(minutes), *more]


def _run(command: list[str]) -> None:
    subprocess.run(command, check=True, env={**os.environ, "PYTHONPATH": PATHS}, capture_output=True)


def _row_6(bench: Bench) -> list[Figure]:
    name = "device bytes a reading at true load"
    if os.geteuid() != 0:
        return [skipped("6", name, "mounting a loop file needs root")]
    if shutil.which("mkfs.ext4", path="/usr/sbin:/sbin:" + os.environ.get("PATH", "")) is None:
        return [skipped("6", name, "mkfs.ext4 is missing: apt-get install -y e2fsprogs")]
    minutes = bench.pick(60, 960)
    try:
        figures = {who: _written(bench, who, minutes) for who in ("naive", "floor", "ours", "rare")}
    except (OSError, subprocess.CalledProcessError) as error:
        return [skipped("6", name, f"no loop file can be mounted here: {error}")]
    note = (
        f"ext4 (4 KiB blocks) on a loop file, journal included; {minutes} min of load by a set clock; the real loop with "
        f"roll-ups and slack work; what the first {WARM_MINUTES} min cost (an empty store, its log growing) is taken off"
    )
    bounds = Bound(1 / 20, "ratio"), Bound(1 / 30, "ratio")
    rarely = "the same with commit_every 10 min"
    return [
        Figure("6", name, "B", figures["ours"], figures["naive"], figures["floor"], *bounds, note=note),
        Figure("6", rarely, "B", figures["rare"], figures["naive"], aim=Bound(1 / 100, "ratio")),
    ]


def _written(bench: Bench, who: str, minutes: int) -> float:
    """Bytes a reading: what so many minutes more cost on a fresh card."""
    program, more = ("ours", ("600",)) if who == "rare" else (who, ())
    begins = 0 if who == "naive" else WARM_MINUTES  # each of its commits costs the same from the first
    found = []
    for count in (begins, begins + minutes):
        with _card(bench.sub("card")) as written:
            before = written()
            if count:
                _run(_command(program, bench.sub("card") / "mount", 0, count, *more))
            found.append(written() - before)
    return (found[1] - found[0]) / (minutes * 8)


@contextlib.contextmanager
def _card(folder: Path) -> Iterator[Callable[[], int]]:
    """A fresh ext4 on a loop device, and a counter of the bytes that were written to it."""
    image, mount = folder / "card.img", folder / "mount"
    mount.mkdir(exist_ok=True)
    with image.open("wb") as file:
        file.truncate(IMAGE_BYTES)
    environment = {**os.environ, "PATH": os.environ.get("PATH", "") + ":/usr/sbin:/sbin"}

    def run(*command: str) -> str:
        return subprocess.run(command, check=True, capture_output=True, text=True, env=environment).stdout

    run("mkfs.ext4", "-q", "-b", "4096", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
    run("mount", "-o", "loop", str(image), str(mount))
    try:
        device = re.search(r"/dev/(loop\d+)", run("losetup", "-j", str(image)))
        assert device is not None

        def written() -> int:
            run("sync", "-f", str(mount))
            return int(Path(f"/sys/block/{device[1]}/stat").read_text().split()[WRITTEN]) * SECTOR

        yield written
    finally:
        run("umount", str(mount))
        image.unlink()


def row_7(bench: Bench) -> Figure:
    """Fsyncs a reading, counted by strace."""
    name = "fsyncs a reading at true load"
    strace = shutil.which("strace")
    if strace is None:
        return skipped("7", name, "strace is missing: apt-get install -y strace")
    minutes = bench.pick(60, 480)
    counts = {who: _fsyncs(strace, bench.sub(f"strace-{who}"), who, minutes) for who in ("naive", "floor", "ours")}
    per = {who: count / (minutes * 8) for who, count in counts.items()}
    return Figure(
        "7", name, "", per["ours"], per["naive"], per["floor"], Bound(0.25), Bound(0.13),
        note=f"fsync and fdatasync calls by strace over {minutes} min of load, start and end included",
    )  # fmt: skip


def _fsyncs(strace: str, folder: Path, who: str, minutes: int) -> int:
    log = folder / "calls"
    _run([strace, "-f", "-qq", "-e", "trace=fsync,fdatasync", "-o", str(log), *_command(who, folder, 0, minutes)])
    return sum("sync(" in line for line in log.read_text().splitlines())
