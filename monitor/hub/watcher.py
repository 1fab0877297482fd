"""Watches for silence: of a site, of all sites of a place, of all there are. One process at a time does it."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping

import msgspec

from monitor.errors import MachineError
from monitor.fleet.fold import Said
from monitor.fleet.notices import Note
from monitor.fleet.silence import Hearing, Judgement, back, deaf, judge, together
from monitor.fleet.view import SiteView, site_view
from monitor.hub.state import State

_log = logging.getLogger(__name__)
_EVERY_S = 5.0
_TURN_S = 30.0
# Whoever was heard within this is heard; less than any promise times the beats that may stay out.
_SURELY_HEARD_S = 15.0
_IN_TURN = 2000
_HERE = frozenset({Hearing.HEARD, Hearing.CLONED, Hearing.WRONG_CLOCK})
_LISTENING_GAP_S = 60.0
_NEVER_HEARD_AFTER_S = 3600.0


class Absence(msgspec.Struct, frozen=True):
    """What is noted of a site that is not heard: how, since when, its presence before, whether it was told."""

    hearing: Hearing
    since_utc_s: float
    presence: dict[str, object]
    told: bool


class Watcher:
    """Serves until stopped.

    Args:
        state: the memory.
        who: the name of this process.
        beats: so many promised signs of life may stay out.
        skew_s: a clock that differs by more is called wrong.
        places: asked for the place of each site that is known to the business.
        gone: asked for the sites that the business looks after no more.
        clock: the hub's wall clock.
    """

    def __init__(
        self,
        state: State,
        who: str,
        beats: float,
        skew_s: float,
        places: Callable[[], Mapping[str, str]] = dict,
        clock: Callable[[], float] = time.time,
        gone: Callable[[], frozenset[str]] = frozenset,
    ) -> None:
        self._state = state
        self._who = who
        self._beats = beats
        self._skew_s = skew_s
        self._places = places
        self._clock = clock
        self._gone = gone
        self._place = (0, 0)
        self._halt = threading.Event()
        self._troubled = False

    def stop(self) -> None:
        """End after the turn."""
        self._halt.set()

    def run(self) -> None:
        """Serve; no error ends it."""
        while not self._halt.is_set():
            try:
                if self._state.claim("watch", self._who, _TURN_S):
                    self.turn()
                self._troubled = False
            except MachineError as error:
                if not self._troubled:
                    _log.warning("%s; nobody watches for silence meanwhile", error)
                self._troubled = True
            except Exception:
                _log.exception("watching for silence failed unexpectedly")
            self._halt.wait(_EVERY_S)

    def turn(self) -> None:
        """Judge everybody who was not heard just now, and note what changed.

        Raises:
            StateError: Redis cannot be used.
        """
        now_s = self._clock()
        since_s = self._state.listening(now_s, _LISTENING_GAP_S)
        heard = self._state.silent_since(now_s - _SURELY_HEARD_S)
        known = {
            site: msgspec.json.decode(text, type=Absence)
            for site, text in self._state.absences().items()
        }
        # Those that are heard are looked at in turn: a copied card and a wrong clock make no silence.
        in_turn, self._place = self._state.some(self._place, _IN_TURN)
        heard |= in_turn
        heard |= self._state.heard([site for site in known if site not in heard])
        gone = self._gone()
        quiet = [site for site in heard if site not in gone]
        judged: dict[str, tuple[SiteView, Judgement]] = {}
        for site, fields in zip(quiet, self._state.many_registers(quiet), strict=True):
            view = site_view(site, fields)
            # Before the hub listened, nobody could be heard.
            at_s = max(heard[site], since_s) if heard[site] else 0.0
            found = judge(view, at_s, now_s, self._beats, self._skew_s)
            if found.hearing is Hearing.NEVER and now_s - since_s < _NEVER_HEARD_AFTER_S:
                continue
            judged[site] = (view, found)
        self._note(judged, known, now_s)

    def _note(
        self,
        judged: Mapping[str, tuple[SiteView, Judgement]],
        known: Mapping[str, Absence],
        now_s: float,
    ) -> None:
        count, newest_s = self._state.crowd()
        verdicts = {site: found for site, (_, found) in judged.items()}
        all_gone = deaf(verdicts, count, newest_s, now_s)
        if all_gone is not None:
            # Nothing is noted of the sites: it is not their fault, and they may be heard again at once.
            self._say(
                _own(
                    "", f"hub.deaf.{newest_s:.0f}", "hub hears nobody", all_gone, "", "high", now_s
                )
            )
            return
        grouped = self._say_together(verdicts, known, now_s)
        for site, (view, found) in judged.items():
            before = known.get(site)
            if found.hearing in _HERE and before is not None and before.hearing not in _HERE:
                self._say_back(view, before, now_s)
                before = None
            if found.hearing is Hearing.HEARD:
                if before is not None:
                    self._state.note_absence(site, None)
                continue
            if (
                before is not None
                and before.hearing is found.hearing
                and before.told >= found.wanted
            ):
                continue
            if found.wanted and site not in grouped:
                note_id = f"{site}.{found.hearing.name.lower()}.{found.since_utc_s:.0f}"
                self._say(
                    _own(
                        site, note_id, found.hearing.value, found.words, found.advice, "high", now_s
                    )
                )
            since_s = before.since_utc_s if before is not None else found.since_utc_s
            told = found.wanted or (before is not None and before.told)
            presence = before.presence if before is not None else _presence(view)
            absence = Absence(found.hearing, since_s, presence, told)
            self._state.note_absence(site, msgspec.json.encode(absence).decode())

    def _say_together(
        self, verdicts: Mapping[str, Judgement], known: Mapping[str, Absence], now_s: float
    ) -> frozenset[str]:
        """Tell of a whole place at once; return the sites that are in it."""
        fresh = {
            s: j for s, j in verdicts.items() if j.wanted and not (s in known and known[s].told)
        }
        grouped: set[str] = set()
        for place, sites in together(fresh, self._places()):
            grouped.update(sites)
            words = (
                f"{len(sites)} sites at {place} fell silent together: {', '.join(sites)}; the power or the "
                "internet there is gone"
            )
            since_s = verdicts[sites[0]].since_utc_s
            note_id = f"{sites[0]}.together.{since_s:.0f}"
            advice = "ring one of the clients there before driving"
            self._say(_own(sites[0], note_id, "place silent", words, advice, "high", now_s))
        return frozenset(grouped)

    def _say_back(self, view: SiteView, before: Absence, now_s: float) -> None:
        if before.told:
            words = back(before.presence, _presence(view), now_s - before.since_utc_s)
            note_id = f"{view.site}.back.{before.since_utc_s:.0f}"
            self._say(_own(view.site, note_id, "heard again", words, "", "low", now_s))
        self._state.note_absence(view.site, None)

    def _say(self, note: Note) -> None:
        self._state.apply([Said(note.site, msgspec.json.encode(note).decode())])


def _presence(view: SiteView) -> dict[str, object]:
    return {**view.presence, "journal": view.journal}


def _own(
    site: str, note_id: str, what: str, words: str, advice: str, priority: str, now_s: float
) -> Note:
    stamp = time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(now_s))
    return Note(note_id, site, "", what.replace(" ", "-"), "hub", priority, stamp, words, advice)
