"""The section [backup]: where the service puts a checked copy of the store by itself."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from holdwater.config.model import Duration, Model, problem
from holdwater.config.secrets import Places
from holdwater.config.site import BackupSettings
from holdwater.errors import Problem

LEAST_S, MOST_S = 3600.0, 60 * 86_400.0


class BackupConfig(Model):
    """[backup]: a second copy of the store, on a stick or another disk."""

    folder: str = Field(
        min_length=1,
        description="Folder for the copies, on a stick or another disk; this household's only.",
        examples=["/mnt/stick"],
    )
    every: Duration = Field(
        default=86_400.0,
        description="How old the newest good copy may become before another is made.",
        examples=["1 day"],
    )
    keep: int = Field(
        default=3, ge=1, le=1000, description="Copies to keep there; the oldest beyond it go once a new one is checked."
    )
    same_disk: bool = Field(
        default=False,
        description="`true` allows a folder on the store's own disk, which dies with it. Without it such a folder is a stick not mounted.",
    )

    @model_validator(mode="after")
    def _not_too_often(self) -> Self:
        if not LEAST_S <= self.every <= MOST_S:
            raise problem(f"{self.every:g} s", "1 h to 60 days", 'write every = "1 day"', "every")
        return self

    def build(self, places: Places, store: Path) -> tuple[BackupSettings, list[Problem]]:
        """The settings, and what is wrong with the folder.

        Args:
            places: for a relative path.
            store: the store's folder.
        """
        folder = places.path_of(self.folder)
        found: list[Problem] = []
        if folder.resolve().is_relative_to(store.resolve()):
            found.append(
                Problem(
                    "backup.folder",
                    f"{folder} is inside the store's folder, {store}",
                    "a folder on a stick or another disk",
                    'write folder = "/mnt/stick", where the stick is mounted',
                )
            )
        return BackupSettings(folder, self.every, self.keep, self.same_disk), found
