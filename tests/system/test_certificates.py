"""TLS with a certificate of the site's own: let in with it, kept out without, its end announced."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.conftest import Command, Mosquitto, free_port, until
from tests.support.subscriber import Subscriber
from tests.system.test_daemon import settings

OPENSSL_EC = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]


def openssl(*words: str) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True, timeout=30)


@pytest.fixture
def papers(tmp_path: Path) -> Path:
    """An invented authority, a certificate of the broker and one of the site."""
    folder = tmp_path / "papers"
    folder.mkdir()
    openssl("req", "-x509", *OPENSSL_EC, "-days", "365", "-subj", "/CN=invented authority",
            "-keyout", f"{folder}/ca.key", "-out", f"{folder}/ca.pem")  # fmt: skip
    for name, subject, days in (("broker", "/CN=127.0.0.1", "365"), ("site", "/CN=test_room", "5")):
        openssl("req", *OPENSSL_EC, "-subj", subject, "-addext", "subjectAltName=IP:127.0.0.1",
                "-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.csr")  # fmt: skip
        openssl("x509", "-req", "-in", f"{folder}/{name}.csr", "-CA", f"{folder}/ca.pem",
                "-CAkey", f"{folder}/ca.key", "-CAcreateserial", "-days", days,
                "-copy_extensions", "copy", "-out", f"{folder}/{name}.pem")  # fmt: skip
    return folder


def test_the_site_shows_its_certificate(
    canister: type[Command], papers: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "broker"
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
