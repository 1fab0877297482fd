"""Who is logged in: a signed cookie and the token that every order must carry. Time is an argument.

The signature's key lies beside the hash of the password; nothing about sessions is kept on disk. A
log-out holds until the process ends, an expiry always.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import secrets
from collections import OrderedDict

import msgspec

from monitor.page.password import url_safe

_MOST_REVOKED = 1000


class Session(msgspec.Struct, frozen=True):
    """A log-in: what tells it from others, when it ends, who said that they are."""

    nonce: str
    until_utc_s: float
    by: str


class Sessions:
    """Makes and checks cookies with one key."""

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._revoked: OrderedDict[str, None] = OrderedDict()

    def begin(self, by: str, now_s: float, lasts_s: float) -> tuple[Session, str]:
        """Return a new session and its cookie."""
        session = Session(secrets.token_urlsafe(16), now_s + lasts_s, by)
        body = url_safe(msgspec.json.encode(session))
        return session, f"{body}.{self._signed('session', body)}"

    def of(self, cookie: str | None, now_s: float) -> Session | None:
        """Return the session of a cookie, `None` for one that is not ours, ended or was logged out."""
        body, _, signature = (cookie or "").partition(".")
        if not hmac.compare_digest(signature.encode(), self._signed("session", body).encode()):
            return None
        try:
            raw = base64.urlsafe_b64decode(body + "=" * (-len(body) % 4))
            session = msgspec.json.decode(raw, type=Session)
        except (binascii.Error, ValueError, msgspec.DecodeError):
            return None
        over = session.until_utc_s <= now_s or session.nonce in self._revoked
        return None if over else session

    def csrf(self, session: Session) -> str:
        """Return the token that proves that a form came from a page of this session."""
        return self._signed("csrf", session.nonce)

    def is_from(self, session: Session, token: str) -> bool:
        """Return whether a form came from a page of this session."""
        return hmac.compare_digest(token.encode(), self.csrf(session).encode())

    def end(self, session: Session) -> None:
        """Log out."""
        self._revoked[session.nonce] = None
        while len(self._revoked) > _MOST_REVOKED:
            self._revoked.popitem(last=False)

    def _signed(self, what: str, text: str) -> str:
        return url_safe(hmac.digest(self._key, f"{what}:{text}".encode(), "sha256"))
