"""A changed list of addresses counts without a restart, and one that cannot be read changes nothing."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.app.outlet import Outlet, build_outlet, loop_name
from monitor.app.people import People
from monitor.journal.store import Journal
from monitor.records import AlarmKind, Moment
from monitor.runtime.watchdog import Watchdog
from monitor.settings.model import SettingsTree
from tests.conftest import until
from tests.contracts.test_asyncapi import event
from tests.unit.delivery.test_notify import Phone


class House:
    """A journal, its ways out and the list of addresses, as the daemon has them."""

    def __init__(self, folder: Path, *first: str) -> None:
        self.list = folder / "addresses"
        self.write(*first)
        tree = SettingsTree.model_validate(
            tomllib.loads(
                f"""
                site = {{ id = "invented" }}
                notify = {{ addresses_file = "{self.list}" }}
                [filters.long_tank]
                flow_sensor = {{ pin = 17, bore_mm = 16 }}
                """
            )
        )
        self.journal = Journal(folder / "state")
        self.watchdog = Watchdog({})
        self.outlet: Outlet = build_outlet(tree, self.journal, self.watchdog, Moment(0.0, 0.0))
        for one in self.outlet.dispatchers:
            self.watchdog.add(loop_name(one.name.removeprefix("deliver-")), 60.0)
        self.outlet.start()
        self.people = People(tree, self.journal, self.outlet)
        self._count = 0

    def write(self, *addresses: str) -> None:
        self.list.write_text("".join(f"{a}\n" for a in addresses), encoding="utf-8")

    def stop_raised(self) -> None:
        self._count += 1
        happened = event(
            alarm=AlarmKind.FLOW_STOPPED, announce=True, active=True, occurrence=self._count
        )
        self.journal.record(Moment(1.0, 1.7e9), [happened])

    def close(self) -> None:
        self.outlet.stop(0.0)
        self.journal.close()


@pytest.fixture
def phones() -> Iterator[tuple[Phone, Phone]]:
    made = Phone(), Phone()
    yield made
    for phone in made:
        phone.server.shutdown()
        phone.server.server_close()


def test_a_new_address_is_told_and_a_removed_one_no_more(
    tmp_path: Path, phones: tuple[Phone, Phone]
) -> None:
    old, new = phones
    house = House(tmp_path, old.address)
    try:
        house.stop_raised()
        assert until(lambda: len(old.got) == 1)
        house.write(old.address, new.address)
        house.people.look()
        house.stop_raised()
        assert until(lambda: (len(old.got), len(new.got)) == (2, 1))
        house.write(new.address)
        house.people.look()
        house.people.look()
        assert len(house.outlet.dispatchers) == 1
        house.stop_raised()
        assert until(lambda: len(new.got) == 2)
        assert len(old.got) == 2
        assert set(house.watchdog._last) == {loop_name(a) for a in ways(house)}
    finally:
        house.close()


def ways(house: House) -> list[str]:
    return [one.name.removeprefix("deliver-") for one in house.outlet.dispatchers]


@pytest.mark.parametrize("text", ["", "# nobody\n", None])
def test_a_list_that_cannot_be_read_changes_nothing_and_is_told_once(
    tmp_path: Path, phones: tuple[Phone, Phone], caplog: pytest.LogCaptureFixture, text: str | None
) -> None:
    house = House(tmp_path, phones[0].address)
    try:
        before = ways(house)
        if text is None:
            house.list.unlink()
        else:
            house.list.write_text(text, encoding="utf-8")
        house.people.look()
        house.people.look()
        assert ways(house) == before
        said = [
            r.getMessage() for r in caplog.records if "go where they went before" in r.getMessage()
        ]
        assert len(said) == 1
        house.stop_raised()
        assert until(lambda: len(phones[0].got) == 1)
    finally:
        house.close()
