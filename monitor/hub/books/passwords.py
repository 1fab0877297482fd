"""Passwords of people, kept as scrypt hashes (RFC 7914)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import os

from monitor.errors import UserMistake

SHORTEST = 10
LONGEST = 200
# One of the equal choices of the OWASP Password Storage Cheat Sheet for scrypt; 16 MB of memory each.
_N, _R, _P = 2**14, 8, 5
_MOST_MEMORY = 64 * 2**20
_LENGTH = 32


def hashed(password: str) -> str:
    """Return the hash of a password with its salt and the cost it was made at.

    Raises:
        UserMistake: it is too short or too long.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise UserMistake(
            f"password: has {len(password)} characters, expected {SHORTEST} to {LONGEST}; take another"
        )
    salt = os.urandom(16)
    key = _key(password, salt, _N, _R, _P)
    return f"scrypt${_N}${_R}${_P}${_text(salt)}${_text(key)}"


def fits(password: str, kept: str | None) -> bool:
    """Return whether a password is the one that was kept; takes as long where none was."""
    try:
        _, n, r, p, salt, key = (kept or _NOBODYS).split("$")
        wanted = base64.b64decode(key)
        found = _key(password, base64.b64decode(salt), int(n), int(r), int(p))
    except (ValueError, binascii.Error):
        return False
    return hmac.compare_digest(found, wanted) and kept is not None


def _key(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(
        password.encode(errors="surrogatepass"),
        salt=salt,
        n=n,
        r=r,
        p=p,
        maxmem=_MOST_MEMORY,
        dklen=_LENGTH,
    )


def _text(raw: bytes) -> str:
    return base64.b64encode(raw).decode()


_NOBODYS = f"scrypt${_N}${_R}${_P}${_text(bytes(16))}${_text(bytes(_LENGTH))}"
