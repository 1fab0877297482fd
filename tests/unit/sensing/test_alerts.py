"""lgpio's thread and pipe seen from outside, on a real pipe; that lgpio itself behaves so is shown in
tests/system/test_real_lgpio.py.

Sizes: a report is 16 bytes (lgGpioReport_t in lgpio.h), a pipe 65,536 or, for a user with many of them,
4,096 bytes (pipe(7), /proc/sys/fs/pipe-user-pages-soft).
"""

from __future__ import annotations

import fcntl
import os
import sys
from collections.abc import Iterator
from types import SimpleNamespace

import pytest

from monitor.sensing.alerts import Reports


class Pipe:
    """A thread that reads a pipe, as far as it is looked at."""

    def __init__(self) -> None:
        reader, self.into = os.pipe()
        os.set_blocking(self.into, False)
        self._file = os.fdopen(reader, "rb", buffering=0)
        self.alive = True

    def is_alive(self) -> bool:
        return self.alive

    def put(self, reports: int) -> None:
        for _ in range(reports):
            os.write(self.into, b"\0" * 16)

    def take(self, reports: int) -> None:
        self._file.read(16 * reports)

    def close(self) -> None:
        self._file.close()
        os.close(self.into)


@pytest.fixture
def pipe(monkeypatch: pytest.MonkeyPatch) -> Iterator[Pipe]:
    made = Pipe()
    monkeypatch.setitem(sys.modules, "lgpio", SimpleNamespace(_notify_thread=made))
    yield made
    made.close()


def test_an_empty_pipe_is_well_however_long(pipe: Pipe) -> None:
    reports = Reports()
    assert [reports.trouble(7, s) for s in (0.0, 10.0, 1e6)] == ["", "", ""]


def test_a_thread_that_has_died(pipe: Pipe) -> None:
    pipe.alive = False
    assert "has died" in Reports().trouble(0, 0.0)


def test_reports_that_wait_while_others_are_taken_are_well(pipe: Pipe) -> None:
    pipe.put(3)
    reports = Reports()
    assert {reports.trouble(taken, float(taken)) for taken in range(100)} == {""}


def test_reports_that_wait_and_nothing_is_taken_is_a_thread_that_hangs(pipe: Pipe) -> None:
    reports = Reports()
    reports.trouble(7, 0.0)
    pipe.put(5)
    assert reports.trouble(7, 1.0) == ""
    assert "hangs: 5 edges wait" in reports.trouble(7, 2.0)
    pipe.take(5)
    assert reports.trouble(12, 3.0) == ""


def test_a_seldom_pulse_that_waits_at_each_look_is_no_hanging(pipe: Pipe) -> None:
    reports = Reports()
    for second in range(0, 40, 2):
        pipe.put(1)
        assert reports.trouble(second // 2, float(second)) == ""
        pipe.take(1)


def test_a_pipe_with_no_room_for_a_whole_write_is_full(pipe: Pipe) -> None:
    reports = Reports()
    pipe.put(3840)
    assert reports.trouble(1, 0.0) == ""
    pipe.put(1)
    assert "full: 3841 edges wait" in reports.trouble(2, 1.0)


def test_a_pipe_of_one_page_is_not_full_with_one_report(pipe: Pipe) -> None:
    fcntl.fcntl(pipe.into, fcntl.F_SETPIPE_SZ, 4096)
    reports = Reports()
    pipe.put(1)
    assert reports.trouble(1, 0.0) == ""
    pipe.put(200)
    assert "full" in reports.trouble(2, 1.0)


def test_pins_without_lgpio_have_nothing_to_say(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    assert Reports().trouble(0, 0.0) == ""
