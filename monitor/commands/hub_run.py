"""`canister hub run`, `check`, `list`, `show` and `refused`: the hub at work, and what it knows."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from monitor.commands.common import JsonOption, json_line, reported
from monitor.commands.hub_common import HubConfigOption, office, show, when
from monitor.commands.run import log_to_standard_error


@reported
def run(
    number: Annotated[
        int,
        typer.Option("--number", min=1, max=999, help="Which process of this machine it is."),
    ] = 1,
    config: HubConfigOption = None,
) -> None:
    """Serve the fleet until stopped: take messages, tell people, watch for silence.

    Any number of these run, each with a number of its own.

    Example: canister hub run --number 2
    """
    from monitor.app.fleet.hub import Hub, serve_books
    from monitor.app.fleet.telling import Reach
    from monitor.errors import UserMistake

    log_to_standard_error()
    with office(config) as opened:
        tree = opened.tree
        reach = Reach(tree.notify) if tree.notify.addresses_file else None
        hub = Hub(tree, number, opened.books.ledger, serve_books(opened.books), reach)
        problems = hub.unfit()
        if problems:
            raise UserMistake("; ".join(problems))
        hub.obey_signals()
        raise typer.Exit(hub.run())


@reported
def check(config: HubConfigOption = None, json: JsonOption = False) -> None:
    """Say whether broker, Redis, history and books can be used, and what to do where not.

    Example: canister hub check
    """
    from monitor.app.fleet.checks import checks

    with office(config) as opened:
        found = checks(opened.tree, opened.books)
    for one in found:
        if json:
            json_line(
                {"part": one.part, "working": one.working, "line": one.line, "remedy": one.remedy}
            )
        else:
            mark = "ok  " if one.working else "FAIL"
            print(f"{mark} {one.part}: {one.line}{'; ' + one.remedy if one.remedy else ''}")
    if not all(one.working for one in found):
        raise typer.Exit(1)


@reported
def sites(
    trouble: Annotated[
        bool, typer.Option("--trouble", help="Only sites that want somebody.")
    ] = False,
    config: HubConfigOption = None,
    json: JsonOption = False,
) -> None:
    """List all sites: how each is heard, and how its filters are.

    Example: canister hub list --trouble
    """
    from monitor.app.fleet.overview import filter_words

    with office(config) as opened:
        rows = [
            {
                "site": row.view.site,
                "hearing": row.judgement.hearing.value,
                "words": row.judgement.words,
                "heard": when(row.heard_utc_s) if row.heard_utc_s else None,
                "filters": "; ".join(
                    f"{f.name}: {filter_words(f.state, f.alarms)}" for f in row.view.filters
                ),
            }
            for row in _overview(opened, None)
            if not trouble
            or row.judgement.wanted
            or row.view.alarms
            or any(f.alarms for f in row.view.filters)
        ]
    columns = {"site": "Site", "hearing": "Heard?", "heard": "Last", "filters": "Filters"}
    show(rows, columns, json, "no site wants anybody" if trouble else "no site has been heard yet")


@reported
def one_site(
    site: Annotated[str, typer.Argument(metavar="SITE", show_default=False)],
    config: HubConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Show one site: how it is heard, its filters, and every alarm that stands, with advice.

    Example: canister hub show harbour_cafe
    """
    from monitor.app.fleet.overview import filter_words
    from monitor.errors import UserMistake

    with office(config) as opened:
        (row,) = _overview(opened, [site])
        if not row.view.journal and opened.books.sites.find(site) is None:
            raise UserMistake(
                f"{site}: no such site; `canister hub list` names those that are known"
            )
    if json:
        json_line({"site": site, "heard": row.judgement, "view": row.view})
        return
    print(f"{site}: {row.judgement.hearing.value}: {row.judgement.words}")
    if row.judgement.advice:
        print(f"  {row.judgement.advice}")
    for name, alarm in sorted(row.view.alarms.items()):
        _print_alarm("", name, alarm)
    for one in row.view.filters:
        print(f"{one.name}: {filter_words(one.state, one.alarms)}")
        for name, alarm in sorted(one.alarms.items()):
            _print_alarm(one.name, name, alarm)


def _print_alarm(of: str, name: str, alarm: Any) -> None:
    print(
        f"  {of + ' ' if of else ''}{name.replace('-', ' ')}: {alarm['state']}, since {alarm['since']}"
    )
    for key in ("evidence", "advice", "consequence"):
        if alarm.get(key):
            print(f"    {alarm[key]}")


@reported
def refused(config: HubConfigOption = None, json: JsonOption = False) -> None:
    """Show messages that were not taken: how many of each kind, and the newest.

    Example: canister hub refused
    """
    from monitor.app.fleet.hub import link_of, state_of

    with office(config) as opened:
        state = state_of(opened.tree, link_of(opened.tree))
        counts, newest = state.refused(), state.dead_letters()
    if json:
        json_line({"counts": counts, "newest": newest})
        return
    if not counts:
        print("every message was taken")
        return
    for reason, number in sorted(counts.items()):
        print(f"{number} × {reason}")
    columns = {"reason": "Why", "topic": "Topic", "detail": "In detail"}
    show(list(newest), columns, False, "")


def _overview(opened: Any, wanted: list[str] | None) -> list[Any]:
    import time

    from monitor.app.fleet.hub import link_of, serve_books, state_of
    from monitor.app.fleet.overview import overview

    watch = opened.tree.watch
    state = state_of(opened.tree, link_of(opened.tree))
    rows = overview(state, wanted, time.time(), watch.silent_after_beats, watch.skew_s)
    gone = serve_books(opened.books).gone() if wanted is None else frozenset()
    return [row for row in rows if row.view.site not in gone]
