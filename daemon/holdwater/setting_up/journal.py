"""The answers given so far, in order, on the disk after each one: an interview can be left at any moment and taken up again."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from holdwater.errors import OutsideError

ASKED = "asked"
DONE = "done"
"""An entry is an answer to a question, or something that was done once (a password made, a card printed)."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One answer: the question's key, what was typed, and whether it was asked or done."""

    key: str
    text: str
    kind: str = ASKED


@dataclass(slots=True)
class Journal:
    """The entries, oldest first, and answers that were taken back: they are offered again.

    Attributes:
        path: where they are kept; None keeps them in memory only.
        entries: what was answered and done.
        offers: by key, what was answered before going back.
    """

    path: Path | None = None
    entries: list[Entry] = field(default_factory=list)
    offers: dict[str, str] = field(default_factory=dict)

    @classmethod
    def open(cls, path: Path) -> Journal:
        """The journal in a file; an empty one when there is none, or none that can be read."""
        try:
            data = json.loads(path.read_text("utf-8"))
            entries = [Entry(str(key), str(text), str(kind)) for key, text, kind in data["entries"]]
            return cls(path, entries, {str(key): str(text) for key, text in data["offers"].items()})
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return cls(path)

    def add(self, entry: Entry) -> None:
        """Take one more entry, and keep it."""
        self.entries.append(entry)
        self.offers.pop(entry.key, None)
        self._keep()

    def cut(self, count: int) -> None:
        """Take back all entries from that place on; what was answered is offered again."""
        for entry in self.entries[count:]:
            if entry.kind == ASKED:
                self.offers[entry.key] = entry.text
        del self.entries[count:]
        self._keep()

    def back(self) -> bool:
        """Take back the last question, with what was done after it; False when there is none."""
        asked = [at for at, entry in enumerate(self.entries) if entry.kind == ASKED]
        if asked:
            self.cut(asked[-1])
        return bool(asked)

    def back_to(self, key: str) -> None:
        """Take back everything from the question of that key on."""
        self.cut(next((at for at, entry in enumerate(self.entries) if entry.key == key), len(self.entries)))

    def forget(self) -> None:
        """Begin anew, without a file."""
        self.entries.clear()
        self.offers.clear()
        if self.path is not None:
            self.path.unlink(missing_ok=True)

    def _keep(self) -> None:
        if self.path is None:
            return
        rows = [[entry.key, entry.text, entry.kind] for entry in self.entries]
        write_private(
            self.path, json.dumps({"entries": rows, "offers": self.offers}, ensure_ascii=False, indent=1) + "\n"
        )


def write_private(path: Path, text: str, mode: int = 0o600) -> None:
    """Write a file whole or not at all, for its owner only unless `mode` says more; its group is that of its folder.

    Raises:
        OutsideError: it cannot be written.
    """
    new = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "w", encoding="utf-8") as file:
            os.fchmod(file.fileno(), mode)
            with suppress(
                PermissionError
            ):  # the folder's group is the service's: what its mode lets the group read, the service reads
                os.fchown(file.fileno(), -1, path.parent.stat().st_gid)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        raise OutsideError(
            f"cannot be written: {error.strerror}",
            where=str(path),
            do="start with sudo, or name another file with --config",
        ) from None
