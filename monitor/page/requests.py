"""What a browser may send us and what every answer carries. Pure text rules.

A request that changes something must come from a page of ours: by its Origin, by Sec-Fetch-Site where
the browser sends it, and by the token in the form. The stream of news is held to the same origin.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import parse_qs, urlsplit

COOKIE = "canister_page"
# A browser keeps cookies by host and not by port: two pages of one machine need two names.
FLEET_COOKIE = "canister_fleet"
_MOST_FIELDS = 12

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
# A commissioning sheet stands alone, with its own style inside and no script.
SHEET_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"


def is_our_own(headers: Mapping[str, str], scheme: str) -> bool:
    """Return whether a request comes from a page of this very address.

    Args:
        headers: of the request, names in lower case.
        scheme: http or https, as the request came in.

    Browsers send Origin with every POST; a request without it must say by Sec-Fetch-Site that it is of
    the same origin.
    """
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    origin = headers.get("origin")
    if origin is None:
        return site == "same-origin"
    found = urlsplit(origin)
    return found.scheme == scheme and found.netloc == headers.get("host", "")


def form_fields(body: bytes) -> dict[str, str]:
    """Return the fields of a form, the first of each name; raises ValueError for what is no form."""
    found = parse_qs(
        body.decode("utf-8"), keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="strict"
    )
    return {name: values[0] for name, values in found.items()}


def cookie(value: str, lasts_s: int, secure: bool, of: str = COOKIE) -> str:
    """Return the Set-Cookie of a log-in; 0 seconds takes it away."""
    name = f"__Host-{of}" if secure else of
    tail = "; Secure" if secure else ""
    return f"{name}={value}; Max-Age={lasts_s}; Path=/; HttpOnly; SameSite=Lax{tail}"


def cookie_value(header: str | None, secure: bool, of: str = COOKIE) -> str | None:
    """Return our cookie out of a request's."""
    wanted = f"__Host-{of}" if secure else of
    for part in (header or "").split(";"):
        name, _, value = part.strip().partition("=")
        if name == wanted:
            return value
    return None
