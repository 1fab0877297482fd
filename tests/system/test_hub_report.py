"""`canister hub report` over a real InfluxDB: every figure worked out by hand in tests/support/clients_month.py."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import pypdf
import pytest

from monitor.app.fleet.client_report import Gatherer, NothingThereError, window
from monitor.app.fleet.past import Past
from monitor.app.reports import of_month, reader_of
from monitor.delivery.influx import Server
from monitor.delivery.influxql import Asker
from monitor.errors import MachineError, Refused, UserMistake
from monitor.hub.books.books import Books
from monitor.reporting.client import ClientReport, cover
from monitor.reporting.client_paper import client_html
from monitor.reporting.summary import sentences
from tests.conftest import Command, free_port, until
from tests.support.clients_month import DAY_S, Board, at, books_of, hall, quay, shop, written
from tests.support.timeseries import Influx1, compatible, serving

METRIC = reader_of("metric", UTC)
NOW_S = at(33, 9)
BUCKET = "history/autogen"


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx1]:
    server = Influx1(tmp_path_factory.mktemp("influx"))
    with serving(server):
        server.post("/query", "", q="CREATE DATABASE history")
        gate = compatible(server)
        boards = [quay(), shop(), *hall()]
        assert written(boards, Server(gate.url, "", BUCKET, "")) > 30_000
        gate.close()
        yield server


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Books]:
    made = books_of(tmp_path_factory.mktemp("books"))
    yield made
    made.close()


def gathered(influx: Influx1, books: Books, client: str, month: str = "2026-10") -> ClientReport:
    past = Past(Asker(Server(influx.url, "", BUCKET, "")), "canister")
    over = window(of_month(month), UTC, NOW_S)
    return Gatherer(books, past, "Care (invented)", UTC).gather(books.clients.get(client), over)


@pytest.fixture(scope="module")
def harbour(influx: Influx1, books: Books) -> ClientReport:
    return gathered(influx, books, "harbour")


def said(report: ClientReport, site: int, number: int) -> list[str]:
    one = report.sites[site].report
    return sentences(one.filters[number], one.span, one.days, METRIC)


def test_a_filter_is_told_as_its_own_site_would(harbour: ClientReport) -> None:
    """31 days are 744 h, two of them without flow; 704 of 800 are 88 %, 792 of 800 are 99 %; due 10 days after the
    last state, between 7 and 15."""
    assert said(harbour, 0, 0) == [
        "Water moved for 30 days 22 h and stood for 2 h.",
        "Flow stopped once, for 2 h.",
        "It ran at 88% of clean on 1 Oct (704 L/h) and at 100% on 31 Oct (792 L/h).",
        "It was cleaned once, the last time on 20 Oct. That brought the flow from 704 L/h to 792 L/h, 99% of the clean "
        "flow before.",
        "Cleaning is next due about 10 Nov, between 7 Nov and 15 Nov (as of 31 Oct 23:55).",
        "While it moved, the water had 25.0 °C to 25.0 °C; no alarm.",
    ]  # fmt: skip
    assert said(harbour, 0, 1)[:3] == [
        "Water moved all the time.",
        "No stop was seen.",
        "It ran at 80% of clean on 1 Oct (640 L/h) and at 80% on 31 Oct (640 L/h).",
    ]
    (stop,) = harbour.sites[0].report.filters[0].stops
    assert (stop.lasted_s, stop.by, stop.after_s) == (7200.0, "Robin of the workshop", 900.0)


def test_water_that_moved_adds_up(harbour: ClientReport) -> None:
    """704 L/h for 466 h and one hour less two, 792 L/h for the rest; 600 L/h for 684 h."""
    before_h, after_h = 19 * 24 + 11 - 2, 744 - (19 * 24 + 11)
    moved_m3 = sum(h.moved_m3 for h in harbour.sites[0].report.filters[0].hours)
    assert moved_m3 == pytest.approx((704 * before_h + 792 * after_h) / 1000, rel=1e-6)
    shop_m3 = sum(h.moved_m3 for h in harbour.sites[1].report.filters[0].hours)
    # The last state before the silence speaks for a minute longer: it may have been late.
    assert shop_m3 == pytest.approx(600 * (744 - 60 + 1 / 60) / 1000, rel=1e-6)


def test_the_cover_says_what_each_site_did(harbour: ClientReport) -> None:
    first, second = harbour.sites
    assert cover(first, METRIC) == [
        "Readings cover all the time; in them water stood in left for 2 h.",
        "Flow stopped: left once, for 2 h.",
        "Cleaned: left once.",
    ]
    assert cover(second, METRIC) == [
        "Nothing was heard of it from 10 Oct 00:01 to 12 Oct 12:00, for 2 days 12 h: whether water moved then is not "
        "known.",
        "Readings cover 92% of the time; in them water always moved.",
        "No stop was seen.",
        "No cleaning is on record.",
        "Other alarms: 1.",
    ]  # fmt: skip
    assert [(d.what, d.who) for d in first.done] == [
        ("flow stopped of left given to Robin of the workshop", "boss")
    ]


def test_silence_is_never_counted_as_running(harbour: ClientReport) -> None:
    (tank,) = harbour.sites[1].report.filters
    first = round((at(10) - at(1)) / 3600)
    silent = tank.hours[first : first + 60]
    assert sum(h.known_s for h in silent) == 0.0
    assert all(h.flow_m3_per_s is None for h in silent)
    (power,) = harbour.sites[1].report.of_site
    assert power.lasted_s == pytest.approx(2.5 * DAY_S - 36)


def test_nothing_of_one_client_is_in_the_other_ones_report(
    influx: Influx1, books: Books, harbour: ClientReport
) -> None:
    hill = gathered(influx, books, "hill")
    of_harbour, of_hill = client_html(harbour, METRIC), client_html(hill, METRIC)
    for word in ("heron", "Quay", "shop", "Robin", "Harbour", "tank", "792 L/h"):
        assert word in of_harbour
        assert word not in of_hill.replace("boards at the tanks", "")
    for word in ("otter", "Hall", "pond", "Hill", "flow\u00a0low"):
        assert word in of_hill
        assert word not in of_harbour
    ET.fromstring(of_hill.split("\n", 1)[1])
    ET.fromstring(of_harbour.split("\n", 1)[1])


def test_a_site_enrolled_within_the_month_was_not_silent_before(
    influx: Influx1, books: Books
) -> None:
    (site,) = gathered(influx, books, "hill").sites
    assert cover(site, METRIC)[:2] == [
        "Watched since 16 Oct 00:00.",
        "Readings cover all the time; in them water always moved.",
    ]
    assert site.silent == []
    (alarm,) = site.report.filters[0].others
    assert alarm.lost_end, "its journal was lost with the card"


def test_units_of_the_reader(harbour: ClientReport) -> None:
    """704 L/h are 185.98 US gallons of 3.785412 L (NIST Handbook 44) an hour, 25 °C are 77 °F."""
    text = client_html(harbour, reader_of("us", UTC))
    assert "at 88% of clean on 1 Oct (186 gal/h)" in text
    assert "77.0 °F" in text
    assert "L/h" not in text


def test_a_month_that_runs_ends_now(influx: Influx1, books: Books) -> None:
    past = Past(Asker(Server(influx.url, "", BUCKET, "")), "canister")
    over = window(of_month("2026-10"), UTC, at(11))
    found = Gatherer(books, past, "", UTC).gather(books.clients.get("harbour"), over)
    assert [len(s.report.days) for s in found.sites] == [10, 10]
    assert [(s.start_utc_s, s.end_utc_s) for s in found.sites[1].silent] == [(at(10) + 60, at(11))]
    with pytest.raises(UserMistake, match="has not begun"):
        window(of_month("2026-12"), UTC, NOW_S)


def test_what_is_not_there_is_said(influx: Influx1, books: Books) -> None:
    with pytest.raises(NothingThereError, match=r"nothing of August 2026 for quay, shop"):
        gathered(influx, books, "harbour", "2026-08")
    with pytest.raises(NothingThereError, match="has no site"):
        gathered(influx, books, "idle")


def test_a_simulated_site_is_marked(influx: Influx1, books: Books, tmp_path: Path) -> None:
    board = Board("rig")
    board.states("one", at(2), at(3), 500)
    board.sent = [(t, p.replace(b'"simulated":false', b'"simulated":true')) for t, p in board.sent]
    gate = compatible(influx)
    written([board], Server(gate.url, "", BUCKET, ""))
    gate.close()
    own = books_of(tmp_path)
    own.sites.enrol("rig", "idle", "", "", "boss")
    text = client_html(gathered(influx, own, "idle"), METRIC)
    assert "SIMULATED" in text
    assert "SIMULATED" not in client_html(gathered(influx, own, "hill"), METRIC)


def test_a_server_that_is_away_or_refuses_is_one_line(influx: Influx1, books: Books) -> None:
    away = Past(Asker(Server(f"http://127.0.0.1:{free_port()}", "", BUCKET, "")), "canister")
    with pytest.raises(MachineError, match="does not answer") as told:
        away.latest("quay", at(1), at(2))
    assert "\n" not in str(told.value)
    other = Past(Asker(Server(influx.url, "", "nowhere", "")), "canister")
    with pytest.raises(Refused, match="database not found: nowhere"):
        other.latest("quay", at(1), at(2))


class Guarded(Influx1):
    """It wants a name and a password."""

    def command(self) -> list[str]:
        made = super().command()
        file = self.folder / "influxdb.conf"
        file.write_text(
            file.read_text(encoding="utf-8") + "auth-enabled = true\n", encoding="utf-8"
        )
        return made


def test_a_server_that_wants_a_password_is_given_it(tmp_path: Path) -> None:
    with serving(Guarded(tmp_path)) as server:
        who = "CREATE USER reader WITH PASSWORD 'se:cret' WITH ALL PRIVILEGES"
        assert server.post("/query", "", q=who) == 200
        # Just after its first user is made the server now and then still refuses them.
        make = {"q": "CREATE DATABASE history", "u": "reader", "p": "se:cret"}
        assert until(lambda: server.post("/query", "", **make) == 200)
        right = Past(Asker(Server(server.url, "", BUCKET, "reader:se:cret")), "canister")
        assert right.latest("quay", at(1), at(2)) == {}
        wrong = Past(Asker(Server(server.url, "", BUCKET, "reader:guess")), "canister")
        with pytest.raises(Refused, match=r"401.*influx\.token_file") as told:
            wrong.latest("quay", at(1), at(2))
        assert "guess" not in str(told.value)


def fleet(folder: Path, more: str) -> str:
    """A configuration whose books have the two clients."""
    books_of(folder / "books").close()
    file = folder / "fleet.toml"
    file.write_text(
        f'[books]\nfolder = "{folder}/books"\nname = "Care (invented)"\n[broker]\nhost = "127.0.0.1"\n{more}',
        encoding="utf-8",
    )
    return str(file)


def test_the_command_writes_one_file_or_all(
    canister: type[Command], influx: Influx1, tmp_path: Path
) -> None:
    config = fleet(tmp_path, f'[influx]\nurl = "{influx.url}"\nbucket = "{BUCKET}"\n')
    out = tmp_path / "out"
    shared: tuple[Any, ...] = ("--month", "2026-10", "--folder", str(out), "--config", config)
    one = canister("hub", "report", "hill", *shared, "--form", "pdf", "--json", env={"TZ": "UTC"})
    every = canister("hub", "report", "--all", *shared, "--units", "us", env={"TZ": "UTC"})
    assert one.wait() == 0, one.errors
    assert json.loads(one.output) == {"files": [str(out / "hill-2026-10.pdf")]}
    pages = pypdf.PdfReader(out / "hill-2026-10.pdf").pages
    text = " ".join(" ".join(p.extract_text() for p in pages).split())
    assert "Care (invented)" in text
    assert "Hill Rooms: October 2026" in text
    assert every.wait() == 0, every.errors
    names = [f"{client}-2026-10.html" for client in ("harbour", "hill")]
    assert every.output.split() == [str(out / name) for name in names]
    assert every.errors.splitlines() == [
        "canister: client 'idle': has no site; `canister hub enrol` adds one"
    ]
    assert "186 gal/h" in (out / names[0]).read_text(encoding="utf-8")
    assert sorted(f.name for f in out.iterdir()) == sorted([*names, "hill-2026-10.pdf"])


def test_a_month_of_which_nobody_can_be_told_anything_is_a_failure(
    canister: type[Command], influx: Influx1, tmp_path: Path
) -> None:
    config = fleet(tmp_path, f'[influx]\nurl = "{influx.url}"\nbucket = "{BUCKET}"\n')
    done = canister("hub", "report", "--all", "--month", "2026-07", "--config", config)
    assert done.wait() == 2
    assert len(done.errors.splitlines()) == 4
    assert done.errors.splitlines()[-1].endswith("nothing of July 2026 could be told to any client")


@pytest.mark.parametrize(
    ("words", "more", "code", "told"),
    [
        (("nobody",), "", 2, "client 'nobody': not in the books"),
        (("hill", "--month", "2026-08"), "", 2, "history has nothing of August 2026 for hall"),
        (("hill", "--month", "2026-13"), "", 2, "--month: got '2026-13'"),
        (("hill", "--month", "2099-01"), "", 2, "has not begun"),
        (("hill", "--form", "doc"), "", 2, "--form: got 'doc', expected html or pdf"),
        (("hill", "--units", "stone"), "", 2, "--units: got 'stone', expected metric or us"),
        (("hill", "--all"), "", 2, "not both"),
        ((), "", 2, "name a client"),
        (("hill", "--month", "2026-10", "--folder", "/dev/null/x"), "", 1, "cannot be written"),
        (("hill",), '[influx]\nurl = "http://127.0.0.1:1"\n', 1, "does not answer"),
        (("--all",), '[influx]\nurl = "http://127.0.0.1:1"\n', 1, "does not answer"),
        (("hill",), '[influx]\nurl = "http://127.0.0.1:1"\nkind = "victoriametrics"\n', 2,
         "reports want InfluxDB"),
        (("hill",), "[influx]\n", 2, "influx.url: is empty"),
    ],
)  # fmt: skip
def test_a_mistake_is_one_line(
    canister: type[Command], influx: Influx1, tmp_path: Path,
    words: tuple[str, ...], more: str, code: int, told: str,
) -> None:  # fmt: skip
    config = fleet(tmp_path, more or f'[influx]\nurl = "{influx.url}"\nbucket = "{BUCKET}"\n')
    done = canister("hub", "report", *words, "--config", config)
    assert done.wait() == code, done.errors
    (line,) = done.errors.splitlines()
    assert told in line
    assert done.output == ""
