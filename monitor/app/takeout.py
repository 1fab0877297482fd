"""Takes the history out of a journal: a folder of tables as CSV, Parquet or line protocol.

CSV and Parquet keep what the journal keeps, in its own units, so that another board takes it in again
without a difference (`monitor.app.intake`). Line protocol is for a time-series server.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Any

import msgspec

from monitor.delivery.line_protocol import Dialect, event_line, minute_line, sample_line
from monitor.errors import MachineError, UserMistake
from monitor.journal.history import SampleLedger, minute_values, minutes_after
from monitor.journal.packing import unpacked
from monitor.journal.store import Journal
from monitor.records import Entry, MinuteRow, SampleRow

_ROWS_AT_ONCE = 5000


class Form(StrEnum):
    """How the tables are written."""

    CSV = "csv"
    PARQUET = "parquet"
    LINE = "line"


class Column(msgspec.Struct, frozen=True):
    """A column of a table: `kind` is float, int, bool or str; `empty` whether it may have no value."""

    name: str
    kind: type
    empty: bool = False


class Table(msgspec.Struct, frozen=True):
    """A table of the folder and of the journal; `columns` are in the journal's order."""

    name: str
    columns: tuple[Column, ...]


SAMPLES = Table(
    "samples",
    (
        Column("seq", int), Column("filter", str), Column("line_s", float), Column("utc_s", float),
        Column("synchronised", bool), Column("flow_m3_per_s", float, True), Column("quality", str),
        Column("clean_m3_per_s", float, True), Column("temperature_c", float, True),
        Column("temperature_quality", str),
    ),
)  # fmt: skip
MINUTES = Table(
    "minutes",
    (
        Column("seq", int), Column("filter", str), Column("minute", int), Column("utc_s", int),
        Column("synchronised", bool), Column("samples", int), Column("flow_samples", int),
        Column("flow_ml_per_h", int, True), Column("lowest_ml_per_h", int, True),
        Column("highest_ml_per_h", int, True), Column("clean_ml_per_h", int, True),
        Column("temperature_samples", int), Column("temperature_mc", int, True),
    ),
)  # fmt: skip
EVENTS = Table(
    "events",
    (
        Column("seq", int), Column("run", str), Column("filter", str, True), Column("line_s", float),
        Column("utc_s", float), Column("synchronised", bool), Column("body", str),
    ),
)  # fmt: skip
# What was learned of each filter: its clean flow, its cleanings, how it fouls.
STATES = Table(
    "states",
    (Column("name", str), Column("body", str), Column("line_s", float), Column("utc_s", float)),
)
TABLES = (SAMPLES, MINUTES, EVENTS, STATES)

Values = Sequence[object]


def sample_values(row: SampleRow) -> Values:
    """Return a sample in the order of its columns."""
    return (
        row.seq, row.filter_id, row.moment.line_s, row.moment.utc_s, row.moment.synchronised,
        row.flow_m3_per_s, row.flow_quality.value, row.clean_m3_per_s, row.temperature_c,
        row.temperature_quality.value,
    )  # fmt: skip


def event_values(entry: Entry) -> Values:
    """Return an event in the order of its columns."""
    event = entry.event
    body = msgspec.json.encode(event).decode()
    return (
        entry.seq, entry.run, event.filter_id, event.line_s, event.utc_s, entry.synchronised, body,
    )  # fmt: skip


def take_out(
    journal: Journal, folder: Path, form: Form, dialect: Dialect, days: float | None, now_s: float
) -> dict[str, int]:
    """Write every table; return how many rows of each.

    Args:
        journal: it may be in use by a daemon.
        folder: it is made; one of its own files that is there already is not overwritten.
        form: see there.
        dialect: for line protocol.
        days: only what is not older than this by its wall clock, `None` for all.
        now_s: the wall clock.

    Raises:
        UserMistake: a file is there already, or the extra is not installed.
        MachineError: the folder cannot be written.
        StorageError: the journal cannot be read.
    """
    since_s = float("-inf") if days is None else now_s - days * 86400.0
    tables = TABLES[:-1] if form is Form.LINE else TABLES
    files = {table.name: folder / f"{table.name}.{suffix(form)}" for table in tables}
    for file in files.values():
        if file.exists():
            raise UserMistake(f"{file}: is there already; name another folder, or take it away")
    ledger = SampleLedger(journal)
    samples = _paged(ledger.entries_after, lambda r: r.moment.utc_s, since_s)
    minutes = _paged(lambda p, n: minutes_after(journal, p, n), lambda r: float(r.utc_s), since_s)
    events = _paged(journal.entries_after, lambda r: r.event.utc_s, since_s)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if form is Form.LINE:
            return {
                "samples": _lines(files["samples"], (sample_line(r, dialect) for r in samples)),
                "minutes": _lines(files["minutes"], (minute_line(r, dialect) for r in minutes)),
                "events": _lines(files["events"], (event_line(r, dialect) for r in events)),
            }
        write = _csv if form is Form.CSV else _parquet
        return {
            "samples": write(files["samples"], SAMPLES, (sample_values(r) for r in samples)),
            "minutes": write(files["minutes"], MINUTES, (_minute_values(r) for r in minutes)),
            "events": write(files["events"], EVENTS, (event_values(r) for r in events)),
            "states": write(files["states"], STATES, iter(learned(journal))),
        }
    except OSError as error:
        raise MachineError(
            f"{folder}: cannot be written: {error.strerror}; name a folder with room that is yours"
        ) from error


def learned(journal: Journal) -> list[Values]:
    """Return what was learned, in the order of the columns of `STATES`; a sink's own is not of it.

    Raises:
        StorageError: the journal cannot be read.
    """
    with journal.guarded("read") as link:
        rows = link.execute(
            "SELECT name, body, line_s, utc_s FROM states WHERE line_s IS NOT NULL ORDER BY name"
        ).fetchall()
    return [(name, unpacked(body).decode(), line_s, utc_s) for name, body, line_s, utc_s in rows]


def suffix(form: Form) -> str:
    """Return how the name of a file in this form ends."""
    return "lp" if form is Form.LINE else form.value


def _minute_values(row: MinuteRow) -> Values:
    return (row.seq, *minute_values(row))


def _paged(
    after: Callable[[int, int], list[Any]], utc_s: Callable[[Any], float], since_s: float
) -> Iterator[Any]:
    position = 0
    while rows := after(position, _ROWS_AT_ONCE):
        yield from (row for row in rows if utc_s(row) >= since_s)
        position = rows[-1].seq


def _lines(file: Path, lines: Iterator[str]) -> int:
    count = 0
    with file.open("x", encoding="utf-8", newline="\n") as out:
        for line in lines:
            out.write(line + "\n")
            count += 1
    return count


def _csv(file: Path, table: Table, rows: Iterator[Values]) -> int:
    count = 0
    with file.open("x", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow([column.name for column in table.columns])
        for row in rows:
            writer.writerow([int(v) if isinstance(v, bool) else v for v in row])
            count += 1
    return count


def _parquet(file: Path, table: Table, rows: Iterator[Values]) -> int:
    arrow, parquet = arrow_library()
    kinds = {float: arrow.float64(), int: arrow.int64(), bool: arrow.bool_(), str: arrow.string()}
    schema = arrow.schema([(column.name, kinds[column.kind]) for column in table.columns])
    count = 0
    with file.open("xb") as out, parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        page: list[Values] = []
        for row in rows:
            page.append([bool(v) if c.kind is bool else v for c, v in zip(table.columns, row, strict=True)])  # fmt: skip
            if len(page) == 20 * _ROWS_AT_ONCE:
                writer.write_table(_arrow_table(arrow, schema, page))
                count, page = count + len(page), []
        writer.write_table(_arrow_table(arrow, schema, page))
    return count + len(page)


def _arrow_table(arrow: Any, schema: Any, page: Sequence[Values]) -> Any:
    columns = [[row[n] for row in page] for n in range(len(schema))]
    return arrow.table(
        [arrow.array(c, type=f.type) for c, f in zip(columns, schema, strict=True)], schema=schema
    )


def arrow_library() -> tuple[Any, Any]:
    """Return pyarrow and its module for Parquet.

    Raises:
        UserMistake: the extra is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise UserMistake(
            "parquet: the extra is not installed; run .venv/bin/pip install -c deploy/constraints.txt "
            "-e '.[parquet]', or use --form csv"
        ) from error
    return pyarrow, pyarrow.parquet
