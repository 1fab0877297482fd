"""Who may do what on the board page. Pure.

An owner may do everything. A technician sees every site, since whoever is on call may be sent to any,
acts on alarms and notes work; people, clients, who may log in and the whole audit trail are the
owner's. A client sees their own sites and reports and acts on nothing: an acknowledgement tells the
business that somebody looks after the alarm, and only the business can promise that.
"""

from __future__ import annotations

from enum import StrEnum

from monitor.fleet.business import Person, Role, Site


class Action(StrEnum):
    """What can be asked for."""

    SEE = "see"  # a site: its state, alarms, history
    REPORT = "report"  # its monthly report
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"  # and take out of service, and back
    ASSIGN = "assign"  # an alarm to a technician
    PAUSE = "pause"
    NOTE_WORK = "note-work"  # cleaned, visited, lamp changed
    PLAN = "plan"  # postpone a visit, see the work list
    AUDIT = "audit"
    MANAGE = "manage"  # clients, people, sites and their passwords


_CLIENTS = frozenset({Action.SEE, Action.REPORT})
_TECHNICIANS = frozenset(Action) - {Action.AUDIT, Action.MANAGE}


def may(person: Person | None, action: Action, site: Site | None) -> bool:
    """Return whether a person may do something.

    Args:
        person: as the books have them now; `None` for somebody who is not known, who may do nothing.
        action: what is asked for.
        site: the site it is asked of, as the books have it now; `None` for what is of the whole
            business. Of that a client may do nothing: whoever lists sites asks for each.
    """
    if person is None:
        return False
    if person.role is Role.OWNER:
        return True
    if person.role is Role.TECHNICIAN:
        return action in _TECHNICIANS
    if person.client is None or site is None:
        return False
    return action in _CLIENTS and site.client == person.client
