"""The log names a part that does not work, once, with the remedy, and when it works again."""

from __future__ import annotations

import logging

import pytest

from monitor.records import Health
from monitor.runtime.troubles import Troubles

GOOD = Health("temperature probes", True, "1 answering")
GONE = Health("temperature probes", False, "28-00 does not answer", "look at its cable")
OTHER = Health("temperature probes", False, "28-00: power-on", "look at its supply")


def told(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [f"{r.levelname} {r.getMessage()}" for r in caplog.records]


def test_a_trouble_that_lasts_is_told_once_and_so_is_its_end(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    troubles = Troubles(lasting_s=10.0)
    for second in range(100):
        troubles.note([GONE if 20 <= second < 60 else GOOD], float(second))
    assert told(caplog) == [
        "WARNING temperature probes: 28-00 does not answer; look at its cable",
        "INFO temperature probes: works again: 1 answering",
    ]


def test_a_loose_contact_does_not_fill_the_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    troubles = Troubles(lasting_s=10.0)
    for second in range(1000):
        troubles.note([GONE if second % 8 < 4 else GOOD], float(second))
    assert told(caplog) == []


def test_another_trouble_of_the_same_part_is_told_too(caplog: pytest.LogCaptureFixture) -> None:
    troubles = Troubles(lasting_s=0.0)
    troubles.note([GONE], 0.0)
    troubles.note([OTHER], 1.0)
    troubles.note([OTHER], 2.0)
    assert [r.getMessage().split(";")[0] for r in caplog.records] == [
        "temperature probes: 28-00 does not answer",
        "temperature probes: 28-00: power-on",
    ]
