"""Recordings: forms of time, cells that cannot be read, and which column means what.

All recordings here are invented. Expected instants are counted from 1970 by hand: 2024 begins at
1,704,067,200 s, and 1 March 2024 at noon UTC is 60.5 days later.
"""

from __future__ import annotations

import csv
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from monitor.errors import RecordingError
from monitor.records import FlowReading, Moment, PulseReading, Quality, Reading, TemperatureReading
from monitor.sensing.columns import Columns, choose
from monitor.sensing.recording import Recording

MARCH_NOON_S = 1_704_067_200 + 60.5 * 86400
LITRE_PER_H = 1 / 3.6e6  # in m³/s
FLOW = Columns("t_s", "out_l_per_h", "L/h", None, None, "degC")
WARM_FLOW = Columns("t_s", "out_l_per_h", "L/h", None, "temp_c", "degC")
PULSES = Columns("t_s", None, "", "pulses", None, "degC")

Look = tuple[float, tuple[Reading, ...]]


def written(folder: Path, content: str | bytes) -> Path:
    file = folder / "pond.csv"
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return file


def played(recording: Recording) -> list[Look]:
    """Every moment's time with what was read at it."""
    return [(now.line_s, recording.read(now)) for now in recording.moments()]


def replayed(folder: Path, content: str | bytes, columns: Columns) -> tuple[list[Look], Recording]:
    recording = Recording(written(folder, content), columns, "left_tank")
    try:
        return played(recording), recording
    finally:
        recording.close()


def times_s(looks: Sequence[Look]) -> list[float]:
    return [time_s for time_s, _ in looks]


def flows_l_per_h(looks: Sequence[Look]) -> list[float | None]:
    found = [r.flow_m3_per_s for _, batch in looks for r in batch if isinstance(r, FlowReading)]
    return [None if flow is None else round(flow / LITRE_PER_H, 6) for flow in found]


def spans_s(looks: Sequence[Look]) -> list[float]:
    return [r.span_s for _, batch in looks for r in batch if not isinstance(r, TemperatureReading)]


class TestTime:
    @pytest.mark.parametrize(
        ("text", "time_s"),
        [
            ("2024-03-01 12:00:00", MARCH_NOON_S),
            ("2024-03-01T12:00:00", MARCH_NOON_S),
            ("2024-03-01T12:00", MARCH_NOON_S),
            (" 2024-03-01T12:00:00 ", MARCH_NOON_S),
            ("2024-03-01T12:00:00Z", MARCH_NOON_S),
            ("2024-03-01T12:00:00+00:00", MARCH_NOON_S),
            ("2024-03-01T14:00:00+02:00", MARCH_NOON_S),
            ("2024-03-01T06:30:00-05:30", MARCH_NOON_S),
            ("2024-03-01 12:00:00.250", MARCH_NOON_S + 0.25),
            ("20240301T120000", MARCH_NOON_S),
            ("2024-03-01", MARCH_NOON_S - 43200),
        ],
    )
    def test_iso_8601_naive_is_utc_and_a_zone_is_heeded(
        self, tmp_path: Path, text: str, time_s: float
    ) -> None:
        content = f"t_s,out_l_per_h\n{text},600\n2024-03-02T12:00:00Z,600\n"
        looks, recording = replayed(tmp_path, content, FLOW)
        assert looks[0][0] == pytest.approx(time_s, abs=1e-6)
        assert recording.calendar

    def test_a_naive_time_does_not_depend_on_where_it_is_replayed(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        content = "t_s,out_l_per_h\n2024-03-01T12:00,600\n2024-03-01T12:01,600\n"
        with monkeypatch.context() as elsewhere:
            elsewhere.setenv("TZ", "UTC-09:00")  # nine hours east, in the form of POSIX
            time.tzset()
            try:
                looks, _ = replayed(tmp_path, content, FLOW)
            finally:
                elsewhere.undo()
                time.tzset()
        assert looks[0][0] == MARCH_NOON_S

    @pytest.mark.parametrize(
        ("text", "time_s"),
        [("12", 12.0), ("12.5", 12.5), (" 12 ", 12.0), ("1.25e1", 12.5), ("-3", -3.0), ("0", 0.0)],
    )
    def test_numbers_are_seconds_and_no_calendar(
        self, tmp_path: Path, text: str, time_s: float
    ) -> None:
        looks, recording = replayed(tmp_path, f"t_s,out_l_per_h\n{text},600\n99,600\n", FLOW)
        assert times_s(looks) == [time_s, 99.0]
        assert not recording.calendar

    @pytest.mark.parametrize(
        "text", ["", "01.03.2024", "noon", "nan", "inf", "2024-02-30", "12:00"]
    )
    def test_a_time_that_cannot_be_read_sets_its_row_aside(self, tmp_path: Path, text: str) -> None:
        content = f"t_s,out_l_per_h\n0,600\n{text},700\n1,800\n2,900\n"
        looks, recording = replayed(tmp_path, content, FLOW)
        assert times_s(looks) == [0.0, 1.0, 2.0]
        assert flows_l_per_h(looks) == [600.0, 800.0, 900.0]
        assert recording.set_aside == {"time not readable": 1}

    def test_both_lines_of_time_are_the_recordings_own(self, tmp_path: Path) -> None:
        file = written(tmp_path, "t_s,out_l_per_h\n2024-03-01T12:00,600\n2024-03-01T12:01,600\n")
        recording = Recording(file, FLOW, "left_tank")
        first = next(recording.moments())
        recording.close()
        assert first == Moment(MARCH_NOON_S, MARCH_NOON_S)

    def test_a_repeated_time_is_told_once_with_its_first_row(self, tmp_path: Path) -> None:
        content = "t_s,out_l_per_h\n0,600\n1,601\n1,602\n1,603\n2,604\n"
        looks, recording = replayed(tmp_path, content, FLOW)
        assert flows_l_per_h(looks) == [600.0, 601.0, 604.0]
        assert recording.set_aside == {"time repeats": 2}

    def test_a_time_that_runs_backwards_is_left_out_until_it_has_caught_up(
        self, tmp_path: Path
    ) -> None:
        content = "t_s,out_l_per_h\n0,600\n10,601\n5,602\n9,603\n10,604\n11,605\n"
        looks, recording = replayed(tmp_path, content, FLOW)
        assert times_s(looks) == [0.0, 10.0, 11.0]
        assert recording.set_aside == {"time runs backwards": 2, "time repeats": 1}


class TestSpans:
    def test_a_row_speaks_for_the_time_since_the_row_before(self, tmp_path: Path) -> None:
        content = "t_s,out_l_per_h\n0,1\n2,1\n4,1\n7,1\n9,1\n"
        looks, _ = replayed(tmp_path, content, FLOW)
        assert spans_s(looks)[1:] == [2.0, 2.0, 3.0, 2.0]

    def test_the_first_row_speaks_for_one_usual_interval(self, tmp_path: Path) -> None:
        looks, _ = replayed(tmp_path, "t_s,out_l_per_h\n0,1\n2,1\n4,1\n7,1\n", FLOW)
        assert spans_s(looks)[0] == 2.0

    def test_after_a_gap_a_row_speaks_for_five_usual_intervals_at_the_most(
        self, tmp_path: Path
    ) -> None:
        rows = [*range(10), 1000, 1001, 1004]
        content = "t_s,out_l_per_h\n" + "".join(f"{t},600\n" for t in rows)
        looks, _ = replayed(tmp_path, content, FLOW)
        assert spans_s(looks)[-3:] == [5.0, 1.0, 3.0]

    def test_the_gap_is_not_made_up_for(self, tmp_path: Path) -> None:
        rows = [*range(10), 1000, 1001]
        content = "t_s,out_l_per_h\n" + "".join(f"{t},600\n" for t in rows)
        looks, _ = replayed(tmp_path, content, FLOW)
        assert times_s(looks) == [float(t) for t in rows]


class TestCells:
    @pytest.mark.parametrize("cell", ["", " ", "nan", "NaN", "inf", "-inf", "1e999", "off", "1,5"])
    def test_a_flow_that_is_no_number_is_missing(self, tmp_path: Path, cell: str) -> None:
        quoted = f'"{cell}"'
        content = f"t_s,out_l_per_h\n0,600\n1,{quoted}\n2,601\n"
        looks, recording = replayed(tmp_path, content, FLOW)
        assert looks[1][1] == (FlowReading("left_tank", 1.0, None, Quality.MISSING),)
        assert flows_l_per_h(looks) == [600.0, None, 601.0]
        assert not recording.set_aside

    def test_a_flow_of_zero_is_data(self, tmp_path: Path) -> None:
        looks, _ = replayed(tmp_path, "t_s,out_l_per_h\n0,0\n1,0\n", FLOW)
        assert looks[1][1] == (FlowReading("left_tank", 1.0, 0.0, Quality.GOOD),)

    @pytest.mark.parametrize("cell", ["", "nan", "cold"])
    def test_a_temperature_that_is_no_number_is_missing_and_the_flow_stands(
        self, tmp_path: Path, cell: str
    ) -> None:
        content = f"t_s,out_l_per_h,temp_c\n0,600,25\n1,600,{cell}\n"
        looks, _ = replayed(tmp_path, content, WARM_FLOW)
        flow, warmth = looks[1][1]
        assert flow.quality is Quality.GOOD
        assert warmth == TemperatureReading("left_tank", None, Quality.MISSING)

    def test_zero_degrees_is_data(self, tmp_path: Path) -> None:
        content = "t_s,out_l_per_h,temp_c\n0,600,0\n1,600,0\n"
        looks, _ = replayed(tmp_path, content, WARM_FLOW)
        assert looks[1][1][1] == TemperatureReading("left_tank", 0.0, Quality.GOOD)

    @pytest.mark.parametrize(("unit", "cell"), [("degC", "25"), ("degF", "77"), ("K", "298.15")])
    def test_temperature_is_delivered_in_degrees_celsius(
        self, tmp_path: Path, unit: str, cell: str
    ) -> None:
        columns = Columns("t_s", "out_l_per_h", "L/h", None, "temp", unit)
        content = f"t_s,out_l_per_h,temp\n0,600,{cell}\n1,600,{cell}\n"
        looks, _ = replayed(tmp_path, content, columns)
        reading = looks[0][1][1]
        assert isinstance(reading, TemperatureReading)
        assert reading.temperature_c == pytest.approx(25.0)

    def test_short_rows_are_set_aside(self, tmp_path: Path) -> None:
        content = "t_s,out_l_per_h,temp_c\n0,600,25\n1,600\n2\n3,600,25\n"
        looks, recording = replayed(tmp_path, content, WARM_FLOW)
        assert times_s(looks) == [0.0, 3.0]
        assert recording.set_aside == {"too few fields": 2}

    def test_long_rows_and_blank_lines_do_no_harm(self, tmp_path: Path) -> None:
        content = "t_s,out_l_per_h\n0,600,extra\n\n1,601,,,\n\n"
        looks, recording = replayed(tmp_path, content, FLOW)
        assert flows_l_per_h(looks) == [600.0, 601.0]
        assert not recording.set_aside

    def test_a_row_cut_off_at_the_end_of_the_file_is_set_aside(self, tmp_path: Path) -> None:
        looks, recording = replayed(tmp_path, "t_s,out_l_per_h\n0,600\n1,600\n2", FLOW)
        assert len(looks) == 2
        assert recording.set_aside == {"too few fields": 1}

    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
    def test_every_end_of_line_is_known(self, tmp_path: Path, end: str) -> None:
        content = end.join(["t_s,out_l_per_h", "0,600", "1,601", ""])
        looks, _ = replayed(tmp_path, content, FLOW)
        assert flows_l_per_h(looks) == [600.0, 601.0]

    def test_bytes_that_are_no_text_spoil_only_their_own_cell(self, tmp_path: Path) -> None:
        content = b"t_s,out_l_per_h\n0,600\n1,\xff\xfe\x00\n2,601\n"
        looks, _ = replayed(tmp_path, content, FLOW)
        assert flows_l_per_h(looks) == [600.0, None, 601.0]


class TestPulses:
    def test_pulses_are_counts_since_the_row_before(self, tmp_path: Path) -> None:
        looks, _ = replayed(tmp_path, "t_s,pulses\n0,75\n1,0\n2,76\n", PULSES)
        assert [batch for _, batch in looks] == [
            (PulseReading("left_tank", 1.0, 75),),
            (PulseReading("left_tank", 1.0, 0),),
            (PulseReading("left_tank", 1.0, 76),),
        ]

    @pytest.mark.parametrize("cell", ["", "nan", "-1", "1e12", "many"])
    def test_a_count_that_cannot_be_is_missing(self, tmp_path: Path, cell: str) -> None:
        looks, _ = replayed(tmp_path, f"t_s,pulses\n0,75\n1,{cell}\n", PULSES)
        assert looks[1][1] == (PulseReading("left_tank", 1.0, 0, Quality.MISSING),)


class TestReading:
    def test_flow_comes_before_temperature_and_only_once(self, tmp_path: Path) -> None:
        file = written(tmp_path, "t_s,out_l_per_h,temp_c\n0,600,25\n1,601,25\n")
        recording = Recording(file, WARM_FLOW, "left_tank")
        now = next(recording.moments())
        assert [type(r) for r in recording.read(now)] == [FlowReading, TemperatureReading]
        assert recording.read(now) == ()
        recording.close()

    def test_health_tells_what_was_set_aside_and_why(self, tmp_path: Path) -> None:
        content = "t_s,out_l_per_h\n0,600\nsoon,600\n1\n1,601\n1,602\n0.5,603\n2,604\n"
        looks, recording = replayed(tmp_path, content, FLOW)
        health = recording.health(Moment(2.0, 2.0))
        assert len(looks) == 3
        assert health.working
        assert health.line.startswith("3 rows read, 4 set aside: ")
        for why in (
            "1 × time not readable",
            "1 × too few fields",
            "1 × time repeats",
            "1 × time runs backwards",
        ):
            assert why in health.line

    def test_health_of_a_clean_recording_counts_its_rows(self, tmp_path: Path) -> None:
        _, recording = replayed(tmp_path, "t_s,out_l_per_h\n0,600\n1,601\n", FLOW)
        health = recording.health(Moment(1.0, 1.0))
        assert (health.working, health.line, health.remedy) == (True, "2 rows read", "")

    def test_the_first_time_is_kept(self, tmp_path: Path) -> None:
        _, recording = replayed(tmp_path, "t_s,out_l_per_h\n7,600\n8,601\n", FLOW)
        assert recording.first_s == 7.0


class TestHeader:
    def test_a_byte_order_mark_is_no_part_of_the_first_name(self, tmp_path: Path) -> None:
        looks, _ = replayed(tmp_path, b"\xef\xbb\xbft_s,out_l_per_h\n0,600\n1,601\n", FLOW)
        assert len(looks) == 2

    def test_quotes_and_blanks_are_no_part_of_a_name(self, tmp_path: Path) -> None:
        looks, _ = replayed(tmp_path, '"t_s", out_l_per_h \n"0","600"\n"1","601"\n', FLOW)
        assert flows_l_per_h(looks) == [600.0, 601.0]

    def test_the_order_of_the_columns_is_free(self, tmp_path: Path) -> None:
        content = "temp_c,note,out_l_per_h,t_s\n25,x,600,0\n25,y,601,1\n"
        looks, _ = replayed(tmp_path, content, WARM_FLOW)
        assert flows_l_per_h(looks) == [600.0, 601.0]


class TestFilesThatCannotBeReplayed:
    def refused(self, folder: Path, content: str | bytes, columns: Columns = FLOW) -> str:
        file = written(folder, content)
        with pytest.raises(RecordingError) as caught:
            replayed(folder, content, columns)
        line = str(caught.value)
        assert line.startswith(f"{file}: ")
        assert len(line.splitlines()) == 1
        assert caught.value.exit_code == 2
        return line

    def test_an_empty_file(self, tmp_path: Path) -> None:
        assert "is empty" in self.refused(tmp_path, b"")

    def test_only_a_byte_order_mark(self, tmp_path: Path) -> None:
        assert "is empty" in self.refused(tmp_path, b"\xef\xbb\xbf")

    @pytest.mark.parametrize(
        "rows", ["", "0,600\n", "0,600\n0,601\n", "5,600\n4,601\n", "soon,600\nlater,601\n"]
    )
    def test_fewer_than_two_rows_with_rising_times(self, tmp_path: Path, rows: str) -> None:
        line = self.refused(tmp_path, "t_s,out_l_per_h\n" + rows)
        assert "fewer than two rows with rising times in column t_s" in line

    @pytest.mark.parametrize(
        ("columns", "name"),
        [
            (Columns("when", "out_l_per_h", "L/h", None, None, "degC"), "when"),
            (Columns("t_s", "inlet", "L/h", None, None, "degC"), "inlet"),
            (Columns("t_s", None, "", "clicks", None, "degC"), "clicks"),
            (Columns("t_s", "out_l_per_h", "L/h", None, "warmth", "degC"), "warmth"),
        ],
    )
    def test_a_column_that_is_not_there_is_named_beside_those_that_are(
        self, tmp_path: Path, columns: Columns, name: str
    ) -> None:
        line = self.refused(tmp_path, "t_s,out_l_per_h\n0,600\n1,601\n", columns)
        assert line.endswith(f"no column {name}; its columns are t_s, out_l_per_h")

    def test_another_separator_is_no_csv_of_ours(self, tmp_path: Path) -> None:
        assert "no column t_s" in self.refused(tmp_path, "t_s;out_l_per_h\n0;600\n1;601\n")

    def test_a_file_of_random_bytes(self, tmp_path: Path) -> None:
        content = bytes(index * index % 251 for index in range(40_000))
        with pytest.raises(RecordingError, match="no column t_s"):
            replayed(tmp_path, content, FLOW)

    def test_a_field_without_an_end(self, tmp_path: Path) -> None:
        content = b't_s,out_l_per_h\n0,600\n1,"' + b"x" * 200_000
        assert "not CSV" in self.refused(tmp_path, content)

    def test_a_file_that_is_not_there(self, tmp_path: Path) -> None:
        recording = Recording(tmp_path / "none.csv", FLOW, "left_tank")
        with pytest.raises(RecordingError, match=r"none\.csv: cannot be read: .+; name a CSV file"):
            recording.start()

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(RecordingError, match="cannot be read"):
            Recording(tmp_path, FLOW, "left_tank").start()


FILE = Path("pond.csv")
# Volume of one unit in m³/s, worked out from its definition; mass is of water of 1000 kg/m³.
GALLON_M3 = 231 * 0.0254**3
UNITS_M3_PER_S = {
    "m3/s": 1.0,
    "m3/h": 1 / 3600,
    "L/s": 1e-3,
    "L/min": 1e-3 / 60,
    "L/h": 1e-3 / 3600,
    "kg/s": 1e-3,
    "kg/h": 1e-3 / 3600,
    "gal/min": GALLON_M3 / 60,
    "gal/h": GALLON_M3 / 3600,
}


class TestUnitFromTheName:
    @pytest.mark.parametrize(
        ("name", "unit"),
        [
            ("flow_m3_per_s", "m3/s"),
            ("flow_m3_s", "m3/s"),
            ("flow_m3_per_h", "m3/h"),
            ("flow_m3_h", "m3/h"),
            ("flow_l_per_h", "L/h"),
            ("flow_lph", "L/h"),
            ("flow_l_h", "L/h"),
            ("flow_l_per_min", "L/min"),
            ("flow_lpm", "L/min"),
            ("flow_l_min", "L/min"),
            ("flow_l_per_s", "L/s"),
            ("flow_lps", "L/s"),
            ("flow_l_s", "L/s"),
            ("outlet_kg_per_s", "kg/s"),
            ("outlet_kg_s", "kg/s"),
            ("outlet_kg_per_h", "kg/h"),
            ("outlet_kg_h", "kg/h"),
            ("flow_gal_per_min", "gal/min"),
            ("flow_gpm", "gal/min"),
            ("flow_gal_min", "gal/min"),
            ("flow_gal_per_h", "gal/h"),
            ("flow_gph", "gal/h"),
            ("flow_gal_h", "gal/h"),
            ("Flow (L/h)", "L/h"),
            ("Flow [m3/h]", "m3/h"),
            ("FLOW-LPM", "L/min"),
        ],
    )
    def test_a_flow(self, tmp_path: Path, name: str, unit: str) -> None:
        columns = choose(["t_s", name], FILE)
        assert (columns.flow, columns.flow_unit) == (name, unit)
        looks, _ = replayed(tmp_path, f"t_s,{name}\n0,2\n1,2\n", columns)
        (reading,) = looks[0][1]
        assert isinstance(reading, FlowReading)
        assert reading.flow_m3_per_s == pytest.approx(2 * UNITS_M3_PER_S[unit], rel=1e-9)

    @pytest.mark.parametrize(
        ("name", "unit"),
        [
            ("temp_c", "degC"),
            ("temp_degc", "degC"),
            ("water_temp_celsius", "degC"),
            ("Temp (°C)", "degC"),
            ("temp_f", "degF"),
            ("temp_degf", "degF"),
            ("temperature_k", "K"),
        ],
    )
    def test_a_temperature(self, name: str, unit: str) -> None:
        columns = choose(["t_s", "out_l_per_h", name], FILE)
        assert (columns.temperature, columns.temperature_unit) == (name, unit)

    def test_two_temperatures_are_not_guessed_between(self) -> None:
        columns = choose(["t_s", "out_l_per_h", "temp_in_c", "temp_out_c"], FILE)
        assert columns.temperature is None

    def test_a_flow_without_a_unit_needs_one(self) -> None:
        with pytest.raises(RecordingError, match="give --flow-unit") as caught:
            choose(["t_s", "flow"], FILE)
        assert all(unit in str(caught.value) for unit in UNITS_M3_PER_S)


class TestChoosing:
    @pytest.mark.parametrize(
        "name", ["time", "datetime", "timestamp", "date_time", "t_s", "time_s", "seconds", "Time"]
    )
    def test_time_is_known_by_its_usual_names(self, name: str) -> None:
        assert choose([name, "out_l_per_h"], FILE).time == name

    @pytest.mark.parametrize("name", ["pulses", "pulse_count", "counts", "Pulses"])
    def test_pulses_are_known_by_their_usual_names(self, name: str) -> None:
        columns = choose(["t_s", name], FILE)
        assert (columns.flow, columns.pulses) == (None, name)

    def test_a_given_flow_unit_overrides_the_name(self) -> None:
        columns = choose(["t_s", "out_l_per_h"], FILE, flow_unit="gal/h")
        assert columns.flow_unit == "gal/h"

    def test_a_given_flow_unit_serves_a_name_without_one(self) -> None:
        columns = choose(["t_s", "flow"], FILE, flow_unit="L/min")
        assert (columns.flow, columns.flow_unit) == ("flow", "L/min")

    def test_a_given_temperature_unit_overrides_the_name(self) -> None:
        header = ["t_s", "out_l_per_h", "temp_c"]
        assert choose(header, FILE, temperature_unit="K").temperature_unit == "K"

    def test_given_names_override_what_could_be_guessed(self) -> None:
        header = ["t_s", "seconds", "in_l_per_h", "out_l_per_h", "temp_in_c", "temp_out_f"]
        columns = choose(header, FILE, time="seconds", flow="out_l_per_h", temperature="temp_out_f")
        assert columns == Columns("seconds", "out_l_per_h", "L/h", None, "temp_out_f", "degF")

    def test_a_given_flow_wins_over_a_column_of_pulses(self) -> None:
        columns = choose(["t_s", "pulses", "out_l_per_h"], FILE, flow="out_l_per_h")
        assert (columns.flow, columns.pulses) == ("out_l_per_h", None)

    @pytest.mark.parametrize(
        ("header", "asked", "says"),
        [
            (
                ["a", "out_l_per_h"],
                {},
                "name the column with --time: its columns are a, out_l_per_h",
            ),
            (["t_s", "time", "out_l_per_h"], {}, "--time: could be t_s or time"),
            (["t_s", "a_l_per_h", "b_l_per_h"], {}, "could be a_l_per_h or b_l_per_h"),
            (["t_s", "depth"], {}, "name the column with --flow or --pulses"),
            (["t_s", "a_l_per_h"], {"flow": "b", "flow_unit": "L/h"}, "no column b; its columns"),
            (
                ["t_s", "a_l_per_h"],
                {"time": "when"},
                "no column when; its columns are t_s, a_l_per_h",
            ),
            (["t_s", "a_l_per_h"], {"pulses": "clicks"}, "no column clicks"),
            (["t_s", "a_l_per_h"], {"temperature": "warmth"}, "no column warmth"),
            (["t_s", "a"], {"flow": "a", "pulses": "a"}, "either --flow or --pulses, not both"),
            (["t_s", "a_l_per_h"], {"flow_unit": "l/h"}, "--flow-unit l/h: expected one of m3/s"),
            (
                ["t_s", "a_l_per_h"],
                {"temperature_unit": "C"},
                "--temperature-unit C: expected one of degC, degF, K",
            ),
        ],
    )
    def test_what_cannot_be_chosen_is_told_in_one_line(
        self, header: list[str], asked: dict[str, str], says: str
    ) -> None:
        with pytest.raises(RecordingError) as caught:
            choose(header, FILE, **asked)
        assert says in str(caught.value)
        assert len(str(caught.value).splitlines()) == 1

    def test_the_header_of_a_file_can_be_chosen_from_as_it_is_read(self, tmp_path: Path) -> None:
        file = written(
            tmp_path, '"Timestamp","Outlet flow (L/min)","Water temp (°F)"\n0,10,77\n1,10,77\n'
        )
        with file.open(encoding="utf-8", newline="") as stream:
            columns = choose(next(csv.reader(stream)), file)
        recording = Recording(file, columns, "left_tank")
        (_, (flow, warmth)), *_ = played(recording)
        recording.close()
        assert isinstance(flow, FlowReading)
        assert isinstance(warmth, TemperatureReading)
        assert flow.flow_m3_per_s == pytest.approx(0.010 / 60)
        assert warmth.temperature_c == pytest.approx(25.0)
