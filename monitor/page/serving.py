"""What every server of a page answers alike: forms that are read, and files that are given out."""

from __future__ import annotations

import hashlib
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from monitor.page import requests

_STATIC = Path(__file__).parent / "static"
_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_MOST_BODY = 8192
_FILES = {f.name: f.read_bytes() for f in _STATIC.iterdir() if f.suffix in _TYPES}


async def form(request: Request) -> dict[str, str] | None:
    """Return the fields of a form that comes from a page of ours; `None` for any other."""
    if not requests.is_our_own(dict(request.headers), request.url.scheme):
        return None
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MOST_BODY:
            return None
    try:
        return requests.form_fields(body)
    except ValueError:
        return None


async def static(request: Request) -> Response:
    """Give out style, script and sign: all there is, and all from here."""
    name = request.path_params["name"]
    if name not in _FILES:
        return Response("There is nothing at this address.", 404, headers=requests.HEADERS)
    body = _FILES[name]
    tag = f'"{hashlib.sha256(body).hexdigest()[:16]}"'
    headers = {**requests.HEADERS, "cache-control": "no-cache", "etag": tag}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type=_TYPES[Path(name).suffix], headers=headers)
