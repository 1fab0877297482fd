"""Whole documents: the frame around every screen, the log-in, an answer, what is not there. Pure."""

from __future__ import annotations

from monitor.page.markup import hidden, text


def document(
    title: str,
    body: str,
    site: str,
    csrf: str = "",
    live: str = "",
    announced: str = "",
    warning: str = "",
    nav: str = "",
) -> str:
    """Return a page.

    Args:
        title: of this screen.
        body: its content.
        site: the site's name.
        csrf: the token of who is logged in; empty for nobody.
        live: where news of this screen come from; empty for none.
        announced: what a screen reader has been told so far.
        warning: what is said at the top of every screen.
        nav: links to the other screens, as HTML.
    """
    out = (
        f'<form method="post" action="/logout">{hidden("csrf", csrf)}'
        '<button type="submit" class="plain">Log out</button></form>'
        if csrf
        else ""
    )
    home = '<a href="/" class="home">' if csrf else '<span class="home">'
    feed = f' data-feed="{text(live)}"' if live else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{text(title)} · {text(site)}</title>"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        '<link rel="icon" href="/static/icon.svg" type="image/svg+xml">'
        '<link rel="stylesheet" href="/static/page.css">'
        '<script src="/static/page.js" defer></script></head>'
        f"<body{feed}>"
        '<a class="skip" href="#content">To the content</a>'
        f'<header class="top">{home}{text(site)}{"</a>" if csrf else "</span>"}{nav}{out}</header>'
        + (f'<p class="warning">{text(warning)}</p>' if warning else "")
        + '<div id="lost" class="lost" role="status" aria-live="polite"></div>'
        f'<main id="content" tabindex="-1">{body}</main>'
        '<div id="answer" class="answer" role="status" aria-live="polite"></div>'
        f'<div id="announce" class="unseen" role="status" aria-live="polite" '
        f'data-said="{text(announced)}"></div>'
        "</body></html>"
    )


def login(site: str, problem: str = "", warning: str = "") -> str:
    """Return the log-in."""
    said = f'<p id="problem" class="problem" role="alert">{text(problem)}</p>' if problem else ""
    described = ' aria-describedby="problem" aria-invalid="true"' if problem else ""
    body = (
        '<section class="card login"><h1>Log in</h1>'
        f'{said}<form method="post" action="/login">'
        '<label for="by">Your name, for the record (may stay empty)</label>'
        '<input id="by" name="by" type="text" autocomplete="username" maxlength="40">'
        '<label for="password">Password</label>'
        '<input id="password" name="password" type="password" autocomplete="current-password" '
        f'required autofocus maxlength="200"{described}>'
        '<button type="submit" class="main">Log in</button></form>'
        '<p class="note">Forgotten? Set another on the board: <code>canister page-password</code>'
        "</p></section>"
    )
    return document("Log in", body, site, warning=warning)


def message(site: str, title: str, words: str, csrf: str = "") -> str:
    """Return a page that says one thing and leads back."""
    body = (
        f'<section class="card"><h1>{text(title)}</h1><p>{text(words)}</p>'
        '<p><a href="/">Back to all filters</a></p></section>'
    )
    return document(title, body, site, csrf)
