"""Means of the last hours, against those counted by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.journal.recent import recent_means
from monitor.journal.store import Journal
from tests.unit.journal.test_history import UTC_S, put


def test_means_of_minutes_and_gaps(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    put(journal, 0, 300)
    put(journal, 300, 360, bad_from_s=300)
    put(journal, 420, 480, name="right")
    means = recent_means(journal, UTC_S + 480, 240.0, 4)
    litres = [None if flow is None else flow * 3.6e6 for flow, _ in means["left"]]
    assert litres == [pytest.approx(29.5), None, None, None]
    assert [warm for _, warm in means["left"]] == [25.5, 25.5, None, None]
    assert [warm for _, warm in means["right"]] == [None, None, None, 25.5]
    journal.close()


def test_an_empty_journal_has_none(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    assert recent_means(journal, UTC_S, 3600.0, 10) == {}
    journal.close()
