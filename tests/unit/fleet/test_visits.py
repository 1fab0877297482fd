"""The work list: what comes first, what fits, what is said."""

from __future__ import annotations

import datetime
import math

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.fleet.messages import Due
from monitor.fleet.visits import Calendar, FilterNeed, Plan, WorkDay, fault, faults
from monitor.fleet.visits_plan import plan
from monitor.fleet.visits_words import day_after, day_number, day_words, gathered, percent

# 2 March 2026 is a Monday (common calendar).
WEEK = tuple(f"2026-03-0{d}" for d in range(2, 7))


def calendar(minutes: float = 480.0, visits: int | None = None, days: int = 5) -> Calendar:
    work = tuple(WorkDay(date, at + 0.5, minutes, visits) for at, date in enumerate(WEEK[:days]))
    return Calendar(work, "2026-03-09", 7.5)


def need(site: str, due: tuple[float, float, float] | None = None, **more: object) -> FilterNeed:
    fields: dict[str, object] = {"filter": "tank", "place": f"place of {site}", **more}
    said = None if due is None else Due(*due, trend=True)
    return FilterNeed(site=site, cleaning_due=said, **fields)  # type: ignore[arg-type]


def dates(found: Plan) -> dict[str, str]:
    return {v.site: v.date for v in found.visits}


def test_what_stands_still_goes_first_on_the_first_day_with_room() -> None:
    """Two stopped filters, room for one visit a day: the heavier today, the other tomorrow."""
    needs = [
        need("late", (0.5, 1.0, 2.0), weight=50.0),
        need("light", stopped_hours=30.0, oxygen_hours=(0.6, 4.0)),
        need("heavy", stopped_hours=1.0, oxygen_hours=(0.6, 4.0), weight=3.0),
    ]
    found = plan(needs, calendar(visits=1))
    assert dates(found) == {"heavy": WEEK[0], "light": WEEK[1], "late": WEEK[2]}
    assert [v.site for v in found.visits] == ["heavy", "light", "late"]
    assert "stood still for 30 h" in found.visits[1].filters[0].why
    assert "36 min to 4 h" in found.visits[0].filters[0].why


def test_a_stop_without_any_room_is_said_aloud() -> None:
    needs = [need("still", stopped_hours=3.0, minutes=700.0), need("other", (1.0, 2.0, 3.0))]
    found = plan(needs, calendar(480.0))
    assert "still" not in dates(found)
    assert found.left_out[0].site == "still"
    assert found.left_out[0].short
    assert any("stands still" in line and "still" in line for line in found.said)


def test_a_filter_with_an_uncertain_date_comes_before_one_with_a_sure_one() -> None:
    """Medians alone say the other order: 7 days, sure, against 8 days, any time from 1 to 40."""
    needs = [need("sure", (6.9, 7.0, 7.1)), need("unsure", (1.0, 8.0, 40.0))]
    found = plan(needs, calendar(visits=1))
    assert found.visits
    order = dates(found)
    assert order["unsure"] < order.get("sure", "9999")


def test_one_way_serves_a_place() -> None:
    """Alone neither is worth it on its own day; what is near is done together on one day."""
    needs = [need(s, (4.0, 6.0, 9.0), place="Mill Lane") for s in ("a", "b", "c")]
    found = plan(needs, calendar())
    assert len(set(dates(found).values())) == 1
    assert len(found.visits) == 3
    (day,) = [d for d in found.days if d.visits]
    assert day.places == ("Mill Lane",)
    assert day.minutes == 25.0 + 3 * (10.0 + 30.0)  # one way, three stops, three filters


def test_nothing_due_makes_no_visits() -> None:
    found = plan([need("fresh", (40.0, 60.0, 90.0))], calendar())
    assert not found.visits
    assert found.quiet == 1
    assert "nothing is worth a visit in this time" in found.said


def test_an_empty_fleet_and_an_empty_week() -> None:
    assert plan([], calendar()).said == ("there is no filter to look at yet",)
    found = plan([need("x", (0.5, 1.0, 2.0))], calendar(days=0))
    assert "nobody drives in this time" in found.said
    assert [(x.site, x.short) for x in found.left_out] == [("x", False)]


def test_more_due_than_time() -> None:
    """Each visit takes 25 + 10 + 30 minutes, so a day of 140 has room for two: ten of forty in a week."""
    needs = [need(f"s{n:02d}", (0.5, 1.0 + n / 40, 3.0)) for n in range(40)]
    found = plan(needs, calendar(140.0))
    assert len(found.visits) == 10
    assert len([x for x in found.left_out if x.short]) == 30
    assert any("more is due than there is time for: 30 sites" in line for line in found.said)
    assert all(d.minutes <= 140.0 for d in found.days)


def test_the_week_says_what_to_bring_and_what_waiting_risks() -> None:
    needs = [
        need("a", (2.0, 3.0, 5.0), place="Mill Lane", bring=("floss 30 × 20 cm", "lamp 18 W")),
        need("b", (2.0, 3.0, 5.0), place="Mill Lane", bring=("floss 30 × 20 cm",)),
    ]
    found = plan(needs, calendar())
    (day,) = [d for d in found.days if d.visits]
    assert day.bring == ("2 × floss 30 × 20 cm", "1 × lamp 18 W")
    visit = found.visits[0]
    later = day_words(day_after(visit.date, 7))
    assert f"passes its limit before {later}" in visit.filters[0].why
    assert visit.postponing.startswith(f"left until {later}: ")
    assert visit.filters[0].chance_postponed > 0.9


def test_the_chance_in_words_is_that_of_the_forecast() -> None:
    """80 % interval 2 to 20 days, median 9.5: on the first day's next round it stands at one half."""
    found = plan([need("x", (2.0, 8.0 - 0.5, 20.0), weight=30.0)], calendar(days=1))
    (visit,) = found.visits
    assert visit.filters[0].chance_postponed == pytest.approx(0.5, abs=1e-3)
    assert "50 % chance that tank passes its limit before Monday 9 March" in visit.filters[0].why


def test_guesses_and_old_forecasts_are_called_so() -> None:
    needs = [
        need("guess", None),
        need("old", (1.0, 3.0, 6.0), age_days=5.0),
        FilterNeed("cycles", "tank", "p", cleaning_due=Due(1.0, 3.0, 6.0, trend=False)),
        need("usual", None, usual_days=30.0, since_cleaned_days=25.0),
    ]
    found = plan(needs, calendar())
    said = {f.why for v in (*found.visits, *found.left_out) for f in v.filters}
    assert any("a guess: no forecast, taken for one cleaning in 49 days" in w for w in said)
    assert any("5 days old" in w for w in said)
    assert any("by its past cycles" in w for w in said)
    assert any("by a usual cycle of 30 days" in w for w in said)
    assert any("of 1 of 4 filters there is no forecast" in w for w in found.said)


def test_what_is_wrong_with_needs() -> None:
    good = need("a", (1.0, 2.0, 3.0))
    assert fault(need("a", (3.0, 2.0, 4.0))) is not None
    assert fault(need("a", (1.0, 2.0, math.nan))) is not None
    assert fault(msgspec.structs.replace(good, cleaning_due=Due(1.0, None, 3.0, True))) is not None
    assert fault(msgspec.structs.replace(good, oxygen_hours=(4.0, 1.0))) is not None
    assert "already" in (faults([good, good]) or "")
    other = msgspec.structs.replace(good, filter="b", place="elsewhere")
    assert "one place" in (faults([good, other]) or "")
    with pytest.raises(ValueError, match="already"):
        plan([good, good], calendar())


@st.composite
def fleets(draw: st.DrawFn) -> list[FilterNeed]:
    found = []
    for n in range(draw(st.integers(0, 12))):
        place = f"p{draw(st.integers(0, 3))}"
        for f in range(draw(st.integers(1, 3))):
            median = draw(st.floats(0, 60))
            due = Due(median / 2, median, median * 2, draw(st.booleans()))
            found.append(
                FilterNeed(
                    f"s{n}", f"f{f}", place,
                    cleaning_due=draw(st.sampled_from([due, None])),
                    past_days=draw(st.sampled_from([None, None, None, 2.0])),
                    stopped_hours=draw(st.sampled_from([None] * 8 + [4.0])),
                    weight=draw(st.sampled_from([0.5, 1.0, 3.0])),
                    minutes=draw(st.floats(5, 90)),
                )
            )  # fmt: skip
    return found


@settings(max_examples=80, deadline=None)
@given(fleets(), st.floats(0, 400), st.sampled_from([None, 1, 2]))
def test_every_plan_holds_what_it_promises(
    needs: list[FilterNeed], minutes: float, visits: int | None
) -> None:
    """Within room, each site once, no site lost, never worse than its bound allows."""
    found = plan(needs, calendar(minutes, visits, 3))
    sites = {n.site for n in needs}
    gone = [v.site for v in found.visits]
    assert len(gone) == len(set(gone))
    assert len(gone) + len(found.left_out) + found.quiet == len(sites)
    assert found.bound <= found.cost + 1e-6
    work = {(n.site, n.filter): n.minutes for n in needs}
    for day in found.days:
        mine = [v for v in found.visits if v.date == day.date]
        spent = 25.0 * len({v.place for v in mine}) + sum(
            10.0 + sum(work[v.site, f.filter] for f in v.filters if f.clean) for v in mine
        )
        assert spent == pytest.approx(day.minutes, abs=0.1)
        assert day.minutes <= minutes + 0.1
        assert visits is None or day.visits <= visits
    for visit in found.visits:
        for one in visit.filters:
            assert one.clean or one.stopped_hours is None
            assert 0.0 <= one.chance <= one.chance_postponed <= 1.0


@given(st.dates(datetime.date(1970, 1, 1), datetime.date(2200, 1, 1)), st.integers(0, 400))
def test_dates_are_those_of_the_library(date: datetime.date, days: int) -> None:
    later = date + datetime.timedelta(days)
    assert day_after(date.isoformat(), days) == later.isoformat()
    assert day_number(date.isoformat()) == (date - datetime.date(1970, 1, 1)).days
    assert day_words(date.isoformat()) == f"{date:%A} {date.day} {date:%B}"


def test_small_words() -> None:
    assert (percent(0.0), percent(0.004), percent(0.62), percent(0.9999)) == (
        "0 %", "under 1 %", "62 %", "over 99 %",
    )  # fmt: skip
    assert gathered(["b", "a", "b"]) == ("1 × a", "2 × b")
