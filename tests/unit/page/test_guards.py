"""Password, log-ins, limits, and what a request must bring to change something."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from monitor.errors import StorageError, UserMistake
from monitor.page import orders, requests
from monitor.page.limits import Limiter
from monitor.page.password import _hashed, fits, keep, kept, made
from monitor.page.session import Sessions

PASSWORD = "correct horse battery staple"
KEY = b"k" * 32


def test_a_password_is_kept_as_a_hash_that_only_its_user_reads(tmp_path: Path) -> None:
    file = tmp_path / "own" / "password"
    keep(file, made(PASSWORD))
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(file.parent.stat().st_mode) == 0o700
    assert PASSWORD.encode() not in file.read_bytes()
    secret = kept(file)
    assert fits(PASSWORD, secret)
    assert not fits(PASSWORD + " ", secret)
    assert not fits("", secret)
    assert not fits("x" * 10_000, secret)


def test_the_hash_is_that_of_the_standard() -> None:
    """RFC 7914, section 12: the third test vector (N = 16384, r = 8, p = 1), its first 32 bytes."""
    found = _hashed("pleaseletmein", b"SodiumChloride", 16384, 8, 1)
    assert found.hex() == "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"


def test_the_same_password_twice_has_nothing_in_common() -> None:
    one, two = made(PASSWORD), made(PASSWORD)
    assert one.salt != two.salt
    assert one.hash != two.hash
    assert one.key != two.key


@pytest.mark.parametrize("password", ["short", "x" * 201])
def test_a_password_of_a_wrong_length_is_refused(password: str) -> None:
    with pytest.raises(UserMistake, match=rf"{len(password)} characters, expected 10 to 200"):
        made(password)


def test_a_password_file_that_cannot_be_trusted_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "password"
    with pytest.raises(UserMistake, match="no password yet; set one with: canister page-password"):
        kept(file)
    keep(file, made(PASSWORD))
    file.chmod(0o640)
    with pytest.raises(UserMistake, match="others can read it"):
        kept(file)
    file.chmod(0o600)
    file.write_text("{}", encoding="utf-8")
    with pytest.raises(UserMistake, match="not a password file"):
        kept(file)
    with pytest.raises(StorageError, match="cannot be written"):
        keep(file / "below", made(PASSWORD))


def test_a_log_in_lasts_its_time_and_is_known_by_its_signature() -> None:
    sessions = Sessions(KEY)
    session, cookie = sessions.begin("Ada", 1000.0, 60.0)
    assert sessions.of(cookie, 1059.0) == session
    assert sessions.of(cookie, 1060.0) is None
    body, _, signature = cookie.partition(".")
    other = "B" if signature[0] == "A" else "A"
    for bad in (
        None,
        "",
        ".",
        body,
        f"{body}.",
        f"{body}.{other}{signature[1:]}",
        f"x{body}.{signature}",
        "é.é",
    ):
        assert sessions.of(bad, 1000.0) is None
    assert Sessions(b"j" * 32).of(cookie, 1000.0) is None


def test_a_log_out_ends_it_at_once() -> None:
    sessions = Sessions(KEY)
    session, cookie = sessions.begin("", 0.0, 60.0)
    sessions.end(session)
    assert sessions.of(cookie, 1.0) is None


def test_a_forms_token_is_of_its_session_only() -> None:
    sessions = Sessions(KEY)
    one, _ = sessions.begin("", 0.0, 60.0)
    two, _ = sessions.begin("", 0.0, 60.0)
    assert sessions.is_from(one, sessions.csrf(one))
    assert not sessions.is_from(one, sessions.csrf(two))
    assert not sessions.is_from(one, "")
    assert not sessions.is_from(one, "é")


def test_tries_are_counted_and_forgotten() -> None:
    limiter = Limiter(3, 60.0)
    for at_s in (0.0, 10.0, 20.0):
        assert limiter.wait_s("a", at_s) == 0
        limiter.note("a", at_s)
    assert limiter.wait_s("a", 20.0) == 40
    assert limiter.wait_s("b", 20.0) == 0
    assert limiter.wait_s("a", 60.0) == 0
    limiter.forget("a")
    assert limiter.wait_s("a", 20.0) == 0


def test_many_names_do_not_fill_the_memory() -> None:
    limiter = Limiter(1, 60.0)
    for n in range(5000):
        limiter.note(str(n), 0.0)
    assert len(limiter._of) == 2000
    assert limiter.wait_s("4999", 1.0) > 0


@pytest.mark.parametrize(
    ("headers", "scheme", "ours"),
    [
        ({"host": "pi:8440", "origin": "http://pi:8440"}, "http", True),
        ({"host": "pi:8440", "origin": "http://pi:8440", "sec-fetch-site": "same-origin"}, "http", True),
        ({"host": "pi:8440", "sec-fetch-site": "same-origin"}, "http", True),
        ({"host": "pi:8440"}, "http", False),
        ({"host": "pi:8440", "origin": "null"}, "http", False),
        ({"host": "pi:8440", "origin": "http://elsewhere.example"}, "http", False),
        ({"host": "pi:8440", "origin": "http://pi:9000"}, "http", False),
        ({"host": "pi:8440", "origin": "http://pi:8440"}, "https", False),
        ({"host": "pi:8440", "origin": "http://pi:8440", "sec-fetch-site": "cross-site"}, "http", False),
    ],
)  # fmt: skip
def test_only_pages_of_ours_may_ask_for_something(
    headers: dict[str, str], scheme: str, ours: bool
) -> None:
    assert requests.is_our_own(headers, scheme) is ours


def test_a_cookie_is_out_of_reach_of_scripts_and_strangers() -> None:
    plain, safe = requests.cookie("v", 60, False), requests.cookie("v", 60, True)
    assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= {p.strip() for p in plain.split(";")}
    assert "Secure" in safe
    assert safe.startswith("__Host-")
    assert requests.cookie_value("a=b; canister_page=v; c=d", False) == "v"
    assert requests.cookie_value("canister_page=v", True) is None
    assert requests.cookie_value(None, False) is None


def test_a_form_is_read_whole_or_refused() -> None:
    assert requests.form_fields(b"a=1&b=&a=2") == {"a": "1", "b": ""}
    for bad in (b"a=%ff%fe", b"\xff", b"&".join(b"a%d=1" % n for n in range(40))):
        with pytest.raises(ValueError):  # noqa: PT011
            requests.form_fields(bad)


@pytest.mark.parametrize(
    "fields",
    [
        {"order": "renewed", "filter": "left"},
        {"order": "test-alarm", "filter": ""},
        {"order": "cleaned", "filter": ""},
        {"order": "cleaned", "filter": "right"},
        {"order": "feeding", "filter": "left", "minutes": "nan"},
        {"order": "feeding", "filter": "left", "minutes": "-1"},
        {"order": "shelve", "filter": "left", "minutes": "1e9", "alarm": "flow-low"},
        {"order": "shelve", "filter": "left", "minutes": "5", "alarm": "leak"},
        {"order": "acknowledge", "filter": "", "alarm": "flow-low"},
        {"order": "acknowledge", "filter": "left", "alarm": ""},
        {},
    ],
)
def test_only_what_the_page_offers_becomes_an_order(fields: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=r"there is no such|was expected"):
        orders.order(fields, ["left"], "")


def test_an_order_is_what_a_command_would_give() -> None:
    fields = {
        "order": "shelve",
        "filter": "left",
        "alarm": "flow-low",
        "minutes": "240",
        "occurrence": "9",
    }
    found = orders.order(fields, ["left"], "Ada")
    assert (found.name, found.filter_id, found.alarm) == ("shelve", "left", "flow-low")
    assert (found.minutes, found.occurrence, found.by) == (240.0, 0, "Ada, on the page")
    found = orders.order({**fields, "order": "acknowledge"}, ["left"], "")
    assert (found.minutes, found.occurrence, found.by) == (0.0, 9, "the page")


def test_a_name_is_printable_and_short() -> None:
    assert orders.printable(" A\x1b[31md\na ") == "A[31mda"
    assert len(orders.printable("x" * 500)) == 40
