"""`canister visits` and `canister hub lessons`: what they print, write and refuse. All invented."""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar as Read

from monitor.app.fleet.rounds import capacity_of, days_of, week_calendar, week_of
from monitor.errors import UserMistake
from monitor.settings.card import experience_words, read_card
from tests.support.commands import refusal, run

EXAMPLES = Path(__file__).resolve().parents[2] / "deploy" / "examples"
DAY_S = 86400.0
NEEDS: list[dict[str, Any]] = [
    {
        "site": "north_hall", "filter": "long_tank", "place": "Harbour Street", "client": "North [b] House",
        "cleaning_due": {"low_days": 3, "median_days": 4, "high_days": 5, "trend": True, "growth": "steady"},
        "bring": ["floss 30 × 20 cm"], "weight": 2,
    },
    {"site": "mill", "filter": "pond", "place": "Mill Lane", "stopped_hours": 5, "oxygen_hours": [0.6, 4]},
    {"site": "fresh", "filter": "new", "place": "Mill Lane",
     "cleaning_due": {"low_days": 50, "median_days": 70, "high_days": 90, "trend": True}},
]  # fmt: skip
EVERY_DAY = ("--days", "mon,tue,wed,thu,fri,sat,sun")


def written(folder: Path, *lines: Any) -> str:
    file = folder / "needs.jsonl"
    text = [line if isinstance(line, str) else json.dumps(line) for line in lines]
    file.write_text("\n".join(text) + "\n", encoding="utf-8")
    return str(file)


def said(*words: str) -> str:
    done = run(*words)
    assert done.exit_code == 0, done.output
    return str(done.stdout)


def test_a_week_for_people(tmp_path: Path) -> None:
    calendar = tmp_path / "visits.ics"
    file = written(tmp_path, *NEEDS, "")
    text = said("visits", "--from", file, *EVERY_DAY, "--ics", str(calendar))
    assert text.index("Mill Lane") < text.index("Harbour Street")
    assert "pond has stood still for 5 h; its water is short of oxygen 36 min to 4 h" in text
    assert "chance that long_tank passes its limit before" in text
    assert "North [b] House" in text
    assert "bring: 1 × floss 30 × 20 cm" in text
    assert "would stand still all that time" in text
    assert "3 sites looked at, 1 of them quiet" in text
    assert len(Read.from_ical(calendar.read_bytes()).walk("VEVENT")) == 2
    assert sorted(p.name for p in tmp_path.iterdir()) == ["needs.jsonl", "visits.ics"]


def test_a_week_for_scripts(tmp_path: Path) -> None:
    file = written(tmp_path, *NEEDS)
    lines = [
        json.loads(line)
        for line in said("visits", "--from", file, *EVERY_DAY, "--json").splitlines()
    ]
    assert [line["visit"]["site"] for line in lines if "visit" in line] == ["mill", "north_hall"]
    (whole,) = [line["plan"] for line in lines if "plan" in line]
    assert whole["sites"] == 3
    assert whole["quiet"] == 1
    assert whole["bound"] <= whole["cost"]


def test_nothing_to_do_is_said(tmp_path: Path) -> None:
    assert "there is no filter to look at yet" in said("visits", "--from", written(tmp_path, ""))
    text = said("visits", "--from", written(tmp_path, NEEDS[2]))
    assert "nothing is worth a visit" in text
    many = [{**NEEDS[0], "site": f"s{n}", "place": f"p{n}"} for n in range(30)]
    text = said("visits", "--from", written(tmp_path, *many), "--capacity", "1 visit", *EVERY_DAY)
    assert "more is due than there is time for" in text
    assert "no time" in text
    assert "more: --json lists all" in text
    none = said("visits", "--from", written(tmp_path, NEEDS[1]), "--capacity", "0")
    assert "no room for mill though a filter there stands still" in none


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("{", "line 1:"),
        ('{"site": "a", "filter": "b"}', "missing required field `place`"),
        ({**NEEDS[0], "weigth": 2}, "unknown field `weigth`"),
        ({**NEEDS[0], "minutes": -3}, "line 1:"),
        ({**NEEDS[0], "site": " "}, "line 1:"),
        ({**NEEDS[0], "cleaning_due": {"low_days": 4, "median_days": 2, "high_days": 9, "trend": True}},
         "low_days <= median_days"),
        ('{"site": "a", "filter": "b", "place": "\udcff"}', "line 1:"),
    ],
)  # fmt: skip
def test_a_wrong_line_is_named(tmp_path: Path, line: Any, told: str) -> None:
    file = tmp_path / "needs.jsonl"
    text = line if isinstance(line, str) else json.dumps(line)
    file.write_bytes(text.encode("utf-8", "surrogateescape"))
    assert told in refusal(run("visits", "--from", str(file)))


def test_other_mistakes(tmp_path: Path) -> None:
    twice = written(tmp_path, NEEDS[0], NEEDS[0])
    assert "there already" in refusal(run("visits", "--from", twice))
    assert "cannot be read" in refusal(run("visits", "--from", str(tmp_path / "none")))
    file = written(tmp_path, *NEEDS)
    for option, value in (
        ("--week", "2026-W99"), ("--week", "2001-01-01"), ("--week", "tomorrow"), ("--week", "2999-W01"),
        ("--days", "mon,funday"), ("--capacity", "much"), ("--capacity", "nan"), ("--capacity", "-5"),
    ):  # fmt: skip
        assert option in refusal(run("visits", "--from", file, option, value))
    done = run("visits", "--from", file, "--ics", str(tmp_path / "none" / "x.ics"))
    assert done.exit_code == 1
    assert "cannot be written" in done.stderr


def test_words_for_weeks_days_and_room() -> None:
    today = datetime.date(2026, 3, 4)  # a Wednesday
    assert week_of(None, today) == today
    assert week_of("next", today) == datetime.date(2026, 3, 9)
    assert week_of("2026-W10", today) == today  # what is left of it
    assert week_of("2026-W12", today) == datetime.date(2026, 3, 16)
    assert week_of("2026-03-20", today) == datetime.date(2026, 3, 20)
    assert days_of("Mon, sun") == {0, 6}
    assert capacity_of("8h") == (480.0, None)
    assert capacity_of("90") == (90.0, None)
    assert capacity_of("6 visits")[1] == 6
    with pytest.raises(UserMistake):
        capacity_of("inf")


def test_days_are_counted_through_a_change_of_the_clocks() -> None:
    """In Berlin the night to 29 March 2026 has an hour less: Friday's 8 o'clock to Monday's noon, 75 hours."""
    now = datetime.datetime(2026, 3, 27, 8, 0, tzinfo=ZoneInfo("Europe/Berlin"))
    calendar = week_calendar(
        now.date(), now.timestamp(), days_of("fri,mon"), (480.0, None), {}, now.tzinfo
    )
    assert [d.date for d in calendar.days] == ["2026-03-27", "2026-03-30"]
    assert calendar.days[0].in_days == pytest.approx(4 / 24)
    assert calendar.days[1].in_days == pytest.approx(75 / 24)
    assert calendar.next_date == "2026-04-03"


def record(site: str, days: float, **more: Any) -> dict[str, Any]:
    times = [DAY_S * days * n for n in range(8)]
    return {"site": site, "filter": "f", "media": "foam", "stock": "light", "cleaned_utc_s": times,
            "known_until_utc_s": times[-1] + DAY_S, **more}  # fmt: skip


def test_lessons_go_into_a_card_and_are_told_with_the_size(tmp_path: Path) -> None:
    card = tmp_path / "mid.card.toml"
    shutil.copy(EXAMPLES / "mid_canister.card.toml", card)
    before = card.read_text(encoding="utf-8")
    file = written(tmp_path, *(record(f"s{n}", 30.0 + n) for n in range(5)))
    text = said("hub", "lessons", "--from", file, "--media", "foam", "--card", str(card))
    assert "fairly: 35 runs at 5 filters" in text
    found = read_card(card)
    assert found.experience["light"].median_days == 32.0
    assert found.experience["all"].running == 5
    assert (experience_words(found, "light") or "").startswith(
        "with light stock cleaned every 32 days"
    )
    assert (experience_words(found, "heavy") or "").startswith(
        "with any stock cleaned every 32 days"
    )
    assert card.read_text(encoding="utf-8").startswith(before.rstrip("\n"))
    assert "with light stock cleaned every 32 days" in said("card", "show", str(card))
    config = tmp_path / "canister.toml"
    config.write_text(
        f'[site]\nid = "x"\n[filters.left]\ncard = "{card}"\nflow_sensor = {{ pin = 17 }}\n'
        "[filters.left.hoses.all]\nbore_mm = 16\nlength_m = 3\n",
        encoding="utf-8",
    )
    assert "Experience with this card's media: with any stock" in said("size", str(config))
    again = said("hub", "lessons", "--from", file, "--media", "foam", "--card", str(card))
    assert "experience written" in again
    assert card.read_text(encoding="utf-8").count("[experience.light]") == 1


def test_lessons_for_scripts_and_the_limit(tmp_path: Path) -> None:
    file = written(tmp_path, record("a", 30.0, limit_utc_s=[25 * DAY_S]))
    rows = [
        json.loads(x)
        for x in said("hub", "lessons", "--from", file, "--limit", "--json").splitlines()
    ]
    assert rows[0]["question"] == "limit"
    assert (rows[0]["ended"], rows[0]["running"]) == (1, 7)


def test_mistakes_of_lessons(tmp_path: Path) -> None:
    card = str(EXAMPLES / "mid_canister.card.toml")
    file = written(tmp_path, record("a", 30.0))
    assert "--media" in refusal(run("hub", "lessons", "--from", file, "--card", card))
    assert "no record" in refusal(run("hub", "lessons", "--from", file, "--media", "sand"))
    wrong = written(tmp_path, record("a", 30.0, cleaned_utc_s=[5.0, 3.0]))
    assert "oldest first" in refusal(run("hub", "lessons", "--from", wrong))
    none = written(tmp_path, record("a", 30.0, cleaned_utc_s=[5.0]))
    mine = tmp_path / "mine.card.toml"
    shutil.copy(card, mine)
    told = refusal(run("hub", "lessons", "--from", none, "--media", "foam", "--card", str(mine)))
    assert "nothing is written" in told
