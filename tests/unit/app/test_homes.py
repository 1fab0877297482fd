"""What may be retained at the broker is on record, and what is not wanted any more is taken away."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from monitor.alarms.watch import KINDS
from monitor.app.homes import Homes, Retained
from monitor.delivery.mqtt import BrokerAddress
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.payloads import Run
from monitor.delivery.topics import Topics
from monitor.journal.store import Journal
from monitor.records import Moment
from monitor.settings.model import SettingsTree

ADDRESS = BrokerAddress("127.0.0.1", 1, True, "c")
PER_FILTER = 1 + len(KINDS)  # state and one topic for each alarm


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = Journal(tmp_path)
    yield journal
    journal.close()


def homes(
    journal: Journal, *filters: str, homie: bool = False, discovery: bool = False,
    utc_s: float = 1_770_000_000.0, site_name: str = "",
) -> tuple[Homes, MqttSink]:  # fmt: skip
    """A start of the daemon with these filters; nothing is connected."""
    tree = SettingsTree.model_validate(
        {
            "site": {"id": "room", "name": site_name},
            "mqtt": {
                "host": "127.0.0.1",
                "homie": {"enabled": homie},
                "discovery": {"enabled": discovery},
            },
            "filters": {name: {"flow_sensor": {"pin": 17, "bore_mm": 16}} for name in filters},
        }
    )
    sink = MqttSink(ADDRESS, Topics("canister", "room"), Run("j", "r", 0.0), "0")
    assert tree.mqtt is not None
    return Homes(tree, tree.mqtt, journal, sink, Moment(0.0, utc_s)), sink


def saved(journal: Journal) -> Retained:
    return msgspec.json.decode(journal.states()["retained"], type=Retained)


def test_it_is_on_record_before_anything_is_published(journal: Journal) -> None:
    homes(journal, "left", homie=True, discovery=True)
    whole = saved(journal)
    assert whole.own[0] == "homeassistant/device/canister-room-left/config"
    assert "canister/room/filters/left/state" in whole.own
    assert len(whole.own) == 2 + 1 + PER_FILTER, "two announcements, presence, the filter"
    assert whole.homie[0] == "homie/5/canister-room/$state"


def test_nothing_goes_while_the_configuration_stays(journal: Journal) -> None:
    homes(journal, "left", homie=True, discovery=True)
    first = saved(journal)
    _, sink = homes(journal, "left", homie=True, discovery=True)
    assert sink.leaving == []
    assert saved(journal) == first


def test_what_was_switched_off_goes_and_stays_on_record_until_it_is_gone(journal: Journal) -> None:
    homes(journal, "left", homie=True, discovery=True)
    before = saved(journal)
    _, sink = homes(journal, "left")
    announced = [
        "homeassistant/device/canister-room-left/config",
        "homeassistant/device/canister-room/config",
    ]
    assert sink.leaving == announced
    assert saved(journal).homie == before.homie
    again, sink = homes(journal, "left")
    assert sink.leaving == announced, "still not gone"
    sink._extras.show(len)
    assert sink.leaving == []
    again.show({}, Moment(1.0, 1_770_000_001.0))
    assert not any(t.startswith("homeassistant/") for t in saved(journal).own)


def test_a_filter_taken_out_of_the_configuration_goes(journal: Journal) -> None:
    homes(journal, "left", "right", discovery=True)
    _, sink = homes(journal, "left", discovery=True)
    assert len(sink.leaving) == 1 + PER_FILTER
    assert all(re.search(r"[/-]right(/|$)", topic) for topic in sink.leaving)


def test_a_description_gets_a_higher_version_with_every_change_and_with_no_other(
    journal: Journal,
) -> None:
    """Homie 5.0.0, "Device Attributes", `version`; the clock of the board may be wrong."""
    homes(journal, "left", homie=True, utc_s=1_770_000_000.0)
    first = saved(journal).version
    homes(journal, "left", homie=True, utc_s=1_780_000_000.0)
    assert saved(journal).version == first, "the same description"
    homes(journal, "left", "right", homie=True, utc_s=1_000_000_000.0)
    second = saved(journal).version
    assert second > first, "in spite of the clock"
    homes(journal, "left", "right")
    homes(journal, "left", "right", homie=True, site_name="Fish room", utc_s=0.0)
    assert saved(journal).version > second, "in spite of a time without Homie"


def test_a_record_that_cannot_be_read_is_told_and_begun_anew(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    journal.record(Moment(0.0, 0.0), states={"retained": b'{"own": 7}'})
    _, sink = homes(journal, "left")
    assert "saved retained cannot be read" in caplog.text
    assert sink.leaving == []


def test_a_picture_that_cannot_be_shown_is_told_once_and_stops_nothing(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    whole, _ = homes(journal, "left", homie=True)
    for second in range(3):
        whole.show({"left": ({}, {})}, Moment(float(second), 1_770_000_000.0))
    assert caplog.text.count("cannot be shown") == 1
