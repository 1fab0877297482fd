"""The power is cut at any write of the books: what was acknowledged is there, and each deed with its line."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from monitor.fleet.business import Client
from monitor.hub.books import link as books_link
from monitor.hub.books.books import Books
from tests.support.sqlite_writes import NotReached, Op, cuts, recorded

COUNT = 25


def work(folder: Path, careless: bool) -> list[Op]:
    """Use the books; with `careless` without the full sync that they ask for."""
    with recorded(folder) as ops:
        books = Books(folder)
        with books._link.reading() as link:
            link.execute("PRAGMA wal_autocheckpoint = 20")  # so that there are checkpoints too
            if careless:
                link.execute("PRAGMA synchronous = NORMAL")
        for number in range(COUNT):
            assert books.ledger.told_once(f"n{number}")
            ops.append(Op("told", told=("n", number)))
            books.clients.add(Client(f"c{number}", "C" * 200), "anna")
            ops.append(Op("told", told=("c", number)))
        books.close()
    return ops


def wrong(folder: Path, files: dict[str, bytes], told: list[tuple[str, int]]) -> str | None:
    """Return what is wrong with what a cut left, `None` for nothing."""
    folder.mkdir()
    for name, content in files.items():
        if not name.endswith("-shm"):
            (folder / name).write_bytes(content)
    books = Books(folder)
    clients, trail = len(books.clients.all()), len(books.trail.last(1000))
    again = [n for kind, n in told if kind == "n" and books.ledger.told_once(f"n{n}")]
    books.close()
    link = sqlite3.connect(folder / books_link.FILE_NAME)
    verdict = link.execute("PRAGMA integrity_check").fetchone()[0]
    link.close()
    promised = sum(kind == "c" for kind, _ in told)
    if verdict != "ok" or again or clients < promised or trail != clients:
        return f"{verdict}, told twice {again}, {clients} clients of {promised}, {trail} lines"
    return None


def tried(tmp_path: Path, careless: bool, every: int) -> list[str]:
    folder = tmp_path / "books"
    folder.mkdir()
    try:
        ops = work(folder, careless)
    except NotReached as why:
        pytest.skip(str(why))
    found = [
        wrong(tmp_path / f"cut{number}", dict(cut.files), list(cut.told))
        for number, cut in enumerate(cuts(ops, every=every))
    ]
    assert len(found) > 50
    return [f for f in found if f is not None]


def test_what_was_acknowledged_survives_a_power_cut(tmp_path: Path) -> None:
    assert tried(tmp_path, False, 9) == []


def test_the_cuts_find_what_careless_books_would_lose(tmp_path: Path) -> None:
    """With synchronous NORMAL, SQLite does not promise that a commit survives a power cut in WAL mode
    (https://www.sqlite.org/pragma.html#pragma_synchronous)."""
    assert any("told twice [" in f and "told twice []" not in f for f in tried(tmp_path, True, 9))
