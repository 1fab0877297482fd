"""Units and words of what goes out."""

from __future__ import annotations

import json

import pytest

from monitor.delivery import payloads
from monitor.delivery.mqtt import BrokerAddress, accepted
from monitor.records import CleanBasis


def test_times_are_utc_with_milliseconds() -> None:
    """1 000 000 000 s after the epoch was 2001-09-09 01:46:40 UTC (a much-published instant)."""
    assert payloads.iso(1e9 + 0.25) == "2001-09-09T01:46:40.250Z"


def test_flows_are_litres_per_hour() -> None:
    assert payloads.litres_per_hour(1 / 3600) == 1000.0, "a cubic metre an hour is 1000 L/h"
    assert payloads.litres_per_hour(0.0) == 0.0, "zero is data"
    assert payloads.litres_per_hour(None) is None


def test_a_share_of_nothing_is_unknown() -> None:
    assert payloads.share(1.0, None) is None
    assert payloads.share(1.0, 0.0) is None
    assert payloads.share(0.0, 2.0) == 0.0


def test_an_id_names_site_journal_and_sequence() -> None:
    unset = json.loads(payloads.identified({"x": 1}, "room", "abc", "run", 7, False, False))
    assert unset["clock_synchronised"] is False
    whole = json.loads(payloads.identified({"x": 1}, "room", "abc", "run", 7))
    assert whole == {"format": 1, "id": "room.abc.7", "site": "room", "journal": "abc", "run": "run", "sequence": 7, "clock_synchronised": True, "simulated": False, "x": 1}  # fmt: skip


@pytest.mark.parametrize("basis", list(CleanBasis))
def test_every_basis_has_words(basis: CleanBasis) -> None:
    assert payloads.basis_words(basis)


@pytest.mark.parametrize(("code", "taken"), [(None, False), (0, True), (16, True), (128, False), (135, False)])  # fmt: skip
def test_reason_codes_of_128_and_above_are_refusals(code: int | None, taken: bool) -> None:
    """MQTT 5.0 section 2.4; 16 is "no matching subscribers", 135 "not authorized"."""
    assert accepted(code) is taken


def test_a_password_is_in_no_text() -> None:
    address = BrokerAddress("h", 1, True, "c", username="u", password="wet-hands")
    assert "wet-hands" not in f"{address} {address!r}"
