"""Commands over MQTT, as whoever may write to the topic would send them, well or ill."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms.rules import Limits
from monitor.app.replay import unknown_filter
from monitor.app.station import Station
from monitor.delivery.commands import Arrived, Owed, Unreadable, answer_topic, read, settled
from monitor.records import Moment, Order

OWN = "canister/fish_room/answers"


def test_a_whole_command_is_an_order() -> None:
    body = b'{"order":"shelve","filter":"left","alarm":"flow-low","minutes":30,"occurrence":2,"by":"Ada"}'
    assert read(Arrived(body)) == (Order("shelve", "left", 30.0, "flow-low", 2, "Ada"), None)


def test_a_command_may_say_when_it_was_given() -> None:
    """2026-02-02T08:00:00Z is 1,770,019,200 s after the epoch by `date -u -d @1770019200`."""
    for text in ("2026-02-02T08:00:00Z", "2026-02-02T09:00:00.000+01:00"):
        body = json.dumps({"order": "feeding", "filter": "left", "minutes": 10, "time": text})
        assert read(Arrived(body.encode()))[1] == 1_770_019_200.0


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"order": "feeding", "minutes": 10}, "with the time it was given at"),
        ({"order": "shelve", "alarm": "flow-low", "minutes": 10}, "with the time it was given at"),
        ({"order": "acknowledge"}, "with the occurrence that was seen"),
        ({"order": "acknowledge", "time": "2026-02-02T08:00:00Z"}, "with the occurrence"),
    ],
)
def test_what_waited_at_the_broker_is_refused_where_it_makes_no_sense_late(
    fields: dict[str, object], words: str
) -> None:
    body = json.dumps({"filter": "left", **fields}).encode()
    with pytest.raises(Unreadable, match=words):
        read(Arrived(body, waited=True))
    read(Arrived(body))


@pytest.mark.parametrize(
    "fields",
    [
        {"order": "cleaned"},
        {"order": "resume"},
        {"order": "acknowledge", "alarm": "flow-low", "occurrence": 2},
        {"order": "feeding", "minutes": 10, "time": "2026-02-02T08:00:00Z"},
    ],
)
def test_what_makes_sense_late_is_taken_late(fields: dict[str, object]) -> None:
    order, _ = read(Arrived(json.dumps({"filter": "left", **fields}).encode(), waited=True))
    assert order.name == fields["order"]


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "Input data was truncated"),
        (b"\xff\xfe", "expected a JSON object"),
        (b"[]", "Expected `object`, got `array`"),
        (b"{}", "missing required field `order`"),
        (b'{"order": 5}', "Expected `str`, got `int`"),
        (b'{"order": "cleaned", "minute": 5}', "unknown field `minute`"),
        (b'{"order": "feeding", "minutes": -1}', ">= 0"),
        (b'{"order": "feeding", "minutes": NaN}', "malformed"),
        (b'{"order": "feeding", "minutes": 9, "time": "2026-02-02T08:00:00"}', "timezone"),
        (b'{"order": "feeding", "minutes": 9, "time": 5}', "Expected `datetime"),
        (b'{"order": "' + b"x" * 65 + b'"}', "length <= 64"),
        (b'{"order": "cleaned", "by": "' + b"x" * 5000 + b'"}', "at the most 4096"),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_reason(payload: bytes, words: str) -> None:
    with pytest.raises(Unreadable, match=r".") as caught:
        read(Arrived(payload))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_retained_command_is_refused() -> None:
    with pytest.raises(Unreadable, match="retained"):
        read(Arrived(b'{"order":"cleaned"}', retained=True))


@pytest.mark.parametrize(
    ("asked", "to"),
    [
        ("", OWN),
        (OWN, OWN),
        (OWN + "/phone", OWN + "/phone"),
        (OWN + "x", OWN),
        ("canister/fish_room/events", OWN),
        ("canister/other/answers", OWN),
        (OWN + "/#", OWN),
        (OWN + "/+/x", OWN),
        ("$SYS/broker", OWN),
    ],
)
def test_an_answer_goes_only_where_answers_go(asked: str, to: str) -> None:
    assert answer_topic(asked, OWN) == to


def test_answers_are_given_as_they_come_and_late_ones_are_noted() -> None:
    owed = [Owed(n, "cleaned", "left", OWN, b"", 10.0) for n in (1, 2, 3)]
    ready, left = settled(owed, ["done: x", None, None], 5.0)
    assert [(o.seq, said) for o, said in ready] == [(1, "done: x")]
    assert [o.seq for o in left] == [2, 3]
    ready, left = settled(left, [None, "refused: y"], 10.0)
    assert [said for _, said in ready] == ["noted; not carried out yet", "refused: y"]
    assert left == []


ALMOST = st.fixed_dictionaries(
    {},
    optional={
        "order": st.one_of(st.sampled_from(["cleaned", "shelve", "acknowledge", "test-alarm"]), st.text(max_size=70), st.integers()),
        "filter": st.one_of(st.just("left"), st.text(max_size=70), st.none()),
        "alarm": st.one_of(st.just("flow-low"), st.text(max_size=70)),
        "occurrence": st.integers(-(2**70), 2**70),
        "minutes": st.one_of(st.floats(allow_nan=False), st.integers(), st.text(max_size=3)),
        "by": st.text(max_size=100),
        "time": st.one_of(st.datetimes().map(lambda at: at.isoformat() + "Z"), st.text(max_size=30)),
        "x": st.none(),
    },
)  # fmt: skip
STATION = Station({"left": unknown_filter("left", 450, 300, Limits())})


@settings(max_examples=10_000, deadline=None)
@given(
    payload=st.one_of(
        st.binary(max_size=200),
        ALMOST.map(lambda fields: json.dumps(fields).encode()),
        st.recursive(st.none() | st.booleans() | st.text(max_size=5), st.lists, max_leaves=20).map(
            lambda value: json.dumps(value).encode()
        ),
    ),
    retained=st.booleans(),
    waited=st.booleans(),
)
def test_ten_thousand_bad_payloads_are_answered_and_break_nothing(
    payload: bytes, retained: bool, waited: bool
) -> None:
    before = STATION.saved()
    try:
        order, _ = read(Arrived(payload, retained, waited=waited))
    except Unreadable:
        return
    _, answer = STATION.obey(order, Moment(1.0, 1.7e9))
    assert answer.startswith(("done", "refused"))
    if answer.startswith("refused"):
        assert STATION.saved() == before
