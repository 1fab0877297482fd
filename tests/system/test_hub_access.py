"""Nothing of one client is read or written by another: enrolled sites at a broker set up by the book."""

from __future__ import annotations

import ssl
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest

from monitor.fleet.messages import filters
from monitor.hub.broker import Broker, Reader
from tests.conftest import Command, Mosquitto, free_port, until
from tests.support.commands import run
from tests.support.guarded import ADMIN_PASSWORD, Fleet, Stranger, fleet_broker
from tests.system.test_daemon import ready, settings


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    """A broker, made ready, and two clients."""
    folder = tmp_path_factory.mktemp("fleet")
    broker = fleet_broker(folder / "broker")
    broker.start()
    made = Fleet(folder, broker)
    made.hub("broker-setup")
    made.hub("client", "add", "north")
    made.hub("client", "add", "south")
    yield made
    broker.kill()


@pytest.fixture(scope="module")
def bundles(fleet: Fleet) -> tuple[dict[str, Any], dict[str, Any]]:
    """One site of each client."""
    return fleet.enrol("north_hall", "north"), fleet.enrol("south_hall", "south")


Pair = tuple[dict[str, Any], dict[str, Any]]

# Whatever names another's branch, or all, or the hub's share, or the broker itself.
NOT_TO_READ = (
    "#", "+/#", "canister/#", "canister/+/commands", "canister/+/events", "+/+/commands",
    "canister/south_hall/#", "canister/south_hall/commands", "canister/south_hall/events",
    "canister/south_hall/+", "canister/south_hall", "canister/north_hall/#",
    "canister/north_hall/events", "canister/north_hall/commands/#",
    "$share/hub/canister/#", "$share/hub/canister/+/events", "$share/hub/canister/south_hall/events",
    "$share/hub/canister/north_hall/commands", "$share/x/canister/north_hall/commands",
    "$share/hub/#", "$SYS/#", "$CONTROL/#", "$CONTROL/dynamic-security/v1/response",
)  # fmt: skip
NOT_TO_WRITE = (
    "canister/south_hall/events", "canister/south_hall/commands", "canister/south_hall/presence",
    "canister/south_hall/filters/left/state", "canister/south_hall", "canister/north_hallx/events",
    "canister/events", "canister", "north_hall/events", "/canister/north_hall/events",
    "$CONTROL/dynamic-security/v1", "$SYS/broker/uptime", "homie/5/north_hall/$state",
)  # fmt: skip


def test_a_site_writes_its_branch_and_reads_its_commands(fleet: Fleet, bundles: Pair) -> None:
    own = fleet.login(bundles[0])
    for topic in ("events", "presence", "filters/left/state", "answers/x"):
        assert own.publish(f"canister/north_hall/{topic}")
    assert own.subscribe("canister/north_hall/commands")
    own.close()


def test_it_reads_nothing_of_another_and_joins_no_share(fleet: Fleet, bundles: Pair) -> None:
    own, other = fleet.login(bundles[0]), fleet.login(bundles[1])
    assert other.publish("canister/south_hall/presence", b"secret", retain=True)
    granted = [topic for topic in NOT_TO_READ if own.subscribe(topic)]
    assert granted == []
    worker = fleet.workers("worker-1")
    assert worker.subscribe("$share/hub/canister/+/events")
    for number in range(20):
        assert other.publish("canister/south_hall/events", f"{number}".encode())
    assert until(lambda: len(worker.came) == 20, 10), "the hub misses some"
    assert own.came == []
    for one in (own, other, worker):
        one.close()


def test_it_writes_nothing_of_another(fleet: Fleet, bundles: Pair) -> None:
    own, worker = fleet.login(bundles[0]), fleet.workers("worker-1")
    assert worker.subscribe("canister/#")
    kept = len(worker.came)
    taken = [topic for topic in NOT_TO_WRITE if own.publish(topic, b"forged", retain=True)]
    assert taken == []
    # Nor by taking a retained one away, by its last will, or in the older version of the protocol.
    assert not own.publish("canister/south_hall/presence", b"", retain=True)
    own.close()
    for branch in ("south_hall", "north_hall"):
        dying = fleet.login(bundles[0], will=f"canister/{branch}/presence")
        dying.vanish()
    assert until(lambda: ("canister/north_hall/presence", b"will") in worker.came, 10)
    older = fleet.login(bundles[0], version=paho.MQTTv311)
    older.publish("canister/south_hall/events", b"forged")
    assert not older.subscribe("canister/south_hall/commands")
    older.publish("canister/north_hall/events", b"after all")
    assert until(lambda: b"after all" in [p for _, p in worker.came], 10)
    older.close()
    bad = [(t, p) for t, p in worker.came[kept:] if p in (b"forged", b"will", b"")]
    assert bad == [("canister/north_hall/presence", b"will")], "of its own branch, and no more"
    worker.close()


def test_nobody_takes_anothers_connection_over(fleet: Fleet, bundles: Pair) -> None:
    north, south = bundles
    victim = fleet.login(south)
    for client_id in (south["client_id"], "", "worker-1", "anything"):
        thief = fleet.login(north, client_id=client_id)
        assert not thief.let_in, client_id
        thief.close()
    for username, password in (
        (south["username"], north["password"]), (south["username"], ""), ("", ""),
        ("admin", north["password"]), ("hub", north["password"]),
    ):  # fmt: skip
        thief = Stranger(fleet.broker, username, password, south["client_id"])
        assert not thief.let_in, username
        thief.close()
    assert victim.publish("canister/south_hall/events")
    assert victim.let_in, "it was never thrown out"
    victim.close()


def test_the_hub_reads_all_and_writes_commands_only(fleet: Fleet, bundles: Pair) -> None:
    site, worker, second = fleet.login(bundles[0]), fleet.workers("w1"), fleet.workers("w2")
    assert worker.let_in, "workers share a user under client ids of their own"
    for topic in ("canister/#", "canister/+/presence", "$share/hub/canister/+/filters/+/state"):
        assert worker.subscribe(topic), topic
    for topic in ("#", "$share/other/canister/#", "$SYS/#", "$CONTROL/#", "other/#"):
        assert not worker.subscribe(topic), topic
    assert site.subscribe("canister/north_hall/commands")
    assert worker.publish("canister/north_hall/commands", b"order")
    assert until(lambda: ("canister/north_hall/commands", b"order") in site.came, 10)
    for topic in (
        "canister/north_hall/events", "canister/north_hall/presence", "canister/commands",
        "canister/north_hall/x/commands", "$CONTROL/dynamic-security/v1", "other/x/commands",
    ):  # fmt: skip
        assert not worker.publish(topic, b"forged"), topic
    assert second.let_in
    for one in (site, worker, second):
        one.close()


def test_the_workers_own_reader_may_all_that_it_asks_for(fleet: Fleet, bundles: Pair) -> None:
    """Shared and, to fill a lost memory, unshared; it asks a site again and is answered."""
    password = (fleet.folder / "hub.password").read_text("utf-8").strip()
    context = ssl.create_default_context(cafile=str(fleet.broker.folder / "ca.pem"))
    reader = Reader(Broker("127.0.0.1", fleet.broker.port, "hub", password, context), "w-9", 60)
    reader.open()
    reader.subscribe([f"$share/hub/{each}" for each in filters("canister")])
    reader.subscribe(filters("canister"), retained_too=True)
    site = fleet.login(bundles[0])
    assert site.subscribe("canister/north_hall/commands")
    reader.publish("canister/north_hall/commands", b"resend", "canister/north_hall/answers/hub")
    assert until(lambda: ("canister/north_hall/commands", b"resend") in site.came, 10)
    assert site.publish("canister/north_hall/answers/hub", b"resent")
    came: list[bytes] = []
    assert until(lambda: came.extend(a.payload for a in reader.take(9, 0.1)) or b"resent" in came, 10)  # fmt: skip
    reader.close()
    site.close()


def test_the_set_up_may_be_repeated_and_takes_a_new_password(fleet: Fleet) -> None:
    before = fleet.workers("w1")
    assert "made" not in fleet.hub("broker-setup")
    assert until(lambda: before.cut is not None, 10)
    (fleet.folder / "hub.password").write_text("invented-hub-2\n", encoding="utf-8")
    assert not fleet.workers("w1").let_in
    fleet.hub("broker-setup")
    after = fleet.workers("w1")
    assert after.let_in
    assert after.subscribe("canister/#")
    after.close()


def test_rotated_the_old_password_ends_at_once(fleet: Fleet) -> None:
    old = fleet.enrol("mill", "north")
    session = fleet.login(old)
    assert session.let_in
    assert "already" in fleet.refused("rotate", "mill", "--bundle", str(fleet.folder / "mill.toml"))
    assert fleet.bundle("mill.toml") == old, "a bundle is never written over"
    assert session.publish("canister/mill/events"), "and nothing was changed"
    fleet.hub("rotate", "mill", "--bundle", str(fleet.folder / "mill-2.toml"))
    new = fleet.bundle("mill-2.toml")
    assert until(lambda: session.cut is not None, 10), "the open session is cut"
    assert new["password"] != old["password"]
    assert {**new, "password": ""} == {**old, "password": ""}
    assert not fleet.login(old).let_in
    again = fleet.login(new)
    assert again.publish("canister/mill/events")
    again.close()


def test_revoked_it_logs_in_no_more_and_comes_back_with_a_new_bundle(fleet: Fleet) -> None:
    old = fleet.enrol("quay", "north")
    session = fleet.login(old)
    assert "Undo: canister hub enrol quay --client north" in fleet.hub("revoke", "quay")
    assert until(lambda: session.cut is not None, 10)
    assert not fleet.login(old).let_in
    fleet.hub("revoke", "quay")
    assert "was revoked" in fleet.refused("rotate", "quay", "--bundle", str(fleet.folder / "q"))
    assert "was north's" in fleet.refused("enrol", "quay", "--client", "south")
    new = fleet.enrol("quay", "north", "quay-2.toml")
    assert not fleet.login(old).let_in
    assert fleet.login(new).let_in


def test_enrolling_repairs_what_stands_at_the_broker_by_mistake(fleet: Fleet) -> None:
    """A role left over by a broken try, and wide open, is narrowed; the user's other roles go."""
    from monitor.hub.dynsec import Administrator, Plugin

    wide = {"acltype": "subscribePattern", "topic": "#", "allow": True, "priority": 0}
    name = "site-canister-weir"
    who = Administrator("127.0.0.1", fleet.broker.port, "admin", ADMIN_PASSWORD, True,
                        str(fleet.broker.folder / "ca.pem"))  # fmt: skip
    with Plugin(who) as plugin:
        plugin.do([
            {"command": "createRole", "rolename": name, "acls": [wide]},
            {"command": "createClient", "username": name, "password": "left over",
             "roles": [{"rolename": "admin"}]},
        ])  # fmt: skip
    site = fleet.login(fleet.enrol("weir", "north"))
    assert site.publish("canister/weir/events")
    for topic in ("#", "canister/#", "$CONTROL/dynamic-security/v1/response"):
        assert not site.subscribe(topic)
    assert not site.publish("$CONTROL/dynamic-security/v1", b"{}")
    site.close()
    left = Stranger(fleet.broker, name, "left over", name)
    assert not left.let_in


def test_what_fails_leaves_neither_a_site_nor_a_bundle(fleet: Fleet) -> None:
    away = fleet.folder / "away.toml"
    good = fleet.config
    cases = {
        "not reached": fleet.configured("a.toml", port=free_port()),
        "refuses the user admin": fleet.configured("b.toml", admin_password_file=f"{fleet.folder}/wrong"),
        "refuses the user nobody": fleet.configured("c.toml", admin_username="nobody"),
        "may not administer it": fleet.configured("d.toml", admin_username="hub", username="other",
                                                 admin_password_file=f"{fleet.folder}/hub.password"),
    }  # fmt: skip
    (fleet.folder / "wrong").write_text("guess\n", encoding="utf-8")
    for told, config in cases.items():
        fleet.config = config
        assert told in fleet.refused("enrol", "away", "--client", "north", "--bundle", str(away), code=1)  # fmt: skip
        assert not away.exists()
    fleet.config = fleet.configured("e.toml", host="localhost", public_host="")
    assert "broker.public_host: is not set" in fleet.refused("enrol", "away", "--client", "north", "--bundle", str(away))  # fmt: skip
    fleet.config = fleet.configured("f.toml", username="admin")
    assert "is the administrator's too" in fleet.refused("broker-setup")
    fleet.config = good
    assert "away" not in fleet.hub("site", "list")
    assert "away" not in fleet.hub("audit")


def test_a_broker_without_the_plugin_is_told(
    fleet: Fleet, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.errors import BrokerError
    from monitor.hub import dynsec

    monkeypatch.setattr(dynsec, "_WITHIN_S", 1.0)
    who = dynsec.Administrator("127.0.0.1", mosquitto.port, "x", "y")
    with pytest.raises(BrokerError, match=r"see that mosquitto\.conf loads it"), dynsec.Plugin(who) as p:  # fmt: skip
        p.ask([{"command": "listClients"}])


def test_without_an_administrator_the_commands_are_printed_and_work(fleet: Fleet) -> None:
    from monitor.hub.dynsec import Administrator, Plugin

    good, fleet.config = fleet.config, fleet.configured("hand.toml", admin_username="")
    file = fleet.folder / "dock.toml"
    done = run("hub", "enrol", "dock", "--client", "north", "--bundle", str(file), "--config", fleet.config)  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "The broker knows nothing of it yet" in done.stderr
    assert not fleet.login(fleet.bundle("dock.toml")).let_in
    import json

    who = Administrator("127.0.0.1", fleet.broker.port, "admin", ADMIN_PASSWORD, True,
                        str(fleet.broker.folder / "ca.pem"))  # fmt: skip
    with Plugin(who) as plugin:
        plugin.do(json.loads(done.stdout)["commands"])
    assert fleet.login(fleet.bundle("dock.toml")).let_in
    fleet.config = good


def test_secrets_are_in_no_trail_no_output_and_no_log(fleet: Fleet, bundles: Pair) -> None:
    assert stat.S_IMODE((fleet.folder / "north_hall.toml").stat().st_mode) == 0o600
    assert stat.S_IMODE((fleet.folder / "hub.password").stat().st_mode) == 0o600
    said = fleet.hub("audit", "--json", "--last", "1000") + fleet.hub("site", "list", "--json")
    said += (fleet.broker.folder / "log").read_text("utf-8", errors="replace")
    stored = b"".join(f.read_bytes() for f in (fleet.folder / "books").iterdir())
    for bundle in bundles:
        assert bundle["password"] not in said
        assert bundle["password"].encode() not in stored


def test_a_board_joins_and_goes_on_when_its_password_is_rotated(
    fleet: Fleet, canister: type[Command], tmp_path: Path
) -> None:
    file = settings(tmp_path, None, 'faults = ["stall@6s"]')
    text = file.read_text("utf-8")
    file.write_text("# kept as it is\n" + text, encoding="utf-8")
    fleet.enrol("pump_house", "south")
    first = fleet.folder / "pump_house.toml"
    told = run("join", str(first), "--config", str(file))
    assert told.exit_code == 0, told.output
    assert "The site was test_room; the hub knows it as pump_house." in told.output
    secret = fleet.bundle("pump_house.toml")["password"]
    assert secret not in told.output + file.read_text("utf-8")
    assert file.read_text("utf-8").startswith("# kept as it is\n")
    kept = tmp_path / "state" / "fleet.password"
    assert kept.read_text("utf-8").strip() == secret
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    parts = {p["part"]: p for p in map(_json, run("check", "--json", "--config", str(file)).stdout.splitlines())}  # fmt: skip
    assert parts["broker"]["verdict"] == "fine", parts["broker"]

    worker = fleet.workers("w1")
    assert worker.subscribe("canister/pump_house/#")
    daemon = canister("run", "--config", str(file))
    assert ready(daemon)
    assert until(lambda: any(b"flow-stopped" in p for t, p in worker.came if t.endswith("/events")), 30), daemon.errors  # fmt: skip
    parts = {p["part"]: p for p in map(_json, run("check", "--json", "--config", str(file)).stdout.splitlines())}  # fmt: skip
    assert parts["broker"]["verdict"] == "look", "the daemon's connection is left alone"
    _no_secret_in_ps(secret)

    fleet.hub("rotate", "pump_house", "--bundle", str(fleet.folder / "pump_house-2.toml"))
    assert until(lambda: "connection lost" in daemon.errors, 30), daemon.errors
    told = run("join", str(fleet.folder / "pump_house-2.toml"), "--config", str(file))
    assert "the password is the new one" in told.output
    count = len(worker.came)
    assert until(lambda: len(worker.came) > count and "works again" in daemon.errors, 90), daemon.errors  # fmt: skip
    assert daemon.stop() == 0
    for password in (secret, fleet.bundle("pump_house-2.toml")["password"]):
        assert password not in daemon.errors
    worker.close()


def _json(line: str) -> dict[str, Any]:
    import json

    found: dict[str, Any] = json.loads(line)
    return found


def _no_secret_in_ps(secret: str) -> None:
    """No command line and no environment of any process that we may read holds it."""
    looked = 0
    for process in Path("/proc").glob("[0-9]*"):
        for name in ("cmdline", "environ"):
            try:
                body = (process / name).read_bytes()
            except OSError:
                continue
            looked += 1
            assert secret.encode() not in body, process
    assert looked > 2
