"""Logs: one event a line, plain or JSON, on standard error, with nothing in them that could break a line."""

from __future__ import annotations

import json
import logging
import os
import sys
from datetime import UTC, datetime
from typing import Literal

Level = Literal["debug", "info", "warning", "error"]
Form = Literal["plain", "json"]


class OneLine(logging.Formatter):
    """Text without line ends or control characters: a topic with a newline in it stays one event."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line."""
        text = super().format(record)
        return "".join(each if each.isprintable() else each.encode("unicode_escape").decode() for each in text)


class JournalLine(OneLine):
    """The same with the severity in front, as the journal reads it (sd-daemon(3)): `journalctl -p warning` then finds what matters."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line."""
        severity = next(number for level, number in SEVERITIES if record.levelno >= level)
        return f"<{severity}>{super().format(record)}"


class JsonLine(logging.Formatter):
    """The record as one JSON object, its time in UTC as RFC 3339."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line."""
        at = datetime.fromtimestamp(record.created, UTC)
        body = {
            "at": f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z",
            "level": record.levelname.lower(),
            "from": record.name,
            "words": record.getMessage(),
        }
        if record.exc_info:
            body["trace"] = self.formatException(record.exc_info)
        return json.dumps(body)


SEVERITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6), (logging.NOTSET, 7))
"""Our levels as those of syslog (RFC 5424, 6.2.1)."""


def formatter(form: Form, *, journal: bool) -> logging.Formatter:
    """How a line is written.

    Args:
        form: plain for people, json for a log collector.
        journal: standard error goes to the journal, which stamps each line itself and reads a severity in front of it.
    """
    if form == "json":
        return JsonLine()
    if journal:
        return JournalLine("%(name)s: %(message)s")
    return OneLine("%(asctime)s %(levelname).1s %(name)s: %(message)s", "%Y-%m-%d %H:%M:%S")


def to_journal() -> bool:
    """Whether standard error is the journal's: systemd names its device and inode (systemd.exec(5), JOURNAL_STREAM)."""
    try:
        found = os.fstat(sys.stderr.fileno())
    except (OSError, ValueError):
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


def set_up(level: str, form: Form = "plain") -> None:
    """Send logs to standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(formatter(form, journal=to_journal()))
    logging.basicConfig(level=level.upper(), handlers=[handler], force=True)
    for noisy in ("apscheduler", "urllib3", "asyncio", "uvicorn"):
        logging.getLogger(noisy).setLevel(logging.WARNING)


def as_arguments() -> list[str]:
    """How logs are set up here, as the arguments that set them up alike in a process of ours."""
    root = logging.getLogger()
    lines = any(isinstance(each.formatter, JsonLine) for each in root.handlers)
    return [logging.getLevelName(root.getEffectiveLevel()).lower(), *(["--log-json"] if lines else [])]
