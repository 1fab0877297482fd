"""Lines against the published syntax of line protocol; types never depend on the value."""

from __future__ import annotations

import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.delivery.line_protocol import Dialect, event_line, line, sample_line
from monitor.records import (
    AlarmKind,
    Cause,
    CleanBasis,
    Entry,
    Event,
    EventKind,
    Moment,
    Quality,
    SampleRow,
)
from tests.support.line_protocol import parse

HOME = Dialect("fish_room", "canister")
NUMBERS = Dialect("fish_room", "canister", texts=False)
GOOD = SampleRow(
    7, "left", Moment(5.0, 1_700_000_000.25), 1e-4, Quality.GOOD, 2e-4, 25.0, Quality.GOOD
)
STOPPED = Entry(
    41,
    "run",
    True,
    Event(
        "left", EventKind.RAISED, 5.0, 1_700_000_000.25, AlarmKind.FLOW_STOPPED, 3, 0.0, 2e-4,
        CleanBasis.MEASURED, 25.5, Cause.BLOCKED, 'a "trickle", 9 % left', "look", sure=1.0, active=True,
    ),
)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "measurement", "tags", "fields", "stamp"),
    [
        # The page's own examples.
        (
            'myMeasurement,tag1=value1,tag2=value2 fieldKey="fieldValue" 1556813561098000000',
            "myMeasurement",
            {"tag1": "value1", "tag2": "value2"},
            {"fieldKey": "fieldValue"},
            1556813561098000000,
        ),
        (
            'myMeasurement,tag\\ Key1=tag\\ Value1,tagKey2=x fieldKey="string value" 1556813561098000000',
            "myMeasurement",
            {"tag Key1": "tag Value1", "tagKey2": "x"},
            {"fieldKey": "string value"},
            1556813561098000000,
        ),
        (
            "my\\ Measurement fieldKey=1i 1",
            "my Measurement",
            {},
            {"fieldKey": 1},
            1,
        ),
    ],
)
def test_the_reader_reads_what_the_syntax_page_shows(
    text: str,
    measurement: str,
    tags: dict[str, str],
    fields: dict[str, object],
    stamp: int,
) -> None:
    assert parse(text) == (measurement, tags, fields, stamp)


@pytest.mark.parametrize("text", ["m f=1", "m,t= f=1 1", "m 1", "m f=abc 1", "m f=1,2 1", " f=1 1"])
def test_the_reader_refuses_what_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="no line protocol"):
        parse(text)


def test_a_sample_says_what_was_seen() -> None:
    point = parse(sample_line(GOOD, HOME))
    assert point.measurement == "canister_sample"
    assert point.tags == {"site": "fish_room", "filter": "left"}
    assert point.fields["flow_l_per_h"] == pytest.approx(360.0)  # 1e-4 m³/s by hand
    assert point.fields["clean_l_per_h"] == pytest.approx(720.0)
    assert point.fields["temperature_c"] == 25.0
    assert point.fields["quality"] == "good"
    assert point.fields["flow_trusted"] is True
    assert point.stamp_ns == 1_700_000_000_250_000_007


def test_a_whole_number_is_still_a_float_and_zero_is_data() -> None:
    still = parse(sample_line(msgspec.structs.replace(GOOD, flow_m3_per_s=0.0), HOME))
    assert still.fields["flow_l_per_h"] == 0.0
    assert isinstance(still.fields["flow_l_per_h"], float)
    assert isinstance(parse(event_line(STOPPED, HOME)).fields["sure"], float)


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_is_not_known_is_left_out_and_never_0(value: float | None) -> None:
    row = msgspec.structs.replace(
        GOOD, flow_m3_per_s=value, flow_quality=Quality.MISSING, temperature_c=value
    )
    fields = parse(sample_line(row, HOME)).fields
    assert "flow_l_per_h" not in fields
    assert "temperature_c" not in fields
    assert fields["flow_trusted"] is False


def test_an_event_keeps_its_words() -> None:
    point = parse(event_line(STOPPED, HOME))
    assert point.tags == {
        "site": "fish_room", "filter": "left", "event": "raised", "alarm": "flow-stopped", "cause": "blocked",
    }  # fmt: skip
    assert point.fields["evidence"] == 'a "trickle", 9 % left'
    assert point.fields["occurrence"] == 3
    assert isinstance(point.fields["occurrence"], int)


def test_the_site_has_no_filter() -> None:
    event = msgspec.structs.replace(STOPPED.event, filter_id="", alarm=None, cause=Cause.NONE)
    point = parse(event_line(msgspec.structs.replace(STOPPED, event=event), HOME))
    assert point.tags == {"site": "fish_room", "event": "raised"}


def test_a_server_that_keeps_numbers_only_is_sent_no_texts() -> None:
    for text in (sample_line(GOOD, NUMBERS), event_line(STOPPED, NUMBERS)):
        fields = parse(text).fields
        assert fields
        assert not [k for k, v in fields.items() if isinstance(v, str)]


def test_what_happened_at_one_instant_stays_apart_and_a_row_is_always_the_same_line() -> None:
    second = msgspec.structs.replace(STOPPED, seq=42)
    assert parse(event_line(STOPPED, HOME)).stamp_ns != parse(event_line(second, HOME)).stamp_ns
    again = msgspec.json.decode(msgspec.json.encode(STOPPED), type=Entry)
    assert event_line(again, HOME) == event_line(STOPPED, HOME)


texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)


@given(measurement=texts, tag=texts, word=texts, number=st.floats(allow_nan=False, allow_infinity=False),
       count=st.integers(-(2**63), 2**63 - 1))  # fmt: skip
def test_any_text_and_number_comes_back(
    measurement: str, tag: str, word: str, number: float, count: int
) -> None:
    def one_line(text: str) -> str:
        return " ".join(text.splitlines())

    name = one_line(measurement).strip("\\") or "m"
    mark = one_line(tag).rstrip("\\")
    if "\\" in name + mark:
        return  # a backslash before a special character is ambiguous by the syntax itself
    written = line(name, {"t": tag}, {"w": word, "n": number, "c": count}, 5, HOME)
    assert "\n" not in written
    point = parse(written)
    assert point.measurement == name
    assert point.tags == ({"t": mark} if mark else {})
    assert point.fields == {"w": one_line(word), "n": number, "c": count}


def test_a_line_without_a_field_is_refused() -> None:
    with pytest.raises(ValueError, match="needs a field"):
        line("m", {}, {"only": "text", "nothing": None}, 1, NUMBERS)
