"""One alarm from raised to cleared, with its delays; it is part of the state that is saved."""

from __future__ import annotations

import msgspec

from monitor.alarms.rules import Wish


class Alarm(msgspec.Struct, frozen=True, gc=False):
    """One alarm of one filter. `occurrence` counts how often it was raised.

    `on_s` and `off_s` are how long the raise and the clear condition have held without a break.
    """

    active: bool = False
    occurrence: int = 0
    on_s: float = 0.0
    off_s: float = 0.0
    raised_line_s: float = 0.0
    raised_utc_s: float = 0.0


NEVER = Alarm()


def live(old: Alarm, wish: Wish, span_s: float, line_s: float, utc_s: float) -> Alarm:
    """Return the alarm after `span_s` seconds in which the wish's conditions held.

    `active` differs from before exactly when the alarm is raised or cleared.
    """
    if not old.active:
        if not wish.wanted:
            return old if old.on_s == 0.0 else Alarm(False, old.occurrence)
        held = old.on_s + span_s
        if held < wish.on_delay_s:
            return Alarm(False, old.occurrence, held)
        return Alarm(True, old.occurrence + 1, 0.0, 0.0, line_s, utc_s)
    if not wish.over:
        return old if old.off_s == 0.0 else msgspec.structs.replace(old, off_s=0.0)
    held = old.off_s + span_s
    if held < wish.off_delay_s:
        return msgspec.structs.replace(old, off_s=held)
    return Alarm(False, old.occurrence, raised_line_s=old.raised_line_s,
                 raised_utc_s=old.raised_utc_s)  # fmt: skip
