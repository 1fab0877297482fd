"""`canister card`: set-up cards, written from one tank and used for the next."""

from __future__ import annotations

import itertools
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import Annotated, Any

import typer

from monitor.commands.common import ConfigOption, JsonOption, console, json_line, literal, reported

card = typer.Typer(
    no_args_is_help=True,
    help="Set-up cards: what was learned about a kind of filter, for the next tank.\n\n"
    "Example: canister card show deploy/examples/mid_canister.card.toml",
)


@card.command("export")
@reported
def export(
    filter_name: Annotated[
        str | None, typer.Argument(metavar="[FILTER]", help="Which filter.", show_default=False)
    ] = None,
    kind: Annotated[
        str, typer.Option("--kind", help="The kind of filter in plain words, no brand.")
    ] = "canister",
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FILE", help="Write there; else to standard output.",
                     show_default=False),
    ] = None,
    config: ConfigOption = None,
) -> None:  # fmt: skip
    """Write a card from the configuration and from what the monitor has learned.

    Example: canister card export long_tank --kind "canister, 7 L" --to mid.card.toml
    """
    from monitor.commands.orders import chosen
    from monitor.errors import MachineError
    from monitor.settings.card import CardSettings, card_text
    from monitor.settings.load import load

    tree = load(config).tree
    name = chosen(filter_name, tree)
    settings = tree.filters[name]
    _plain_words(kind)
    made = CardSettings(
        kind=kind,
        source=f"filter {name} of site {tree.site.id}",
        written=datetime.now(UTC).date(),
        learned=_learned(tree, name),
        pump=settings.pump,
        canister=settings.canister,
        media=settings.media,
    )
    text = card_text(made)
    if to is None:
        print(text, end="")
        return
    try:
        with to.open("x", encoding="utf-8") as out:
            out.write(text)
    except OSError as error:
        raise MachineError(
            f"{to}: cannot be written: {error.strerror}; name another file"
        ) from error
    print(f"{to}: written")


def _plain_words(kind: str) -> None:
    """Check the words for a card's kind.

    Raises:
        UserMistake: there are none, too many, or more than one line.
    """
    from monitor.errors import UserMistake

    if not kind.strip() or len(kind) > 120 or not kind.isprintable():
        raise UserMistake("--kind: expected one line of 1 to 120 characters in plain words")


def _learned(tree: Any, name: str) -> Any:
    """What the journal knows, if there is one, and what the model says of mass and weight."""
    from monitor.commands.size import describer
    from monitor.settings.card import LearnedSettings

    learned: dict[str, Any] = {}
    if tree.filters[name].pump is not None:
        from monitor.sizing.study import study

        tank = study(describer(tree, name)(None), None).tank
        learned["media_kg"] = round(tank.media_kg, 2) or None
        learned["full_kg"] = None if tank.full_kg is None else round(tank.full_kg, 1)
    clean, days = _from_journal(tree, name)
    if clean is not None:
        learned["clean_flow_l_per_h"] = round(clean, 1)
    if days:
        learned["days_between_cleanings"] = round(median(days), 1)
        learned["cleanings_seen"] = len(days)
    return LearnedSettings(**learned)


def _from_journal(tree: Any, name: str) -> tuple[float | None, list[float]]:
    """The newest measured clean flow in L/h, and the days between cleanings."""
    from monitor.journal.file import FILE_NAME
    from monitor.journal.store import Journal
    from monitor.records import EventKind
    from monitor.units import SECONDS_PER_DAY, l_per_h

    folder = Path(tree.storage.folder)
    if not (folder / FILE_NAME).is_file():
        return None, []
    journal = Journal(folder, mend=False)
    try:
        events = [e.event for e in journal.entries_after(0, 1_000_000) if e.event.filter_id == name]
    finally:
        journal.close()
    clean: float | None = None
    cleanings: list[float] = []
    for event in events:
        if event.event is EventKind.CLEAN_FLOW_LEARNED and event.clean_m3_per_s is not None:
            clean = l_per_h(event.clean_m3_per_s)
        elif event.event is EventKind.CLEANED:
            cleanings.append(event.line_s)
        elif event.event is EventKind.CLEANED_UNDONE and cleanings:
            cleanings.pop()
    days = [(b - a) / SECONDS_PER_DAY for a, b in itertools.pairwise(cleanings)]
    return clean, [d for d in days if d > 0]


@card.command("show")
@reported
def show(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A card file.")],
    json: JsonOption = False,
) -> None:
    """Show what a card says.

    Example: canister card show deploy/examples/mid_canister.card.toml
    """
    from monitor.settings.card import card_fields, experience_words, read_card

    found = read_card(file)
    if json:
        json_line(card_fields(found))
        return
    out = console()
    mark = " (invented example)" if found.invented else ""
    out.print(f"[bold]{literal(found.kind)}[/bold]{mark}; source: {literal(found.source)}")
    for name, tray in found.trays.items():
        out.print(f"tray {name}: {tray.width_mm:g} × {tray.length_mm:g} × {tray.height_mm:g} mm")
    learned = found.learned
    for words, value, unit in (
        ("media that fit", learned.media_kg, "kg"),
        ("full weight", learned.full_kg, "kg"),
        ("measured clean flow", learned.clean_flow_l_per_h, "L/h"),
        ("between cleanings", learned.days_between_cleanings, "days"),
    ):
        if value is not None:
            out.print(f"{words}: {value:g} {unit}")
    for stock in found.experience:
        out.print(f"experience: {literal(experience_words(found, stock) or '')}", soft_wrap=True)
    for name, media in found.media.items():
        out.print(f"layer {name}: {literal(media.material)}, {media.depth_mm.value:g} mm")


@card.command("import")
@reported
def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A card file.")],
    name: Annotated[str, typer.Option("--as", metavar="ID", help="Id of the new filter.")],
    pin: Annotated[int, typer.Option("--pin", min=0, max=27, help="GPIO pin of its flow sensor.")],
    config: ConfigOption = None,
) -> None:
    """Add a filter that uses a card to the configuration; the file is checked before it is kept.

    Example: canister card import mid.card.toml --as new_tank --pin 27
    """
    from monitor.settings.card import read_card
    from monitor.settings.load import load

    found = read_card(file)
    loaded = load(config)
    from monitor.errors import UserMistake

    if name in loaded.tree.filters:
        raise UserMistake(f"--as {name}: that filter is there already; choose another id")
    added = (
        f"\n# From a card: {json.dumps(found.kind)}\n[filters.{name}]\n"
        f"card = {json.dumps(str(file.resolve()), ensure_ascii=False)}\n"
        f"\n[filters.{name}.flow_sensor]\npin = {pin}\n"
    )
    _replace_checked(loaded.file, loaded.file.read_text(encoding="utf-8") + added)
    print(f"{loaded.file}: filter {name} added; describe its hoses and outlet, then canister size")


def _replace_checked(file: Path, text: str) -> None:
    """Put a new text in a configuration's place, in one move, once it has been read without fault.

    Raises:
        SettingsError: the new text would be wrong; the old file stays.
        MachineError: it cannot be written.
    """
    from monitor.errors import MachineError, SettingsError
    from monitor.settings.load import load

    fresh = file.with_name(file.name + ".new")
    try:
        fresh.write_text(text, encoding="utf-8")
        fresh.chmod(file.stat().st_mode & 0o7777)
        try:
            load(fresh)
        except SettingsError as error:
            fresh.unlink()
            said = [p.replace(str(fresh), str(file)) for p in error.problems]
            raise SettingsError([f"not added: {line}" for line in said]) from error
        os.replace(fresh, file)
    except OSError as error:
        raise MachineError(f"{file}: cannot be written: {error.strerror}") from error
