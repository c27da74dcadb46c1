"""The control socket: how the command line talks to the running service. One JSON line in, one JSON line out.

A Unix socket in the store's folder, for the user and group of the service only; always on, page or no page.
"""

from __future__ import annotations

import contextlib
import json
import logging
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from holdwater.errors import BusyError, HoldwaterError, OutsideError

log = logging.getLogger(__name__)

SOCKET_NAME = "control.sock"
MOST_BYTES = 1_000_000
PATIENCE_S = 10.0

Answerer = Callable[[str, dict[str, Any]], dict[str, Any]]


class ControlServer:
    """Answers on the control socket, one caller at a time.

    Args:
        path: path of the socket.
        answer: called with what is asked and its body; a `HoldwaterError` becomes the answer's ``error``.
    """

    def __init__(self, path: Path, answer: Answerer) -> None:
        self._path = path
        self._answer = answer
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._stopping = False

    def start(self) -> None:
        """Open the socket; one left behind by a killed service is replaced (the store's lock says that nobody uses it).

        Raises:
            OutsideError: the socket cannot be made here.
        """
        try:
            self._path.unlink(missing_ok=True)
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            self._socket.bind(str(self._path))
            self._path.chmod(0o660)
            self._socket.listen(8)
        except OSError as error:
            raise OutsideError(
                f"the control socket cannot be made: {error}", expected="a path of at most 107 bytes in a folder we may write in",
                where=str(self._path), do="set store.folder to another place",
            ) from error  # fmt: skip
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Close the socket and end the thread."""
        self._stopping = True
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as waker:
            waker.settimeout(1.0)
            waker.connect(str(self._path))
        if self._thread is not None:
            self._thread.join(2.0)
        if self._socket is not None:
            self._socket.close()
        self._path.unlink(missing_ok=True)

    def _serve(self) -> None:
        assert self._socket is not None  # noqa: S101 -- start() made it
        while not self._stopping:
            try:
                caller, _ = self._socket.accept()
                with caller:
                    caller.settimeout(PATIENCE_S)
                    self._one(caller)
            except OSError as error:
                log.debug("control: %s", error)
            except Exception:
                log.exception("control: a fault of our own")

    def _one(self, caller: socket.socket) -> None:
        with caller.makefile("rb") as lines:
            text = lines.readline(MOST_BYTES)
        if not text:
            return
        try:
            asked = json.loads(text)
            answer = self._answer(str(asked["ask"]), dict(asked.get("body") or {}))
        except HoldwaterError as error:
            answer = {"error": error.words()}
        except (ValueError, KeyError, TypeError, RecursionError):
            answer = {"error": 'not a request: expected {"ask": …, "body": {…}}'}
        caller.sendall(json.dumps(answer).encode() + b"\n")


def ask(
    folder: Path, what: str, body: dict[str, Any] | None = None, timeout_s: float = PATIENCE_S, *, refused: bool = True
) -> dict[str, Any]:
    """Ask the service that owns the store of a folder.

    Args:
        folder: the store's folder.
        what: status, note, seen, ….
        body: figures of the wish.
        timeout_s: longest wait.
        refused: raise what the service answers as an error; else the answer holds it as ``error``.

    Returns:
        The answer.

    Raises:
        OutsideError: no service is running there, or it answered with an error.
        BusyError: it did not answer in time.
    """
    path = folder / SOCKET_NAME
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as caller:
            caller.settimeout(timeout_s)
            caller.connect(str(path))
            caller.sendall(json.dumps({"ask": what, "body": body or {}}).encode() + b"\n")
            with caller.makefile("rb") as lines:
                answer: dict[str, Any] = json.loads(lines.readline(16 * MOST_BYTES) or b'{"error": "no answer"}')
    except TimeoutError:
        raise BusyError(
            "the service did not answer in time", where=str(path), do="try again in a minute; see its log"
        ) from None
    except OSError as error:
        raise OutsideError(
            f"no service is running here ({error.strerror or error})", expected="a running holdwater", where=str(path),
            do="start it: holdwater run --config FILE (or: systemctl start holdwater)",
        ) from error  # fmt: skip
    if "error" in answer and refused:
        raise OutsideError(str(answer["error"]), where=what)
    return answer
