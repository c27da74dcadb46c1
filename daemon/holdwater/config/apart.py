"""The config read in a process of its own, which ends: what checking it takes (pydantic, the models) never weighs on the service.

The process is a fork of this one, so it begins at once, sees the same files and environment, and runs beside our own imports.
The site comes back through a pipe that only the two share; secrets with it, never by command line, environment or disk.
"""

from __future__ import annotations

import copyreg
import io
import os
import pickle
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from holdwater.config.secrets import Secret
from holdwater.config.site import Site
from holdwater.errors import HoldwaterError, OutsideError


@dataclass(frozen=True, slots=True)
class Reading:
    """A config that is being read."""

    pid: int
    pipe: int

    def site(self) -> Site:
        """Wait for the site.

        Raises:
            ConfigError: as the reading process found it.
            OutsideError: likewise, or that process ended before it was done.
        """
        with os.fdopen(self.pipe, "rb") as pipe:
            data = pipe.read()
        status = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        if status != 0 or not data:
            how = f"was ended by signal {-status}" if status < 0 else f"ended with exit code {status}"
            raise OutsideError(
                f"the process that reads the config {how}", where="config", do="see the lines above; is memory short?"
            )
        found = pickle.loads(data)  # noqa: S301 -- from our own fork, by a pipe nobody else has
        if isinstance(found, HoldwaterError):
            raise found
        if not isinstance(found, Site):
            raise TypeError(f"the reading process gave {type(found).__name__}")
        return found


def begin(read: Callable[[], Site]) -> Reading:
    """Start reading; call it before there are threads.

    Args:
        read: gives the site or raises; what it imports is imported in the other process only.
    """
    out, into = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(out)
        _answer(read, into)
    os.close(into)
    return Reading(pid, out)


def _answer(read: Callable[[], Site], into: int) -> None:
    """The life of the reading process; it leaves without the farewells of the process that it was forked from."""
    code = 1
    try:
        with os.fdopen(into, "wb") as pipe:
            pipe.write(packed(_found(read)))
        code = 0
    except KeyboardInterrupt:
        code = 130
    except BaseException:  # noqa: BLE001 -- a fault of ours: shown as any other, and this process must not go on as the service
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(code)


def _found(read: Callable[[], Site]) -> Site | HoldwaterError:
    try:
        return read()
    except HoldwaterError as error:
        return error


def packed(found: Site | HoldwaterError) -> bytes:
    """A site as bytes for the pipe: the one place where a `Secret` is written out."""
    file = io.BytesIO()
    pickler = pickle.Pickler(file, pickle.HIGHEST_PROTOCOL)
    table: dict[type, Callable[[Any], Any]] = {**copyreg.dispatch_table, Secret: _secret}
    pickler.dispatch_table = table
    pickler.dump(found)
    return file.getvalue()


def _secret(secret: Secret) -> tuple[type[Secret], tuple[str]]:
    return Secret, (secret.reveal(),)
