"""Secrets of the config: a text that does not show itself, and where it may come from.

A secret called `password` can be given three ways, best first: `password_file = "broker.password"` (found in the folder
that systemd names in $CREDENTIALS_DIRECTORY, or beside the config), `password_env = "NAME"`, or `password = "…"` in the
config itself, which is taken but warned about.
A file that everybody on the machine can read is refused: it would be no secret.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

CREDENTIALS = "CREDENTIALS_DIRECTORY"  # systemd.exec(5), LoadCredential=
MAX_SECRET_BYTES = 64 * 1024  # a token or a key; more is the wrong file


class Secret:
    """A text that never shows itself in repr, str, format or a log; ask `reveal()` at the last moment."""

    __slots__ = ("_value",)

    def __init__(self, value: str) -> None:
        self._value = value

    def reveal(self) -> str:
        """The text itself."""
        return self._value

    def __repr__(self) -> str:
        return "Secret(…)"

    def __str__(self) -> str:
        return "…"

    def __format__(self, spec: str) -> str:
        return format("…", spec)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and self._value == other._value

    def __hash__(self) -> int:
        return int.from_bytes(hashlib.sha256(self._value.encode()).digest()[:8], "big")

    def __bool__(self) -> bool:
        return bool(self._value)

    def __reduce__(self) -> tuple[type[Secret], tuple[str]]:
        raise TypeError("a secret is not pickled")


class SecretError(ValueError):
    """A secret that cannot be had.

    Attributes:
        found: what was found.
        expected: what would have been right.
        fix: what to do next.
    """

    def __init__(self, found: str, expected: str, fix: str) -> None:
        self.found = found
        self.expected = expected
        self.fix = fix
        super().__init__(f"{found}; expected {expected}; {fix}")


@dataclass(frozen=True, slots=True)
class Places:
    """Where secrets are looked up.

    Attributes:
        folder: folder of the config file, for relative paths.
        environ: the environment.
    """

    folder: Path
    environ: Mapping[str, str]

    def path_of(self, name: str) -> Path:
        """The file a `*_file` setting names: in $CREDENTIALS_DIRECTORY if it is there, else relative to the config."""
        credentials = self.environ.get(CREDENTIALS)
        if credentials and not Path(name).is_absolute() and (Path(credentials) / name).exists():
            return Path(credentials) / name
        return self.folder / Path(name).expanduser()

    def from_file(self, name: str) -> Secret:
        """The secret in a file, without the newline at its end.

        Raises:
            SecretError: the file is missing, readable by everybody, no file, empty, too large or not text.
        """
        path = self.path_of(name)
        data = _read_private(path)
        try:
            text = data.decode("utf-8").rstrip("\r\n")
        except UnicodeDecodeError:
            raise SecretError(
                f"{path} is not UTF-8 text", "a file with the secret as text", "write the secret on one line"
            ) from None
        if not text:
            raise SecretError(f"{path} is empty", "the secret on one line", f"write the secret into {path}")
        return Secret(text)

    def from_environ(self, name: str) -> Secret:
        """The secret in an environment variable.

        Raises:
            SecretError: the variable is not set or is empty.
        """
        value = self.environ.get(name, "")
        if not value:
            state = "empty" if name in self.environ else "not set"
            raise SecretError(
                f"the environment variable {name} is {state}",
                "a variable that holds the secret",
                f"set {name} before the start, or use a file (…_file) instead",
            )
        return Secret(value)


def _read_private(path: Path) -> bytes:
    """The bytes of a file which only its owner and group may read."""
    missing = f'make it: install -m 600 /dev/null "{path}", then write the secret into it'
    try:
        # without O_NONBLOCK a pipe would keep us waiting for its other end
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK), "rb") as file:
            info = os.fstat(file.fileno())
            if not stat.S_ISREG(info.st_mode):
                raise SecretError(f"{path} is not an ordinary file", "a file that holds the secret", missing)
            if info.st_mode & (stat.S_IROTH | stat.S_IWOTH):
                raise SecretError(
                    f"{path} can be read or written by everybody on this machine (mode {stat.S_IMODE(info.st_mode):o})",
                    "a file that only its owner, or owner and group, can read",
                    f'chmod 600 "{path}"; change the secret if others have used this machine',
                )
            data = file.read(MAX_SECRET_BYTES + 1)
    except FileNotFoundError:
        raise SecretError(f"there is no file {path}", "a file that holds the secret", missing) from None
    except IsADirectoryError:
        raise SecretError(
            f"{path} is a folder", "a file that holds the secret", "name the file in the folder"
        ) from None
    except OSError as error:
        reason = error.strerror or "cannot be read"
        raise SecretError(
            f"{path}: {reason}", "a file that the service may read", f'let the service own it: chown holdwater "{path}"'
        ) from None
    if len(data) > MAX_SECRET_BYTES:
        raise SecretError(f"{path} is larger than 64 kB", "a file that holds one secret", "name the right file")
    return data
