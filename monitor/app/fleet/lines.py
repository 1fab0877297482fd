"""What of a site's messages goes to the time-series server: the same measurements as a site's own."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.delivery.line_protocol import Dialect, FieldValue, line
from monitor.fleet.messages import Happened, Message, State, utc_s


def lines_of(prefix: str, texts: bool) -> Callable[[str, Message], Sequence[str]]:
    """Return what makes the lines of a message: of states and events, none of others.

    Args:
        prefix: what the names of measurements begin with.
        texts: whether the server keeps texts.
    """

    def made(site: str, message: Message) -> Sequence[str]:
        dialect = Dialect(site, prefix, texts)
        if isinstance(message, State):
            return [_state(message, dialect)]
        if isinstance(message, Happened):
            return [_event(message, dialect)]
        return ()

    return made


def _state(seen: State, dialect: Dialect) -> str:
    due = seen.cleaning_due
    fields: dict[str, FieldValue] = {
        "flow_l_per_h": _float(seen.flow_l_per_h),
        "clean_l_per_h": _float(seen.clean_flow_l_per_h),
        "temperature_c": _float(seen.temperature_c),
        "share_of_clean": _float(seen.share_of_clean),
        "fouling": _float(seen.fouling),
        "due_low_days": _float(due.low_days) if due else None,
        "due_median_days": _float(due.median_days) if due else None,
        "due_high_days": _float(due.high_days) if due else None,
        "due_trend": due.trend if due else None,
        "clean_basis": seen.clean_flow_basis,
        "quality": seen.flow_quality,
        "synchronised": seen.clock_synchronised,
        "simulated": seen.simulated,
    }
    tags = {"site": dialect.site, "filter": seen.filter}
    return line(f"{dialect.prefix}_sample", tags, fields, _stamp(seen.time, 0), dialect)


def _event(event: Happened, dialect: Dialect) -> str:
    tags = {
        "site": dialect.site,
        "filter": event.filter or "",
        "event": event.event,
        "alarm": event.alarm or "",
        "cause": event.cause if event.cause != "none" else "",
    }
    fields: dict[str, FieldValue] = {
        "active": event.state in ("unacknowledged", "acknowledged") and event.event != "cleared",
        "occurrence": int(event.occurrence),
        "announce": event.announce,
        "flow_l_per_h": _float(event.flow_l_per_h),
        "clean_l_per_h": _float(event.clean_flow_l_per_h),
        "temperature_c": _float(event.temperature_c),
        "sure": _float(event.sure),
        "state": event.state or "",
        "evidence": event.evidence,
        "advice": event.advice,
        "by": event.by,
        "sequence": int(event.sequence),
        # What sets events in the order in which they happened: the clock may step.
        "line_s": _float(event.line_s),
        "journal": event.journal,
        "simulated": event.simulated,
    }
    stamp = _stamp(event.time, event.sequence)
    return line(f"{dialect.prefix}_event", tags, fields, stamp, dialect)


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def _stamp(time: str, number: int) -> int:
    return round(utc_s(time) * 1e3) * 1_000_000 + number % 1000
