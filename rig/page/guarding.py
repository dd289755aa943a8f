"""Who may ask the page for what: checked before anything else is done with a request. Pure.

A page on this machine can be reached by any other page that a browser shows: by forms, images, and by names that are
made to point here. So the name that was asked for, the origin and a key that only our own pages hold are checked.
"""

import hmac
import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass

#: Where our own pages put their key, and what another machine shows.
KEY_HEADER, TOKEN_COOKIE = "x-kitproof-key", "kitproof_token"
#: What a browser may load and do for one of our pages: nothing from elsewhere, no script or style in the page itself.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "media-src 'self'; frame-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
)
#: For a report that is shown as it was written, in a frame of our page, whose script takes the keys that are pressed in
#: it: its own style and pictures, and no script at all.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; media-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'self'; sandbox allow-same-origin"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True)
class Rules:
    """What a request is held against."""

    #: Names and ports that this page is reached by ("127.0.0.1:8321").
    hosts: frozenset[str]
    #: What our own pages show with every change.
    key: str
    #: What another machine shows to read; empty: none may.
    token: str = ""


@dataclass(frozen=True)
class Asked:
    """Of a request all that is checked."""

    method: str
    client: str
    headers: Mapping[str, str]
    cookies: Mapping[str, str]
    #: Given in the address, once, by another machine.
    token: str = ""


def refusal(asked: Asked, rules: Rules) -> tuple[int, str] | None:
    """Status and words by which a request is refused; None: it is allowed."""
    host = asked.headers.get("host", "").lower()
    if host not in rules.hosts:
        return 421, f"this page is reached by {', '.join(sorted(rules.hosts))} alone"
    origin = asked.headers.get("origin")
    if origin is not None and origin.lower() != f"http://{host}":
        return 403, "asked for by a page from elsewhere"
    if _is_taken_in(asked.headers):
        return 403, "asked for by a page from elsewhere"
    is_here = is_this_machine(asked.client)
    if not is_here and not _has_token(asked, rules):
        return 403, "another machine needs the token that the start of the page has printed"
    if asked.method in ("GET", "HEAD"):
        return None
    if not is_here:
        return 403, "another machine may read, and change nothing"
    if origin is None or not is_equal(asked.headers.get(KEY_HEADER, ""), rules.key):
        return 403, "only a page that this server has shown may change something: load it again"
    return None


def _is_taken_in(headers: Mapping[str, str]) -> bool:
    """Whether another page takes this one in, as a picture, script or frame; a link that is followed does not.

    A browser names no origin then, but where the page that asks is from (W3C, Fetch Metadata Request Headers).
    """
    is_followed = (headers.get("sec-fetch-mode"), headers.get("sec-fetch-dest")) == ("navigate", "document")
    return headers.get("sec-fetch-site", "none") not in ("none", "same-origin") and not is_followed


def is_this_machine(client: str) -> bool:
    """Whether an address is one of this machine's own loop."""
    try:
        address = ipaddress.ip_address(client)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address).is_loopback


def _has_token(asked: Asked, rules: Rules) -> bool:
    if not rules.token:
        return False
    return any(is_equal(shown, rules.token) for shown in (asked.token, asked.cookies.get(TOKEN_COOKIE, "")))


def is_equal(a: str, b: str) -> bool:
    """Whether two secrets are the same; it takes as long whether they are or not."""
    return hmac.compare_digest(a.encode("utf-8", "replace"), b.encode("utf-8", "replace"))
