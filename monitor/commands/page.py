"""`canister page` and `canister page-password`: the local web page."""

from __future__ import annotations

import sys
from pathlib import Path

from monitor.commands.common import ConfigOption, reported


@reported
def page(config: ConfigOption = None) -> None:
    """Show the filters in a browser, with charts and buttons, until stopped.

    It reads the journal and never touches the daemon; set a password first with
    `canister page-password`. It listens on this machine only unless page.host says otherwise.

    Example: canister page
    """
    from monitor.app.webpage import serve_page
    from monitor.commands.run import log_to_standard_error
    from monitor.settings.load import load

    log_to_standard_error()
    loaded = load(config, sound=False)
    serve_page(loaded.tree, loaded.file)


@reported
def page_password(config: ConfigOption = None) -> None:
    """Set the password of the web page; it is asked for, or read as one line from a pipe.

    Only its hash is kept, in the file that page.password_file names. Log-ins of before end when the
    page is started again.

    Example: canister page-password
    """
    from monitor.page.password import keep, made
    from monitor.settings.load import load

    file = Path(load(config, sound=False).tree.page.password_file)
    keep(file, made(_asked()))
    print(f"kept in {file}; start the page again if it runs: sudo systemctl restart canister-page")


def _asked() -> str:
    from getpass import getpass

    from monitor.errors import UserMistake

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    password = getpass("New password: ")
    if getpass("Once more: ") != password:
        raise UserMistake("password: the two are not the same; try again")
    return password
