"""The errors of holdwater, as one small tree.

    HoldwaterError
    ├── ConfigError      the household's own file is wrong: every problem of the file at once
    ├── UsageError       the command line asked for something that does not exist
    ├── OutsideError     the world is not as needed: disk, port, broker, permission
    │   └── StoreError   the store cannot be read or written
    └── BusyError        another process owns what is needed

A fault in our own code is none of these: it is an ordinary Python exception.
Each error says what was found, what was expected, where, and the next thing to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any


class HoldwaterError(Exception):
    """An error with words for the household.

    Args:
        found: what was found, in words.
        expected: what would have been right, in words.
        where: file and key, path, topic or address.
        do: the next thing to do.
    """

    exit_code = 1

    def __init__(self, found: str, *, expected: str = "", where: str = "", do: str = "") -> None:
        self.found = found
        self.expected = expected
        self.where = where
        self.do = do
        super().__init__(self.words())

    def __reduce__(self) -> tuple[Any, ...]:
        # An error of the process that reads the config is raised again in the one that asked for it.
        return partial(type(self), expected=self.expected, where=self.where, do=self.do), (self.found,)

    def words(self) -> str:
        """The error as the lines a person reads."""
        head = f"{self.where}: {self.found}" if self.where else self.found
        lines = [head]
        if self.expected:
            lines.append(f"  expected: {self.expected}")
        if self.do:
            lines.append(f"  next: {self.do}")
        return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a config file.

    Attributes:
        key: dotted path of the key, as in the file (``tank.drinking.outlet``).
        found: the value found, as text.
        expected: what would have been right.
        fix: what to write instead.
    """

    key: str
    found: str
    expected: str
    fix: str

    def words(self) -> str:
        """The problem as the lines a person reads."""
        return f"{self.key}\n    found:    {self.found}\n    expected: {self.expected}\n    fix:      {self.fix}"


class ConfigError(HoldwaterError):
    """The household's file is wrong; ``problems`` holds every problem of the file."""

    exit_code = 2

    def __init__(self, path: str, problems: Sequence[Problem]) -> None:
        self.path = path
        self.problems = tuple(problems)
        count = "1 problem" if len(self.problems) == 1 else f"{len(self.problems)} problems"
        super().__init__(f"{count}", where=path)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.path, self.problems)

    def words(self) -> str:
        """All problems of the file, one after the other."""
        lines = [f"{self.where}: {self.found}"]
        lines += [f"  {problem.words()}" for problem in self.problems]
        return "\n".join(lines)


class UsageError(HoldwaterError):
    """The command line names something that does not exist."""

    exit_code = 2


class OutsideError(HoldwaterError):
    """The world outside is not as needed: disk, port, broker, permission."""

    exit_code = 3


class StoreError(OutsideError):
    """The store cannot be opened, read or written."""


class BusyError(HoldwaterError):
    """Another process owns the store, the socket or the port."""

    exit_code = 4
