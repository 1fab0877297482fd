"""Small pieces of HTML. Pure; every text that is not ours goes through `text`."""

from __future__ import annotations

from html import escape


def text(value: object) -> str:
    """Return a text so that it stands for itself, in content and in attributes."""
    return escape(
        "".join(c if c.isprintable() or c == "\u202f" else " " for c in str(value)), quote=True
    )


def quoted(value: str) -> str:
    """Return a text as it stands in an address (RFC 3986 section 2.1)."""
    return "".join(
        chr(b) if chr(b).isascii() and (chr(b).isalnum() or chr(b) in "-._~") else f"%{b:02X}"
        for b in value.encode("utf-8", "replace")
    )


_SHAPES = {
    "dot": '<circle cx="8" cy="8" r="6" fill="currentColor"/>',
    "ring": '<circle cx="8" cy="8" r="5.5" fill="none" stroke="currentColor" stroke-width="2.5"/>',
    "hollow": '<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="2" '
    'stroke-dasharray="3 2.3"/>',
    "triangle": '<path d="M8 1.2 15.2 14.4H.8z" fill="currentColor"/>',
    "diamond": '<path d="M8 .8 15.2 8 8 15.2.8 8z" fill="currentColor"/>',
    "bars": '<path d="M3.4 2h3.4v12H3.4zM9.2 2h3.4v12H9.2z" fill="currentColor"/>',
}


def shape(name: str) -> str:
    """Return a small sign; its meaning always stands in words beside it."""
    return (
        f'<svg class="sign" viewBox="0 0 16 16" width="16" height="16" aria-hidden="true">'
        f"{_SHAPES[name]}</svg>"
    )


def live(key: str, body: str, tag: str = "div", css: str = "") -> str:
    """Return a place whose content is replaced while the page is open."""
    css = f' class="{css}"' if css else ""
    return f'<{tag} id="{key}" data-live{css}>{body}</{tag}>'


def hidden(name: str, value: object) -> str:
    """Return a form's hidden field."""
    return f'<input type="hidden" name="{name}" value="{text(value)}">'


def select(
    key: str, name: str, label: str, options: tuple[tuple[str, str], ...], chosen: str
) -> str:
    """Return a labelled choice."""
    parts = "".join(
        f'<option value="{value}"{" selected" if value == chosen else ""}>{text(words)}</option>'
        for value, words in options
    )
    return (
        f'<label for="{key}">{text(label)}</label><select id="{key}" name="{name}">{parts}</select>'
    )


def figure(value: str, unit: str, label: str, note: str = "") -> str:
    """Return a large figure with its unit, what it is, and a note."""
    small = f'<span class="note">{text(note)}</span>' if note else ""
    unit_part = f' <span class="unit">{text(unit)}</span>' if unit else ""
    return (
        f'<div class="figure"><dt>{text(label)}</dt><dd><span class="value">{text(value)}</span>'
        f"{unit_part}{small}</dd></div>"
    )
