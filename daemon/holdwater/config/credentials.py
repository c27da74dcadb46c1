"""Secrets and certificates that the config names: looked for at load, so a wrong path shows now, not in a storm."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import BaseModel

from holdwater.config.general import BrokerConfig
from holdwater.config.mirror import MirrorConfig
from holdwater.config.redact import is_secret
from holdwater.config.secrets import Places, Secret, SecretError
from holdwater.config.syntax import dotted
from holdwater.errors import Problem

M = TypeVar("M", bound=BaseModel)

IN_THE_OPEN = frozenset({"password", "secret", "token"})  # `url` may well be no secret


def broker_password(broker: BrokerConfig, places: Places) -> tuple[Secret | None, list[Problem]]:
    """The broker's password, or what is wrong with the way it is given."""
    try:
        return broker.secret(places), []
    except SecretError as error:
        way = "password_file" if broker.password_file is not None else "password_env"
        return None, [Problem(f"broker.{way}", error.found, error.expected, error.fix)]


def mirror_token(mirror: MirrorConfig, places: Places) -> tuple[Secret | None, list[Problem]]:
    """The mirror's token, or what is wrong with the way it is given."""
    try:
        return mirror.secret(places), []
    except SecretError as error:
        way = "token_file" if mirror.token_file is not None else "token_env"
        return None, [Problem(f"mirror.{way}", error.found, error.expected, error.fix)]


def with_paths(entry: M, at: tuple[object, ...], places: Places) -> tuple[M, list[Problem]]:
    """A model whose `*_file` settings are absolute paths of files that are there; secret ones private to the service.

    Args:
        entry: a model, such as a channel or the TLS of the broker.
        at: where it stands in the file.
        places: where relative paths begin.
    """
    problems: list[Problem] = []
    absolute: dict[str, Any] = {}
    for name in type(entry).model_fields:
        value = getattr(entry, name)
        if not name.endswith("_file") or not isinstance(value, str):
            continue
        path = places.path_of(value)
        absolute[name] = str(path)
        key = dotted((*at, name))
        if is_secret(name.removesuffix("_file")):
            try:
                places.from_file(value)
            except SecretError as error:
                problems.append(Problem(key, error.found, error.expected, error.fix))
        elif not path.is_file():
            problems.append(
                Problem(key, f"there is no file {path}", "a file with a certificate or key (PEM)", "correct the path")
            )
    return (entry.model_copy(update=absolute) if absolute else entry), problems


def in_the_open(data: Any, at: tuple[object, ...] = ()) -> list[str]:
    """Keys of the secrets that stand in the config file itself."""
    found: list[str] = []
    if isinstance(data, dict):
        for name, value in data.items():
            if name in IN_THE_OPEN and isinstance(value, str):
                found.append(dotted((*at, name)))
            else:
                found += in_the_open(value, (*at, name))
    return found
