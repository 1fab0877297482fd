"""The screen of `canister status --watch`: drawn once a second, given back as it was.

Rich's live display does the terminal (alternate screen, cursor, NO_COLOR); here is what is looked at
and what ends it.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import time
from collections.abc import Iterator, Mapping
from types import FrameType
from typing import Any

from monitor.app.picture import Picture, look_in, opened
from monitor.commands.watch_view import Glance, Line, Screen, Trace, frame, trace_columns
from monitor.errors import StorageError, UserMistake
from monitor.journal.recent import Means, recent_means
from monitor.journal.store import Journal
from monitor.settings.model import SettingsTree
from monitor.units import duration_words, m3_per_s

_EVERY_S = 1.0
_JOURNAL_EVERY_S = 30.0  # samples reach it once in some minutes
_EVENTS = 40
_KEPT_S = 4000.0  # by then the journal has what was seen live
_HOUR_S = 3600.0
_STYLES = {"bold": "bold", "dim": "dim", "alarm": "bold red", "": ""}


def watch(tree: SettingsTree, hours: float) -> None:
    """Draw how a site stands until Ctrl-C; the screen is as before then.

    Raises:
        UserMistake: standard output is no terminal.
        StorageError: there is no journal, or it cannot be read at the start.
    """
    if not sys.stdout.isatty() or os.environ.get("TERM", "") in ("", "dumb"):
        raise UserMistake(
            "--watch draws on a terminal, and this is none; leave it out, or use --json"
        )
    from rich.console import Console
    from rich.live import Live

    journal = opened(tree)
    screen, terminal = Console(highlight=False), sys.stdout.fileno()
    try:
        watcher = Watcher(tree, journal, hours * _HOUR_S)
        with _ended_politely(), Live(console=screen, screen=True, auto_refresh=False) as live:
            # A terminal that is gone without a word is no terminal any more, and writing to it fails silently.
            while os.isatty(terminal):
                live.update(_drawn(watcher, screen, tree), refresh=True)
                time.sleep(_EVERY_S - time.monotonic() % _EVERY_S)
    except KeyboardInterrupt:
        return
    finally:
        journal.close()


@contextlib.contextmanager
def _ended_politely() -> Iterator[None]:
    """A hang-up and a polite kill give the screen back too."""

    def ended(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {n: signal.signal(n, ended) for n in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _drawn(watcher: Watcher, console: Any, tree: SettingsTree) -> Any:
    from rich.text import Text

    width, height = console.size
    screen = Screen(width, height, not shows_unicode(os.environ, console.encoding),
                    tree.site.units == "us")  # fmt: skip
    lines: list[Line] = frame(watcher.glance(time.time(), trace_columns(width)), screen)
    whole = Text(no_wrap=True, overflow="crop", end="")
    for number, line in enumerate(lines):
        whole.append("\n" if number else "")
        whole.append(line.words, _STYLES[line.style])
    return whole


def shows_unicode(environment: Mapping[str, str], encoding: str | None) -> bool:
    """Return whether the terminal can be trusted to show more than ASCII.

    Python makes LC_CTYPE=C.UTF-8 of a missing locale (PEP 538), so that alone says nothing of the
    terminal. The Linux console has few of the characters.
    """
    if "utf" not in (encoding or "").lower() or environment.get("TERM") == "linux":
        return False
    kind = environment.get("LC_CTYPE", "")
    names = (
        environment.get("LC_ALL", ""),
        "" if kind in ("C.UTF-8", "C.utf8", "UTF-8") else kind,
        environment.get("LANG", ""),
    )
    name = next((n for n in names if n), "").lower()
    return "utf-8" in name or "utf8" in name


class Watcher:
    """What has been seen while watching: the journal's last hours and every live picture since."""

    def __init__(self, tree: SettingsTree, journal: Journal, span_s: float) -> None:
        self._tree = tree
        self._journal = journal
        self._span_s = span_s
        self._picture: Picture | None = None
        self._live_at_s: float | None = None
        self._trouble = ""
        self._means: dict[str, Means] = {}
        self._asked: tuple[float, int] = (float("-inf"), 0)
        self._seen: dict[str, list[tuple[float, float | None, float | None]]] = {}

    def glance(self, utc_s: float, columns: int) -> Glance:
        """Look once; return what there is to draw."""
        self._look(utc_s, columns)
        tree, picture = self._tree, self._picture
        live = picture is not None and picture.live and not self._trouble
        return Glance(
            tree.site.name or tree.site.id,
            time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(utc_s)),
            self._state(utc_s),
            live,
            picture.filters if picture else [],
            {name: one.name for name, one in tree.filters.items()},
            {name: self._trace(name, utc_s, columns) for name in tree.filters},
            picture.site if picture else {"alarms": [], "alarm_states": {}},
            picture.troubles if picture else [],
            picture.events if picture else [],
            self._span_s,
        )

    def _look(self, utc_s: float, columns: int) -> None:
        try:
            # Many events are read for the few that are shown, so only when something was written.
            fresh = self._journal.changed() or self._picture is None
            picture = look_in(self._journal, self._tree, _EVENTS if fresh else 0, utc_s)
            if not fresh and self._picture is not None:
                picture.events = self._picture.events
            asked_s, asked_columns = self._asked
            if columns != asked_columns or not 0 <= utc_s - asked_s < _JOURNAL_EVERY_S:
                self._means = recent_means(self._journal, utc_s, self._span_s, columns)
                self._asked = (utc_s, columns)
        except StorageError as error:
            self._trouble = str(error)
            return
        self._trouble, self._picture = "", picture
        if picture.live:
            self._live_at_s = utc_s
            self._note(picture, utc_s)

    def _note(self, picture: Picture, utc_s: float) -> None:
        for row in picture.filters:
            flow = row["flow_l_per_h"]
            seen = self._seen.setdefault(row["filter"], [])
            seen.append((utc_s, None if flow is None else m3_per_s(flow), row["temperature_c"]))
            while seen and seen[0][0] < utc_s - _KEPT_S:
                del seen[0]

    def _state(self, utc_s: float) -> str:
        if self._trouble:
            return f"NOT LIVE: {self._trouble}"
        picture = self._picture
        if picture is None or picture.live:
            return picture.source if picture else ""
        if self._live_at_s is None:
            return f"NOT LIVE: {picture.source}"
        lost = duration_words(utc_s - self._live_at_s)
        return f"NOT LIVE: no reading for {lost}; {picture.source}"

    def _trace(self, name: str, utc_s: float, columns: int) -> Trace:
        """The journal's means, and live ones where the journal has none yet."""
        asked_s, _ = self._asked
        width_s = self._span_s / columns
        values = list(self._means.get(name, [(None, None)] * columns))
        shift = round((utc_s - asked_s) / width_s) if utc_s >= asked_s else 0
        values = ([*values, *[(None, None)] * shift])[-columns:]
        bins: dict[int, list[tuple[float | None, float | None]]] = {}
        for at_s, flow, warm in self._seen.get(name, []):
            place = columns - 1 - int((utc_s - at_s) / width_s)
            bins.setdefault(place, []).append((flow, warm))
        for place, pairs in bins.items():
            if 0 <= place < columns and values[place] == (None, None):
                values[place] = _mean([f for f, _ in pairs]), _mean([w for _, w in pairs])
        return Trace([f for f, _ in values], [w for _, w in values])


def _mean(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known else None
