"""Takes a history in that another board gave out: into a journal that has none yet, all or nothing.

The line of time goes on where the other board left it. What people were told there is not told again:
the cursors of MQTT and of messages begin behind it.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from monitor.app.takeout import STATES, TABLES, Column, Form, Table, Values, arrow_library, suffix
from monitor.errors import UserMistake
from monitor.journal.store import Journal
from monitor.records import Event, Quality

_SHOWN_CHARACTERS = 40
_LARGEST = 2**63 - 1  # that SQLite can keep


def take_in(journal: Journal, folder: Path, told: Sequence[str]) -> dict[str, int]:
    """Take in every table of a folder; return how many rows of each.

    Args:
        journal: of which no daemon is in charge.
        folder: what `canister export` wrote, as CSV or Parquet.
        told: sinks that are not to say again what is in it.

    Raises:
        UserMistake: there is history already, a file is missing, or a line is no good; nothing of it
            is taken in then.
        StorageError: the journal cannot be written.
    """
    files = {table.name: _file(folder, table) for table in TABLES}
    counts = {}
    with journal.guarded("take in", transaction=True) as link:
        for table in TABLES:
            if link.execute(f"SELECT 1 FROM {table.name} LIMIT 1").fetchone() is not None:
                raise UserMistake(
                    f"{journal.file}: has {table.name} already; take a history in before the first run, or "
                    "move the file away"
                )
        for table in TABLES:
            names = ", ".join(column.name for column in table.columns)
            marks = ", ".join("?" * len(table.columns))
            made = link.executemany(
                f"INSERT INTO {table.name} ({names}) VALUES ({marks})",
                _checked(table, files[table.name]),
            )
            counts[table.name] = max(0, made.rowcount)
        last = link.execute("SELECT MAX(seq) FROM events").fetchone()[0]
        if last is not None:
            link.executemany(
                "INSERT OR REPLACE INTO cursors VALUES (?, ?)", [(sink, last) for sink in told]
            )
    return counts


def _file(folder: Path, table: Table) -> Path:
    for form in (Form.CSV, Form.PARQUET):
        file = folder / f"{table.name}.{suffix(form)}"
        if file.is_file():
            return file
    raise UserMistake(
        f"{folder}: no {table.name}.csv and no {table.name}.parquet; name a folder that `canister export` "
        "wrote as csv or parquet"
    )


def _checked(table: Table, file: Path) -> Iterator[Values]:
    """Rows whose every value is of its kind, in order of their numbers."""
    before = 0
    for place, row in _parquet(table, file) if file.suffix == ".parquet" else _csv(table, file):
        values = [_value(c, v, place) for c, v in zip(table.columns, row, strict=True)]
        _of_sense(table, values, place)
        if table.columns[0].name == "seq":
            seq = values[0]
            if not isinstance(seq, int) or seq <= before:
                raise UserMistake(
                    f"{place}: seq: got {seq}, expected more than {before} of the line above"
                )
            before = seq
        yield values


def _csv(table: Table, file: Path) -> Iterator[tuple[str, Sequence[object]]]:
    wanted = [column.name for column in table.columns]
    try:
        with file.open(encoding="utf-8", newline="") as text:
            reader = csv.reader(text, strict=True)
            head = next(reader, [])
            if head != wanted:
                raise UserMistake(
                    f"{file}: line 1: expected the columns {','.join(wanted)}; export again"
                )
            for row in reader:
                place = f"{file}: line {reader.line_num}"
                if len(row) != len(wanted):
                    raise UserMistake(
                        f"{place}: {len(row)} fields, expected {len(wanted)}; correct it"
                    )
                yield place, row
    except (csv.Error, UnicodeDecodeError) as error:
        raise UserMistake(
            f"{file}: cannot be read as CSV in UTF-8: {error}; export again"
        ) from error
    except OSError as error:
        raise UserMistake(f"{file}: cannot be read: {error.strerror}; look at its owner") from error


def _parquet(table: Table, file: Path) -> Iterator[tuple[str, Sequence[object]]]:
    arrow, parquet = arrow_library()
    wanted = [column.name for column in table.columns]
    number = 0
    try:
        with parquet.ParquetFile(file) as content:
            if content.schema_arrow.names != wanted:
                raise UserMistake(f"{file}: expected the columns {','.join(wanted)}; export again")
            for batch in content.iter_batches():
                for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
                    number += 1
                    yield f"{file}: row {number}", row
    except (arrow.ArrowException, OSError) as error:
        said = " ".join(str(error).split())[:120]
        raise UserMistake(f"{file}: cannot be read as Parquet: {said}; export again") from error


def _value(column: Column, value: object, place: str) -> object:
    """One value of its kind, from text or from Parquet's own type."""
    if value is None or value == "":
        if column.kind is str and column.empty:
            return ""
        if column.empty:
            return None
        raise UserMistake(f"{place}: {column.name}: got nothing, expected {_expected(column)}")
    try:
        if column.kind is str:
            if isinstance(value, str):
                return value
        elif column.kind is float:
            number = float(value)  # type: ignore[arg-type]
            if math.isfinite(number):
                return number
        elif column.kind is bool:
            if value in (True, False, "0", "1"):
                return int(value)
        else:
            whole = int(value)  # type: ignore[call-overload]
            if abs(whole) <= _LARGEST:
                return whole
    except (TypeError, ValueError):
        pass
    shown = repr(value)
    shown = shown if len(shown) <= _SHOWN_CHARACTERS else shown[:_SHOWN_CHARACTERS] + "…"
    raise UserMistake(f"{place}: {column.name}: got {shown}, expected {_expected(column)}")


def _expected(column: Column) -> str:
    kinds = {float: "a finite number", int: "a whole number", bool: "0 or 1", str: "text"}
    return kinds[column.kind] + (" or nothing" if column.empty else "")


def _of_sense(table: Table, values: Sequence[object], place: str) -> None:
    """What the journal relies on beyond the kinds: qualities by their names, events that can be read."""
    for column, value in zip(table.columns, values, strict=True):
        if column.name.endswith("quality") and value not in set(Quality):
            known = ", ".join(Quality)
            raise UserMistake(f"{place}: {column.name}: got {value!r:.40}, expected one of {known}")
        if table is STATES and column.name == "body":
            try:
                msgspec.json.decode(str(value))
            except msgspec.DecodeError as error:
                raise UserMistake(f"{place}: body: no JSON: {error}; export again") from error
        elif column.name == "body":
            try:
                msgspec.json.decode(str(value), type=Event)
            except msgspec.DecodeError as error:
                raise UserMistake(
                    f"{place}: body: no event that this program knows: {error}"
                ) from error
