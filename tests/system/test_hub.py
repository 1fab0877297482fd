"""A hub with real parts: a site that runs the daemon, broker, Redis, time series, people who are told."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Command, Mosquitto, free_port, until
from tests.support.hub import BROKER, configuration
from tests.support.real_redis import RealRedis
from tests.support.timeseries import VictoriaMetrics, serving
from tests.system.test_daemon import ready, settings


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    folder = tmp_path / "broker"
    folder.mkdir()
    made = Mosquitto(folder, BROKER)
    made.start()
    yield made
    made.kill()


@pytest.fixture
def redis(tmp_path: Path) -> Iterator[RealRedis]:
    folder = tmp_path / "redis"
    folder.mkdir()
    made = RealRedis(folder)
    made.start()
    yield made
    made.kill()


class Phone:
    """Somebody who is told: takes what apprise posts as JSON."""

    def __init__(self) -> None:
        self.told: list[dict[str, Any]] = []
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                phone.told.append(json.loads(body))
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        self.port = free_port()
        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        Thread(target=self._server.serve_forever, daemon=True).start()

    def titles(self) -> list[str]:
        return [one["title"] for one in self.told]

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def phone() -> Iterator[Phone]:
    made = Phone()
    yield made
    made.stop()


def lines(command: Command) -> list[dict[str, Any]]:
    command.wait()
    return [json.loads(x) for x in command.output.splitlines()]


def test_a_stop_at_a_site_reaches_list_history_and_people_once(
    canister: type[Command], broker: Mosquitto, redis: RealRedis, phone: Phone, tmp_path: Path
) -> None:
    (tmp_path / "metrics").mkdir()
    (tmp_path / "addresses").write_text(f"json://127.0.0.1:{phone.port}\n", encoding="utf-8")
    (tmp_path / "addresses").chmod(0o600)
    with serving(VictoriaMetrics(tmp_path / "metrics")) as metrics:
        more = (
            f'[influx]\nurl = "{metrics.url}"\nkind = "victoriametrics"\n'
            f'[notify]\naddresses_file = "{tmp_path / "addresses"}"\n[watch]\ngather_s = 2\n'
        )
        config = str(configuration(tmp_path, broker, redis, more))
        hubs = [canister("hub", "run", "--number", str(n), "--config", config) for n in (1, 2)]
        file = settings(tmp_path, broker.port, 'faults = ["stall@6s"]')
        daemon = canister("run", "--config", str(file))
        assert ready(daemon)
        assert until(
            lambda: "flow stopped" in str(lines(canister("hub", "list", "--json", "-c", config))),
            40,
            1.0,
        ), hubs[0].errors + daemon.errors
        assert until(lambda: any("flow stopped" in t for t in phone.titles()), 20), hubs[0].errors
        assert until(
            lambda: metrics.points('{__name__="canister_event_occurrence",event="raised"}'), 20, 0.5
        )
        assert until(lambda: metrics.points("canister_sample_flow_l_per_h"), 20, 0.5)
        shown = canister("hub", "show", "test_room", "--config", config)
        assert shown.wait() == 0
        assert "flow stopped: unacknowledged, since" in shown.output
        assert daemon.stop() == 0
        time.sleep(4)
        assert sum("left flow stopped" in t for t in phone.titles()) == 1, phone.titles()
        (row,) = lines(canister("hub", "list", "--json", "--config", config))
        assert row["hearing"] == "stopped on purpose"
        assert [hub.stop() for hub in hubs] == [0, 0], hubs[0].errors
        assert metrics.invalid_rows() == 0


def publish(port: int, messages: list[tuple[str, bytes]]) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for topic, payload in messages:
        client.publish(topic, payload, 1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def test_what_is_foreign_broken_or_too_large_is_refused_counted_and_shown(
    canister: type[Command], broker: Mosquitto, redis: RealRedis, tmp_path: Path
) -> None:
    config = str(configuration(tmp_path, broker, redis))
    hub = canister("hub", "run", "--config", config)
    assert until(lambda: "the memory is filled" in hub.errors, 20), hub.errors
    time.sleep(1)
    state = b'{"format": 1, "site": "other"}'
    publish(
        broker.port,
        [
            ("canister/home/events", b"{"),
            ("canister/home/events", b'{"format": 9}'),
            ("canister/home/heartbeat", b"x" * 1_000_000),
            ("canister/home/filters/left/state", state),
            ("canister/HOME/presence", b"{}"),
            ("canister/home/filters/left/state", b"\xff\xfe"),
        ],
    )
    shown = lambda: lines(canister("hub", "refused", "--json", "--config", config))[0]  # noqa: E731
    assert until(lambda: sum(shown()["counts"].values()) == 6, 20, 1.0), shown()
    counts = shown()["counts"]
    assert set(counts) == {"no JSON", "another version", "too large", "not as described"}
    assert hub.stop() == 0
    text = canister("hub", "refused", "--config", config)
    assert text.wait() == 0
    assert "1 × too large" in text.output


def test_two_workers_of_one_number_are_a_mistake_told_in_one_line(
    canister: type[Command], broker: Mosquitto, redis: RealRedis, tmp_path: Path
) -> None:
    config = str(configuration(tmp_path, broker, redis))
    first = canister("hub", "run", "--config", config)
    assert until(lambda: "serves" in first.errors, 20), first.errors
    second = canister("hub", "run", "--config", config)
    assert second.wait() == 1
    assert "has number 1 here; give this one another --number" in second.errors
    assert second.errors.count("\n") == 1
    assert first.stop() == 0
    third = canister("hub", "run", "--config", config)
    assert until(lambda: "serves" in third.errors, 20), third.errors
    assert third.stop() == 0


def test_a_redis_that_would_forget_is_refused_in_one_line(
    canister: type[Command], broker: Mosquitto, tmp_path: Path
) -> None:
    (tmp_path / "forgetful").mkdir()
    server = RealRedis(tmp_path / "forgetful", "--maxmemory-policy", "allkeys-lru")
    server.start()
    try:
        config = str(configuration(tmp_path, broker, server))
        for words in (["run"], ["check"]):
            tried = canister("hub", *words, "--config", config)
            assert tried.wait() in (1, 2)
            assert "set it to noeviction" in tried.output + tried.errors
            assert "Traceback" not in tried.errors
    finally:
        server.kill()


def test_nothing_there_is_said_in_a_line_each(canister: type[Command], tmp_path: Path) -> None:
    file = tmp_path / "fleet.toml"
    file.write_text(
        f'[books]\nfolder = "{tmp_path}/books"\n[broker]\nhost = "127.0.0.1"\nport = {free_port()}\n'
        f'[redis]\nurl = "redis://127.0.0.1:{free_port()}/0"\n',
        encoding="utf-8",
    )
    check = canister("hub", "check", "--config", str(file))
    assert check.wait() == 1
    said = check.output.splitlines()
    assert [line[:4] for line in said] == ["ok  ", "FAIL", "FAIL", "ok  ", "ok  "]
    assert "not reached" in said[2]
    listed = canister("hub", "list", "--config", str(file))
    assert listed.wait() == 1
    assert listed.errors.startswith("canister: redis: ")
    assert listed.errors.count("\n") == 1
