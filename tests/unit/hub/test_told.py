"""Told once: over threads, processes that start together, and kill -9 at any moment."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from monitor.fleet.business import Client
from monitor.hub.books.books import Books

# Asks for each id in an order of its own and writes down, at once and by one write, what it was given.
ASKER = """
import os, random, sys
from pathlib import Path
from monitor.hub.books.books import Books
folder, out, seed, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
ids = [f"n{i}" for i in range(count)]
random.Random(seed).shuffle(ids)
books = Books(folder)
record = os.open(out, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
for one in ids:
    if books.ledger.told_once(one):
        os.write(record, (one + "\\n").encode())
os.write(record, b"end\\n")
"""


def asker(folder: Path, out: Path, seed: int, count: int) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-c", ASKER, str(folder), str(out), str(seed), str(count)]
    return subprocess.Popen(words, stderr=subprocess.PIPE)


def test_one_of_many_threads_is_given_it(tmp_path: Path) -> None:
    books = Books(tmp_path)
    with ThreadPoolExecutor(8) as pool:
        given = list(pool.map(lambda i: books.ledger.told_once(f"n{i % 20}"), range(160)))
    assert sum(given) == 20
    assert not books.ledger.told_once("n3")
    books.close()


def test_processes_that_begin_the_books_together_share_what_is_to_be_told(tmp_path: Path) -> None:
    count, outs = 120, [tmp_path / f"out{n}" for n in range(4)]
    running = [asker(tmp_path / "books", out, seed, count) for seed, out in enumerate(outs)]
    for one in running:
        _, errors = one.communicate(timeout=60)
        assert one.returncode == 0, errors.decode()
    told = [line for out in outs for line in out.read_text().splitlines() if line != "end"]
    assert sorted(told) == sorted(f"n{i}" for i in range(count))


def test_killed_at_any_moment_nothing_is_told_twice(tmp_path: Path) -> None:
    """At most one id per kill may be lost: given, and its asker dead before it wrote that down."""
    count, pick = 1000, random.Random(7)
    kills, told = 0, list[str]()
    for turn in range(60):
        out = tmp_path / f"out{turn}"
        one = asker(tmp_path / "books", out, turn, count)
        end = time.monotonic() + 20
        while time.monotonic() < end and not (out.exists() and out.stat().st_size):
            if one.poll() is not None:
                break
            time.sleep(0.001)
        time.sleep(pick.uniform(0, 0.02))
        one.send_signal(signal.SIGKILL)
        one.communicate(timeout=20)
        lines = out.read_text().splitlines() if out.exists() else []
        told += [x for x in lines if x != "end"]
        kills += one.returncode == -signal.SIGKILL
        if "end" in lines:
            break
    # However far they came: one that nobody kills asks for what is left.
    last = tmp_path / "last"
    one = asker(tmp_path / "books", last, 99, count)
    _, errors = one.communicate(timeout=60)
    assert one.returncode == 0, errors.decode()
    told += [x for x in last.read_text().splitlines() if x != "end"]
    assert kills >= 3, "the machine was too fast for this test to mean anything"
    assert len(told) == len(set(told)), "told twice"
    assert count - kills <= len(told) <= count
    books = Books(tmp_path / "books")
    assert not any(books.ledger.told_once(f"n{i}") for i in range(count))
    books.close()


def test_a_claim_is_one_at_a_time_and_passes_on_when_its_maker_is_gone(tmp_path: Path) -> None:
    now = [1000.0]
    books = Books(tmp_path, lambda: now[0])
    ledger = books.ledger
    assert ledger.claim("n", 60)
    assert not ledger.claim("n", 60)
    assert not ledger.told_once("n")
    now[0] = 1059.0
    assert not ledger.claim("n", 60)
    now[0] = 1060.0
    assert ledger.claim("n", 60), "its maker is taken for dead"
    assert not ledger.claim("n", 60)
    ledger.settle("n")
    now[0] = 9e9
    assert not ledger.claim("n", 60), "said is said"
    assert ledger.claim("m", 60)
    now[0] = 5.0
    assert ledger.claim("m", 60), "a clock that was set back holds nothing up"
    ledger.let_go("m")
    assert ledger.claim("m", 60)
    ledger.let_go("n")
    assert not ledger.told_once("n"), "what was said is not given back"
    books.close()


def test_only_the_old_is_forgotten(tmp_path: Path) -> None:
    now = [1000.0]
    books = Books(tmp_path, lambda: now[0])
    books.ledger.told_once("old")
    now[0] = 2000.0
    books.ledger.told_once("new")
    assert books.ledger.forget_told(2000.0) == 1
    assert not books.ledger.told_once("new")
    assert books.ledger.told_once("old")
    books.close()


def test_two_who_remove_and_use_a_client_at_once_never_leave_a_site_without_one(
    tmp_path: Path,
) -> None:
    books = Books(tmp_path)
    for turn in range(20):
        client, site = f"c{turn}", f"s{turn}"
        books.clients.add(Client(client, "C"), "a")
        with ThreadPoolExecutor(2) as pool:
            done = [
                pool.submit(books.sites.enrol, site, client, "", "", "a"),
                pool.submit(books.clients.remove, client, "a"),
            ]
            failed = [d.exception() is not None for d in done]
        assert sum(failed) == 1
        assert (books.sites.find(site) is None) is failed[0]
    books.close()


def test_what_is_claimed_and_not_settled_can_be_seen(tmp_path: Path) -> None:
    books = Books(tmp_path)
    assert not books.ledger.is_claimed("n")
    assert books.ledger.claim("n", 60.0)
    assert books.ledger.is_claimed("n")
    books.ledger.settle("n")
    assert (books.ledger.is_claimed("n"), books.ledger.is_told("n")) == (False, True)
    assert books.ledger.claim("m", 60.0)
    books.ledger.let_go("m")
    assert not books.ledger.is_claimed("m")
    books.close()
