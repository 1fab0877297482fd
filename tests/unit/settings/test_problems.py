"""Every mistake in a configuration gets one clear line, and all of them come at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.settings.model import SettingsTree
from monitor.settings.problems import crossed, explain

Loaded = Callable[[str], SettingsTree]
Problems = Callable[[str], tuple[str, ...]]
PROBE = '[filters.{}.probe]\nrom_id = "{}"\n'


def filters(count: int) -> str:
    text = '[site]\nid = "fish_room"\n'
    return text + "".join(f"[filters.f{n}.flow_sensor]\npin = {n}\n" for n in range(count))


# One mistake -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("added", "key", "nearest"),
    [
        ("[filtrs]\n", "filtrs", "the nearest known is filters"),
        ("[storage]\nfoldr = 'x'\n", "storage.foldr", "the nearest known is folder"),
        (
            "[filters.left.pump]\nmax_head = 1\n",
            "filters.left.pump.max_head",
            "the nearest known is max_head_m",
        ),
        (
            "[filters.left.limitz]\n",
            "filters.left.limitz",
            "the nearest known is limits",
        ),
        (
            "[filters.left.hoses.a]\nbore_mm = 16\nlength_m = 1\nqqq = 1\n",
            "filters.left.hoses.a.qqq",
            "known here: bore_mm, length_m, wall, side",
        ),
        ('[mqtt]\nhost = "h"\nprot = 1883\n', "mqtt.prot", "the nearest known is port"),
    ],
)
def test_an_unknown_key_suggests_the_nearest(
    problems: Problems, file: Path, minimal: str, added: str, key: str, nearest: str
) -> None:
    (line,) = problems(minimal + added)
    assert line == f"{file}: {key}: unknown key; {nearest}"


@pytest.mark.parametrize(
    ("table", "key", "value", "said"),
    [
        ("pump", "max_head_m", "-1", "got -1, expected more than 0 m"),
        ("pump", "max_head_m", "0", "got 0, expected more than 0 m"),
        ("pump", "max_head_m", "nan", "got nan, expected a finite number"),
        ("pump", "max_head_m", "inf", "got inf, expected a finite number"),
        ("pump", "max_head_m", "101", "got 101, expected 100 or less m"),
        ("pump", "rated_flow_l_per_h", "1e9", "expected 100000 or less L/h"),
        ("pump", "max_head_m", '"high"', "got 'high', expected a number, or a range [low, high]"),
        ("pump", "max_head_m", "[1]", "got [1], expected a number, or a range [low, high]"),
        ("pump", "curve_exponent", "0.5", "expected 1 or more"),
        ("pump", "points", "[[0, 1], [1]]", "points.1.1: missing"),
        ("pump", "points", "[[0, 1], [500, 0.5]]", "expected at least 3 entries"),
        ("pump", "points", "[[0, 1], [5, 0.5], [9, -0.5]]", "got -0.5, expected 0 or more"),
        ("pump", "points", "3", "got 3, expected a list"),
        ("canister", "volume_l", "nan", "got nan, expected a finite number"),
        ("tank", "temperature_c", "41", "got 41, expected 40 or less degC"),
        ("tank", "temperature_c", "-1", "got -1, expected 0 or more degC"),
        ("tank", "salinity_g_per_kg", "46", "got 46, expected 45 or less g/kg"),
        ("outlet", "holes", "0", "got 0, expected 1 or more"),
        ("outlet", "holes", "2.5", "got 2.5, expected a whole number"),
        ("outlet", "kind", '"fall"', "got 'fall', expected 'open', 'spray bar' or 'jet'"),
        ("learning", "learn_min", "0", "got 0, expected 1 or more min"),
        ("limits", "clear_margin", "0.5", "got 0.5, expected 0.3 or less of clean flow"),
        ("limits", "cleaning_due_share", "1.0", "got 1.0, expected less than 1 of clean flow"),
        ("probe", "rom_id", '"28-01234"', "got '28-01234', expected 28- and twelve of 0-9 a-f"),
        ("probe", "rom_id", '"10-0123456789ab"', "expected 28- and twelve of 0-9 a-f"),
        ("probe", "rom_id", '"28-0123456789AB"', "expected 28- and twelve of 0-9 a-f"),
        ("probe", "rom_id", "28", "got 28, expected text in quotes"),
    ],
)
def test_an_impossible_value_says_what_was_expected(
    problems: Problems, file: Path, minimal: str, table: str, key: str, value: str, said: str
) -> None:
    (line,) = problems(f"{minimal}[filters.left.{table}]\n{key} = {value}\n")
    assert line.startswith(f"{file}: filters.left.{table}.{key}")
    assert said in line


@pytest.mark.parametrize("pin", ["-1", "28", "1.5", '"x"'])
def test_an_impossible_pin_is_refused(problems: Problems, minimal: str, pin: str) -> None:
    (line,) = problems(minimal.replace("pin = 27", f"pin = {pin}"))
    assert "filters.right.flow_sensor.pin: got" in line
    assert "GPIO pin, BCM number" in line


@pytest.mark.parametrize(
    ("added", "said"),
    [
        ('[mqtt]\nhost = "h"\nversion = "4"\n', "mqtt.version: got '4', expected '5' or '3.1.1'"),
        ('[mqtt]\nhost = "h"\nport = 0\n', "mqtt.port: got 0, expected 1 or more"),
        ('[mqtt]\nhost = "h"\nkeepalive_s = 3.5\n', "keepalive_s: got 3.5, expected a whole numb"),
        ('[mqtt]\nhost = "h"\ntopic_root = "a b"\n', "expected letters, digits, - and _, levels"),
        ('[mqtt]\nhost = ""\n', "mqtt.host: got '', expected at least 1 character"),
        ("[mqtt]\n", "mqtt.host: missing (Name or address of the broker); add it"),
        ('[mqtt]\nhost = "h"\n[mqtt.tls]\nenabled = "so"\n', "got 'so', expected true or false"),
        ("[storage]\nfolder = 3\n", "storage.folder: got 3, expected text in quotes"),
        ("[filters.left.hoses]\na = 3\n", "filters.left.hoses.a: got 3, expected a table"),
        (
            '[filters.left.fittings.a]\nkind = "bent"\nbore_mm = 16\n',
            "filters.left.fittings.a.kind: got 'bent', expected 'elbow', 'bend', 'barb'",
        ),
    ],
)
def test_other_mistakes(
    problems: Problems, file: Path, minimal: str, added: str, said: str
) -> None:
    (line,) = problems(minimal + added)
    assert line.startswith(f"{file}: ")
    assert said in line


@pytest.mark.parametrize("name", ["Left", "left__low", "2nd", "left-low"])
def test_an_id_is_lower_case_with_single_underscores(
    problems: Problems, minimal: str, name: str
) -> None:
    (line,) = problems(f"{minimal}[filters.{name}.flow_sensor]\npin = 3\n")
    assert f"filters.{name}: got '{name}', expected a lower-case letter" in line


def test_a_missing_key_says_what_it_is(problems: Problems, file: Path, minimal: str) -> None:
    lines = problems(minimal.replace('id = "fish_room"\n', "").replace("pin = 17\n", ""))
    assert lines == (
        f"{file}: site.id: missing (Short name of the site in topics: a-z, 0-9 and _); add it",
        f"{file}: filters.left.flow_sensor.pin: missing (GPIO pin, BCM number); add it",
    )


def test_a_long_value_is_cut(problems: Problems, minimal: str) -> None:
    (line,) = problems(minimal.replace("fish_room", "A" * 500))
    assert "site.id: got 'AAAA" in line
    assert len(line) < 400


# How many filters ------------------------------------------------------------------------------


def test_eight_filters_are_accepted(loaded: Loaded) -> None:
    assert len(loaded(filters(8)).filters) == 8


def test_nine_filters_are_too_many(problems: Problems) -> None:
    (line,) = problems(filters(9))
    assert "filters: got a table of 9, expected at most 8 entries" in line


@pytest.mark.parametrize("added", ["", "[filters]\n"])
def test_no_filter_is_too_few(problems: Problems, added: str) -> None:
    (line,) = problems(filters(0) + added)
    assert "filters: " in line
    assert "missing" in line or "expected at least 1 entry" in line


# Between keys ----------------------------------------------------------------------------------


def test_two_filters_on_one_pin(problems: Problems, file: Path, minimal: str) -> None:
    (line,) = problems(minimal.replace("pin = 27", "pin = 17"))
    assert line == (
        f"{file}: filters.right.flow_sensor.pin: GPIO pin 17 already belongs to filter left; "
        "give each filter its own"
    )


@pytest.mark.parametrize("written", ["27", "27.0", '"27"'])
def test_the_leak_contact_on_a_sensors_pin(
    problems: Problems, file: Path, minimal: str, written: str
) -> None:
    lines = problems(f"{minimal}[leak]\npin = {written}\n")
    assert (
        f"{file}: leak.pin: GPIO pin 27 already belongs to filter right; give the contact its own"
        in lines
    )


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("pin = 28", "leak.pin: got 28"),
        ('pin = 5\nwet_when = "moist"', "leak.wet_when: got 'moist'"),
        ("pin = 5\nhold_s = -1", "leak.hold_s: got -1"),
        ("hold_s = 1", "leak.pin: missing"),
        ("pin = 5\npim = 6", "leak.pim: unknown key"),
    ],
)
def test_a_leak_contact_that_cannot_be(
    problems: Problems, minimal: str, table: str, said: str
) -> None:
    (line,) = problems(f"{minimal}[leak]\n{table}\n")
    assert said in line


def test_pin_zero_is_a_pin(problems: Problems) -> None:
    text = filters(2).replace("pin = 1", "pin = 0")
    (line,) = problems(text)
    assert "filters.f1.flow_sensor.pin: GPIO pin 0 already belongs to filter f0" in line


def test_three_filters_on_one_pin_are_two_problems(problems: Problems) -> None:
    lines = problems(filters(3).replace("pin = 1", "pin = 0").replace("pin = 2", "pin = 0"))
    assert [line.split(": ")[1] for line in lines] == [
        "filters.f1.flow_sensor.pin",
        "filters.f2.flow_sensor.pin",
    ]


def test_two_filters_on_one_probe(problems: Problems, minimal: str) -> None:
    rom = "28-0123456789ab"
    (line,) = problems(minimal + PROBE.format("left", rom) + PROBE.format("right", rom))
    assert f"filters.right.probe.rom_id: probe {rom} already belongs to filter left" in line


@pytest.mark.parametrize(
    ("limits", "key", "said"),
    [
        (
            "flow_low_share = 0.8",
            "flow_low_share",
            "flow_low_share 0.8 must lie below cleaning_due_share 0.75",
        ),
        (
            "cleaning_due_share = 0.4",
            "cleaning_due_share",
            "flow_low_share 0.5 must lie below cleaning_due_share 0.4",
        ),
        (
            "flow_stopped_share = 0.5",
            "flow_stopped_share",
            "flow_stopped_share 0.5 must lie below flow_low_share 0.5",
        ),
    ],
)
def test_limits_in_the_wrong_order(
    problems: Problems, file: Path, minimal: str, limits: str, key: str, said: str
) -> None:
    (line,) = problems(f"{minimal}[filters.left.limits]\n{limits}\n")
    assert line == f"{file}: filters.left.limits.{key}: {said}"


def test_a_limit_and_its_margin_that_leave_no_way_to_clear(
    problems: Problems, minimal: str
) -> None:
    (line,) = problems(
        f"{minimal}[filters.left.limits]\ncleaning_due_share = 0.9\nclear_margin = 0.1\n"
    )
    assert "filters.left.limits.clear_margin" in line
    assert "cleaning_due_share 0.9 plus this margin 0.1 must lie below 1" in line


def test_limits_all_turned_round_are_two_problems(problems: Problems, minimal: str) -> None:
    turned = "cleaning_due_share = 0.2\nflow_low_share = 0.5\nflow_stopped_share = 0.8\n"
    lines = problems(f"{minimal}[filters.left.limits]\n{turned}")
    assert len(lines) == 2


def test_a_password_and_a_password_file(problems: Problems, minimal: str) -> None:
    (line,) = problems(f'{minimal}[mqtt]\nhost = "h"\npassword = "x"\npassword_file = "/y"\n')
    assert "mqtt.password: given beside mqtt.password_file; keep one of them" in line


@pytest.mark.parametrize("key", ["cert_file", "key_file"])
def test_a_certificate_and_its_key_come_together(
    problems: Problems, minimal: str, key: str
) -> None:
    (line,) = problems(f'{minimal}[mqtt]\nhost = "h"\n[mqtt.tls]\n{key} = "/x.pem"\n')
    assert "mqtt.tls: cert_file and key_file come together; give both or neither" in line


def test_a_certificate_with_its_key_is_accepted(loaded: Loaded, minimal: str) -> None:
    tls = 'enabled = true\ncert_file = "/c.pem"\nkey_file = "/k.pem"\n'
    tree = loaded(f'{minimal}[mqtt]\nhost = "h"\n[mqtt.tls]\n{tls}')
    assert tree.mqtt is not None
    assert tree.mqtt.tls.key_file == "/k.pem"


# All at once -----------------------------------------------------------------------------------


def test_a_pin_clash_is_reported_beside_another_mistake(problems: Problems, minimal: str) -> None:
    text = minimal.replace("pin = 27", "pin = 17").replace('id = "fish_room"', 'idd = "fish_room"')
    lines = problems(text)
    assert len(lines) == 3
    assert sum("site.id: missing" in line for line in lines) == 1
    assert sum("site.idd: unknown key" in line for line in lines) == 1
    assert sum("GPIO pin 17 already belongs" in line for line in lines) == 1


def test_every_mistake_of_a_bad_file_is_reported_at_once(problems: Problems) -> None:
    lines = problems(
        """
        [site]
        units = "imperial"
        [mqtt]
        password = "x"
        password_file = "/y"
        [mqtt.tls]
        cert_file = "/c.pem"
        [filters.left]
        nmae = "Left"
        [filters.left.flow_sensor]
        pin = 17
        pulses_per_litre = -450
        [filters.left.probe]
        rom_id = "28-0123456789ab"
        [filters.left.limits]
        flow_low_share = 0.9
        [filters.right.flow_sensor]
        pin = 17
        [filters.right.probe]
        rom_id = "28-0123456789ab"
        [filters.right.tank]
        temperature_c = nan
        """
    )
    keys = sorted(line.split(": ")[1] for line in lines)
    assert keys == [
        "filters.left.flow_sensor.pulses_per_litre",
        "filters.left.limits.flow_low_share",
        "filters.left.nmae",
        "filters.right.flow_sensor.pin",
        "filters.right.probe.rom_id",
        "filters.right.tank.temperature_c",
        "mqtt.host",
        "mqtt.password",
        "mqtt.tls",
        "site.id",
        "site.units",
    ]


@pytest.mark.parametrize("raw", [{}, {"filters": 3}, {"filters": {"a": 1}, "mqtt": "x"}])
def test_tables_that_are_none_do_not_trip_the_search(raw: dict[str, object]) -> None:
    assert crossed(raw, lambda path: "file") == []


def test_a_mistake_without_its_own_words_keeps_those_of_the_library() -> None:
    error = {"type": "new_kind", "loc": ("site", "id"), "msg": "is odd", "input": 1}
    line = explain(error, lambda path: "file")
    assert line.startswith("file: site.id: got 1, expected is odd (Short name")
