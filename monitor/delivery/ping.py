"""The outside dead-man: asks an address of the user's, every few minutes, as long as all goes on.

Whoever keeps that address tells when the asking ceases; that is the one alarm that a board without
power or network can still give.
"""

from __future__ import annotations

import http.client
import urllib.error
import urllib.request

from monitor.errors import MachineError

_WITHIN_S = 20.0


def ping(address: str) -> None:
    """Ask once.

    Raises:
        MachineError: it was not reached, or answers with an error; the address, which may be a secret,
            is not in the text.
    """
    if not address.startswith(("http://", "https://")):
        raise MachineError("signs.ping_url: no web address; it begins with https:// or http://")
    try:
        asked = urllib.request.Request(address, headers={"User-Agent": "canister-monitor"})
        with urllib.request.urlopen(asked, timeout=_WITHIN_S) as answer:
            answer.read(1024)
    except urllib.error.HTTPError as error:
        error.close()
        raise MachineError(
            f"signs.ping_url: it answers {error.code}; look at the address"
        ) from error
    except (OSError, http.client.HTTPException, ValueError) as error:
        # Only the reason of the machine: a library's own words may quote the address.
        reason = getattr(error, "reason", None) or getattr(error, "strerror", None)
        told = getattr(reason, "strerror", None) or type(error).__name__
        raise MachineError(f"signs.ping_url: not reached: {told}; look at the network") from error
