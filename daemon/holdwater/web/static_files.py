"""The page's own few files, held in memory: a fixed list, so that no path leads anywhere else."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.resources import files

NAMES = {
    "page.css": "text/css; charset=utf-8",
    "now.js": "text/javascript; charset=utf-8",
    "time.js": "text/javascript; charset=utf-8",
    "favicon.svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file with its type and its mark of content."""

    body: bytes
    kind: str
    etag: str


def static_files() -> dict[str, StaticFile]:
    """All of them, read from the package."""
    folder = files("holdwater.web").joinpath("static")
    found = {}
    for name, kind in NAMES.items():
        body = folder.joinpath(name).read_bytes()
        found[name] = StaticFile(body, kind, f'"{hashlib.sha256(body).hexdigest()[:16]}"')
    return found
