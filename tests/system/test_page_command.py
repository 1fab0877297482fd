"""`canister page` and `canister page-password` from the command line: what is told, and over TLS."""

from __future__ import annotations

import http.client
import shutil
import signal
import ssl
import stat
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlencode

import pytest

from monitor.page.password import fits, kept
from tests.conftest import Command, until
from tests.support.paged_site import PASSWORD, PagedSite


def set_password(site: PagedSite, password: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "monitor", "page-password", "--config", str(site.file)]
    return subprocess.run(
        command, input=f"{password}\n", capture_output=True, text=True, timeout=60, check=False
    )


def test_a_password_is_set_from_a_pipe_and_never_shown(
    canister: type[Command], tmp_path: Path
) -> None:
    site = PagedSite(tmp_path, canister)
    done = set_password(site, "another good password")
    assert done.returncode == 0, done.stderr
    file = tmp_path / "own" / "password"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert fits("another good password", kept(file))
    assert "another good" not in done.stdout + done.stderr
    done = set_password(site, "short")
    assert done.returncode == 2
    assert done.stderr == (
        "canister: password: 5 characters, expected 10 to 200; several words that do not belong "
        "together are easy to keep\n"
    )
    assert fits("another good password", kept(file))


def test_without_a_password_it_does_not_start(canister: type[Command], tmp_path: Path) -> None:
    site = PagedSite(tmp_path, canister)
    (tmp_path / "own" / "password").unlink()
    page = canister("page", "--config", str(site.file))
    assert page.wait() == 2
    assert "no password yet; set one with: canister page-password" in page.errors
    assert "Traceback" not in page.errors


def test_a_port_that_is_taken_is_told(canister: type[Command], tmp_path: Path) -> None:
    site = PagedSite(tmp_path, canister)
    site.start_page()
    second = canister("page", "--config", str(site.file))
    assert second.wait() == 1
    assert f"cannot listen on 127.0.0.1, port {site.port}" in second.errors
    assert "Traceback" not in second.errors


def test_it_warns_when_others_reach_it_unencrypted_and_stops_when_told(
    canister: type[Command], tmp_path: Path
) -> None:
    site = PagedSite(tmp_path, canister)
    page = canister("page", "-c", str(site.file), env={"CANISTER_PAGE__HOST": "0.0.0.0"})
    assert until(lambda: "page: http" in page.errors, 30), page.errors
    assert "Not encrypted: whoever shares this network can read the password" in page.errors
    assert "Not encrypted" in ask(site, "/login")[2]
    page.process.send_signal(signal.SIGTERM)
    assert page.wait(15) == 0
    assert "Traceback" not in page.errors


def ask(
    site: PagedSite,
    path: str,
    form: dict[str, str] | None = None,
    trust: str = "",
    cookie: str = "",
) -> tuple[int, dict[str, str], str]:
    scheme = "https" if trust else "http"
    link: http.client.HTTPConnection
    if trust:
        context = ssl.create_default_context(cafile=trust)
        link = http.client.HTTPSConnection("127.0.0.1", site.port, timeout=10, context=context)
    else:
        link = http.client.HTTPConnection("127.0.0.1", site.port, timeout=10)
    headers = {"Origin": f"{scheme}://127.0.0.1:{site.port}", "Cookie": cookie}
    body = urlencode(form).encode() if form is not None else None
    link.request("POST" if form is not None else "GET", path, body, headers)
    with link.getresponse() as answer:
        text = answer.read().decode()
        found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, text
    link.close()
    return found


def test_over_tls_the_cookie_is_for_tls_only(canister: type[Command], tmp_path: Path) -> None:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.fail("openssl is missing; tests/run installs it")
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=cellar",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", cert],
        check=True, capture_output=True,
    )  # fmt: skip
    site = PagedSite(tmp_path, canister)
    tls = {"CANISTER_PAGE__CERT_FILE": str(cert), "CANISTER_PAGE__KEY_FILE": str(key)}
    page = canister("page", "-c", str(site.file), env=tls)
    assert until(lambda: "page: https" in page.errors, 30), page.errors
    status, headers, _ = ask(site, "/login", {"password": PASSWORD}, str(cert))
    assert status == 303
    cookie = headers["set-cookie"]
    assert cookie.startswith("__Host-canister_page=")
    assert {"Secure", "HttpOnly", "SameSite=Lax"} <= {p.strip() for p in cookie.split(";")}
    assert "server" not in headers
    status, _, text = ask(site, "/", None, str(cert), cookie.split(";")[0])
    assert status == 200
    assert "Cellar (invented)" in text
    assert PASSWORD not in page.errors
    assert cookie.split(";")[0] not in page.errors


def test_the_sites_orders_reach_a_daemon_that_starts_later(
    canister: type[Command], tmp_path: Path
) -> None:
    """What the page puts down while nothing runs takes effect at the start, as with the commands."""
    site = PagedSite(tmp_path, canister)
    site.start_daemon().stop()
    site.start_page()
    _, headers, _ = ask(site, "/login", {"password": PASSWORD, "by": "Ada"})
    cookie = headers["set-cookie"].split(";")[0]
    text = ask(site, "/", cookie=cookie)[2]
    token = text.split('name="csrf" value="')[1].split('"')[0]
    form = {"csrf": token, "order": "cleaned", "filter": "left"}
    assert "takes effect when canister run is started" in ask(site, "/act", form, cookie=cookie)[2]
    daemon = site.start_daemon()
    assert until(lambda: "left: cleaned" in daemon.errors, 15), daemon.errors
