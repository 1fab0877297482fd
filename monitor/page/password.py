"""The page's password: a scrypt hash in a file of its own that only its user can read.

The parameters are those that RFC 7914 has in its test vectors with N = 16384, r = 8, p = 1: 16 MB and
some tens of milliseconds, which a small board can bear and a guesser feels.
"""

from __future__ import annotations

import base64
import contextlib
import ctypes
import hashlib
import hmac
import os
import secrets
import stat
from pathlib import Path

import msgspec

from monitor.errors import StorageError, UserMistake

LEAST, MOST = 10, 200
_N, _R, _P, _LENGTH = 2**14, 8, 1, 32
_M_MMAP_THRESHOLD = -3
_MOST_MEMORY = 64 * 1024 * 1024


class Secret(msgspec.Struct, frozen=True):
    """What the file holds: how the password is hashed, and the key that log-ins are signed with.

    A new password makes a new key, so every log-in of before is over.
    """

    scheme: str
    n: int
    r: int
    p: int
    salt: bytes
    hash: bytes
    key: bytes


def made(password: str) -> Secret:
    """Return what is to be kept of a password.

    Raises:
        UserMistake: it is too short or too long.
    """
    if not LEAST <= len(password) <= MOST:
        raise UserMistake(
            f"password: {len(password)} characters, expected {LEAST} to {MOST}; several words that "
            "do not belong together are easy to keep"
        )
    salt = secrets.token_bytes(16)
    return Secret(
        "scrypt", _N, _R, _P, salt, _hashed(password, salt, _N, _R, _P), secrets.token_bytes(32)
    )


def fits(password: str, secret: Secret) -> bool:
    """Return whether it is the password; takes as long for a wrong one as for the right one."""
    if len(password) > MOST:
        password = ""
    found = _hashed(password, secret.salt, secret.n, secret.r, secret.p)
    return hmac.compare_digest(found, secret.hash)


def _hashed(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    # Else glibc learns from the first 16 MB that are freed to keep them the next time (mallopt(3)), and a
    # small board has few of them.
    with contextlib.suppress(AttributeError, OSError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, 1024 * 1024)
    return hashlib.scrypt(
        password.encode(), salt=salt, n=n, r=r, p=p, dklen=_LENGTH, maxmem=_MOST_MEMORY
    )


def keep(file: Path, secret: Secret) -> None:
    """Write the file whole or not at all, mode 0600.

    Raises:
        StorageError: it cannot be written.
    """
    fresh = file.with_name(f"{file.name}.new")
    try:
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        fresh.unlink(missing_ok=True)
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(msgspec.json.encode(secret))
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(file)
    except OSError as error:
        raise StorageError(
            f"{file}: cannot be written: {error.strerror}; make its folder, writable for the user "
            "that runs canister page, or set page.password_file"
        ) from error


def kept(file: Path) -> Secret:
    """Read the file.

    Raises:
        UserMistake: there is none yet, others can read it, or it is not one of ours.
        StorageError: it cannot be read.
    """
    try:
        mode = file.stat().st_mode
        body = file.read_bytes()
    except FileNotFoundError:
        raise UserMistake(
            f"{file}: no password yet; set one with: canister page-password"
        ) from None
    except OSError as error:
        raise StorageError(
            f"{file}: cannot be read: {error.strerror}; it must belong to the user that runs "
            "canister page"
        ) from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise UserMistake(
            f"{file}: others can read it (mode {stat.S_IMODE(mode):04o}, expected 0600); set the "
            "password anew with: canister page-password"
        )
    try:
        secret = msgspec.json.decode(body, type=Secret)
    except msgspec.DecodeError as error:
        raise UserMistake(
            f"{file}: not a password file ({error}); set it anew with: canister page-password"
        ) from error
    if secret.scheme != "scrypt" or len(secret.key) < 32:
        raise UserMistake(
            f"{file}: hashed by {secret.scheme}, expected scrypt; set it anew with: canister "
            "page-password"
        )
    return secret


def url_safe(value: bytes) -> str:
    """Return bytes as letters that a cookie and an address can hold."""
    return base64.urlsafe_b64encode(value).decode().rstrip("=")
