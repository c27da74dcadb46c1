"""The text of a config with its secrets out, and its mark (SHA-256 of a canonical form).

The store keeps the text of every config; so no secret may be in it. A setting is a secret if its name is one of those
that secrets usually have; a test sees to it that every setting with a `_file` of its own is among them.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

GONE = "(not kept)"
# `url` because the address of a webhook often is its own password; `headers` because tokens travel there.
SECRET_KEYS = frozenset({"password", "token", "secret", "url", "authorization", "headers", "api_key", "apikey", "auth"})
MIN_SEARCHED = 6  # characters; shorter secrets are not looked for in comments, they might be any word

_TOKEN = re.compile(
    r"(?P<comment>\#[^\n]*)"
    r'|(?P<multi>"""(?:[^"\\]|\\.|"(?!""))*"{3,5})'
    r"|(?P<raw_multi>'''(?:[^']|'(?!''))*'{3,5})"
    r'|(?P<text>"(?:[^"\\\n]|\\.)*")'
    r"|(?P<raw>'[^'\n]*')"
    r"|(?P<bare>[A-Za-z0-9_\-+:]+)"
    r"|(?P<sign>[=\[\]{},.\n])",
    re.DOTALL,
)


def is_secret(key: str) -> bool:
    """Whether a setting of this name may hold a secret in the open."""
    folded = key.casefold().replace("-", "_")
    return folded in SECRET_KEYS or folded.endswith(("_password", "_token", "_secret"))


def without_secrets(text: str, data: dict[str, Any]) -> str:
    """The text with every secret value put out, comments included; all else as it was.

    Args:
        text: a TOML text that parses.
        data: what it parses to.

    Raises:
        ValueError: a secret is written in a way that cannot be taken out; nothing may be kept then.
    """
    parts: list[str] = []
    end = 0
    for start, stop in _secret_spans(text):
        parts += [text[end:start], json.dumps(GONE)]
        end = stop
    clean = "".join([*parts, text[end:]])
    clean = _without_in_comments(clean, set(_secret_values(data, secret=False)))
    try:
        kept = tomllib.loads(clean)
    except tomllib.TOMLDecodeError:
        raise ValueError("the secrets could not be taken out") from None
    if any(value != GONE for value in _secret_values(kept, secret=False)):
        raise ValueError("a secret could not be taken out")
    return clean


def _without_in_comments(text: str, secrets: set[str]) -> str:
    """The text with secrets put out that a comment repeats; elsewhere a secret may be an ordinary word, such as garden."""
    looked_for = sorted((value for value in secrets if len(value) >= MIN_SEARCHED), key=len, reverse=True)

    def put_out(token: re.Match[str]) -> str:
        words = token.group()
        if token.lastgroup == "comment":
            for value in looked_for:
                words = words.replace(value, GONE)
        return words

    return _TOKEN.sub(put_out, text)


@dataclass
class _Level:
    """One open table or list while reading: is what stands in it secret, is its next text a value."""

    table: bool
    secret: bool
    value: bool = False
    value_secret: bool = False


def _secret_spans(text: str) -> Iterator[tuple[int, int]]:
    """Where the texts of secret settings stand in the file, quotes included: a small reading of TOML."""
    stack = [_Level(table=True, secret=False)]
    keys: list[str] = []
    header = False
    for token in _TOKEN.finditer(text):
        kind, word, level = token.lastgroup, token.group(), stack[-1]
        if kind == "comment":
            continue
        if kind != "sign":
            if header or (level.table and not level.value):
                keys.append(word.strip("\"'"))
            elif kind != "bare" and (level.value_secret if level.table else level.secret):
                yield token.span()
        elif header:
            if word == "]":
                level.secret, header = any(map(is_secret, keys)), False
        elif word == "[" and len(stack) == 1 and not level.value:
            keys, header = [], True
        else:
            keys = _sign(word, stack, keys)


def _sign(word: str, stack: list[_Level], keys: list[str]) -> list[str]:
    """One sign outside of a section name; returns the keys read so far of the setting it is in."""
    level = stack[-1]
    if word == "=":
        level.value, level.value_secret = True, level.secret or any(map(is_secret, keys))
    elif word in "[{":
        stack.append(_Level(table=word == "{", secret=level.value_secret if level.table else level.secret))
        return []
    elif word in "]}" and len(stack) > 1:
        stack.pop()
    elif level.table and (word == "," or (word == "\n" and len(stack) == 1)):
        level.value = False
        return []
    return keys


def _secret_values(value: Any, *, secret: bool) -> Iterator[str]:
    """Every text that stands under a secret key."""
    if isinstance(value, dict):
        for key, each in value.items():
            yield from _secret_values(each, secret=secret or is_secret(key))
    elif isinstance(value, list):
        for each in value:
            yield from _secret_values(each, secret=secret)
    elif secret and isinstance(value, str):
        yield value


def canonical(data: dict[str, Any]) -> bytes:
    """One form for all texts that mean the same: JSON with sorted keys, dates as text."""
    return json.dumps(
        data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=lambda each: each.isoformat()
    ).encode()


def sha_of(text: str) -> bytes:
    """SHA-256 of the canonical form of a TOML text: comments, order of keys and spaces do not matter."""
    return hashlib.sha256(canonical(tomllib.loads(text))).digest()
