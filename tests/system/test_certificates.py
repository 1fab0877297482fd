"""TLS with a certificate of the site's own: let in with it, kept out without, its end announced."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from monitor.delivery.mqtt import BrokerAddress, Message, Session
from monitor.errors import Refused
from tests.conftest import Command, Mosquitto, free_port, until
from tests.support.subscriber import Subscriber
from tests.system.test_daemon import settings

OPENSSL_EC = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]


def openssl(*words: str) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True, timeout=30)


def signed(folder: Path, name: str, subject: str, days: str) -> None:
    """A certificate by the authority of this folder."""
    openssl("req", *OPENSSL_EC, "-subj", subject, "-addext", "subjectAltName=IP:127.0.0.1",
            "-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.csr")  # fmt: skip
    openssl("x509", "-req", "-in", f"{folder}/{name}.csr", "-CA", f"{folder}/ca.pem",
            "-CAkey", f"{folder}/ca.key", "-CAcreateserial", "-days", days,
            "-copy_extensions", "copy", "-out", f"{folder}/{name}.pem")  # fmt: skip


@pytest.fixture
def papers(tmp_path: Path) -> Path:
    """An invented authority, a certificate of the broker and one of the site."""
    folder = tmp_path / "papers"
    folder.mkdir()
    openssl("req", "-x509", *OPENSSL_EC, "-days", "365", "-subj", "/CN=invented authority",
            "-keyout", f"{folder}/ca.key", "-out", f"{folder}/ca.pem")  # fmt: skip
    for name, subject, days in (("broker", "/CN=127.0.0.1", "365"), ("site", "/CN=test_room", "5")):
        signed(folder, name, subject, days)
    return folder


def locked(folder: Path, papers: Path) -> Mosquitto:
    """A broker that asks everybody for a certificate."""
    folder.mkdir()
    port = free_port()
    broker = Mosquitto(
        folder,
        listener=f"listener {port} 127.0.0.1\nallow_anonymous false\ncafile {papers}/ca.pem\n"
        f"certfile {papers}/broker.pem\nkeyfile {papers}/broker.key\n"
        "require_certificate true\nuse_identity_as_username true\n",
    )
    broker.port = port
    broker.start()
    return broker


def test_the_site_shows_its_certificate(
    canister: type[Command], papers: Path, tmp_path: Path
) -> None:
    broker = locked(tmp_path / "broker", papers)
    port = broker.port
    own = (
        "--cafile",
        f"{papers}/ca.pem",
        "--cert",
        f"{papers}/site.pem",
        "--key",
        f"{papers}/site.key",
    )
    events = Subscriber(tmp_path, port, "canister/#", *own)
    tables = (
        f'[mqtt.tls]\nenabled = true\nca_file = "{papers}/ca.pem"\n'
        f'cert_file = "{papers}/site.pem"\nkey_file = "{papers}/site.key"\n'
    )
    try:
        file = settings(tmp_path, port, 'faults = ["stall@2s"]', "", tables)
        daemon = canister("run", "--config", str(file))
        assert until(lambda: ("raised", "flow-stopped") in events.events(), 40), daemon.errors
        # The certificate ends in five days, and thirty before its end that is said.
        assert until(lambda: ("raised", "certificate-ending") in events.events(), 40), daemon.errors
        assert daemon.stop() == 0
        without = settings(
            tmp_path, port, "", "", f'[mqtt.tls]\nenabled = true\nca_file = "{papers}/ca.pem"'
        )
        stranger = canister("check", "--config", str(without))
        assert stranger.wait() in (1, 2)
        assert "broker" in stranger.output
        # A strange broker is not spoken to: another authority signed what it shows.
        openssl("req", "-x509", *OPENSSL_EC, "-days", "365", "-subj", "/CN=another",
                "-keyout", f"{papers}/x.key", "-out", f"{papers}/x.pem")  # fmt: skip
        wrong = settings(tmp_path, port, "", "", tables.replace("ca.pem", "x.pem"))
        kept_out = canister("check", "--config", str(wrong))
        assert kept_out.wait() in (1, 2)
        assert "TLS failed" in kept_out.output
    finally:
        events.stop()
        broker.kill()


# paho leaves the socket of a failed handshake to the collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_the_certificate_of_the_broker_is_watched_and_refused_once_it_has_ended(
    canister: type[Command], papers: Path, tmp_path: Path
) -> None:
    signed(papers, "site", "/CN=test_room", "365")
    signed(papers, "broker", "/CN=127.0.0.1", "3")
    broker = locked(tmp_path / "broker", papers)
    tables = (
        f'[mqtt.tls]\nenabled = true\nca_file = "{papers}/ca.pem"\n'
        f'cert_file = "{papers}/site.pem"\nkey_file = "{papers}/site.key"\n'
    )
    file = str(settings(tmp_path, broker.port, "", "", tables))
    daemon = canister("run", "--config", file)
    try:
        assert until(lambda: "the broker's certificate ends on " in daemon.errors, 40), (
            daemon.errors
        )
        assert "site: certificate-ending raised" in daemon.errors
        assert daemon.stop() == 0
        broker.kill()
        signed(papers, "broker", "/CN=127.0.0.1", "-1")
        broker.start()
        said = "its certificate is not accepted: certificate has expired"
        check = canister("check", "--config", file)
        assert check.wait() == 1
        assert "expired" in check.output
        again = canister("run", "--config", file)
        assert until(lambda: said in again.errors, 30), again.errors
        assert again.stop() == 0
        # A refusal, and so an alarm of the site once it has lasted (test_access.py has that to its end).
        address = BrokerAddress(
            "127.0.0.1", broker.port, True, "x", tls=True, ca_file=f"{papers}/ca.pem",
            cert_file=f"{papers}/site.pem", key_file=f"{papers}/site.key",
        )  # fmt: skip
        with pytest.raises(Refused, match="certificate has expired"):
            Session(address, Message("canister/test_room/x", b""), lambda: None).open()
    finally:
        broker.kill()
