"""The memory after all messages does not depend on their order or on how often they came."""

from __future__ import annotations

import random

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from monitor.fleet.fold import Effect, Memory, Newest, Put, Seen, Settled, asked, effects
from monitor.fleet.messages import Answer, read
from tests.support.sites import Sent, Site


def everything(sent: list[Sent]) -> list[Effect]:
    found: list[Effect] = []
    for one in sent:
        site, message = read(one.topic, one.payload, "canister")
        found += effects(site, message, 1000.0 + one.at_s, False)
    return found


def memory(wanted: list[Effect]) -> Memory:
    made = Memory()
    for effect in wanted:
        made.apply(effect)
    return made


def same(one: Memory, other: Memory) -> bool:
    return (
        one.registers == other.registers
        and one.indexes == other.indexes
        and one.seen == other.seen
        and one.settled == other.settled
        and one.newest == other.newest
        and one.heard == other.heard
        and sorted(one.notes) == sorted(other.notes)
    )


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), order=st.randoms(use_true_random=False))
def test_shuffled_and_repeated_messages_make_the_same_memory(
    seed: int, order: random.Random
) -> None:
    sent = Site("home", seed, 6).messages + Site("shop", seed, 6).messages
    wanted = everything(sent)
    once = memory(wanted)
    assert once.registers["home"]
    mixed = wanted + order.choices(wanted, k=len(wanted) // 2)
    order.shuffle(mixed)
    assert same(memory(mixed), once)


def test_the_memory_shows_the_newest_of_everything() -> None:
    site = Site("home", 3, 20)
    made = memory(everything(site.messages))
    fields = made.registers["home"]
    last = {one.topic: one for one in site.messages}
    assert fields["journal"][1] == site.journal
    for name in ("tank_0", "tank_1"):
        state = read(*last[f"canister/home/filters/{name}/state"][1:3], "canister")[1]
        assert f'"time":"{state.time}"' in fields[f"{site.journal}/state/{name}"][1]  # type: ignore[union-attr]
    assert made.seen[("home", site.journal)] == set(site.events)
    assert len(made.indexes["due"]) == 2
    raised = [b for b in site.events.values() if b'"event":"raised"' in b]
    cleared = [b for b in site.events.values() if b'"event":"cleared"' in b]
    assert raised
    assert len(made.notes) == len(raised) + len(cleared)
    assert len(made.indexes["standing"]) == len(raised) - len(cleared)


def test_a_new_card_takes_the_old_ones_place_whatever_comes_late() -> None:
    """Two journals of one site: the younger by its synchronised clock is the present one."""
    old, new = Site("home", 1, 3), Site("home", 1, 8)
    assert old.journal == new.journal
    other = Site("home", 2, 8)
    assert other.journal != old.journal
    wanted = everything(other.messages) + everything(old.messages)
    fields = memory(wanted).registers["home"]
    assert fields["journal"][1] == other.journal
    assert f"{old.journal}/beat" in fields


def test_what_is_missing_is_what_the_site_has_and_nobody_else() -> None:
    made = memory([Seen("a", "j", 1), Seen("a", "j", 4), Newest("a", "j", 6)])
    assert made.missing("a", "j") == [2, 3, 5, 6]
    made.apply(Settled("a", "j", 2, 5))
    assert made.missing("a", "j") == [6]
    assert made.missing("a", "other") == []


def test_a_note_is_put_down_once() -> None:
    made = memory([Seen("a", "j", 1, "told"), Seen("a", "j", 1, "told"), Seen("a", "k", 1, "too")])
    assert made.notes == ["told", "too"]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_of_two_with_the_same_place_the_same_one_wins(order: tuple[int, int]) -> None:
    both = [Put("a", "f", "1", "x"), Put("a", "f", "1", "y")]
    made = memory([both[n] for n in order])
    assert made.registers["a"]["f"] == ("1", "y")


def answer(journal: str, missing: list[tuple[int, int]]) -> Answer:
    return Answer(1, "resend", True, "done", journal, missing)


def test_only_what_the_site_says_it_has_not_is_settled() -> None:
    """An answer may overtake the events that it speaks of, or the memory be lost between the two."""
    found = effects("a", answer("j", []), 5.0, False, asked("j", 1, 9))
    assert [type(e).__name__ for e in found] == ["Heard"]
    found = effects("a", answer("j", [(3, 4), (8, 900)]), 5.0, False, asked("j", 1, 9))
    assert found[:-1] == [Settled("a", "j", 3, 4), Settled("a", "j", 8, 9)]
    assert memory(found).settled == {("a", "j"): {3, 4, 8, 9}}


@pytest.mark.parametrize(
    ("correlation", "journal"),
    [(b"j 1 9", "other"), (b"j 1", "j"), (b"j 9 1", "j"), (b"j 1 5000", "j"), (b"j -1 9", "j")],
)
def test_an_answer_to_another_question_settles_nothing(correlation: bytes, journal: str) -> None:
    found = effects("a", answer(journal, [(1, 9)]), 5.0, False, correlation)
    assert [type(e).__name__ for e in found] == ["Heard"]
