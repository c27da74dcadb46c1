"""Sensor boxes: a password for each, its line in the broker's password file, and a card to put into the box."""

from __future__ import annotations

import base64
import hashlib
import os
import secrets
import signal
import subprocess
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from holdwater.setting_up.journal import write_private

ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without signs that look alike on a card: no 0 o, 1 i l."""

LETTERS = 20
"""31 signs, 20 times: 99 bits."""

ITERATIONS = 101
"""What Mosquitto's own tool takes (mosquitto_passwd(1)); with 99 random bits the count does not matter."""

RESERVED = ("holdwater", "display")
"""Names at the broker that are the service's and the house's own."""

PASSWORDS = Path("/etc/mosquitto/holdwater.passwords")
BROKER_PID = Path("/run/mosquitto/mosquitto.pid")


@dataclass(frozen=True, slots=True)
class Door:
    """How a sensor box comes to the broker.

    Attributes:
        host: what a box calls the broker.
        port: its port.
        prefix: first part of every topic.
        authority: fingerprint of the authority that a box checks; empty without encryption.
    """

    host: str
    port: int
    prefix: str = "water"
    authority: str = ""


def new_password() -> str:
    """A password for a box: letters and digits in groups of five, easy to type."""
    signs = "".join(secrets.choice(ALPHABET) for _ in range(LETTERS))
    return "-".join(signs[at : at + 5] for at in range(0, LETTERS, 5))


def password_line(name: str, password: str, salt: bytes) -> str:
    """One line of Mosquitto's password file: PBKDF2 with SHA-512 (RFC 8018), type 7, iterations, salt, key.

    Args:
        name: name of the box.
        password: its password.
        salt: 12 random bytes.
    """
    key = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ITERATIONS, 64)
    return f"{name}:$7${ITERATIONS}${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"


def with_line(text: str, line: str) -> str:
    """A password file with a line in the place of that name's old one, or at its end."""
    name = line.partition(":")[0]
    kept = [each for each in text.splitlines() if each.partition(":")[0] != name]
    return "\n".join([*kept, line]) + "\n"


def card(name: str, password: str, door: Door, sends: list[str]) -> str:
    """The card of a box: what to type into it, and what it may say.

    Args:
        name: its name.
        password: its password.
        door: how it comes to the broker.
        sends: its quantities in words, such as "gap, m".
    """
    rows = [
        ("broker", f"{door.host} port {door.port}" + (", TLS 1.2" if door.authority else "")),
        ("name", name),
        ("password", password),
        ("sends to", f"{door.prefix}/node/{name}/readings  (QoS 1, not retained)"),
        ("listens to", f"{door.prefix}/node/{name}/receipt"),
        ("last will", f"{door.prefix}/node/{name}/presence  (retained)"),
        ("says", "; ".join(sends)),
    ]
    if door.authority:
        rows.insert(1, ("authority", door.authority))
    width = max(len(word) for word, _ in rows)
    lines = [f"SENSOR BOX  {name}", "", *(f"{word.ljust(width)}  {text}" for word, text in rows), ""]
    lines.append(
        "This card is a key: keep it inside the box, not on it. Watch for 20 packs: holdwater setup walk " + name
    )
    inner = max(map(len, lines))
    edge = "+" + "-" * (inner + 2) + "+"
    return "\n".join([edge, *(f"| {each.ljust(inner)} |" for each in lines), edge])


def enrol(name: str, password: str, passwords: Path = PASSWORDS) -> str:
    """Let a box in at the broker of this board; returns what was done, or what the owner has to do, in words."""
    line = password_line(name, password, os.urandom(12))
    if not passwords.parent.is_dir():
        return f"No broker on this board. At the broker: mosquitto_passwd PASSWORD-FILE {name}"
    if not os.access(passwords if passwords.exists() else passwords.parent, os.W_OK):
        return f"The broker's password file is not ours to write. Run: sudo mosquitto_passwd {passwords} {name}"
    old = passwords.stat() if passwords.exists() else None
    text = passwords.read_text("utf-8") if old else ""
    write_private(passwords, with_line(text, line), mode=0o640)
    if old is not None:
        with suppress(PermissionError):
            os.chown(passwords, old.st_uid, old.st_gid)
    return (
        f"{name} may come in at the broker now."
        if _reread()
        else f"The broker lets {name} in after: sudo systemctl restart mosquitto"
    )


def _reread() -> bool:
    """Have the broker read its passwords again (SIGHUP)."""
    if Path("/run/systemd/system").is_dir():
        # Not `reload`: that needs a /bin/kill, which a small Debian lacks.
        done = subprocess.run(
            ["/usr/bin/systemctl", "kill", "-s", "HUP", "mosquitto"], capture_output=True, check=False
        )
        return done.returncode == 0
    try:
        os.kill(int(BROKER_PID.read_text()), signal.SIGHUP)
    except (OSError, ValueError):
        return False
    return True
