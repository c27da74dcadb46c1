"""Who is told, and how; each way with a real message that somebody must see."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from holdwater.config.channel import ChannelConfig
from holdwater.config.explain import problems_of
from holdwater.config.fields import models_in
from holdwater.setting_up.answers import menu, name, one_of, words, yes_no
from holdwater.setting_up.broker import keep_secret
from holdwater.setting_up.dialog import Again, Dialog, Wrong

KINDS = {
    "mail": "by mail, through a mail server",
    "webhook": "by HTTP to a service that reaches a telephone",
    "program": "a command on this board: a modem, a radio, a bell",
    "none": "nobody more; the log and the house's broker always are",
}
SEVERITIES = {"know": "everything", "act today": "what must be done today, and worse", "act now": "only the worst"}
Try = Callable[[str, dict[str, Any]], str]
"""Sends a test by a channel (name, table); empty, or why it was not taken."""


def ask_channels(dialog: Dialog, folder: Path, attempt: Try) -> dict[str, dict[str, Any]]:
    """The tables [channel.NAME].

    Args:
        dialog: where to ask.
        folder: where secrets go, in files of their own.
        attempt: sends a real message.
    """
    dialog.tell(
        "\nWho is told when something is wrong? No message is no proof that all is well; a second way is worth having."
    )
    found: dict[str, dict[str, Any]] = {}
    while True:
        key = f"tell.{len(found) + 1}"
        kind = dialog.ask(
            f"{key}.kind",
            f"Who is told{' besides' if found else ''}, and how?\n{menu(KINDS)}",
            one_of(KINDS),
            default="none",
        )
        if kind == "none":
            return found
        called = dialog.ask(
            f"{key}.name",
            "What do you call this way, in one word?",
            name(list(found)),
            default={"mail": "mail", "webhook": "phone", "program": "program"}[kind],
        )
        table = _checked(
            dialog,
            key,
            called,
            {"mail": _mail, "webhook": _webhook, "program": _program}[kind](dialog, key, called, folder),
        )
        table["severity"] = dialog.ask(
            f"{key}.severity", f"What is sent this way?\n{menu(SEVERITIES)}", one_of(SEVERITIES), default="act today"
        )
        _test(dialog, key, called, table, attempt)
        found[called] = table


def _mail(dialog: Dialog, key: str, called: str, folder: Path) -> dict[str, Any]:
    host = dialog.ask(
        f"{key}.host",
        "Mail server to hand mail to?",
        words(1, 200),
        why="Such as mail.example.org: your provider says which.",
    )
    security = dialog.ask(
        f"{key}.security",
        "Encryption: starttls (port 587), tls (port 465), plain (port 25, on your own wire only)?",
        one_of(("starttls", "tls", "plain")),
        default="starttls",
    )
    table: dict[str, Any] = {
        "kind": "smtp",
        "host": host,
        "security": security,
        "port": {"starttls": 587, "tls": 465, "plain": 25}[security],
    }
    port = dialog.ask(f"{key}.port", "Its port?", _number, default=str(table["port"]))
    table["port"] = port
    if security != "plain":
        account = dialog.ask(f"{key}.username", "Account there? none: it asks for none.", words(1, 200), default="none")
        if account.lower() != "none":
            file = dialog.secret(
                f"{key}.password",
                f"Its password? It goes into a file of its own in {folder}.",
                lambda text: keep_secret(folder, f"{called}.password", text),
            )
            table |= {"username": account, "password_file": file}
    table["sender"] = dialog.ask(f"{key}.sender", "Address that the mail comes from?", _mailbox)
    table["to"] = dialog.ask(
        f"{key}.to",
        "Addresses that it goes to, with commas?",
        lambda text: [_mailbox(each) for each in text.split(",")],
    )
    return table


def _webhook(dialog: Dialog, key: str, called: str, folder: Path) -> dict[str, Any]:
    file = dialog.secret(
        f"{key}.url", f"Address to post to, with https://? It goes into a file of its own in {folder}: whoever knows it can write to you.",
        lambda text: keep_secret(folder, f"{called}.url", text),
    )  # fmt: skip
    table: dict[str, Any] = {"kind": "webhook", "url_file": file}
    near = dialog.ask(
        f"{key}.allow", "Is it a machine in your own house? Its address as numbers; Enter alone: no.", words(0, 60)
    )
    if near and near.lower() not in ("no", "none"):
        table["allow"] = [near]
    return table


def _program(dialog: Dialog, key: str, called: str, folder: Path) -> dict[str, Any]:  # noqa: ARG001 -- one form for all ways
    command = dialog.ask(
        f"{key}.command", "Which program, by its whole path, with its arguments? It gets the text on its standard input.", _command,
        why="It runs as the user holdwater, without a shell, and is ended after some seconds.",
    )  # fmt: skip
    return {"kind": "program", "command": command}


def _command(text: str) -> list[str]:
    parts = text.split()
    if not parts or not parts[0].startswith("/") or not Path(parts[0]).is_file():
        raise Wrong(
            f"'{parts[0] if parts else ''}'",
            "a program by its whole path, that is there",
            "such as /usr/local/bin/send-text",
        )
    return parts


def _number(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise Wrong(f"'{text}'", "a port from 1 to 65535", "write the number")
    return int(text)


def _mailbox(text: str) -> str:
    text = text.strip()
    if (
        text.count("@") != 1
        or any(sign.isspace() or sign in '<>,;:"\\' for sign in text)
        or text.startswith("@")
        or text.endswith("@")
    ):
        raise Wrong(f"'{text}'", "one mail address", "write it like water@example.org")
    return text


def _checked(dialog: Dialog, key: str, called: str, table: dict[str, Any]) -> dict[str, Any]:
    """The table, when its model takes it; else its problems, and asked again."""
    try:
        TypeAdapter(ChannelConfig).validate_python(table)
    except ValidationError as error:
        for each in problems_of(error, models_in(ChannelConfig), ("channel", called), table):
            dialog.say(f"  {each.key}\n  found:    {each.found}\n  expected: {each.expected}\n  next:     {each.fix}")
        raise Again(f"{key}.kind") from None
    return table


def _test(dialog: Dialog, key: str, called: str, table: dict[str, Any], attempt: Try) -> None:
    """Send a real message, and ask whether it arrived; a way that does not work is asked again or kept on purpose."""
    if not dialog.ask(f"{key}.test", "Send a test message now?", yes_no, default="yes"):
        return
    said = dialog.once(f"{key}.sent", lambda: attempt(called, table))
    if said:
        dialog.tell(f"NOT taken: {said}")
    else:
        dialog.tell("Taken: the other side has it. That is not yet somebody who reads it.")
    if not dialog.ask(
        f"{key}.arrived", "Did it arrive where somebody will see it at night?", yes_no, why="no: set this way up again."
    ):
        raise Again(f"{key}.kind")
