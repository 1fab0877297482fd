"""The bundle: what goes in comes out, and nothing that is not one is taken or shown."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import UserMistake
from monitor.fleet.bundle import Bundle, read, written

PEM = "-----BEGIN CERTIFICATE-----\nTm90IGEgY2VydGlmaWNhdGU=\n-----END CERTIFICATE-----"
ONE = Bundle("room", "hub.example.org", 8883, True, "canister", "site-canister-room",
             "site-canister-room", "invented-secret", PEM)  # fmt: skip


def test_another_program_reads_the_same() -> None:
    found = tomllib.loads(written(ONE))
    assert found["host"] == "hub.example.org"
    assert found["port"] == 8883
    assert found["tls"] is True
    assert found["password"] == "invented-secret"
    assert found["ca_pem"].strip() == PEM


words = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=40)


@given(host=words, name=words, password=words, port=st.integers(1, 65535), tls=st.booleans())
def test_what_goes_in_comes_out(host: str, name: str, password: str, port: int, tls: bool) -> None:
    bundle = Bundle("room", host, port, tls, "canister", name, name, password)
    assert read(written(bundle), "x") == bundle


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("format = 1", "format = 2"), "has format 2, expected 1; upgrade"),
        (("format = 1\n", ""), "missing required field `format`"),
        (("port = 8883", "port = 0"), "port is 0, expected 1 to 65535"),
        (("port = 8883", 'port = "x"'), "Expected `int`, got `str`"),
        (('site = "room"', 'site = ""'), "site is empty"),
        (('site = "room"', "site = "), "not valid TOML"),
        (('site = "room"', 'site = "room"\nsight = 1'), "unknown field `sight`"),
        (("password", "passwort"), "field `passwort`"),
    ],
)
def test_what_is_not_one_is_refused_in_one_line_without_its_secret(
    change: tuple[str, str], told: str
) -> None:
    text = written(ONE)
    assert change[0] in text
    head, _, body = text.partition("format")
    with pytest.raises(UserMistake) as raised:
        read(head + ("format" + body).replace(*change), "b.toml")
    line = str(raised.value)
    assert line.startswith("b.toml: ")
    assert told in line
    assert "\n" not in line
    assert "invented-secret" not in line


def test_it_is_never_shown() -> None:
    assert "invented-secret" not in f"{ONE} {ONE!r} {[ONE]}"
