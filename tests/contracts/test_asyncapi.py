"""What goes out is what deploy/asyncapi.yaml says, and that file is AsyncAPI 3."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
import yaml

from monitor.alarms.life import Announcing
from monitor.alarms.rules import Limits
from monitor.alarms.site import SITE_KINDS, SiteState, begin_test, judge
from monitor.alarms.watch import KINDS
from monitor.app.obey import NAMES
from monitor.app.outlet import Outlet
from monitor.app.replay import unknown_filter
from monitor.app.station import Station
from monitor.delivery import payloads
from monitor.delivery.commands import RESEND
from monitor.delivery.topics import Topics
from monitor.journal.store import Journal
from monitor.records import (
    AlarmKind,
    AlarmState,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    FlowReading,
    Moment,
    Quality,
)

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "deploy" / "asyncapi.yaml"


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return yaml.safe_load(DOCUMENT.read_text(encoding="utf-8"))


IDS = {"site": "fish_room", "journal": "0" * 12, "run": "1" * 12}


def check(document: dict[str, Any], message: str, payload: bytes) -> None:
    """Validate a payload against the schema of a message, references resolved in the document."""
    name = document["components"]["messages"][message]["payload"]["$ref"].rsplit("/", 1)[1]
    schema = {**document, "$ref": f"#/components/schemas/{name}"}
    jsonschema.Draft202012Validator(schema).validate(json.loads(payload))


def event(**changes: Any) -> Event:
    whole = Event("long_tank", EventKind.RAISED, 10.0, 1_770_000_000.123, AlarmKind.FLOW_STOPPED, 1,
                  0.0, 2e-4, CleanBasis.MEASURED, 25.06, Cause.PUMP_OR_POWER, "seen", "do")  # fmt: skip
    return msgspec.structs.replace(whole, **changes)


def test_the_document_is_asyncapi_3(document: dict[str, Any]) -> None:
    """Against the JSON Schema that the AsyncAPI Initiative publishes for version 3.0.0."""
    published = json.loads(
        gzip.decompress((HERE / "published" / "asyncapi-3.0.0.schema.json.gz").read_bytes())
    )
    jsonschema.Draft7Validator(published).validate(document)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft7Validator(published).validate({**document, "operations": {"x": {}}})


@pytest.mark.parametrize("kind", list(EventKind))
def test_every_event_is_as_described(document: dict[str, Any], kind: EventKind) -> None:
    alarm = AlarmKind.CLEANING_DUE if kind in (EventKind.RAISED, EventKind.CLEARED) else None
    fields = payloads.event(event(event=kind, alarm=alarm, by="Ada"))
    check(document, "event", payloads.identified(fields, "fish_room", "0" * 12, "1" * 12, 7))


@pytest.mark.parametrize("state", list(AlarmState))
def test_every_alarm_state_is_as_described(document: dict[str, Any], state: AlarmState) -> None:
    fields = payloads.event(event(state=state, active=True, announce=True))
    check(document, "event", payloads.identified(fields, "fish_room", "0" * 12, "1" * 12, 7))
    check(document, "alarm", msgspec.json.encode(payloads.alarm(event(state=state)) | IDS))


@pytest.mark.parametrize("cause", list(Cause))
def test_every_cause_is_as_described(document: dict[str, Any], cause: Cause) -> None:
    fields = payloads.event(event(cause=cause, flow_m3_per_s=None, temperature_c=None))
    check(document, "event", payloads.identified(fields, "fish_room", "0" * 12, "1" * 12, 7))


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_alarms_are_as_described(document: dict[str, Any], kind: AlarmKind) -> None:
    check(document, "alarm", msgspec.json.encode(payloads.alarm(event(alarm=kind)) | IDS))
    of = "" if kind in SITE_KINDS else "long_tank"
    check(document, "alarm", msgspec.json.encode(payloads.never(of, kind) | IDS))


def test_events_of_the_site_are_as_described(document: dict[str, Any]) -> None:
    state = begin_test(SiteState(), Moment(0.0, 1_770_000_000.0))
    _, events = judge(state, {}, Announcing(), frozenset(), Moment(1.0, 1_770_000_001.0))
    assert [e.alarm for e in events] == [AlarmKind.TEST]
    fields = payloads.event(events[0])
    check(document, "event", payloads.identified(fields, "fish_room", "0" * 12, "1" * 12, 7))


def test_heartbeat_and_answers_are_as_described(document: dict[str, Any]) -> None:
    beat = payloads.heartbeat(
        Moment(1.0, 1_770_000_000.0),
        "r",
        "0",
        {"test": True, "leak": False},
        {"a": True, "b": False},
    )
    assert (beat["alarms"], beat["running"], beat["not_running"]) == (["test"], ["a"], ["b"])
    more = {"site": "a", "journal": "0" * 12, "sequence": 0, "next_within_s": 60.0}
    check(document, "heartbeat", msgspec.json.encode({**beat, **more}))
    for said, accepted in (("done: so", True), ("noted", False), ("refused: no", False)):
        answer = payloads.answer(1_770_000_000.0, None, "", said)
        assert answer["accepted"] is accepted
        check(
            document, "answer", msgspec.json.encode(answer | {"site": "fish_room", "run": "1" * 12})
        )


@pytest.mark.parametrize("name", NAMES)
def test_every_order_is_a_command_as_described(document: dict[str, Any], name: str) -> None:
    whole = {"order": name, "filter": "a", "minutes": 5, "time": payloads.iso(1_770_019_200.0)}
    check(document, "command", msgspec.json.encode(whole))


def test_the_document_knows_no_other_order(document: dict[str, Any]) -> None:
    listed = document["components"]["schemas"]["command"]["properties"]["order"]["enum"]
    assert sorted(listed) == sorted([*NAMES, RESEND])


@pytest.mark.parametrize("quality", list(Quality))
def test_states_are_as_described(document: dict[str, Any], quality: Quality) -> None:
    station = Station({"long_tank": unknown_filter("long_tank", 450, 300, Limits())})
    now = Moment(5.0, 1_770_000_000.0, False)
    check(
        document, "state", msgspec.json.encode(station.state_payload("long_tank", now, True) | IDS)
    )
    flow = 2e-4 if quality is Quality.GOOD else None
    station.tick([FlowReading("long_tank", 1.0, flow, quality)], now)
    check(
        document, "state", msgspec.json.encode(station.state_payload("long_tank", now, False) | IDS)
    )


class Shown:
    """Stands in for the sink: keeps what is to stand."""

    name, on_lost, deaf = "mqtt", None, None

    def __init__(self) -> None:
        self.topics: dict[str, tuple[bytes, int | None]] = {}

    def stand(self, topic: str, payload: bytes, expiry_s: int | None = None) -> None:
        self.topics[topic] = (payload, expiry_s)


def test_what_the_daemon_lets_stand_is_as_described(
    document: dict[str, Any], tmp_path: Path
) -> None:
    journal, shown, topics = Journal(tmp_path), Shown(), Topics("canister", "fish_room")
    sink: Any = shown
    outlet = Outlet(journal, sink)
    station = Station({"long_tank": unknown_filter("long_tank", 450, 300, Limits())})
    now = Moment(5.0, 1_770_000_000.0)
    outlet.show(station, topics, now, False, 60.0)
    outlet.beat(topics, payloads.heartbeat(now, journal.run, "0", {}, station.running()), 60.0)
    journal.close()
    assert len(shown.topics) == 2 + len(KINDS) + len(SITE_KINDS)
    for topic, (payload, expiry_s) in shown.topics.items():
        kind = {"state": "state", "heartbeat": "heartbeat"}.get(topic.rsplit("/", 1)[1], "alarm")
        check(document, kind, payload)
        assert expiry_s == {"state": 60, "heartbeat": 180, "alarm": None}[kind]


@pytest.mark.parametrize("word", ["online", "lost", "stopped"])
def test_presence_is_as_described(document: dict[str, Any], word: str) -> None:
    when = None if word == "lost" else 1_770_000_000.0
    fields = payloads.presence(word, payloads.Run("0" * 12, "1" * 12, 0.0), 1, when, "0")
    check(document, "presence", msgspec.json.encode(fields | {"site": "fish_room"}))


def test_a_wrong_payload_is_noticed(document: dict[str, Any]) -> None:
    fields = {**payloads.event(event()), "flow_l_per_h": "much"}
    with pytest.raises(jsonschema.ValidationError):
        check(document, "event", payloads.identified(fields, "fish_room", "0" * 12, "1" * 12, 7))


def test_topics_are_the_documents_addresses(document: dict[str, Any]) -> None:
    topics = Topics("canister", "fish_room")
    made = {
        "presence": topics.presence,
        "events": topics.events,
        "state": topics.state("long_tank"),
        "alarm": topics.alarm("long_tank", "flow-low"),
        "siteAlarm": topics.alarm("", "flow-low"),
        "heartbeat": topics.heartbeat,
        "commands": topics.commands,
        "answers": topics.answers,
    }
    values = {"root": "canister", "site": "fish_room", "filter": "long_tank", "alarm": "flow-low"}
    addresses = {k: c["address"].format(**values) for k, c in document["channels"].items()}
    assert made == addresses


def test_the_alarms_of_the_topic_are_those_of_the_program(document: dict[str, Any]) -> None:
    listed = document["channels"]["alarm"]["parameters"]["alarm"]["enum"]
    assert sorted(listed) == sorted(kind.value for kind in KINDS)
    listed = document["channels"]["siteAlarm"]["parameters"]["alarm"]["enum"]
    assert sorted(listed) == sorted(kind.value for kind in SITE_KINDS)
