"""The whole demo: broker, replayed season, the real service, live sensor boxes; and its orderly end."""

from __future__ import annotations

import fcntl
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from holdwater.demo.broker import DemoBroker, start_broker
from holdwater.demo.child import LOOPBACK, end_child, free_port, port_taken, start_child
from holdwater.demo.files import sample_config
from holdwater.demo.recording import expected_lines
from holdwater.demo.times import DemoClock, Stand, read_stand
from holdwater.demo.weather import local
from holdwater.errors import BusyError, OutsideError
from holdwater.recording import lines as read_lines
from holdwater.sitefile import open_site

if TYPE_CHECKING:
    from holdwater.config.site import Site

USUAL_PORT = 8080
STAND = "stand.json"
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the caller asked for.

    Attributes:
        keep: folder to keep everything in; None takes a temporary one, gone at the end.
        port: of the page; None takes 8080, or a free one when that is taken.
        broker_port: of the broker; None takes a free one.
    """

    keep: Path | None = None
    port: int | None = None
    broker_port: int | None = None


@dataclass(frozen=True, slots=True)
class Ready:
    """What runs when the page answers."""

    site: Site
    broker: DemoBroker
    config: Path
    clock: DemoClock
    leaving: Leaving


def play(wanted: Wanted, progress: Progress, say: Callable[[Ready], None]) -> None:
    """Play the demo until Ctrl-C or SIGTERM.

    Args:
        wanted: what the caller asked for.
        progress: called with (lines replayed, lines in all) while the season is replayed.
        say: called once the page answers.

    Raises:
        BusyError: a port is in use, or another demo uses the folder.
        OutsideError: no broker; the folder cannot be written.
    """
    with ExitStack() as stack:
        leaving = Leaving()
        stack.callback(leaving.put_back)
        folder = stack.enter_context(_folder(wanted.keep))
        broker = start_broker(folder / "broker", wanted.broker_port)
        stack.callback(broker.stop)
        config = write_config(folder, broker.port, page_port(wanted.port))
        site = open_site(config, {})
        stand = season(site, folder, progress, leaving)
        leaving.check()
        clock = DemoClock(0)
        clock.offset_ms = stand.now_ms - clock.wall_ms()
        serve(Ready(site, broker, config, clock, leaving), folder, stack, say)


def serve(ready: Ready, folder: Path, stack: ExitStack, say: Callable[[Ready], None]) -> None:
    """Start service and boxes, say so, and turn the service's loop in this thread until it is stopped."""
    from holdwater.service import Service  # noqa: PLC0415 -- the season is replayed without page, scheduler and broker

    service = Service(ready.site, ready.clock, believed=True)
    service.start()
    stack.callback(end_child, start_boxes(folder, ready))

    def leave(_signal: int, _frame: FrameType | None) -> None:
        service.stop()

    for each in (signal.SIGINT, signal.SIGTERM):
        signal.signal(each, leave)
    if ready.leaving.asked:  # while the service was being put together
        service.stop()
    say(ready)
    service.run()


def start_boxes(folder: Path, ready: Ready) -> subprocess.Popen[bytes]:
    """Start the sensor boxes as a child process."""
    given = ["--folder", str(folder), "--port", str(ready.broker.port), "--offset-ms", str(ready.clock.offset_ms)]
    return start_child([sys.executable, "-P", "-m", "holdwater.demo.live", *given], folder / "boxes.log")


def season(site: Site, folder: Path, progress: Progress, leaving: Leaving) -> Stand:
    """The store with the season in it, and where the live part goes on.

    A season that was not replayed to its end is replayed anew.

    Raises:
        KeyboardInterrupt: somebody wants to leave.
    """
    from holdwater.replay import replay  # noqa: PLC0415 -- a second start needs none of it

    stand = read_stand(folder / STAND)
    if stand is not None and (site.store.folder / "store.db").exists():
        return stand
    shutil.rmtree(site.store.folder, ignore_errors=True)
    end, whole = folder / "season-end.json", expected_lines()
    with _written(end) as texts:
        recording = read_lines(leaving.watch(texts), "season of Quern Bench")
        told = replay(site, recording, site.store.folder, lambda done, _at_ms: progress(done, whole))
    stand = read_stand(end)
    if told.refused or stand is None:
        why = told.refused[0] if told.refused else f"it ended after {told.events} events"
        raise OutsideError(f"the season was not taken whole: {why}", where=str(site.store.folder), do="start it again")
    progress(whole, whole)
    stand.write(folder / STAND)
    return stand


@contextmanager
def _written(end: Path) -> Iterator[Iterator[bytes]]:
    """The lines of the season, made by a child process while this one replays them."""
    command = [sys.executable, "-P", "-m", "holdwater.demo.recording", "--stand", str(end)]
    process = start_child(command, out=subprocess.PIPE)
    try:
        yield iter(process.stdout or ())
        process.wait()
    finally:
        end_child(process)
        if process.stdout is not None:
            process.stdout.close()


def write_config(folder: Path, broker_port: int, port: int) -> Path:
    """The sample config, changed only where the demo needs it: ports, folder, a quick commit, no channel to the outside.

    Raises:
        OutsideError: the sample is not as expected.
    """
    text = sample_config().read_text(encoding="utf-8")
    changes = {"port": str(broker_port), "folder": f'"{folder / "store"}"', "listen": f'"{LOOPBACK}:{port}"'}
    for key, value in {**changes, "commit_every": '"2 s"'}.items():
        written = f"{key} = {value}".replace("\\", r"\\")
        text, count = re.subn(rf'(?m)^{key} = ("[^"]*"|\d+)', written, text)
        if count != 1:
            raise OutsideError(f"{count} lines `{key} = …`", expected="one", where=str(sample_config()))
    text = re.sub(r"(?ms)^\[channel\.phone\]\n.*?(?=^\[|\Z)", "", text)
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def page_port(wanted: int | None) -> int:
    """The port of the page.

    Raises:
        BusyError: the one asked for is in use.
    """
    if wanted is None:
        return free_port() if port_taken(USUAL_PORT) else USUAL_PORT
    if port_taken(wanted):
        raise BusyError(f"port {wanted} is in use", do="name another with --port, or leave it out")
    return wanted


def welcome(ready: Ready) -> str:
    """What the demo says when it is ready."""
    now = local(ready.clock.wall_ms())
    hour = f"{now:%I:%M%p}".lstrip("0").lower()
    send = (
        f'mosquitto_pub -p {ready.broker.port} -q 1 -t water/node/cabin/readings -m \'[{{"n":"gap","u":"m","v":0.9}}]\''
    )
    return "\n".join(
        [
            "",
            f"{ready.site.name} is an invented household. Its clock shows {now:%a} {now.day} {now:%b %Y}, {hour}, and runs.",
            f"  broker     {ready.broker.name} on {ready.broker.host}:{ready.broker.port}; try: {send}",
            f"  look too   {command()} status --config {ready.config}",
            f"Page: http://{ready.site.page.host}:{ready.site.page.port}/   Ctrl-C ends everything",
        ]
    )


def command() -> str:
    """How a person who stands in this folder calls `holdwater`: by its name where PATH finds it, else by its path."""
    beside = Path(sys.executable).with_name("holdwater")  # not resolved: the interpreter of a venv is a link out of it
    if shutil.which("holdwater") == str(beside) or not beside.exists():
        return "holdwater"
    return str(beside.relative_to(Path.cwd())) if beside.is_relative_to(Path.cwd()) else str(beside)


@contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="holdwater-demo-", ignore_cleanup_errors=True) as made:
            yield Path(made)
        return
    try:
        keep.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutsideError(
            f"cannot make this folder: {error.strerror}", where=str(keep), do="give --keep a folder that you may write"
        ) from error
    with (keep / "demo.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise BusyError("another demo uses this folder", where=str(keep), do="end it, or name another") from None
        yield keep.resolve()


class Leaving:
    """Ctrl-C and SIGTERM while the demo is set up: remembered, and acted on between two lines of the season.

    Not at once, because an exception in the middle of a transaction of the store is nothing to end in order with.
    """

    def __init__(self) -> None:
        self.asked = False
        self._before = {each: signal.signal(each, self._ask) for each in (signal.SIGINT, signal.SIGTERM)}

    def _ask(self, _signal: int, _frame: FrameType | None) -> None:
        self.asked = True

    def check(self) -> None:
        """Leave now, if that was asked for.

        Raises:
            KeyboardInterrupt: it was.
        """
        if self.asked:
            raise KeyboardInterrupt

    def watch(self, texts: Iterable[bytes]) -> Iterator[bytes]:
        """The lines, as long as nobody wants to leave."""
        for text in texts:
            self.check()
            yield text

    def put_back(self) -> None:
        """Put the handlers back that were there before."""
        for each, handler in self._before.items():
            signal.signal(each, handler)
