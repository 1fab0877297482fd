"""A share of what `tests/faults` brings about at length: enough of each fault to see it survived.

The command prints the same rows with figures; see tests/faultrun.
"""

from __future__ import annotations

import pytest

from tests.faultrun import broker, clock, disk, fleet, kills, powercut
from tests.faultrun.row import Row
from tests.support.small_disk import usable
from tests.support.sqlite_writes import NotReached


def held(*rows: Row) -> None:
    missed = [
        f"{row.fault}: {row.measured}; expected {row.expected}" for row in rows if not row.met
    ]
    assert not missed, "\n".join(missed)


def test_killed_at_random_moments_nothing_acknowledged_is_lost_and_all_is_received() -> None:
    held(*kills.measure(8))


def test_brokers_that_fail_in_six_ways() -> None:
    held(*broker.measure(for_s=10.0, tries=4000))


def test_a_disk_that_is_full_or_read_only_or_flips_bits() -> None:
    """Where this machine lends no small disk, a limit on the size of files stands in for the full
    one, and the read-only one is left out."""
    rows = disk.measure(15.0, where_it_can_be=True)
    assert len(rows) == 2 + usable()
    held(*rows)


def cut(**how: object) -> list[Row]:
    try:
        return powercut.measure(**how)  # type: ignore[arg-type]
    except NotReached as why:
        pytest.skip(str(why))


def test_the_power_cut_at_writes_of_the_journal() -> None:
    held(*cut(records=30, every=11))


def test_the_power_cut_finds_what_a_careless_journal_would_lose() -> None:
    """With synchronous NORMAL, SQLite does not promise that a commit survives a power cut in WAL mode
    (https://www.sqlite.org/pragma.html#pragma_synchronous)."""
    (row,) = cut(records=20, every=11, synchronous="NORMAL")
    assert not row.met
    assert "records acknowledged, there are" in row.measured


def test_the_clock_set_back_and_ahead() -> None:
    held(*clock.measure(("-1 h", "+30 days"), 11.0))


def test_a_fleet_whose_workers_redis_and_broker_are_killed() -> None:
    held(*fleet.measure(sites=30, faults=6, within_s=25.0))
