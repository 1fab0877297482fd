"""What the page knows of a site that has no daemon, a running one, and one that has gone."""

from __future__ import annotations

import time
from pathlib import Path

import msgspec
import pytest

from monitor.app.lookout import Lookout
from monitor.app.plans import watch_plans
from monitor.app.webpage import check_certificate, is_loopback, listen, open_warning
from monitor.errors import MachineError, SettingsError
from monitor.journal.store import Journal
from monitor.records import AlarmKind, AlarmState, Order
from monitor.settings.load import load
from monitor.settings.web import PageSettings
from tests.conftest import Command
from tests.support.paged_site import PagedSite
from tests.support.past import live_through, write_past

NOW_S = 1_772_438_400.0


@pytest.fixture
def site(tmp_path: Path) -> PagedSite:
    return PagedSite(tmp_path, Command)


def looking(site: PagedSite, now_s: float) -> tuple[Lookout, list[float]]:
    loaded, at = load(site.file), [now_s]
    return Lookout(loaded.tree, loaded.file, watch_plans(loaded.tree), lambda: at[0]), at


def live_file(site: PagedSite, at_s: float, **changes: object) -> None:
    """The file as a daemon writes it, from the state that its journal holds."""
    loaded = load(site.file)
    from monitor.app.station import Station
    from monitor.records import Moment

    station, journal = Station(watch_plans(loaded.tree)), Journal(site.folder / "state")
    station.restore(journal.states(), Moment(0.0, at_s))
    journal.close()
    row = {**station.state_payload("left", Moment(0.0, at_s), True), **changes}
    whole = {
        "site": "cellar", "process": 1, "written_utc_s": at_s, "filters": {"left": row},
        "site_alarms": station.site_payload(), "health": [],
    }  # fmt: skip
    (site.folder / "live.json").write_bytes(msgspec.json.encode(whole))


def test_without_a_journal_it_says_what_to_do(site: PagedSite) -> None:
    lookout, _ = looking(site, NOW_S)
    view = lookout.view()
    assert "no journal yet; start canister run" in view.problem
    assert view.filters == ()


def test_a_site_that_nobody_watches_is_shown_as_last_seen(site: PagedSite) -> None:
    live_through(site.file, 12.0, NOW_S - 3600)
    lookout, _ = looking(site, NOW_S)
    view = lookout.view()
    assert (view.live, view.watched) == (False, False)
    assert view.age_s == pytest.approx(3600, abs=120)
    (left,) = view.filters
    assert left.sentence == "Not watched for 61 min."
    assert left.due is not None
    lookout.close()


def test_a_live_site_goes_stale_and_is_never_shown_as_new(site: PagedSite) -> None:
    live_through(site.file, 1.0, NOW_S - 60)
    live_file(site, NOW_S, flow_l_per_h=700.0, share_of_clean=0.9)
    lookout, at = looking(site, NOW_S + 1)
    view = lookout.view()
    assert (view.live, view.filters[0].flow, view.filters[0].blind_s) == (True, 700.0, 0.0)
    at[0] = NOW_S + 40
    view = lookout.view()
    assert not view.live
    assert view.age_s == pytest.approx(40)
    assert view.filters[0].flow == 700.0  # what was seen last, and said to be that
    assert view.filters[0].blind_s == pytest.approx(40)
    live_file(site, NOW_S + 41, flow_l_per_h=None, share_of_clean=None)
    at[0] = NOW_S + 41
    view = lookout.view()
    assert view.live
    assert view.filters[0].flow is None
    assert view.filters[0].blind_s == pytest.approx(41)
    lookout.close()


def test_an_alarm_carries_what_its_event_says(site: PagedSite) -> None:
    live_through(site.file, 1.0, NOW_S - 60)
    live_file(site, NOW_S, alarms=["flow-stopped"], alarm_states={"flow-stopped": "unacknowledged"})
    lookout, _ = looking(site, NOW_S)
    (alarm,) = lookout.view().filters[0].alarms
    assert (alarm.kind, alarm.state) == (AlarmKind.FLOW_STOPPED, AlarmState.UNACKNOWLEDGED)
    assert alarm.active
    assert alarm.evidence == ""  # not on record yet: shown all the same
    lookout.close()


def test_an_order_is_put_down_and_its_answer_found(site: PagedSite) -> None:
    daemon = Journal(site.folder / "state")
    lookout, _ = looking(site, NOW_S)
    number = lookout.give(Order("cleaned", "left"))
    assert lookout.answer(number) is None
    ((seq, order, made_s),) = daemon.open_orders()
    assert (seq, order, made_s) == (number, Order("cleaned", "left"), NOW_S)
    lookout.close()
    daemon.close()


def test_the_past_has_cleanings_stops_and_resistance(site: PagedSite) -> None:
    write_past(site.folder / "state", ["left"], 60, NOW_S)
    lookout, _ = looking(site, NOW_S)
    past = lookout.history("left", 60.0)
    assert len(past.utc_s) == 240
    assert len(past.deeds) == 3  # days 0, 26 and 52
    assert {d.by for d in past.deeds} == {"Ada (invented)"}
    # One each ten days for half an hour; the last has not ended.
    assert [s.to_utc_s and s.to_utc_s - s.from_utc_s for s in past.stops] == [1800.0] * 5 + [None]
    known = [v for v in past.fouling if v is not None]
    assert min(known) < 0.1
    assert max(known) > 0.9
    # The invented flow falls to (1 + 0.9)^-0.5 = 73 % of 900 L/h, and nowhere below but in a stop.
    assert min(v for v in past.lowest if v) == pytest.approx(900 * 1.9**-0.5 * 0.98, rel=0.02)
    lookout.close()


def test_sheets_are_those_of_the_folder_and_no_other_file(site: PagedSite) -> None:
    folder = site.folder / "state"
    folder.mkdir()
    (folder / "commissioning-20260301.html").write_text("<p>one", encoding="utf-8")
    (folder / "other.html").write_text("secret", encoding="utf-8")
    lookout, _ = looking(site, NOW_S)
    assert lookout.sheets() == ["commissioning-20260301.html"]
    assert lookout.sheet("commissioning-20260301.html") == b"<p>one"
    for name in ("other.html", "../canister.toml", "commissioning-x.html"):
        assert lookout.sheet(name) is None


def test_the_sizing_model_is_asked_in_another_process(site: PagedSite) -> None:
    lookout, _ = looking(site, NOW_S)
    sized = lookout.sizing("left")
    assert sized is not None
    assert sized.plausible[0] < sized.clean < sized.plausible[1]
    assert sum(share for _, share in sized.losses) == pytest.approx(1.0, abs=0.01)
    began_s = time.perf_counter()
    assert lookout.sizing("left") is sized
    assert time.perf_counter() - began_s < 0.01


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("127.0.0.1", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("pi.lan", False),
    ],
)
def test_a_page_that_others_reach_without_encryption_is_warned_of(host: str, own: bool) -> None:
    assert is_loopback(host) is own
    assert bool(open_warning(PageSettings(host=host))) is not own
    assert open_warning(PageSettings(host=host, cert_file="a", key_file="b")) == ""


def test_an_address_that_is_taken_is_told_in_one_line() -> None:
    with listen("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(MachineError, match=f"cannot listen on 127.0.0.1, port {port}"):
            listen("127.0.0.1", port)


def test_a_certificate_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    bad = tmp_path / "cert.pem"
    with pytest.raises(SettingsError, match=r"page.cert_file: .*: no such file"):
        check_certificate(PageSettings(cert_file=str(bad), key_file=str(bad)))
    bad.write_text("not one", encoding="utf-8")
    with pytest.raises(SettingsError, match="must be PEM files"):
        check_certificate(PageSettings(cert_file=str(bad), key_file=str(bad)))
    with pytest.raises(ValueError, match="go together"):
        PageSettings(cert_file="a")
