"""`[mirror]`: the time-series server that gets a copy of readings and levels."""

from __future__ import annotations

from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from holdwater.config.mirrors import MirrorSettings
from holdwater.config.model import Duration, Model, problem
from holdwater.config.secrets import Places, Secret


def _check_url(url: str) -> str:
    expected, fix = (
        'such as "http://192.168.1.20:8086"',
        "write the whole address of the server, with http:// or https://",
    )
    try:
        parts = urlsplit(url)
        good = parts.scheme in ("http", "https") and bool(parts.hostname)
        _ = parts.port
    except ValueError:
        good = False
    if not good or any(sign.isspace() or not sign.isprintable() for sign in url):
        raise problem("not an http or https address", expected, fix)
    if parts.username is not None or parts.password is not None:
        raise problem(
            "a name or password in the address", expected, 'take it out, and put "name:password" into token_file'
        )
    if parts.query or parts.fragment or parts.path.rstrip("/").endswith("/api/v2/write"):
        raise problem(
            "an address with more than the server in it", expected, "leave out /api/v2/write and all after it"
        )
    return url.rstrip("/")


def _check_text(text: str) -> str:
    if not text.isprintable() or "\\" in text or text != text.strip():
        raise problem(
            f'"{text}"' if text.isprintable() else "a text with control characters",
            "a plain text without backslash and without spaces at its ends",
            "write letters, digits, spaces, - and _ only",
        )
    return text


Plain = Annotated[str, AfterValidator(_check_text)]


class MirrorConfig(Model):
    """[mirror]: a copy of readings and levels on a time-series server."""

    url: Annotated[str, AfterValidator(_check_url)] = Field(
        description="Address of a server that takes InfluxDB 2 writes (`/api/v2/write`).",
        examples=["http://192.168.1.20:8086"],
    )
    bucket: Plain = Field(
        min_length=1, max_length=200, description="Bucket there that the copy goes to.", examples=["water"]
    )
    org: Plain = Field(
        default="-", min_length=1, max_length=200, description="Organisation there; servers that know none take any."
    )
    site: Plain | None = Field(
        default=None,
        min_length=1,
        max_length=80,
        description="This household's name on that server, unlike every other's there; the name of [site] when left out.",
        examples=["quern-bench"],
    )
    token: str | None = Field(
        default=None, min_length=1, description="What lets us write there, in the open; better use token_file."
    )
    token_file: str | None = Field(default=None, description="File with the token, readable by its owner only.")
    token_env: str | None = Field(default=None, description="Environment variable with the token.")
    ca_file: str | None = Field(
        default=None,
        description="Certificate of the authority that signed the server's; the system's own when left out.",
    )
    every: Duration = Field(default=60.0, description="Time between two looks for what is new.", examples=["1 min"])
    batch: int = Field(default=5000, ge=1, le=20_000, description="Most readings in one request.", examples=[5000])
    rate: int = Field(
        default=1000, ge=10, le=100_000, description="Most readings a second while catching up.", examples=[1000]
    )

    @model_validator(mode="after")
    def _one_token(self) -> Self:
        given = [name for name in ("token", "token_file", "token_env") if getattr(self, name) is not None]
        if len(given) > 1:
            raise problem(" and ".join(given), "one of them", f"keep {given[-1]}, remove the other", given[0])
        if not 5 <= self.every <= 86_400:
            raise problem(f"{self.every:g} s", "5 s to 1 day", 'write every = "1 min"', "every")
        return self

    def secret(self, places: Places) -> Secret | None:
        """The token, wherever it is.

        Raises:
            SecretError: it cannot be had.
        """
        if self.token_file is not None:
            return places.from_file(self.token_file)
        if self.token_env is not None:
            return places.from_environ(self.token_env)
        return None if self.token is None else Secret(self.token)

    def build(self, token: Secret | None, places: Places, site: str) -> MirrorSettings:
        """The settings.

        Args:
            token: the secret, already found.
            places: for relative paths.
            site: name of the household, for where no other is given.
        """
        return MirrorSettings(
            url=self.url,
            bucket=self.bucket,
            site=self.site or as_tag(site),
            org=self.org,
            token=token,
            ca_file=None if self.ca_file is None else str(places.path_of(self.ca_file)),
            every_s=self.every,
            batch=self.batch,
            rate=self.rate,
        )


def as_tag(name: str) -> str:
    """A household's name as it may stand in a tag: one line, no backslash."""
    plain = "".join(sign if sign.isprintable() and sign != "\\" else " " for sign in name)
    return " ".join(plain.split()) or "site"
