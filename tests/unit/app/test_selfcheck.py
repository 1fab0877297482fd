"""What the daemon sees of its own house, on trees of files and certificates made for the test."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest

from monitor.alarms.site import Fact
from monitor.app.selfcheck import SelfCheck, certificate_end_utc_s
from monitor.errors import BrokerError
from monitor.records import AlarmKind, Health, Moment
from monitor.sensing.leak import Floor
from monitor.settings.load import load
from monitor.settings.model import SettingsTree

GIGA = 10**9
FINE = Health("x", True, "fine")


def tree(folder: Path, tables: str = "") -> SettingsTree:
    file = folder / "canister.toml"
    file.write_text(
        f'[site]\nid = "a"\n[storage]\nfolder = "{folder}/state"\n{tables}\n'
        "[filters.left]\nflow_sensor = { pin = 17, bore_mm = 16 }\n",
        encoding="utf-8",
    )
    return load(file).tree


def certificate(folder: Path, days: int) -> Path:
    file = folder / f"{days}.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
         "-nodes", "-subj", "/CN=invented", "-days", str(days), "-keyout", str(folder / "k.pem"),
         "-out", str(file)],
        check=True, capture_output=True,
    )  # fmt: skip
    return file


@pytest.mark.parametrize(
    ("free", "wanted", "over"),
    [(0.1 * GIGA, True, False), (0.3 * GIGA, False, False), (0.5 * GIGA, False, True)],
)
def test_a_filling_disk(tmp_path: Path, free: float, wanted: bool, over: bool) -> None:
    """Below 200 MB of 32 GB it fills, above twice that it does not."""
    check = SelfCheck(tree(tmp_path), free=lambda _: (32 * GIGA, int(free)))
    check.look_slowly(time.time())
    fact = check.facts(Moment(0.0, 0.0), [], FINE, [])[AlarmKind.DISK_FILLING]
    assert (fact.wanted, fact.over) == (wanted, over)
    assert f"{free / 1e6:.0f} MB" in fact.evidence


@pytest.mark.parametrize(
    ("text", "state"),
    [("45000", (False, True)), ("77000", (False, False)), ("84500", (True, False))],
)
def test_a_hot_board(tmp_path: Path, text: str, state: tuple[bool, bool]) -> None:
    file = tmp_path / "temp"
    file.write_text(text + "\n", encoding="ascii")
    check = SelfCheck(tree(tmp_path), thermal=file)
    check.look_slowly(time.time())
    fact = check.facts(Moment(0.0, 0.0), [], FINE, [])[AlarmKind.BOARD_HOT]
    assert (fact.wanted, fact.over) == state


def test_a_board_that_does_not_tell_its_temperature_says_nothing(tmp_path: Path) -> None:
    check = SelfCheck(tree(tmp_path), thermal=tmp_path / "none")
    check.look_slowly(time.time())
    assert AlarmKind.BOARD_HOT not in check.facts(Moment(0.0, 0.0), [], FINE, [])


def test_the_clock_the_readers_the_journal_and_refusals(tmp_path: Path) -> None:
    check = SelfCheck(tree(tmp_path))
    dead = Health("flow sensors", False, "the thread has died", "restart")
    facts = check.facts(Moment(0.0, 0.0, False), [FINE, dead], dead, [dead])
    for kind in (AlarmKind.READER_DEAD, AlarmKind.JOURNAL_FAILING, AlarmKind.DELIVERY_REFUSED):
        assert facts[kind].wanted
        assert facts[kind].evidence == "flow sensors: the thread has died"
    assert facts[AlarmKind.CLOCK_UNSET].wanted
    assert facts[AlarmKind.UNDER_VOLTAGE].over
    weak = check.facts(Moment(0.0, 0.0), [FINE, Health("supply", False, "low")], FINE, [])
    assert weak[AlarmKind.UNDER_VOLTAGE].wanted
    assert weak[AlarmKind.READER_DEAD].over, "the supply reads nothing"
    blind = check.facts(Moment(0.0, 0.0), [Health("temperature probes", False, "x")], FINE, [])
    assert blind[AlarmKind.READER_DEAD].over, "a silent probe has an alarm of its own"
    facts = check.facts(Moment(0.0, 0.0, True), [FINE], FINE, [])
    assert all(fact.over for fact in facts.values())


def test_a_certificate_that_ends_within_a_month(tmp_path: Path) -> None:
    soon, late = certificate(tmp_path, 20), certificate(tmp_path, 90)
    end_s = certificate_end_utc_s(soon)
    assert end_s == pytest.approx(time.time() + 20 * 86400, abs=120)
    for file, wanted in ((soon, True), (late, False)):
        tables = (
            '[mqtt]\nhost = "h"\n[mqtt.tls]\nenabled = true\n'
            f'cert_file = "{file}"\nkey_file = "{tmp_path}/k.pem"\n'
        )
        check = SelfCheck(tree(tmp_path, tables), shown=lambda _: b"nothing")
        check.look_slowly(time.time())
        fact = check.facts(Moment(0.0, 0.0), [], FINE, [])[AlarmKind.CERTIFICATE_ENDING]
        assert fact.wanted is wanted
        assert str(file) in fact.evidence


def test_the_certificate_of_the_broker_is_looked_at_once_a_day(tmp_path: Path) -> None:
    def der(days: int) -> bytes:
        file = str(certificate(tmp_path, days))
        command = ["openssl", "x509", "-in", file, "-outform", "DER"]
        return subprocess.run(command, check=True, capture_output=True).stdout

    line_s, looks, shows = [0.0], list[float](), [der(20)]

    def shown(_address: object) -> bytes:
        looks.append(line_s[0])
        if not shows:
            raise BrokerError("broker h:8883: not reached")
        return shows[0]

    table = '[mqtt]\nhost = "h"\n[mqtt.tls]\nenabled = true\n'
    check = SelfCheck(tree(tmp_path, table), shown=shown, monotonic=lambda: line_s[0])

    def fact() -> Fact:
        check.look_slowly(time.time())
        return check.facts(Moment(0.0, 0.0), [], FINE, [])[AlarmKind.CERTIFICATE_ENDING]

    assert fact().wanted
    assert fact().evidence.startswith("the broker's certificate ends on ")
    shows.clear()
    line_s[0] = 86400.0
    assert fact().wanted, "a broker that is away has the certificate that it had"
    line_s[0] += 3599.0
    assert fact().wanted
    assert looks == [0.0, 86400.0]
    shows.append(der(90))
    line_s[0] += 1.0
    assert fact().over, "renewed there"
    assert looks == [0.0, 86400.0, 90000.0]


def test_a_file_that_is_no_certificate_says_nothing(tmp_path: Path) -> None:
    file = tmp_path / "no.pem"
    file.write_text("no", encoding="ascii")
    assert certificate_end_utc_s(file) is None
    assert certificate_end_utc_s(tmp_path / "none.pem") is None


def test_a_folder_in_memory_is_told() -> None:
    memory = Path("/dev/shm")
    if not memory.is_dir():
        pytest.skip("no memory file system here")
    made = tree_in(memory)
    check = SelfCheck(made)
    check.look_slowly(time.time())
    assert check.facts(Moment(0.0, 0.0), [], FINE, [])[AlarmKind.STORAGE_VOLATILE].wanted


def tree_in(folder: Path) -> SettingsTree:
    return SettingsTree.model_validate(
        {
            "site": {"id": "a"},
            "storage": {"folder": str(folder)},
            "filters": {"left": {"flow_sensor": {"pin": 17, "bore_mm": 16}}},
        }
    )


@pytest.mark.parametrize(
    ("floor", "state"), [(Floor.WET, (True, False)), (Floor.DRY, (False, True))]
)
def test_the_leak_contact(tmp_path: Path, floor: Floor, state: tuple[bool, bool]) -> None:
    facts = SelfCheck(tree(tmp_path)).facts(Moment(0.0, 0.0), [], FINE, [], floor)
    assert (facts[AlarmKind.LEAK].wanted, facts[AlarmKind.LEAK].over) == state
    assert str(floor) in facts[AlarmKind.LEAK].evidence


def test_a_contact_that_cannot_be_read_says_nothing_of_water(tmp_path: Path) -> None:
    facts = SelfCheck(tree(tmp_path)).facts(Moment(0.0, 0.0), [], FINE, [], Floor.UNKNOWN)
    assert AlarmKind.LEAK not in facts
