"""deploy/install and deploy/uninstall on machines in a folder; tests/install shows them on real ones."""

from __future__ import annotations

import itertools
import re
import shutil
import tomllib
from pathlib import Path

import pytest

from tests.support.fake_machine import CONFIG, DATA, ROOT, UNIT, FakeMachine

BOOT = "boot/firmware/config.txt"


@pytest.fixture
def machine(tmp_path: Path) -> FakeMachine:
    return FakeMachine(tmp_path)


def changing(calls: list[str]) -> list[str]:
    """Those that change something beyond files."""
    verbs = ("apt-get", "groupadd", "useradd", "usermod", "userdel", "systemctl enable",
             "systemctl -q enable", "systemctl restart", "systemctl stop", "python3 -m")  # fmt: skip
    return [call for call in calls if call.startswith(verbs)]


def test_a_fresh_machine_gets_everything(machine: FakeMachine) -> None:
    machine.own_configuration()
    done = machine.install()
    assert done.returncode == 0, done.stderr
    calls = machine.calls()
    assert any(c.startswith("useradd --system") and "--groups gpio" in c for c in calls)
    assert "systemctl -q enable canister-monitor.service" in calls
    assert "systemctl restart canister-monitor.service" in calls
    assert machine.read(UNIT) == (ROOT / "deploy/canister-monitor.service").read_text()
    assert (machine.root / "opt/canister-monitor/current").readlink().name.startswith("code-")
    assert f"chown canister-monitor:canister-monitor {machine.root}/{DATA}" in calls
    assert machine.read(CONFIG) == "# mine\n"
    assert "boot again" in done.stdout.lower()


def test_again_it_changes_nothing(machine: FakeMachine) -> None:
    machine.own_configuration()
    assert machine.install().returncode == 0
    machine.calls()
    before = {name: machine.root.joinpath(name).read_bytes() for name in machine.files()}
    again = machine.install()
    assert again.returncode == 0, again.stderr
    assert changing(machine.calls()) == []
    assert {name: machine.root.joinpath(name).read_bytes() for name in machine.files()} == before
    assert "this very version is installed already" in again.stdout


def test_a_dry_run_says_what_it_would_do_and_does_nothing(machine: FakeMachine) -> None:
    before = machine.files()
    done = machine.install("--dry-run", "--hardware-watchdog")
    assert done.returncode == 0, done.stderr
    for part in ("packages", "user", "code", "configuration", "data", "1-wire", "unit", "watchdog"):
        assert any(
            line.startswith(part) and "would be done:" in line for line in done.stdout.splitlines()
        ), part
    assert machine.files() == before
    assert changing(machine.calls()) == []


def test_invented_filters_are_never_watched(machine: FakeMachine) -> None:
    done = machine.install()
    assert done.returncode == 0, done.stderr
    assert "invented example" in done.stdout
    assert not [c for c in machine.calls() if "enable" in c or "restart" in c]
    assert machine.read(CONFIG) == (ROOT / "deploy/examples/planted.toml").read_text()
    machine.own_configuration()
    assert "service        running" in machine.install().stdout


def test_a_given_configuration_is_taken_once(machine: FakeMachine, tmp_path: Path) -> None:
    given = tmp_path / "given.toml"
    given.write_text("# given\n", encoding="utf-8")
    assert machine.install("--config", str(given)).returncode == 0
    assert machine.read(CONFIG) == "# given\n"
    assert (machine.root / CONFIG).stat().st_mode & 0o777 == 0o640
    machine.own_configuration()
    assert machine.install("--config", str(given)).returncode == 0
    assert machine.read(CONFIG) == "# mine\n"


def test_without_systemd_running_nothing_is_started(tmp_path: Path) -> None:
    machine = FakeMachine(tmp_path, systemd=False)
    machine.own_configuration()
    done = machine.install("--hardware-watchdog")
    assert done.returncode == 0, done.stderr
    assert "systemd does not run here" in done.stdout
    calls = machine.calls()
    assert not [c for c in calls if "restart" in c or "daemon-re" in c]
    assert "systemctl -q enable canister-monitor.service" in calls


def test_no_start_leaves_the_running_daemon_its_code(machine: FakeMachine) -> None:
    machine.own_configuration()
    machine.install()
    current = machine.root / "opt/canister-monitor/current"
    old = current.resolve()
    shutil.move(old, old.with_name("code-older"))
    current.unlink()
    current.symlink_to("code-older")
    machine.calls()
    assert machine.install("--no-start").returncode == 0
    assert not [c for c in machine.calls() if "restart" in c]
    assert old.with_name("code-older").is_dir()
    assert current.readlink() == Path(old.name)
    machine.install()
    machine.calls()


def test_an_upgrade_replaces_the_code_and_restarts(machine: FakeMachine) -> None:
    machine.own_configuration()
    machine.write(f"{DATA}/journal.sqlite", "what was learned")
    machine.install()
    current = machine.root / "opt/canister-monitor/current"
    old = current.resolve()
    shutil.move(old, old.with_name("code-older"))
    current.unlink()
    current.symlink_to("code-older")
    machine.calls()
    assert machine.install().returncode == 0
    assert "systemctl restart canister-monitor.service" in machine.calls()
    assert not old.with_name("code-older").exists()
    assert machine.read(f"{DATA}/journal.sqlite") == "what was learned"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("install -y", "apt could not install: python3-venv"),
        ("-m venv", "python3 -m venv failed"),
        ("source[pins,notify,influx]", "pip could not install"),
        ("import gpiozero", "what was installed does not work"),
        ("sys.version_info", "Python 3.11, 3.12 or 3.13 is needed"),
    ],
)
def test_what_fails_is_one_line_and_the_old_code_stays(
    machine: FakeMachine, words: str, told: str
) -> None:
    machine.write("opt/canister-monitor/code-older/bin/python", "")
    (machine.root / "opt/canister-monitor/current").symlink_to("code-older")
    machine.fails(words)
    done = machine.install()
    assert done.returncode == 1
    assert told in done.stderr.splitlines()[-1]
    assert (machine.root / "opt/canister-monitor/current").readlink() == Path("code-older")
    assert machine.there("opt/canister-monitor/code-older/bin/python")


def test_the_pin_library_comes_from_the_first_that_has_it(machine: FakeMachine) -> None:
    machine.fails("--only-binary=lgpio")
    built = machine.install()
    assert "built from its source" in built.stdout, built.stderr
    assert [c for c in machine.calls() if c.startswith("apt-get install") and "swig" in c]
    (machine.state / "apt-has-lgpio").touch()
    taken = machine.install()
    assert "the distribution's python3-lgpio" in taken.stdout, taken.stderr
    assert [c for c in machine.calls() if "venv --system-site-packages" in c]


def test_without_any_pin_library_it_says_so(machine: FakeMachine) -> None:
    machine.fails("=lgpio")
    done = machine.install()
    assert done.returncode == 1
    assert "the pin library lgpio is missing" in done.stderr.splitlines()[-1]


def test_the_overlay_is_put_in_once_for_every_board_and_taken_out_again(
    machine: FakeMachine,
) -> None:
    before = machine.read(BOOT)
    machine.install("--probe-pin", "22")
    after = machine.read(BOOT)
    lines = after.splitlines()
    at = lines.index("dtoverlay=w1-gpio,gpiopin=22")
    assert lines[at - 1] == "[all]"  # the section [pi4] above must not swallow it
    assert after.startswith(before)
    assert machine.read(f"{BOOT}.before-canister-monitor") == before
    machine.install()
    assert machine.read(BOOT) == after
    machine.run("uninstall")
    assert machine.read(BOOT) == before
    assert not machine.there(f"{BOOT}.before-canister-monitor")


@pytest.mark.parametrize("own", ["dtoverlay=w1-gpio\n", "  dtoverlay=w1-gpio-pullup,gpiopin=4\n"])
def test_an_overlay_of_the_users_own_stays(machine: FakeMachine, own: str) -> None:
    machine.write(BOOT, f"[all]\n{own}")
    assert "already" in machine.install().stdout
    machine.run("uninstall")
    assert machine.read(BOOT) == f"[all]\n{own}"


def test_what_the_user_wrote_after_us_stays(machine: FakeMachine) -> None:
    machine.install()
    machine.write(BOOT, machine.read(BOOT) + "# later\n\nhdmi_safe=1\n")
    machine.run("uninstall")
    assert machine.read(BOOT) == "# for everybody\n[pi4]\narm_boost=1\n# later\n\nhdmi_safe=1\n"
    assert machine.there(f"{BOOT}.before-canister-monitor")


def test_the_old_place_of_the_boot_loaders_file(machine: FakeMachine) -> None:
    (machine.root / BOOT).unlink()
    machine.write("boot/config.txt", "[all]\n")
    machine.install()
    assert "dtoverlay=w1-gpio" in machine.read("boot/config.txt")


def test_where_there_is_no_probe_or_no_board_the_boot_loader_is_left_alone(
    machine: FakeMachine, tmp_path: Path
) -> None:
    before = machine.read(BOOT)
    machine.install("--no-probe")
    assert machine.read(BOOT) == before
    other = FakeMachine(tmp_path / "other", pi=False)
    assert "not a Raspberry Pi: nothing to do" in other.install().stdout


def test_a_bus_that_is_there_needs_no_boot(machine: FakeMachine) -> None:
    (machine.root / "sys/bus/w1/devices").mkdir(parents=True)
    done = machine.install()
    assert "the bus is there" in done.stdout
    assert "Boot again" not in done.stdout


def test_a_user_in_the_wrong_group_is_put_right(machine: FakeMachine) -> None:
    machine.install()
    machine.calls()
    (machine.state / "user").write_text("canister-monitor\n", encoding="utf-8")
    machine.install()
    assert "usermod -a -G gpio canister-monitor" in machine.calls()


def test_a_daemon_that_does_not_stay_up_is_told_with_its_line(machine: FakeMachine) -> None:
    machine.own_configuration()
    machine.fails("systemctl restart")
    done = machine.install()
    assert done.returncode == 0
    assert "does not stay up" in done.stdout
    assert "invented mistake" in done.stderr


def test_uninstall_keeps_the_data_unless_told_the_word(machine: FakeMachine) -> None:
    machine.own_configuration()
    untouched = machine.files() - {CONFIG}
    machine.install("--hardware-watchdog")
    machine.write(f"{DATA}/journal.sqlite", "what was learned")
    machine.calls()

    done = machine.run("uninstall")
    assert done.returncode == 0, done.stderr
    assert machine.files() == untouched | {CONFIG, f"{DATA}/journal.sqlite"}
    assert "systemctl stop canister-monitor.service" in machine.calls()

    refused = machine.run("uninstall", "--delete-data", typed="yes\n")
    assert refused.returncode == 2
    assert machine.there(f"{DATA}/journal.sqlite")
    wrong = machine.run("uninstall", "--delete-data=yes")
    assert wrong.returncode == 2
    assert machine.there(f"{DATA}/journal.sqlite")

    assert machine.run("uninstall", "--delete-data", typed="delete\n").returncode == 0
    assert machine.files() == untouched
    assert "userdel canister-monitor" in machine.calls()
    assert machine.run("uninstall", "--delete-data=delete").returncode == 0


def test_uninstall_works_from_where_it_was_installed(machine: FakeMachine) -> None:
    machine.install()
    copy = machine.root / "opt/canister-monitor/uninstall"
    assert copy.read_text() == (ROOT / "deploy/uninstall").read_text()
    assert (copy.parent / "steps.sh").read_text() == (ROOT / "deploy/steps.sh").read_text()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--nonsense"], "--nonsense: unknown"),
        (["--config"], "a value is missing"),
        (["--config", "/no/such.toml"], "no such file"),
        (["--probe-pin", "28"], "0 to 27"),
        (["--probe-pin", "x"], "0 to 27"),
    ],
)
def test_a_mistake_on_the_command_line_changes_nothing(
    machine: FakeMachine, options: list[str], told: str
) -> None:
    done = machine.install(*options)
    assert done.returncode == 2
    assert told in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert changing(machine.calls()) == []


def test_the_locked_versions_name_everything_once() -> None:
    """What was added by hand or by two hands at once shows here; `deploy/lock` writes the file anew."""
    root = Path(__file__).parents[3]
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *itertools.chain(*project["optional-dependencies"].values()),
    ]
    lines = (root / "deploy/constraints.txt").read_text("utf-8").splitlines()
    locked = [re.split(r"[=; ]", line, maxsplit=1)[0].lower() for line in lines]
    assert len(set(lines)) == len(lines), "a line twice"
    assert locked == sorted(locked)
    for requirement in wanted:
        name = re.split(r"[<>=; \[]", requirement, maxsplit=1)[0].lower()
        assert name in locked, name


PAGE_UNIT, PASSWORD = "etc/systemd/system/canister-page.service", "var/lib/canister-page/password"


def test_the_page_comes_when_asked_for_starts_with_a_password_and_stays(
    machine: FakeMachine,
) -> None:
    machine.own_configuration()
    machine.install()
    assert not machine.there(PAGE_UNIT)
    machine.calls()
    done = machine.install("--page")
    assert done.returncode == 0, done.stderr
    assert "no password yet. Set one: sudo canister page-password" in done.stdout
    calls = machine.calls()
    assert any("source[pins,notify,influx,page]" in c for c in calls)
    assert not [c for c in calls if "canister-page" in c and "systemctl" in c]
    assert machine.read(PAGE_UNIT) == (ROOT / "deploy/canister-page.service").read_text()
    folder = machine.root / "var/lib/canister-page"
    assert folder.stat().st_mode & 0o777 == 0o700
    assert f"chown canister-monitor:canister-monitor {folder}" in calls

    machine.write(PASSWORD, "{}")
    again = machine.install()  # without the word: what is installed is kept
    assert again.returncode == 0, again.stderr
    calls = machine.calls()
    assert "systemctl -q enable canister-page.service" in calls
    assert "page           running" in again.stdout
    assert "this very version is installed already" in again.stdout

    machine.run("uninstall")
    assert not machine.there(PAGE_UNIT)
    assert "systemctl stop canister-page.service" in machine.calls()
    assert machine.there(PASSWORD)
    machine.run("uninstall", "--delete-data=delete")
    assert not machine.there(PASSWORD)


def test_pdf_comes_when_asked_for_with_what_it_needs(machine: FakeMachine) -> None:
    machine.own_configuration()
    done = machine.install("--pdf")
    assert done.returncode == 0, done.stderr
    calls = machine.calls()
    assert any("source[pins,notify,influx,report]" in c for c in calls)
    assert any("libpangoft2-1.0-0" in c for c in calls if c.startswith(("apt-get", "dpkg-query")))


def test_the_page_in_a_dry_run_changes_nothing(machine: FakeMachine) -> None:
    before = machine.files()
    done = machine.install("--dry-run", "--page")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("page           would be done:") == 2
    assert machine.files() == before
