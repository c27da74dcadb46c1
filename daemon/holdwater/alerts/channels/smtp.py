"""Mail over SMTP (RFC 5321), with STARTTLS or TLS; one total deadline."""

from __future__ import annotations

import hashlib
import smtplib
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from typing import IO, Any

from holdwater.alerts.channels.deadline import deadline
from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted, Outcome, Refused, Unclear
from holdwater.config.channels import SmtpChannel

ANSWERS_MAX = 64 * 1024
"""Bytes of all answers of one exchange, before and after STARTTLS each."""


@dataclass(frozen=True, slots=True)
class SmtpSender:
    """Hands mail to one server.

    Attributes:
        config: server, security, addresses.
        password: of the account; empty when there is none.
        deadline_s: longest time for one send, s.
    """

    config: SmtpChannel
    password: str = ""
    deadline_s: float = 30.0

    @classmethod
    def of(cls, config: SmtpChannel, read: Any, deadline_s: float) -> SmtpSender:
        """From the config; the password is read from its file."""
        password = config.password if config.password_file is None else read(config.password_file)
        return cls(config, password or "", deadline_s)

    def send(self, parcel: Parcel) -> Outcome:
        """Hand it over; taken when the server has said 250 to the whole message."""
        return self.hand(self.letter(parcel.key, parcel.short, parcel.long))

    def hand(self, letter: EmailMessage) -> Outcome:
        """Hand over a whole letter; taken when the server has said 250 to all of it."""
        context = ssl.create_default_context(cafile=self.config.ca_file)
        timeout_s = min(15.0, self.deadline_s)
        # Made without a host first, so that the timer has an object whose socket it can shut.
        smtp = (
            smtplib.SMTP(timeout=timeout_s)
            if self.config.security != "tls"
            else smtplib.SMTP_SSL(timeout=timeout_s, context=context)
        )
        smtp._host = self.config.host  # type: ignore[attr-defined]  # SMTP sets it only in its constructor; STARTTLS checks the name by it

        smtp.getreply = _capped(smtp)  # type: ignore[method-assign]  # smtplib keeps every line of an answer that never ends

        def get_socket() -> socket.socket | None:
            return getattr(smtp, "sock", None)

        handed = False
        with deadline(self.deadline_s, get_socket) as expiry:
            try:
                smtp.connect(self.config.host, self.config.port)
                smtp.ehlo()
                if self.config.security == "starttls":
                    smtp.starttls(context=context)
                    smtp.ehlo()
                if self.config.username:
                    smtp.login(self.config.username, self.password)
                handed = True
                refused = smtp.send_message(letter)
            except (OSError, smtplib.SMTPException, ValueError) as error:
                return _failure(error, handed=handed, expired=expiry.passed, deadline_s=self.deadline_s)
            finally:
                smtp.close()
        if refused:
            return Refused(True, "the server refused some of the addresses")
        return Accepted()

    def letter(self, key: str, subject: str, text: str) -> EmailMessage:
        """A letter of plain text; the same key gives the same Message-ID, by which a copy is known."""
        message = EmailMessage()
        message["Subject"] = subject
        message["From"] = self.config.sender
        message["To"] = ", ".join(self.config.to)
        digest = hashlib.sha256(key.encode()).hexdigest()[:32]
        message["Message-ID"] = f"<{digest}@{self.config.sender.rpartition('@')[2]}>"
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday answer to this
        message.set_content(f"{text}\n")
        return message


def _failure(error: Exception, *, handed: bool, expired: bool, deadline_s: float) -> Outcome:
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        codes = [code for code, _ in error.recipients.values()]
        return Refused(all(code >= 500 for code in codes), "the server refused the addresses")
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return Refused(False, "the server did not take name and password")
    if isinstance(error, smtplib.SMTPResponseException):
        return Refused(
            error.smtp_code >= 500 and isinstance(error, smtplib.SMTPDataError),
            f"the server answered {error.smtp_code}",
        )
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return Refused(False, "the server does not offer STARTTLS: nothing was sent in the clear")
    words = f"not done within {deadline_s:.0f} s" if expired else "the connection broke off or could not be made"
    return Unclear(words) if handed else Refused(False, words)


class _Answers:
    """What the server says, up to a limit."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._left = ANSWERS_MAX

    def readline(self, limit: int = -1) -> bytes:
        """The next line.

        Raises:
            OSError: the server has said more than any mail server needs to.
        """
        line = self._file.readline(limit)
        self._left -= len(line)
        if self._left < 0:
            raise OSError("the server says more than any mail server needs to")
        return line

    def close(self) -> None:
        """Close it."""
        self._file.close()


def _capped(smtp: smtplib.SMTP) -> Callable[[], tuple[int, bytes]]:
    """The client's own way of reading an answer, over a file that ends."""
    read = smtp.getreply

    def getreply() -> tuple[int, bytes]:
        if smtp.file is None and smtp.sock is not None:
            smtp.file = _Answers(smtp.sock.makefile("rb"))
        return read()

    return getreply
