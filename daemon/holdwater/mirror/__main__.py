"""`python -m holdwater.mirror FD LEVEL [--log-json]`: the process that the service starts.

FD holds the site; standard input is the lifeline: its end says that the service is gone.
"""

from __future__ import annotations

import contextlib
import logging
import os
import pickle
import sys
from pathlib import Path
from typing import cast

from holdwater.errors import HoldwaterError
from holdwater.logs import Level, set_up
from holdwater.mirror.leave import Leave


def main(arguments: list[str]) -> int:
    """Mirror until the service ends or says so; the exit code."""
    with os.fdopen(int(arguments[0]), "rb") as memory:
        memory.seek(0)
        site = pickle.loads(memory.read())  # noqa: S301 -- from the service, in memory that nobody else has
    set_up(cast("Level", arguments[1]), "json" if "--log-json" in arguments else "plain")
    stand_back()
    leave = Leave(sys.stdin.fileno())
    from holdwater.mirror.run import Mirror  # noqa: PLC0415 -- 25 MiB and half a second, after the signals are in place

    try:
        with Mirror(site, site.mirror, site.store.folder, leave.wait) as mirror:
            mirror.run()
    except HoldwaterError as error:
        logging.getLogger("holdwater.mirror").error("%s", " ".join(error.words().split()))  # noqa: TRY400 -- words, no traceback
        return error.exit_code
    return 0


def stand_back() -> None:
    """The service comes first: for the processor, and when memory is short."""
    with contextlib.suppress(OSError):  # a hardened unit forbids it
        os.nice(10)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
