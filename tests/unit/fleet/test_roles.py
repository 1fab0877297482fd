"""Who may do what: the whole table, role by role and site by site."""

from __future__ import annotations

import pytest

from monitor.fleet.business import Person, Role, Site, Standing
from monitor.fleet.roles import Action, may

OWN = Site("own_room", "own", "", "", Standing.ENROLLED, 0.0)
OTHERS = Site("other_room", "other", "", "", Standing.ENROLLED, 0.0)
OWNER = Person("o", "O", Role.OWNER)
TECHNICIAN = Person("t", "T", Role.TECHNICIAN)
CLIENT = Person("c", "C", Role.CLIENT, "own")

# Action: owner, technician, client of the site, client of another, client asked for the whole business.
TABLE = {
    "see":         "yes yes yes no  no",
    "report":      "yes yes yes no  no",
    "acknowledge": "yes yes no  no  no",
    "shelve":      "yes yes no  no  no",
    "assign":      "yes yes no  no  no",
    "pause":       "yes yes no  no  no",
    "note-work":   "yes yes no  no  no",
    "plan":        "yes yes no  no  no",
    "audit":       "yes no  no  no  no",
    "manage":      "yes no  no  no  no",
}  # fmt: skip


def test_the_table_has_every_action() -> None:
    assert set(TABLE) == set(Action)


@pytest.mark.parametrize("action", list(Action))
def test_the_table(action: Action) -> None:
    wanted = [word == "yes" for word in TABLE[action].split()]
    found = [
        may(OWNER, action, OWN),
        may(TECHNICIAN, action, OWN),
        may(CLIENT, action, OWN),
        may(CLIENT, action, OTHERS),
        may(CLIENT, action, None),
    ]
    assert found == wanted
    # The whole business is to owner and technician what one site is.
    assert [may(OWNER, action, None), may(TECHNICIAN, action, None)] == wanted[:2]


@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("site", [OWN, OTHERS, None])
def test_nobody_may_nothing(action: Action, site: Site | None) -> None:
    assert not may(None, action, site)
    # A client's person whose client is not known, however that came about.
    assert not may(Person("x", "X", Role.CLIENT, None), action, site)


def test_a_client_sees_their_site_also_after_it_was_revoked_and_not_after_it_moved() -> None:
    revoked = Site("own_room", "own", "", "", Standing.REVOKED, 0.0, 1.0)
    assert may(CLIENT, Action.SEE, revoked)
    moved = Site("own_room", "other", "", "", Standing.ENROLLED, 0.0)
    assert not may(CLIENT, Action.SEE, moved)
