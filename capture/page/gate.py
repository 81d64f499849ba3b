"""Who may ask for what: every request is checked here before anything else looks at it."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

__all__ = ["HEADERS", "MOST_BODY", "MOST_UPLOAD", "Gate", "Refused"]

MOST_BODY = 1_000_000
MOST_UPLOAD = 200_000_000

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
"""Sent with every answer: only this server's own files run, nothing is loaded from the network."""


class Headers(Protocol):
    """A request's headers; names in any case."""

    def get(self, name: str, /) -> str | None: ...


class Refused(Exception):
    """A request that is not let in: its HTTP status, and a short word why."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


@dataclass(frozen=True, slots=True)
class Gate:
    """The random token in the address, and the port that Host and Origin must name."""

    token: str
    port: int

    @classmethod
    def new(cls, port: int) -> Gate:
        """A gate with a fresh token of 192 random bits."""
        return cls(secrets.token_urlsafe(24), port)

    @property
    def address(self) -> str:
        """Where the page is found."""
        return f"http://127.0.0.1:{self.port}/{self.token}/"

    def check(self, method: str, target: str, headers: Headers) -> str:
        """The path below the token.

        Raises Refused for another host (a name that was made to point here), another origin, or a wrong token.
        """
        hosts = {f"127.0.0.1:{self.port}", f"localhost:{self.port}"}
        if (headers.get("Host") or "").lower() not in hosts:
            raise Refused(421, "another host")
        self._check_origin(method, headers, hosts)
        path = target.partition("?")[0]
        token, _, rest = path.removeprefix("/").partition("/")
        if not path.startswith("/") or not hmac.compare_digest(token.encode(), self.token.encode()):
            raise Refused(404, "no such page")
        return rest

    def _check_origin(self, method: str, headers: Headers, hosts: set[str]) -> None:
        origin = headers.get("Origin")
        own = {f"http://{host}" for host in hosts}
        if (origin is None and method != "GET") or (origin is not None and origin.lower() not in own):
            raise Refused(403, "another origin")
        if (headers.get("Sec-Fetch-Site") or "none") not in ("none", "same-origin"):
            raise Refused(403, "another site")


def body_length(headers: Headers, most: int) -> int:
    """Length of a request's body, bytes.

    Raises Refused where it is not stated or over `most`.
    """
    text = headers.get("Content-Length") or ""
    if headers.get("Transfer-Encoding") or not text.isascii() or not text.isdigit():
        raise Refused(411, "the length of the body must be stated")
    if int(text) > most:
        raise Refused(413, f"over {most} bytes")
    return int(text)
