"""Logs: one event a line, plain or JSON, on standard error, with nothing in them that could break a line."""

from __future__ import annotations

import json
import logging
import os
import sys
from typing import Literal

Level = Literal["debug", "info", "warning", "error"]


class OneLine(logging.Formatter):
    """Text without line ends or control characters: a topic with a newline in it stays one event."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line."""
        text = super().format(record)
        return "".join(each if each.isprintable() else each.encode("unicode_escape").decode() for each in text)


class JsonLine(logging.Formatter):
    """The record as one JSON object."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line."""
        body = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname.lower(),
            "from": record.name,
        }
        body["words"] = record.getMessage()
        if record.exc_info:
            body["trace"] = self.formatException(record.exc_info)
        return json.dumps(body)


def set_up(level: str, *, json_lines: bool = False) -> None:
    """Send logs to standard error. Under a service manager that stamps lines itself (JOURNAL_STREAM) the time is left out."""
    handler = logging.StreamHandler(sys.stderr)
    stamp = "" if "JOURNAL_STREAM" in os.environ else "%(asctime)s "
    handler.setFormatter(
        JsonLine() if json_lines else OneLine(f"{stamp}%(levelname).1s %(name)s: %(message)s", "%Y-%m-%d %H:%M:%S")
    )
    logging.basicConfig(level=level.upper(), handlers=[handler], force=True)
    for noisy in ("apscheduler", "urllib3", "asyncio", "uvicorn"):
        logging.getLogger(noisy).setLevel(logging.WARNING)


def as_arguments() -> list[str]:
    """How logs are set up here, as the arguments that set them up alike in a process of ours."""
    root = logging.getLogger()
    lines = any(isinstance(each.formatter, JsonLine) for each in root.handlers)
    return [logging.getLevelName(root.getEffectiveLevel()).lower(), *(["--log-json"] if lines else [])]
