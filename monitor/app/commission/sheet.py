"""The commissioning sheet as text and as printable HTML: every step, its verdict, its figures.

Pure text from a walk. The page has no script and asks nothing of any other address; a verdict is a
word in a frame, so it reads the same in black and white.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from html import escape

import msgspec

from monitor.app.commission.session import Step
from monitor.app.commission.verdicts import Outcome
from monitor.app.commission.walk import Walk
from monitor.app.reminders import Reminder

_OPEN = "not done yet"
_WIDTH = 78


class Sheet(msgspec.Struct, frozen=True):
    """What stands on a sheet, in words. `simulated` marks a rehearsal without water."""

    site: str
    config: str
    by: str
    began: str
    printed: str
    simulated: bool
    rows: tuple[Row, ...]
    reminders: tuple[str, ...]

    @property
    def summary(self) -> str:
        """How the whole walk stands, in one line."""
        counted = {o: sum(r.outcome == o for r in self.rows) for o in (*Outcome, _OPEN)}
        said = [f"{count} {outcome}" for outcome, count in counted.items() if count]
        return f"{len(self.rows)} steps: {', '.join(said)}."


class Row(msgspec.Struct, frozen=True):
    """One step on the sheet."""

    title: str
    outcome: str
    line: str
    remedy: str
    at: str
    figures: tuple[tuple[str, str], ...]


def sheet(
    walk: Walk, steps: Sequence[Step], site: str, simulated: bool,
    reminders: Sequence[Reminder], today: date,
) -> Sheet:  # fmt: skip
    """Return the sheet of a walk, whether or not it has come to its end."""
    rows = []
    for step in steps:
        done = walk.done.get(step.id)
        if done is None:
            rows.append(Row(step.title, _OPEN, "", "", "", ()))
            continue
        judged = done.judged
        at = done.at[:16].replace("T", " ")
        rows.append(
            Row(step.title, str(judged.outcome), judged.line, judged.remedy, at, tuple(judged.figures.items()))
        )  # fmt: skip
    return Sheet(
        site, walk.config, walk.by or "not given", walk.began[:16].replace("T", " "),
        today.isoformat(), simulated, tuple(rows), tuple(r.words(today) for r in reminders),
    )  # fmt: skip


def as_text(found: Sheet) -> str:
    """Return the sheet as plain text."""
    lines = [f"Commissioning sheet: {found.site}", "=" * _WIDTH]
    if found.simulated:
        lines.append("SIMULATED: a rehearsal, no real water was measured")
    lines += [f"{name:<14}{value}" for name, value in _head(found)]
    for row in found.rows:
        lines += ["", f"[{row.outcome}] {row.title}" + (f"  ({row.at} UTC)" if row.at else "")]
        lines += [f"    {part}" for part in (row.line, row.remedy) if part]
        lines += [f"    {name}: {value}" for name, value in row.figures]
    lines += ["", "Reminders"]
    lines += [f"    {words}" for words in found.reminders or ("none",)]
    return "\n".join([*lines, "", "Signature: ______________________________", ""])


def _head(found: Sheet) -> tuple[tuple[str, str], ...]:
    return (
        ("begun", f"{found.began} UTC"),
        ("printed", found.printed),
        ("by", found.by),
        ("configuration", found.config),
        ("result", found.summary),
    )


_STYLE = """\
body { font: 11pt/1.45 Georgia, 'Times New Roman', serif; color: #111; background: #fff;
  max-width: 46em; margin: 2.5em auto; padding: 0 1.5em; }
h1 { font-size: 1.6em; font-weight: normal; margin: 0 0 .2em; border-bottom: 2px solid #111; padding-bottom: .3em; }
h2 { font-size: 1em; margin: 0; display: inline; }
dl.head { display: grid; grid-template-columns: 8em 1fr; gap: .1em 1em; margin: 1em 0 1.5em; }
dt { color: #444; } dd { margin: 0; overflow-wrap: anywhere; }
section { border-top: 1px solid #999; padding: .6em 0 .7em; break-inside: avoid; }
.verdict { float: right; font-variant: small-caps; border: 1px solid #111; padding: 0 .6em; margin-left: 1em; }
.failed { border-width: 3px; font-weight: bold; } .open, .skipped { border-style: dashed; color: #444; }
p { margin: .25em 0; } .remedy { font-style: italic; } .at { color: #444; font-size: .85em; white-space: nowrap; }
table { border-collapse: collapse; margin-top: .3em; font-size: .92em; }
td { padding: .05em 1.4em .05em 0; vertical-align: top; overflow-wrap: anywhere; }
td:first-child { color: #444; white-space: nowrap; }
.simulated { border: 3px double #111; padding: .3em .8em; text-align: center; font-weight: bold; }
.sign { margin-top: 3em; border-top: 1px solid #111; width: 20em; padding-top: .3em; color: #444; }
@media print { body { margin: 0; max-width: none; padding: 0; } @page { margin: 18mm; } }
"""


def as_html(found: Sheet) -> str:
    """Return the sheet as one printable page."""
    head = "".join(f"<dt>{name}</dt><dd>{escape(value)}</dd>\n" for name, value in _head(found))
    marked = '<p class="simulated">Simulated: a rehearsal, no real water was measured</p>\n'
    reminders = "".join(f"<li>{escape(words)}</li>" for words in found.reminders or ("none",))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Commissioning sheet: {escape(found.site)}</title>\n<style>\n{_STYLE}</style>\n</head>\n"
        f"<body>\n<h1>Commissioning sheet: {escape(found.site)}</h1>\n"
        f'{marked if found.simulated else ""}<dl class="head">\n{head}</dl>\n'
        f"{''.join(_section(row) for row in found.rows)}"
        f"<section>\n<h2>Reminders</h2>\n<ul>{reminders}</ul>\n</section>\n"
        '<p class="sign">Signature</p>\n</body>\n</html>\n'
    )


def _section(row: Row) -> str:
    kind = {_OPEN: "open", Outcome.FAILED: "failed", Outcome.SKIPPED: "skipped"}.get(row.outcome, "passed")  # fmt: skip
    at = f' <span class="at">{escape(row.at)} UTC</span>' if row.at else ""
    line = f"<p>{escape(row.line)}</p>\n" if row.line else ""
    remedy = f'<p class="remedy">{escape(row.remedy)}</p>\n' if row.remedy else ""
    cells = "".join(
        f"<tr><td>{escape(name)}</td><td>{escape(value)}</td></tr>\n" for name, value in row.figures
    )
    table = f"<table>\n{cells}</table>\n" if cells else ""
    return (
        f'<section>\n<span class="verdict {kind}">{escape(row.outcome)}</span>'
        f"<h2>{escape(row.title)}</h2>{at}\n{line}{remedy}{table}</section>\n"
    )
