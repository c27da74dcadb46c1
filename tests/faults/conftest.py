"""Fixtures for tests that break things for real: preload libraries built from the C sources beside this file, daemons, strace."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from conftest import need
from place import Daemon, text_of

HERE = Path(__file__).parent
MEMORY = Path("/dev/shm")


@pytest.fixture(scope="session")
def preload(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """`preload("oplog")`: the library built from that C source."""

    def build(name: str) -> Path:
        compiler = shutil.which("cc") or shutil.which("gcc")
        need(compiler is not None, "a C compiler is missing: sudo apt-get install -y gcc libc6-dev")
        library = tmp_path_factory.mktemp("preload") / f"{name}.so"
        command = [
            str(compiler),
            "-O2",
            "-Wall",
            "-shared",
            "-fPIC",
            "-o",
            str(library),
            str(HERE / f"{name}.c"),
            "-ldl",
        ]
        subprocess.run(command, check=True, capture_output=True, timeout=60)
        return library

    return build


@pytest.fixture
def memory_folder(tmp_path: Path) -> Iterator[Path]:
    """An empty folder in memory where there is such a file system."""
    folder = MEMORY / f"holdwater-{os.getpid()}-{tmp_path.name}" if MEMORY.is_dir() else tmp_path / "memory"
    folder.mkdir()
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def make_daemon(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """`make_daemon(port=…, more=…, store=…, environment={…})`: a daemon that is not started yet; all end with the test."""
    made: list[Daemon] = []

    def make(
        *arguments: str,
        environment: dict[str, str] | None = None,
        store: Path | None = None,
        **settings: object,
    ) -> Daemon:
        text = text_of(store or tmp_path / "store", **settings)  # type: ignore[arg-type]
        daemon = Daemon(tmp_path, text, arguments, environment or {})
        made.append(daemon)
        return daemon

    yield make
    for daemon in made:
        daemon.end()
