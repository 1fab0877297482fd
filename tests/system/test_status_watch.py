"""`canister status --watch` on a real pseudo-terminal, read by a terminal emulator."""

from __future__ import annotations

import re
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.conftest import Command, until
from tests.support.terminal import Terminal
from tests.system.test_daemon import ready, settings

ENTER, LEAVE, SHOW_CURSOR = b"\x1b[?1049h", b"\x1b[?1049l", b"\x1b[?25h"
Open = Callable[..., Terminal]


@pytest.fixture
def terminal() -> Iterator[Open]:
    opened: list[Terminal] = []

    def on(columns: int, rows: int, *words: str, **environment: str) -> Terminal:
        opened.append(Terminal(columns, rows, *words, **environment))
        return opened[-1]

    yield on
    for one in opened:
        one.close()


def test_a_stop_is_seen_live_and_a_daemon_that_ends_is_told(
    canister: type[Command], terminal: Open, tmp_path: Path
) -> None:
    file = settings(tmp_path, None, 'faults = ["stall@12s+1h"]')
    daemon = canister("run", "--config", str(file))
    assert ready(daemon)
    wide = terminal(80, 24, "status", "--watch", "--config", str(file))
    small = terminal(30, 8, "status", "--watch", "--config", str(file))
    assert wide.shows("Running at"), wide.text
    assert "live, process" in wide.text
    flow = next(line for line in wide.text.splitlines() if line.startswith("  flow"))
    assert re.search(r"flow \d+ of \d+ L/h +[▂▃▄▅▆▇█]", flow), flow
    assert re.search(r"water \d\d\.\d °C", wide.text), wide.text
    assert wide.shows("Flow has stopped"), wide.text
    assert "! flow stopped, unacknowledged" in wide.text
    assert "left: flow stopped: raised" in wide.text
    assert b"\x1b[1;31m" in wide.raw, "an alarm is red"
    assert small.shows("Flow has stopped"), small.text
    assert all(len(line) <= 30 for line in small.text.splitlines())
    small.resize(80, 24)
    assert small.shows("! flow stopped, unacknowledged"), small.text
    assert daemon.stop() == 0
    assert wide.shows("NOT LIVE: no reading for"), wide.text
    assert wide.shows("canister run is not running"), wide.text
    assert wide.shows("Not watched for"), wide.text
    assert wide.interrupt() == 0
    assert wide.raw.count(ENTER) == wide.raw.count(LEAVE) == 1
    assert wide.raw.rindex(SHOW_CURSOR) > wide.raw.rindex(b"\x1b[?25l")
    small.process.send_signal(signal.SIGTERM)
    assert small.end() == 0
    assert LEAVE in small.raw, "a polite kill gives the screen back too"


@pytest.fixture
def past(canister: type[Command], tmp_path: Path) -> Path:
    """A site that has run for some seconds and does not run now."""
    file = settings(tmp_path, None)
    daemon = canister("run", "--config", str(file))
    assert ready(daemon)
    assert until(lambda: (tmp_path / "live.json").exists())
    assert daemon.stop() == 0
    return file


def test_it_degrades(past: Path, terminal: Open, canister: type[Command]) -> None:
    options = ("status", "--watch", "--config", str(past))
    environments = (
        {"LC_ALL": "C", "LANG": ""},
        {"LC_ALL": "", "LANG": ""},
        {"TERM": "linux"},
        {"PYTHONIOENCODING": "ascii"},
    )
    grey = terminal(80, 24, *options, NO_COLOR="1")
    plain = [terminal(80, 24, *options, **environment) for environment in environments]
    for one, environment in zip(plain, environments, strict=True):
        assert one.shows("NOT LIVE"), (environment, one.raw)
        assert one.raw.isascii(), environment
        assert one.interrupt() == 0
    assert grey.shows("NOT LIVE")
    assert grey.interrupt() == 0
    colours = re.findall(rb"\x1b\[[0-9;]*m", grey.raw)
    assert not [c for c in colours if re.search(rb"[;\[](3[0-7]|38|9[0-7])[;m]", c)], colours
    dumb = terminal(80, 24, *options, TERM="dumb")
    assert dumb.end() == 2
    piped = canister(*options)
    assert piped.wait() == 2
    assert piped.output == ""
    (line,) = piped.errors.splitlines()
    assert line.startswith("canister: --watch draws on a terminal")
    both = canister(*options, "--json")
    assert both.wait() == 2
    assert "leave one out" in both.errors


def test_it_ends_with_its_terminal(past: Path, terminal: Open) -> None:
    left = terminal(80, 24, "status", "--watch", "--config", str(past))
    assert left.shows("NOT LIVE")
    left.hang_up()
    left.process.wait(10)


def test_a_journal_that_is_not_there_is_told_before_anything_is_drawn(
    terminal: Open, tmp_path: Path
) -> None:
    asked = terminal(80, 24, "status", "--watch", "--config", str(settings(tmp_path, None)))
    assert asked.end() == 1
    assert ENTER not in asked.raw
    assert "no journal yet" in asked.text
