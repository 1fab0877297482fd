"""Which file is read, what the environment overrides, and where the password comes from."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.errors import SettingsError
from monitor.settings.figure import certain
from monitor.settings.load import DEFAULT_FILE, chosen_file, load, password
from monitor.settings.model import SettingsTree
from monitor.settings.outward import MqttSettings

Loaded = Callable[[str], SettingsTree]
Problems = Callable[[str], tuple[str, ...]]
LEFT = "CANISTER_FILTERS__LEFT__"
PUMP = "\n[filters.left.pump]\nrated_flow_l_per_h = 1000\nmax_head_m = 1.5\n"
SECRET = "tr0ut-and-perch"


# The file --------------------------------------------------------------------------------------


def test_a_file_named_on_the_command_line_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CANISTER_CONFIG", "/somewhere/else.toml")
    assert chosen_file(Path("mine.toml")) == Path("mine.toml")
    assert chosen_file(None) == Path("/somewhere/else.toml")


def test_without_a_name_the_usual_file_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    assert chosen_file(None) == DEFAULT_FILE
    monkeypatch.setenv("CANISTER_CONFIG", "")
    assert chosen_file(None) == DEFAULT_FILE


def test_the_file_named_by_the_environment_is_read(
    monkeypatch: pytest.MonkeyPatch, file: Path, minimal: str
) -> None:
    file.write_text(minimal)
    monkeypatch.setenv("CANISTER_CONFIG", str(file))
    monkeypatch.setenv("CANISTER_FLEET_CONFIG", "/of/a/hub/on/the/same/machine.toml")
    assert load().file == file
    assert load().tree.site.id == "fish_room"


def test_a_missing_file_is_an_error_that_says_what_to_do(file: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        load(file)
    (line,) = caught.value.problems
    assert line.startswith(f"{file}: no such file; copy deploy/canister.reference.toml there")
    assert "--config or CANISTER_CONFIG" in line
    assert caught.value.exit_code == 2


def test_a_folder_is_not_a_configuration(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no such file"):
        load(tmp_path)


def test_broken_toml_names_file_and_line(problems: Problems, file: Path, minimal: str) -> None:
    (line,) = problems(minimal + "[filters.left.pump\n")
    assert line.startswith(f"{file}: not valid TOML: ")
    assert "line 9" in line


def test_a_key_given_twice_is_broken_toml(problems: Problems, minimal: str) -> None:
    (line,) = problems(minimal + "pin = 3\n")
    assert "not valid TOML" in line


def test_text_that_is_not_utf_8_is_refused(file: Path) -> None:
    file.write_bytes(b'[site]\nname = "B\xe4che"\n')
    with pytest.raises(SettingsError, match="cannot be read: not UTF-8 text"):
        load(file)


def test_defaults_stand_where_nothing_is_written(loaded: Loaded, minimal: str) -> None:
    tree = loaded(minimal)
    left = tree.filters["left"]
    assert list(tree.filters) == ["left", "right"]
    assert tree.mqtt is None
    assert left.pump is None
    assert left.probe is None
    assert left.flow_sensor.pulses_per_litre == 450.0
    assert left.limits.cleaning_due_share == 0.75


def test_zero_is_a_value_and_not_a_default(loaded: Loaded, minimal: str) -> None:
    tree = loaded(
        minimal.replace("pin = 17", "pin = 0\nloss_coefficient = 0")
        + "[filters.left.limits]\nflow_low_hold_s = 0\n"
        + "[filters.left.tank]\ntemperature_c = 0\n"
    )
    left = tree.filters["left"]
    assert left.flow_sensor.pin == 0
    assert left.flow_sensor.loss_coefficient.value == 0.0
    assert left.limits.flow_low_hold_s == 0.0
    assert left.tank.temperature_c.value == 0.0


def test_media_keep_the_order_in_which_they_are_written(loaded: Loaded, minimal: str) -> None:
    names = ["rings", "coarse", "fine", "bio"]
    media = "".join(
        f'[filters.left.media.{name}]\nmaterial = "floss"\ndepth_mm = 20\n' for name in names
    )
    assert list(loaded(minimal + media).filters["left"].media) == names


def test_settings_cannot_be_changed(loaded: Loaded, minimal: str) -> None:
    tree = loaded(minimal)
    with pytest.raises(ValueError, match="frozen"):
        tree.site.id = "other"


# The environment -------------------------------------------------------------------------------


def test_the_environment_overrides_one_key_and_leaves_the_rest(
    monkeypatch: pytest.MonkeyPatch, loaded: Loaded, minimal: str
) -> None:
    monkeypatch.setenv(LEFT + "PUMP__MAX_HEAD_M", "2.5")
    monkeypatch.setenv("CANISTER_SITE__NAME", "Fish room")
    tree = loaded(minimal + PUMP)
    pump = tree.filters["left"].pump
    assert pump is not None
    assert (pump.max_head_m, pump.rated_flow_l_per_h) == (certain(2.5), certain(1000.0))
    assert (tree.site.id, tree.site.name) == ("fish_room", "Fish room")


def test_measured_points_come_from_the_environment_as_json(
    monkeypatch: pytest.MonkeyPatch, loaded: Loaded, minimal: str
) -> None:
    monkeypatch.setenv(LEFT + "PUMP__POINTS", "[[0, 1.5], [500, 1.1], [950, 0.1]]")
    pump = loaded(minimal).filters["left"].pump
    assert pump is not None
    assert pump.points == [(0.0, 1.5), (500.0, 1.1), (950.0, 0.1)]


def test_the_environment_adds_a_table_that_the_file_leaves_out(
    monkeypatch: pytest.MonkeyPatch, loaded: Loaded, minimal: str
) -> None:
    monkeypatch.setenv("CANISTER_MQTT__HOST", "broker.lan")
    monkeypatch.setenv("CANISTER_MQTT__TLS__ENABLED", "true")
    monkeypatch.setenv(LEFT + "PROBE__ROM_ID", "28-0123456789ab")
    tree = loaded(minimal)
    assert tree.mqtt is not None
    assert tree.mqtt.host == "broker.lan"
    assert tree.mqtt.tls.enabled is True
    probe = tree.filters["left"].probe
    assert probe is not None
    assert probe.rom_id == "28-0123456789ab"


def test_text_from_the_environment_stays_text(
    monkeypatch: pytest.MonkeyPatch, loaded: Loaded, minimal: str
) -> None:
    """A name or a password that looks like a number, a list or a word of JSON."""
    monkeypatch.setenv(LEFT + "NAME", "123")
    monkeypatch.setenv("CANISTER_FILTERS__RIGHT__NAME", "true")
    monkeypatch.setenv("CANISTER_MQTT__HOST", "h")
    monkeypatch.setenv("CANISTER_MQTT__PASSWORD", "[123")
    tree = loaded(minimal)
    assert [f.name for f in tree.filters.values()] == ["123", "true"]
    assert tree.mqtt is not None
    assert password(tree.mqtt) == "[123"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("SITE__UNITZ", "unknown key unitz in site; the nearest known is CANISTER_SITE__UNITS"),
        ("SIT__NAME", "unknown key sit; the nearest known is CANISTER_SITE"),
        ("CONFG", "unknown key confg; "),
        (
            "FILTERS__LEFT__LIMITS__FLOW_LOW_SHAR",
            "unknown key flow_low_shar in filters.left.limits; "
            "the nearest known is CANISTER_FILTERS__LEFT__LIMITS__FLOW_LOW_SHARE",
        ),
        (
            "FILTERS__LEFT__PUMPE__MAX_HEAD_M",
            "unknown key pumpe in filters.left; the nearest known is CANISTER_FILTERS__LEFT__PUMP",
        ),
        ("FILTERS__LFT__NAME", "no filter lft in the file; the nearest known is left"),
        ("FILTERS__LEFT", "names a table, not a key; add the key after two underscores"),
    ],
)
def test_an_unknown_environment_name_suggests_the_nearest(
    monkeypatch: pytest.MonkeyPatch, problems: Problems, minimal: str, name: str, said: str
) -> None:
    monkeypatch.setenv(f"CANISTER_{name}", "1")
    (line,) = problems(minimal)
    assert line.startswith(f"environment variable CANISTER_{name}: {said}")


def test_unknown_environment_names_come_with_the_problems_of_the_file(
    monkeypatch: pytest.MonkeyPatch, problems: Problems, file: Path, minimal: str
) -> None:
    monkeypatch.setenv("CANISTER_SITE__IDD", "x")
    monkeypatch.setenv("CANISTER_STORAGE__FOLDR", "x")
    lines = problems(minimal.replace("pin = 27", "pin = 17"))
    assert len(lines) == 3
    assert "CANISTER_SITE__IDD" in lines[0]
    assert "CANISTER_STORAGE__FOLDR" in lines[1]
    assert lines[2].startswith(f"{file}: filters.right.flow_sensor.pin: ")


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("PUMP__MAX_HEAD_M", "-1", "pump.max_head_m: got -1, expected more than 0 m"),
        (
            "PUMP__MAX_HEAD_M",
            "high",
            "pump.max_head_m: got 'high', expected a number, or a range [low, high]",
        ),
        ("PUMP__MAX_HEAD_M", "nan", "pump.max_head_m: got 'nan', expected a finite number"),
        ("PUMP__POINTS", "[[0, 1.5], [9, 1]]", "expected at least 3 entries"),
        ("PUMP__POINTS", "many", "pump.points: got 'many', expected a list as JSON text"),
        ("PUMP__POINTS", "[[0, 1.5], [9", "pump.points: got '[[0, 1.5], [9'"),
        ("FLOW_SENSOR__PIN", "28", "flow_sensor.pin: got '28', expected 27 or less"),
        ("PROBE__ROM_ID", "28-zz", "probe.rom_id: got '28-zz', expected 28- and twelve"),
    ],
)
def test_a_bad_value_from_the_environment_names_its_variable(
    monkeypatch: pytest.MonkeyPatch,
    problems: Problems,
    minimal: str,
    name: str,
    value: str,
    said: str,
) -> None:
    monkeypatch.setenv(LEFT + name, value)
    (line,) = problems(minimal)
    assert line.startswith(f"environment variable {LEFT}{name}: filters.left.")
    assert said in line


def test_a_pin_from_the_environment_may_not_clash_with_one_in_the_file(
    monkeypatch: pytest.MonkeyPatch, problems: Problems, minimal: str
) -> None:
    monkeypatch.setenv("CANISTER_FILTERS__RIGHT__FLOW_SENSOR__PIN", "17")
    (line,) = problems(minimal)
    assert line.startswith("environment variable CANISTER_FILTERS__RIGHT__FLOW_SENSOR__PIN: ")
    assert "GPIO pin 17 already belongs to filter left" in line


# The sizing model's opinion ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("added", "said"),
    [
        ("[filters.left.pump]\nmax_head_m = 1.5\n", "pump: expected rated_flow_l_per_h and"),
        (PUMP + "points = [[0, 1.5], [500, 1.1], [900, 0.2]]\n", "pump: give either points or"),
        (
            "[filters.left.pump]\npoints = [[0, 1.5], [500, 1.6], [900, 0.2]]\n",
            "pump: measured points must fall with flow",
        ),
        (
            PUMP + '[filters.left.media.a]\nmaterial = "gravel"\ndepth_mm = 30\n',
            'media a: unknown material "gravel"; expected one of: large rings',
        ),
        (
            PUMP + '[filters.left.fittings.a]\nkind = "other"\nbore_mm = 16\n',
            'fitting a: kind "other" needs loss_coefficient',
        ),
        (
            PUMP + '[filters.left.fittings.a]\nkind = "barb"\nbore_mm = 12\n',
            "fitting a: a barb needs hose_bore_mm",
        ),
    ],
)
def test_parts_that_are_impossible_together_are_found(
    problems: Problems, file: Path, minimal: str, added: str, said: str
) -> None:
    (line,) = problems(minimal + added)
    assert line.startswith(f"{file}: filters.left: {said}")


def test_that_opinion_is_not_asked_for_where_it_is_not_wanted(file: Path, minimal: str) -> None:
    file.write_text(minimal + "[filters.left.pump]\nmax_head_m = 1.5\n")
    assert load(file, sound=False).tree.filters["left"].pump is not None


def test_each_impossible_filter_gets_its_line(problems: Problems, minimal: str) -> None:
    half = "[filters.{}.pump]\nmax_head_m = 1.5\n"
    lines = problems(minimal + half.format("left") + half.format("right"))
    assert [line.split(": ")[1] for line in lines] == ["filters.left", "filters.right"]


# The password ----------------------------------------------------------------------------------


def test_the_password_is_read_from_the_settings(loaded: Loaded, minimal: str) -> None:
    tree = loaded(f'{minimal}[mqtt]\nhost = "h"\npassword = "{SECRET}"\n')
    assert tree.mqtt is not None
    assert password(tree.mqtt) == SECRET


def test_no_password_is_none() -> None:
    assert password(MqttSettings(host="h")) is None


def test_the_password_is_the_first_line_of_its_file(tmp_path: Path) -> None:
    kept = tmp_path / "password"
    kept.write_text(f"{SECRET}\nsomething else\n")
    assert password(MqttSettings(host="h", password_file=str(kept))) == SECRET


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "cannot read .*: No such file"),
        (b"", "is empty; put the password on line 1"),
        (b"\nsecond line\n", "is empty; put the password on line 1"),
        (b"\xff\xfe\x00", "cannot read .*: not UTF-8 text"),
    ],
)
def test_a_password_file_that_holds_none_is_an_error(
    tmp_path: Path, content: bytes | None, said: str
) -> None:
    kept = tmp_path / "password"
    if content is not None:
        kept.write_bytes(content)
    with pytest.raises(SettingsError, match=f"^mqtt.password_file: .*{said}"):
        password(MqttSettings(host="h", password_file=str(kept)))


def test_the_password_is_never_shown(loaded: Loaded, minimal: str) -> None:
    tree = loaded(f'{minimal}[mqtt]\nhost = "h"\npassword = "{SECRET}"\n')
    assert tree.mqtt is not None
    for shown in (repr(tree), str(tree), repr(tree.mqtt), str(tree.mqtt), tree.model_dump_json()):
        assert SECRET not in shown


@pytest.mark.parametrize(
    "table",
    [
        f'host = "h"\npasword = "{SECRET}"\n',
        f'password = "{SECRET}"\n',
        f'host = "h"\npassword = "{SECRET}"\npassword_file = "/x"\n',
        f'host = ""\npassword = "{SECRET}"\n',
    ],
    ids=["misspelt key", "no host", "given twice", "empty host"],
)
def test_no_problem_shows_the_password(problems: Problems, minimal: str, table: str) -> None:
    lines = problems(f"{minimal}[mqtt]\n{table}")
    assert all(SECRET not in line for line in lines)


def test_a_password_from_the_environment_is_not_shown_either(
    monkeypatch: pytest.MonkeyPatch, problems: Problems, minimal: str
) -> None:
    monkeypatch.setenv("CANISTER_MQTT__PASSWORD", SECRET)
    (line,) = problems(minimal)
    assert "mqtt.host: missing" in line
    assert SECRET not in line


def test_one_pin_is_one_pin_however_it_is_written(
    problems: Problems, minimal: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = problems(minimal.replace("pin = 27", "pin = 17.0"))
    assert any("GPIO pin 17 already belongs to filter left" in line for line in said)
    monkeypatch.setenv("CANISTER_FILTERS__RIGHT__FLOW_SENSOR__PIN", "017")
    said = problems(minimal)
    assert any("GPIO pin 17 already belongs to filter left" in line for line in said)


def test_true_is_no_pin(problems: Problems, minimal: str) -> None:
    (line,) = problems(minimal.replace("pin = 27", "pin = true"))
    assert "filters.right.flow_sensor.pin: got True, expected something other than true" in line


def test_a_password_of_digits_is_not_shown(problems: Problems, minimal: str) -> None:
    (line,) = problems(f'{minimal}[mqtt]\nhost = "h"\npassword = 98765\n')
    assert "mqtt.password" in line
    assert "98765" not in line


def test_an_empty_password_beside_a_file_is_a_clash(problems: Problems, minimal: str) -> None:
    text = f'{minimal}[mqtt]\nhost = "h"\npassword = ""\npassword_file = "/nowhere"\n'
    assert any("beside mqtt.password_file" in line for line in problems(text))


def test_a_bad_entry_of_a_list_names_the_variable_it_came_from(
    problems: Problems, minimal: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CANISTER_RIG__FAULTS", '["stall", 3]')
    (line,) = problems(minimal)
    assert line.startswith("environment variable CANISTER_RIG__FAULTS: rig.faults.1: got 3")


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("CANISTER_SITE", "x", "names a table, not a key"),
        ("CANISTER_RIG__FAULTS", "stall@20s", "expected a list as JSON text"),
        ("canister_sit__name", "x", "write it in capitals: CANISTER_SIT__NAME"),
        ("CANISTER_SITE__ID__X", "x", "goes too deep: site.id is a key"),
    ],
)
def test_a_name_that_means_nothing_is_named_and_hides_no_other_problem(
    problems: Problems,
    minimal: str,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    value: str,
    said: str,
) -> None:
    monkeypatch.setenv(name, value)
    monkeypatch.setenv("CANISTER_FILTERS__LEFT__FLOW_SENSOR__PIN", "99")
    lines = problems(minimal)
    assert any(line.startswith(f"environment variable {name}: ") and said in line for line in lines)
    assert any("flow_sensor.pin: got '99'" in line for line in lines)


def test_an_outlet_above_the_pumps_reach_is_found(problems: Problems, minimal: str) -> None:
    text = (
        f"{minimal}[filters.left.pump]\nrated_flow_l_per_h = 1000\nmax_head_m = 1.5\n"
        "[filters.left.outlet]\nheight_above_surface_m = 2\n"
    )
    (line,) = problems(text)
    assert "filters.left: no flow: the pump's maximum head of 1.5 m" in line
