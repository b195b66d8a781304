"""Where an InfluxDB is and under which names it keeps samples, from one URL and the environment."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

SCHEMES = {"influx": "http", "influxs": "https"}
DEFAULT_PORT = 8086
TOKEN = "ASLEFT_INFLUX_TOKEN"
TOKEN_FILE = "ASLEFT_INFLUX_TOKEN_FILE"
FORM = "influx://HOST:PORT/BUCKET (influxs:// with TLS)"
_BUCKET = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")


class BadPlace(ValueError):  # noqa: N818 - reads as what it says
    """A URL or a token that cannot be used; the text says what is wanted."""


@dataclass(frozen=True, slots=True)
class InfluxPlace:
    """One InfluxDB. A *bucket* is what InfluxDB 1 and 3 call a database."""

    url: str
    """Scheme, host and port, as HTTP knows them."""
    bucket: str
    """Readings, blocks and bursts."""
    overview_bucket: str
    """Minimum, mean and maximum per block: a bucket of its own, so that it can be kept longer."""
    org: str = "-"
    """The organisation, which only InfluxDB 2 has."""
    token: str = field(default="", repr=False)
    ca_file: str | None = None
    """Certificate of the authority that signed the server's, where the system does not know it."""

    def __str__(self) -> str:
        """For people; without the token."""
        return f"InfluxDB at {self.url}, bucket {self.bucket}"


def is_influx(text: str) -> bool:
    """Whether a `--samples` names an InfluxDB."""
    return text.partition("://")[0] in SCHEMES


def place_from(text: str, environment: Mapping[str, str]) -> InfluxPlace:
    """The place that a URL `influx://HOST:PORT/BUCKET?overview=BUCKET&org=NAME&ca=FILE` names.

    All but host and bucket may be left out. The token comes from `ASLEFT_INFLUX_TOKEN` or from the file that
    `ASLEFT_INFLUX_TOKEN_FILE` names, never from the URL: every user of a machine can read command lines.
    Raises `BadPlace`.
    """
    try:
        parts = urlsplit(text)
        port = parts.port or DEFAULT_PORT
    except ValueError as error:
        raise BadPlace(f"--samples {text}: {error}; {FORM} is expected") from error
    if parts.scheme not in SCHEMES or not parts.hostname:
        raise BadPlace(f"--samples {text}: {FORM} is expected")
    if parts.username is not None or parts.password is not None:
        raise BadPlace(
            f"--samples: a URL with a user or a token is read by others; put the token into {TOKEN}, or name a file "
            f"that holds it in {TOKEN_FILE}"
        )
    asked = parse_qs(parts.query, keep_blank_values=True)
    if unknown := sorted(set(asked) - {"overview", "org", "ca"}):
        raise BadPlace(f"--samples {text}: {unknown[0]!r} is not known; overview=, org= and ca= are")
    bucket = parts.path.strip("/")
    overview = asked.get("overview", [f"{bucket}-overview"])[-1]
    for name in (bucket, overview):
        if _BUCKET.fullmatch(name) is None:
            raise BadPlace(f"--samples {text}: {name!r} is no name of a bucket; {FORM} is expected")
    if bucket == overview:
        raise BadPlace(f"--samples {text}: the overview needs a bucket of its own")
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    return InfluxPlace(
        url=f"{SCHEMES[parts.scheme]}://{host}:{port}",
        bucket=bucket,
        overview_bucket=overview,
        org=asked.get("org", ["-"])[-1] or "-",
        token=_token(environment),
        ca_file=asked.get("ca", [None])[-1],
    )


def _token(environment: Mapping[str, str]) -> str:
    named = environment.get(TOKEN_FILE, "")
    if not named:
        return environment.get(TOKEN, "").strip()
    try:
        token = Path(named).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise BadPlace(f"{TOKEN_FILE}={named}: cannot be read: {error}") from error
    if not token:
        raise BadPlace(f"{TOKEN_FILE}={named}: the file is empty, a token is expected")
    return token
