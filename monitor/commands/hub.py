"""`canister hub …`: the fleet's side, on a machine of the business."""

from __future__ import annotations

import typer

from monitor.commands.hub_books import audit, backup, client_app, filter_app, person_app
from monitor.commands.hub_lessons import lessons
from monitor.commands.hub_page import page
from monitor.commands.hub_report import report
from monitor.commands.hub_run import check, one_site, refused, run, sites
from monitor.commands.hub_sites import broker_setup, enrol, revoke, rotate, site_app

hub_app = typer.Typer(
    no_args_is_help=True,
    help="The fleet's hub: clients, people, sites and who may log in at the broker.",
)
hub_app.add_typer(client_app, name="client")
hub_app.add_typer(person_app, name="person")
hub_app.add_typer(site_app, name="site")
hub_app.add_typer(filter_app, name="filter")
hub_app.command()(run)
hub_app.command()(check)
hub_app.command("list")(sites)
hub_app.command("show")(one_site)
for command in (page, refused, lessons, report, enrol, rotate, revoke, audit, backup):
    hub_app.command()(command)
hub_app.command("broker-setup")(broker_setup)
