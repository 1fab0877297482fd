"""`canister rehearse`: the simulated rig through the whole program, at speed."""

from __future__ import annotations

import logging
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import (
    ConfigOption,
    JsonOption,
    console,
    flow_words,
    json_line,
    reported,
    shown_event,
)

_STATE_EVERY_DAYS = 4


@reported
def rehearse(
    days: Annotated[
        float, typer.Option("--days", min=0.01, max=3650, help="How many days to simulate.")
    ] = 40.0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="The same seed, the same story.")] = 1,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault",
            metavar="NAME@START[+LENGTH]",
            help="A fault to play, such as stall@34d6h+90m; may be given again. Without any: a "
            "stall on day 34. Names: stall, power-cut, kink, blocked, air, jammed-sensor, "
            "noisy-wire, mains-hum, hose-off, heater-on, heater-off, probe-gone.",
            show_default=False,
        ),
    ] = None,
    speed: Annotated[
        float | None,
        typer.Option(
            "--speed", min=1, metavar="TIMES", help="At most so many times real time.",
            show_default=False,
        ),
    ] = None,
    stride: Annotated[
        float, typer.Option("--stride", min=1, max=60, help="Seconds a sample in quiet stretches.")
    ] = 60.0,
    broker: Annotated[
        str | None,
        typer.Option(
            "--broker", metavar="HOST[:PORT]",
            help="Publish there; without it a mosquitto of our own is started on loopback.",
            show_default=False,
        ),
    ] = None,
    wait: Annotated[
        float, typer.Option("--wait", min=0, help="Seconds to wait at the end for delivery.")
    ] = 180.0,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Keep the journal there.", show_default=False),
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Rehearse: a simulated filter fouls, is cleaned, stalls; every alarm goes the whole way.

    The water is simulated and the scenario invented; judging, journal and MQTT are the real ones.

    Example: canister rehearse --days 10 --fault kink@2d+3h
    """
    from monitor.app.rehearsal import DEFAULT_FAULTS, Script, scenario
    from monitor.sensing.faults import parse_fault

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(message)s")
    tree = scenario(config)
    faults = tuple(parse_fault(text) for text in fault) if fault else DEFAULT_FAULTS
    script = Script(days, seed, faults, stride, speed)
    with tempfile.TemporaryDirectory(prefix="canister-rehearsal-") as temporary:
        missing = _Rehearsing(tree, script, folder or Path(temporary), broker, wait, json).run()
    if missing:
        from monitor.errors import BrokerError

        raise BrokerError(
            f"{missing} events could not be delivered within {wait:.0f} s; see that the broker runs"
        )


class _Rehearsing:
    """One rehearsal with its broker, its subscriber and what it shows."""

    def __init__(
        self, tree: Any, script: Any, folder: Path, broker: str | None, wait_s: float, json: bool
    ) -> None:
        self._tree, self._script, self._folder = tree, script, folder
        self._wait_s, self._json = wait_s, json
        self._out = console()
        self._child: Any = None
        self._address = self._find_broker(broker)
        self._seen: set[str] = set()
        self._state_due: dict[str, str] = {}
        self._bar: Any = None

    def _find_broker(self, named: str | None) -> Any:
        from monitor.app.child_broker import ChildBroker, mosquitto_binary
        from monitor.delivery.mqtt import BrokerAddress

        if named is not None:
            host, port = broker_place(named)
        else:
            binary = mosquitto_binary()
            if binary is None:
                self._say("mosquitto is not installed and no --broker is named: "
                          "alarms go to the journal and to this terminal only.")  # fmt: skip
                return None
            self._child = ChildBroker(binary)
            host, port = "127.0.0.1", self._child.port
        self._say(f"Publishing to MQTT broker {host}:{port}; to watch along: "
                  f"mosquitto_sub -h {host} -p {port} -v -t 'canister/#'")  # fmt: skip
        return BrokerAddress(host, port, True, f"rehearsal-{time.time_ns():x}")

    def _say(self, text: str) -> None:
        print(text, file=sys.stderr if self._json else sys.stdout, flush=True)

    def run(self) -> int:
        """Play, drain, close; return how many events were not delivered."""
        from monitor.app.rehearsal import Rehearsal

        listener = None
        rehearsal = Rehearsal(
            self._tree,
            self._script,
            self._folder,
            self._address,
            self._told,
            self._progress,
        )
        self._introduce()
        began_s = time.monotonic()
        try:
            if self._address is not None and not self._json:
                listener = self._listen([rehearsal.topics.events, rehearsal.topics.state("+")])
            self._start_bar()
            rehearsal.run()
            missing = rehearsal.drain(self._wait_s)
            if listener is not None:
                self._await_arrivals(rehearsal)
        finally:
            self._stop_bar()
            rehearsal.close()
            if listener is not None:
                listener.close()
            if self._child is not None:
                self._child.stop()
        self._conclude(rehearsal, time.monotonic() - began_s)
        return missing

    def _introduce(self) -> None:
        faults = ", ".join(f.name for f in self._script.faults) or "none"
        self._say(f"Rehearsal at {self._tree.site.name or self._tree.site.id}: "
                  f"{self._script.days:g} simulated days, seed {self._script.seed}, "
                  f"faults to come: {faults}.\n"
                  "A keeper is played too: told that cleaning is due, they clean the next evening, "
                  "with the alarms paused while they do.")  # fmt: skip

    def _listen(self, topics: list[str]) -> Any:
        from monitor.delivery.listener import Listener

        listener = Listener(self._address, topics, self._arrived)
        if not listener.start():
            self._say("the subscriber of this rehearsal got no answer from the broker")
        return listener

    def _told(self, fields: dict[str, Any]) -> None:
        if self._json:
            json_line(fields)
        elif self._address is None:
            self._show(fields)

    def _arrived(self, topic: str, payload: bytes) -> None:
        import msgspec

        fields = msgspec.json.decode(payload)
        if topic.endswith("/state"):
            self._show_state(fields)
        elif fields["id"] not in self._seen:
            self._seen.add(fields["id"])
            self._show(fields)

    def _show_state(self, fields: dict[str, Any]) -> None:
        """Show how a filter fouls, a line every few simulated days."""
        from monitor.app.picture import due_words

        name, when = str(fields["filter"]), str(fields["time"])
        if fields["share_of_clean"] is None or fields["clean_flow_basis"] != "measured":
            return
        if when[:10] < self._state_due.get(name, ""):
            return
        self._state_due[name] = _days_later(when[:10], _STATE_EVERY_DAYS)
        self._print(
            f"{when[:16].replace('T', ' ')}  running at {fields['share_of_clean']:.0%} of clean  "
            f"(flow {flow_words(fields['flow_l_per_h'], False)}){due_words(fields['cleaning_due'])}",
            "dim",
        )

    def _await_arrivals(self, rehearsal: Any) -> None:
        until = time.monotonic() + 5.0
        while len(self._seen) < rehearsal.told and time.monotonic() < until:
            time.sleep(0.05)

    def _show(self, fields: dict[str, Any]) -> None:
        style = {"raised": "bold", "cleared": "dim"}.get(str(fields["event"]), "")
        flow, clean = fields["flow_l_per_h"], fields["clean_flow_l_per_h"]
        when = str(fields["time"])[:16].replace("T", " ")
        self._print(
            f"{when}  {shown_event(fields)}  "
            f"(flow {flow_words(flow, False)}, clean {flow_words(clean, False)})",
            style,
        )
        if fields["event"] in ("raised", "updated"):
            cause = str(fields["cause"]).replace("-", " ")
            self._print(f"    cause: {cause}, {fields['sure']:.0%} sure; {fields['evidence']}")
            self._print(f"    advice: {fields['advice']}")
        if fields["event"] == "raised":
            self._print(f"    if nothing is done: {fields['consequence']}")

    def _print(self, text: str, style: str = "") -> None:
        (self._bar.console if self._bar is not None else self._out).print(
            text, style=style, markup=False
        )

    def _start_bar(self) -> None:
        if not self._json and self._out.is_terminal:
            from rich.progress import Progress

            self._bar = Progress(console=self._out, transient=True)
            self._bar.start()
            self._task = self._bar.add_task("rehearsing", total=1.0)

    def _progress(self, share: float) -> None:
        if self._bar is not None:
            self._bar.update(self._task, completed=share)

    def _stop_bar(self) -> None:
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def _conclude(self, rehearsal: Any, took_s: float) -> None:
        where = (
            f"{len(self._seen)} of {rehearsal.told} events arrived at the subscriber"
            if self._address is not None and not self._json
            else f"{rehearsal.told} events in the journal"
        )
        self._say(
            f"{self._script.days:g} days in {took_s:.1f} s ({rehearsal.coarse_steps} steps of "
            f"{self._script.coarse_s:g} s in quiet stretches, {rehearsal.fine_steps} of 1 s around "
            f"faults and cleanings); {where}."
        )


def _days_later(day: str, days: int) -> str:
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def broker_place(text: str) -> tuple[str, int]:
    """Return host and port of `HOST[:PORT]`; an IPv6 address stands in square brackets.

    Raises:
        UserMistake: it is neither.
    """
    from monitor.errors import UserMistake

    host, colon, port = text.rpartition(":") if not text.endswith("]") else (text, "", "")
    if not colon:
        host, port = text, "1883"
    host = host.strip("[]")
    if not host or not port.isdigit() or not 1 <= int(port) <= 65535:
        raise UserMistake(f"--broker {text}: expected HOST or HOST:PORT, such as 127.0.0.1:1883")
    return host, int(port)
