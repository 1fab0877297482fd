"""What the Homie adapter shows is valid by the convention, and says what the state says."""

from __future__ import annotations

import json
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from monitor.alarms.rules import Limits
from monitor.alarms.site import SITE_KINDS
from monitor.alarms.watch import KINDS
from monitor.app.replay import unknown_filter
from monitor.app.station import Station
from monitor.delivery import payloads
from monitor.delivery.homie import SITE_NODE, Device
from monitor.records import AlarmKind, Moment, Quality
from monitor.settings.base import Id
from tests.contracts.test_asyncapi import event
from tests.support import homie5

KIND_NAMES = tuple(str(kind) for kind in KINDS)
SITE_KIND_NAMES = tuple(str(kind) for kind in SITE_KINDS)
DEVICE = Device("homie", "fish_room", "Fish room", {"long_tank": "Long tank", "nano": "nano"}, KIND_NAMES,
                SITE_KIND_NAMES)  # fmt: skip
BASE = "homie/5/canister-fish-room"


def state(**changes: Any) -> dict[str, Any]:
    """The picture of a filter nobody knows anything of, with these figures known."""
    station = Station({"long_tank": unknown_filter("long_tank", 450, 300, Limits())})
    whole = station.state_payload("long_tank", Moment(5.0, 1_770_000_000.0), False)
    return {**whole, **changes}


def alarms(active: AlarmKind | None = None) -> dict[str, dict[str, Any]]:
    whole = {str(kind): payloads.never("long_tank", kind) for kind in KINDS}
    if active is not None:
        whole[str(active)] = payloads.alarm(event(alarm=active, active=True))
    return whole


def of_site(active: AlarmKind | None) -> dict[str, dict[str, Any]]:
    whole = {str(kind): payloads.never("", kind) for kind in SITE_KINDS}
    if active is not None:
        whole[str(active)] = payloads.alarm(event(filter_id="", alarm=active, active=True))
    return whole


def shown(
    first: dict[str, Any], active: AlarmKind | None = None, site_active: AlarmKind | None = None
) -> dict[str, bytes]:
    return {
        DEVICE.state_topic: b"ready",
        DEVICE.description_topic: DEVICE.description(7),
        **DEVICE.values("long_tank", first, alarms(active)),
        **DEVICE.values("nano", state(), alarms()),
        **DEVICE.site_values(of_site(site_active)),
    }


KNOWN: dict[str, Any] = {
    "flow_l_per_h": 812.4,
    "flow_quality": "good",
    "clean_flow_l_per_h": 870.0,
    "share_of_clean": 0.934,
    "temperature_c": 25.06,
    "temperature_quality": "good",
    "fouling": -0.012,
    "cleaning_due": {"low_days": 6.0, "median_days": 9.4, "high_days": None, "trend": True},
}


@pytest.mark.parametrize("quality", list(Quality))
def test_every_topic_is_valid_by_the_convention(quality: Quality) -> None:
    assert homie5.problems(shown(state(flow_quality=quality))) == []
    assert homie5.problems(shown(state(**{**KNOWN, "flow_quality": quality}))) == []


@pytest.mark.parametrize("kind", list(KINDS))
def test_an_alarm_is_a_boolean_and_an_alert_in_words(kind: AlarmKind) -> None:
    whole = shown(state(**KNOWN), kind)
    assert homie5.problems(whole) == []
    assert whole[f"{BASE}/long-tank/alarm-{kind}"] == b"true"
    alert = whole[f"{BASE}/$alert/long-tank--{kind}"].decode()
    assert alert.startswith("Long tank: ")
    assert alert.endswith("; seen; do")
    others = [t for t, text in whole.items() if "/alarm-" in t and text == b"true"]
    assert others == [f"{BASE}/long-tank/alarm-{kind}"]
    assert [t for t, text in whole.items() if "$alert" in t and text] == [f"{BASE}/$alert/long-tank--{kind}"]  # fmt: skip


@pytest.mark.parametrize("kind", list(SITE_KINDS))
def test_an_alarm_of_the_site_is_shown_like_one_of_a_filter(kind: AlarmKind) -> None:
    whole = shown(state(**KNOWN), None, kind)
    assert homie5.problems(whole) == []
    assert [t for t, text in whole.items() if "/alarm-" in t and text == b"true"] == [
        f"{BASE}/{SITE_NODE}/alarm-{kind}"
    ]
    alerts = {t: text.decode() for t, text in whole.items() if "$alert" in t and text}
    assert list(alerts) == [f"{BASE}/$alert/{SITE_NODE}--{kind}"]
    assert next(iter(alerts.values())).startswith("Fish room: ")


def test_no_filter_can_take_the_place_of_the_site() -> None:
    """Our ids have no two underscores in a row (settings/base.py), so no hyphens beside each other."""
    with pytest.raises(ValidationError):
        TypeAdapter(Id).validate_python(SITE_NODE.replace("-", "_"))


def test_figures_are_in_the_units_that_the_description_names() -> None:
    whole = shown(state(**KNOWN))
    described = json.loads(whole[DEVICE.description_topic])["nodes"]["long-tank"]["properties"]
    got = {
        name: (whole[f"{BASE}/long-tank/{name}"].decode(), described[name].get("unit"))
        for name in described
        if not name.startswith("alarm-")
    }
    assert got == {
        "flow": ("812.4", "L/h"),
        "clean-flow": ("870", "L/h"),
        "share-of-clean": ("93.4", "%"),
        "temperature": ("25.06", "°C"),
        "fouling": ("-1.2", "%"),
        "due-low": ("6", "d"),
        "due-median": ("9.4", "d"),
        "due-high": ("", "d"),
        "flow-quality": ("good", None),
        "temperature-quality": ("good", None),
        "simulated": ("false", None),
    }
    assert not any("settable" in fields for fields in described.values())


def test_zero_is_data_and_unknown_has_no_message() -> None:
    whole = shown(state(flow_l_per_h=0.0, share_of_clean=0.0))
    assert whole[f"{BASE}/long-tank/flow"] == b"0"
    assert whole[f"{BASE}/long-tank/share-of-clean"] == b"0"
    assert whole[f"{BASE}/long-tank/temperature"] == b""
    assert whole[f"{BASE}/long-tank/due-median"] == b""


@pytest.mark.parametrize("value", [1e-9, 123456789.5, -0.0, 1e17])
def test_numbers_of_any_size_are_floats_of_the_convention(value: float) -> None:
    text = shown(state(temperature_c=value))[f"{BASE}/long-tank/temperature"].decode()
    assert homie5.FLOAT.fullmatch(text)
    assert float(text) == pytest.approx(value, abs=5e-4)


def test_everything_shown_can_be_taken_away_state_first() -> None:
    """ "Device Lifecycle": to remove a device, `$state` goes before all else."""
    topics = DEVICE.topics()
    assert topics[0] == f"{BASE}/$state"
    assert len(set(topics)) == len(topics)
    assert set(topics) == set(shown(state()))


@pytest.mark.parametrize(
    ("topic", "text"),
    [
        (f"{BASE}/$state", b"online"),
        (f"{BASE}/long-tank/flow", b"-1"),
        (f"{BASE}/long-tank/flow", b"1,5"),
        (f"{BASE}/long-tank/flow", b"NaN"),
        (f"{BASE}/long-tank/flow", b"1e+3"),
        (f"{BASE}/long-tank/flow-quality", b"fine"),
        (f"{BASE}/long-tank/alarm-flow-low", b"True"),
        (f"{BASE}/long_tank/flow", b"1"),
        (f"{BASE}/$alert/long_tank", b"x"),
        (f"{BASE}/$description", b'{"homie":"5.0","version":1.5,"name":"x"}'),
        (f"{BASE}/$description", b'{"homie":"4.0","version":1,"name":"x"}'),
        (f"{BASE}/$description", b'{"homie":"5.0","version":1}'),
        ("homie/4/canister-fish-room/$state", b"ready"),
    ],
)
def test_the_rules_notice_what_is_wrong(topic: str, text: bytes) -> None:
    assert homie5.problems({**shown(state(**KNOWN)), topic: text}) != []
