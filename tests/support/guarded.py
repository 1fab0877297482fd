"""The broker as deploy/fleet/FLEET.md sets it up, and a stranger's hands on it."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.conftest import Mosquitto, until
from tests.support.commands import run

FLEET = Path(__file__).resolve().parents[2] / "deploy" / "fleet" / "FLEET.md"
PLUGIN = "mosquitto_dynamic_security.so"
ADMIN_PASSWORD = "invented-admin"


def fleet_broker(folder: Path) -> Mosquitto:
    """Return a broker, not started, of the lines of the fleet's chapter and with a certificate for
    127.0.0.1; only port, files and the plugin's place are this machine's."""
    folder.mkdir()
    rules = folder / "rules.json"
    subprocess.run(["mosquitto_ctrl", "dynsec", "init", str(rules), "admin", ADMIN_PASSWORD],
                   check=True, capture_output=True, timeout=20)  # fmt: skip
    rules.chmod(0o600)
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "365",
         "-keyout", str(folder / "key.pem"), "-out", str(folder / "ca.pem"),
         "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    (lines,) = re.findall(r"```\n   (allow_anonymous.*?)```", FLEET.read_text("utf-8"), re.DOTALL)
    (plugin, *_) = [str(p) for p in Path("/usr/lib").glob(f"*/{PLUGIN}")]
    broker = Mosquitto(folder, listener="\n")
    changes = {
        rf"/usr/lib/\S+/{PLUGIN}": plugin,
        r"/var/lib/mosquitto/\S+\.json": str(rules),
        r"listener 8883": f"listener {broker.port} 127.0.0.1",
        r"certfile \S+": f"certfile {folder}/ca.pem",
        r"keyfile \S+": f"keyfile {folder}/key.pem",
    }
    for old, new in changes.items():
        lines, count = re.subn(old, new, lines)
        assert count == 1, old
    lines = "\n".join(line.strip() for line in lines.splitlines())
    text = broker.config.read_text("utf-8")
    broker.config.write_text(text + lines + "\n", encoding="utf-8")
    return broker


class Stranger:
    """A client that is not ours, with whatever name, password and client id it likes.

    Args:
        broker: made by `fleet_broker`.
        username, password, client_id: whatever it tries.
        will: topic of its last will.
        version: `paho.MQTTv5` or `paho.MQTTv311`.
    """

    def __init__(
        self,
        broker: Mosquitto,
        username: str,
        password: str,
        client_id: str,
        will: str = "",
        version: Any = paho.MQTTv5,
    ) -> None:
        self.connected: int | None = None
        self.cut: int | None = None
        self.came: list[tuple[str, bytes]] = []
        self._grants: dict[int, int] = {}
        self._acks: dict[int, int] = {}
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id,
                                  protocol=version, reconnect_on_failure=False)  # fmt: skip
        self.client.username_pw_set(username, password)
        self.client.tls_set(str(broker.folder / "ca.pem"))
        if will:
            self.client.will_set(will, b"will", qos=1, retain=True)
        self.client.on_connect = lambda _c, _d, _f, r, _p: setattr(self, "connected", r.value)
        self.client.on_disconnect = lambda _c, _d, _f, r, _p: setattr(self, "cut", r.value)
        self.client.on_subscribe = self._subscribed
        self.client.on_publish = lambda _c, _d, mid, r, _p: self._acks.update({mid: r.value})
        self.client.on_message = lambda _c, _d, m: self.came.append((m.topic, m.payload))
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        assert until(lambda: self.connected is not None, 10)

    def _subscribed(self, _c: Any, _d: Any, mid: int, reasons: Any, _p: Any) -> None:
        self._grants[mid] = int(reasons[0].value)

    @property
    def let_in(self) -> bool:
        return self.connected == 0 and self.cut is None

    def subscribe(self, topic: str) -> bool:
        """Return whether the broker grants it."""
        _, mid = self.client.subscribe(topic, qos=1)
        assert mid is not None
        assert until(lambda: mid in self._grants, 10), f"{topic}: no answer"
        return self._grants[mid] < 128

    def publish(self, topic: str, payload: bytes = b"x", retain: bool = False) -> bool:
        """Return whether the broker takes it (MQTT 5 only: it says so)."""
        sent = self.client.publish(topic, payload, qos=1, retain=retain)
        assert until(lambda: sent.mid in self._acks, 10), f"{topic}: no answer"
        return self._acks[sent.mid] < 128

    def vanish(self) -> None:
        """End without a word, so that the broker says the last will."""
        properties = None
        if self.client._protocol == paho.MQTTv5:
            properties = Properties(PacketTypes.DISCONNECT)
        # Reason 0x04, "disconnect with will message" (MQTT 5.0 section 3.14.2.1).
        self.client.disconnect(reasoncode=_with_will(), properties=properties)
        self.client.loop_stop()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def _with_will() -> Any:
    from paho.mqtt.reasoncodes import ReasonCode

    return ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")


class Fleet:
    """A hub's configuration beside its broker."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.folder, self.broker = folder, broker
        (folder / "admin.password").write_text(ADMIN_PASSWORD + "\n", encoding="utf-8")
        self.config = self.configured()

    def configured(self, name: str = "fleet.toml", **changes: Any) -> str:
        values = {
            "host": "127.0.0.1", "port": self.broker.port, "public_host": "127.0.0.1",
            "username": "hub", "password_file": f"{self.folder}/hub.password",
            "admin_username": "admin", "admin_password_file": f"{self.folder}/admin.password",
        } | changes  # fmt: skip
        lines = [f"{k} = {v!r}" for k, v in values.items()]
        file = self.folder / name
        file.write_text(
            f"[books]\nfolder = '{self.folder}/books'\n[broker]\n" + "\n".join(lines)
            + f"\n[broker.tls]\nenabled = true\nca_file = '{self.broker.folder}/ca.pem'\n",
            encoding="utf-8",
        )  # fmt: skip
        return str(file)

    def hub(self, *words: str) -> str:
        """Run a command of the hub that must work; return what it said."""
        done = run("hub", *words, "--config", self.config)
        assert done.exit_code == 0, done.output
        return done.output

    def refused(self, *words: str, code: int = 2) -> str:
        """Run a command of the hub that must be refused; return its one line."""
        done = run("hub", *words, "--config", self.config)
        assert done.exit_code == code, done.output
        (line,) = done.stderr.strip().splitlines()
        assert "Traceback" not in done.output
        return str(line)

    def bundle(self, file: str) -> dict[str, Any]:
        return tomllib.loads((self.folder / file).read_text("utf-8"))

    def enrol(self, site: str, client: str, file: str = "") -> dict[str, Any]:
        file = file or f"{site}.toml"
        self.hub("enrol", site, "--client", client, "--bundle", str(self.folder / file))
        return self.bundle(file)

    def login(self, bundle: dict[str, Any], **changes: Any) -> Stranger:
        """Log in as the site that a bundle is for, or nearly so."""
        own = {k: bundle[k] for k in ("username", "password", "client_id")}
        return Stranger(self.broker, **(own | changes))

    def workers(self, client_id: str) -> Stranger:
        password = (self.folder / "hub.password").read_text("utf-8").strip()
        return Stranger(self.broker, "hub", password, client_id)
