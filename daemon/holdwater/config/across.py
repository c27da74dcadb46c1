"""What can only be seen by looking at several sections together; as far as their entries are right."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwater.errors import Problem

if TYPE_CHECKING:
    from holdwater.config.load import Parts


def across(parts: Parts) -> list[Problem]:
    """Every problem between sections."""
    return []
