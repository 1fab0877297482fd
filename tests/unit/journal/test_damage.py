"""The gate before the journal's file: many at a time, or one alone."""

from __future__ import annotations

import threading
import time

import pytest

from monitor.errors import StorageError
from monitor.journal import damage
from monitor.journal.damage import Gate


def test_whoever_wants_to_be_alone_waits_for_those_inside_and_holds_up_those_outside() -> None:
    gate, order = Gate(), []
    inside, leave = threading.Event(), threading.Event()

    def first() -> None:
        with gate.passing():
            inside.set()
            leave.wait(5)
            order.append("first out")

    def later() -> None:
        with gate.passing():
            order.append("later")

    threads = [threading.Thread(target=first), threading.Thread(target=later)]
    threads[0].start()
    inside.wait(5)
    threading.Timer(0.2, leave.set).start()
    with gate.alone():
        order.append("alone")
        threads[1].start()
        time.sleep(0.1)
    for thread in threads:
        thread.join(5)
    assert order == ["first out", "alone", "later"]


def test_one_that_never_comes_out_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(damage, "_ALONE_WITHIN_S", 0.1)
    gate = Gate()
    with gate.passing():
        with pytest.raises(StorageError, match="in use by another thread"), gate.alone():
            pytest.fail("it was not alone")
        with gate.passing():
            pass  # and it is open again
