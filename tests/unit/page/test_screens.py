"""The screens as text: states in words, nothing of a stranger's as markup, every part labelled."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from msgspec.structs import replace

from monitor.alarms.site import SITE_KINDS
from monitor.page import chart, detail, gauges, overview, shell, words
from monitor.page.port import AlarmView, Deed, History, Sizing, Stop
from monitor.records import AlarmKind, AlarmState, Cause, Priority
from tests.support.page_site import LEFT, NOW_S, SITE, STOPPED, clock, filter_with, site_with


class Markup(HTMLParser):
    """Whether tags close as they open, and which ids there are."""

    VOID = frozenset({"meta", "link", "input", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.labels: list[str] = []
        self.controls: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        assert "style" not in found, "the policy allows no style of its own"
        assert not [n for n in found if n.startswith("on")], (
            "the policy allows no script of its own"
        )
        if found.get("id"):
            self.ids.append(str(found["id"]))
        if tag == "label":
            self.labels.append(str(found["for"]))
        if tag == "select" or (tag == "input" and found.get("type") != "hidden"):
            self.controls.append(str(found["id"]))
        if tag not in self.VOID and tag not in {"path", "rect", "circle"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in {"path", "rect", "circle"}:
            assert self.open.pop() == tag


def screen(site: object = SITE) -> str:
    parts = overview.fragments(site, "token", clock, clock)  # type: ignore[arg-type]
    return shell.document("Filters", overview.body(site, parts), "Cellar", "token")  # type: ignore[arg-type]


def checked(page: str) -> str:
    markup = Markup(page)
    assert len(markup.ids) == len(set(markup.ids))
    assert set(markup.controls) <= set(markup.labels)
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page
    return page


def test_the_first_screen_says_what_there_is_to_know() -> None:
    page = checked(screen())
    for said in ("86\u202f%", "774", "of 900 L/h clean flow, measured", "25.0", "in its band, 23.0 to 27.0 °C",
                  "running", "I have cleaned it", "Begin pause", "Live"):  # fmt: skip
        assert said in page
    assert "Left &lt;tank&gt;" in page
    assert "<tank>" not in page


def test_an_alarm_has_cause_advice_consequence_and_buttons() -> None:
    page = checked(screen(site_with(filters=(filter_with(alarms=(STOPPED,)),))))
    for said in ("Flow stopped", "act now", "no flow at all", "Look at the pump.", "Oxygen falls.",
                  "Acknowledge", "Shelve", 'name="occurrence" value="3"'):  # fmt: skip
        assert said in page


@pytest.mark.parametrize(
    ("state", "active", "there", "not_there"),
    [
        (AlarmState.ACKNOWLEDGED, True, ["Shelve"], [">Acknowledge"]),
        (AlarmState.SHELVED, True, ["Hear it again", 'value="unshelve"'], [">Acknowledge", ">Shelve"]),
        (AlarmState.OUT_OF_SERVICE, False, ['value="in-service"'], [">Shelve"]),
        (AlarmState.RETURNED, False, [">Acknowledge", "over, not acknowledged"], [">Shelve", "What to do", "act now"]),
        (AlarmState.SUPPRESSED, True, ["suppressed by design"], [">Acknowledge", ">Shelve"]),
    ],
)  # fmt: skip
def test_each_state_offers_what_can_be_done(
    state: AlarmState, active: bool, there: list[str], not_there: list[str]
) -> None:
    one = replace(STOPPED, state=str(state), active=active)
    block = overview.alarms_block((one,), "token", clock)
    assert all(said in block for said in there)
    assert not [said for said in not_there if said in block]


@pytest.mark.parametrize("kind", SITE_KINDS)
def test_every_alarm_of_the_site_is_shown(kind: AlarmKind) -> None:
    one = AlarmView("", kind, str(AlarmState.UNACKNOWLEDGED), True, Priority.HIGH)
    page = checked(screen(site_with(alarms=(one,))))
    assert words.alarm_name(kind) in page
    assert f'id="alarm-site-{kind}-acknowledge"' in page


def test_a_pause_can_be_ended_and_a_cleaning_taken_back() -> None:
    one = filter_with(
        pause="feeding", pause_until_utc_s=NOW_S + 600, undo=True, cleaned_utc_s=NOW_S - 60
    )
    page = checked(screen(site_with(filters=(one,))))
    assert "Paused for feeding until T+600" in page
    assert "End the pause" in page
    assert "Begin pause" not in page
    assert 'value="cleaned-undo"' in page


def test_a_site_without_a_journal_says_so() -> None:
    page = checked(screen(site_with(filters=(), problem="no journal yet; start canister run")))
    assert "no journal yet; start canister run" in page
    assert "Nothing to show yet" in page


def test_a_filter_without_readings_and_without_clean_flow_shows_dashes() -> None:
    one = filter_with(flow=None, clean=None, share=None, temperature=None, blind_s=None)
    page = checked(screen(site_with(filters=(one,))))
    assert "Waiting for the first reading." in page
    assert page.count('<span class="value">–</span>') == 3


def test_what_is_not_of_now_is_marked() -> None:
    page = checked(screen(site_with(live=False, age_s=40.0)))
    assert "No news from the monitor for 40 s." in page
    assert "As last seen:" in page
    page = checked(screen(site_with(live=False, watched=False, age_s=7200.0)))
    assert "Nobody watches: canister run is not running. Last seen 2 h ago." in page


def test_one_part_changes_without_the_others() -> None:
    before = overview.fragments(SITE, "token", clock, clock)
    moved = site_with(filters=(filter_with(flow=775.0),))
    after = overview.fragments(moved, "token", clock, clock)
    assert {k for k in before if before[k] != after[k]} == {"left-figures"}


def history(**changes: object) -> History:
    times = [NOW_S - 86400 + n * 600.0 for n in range(144)]
    flow: list[float | None] = [800.0] * 144
    flow[60:70] = [None] * 10
    return replace(
        History(
            NOW_S - 86400, NOW_S, 600.0, times, flow, flow, flow, [900.0] * 144, [0.5] * 144, [25.0] * 144,
            (Deed(NOW_S - 40000, False, "Ada", 700.0, 900.0),),
            (Stop(NOW_S - 9000, None, Cause.BLOCKED, "seen"),),
        ),
        **changes,
    )  # fmt: skip


def ticks(from_s: float, to_s: float) -> list[tuple[float, str]]:
    return [((from_s + to_s) / 2, "noon")]


def test_a_filters_own_view() -> None:
    drawn = detail.charts(history(), LEFT, False, clock, ticks)
    parts = overview.fragments(SITE, "token", clock, clock)
    sized = Sizing(930.0, (865.0, 981.0), 0.72, (("hose inlet", 0.29),), ("A remark.",))
    body = detail.body(
        LEFT, SITE, parts, drawn, 14.0, detail.sizing(LEFT, sized, False), ["commissioning-x.html"]
    )
    page = checked(shell.document("Left", body, "Cellar", "token"))
    for said in ("Clean flow 930 L/h, plausibly 865 to 981", "Measured clean flow is 97\u202f%", "hose inlet",
                  "/sheet/commissioning-x.html", "still", "the way of the water is blocked", "Ada",
                  "in about 9 days (6 to 14)", "The same in numbers"):  # fmt: skip
        assert said in page
    assert page.count('class="fan"') == 1
    assert page.count('aria-current="true"') == 1


def test_a_curve_breaks_where_nothing_was_recorded() -> None:
    drawn = detail.charts(history(), LEFT, False, clock, ticks)
    found = re.search(r'class="main-line" d="([^"]+)"', drawn)
    assert found is not None
    assert found[1].count("M") == 2


def test_without_a_forecast_there_is_no_fan() -> None:
    drawn = detail.charts(history(), filter_with(due=None), False, clock, ticks)
    assert 'class="fan"' not in drawn
    assert "Cleaning due: not known yet." in drawn


def test_an_empty_past_says_so() -> None:
    empty = History(NOW_S - 86400, NOW_S, 600.0, [], [], [], [], [], [], [], (), ())
    drawn = detail.charts(empty, LEFT, False, clock, ticks)
    assert drawn.count("Nothing is on record for this time yet.") == 3
    assert drawn.count("None in this time.") == 2


@pytest.mark.parametrize(
    ("written", "days"), [("2", 2.0), ("90", 90.0), ("730", 730.0), ("", 14.0), ("1e9", 14.0)]
)
def test_only_the_spans_on_offer_are_taken(written: str, days: float) -> None:
    assert detail.chosen_days(written) == days


@pytest.mark.parametrize(("low", "high"), [(0.0, 1000.0), (22.0, 28.0), (0.0, 1.0), (-3.0, 8.0)])
def test_axes_have_some_round_steps_inside(low: float, high: float) -> None:
    found = chart.steps(low, high)
    assert 2 <= len(found) <= 9
    assert all(low - 1e-6 <= v <= high + 1e-6 for v in found)


def test_gauges_stay_in_their_frame() -> None:
    for share in (None, 0.0, 0.5, 3.0):
        widths = re.findall(
            r'class="fill"[^>]* width="([\d.]+)"', gauges.flow_bar(share, (0.75, 0.5, 0.2))
        )
        assert all(0 <= float(w) <= 400 for w in widths)
    assert gauges.temperature_ruler(25.0, None, 27.0) == ""
    assert "NaN" not in gauges.temperature_ruler(90.0, 23.0, 27.0)


def test_the_log_in_is_labelled_and_tells_a_problem() -> None:
    page = checked(shell.login("Cellar", "That is not the password.", "Not encrypted"))
    assert 'role="alert">That is not the password.' in page
    assert "Not encrypted" in page
    assert checked(shell.message("Cellar", "Not here", "<b>", ""))
