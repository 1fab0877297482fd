"""`canister hub page`: the board page of the fleet."""

from __future__ import annotations

from monitor.commands.common import reported
from monitor.commands.hub_common import HubConfigOption, office
from monitor.commands.run import log_to_standard_error


@reported
def page(config: HubConfigOption = None) -> None:
    """Show the fleet in a browser until stopped: sites, alarms, visits, and to owners the audit trail.

    People log in with their id of `canister hub person` and their password; a client sees their own
    sites only. It listens on this machine only unless page.host says otherwise.

    Example: canister hub page
    """
    from monitor.app.fleet.boardpage import serve_board

    log_to_standard_error()
    with office(config) as opened:
        serve_board(opened.tree, opened.books)
