"""Saved states as text in the journal: a large one packed, so that it fits one page of the file.

A state of 7 KB takes three pages beside its row, and each commit writes them twice: into the
write-ahead log and at the checkpoint. Packed it is 2 to 3 KB.
"""

from __future__ import annotations

import base64
import zlib

_PACKED = "zlib85:"  # no JSON begins like this
_FROM_BYTES = 1000


def packed(body: bytes) -> str:
    """Return the text that is kept of a state; a small one stays as readable as it is."""
    if len(body) < _FROM_BYTES:
        return body.decode()
    return _PACKED + base64.b85encode(zlib.compress(body)).decode()


def unpacked(text: str) -> bytes:
    """Return a state from its text in the table; one that is damaged comes back as it is."""
    if not text.startswith(_PACKED):
        return text.encode()
    try:
        return zlib.decompress(base64.b85decode(text[len(_PACKED) :]))
    except (ValueError, zlib.error):
        return text.encode()  # whoever reads it finds no JSON and says so
