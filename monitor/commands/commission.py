"""`canister commission`: the guided walk on site."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.commands.common import ConfigOption, reported
from monitor.commands.join import joined

if TYPE_CHECKING:
    from monitor.app.commission.session import Session

_END_OF_INPUT = 1


class _Terminal:
    """The person at the terminal, or a pipe in a rehearsal."""

    def say(self, text: str = "") -> None:
        """Print a line."""
        print(text, flush=True)

    def ask(self, question: str, default: str = "") -> str:
        """Ask, and return what was answered."""
        return str(typer.prompt(question, default=default, show_default=bool(default)))


@reported
def commission(
    restart: Annotated[
        bool, typer.Option("--restart", help="Begin anew, though a walk was left.")
    ] = False,
    bundle: Annotated[
        Path | None,
        typer.Option(
            "--bundle", metavar="FILE", help="Join a fleet first, as `canister join FILE` does."
        ),
    ] = None,
    config: ConfigOption = None,
) -> None:
    """Commission on site, step by step: pins, probes, bucket, clean flow, limits, test alarm.

    It writes the configuration and a dated sheet (text and HTML). Leave with q or Ctrl-C; the same
    command goes on where you were. With site.source = "rig" it is a rehearsal without water.

    Example: canister commission
    """
    from monitor.app.commission.fresh import begun
    from monitor.app.commission.session import Left
    from monitor.app.commission.walk import stamp
    from monitor.app.commission.walking import walk
    from monitor.settings.load import chosen_file

    talk, now = _Terminal(), datetime.now(UTC)
    file = chosen_file(config)
    if not file.exists():
        try:
            begun(file, talk, stamp(now))
        except Left:
            talk.say("Left; nothing was written.")
            return
    if bundle is not None and not joined(file, bundle):
        raise typer.Exit(_END_OF_INPUT)
    session = _session(file, talk, restart, now)
    code = 0
    try:
        walk(session)
        talk.say("\nThe walk is done.")
    except Left:
        talk.say("\nLeft. `canister commission` goes on here.")
    except (typer.Abort, KeyboardInterrupt, EOFError):
        talk.say("\nBroken off. `canister commission` goes on here.")
        code = _END_OF_INPUT
    finally:
        session.bench.close()
    _print_sheet(session)
    raise typer.Exit(code)


def _session(file: Path, talk: _Terminal, restart: bool, now: datetime) -> Session:
    from monitor.app.commission.bench import bench_for
    from monitor.app.commission.session import Session
    from monitor.app.commission.walk import Walk, kept, stamp
    from monitor.settings.load import load

    tree = load(file).tree
    folder = Path(tree.storage.folder)
    found = None if restart else kept(folder, file.resolve())
    if found is not None:
        talk.say(f"The walk of {found.began[:16].replace('T', ' ')} UTC goes on; --restart begins anew.")  # fmt: skip
    else:
        found = Walk(str(file.resolve()), now.isoformat(timespec="seconds"))
    bench = bench_for(tree)
    if bench.simulated:
        talk.say('SIMULATED: site.source = "rig"; no real water is measured.')
    today = now.astimezone().date()
    return Session(tree, file, folder, found, bench, talk, today, stamp(now))


def _print_sheet(session: Session) -> None:
    from monitor.app.commission.sheet import as_html, as_text, sheet
    from monitor.app.commission.walk import put, stamp
    from monitor.app.commission.walking import all_steps
    from monitor.app.reminders import reminders
    from monitor.settings.edit import edited
    from monitor.settings.load import load

    s = session
    text = edited(s.file.read_text(encoding="utf-8"), s.walk.changes())
    tree = load(s.file, sound=False, text=text).tree
    found = sheet(
        s.walk, all_steps(s.tree), tree.site.name or tree.site.id, s.bench.simulated,
        reminders(tree), s.today,
    )  # fmt: skip
    base = f"commissioning-{stamp(datetime.fromisoformat(s.walk.began))}"
    for ending, body in ((".txt", as_text(found)), (".html", as_html(found))):
        put(s.folder / f"{base}{ending}", body.encode())
    s.talk.say(found.summary)
    s.talk.say(f"Sheet: {s.folder / base}.txt and .html")
