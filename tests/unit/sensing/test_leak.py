"""The leak contact on gpiozero's mock pins: what counts as wet, and how it becomes the site's alarm."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.app.daemon import Daemon
from monitor.records import AlarmKind, Moment
from monitor.sensing.gpio import Header, PulsePins
from monitor.sensing.leak import Floor, LeakContact
from monitor.sensing.port import Source
from monitor.settings.model import SettingsTree

PIN = 22


def at(line_s: float) -> Moment:
    return Moment(line_s, 1.7e9 + line_s)


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    made = MockFactory()
    yield made
    made.close()
    made.reset()


def looked(contact: LeakContact, *seconds: float) -> Floor:
    for second in seconds:
        assert contact.read(at(second)) == ()
    return contact.floor()


class TestContact:
    @pytest.mark.parametrize("wet_when_closed", [True, False])
    def test_closed_and_open(self, factory: MockFactory, wet_when_closed: bool) -> None:
        """The pin has its pull-up, so an open contact is high and a closed one low."""
        contact = LeakContact(PIN, wet_when_closed, 0.0, Header(factory))
        contact.start()
        assert looked(contact, 0.0) is (Floor.DRY if wet_when_closed else Floor.WET)
        factory.pin(PIN).drive_low()
        assert looked(contact, 1.0) is (Floor.WET if wet_when_closed else Floor.DRY)

    def test_what_does_not_stand_for_the_hold_time_does_not_count(
        self, factory: MockFactory
    ) -> None:
        contact = LeakContact(PIN, True, 2.0, Header(factory))
        contact.start()
        assert looked(contact, 0.0, 1.0) is Floor.UNKNOWN  # nothing has stood for two seconds yet
        assert looked(contact, 2.0) is Floor.DRY
        factory.pin(PIN).drive_low()
        assert looked(contact, 3.0, 4.0) is Floor.DRY
        factory.pin(PIN).drive_high()
        assert looked(contact, 5.0) is Floor.DRY
        factory.pin(PIN).drive_low()
        assert looked(contact, 6.0, 7.0) is Floor.DRY  # the time runs anew
        assert looked(contact, 8.0) is Floor.WET
        factory.pin(PIN).drive_high()
        assert looked(contact, 9.0, 10.0) is Floor.WET  # and so it does on the way back
        assert looked(contact, 11.0) is Floor.DRY

    def test_what_cannot_be_read_is_unknown_at_once(
        self, factory: MockFactory, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        contact = LeakContact(PIN, True, 2.0, Header(factory))
        contact.start()
        assert looked(contact, 0.0, 2.0) is Floor.DRY
        assert contact.health(at(2.0)).line == "GPIO22: dry"
        monkeypatch.setattr(type(factory.pin(PIN)), "state", property(_refused))
        assert looked(contact, 3.0) is Floor.UNKNOWN
        health = contact.health(at(3.0))
        assert not health.working
        assert health.remedy
        monkeypatch.undo()
        assert looked(contact, 4.0, 6.0) is Floor.DRY

    def test_it_is_a_source_and_closes_twice(self, factory: MockFactory) -> None:
        contact = LeakContact(PIN, True, 2.0, Header(factory))
        assert isinstance(contact, Source)
        assert not contact.health(at(0.0)).working
        contact.close()
        contact.start()
        contact.close()
        contact.close()
        assert looked(contact, 0.0, 5.0) is Floor.UNKNOWN

    def test_a_pin_in_use_is_told_and_tried_again(self, factory: MockFactory) -> None:
        tries, free = list[int](), list[bool]()

        def pin(number: int) -> Any:
            tries.append(number)
            if not free:
                raise RuntimeError("GPIO busy")
            return factory.pin(number)

        contact = LeakContact(PIN, True, 2.0, Header(SimpleNamespace(pin=pin)))
        contact.start()
        assert looked(contact, *map(float, range(25))) is Floor.UNKNOWN
        assert len(tries) == 3, "at the start, after 10 s and after 20 s"
        health = contact.health(at(24.0))
        assert not health.working
        assert health.line == (
            "GPIO pin 22 of the leak contact: GPIO busy: no leak would be noticed"
        )
        assert health.remedy.startswith("see which program holds it")
        free.append(True)
        assert looked(contact, 30.0, 32.0) is Floor.DRY
        assert contact.health(at(32.0)).working
        contact.close()
        assert looked(contact, 50.0, 70.0) is Floor.UNKNOWN
        assert len(tries) == 4, "closed is closed"


def _refused(_pin: Any) -> bool:
    raise OSError("No such device")


def test_from_the_contact_to_the_alarm_and_back(
    tmp_path: Path, factory: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = SettingsTree.model_validate(
        tomllib.loads(
            f"""
            site = {{ id = "invented" }}
            leak = {{ pin = {PIN} }}
            storage = {{ folder = "{tmp_path}/state", live_file = "" }}
            [filters.left]
            flow_sensor = {{ pin = 17, bore_mm = 16 }}
            """
        )
    )
    header = Header(factory)
    assert tree.leak is not None
    contact = LeakContact(PIN, tree.leak.wet_when == "closed", tree.leak.hold_s, header)
    sources = [PulsePins({"left": (17, 225.0)}, header=header), contact]
    daemon = Daemon(tree, {"left": None}, sources)
    for source in sources:
        source.start()
    second = iter(range(10_000))

    def alarms(seconds: int) -> tuple[bool, bool]:
        for _ in range(seconds):
            daemon._tick(at(float(next(second))))
        site = daemon._station.site
        return site.alarm(AlarmKind.LEAK).active, site.alarm(AlarmKind.READER_DEAD).active

    try:
        assert alarms(10) == (False, False)
        factory.pin(PIN).drive_low()
        assert alarms(2) == (False, False)
        assert alarms(1) == (True, False)
        state = type(factory.pin(PIN)).state
        monkeypatch.setattr(
            type(factory.pin(PIN)),
            "state",
            property(lambda pin: _refused(pin) if pin._number == PIN else state.fget(pin)),
        )
        assert alarms(20) == (True, True)  # unknown ends nothing, and is said itself
        monkeypatch.undo()
        factory.pin(PIN).drive_high()
        assert alarms(30) == (True, False)
        assert alarms(60) == (False, False)  # dry for a minute
    finally:
        daemon._shut()
