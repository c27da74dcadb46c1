"""The broker, and the boxes that come to it: names, passwords, cards."""

from __future__ import annotations

import contextlib
import socket
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from holdwater.config.general import BrokerConfig
from holdwater.setting_up.answers import one_of, words, yes_no
from holdwater.setting_up.boxes import PASSWORDS, Door, card, enrol, new_password
from holdwater.setting_up.dialog import Dialog, Wrong
from holdwater.setting_up.journal import write_private
from holdwater.setting_up.sensors import SAYS, Mounted

if TYPE_CHECKING:
    from holdwater.config.site import BrokerSettings

PASSWORD_FILE = "broker.password"  # noqa: S105 -- the name of a file
AUTHORITY = Path("/etc/holdwater/ca.crt")
LOOPBACK = ("127.0.0.1", "localhost", "::1")


def ask_broker(dialog: Dialog, folder: Path) -> dict[str, Any]:
    """The table [broker]."""
    host = dialog.ask(
        "broker.host", "\nWhere is the MQTT broker? Enter alone: on this board.", _host, default="127.0.0.1",
        why="The installer sets one up on this board. Another one: its name or address.",
    )  # fmt: skip
    port = dialog.ask("broker.port", "Its port?", _port, default="1883" if host in LOOPBACK else "8883")
    table: dict[str, Any] = {"host": host, "port": port}
    if port == 8883:
        ca_file = dialog.ask(
            "broker.ca_file",
            "File with the certificate of the authority that signed it?",
            _file,
            default=str(AUTHORITY),
        )
        table["tls"] = {"ca_file": ca_file}
    ready = (folder / PASSWORD_FILE).exists()
    named = dialog.ask(
        "broker.username", "Our name at the broker? none: it lets anybody in.", words(1, 64), default="holdwater" if ready else "none",
        why="The installer makes the name holdwater and its password.",
    )  # fmt: skip
    if named.lower() != "none":
        table["username"] = named
        if not ready:
            dialog.secret(
                "broker.password",
                f"Its password? It goes into {folder / PASSWORD_FILE}, not into the config.",
                lambda text: keep_secret(folder, PASSWORD_FILE, text),
            )
        table["password_file"] = PASSWORD_FILE
    return table


def keep_secret(folder: Path, name: str, text: str) -> str:
    """Put a secret into a file of its own; returns the file's name."""
    write_private(folder / name, text + "\n", mode=0o640)  # the service reads it by its group
    return name


def _host(text: str) -> str:
    try:
        return BrokerConfig(host=text).host
    except ValidationError:
        raise Wrong(
            f"'{text}'", "a host name or an address, without port", 'write it like "127.0.0.1" or "broker.home"'
        ) from None


def _port(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise Wrong(f"'{text}'", "a port from 1 to 65535", "1883, or 8883 with encryption")
    return int(text)


def _file(text: str) -> str:
    if not Path(text).is_file():
        raise Wrong(
            f"there is no file {text}",
            "the certificate of the authority (PEM)",
            "copy ca.crt of the broker's board here",
        )
    return text


def enrol_boxes(
    dialog: Dialog, mounted: list[Mounted], broker: dict[str, Any], folder: Path, passwords: Path = PASSWORDS
) -> list[str]:
    """A name, a password and a card for each box; the names."""
    boxes = list(dict.fromkeys(each.box for each in mounted))
    if not boxes:
        return boxes
    named = "username" in broker
    door = _door(str(broker["host"]), int(broker["port"]), encrypted="tls" in broker)
    dialog.tell(f"\nSensor boxes: {', '.join(boxes)}. A card for each; they lie in {folder / 'cards'} too.")
    for box in boxes:
        sends = [SAYS[each.instrument.kind] for each in mounted if each.box == box]
        sends += ["air, in Cel"] if any(each.table.get("air") == f"{box}:air" for each in mounted) else []
        dialog.once(f"box.{box}", _enrolment(dialog, box, door, sends, folder, passwords if named else None))
    return boxes


def _enrolment(
    dialog: Dialog, box: str, door: Door, sends: list[str], folder: Path, passwords: Path | None
) -> Callable[[], str]:
    def act() -> str:
        text, said = make_card(box, door, sends, folder, passwords)
        dialog.say(f"\n{text}\n{said}")
        return said

    return act


def make_card(box: str, door: Door, sends: list[str], folder: Path, passwords: Path | None) -> tuple[str, str]:
    """A new password, at the broker and on a card.

    Args:
        box: name of the box.
        door: how it comes to the broker.
        sends: what it says.
        folder: where the config is; the card goes into `cards` below it.
        passwords: the broker's password file; None where it lets anybody in.

    Returns:
        The card, and what was done at the broker.
    """
    password = "(none: the broker lets anybody in)" if passwords is None else new_password()
    text = card(box, password, door, sends)
    write_private(folder / "cards" / f"{box}.txt", text + "\n")
    return text, "The broker lets anybody in; a name and a password would be safer." if passwords is None else enrol(
        box, password, passwords
    )


def door_of(broker: BrokerSettings) -> Door:
    """How a sensor box comes to the broker of a site."""
    return replace(_door(broker.host, broker.port, encrypted=broker.tls is not None), prefix=broker.prefix)


def _door(host: str, port: int, *, encrypted: bool) -> Door:
    """How a box comes in. On this board's own broker boxes come by this board's name, encrypted where the broker listens so."""
    here = host in LOOPBACK
    encrypted = encrypted or (here and _listens_encrypted())
    called = f"{socket.gethostname()}.local" if here else host
    return Door(called, 8883 if encrypted and here else port, authority=_fingerprint() if encrypted else "")


def _listens_encrypted() -> bool:
    with contextlib.suppress(OSError):
        return "8883" in Path("/etc/mosquitto/conf.d/holdwater-listener.conf").read_text("utf-8")
    return False


def _fingerprint() -> str:
    """The authority's fingerprint, for the card."""
    command = ["openssl", "x509", "-noout", "-fingerprint", "-sha256", "-in", str(AUTHORITY)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    except OSError:
        return f"see {AUTHORITY}"
    return done.stdout.strip().partition("=")[2] or f"see {AUTHORITY}"


def ask_page(dialog: Dialog) -> dict[str, Any]:
    """The table [page]."""
    house = dialog.ask(
        "page.house", "\nMay every device in the house open the page? no: this board only.", yes_no, default="yes",
        why="The page shows, and lets mark notices as seen. Keep it off the internet: no port forwarding.",
    )  # fmt: skip
    return {
        "listen": "0.0.0.0:8080" if house else "127.0.0.1:8080",
        "hosts": [socket.gethostname(), f"{socket.gethostname()}.local"],
    }


def ask_weather(dialog: Dialog, boxes: list[str]) -> dict[str, Any]:
    """The table [weather]."""
    if not boxes:
        return {}
    names = [*boxes, "none"]
    table: dict[str, Any] = {}

    read = one_of(names)
    air = dialog.ask(
        "weather.air", f"\nWhich box measures the outside air, in the shade (quantity air)? {', '.join(names)}.", read, default="none",
        why="Without the outside air there is no freeze warning.",
    )  # fmt: skip
    if air != "none":
        table["air"] = f"{air}:air"
    rain = dialog.ask(
        "weather.rain", f"Which box carries a rain gauge (quantity rain)? {', '.join(names)}.", read, default="none",
        why="With it a clogged leaf screen and a leaking downspout are found.",
    )  # fmt: skip
    if rain != "none":
        table["rain"] = f"{rain}:rain"
    return table
