"""What deploy/fleet ships is taken by the real servers, and its units by systemd."""

from __future__ import annotations

import configparser
import contextlib
import re
import resource
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import redis
import yaml

from monitor.hub.redis_link import unfit
from tests.conftest import free_port
from tests.support.raw_mqtt import CONNACK, connect, packets
from tests.unit.deploy.test_unit import WORST_SCORE, analyze

FLEET = Path(__file__).resolve().parents[3] / "deploy" / "fleet"
UNITS = sorted(FLEET.glob("*.service"))
PLUGINS = [*Path("/usr/lib").glob("*/mosquitto_dynamic_security.so")]


def test_redis_takes_its_file_and_is_fit_for_a_fleet(tmp_path: Path) -> None:
    server = shutil.which("redis-server")
    assert server is not None, "redis-server is missing; tests/run installs it"
    port = free_port()
    command = [server, str(FLEET / "redis.conf"), "--port", str(port), "--dir", str(tmp_path)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    try:
        link, until = redis.Redis(port=port), time.monotonic() + 15
        while time.monotonic() < until:
            try:
                link.ping()
                break
            except redis.RedisError:
                time.sleep(0.05)
        assert unfit(link) == []
        assert link.config_get("bind")["bind"] == "127.0.0.1 -::1"
        link.close()
    finally:
        process.kill()
        process.communicate()


def test_mosquitto_takes_its_file(tmp_path: Path) -> None:
    """Only its places are others: our own certificate, port and folder."""
    broker = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin")
    assert broker is not None, "mosquitto is missing; tests/run installs it"
    assert PLUGINS, "the dynamic-security plugin is missing; it is part of mosquitto"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1",
         "-keyout", str(tmp_path / "key.pem"), "-out", str(tmp_path / "cert.pem")],
        check=True, capture_output=True,
    )  # fmt: skip
    rules = tmp_path / "dynamic-security.json"
    subprocess.run(
        ["mosquitto_ctrl", "dynsec", "init", str(rules), "admin", "a-password"],
        check=True, capture_output=True,
    )  # fmt: skip
    port = free_port()
    text = (FLEET / "mosquitto.conf").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^plugin .*", f"plugin {PLUGINS[0]}", text)
    text = text.replace("/var/lib/mosquitto/dynamic-security.json", str(rules))
    text = text.replace("listener 8883", f"listener {port} 127.0.0.1")
    text = re.sub(r"(?m)^certfile .*", f"certfile {tmp_path}/cert.pem", text)
    text = re.sub(r"(?m)^keyfile .*", f"keyfile {tmp_path}/key.pem", text)
    file = tmp_path / "mosquitto.conf"
    file.write_text(f"{text}user root\npersistence_location {tmp_path}/\n", encoding="utf-8")
    process = subprocess.Popen(
        [broker, "-c", str(file)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    time.sleep(1.5)
    running = process.poll() is None
    process.terminate()
    said, _ = process.communicate(timeout=10)
    assert running, said
    assert "running" in said
    said = said.replace("Warning: Mosquitto should not be run as root/administrator.", "")
    assert not re.search(r"(?i)\b(error|unknown|invalid|warning)\b", said), said


def test_the_containers_file_is_the_same_but_for_its_places() -> None:
    def rules(name: str) -> list[str]:
        lines = (FLEET / name).read_text(encoding="utf-8").splitlines()
        kept = [x for x in lines if x and not x.startswith("#")]
        return [re.sub(r"/\S*/", "", x) for x in kept if not x.startswith("persistence_location")]

    assert rules("mosquitto.container.conf") == rules("mosquitto.conf")


def test_the_compose_file_names_servers_and_keeps_redis_from_forgetting() -> None:
    services = yaml.safe_load((FLEET / "compose.yaml").read_text(encoding="utf-8"))["services"]
    assert set(services) == {"broker", "redis", "history", "worker-1", "worker-2"}
    assert all("image" in one or "build" in one for one in services.values())
    assert "noeviction" in services["redis"]["command"]
    numbers = [services[f"worker-{n}"]["command"][3] for n in (1, 2)]
    assert numbers == ["1", "2"]
    mounted = [v.split(":")[0] for one in services.values() for v in one.get("volumes", ())]
    for place in mounted:
        if place.endswith(".conf"):
            assert (FLEET / place).is_file()


@pytest.fixture
def many_files() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(4096, hard), hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def _let_in(limit: int, most: int) -> int:
    """How many sites a broker with this limit of open files lets in."""
    port = free_port()
    process = subprocess.Popen(
        ["/bin/sh", "-c", f"ulimit -Sn {limit}; PATH=$PATH:/usr/sbin; exec mosquitto -p {port}"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        until = time.monotonic() + 10
        while time.monotonic() < until:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            time.sleep(0.05)
        with contextlib.ExitStack() as stack:
            for count in range(most):
                link = stack.enter_context(socket.create_connection(("127.0.0.1", port), 5))
                try:
                    link.sendall(connect(f"site_{count}", "will", b""))
                    answer = link.recv(64)
                except OSError:
                    return count
                if [kind for kind, _ in packets(bytearray(answer))] != [CONNACK]:
                    return count
        return most
    finally:
        process.kill()
        process.wait()


@pytest.mark.usefixtures("many_files")
def test_systemds_limit_of_files_keeps_sites_out_and_ours_does_not() -> None:
    """1,024 is systemd's DefaultLimitNOFILE (soft), systemd-system.conf(5); the fleet's file raises it."""
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    if hard < 2048:
        pytest.skip(f"this machine allows {hard} open files at the most")
    unit = configparser.ConfigParser()
    unit.read(FLEET / "mosquitto.limits.conf", encoding="utf-8")
    ours = int(unit["Service"]["LimitNOFILE"])
    services = yaml.safe_load((FLEET / "compose.yaml").read_text(encoding="utf-8"))["services"]
    assert services["broker"]["ulimits"]["nofile"] == ours
    assert ours > 50_000  # GROWING.md gives one broker so many boards
    assert _let_in(1024, 1100) < 1024
    assert _let_in(min(ours, hard), 1100) == 1100


@pytest.mark.parametrize("unit", UNITS, ids=lambda f: f.name)
def test_the_units_are_shut_in_and_systemd_has_nothing_to_say(unit: Path, tmp_path: Path) -> None:
    shown = tmp_path / unit.name.replace("@", "@1")
    text = re.sub(r"ExecStart=\S+", "ExecStart=/bin/true", unit.read_text(encoding="utf-8"))
    shown.write_text(text, encoding="utf-8")
    done = analyze("security", "--offline=true", "--no-pager", str(shown))
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= WORST_SCORE
    done = analyze("verify", str(shown))
    said = (done.stdout + done.stderr).splitlines()
    assert [x for x in said if shown.name in x and "not found" not in x] == []
