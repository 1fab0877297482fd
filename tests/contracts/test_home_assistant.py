"""The discovery message is valid by the published documentation, and its templates read our topics."""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest

from monitor.alarms.site import SITE_KINDS
from monitor.alarms.watch import KINDS
from monitor.delivery import home_assistant, payloads
from monitor.delivery.topics import Topics
from monitor.records import AlarmKind
from tests.contracts.test_asyncapi import event
from tests.contracts.test_homie import KIND_NAMES, KNOWN, state
from tests.support import discovery

TOPICS = Topics("canister", "fish_room")
TOPIC = home_assistant.config_topic("homeassistant", "fish_room", "long_tank")
CONFIG = home_assistant.config(TOPICS, "long_tank", "Long tank", KIND_NAMES, "1.2.3")
WHOLE: dict[str, Any] = json.loads(CONFIG)
PARTS: dict[str, dict[str, Any]] = WHOLE["components"]


def test_the_message_is_valid() -> None:
    assert TOPIC == "homeassistant/device/canister-fish_room-long_tank/config"
    assert discovery.problems(TOPIC, CONFIG) == []


def test_it_refers_to_our_own_topics_only() -> None:
    own = {TOPICS.presence, TOPICS.state("long_tank")}
    assert discovery.topics(CONFIG) == own | {TOPICS.alarm("long_tank", k) for k in KIND_NAMES}


def test_the_site_is_announced_with_its_own_alarms() -> None:
    topic = home_assistant.config_topic("homeassistant", "fish_room", "")
    assert topic == "homeassistant/device/canister-fish_room/config"
    config = home_assistant.site_config(TOPICS, "Fish room", [str(k) for k in SITE_KINDS], "1.2.3")
    assert discovery.problems(topic, config) == []
    own = {TOPICS.presence} | {f"canister/fish_room/alarms/{k}" for k in SITE_KINDS}
    assert discovery.topics(config) == own
    leak = json.loads(config)["components"]["alarm-leak"]
    raised = payloads.alarm(event(filter_id="", alarm=AlarmKind.LEAK, active=True))
    assert discovery.rendered(leak["value_template"], msgspec.json.encode(raised)) == "ON"
    never = payloads.never("", AlarmKind.LEAK)
    assert discovery.rendered(leak["value_template"], msgspec.json.encode(never)) == "OFF"


def figures(picture: dict[str, Any]) -> dict[str, tuple[str, str]]:
    body = msgspec.json.encode(picture)
    return {
        name: (discovery.rendered(part["value_template"], body), part["unit_of_measurement"])
        for name, part in PARTS.items()
        if part["platform"] == "sensor"
    }


def test_every_figure_is_read_in_its_unit() -> None:
    assert figures(state(**KNOWN)) == {
        "flow": ("812.4", "L/h"),
        "clean-flow": ("870.0", "L/h"),
        "share-of-clean": ("93.4", "%"),
        "temperature": ("25.06", "°C"),
        "fouling": ("-1.2", "%"),
        "due-low": ("6.0", "d"),
        "due-median": ("9.4", "d"),
        "due-high": ("None", "d"),
    }


def test_what_is_not_known_reads_none_and_zero_is_data() -> None:
    """ "MQTT sensor", `state_topic`: a 'None' value sets the sensor to unknown."""
    nothing = figures(state(fouling=None, cleaning_due=None))
    assert {value for value, _ in nothing.values()} == {"None"}
    assert figures(state(flow_l_per_h=0.0, share_of_clean=0.0))["share-of-clean"][0] == "0.0"


@pytest.mark.parametrize("kind", list(KINDS))
def test_an_alarm_is_on_or_off_and_says_why(kind: AlarmKind) -> None:
    part = PARTS[f"alarm-{kind}"]
    assert part["state_topic"] == part["json_attributes_topic"] == TOPICS.alarm("long_tank", kind)
    for body, word in (
        (payloads.alarm(event(alarm=kind, active=True)), "ON"),
        (payloads.never("long_tank", kind), "OFF"),
    ):
        text = msgspec.json.encode(body)
        assert discovery.rendered(part["value_template"], text) == word
        why = json.loads(discovery.rendered(part["json_attributes_template"], text))
        assert why == {name: body[name] for name in ("cause", "evidence", "advice", "consequence")}


@pytest.mark.parametrize(("word", "read"), [("online", "online"), ("lost", "offline"), ("stopped", "offline")])  # fmt: skip
def test_presence_is_read_as_availability(word: str, read: str) -> None:
    """The defaults of payload_available and payload_not_available are these two words."""
    body = msgspec.json.encode(payloads.presence(word, payloads.Run("j", "r", 0.0), 1, None, "0"))
    assert discovery.rendered(WHOLE["availability_template"], body) == read


@pytest.mark.parametrize("simulated", [True, False])
def test_what_is_simulated_says_so(simulated: bool) -> None:
    body = msgspec.json.encode(state(simulated=simulated))
    read = discovery.rendered(PARTS["simulated"]["value_template"], body)
    assert read == ("ON" if simulated else "OFF")


@pytest.mark.parametrize(
    ("site", "filter_id"), [("a_b", "c"), ("a", "b_c"), ("a", "b"), ("a_b_c", "d")]
)
def test_no_two_filters_are_announced_at_the_same_place(site: str, filter_id: str) -> None:
    others = [("a_b", "c"), ("a", "b_c"), ("a", "b"), ("a_b_c", "d")]
    others.remove((site, filter_id))
    own = home_assistant.config_topic("p", site, filter_id)
    assert own not in {home_assistant.config_topic("p", s, f) for s, f in others}


@pytest.mark.parametrize(
    ("part", "option", "value"),
    [
        ("flow", "unit_of_measurement", "l/h"),
        ("flow", "platform", None),
        ("flow", "unique_id", "canister-fish_room-long_tank-fouling"),
        ("flow", "state_class", "now"),
        ("flow", "value_tmplate", "x"),
        ("alarm-flow-low", "device_class", "volume_flow_rate"),
        ("simulated", "entity_category", "config"),
    ],
)
def test_the_rules_notice_what_is_wrong(part: str, option: str, value: str | None) -> None:
    wrong = json.loads(CONFIG)
    wrong["components"][part][option] = value
    assert discovery.problems(TOPIC, json.dumps(wrong)) != []


@pytest.mark.parametrize("option", ["device", "origin", "components", "state_topic"])
def test_the_rules_notice_what_is_missing(option: str) -> None:
    wrong = json.loads(CONFIG)
    del wrong[option]
    assert discovery.problems(TOPIC, json.dumps(wrong)) != []
