"""The steps with wet hands: pulses off and on, the probe in the hand, the bucket, the clean flow."""

from __future__ import annotations

import math

from monitor.app.commission.session import Session, Step
from monitor.app.commission.shown import METRIC, Shown
from monitor.app.commission.verdicts import (
    Judged,
    Outcome,
    judge_bucket,
    judge_flow,
    judge_running,
    judge_still,
    rate_hz,
    warmed,
)
from monitor.settings.model import FilterSettings
from monitor.sizing.bucket import Catch, k_factor
from monitor.units import m3_per_s

COUNT_S = 30
FLOW_S = 60
HAND_S = 60
_MOST_BUCKETS = 20
_LEAST_KG, _MOST_KG = 0.05, 1000.0
_LEAST_ERROR_PERCENT = 0.1
_MOST_ERROR = 0.5
# What a rotor wanders between the bucket and now, twice the standard uncertainty; from memory.
_WANDERS = 0.02


def water_steps(name: str, settings: FilterSettings, units: Shown = METRIC) -> list[Step]:
    """Return the steps of one filter that touch its water."""
    shown = settings.name or name
    return [
        Step(
            f"{name}/still", f"{shown}: no pulses with the pump off",
            ("Unplug the filter, with dry hands.",
             "Shut the outlet tap, or lift the hose's end above the water: it runs by siphon.",
             "Wait until the water is still."),
            lambda s: _still(s, name),
        ),
        Step(
            f"{name}/running", f"{shown}: pulses with the pump on",
            ("Put the hose's end back. Open the taps.",
             "Plug the filter in, with dry hands. Let the air out."),
            lambda s: _running(s, name),
        ),
        Step(
            f"{name}/probe", f"{shown}: which probe is it",
            ("Unplug the filter. Take its probe out of the hose only if it sits in a pocket.",
             f"Hold the steel tip in your closed, dry hand, for {HAND_S} s from Enter on.",
             "Touch no other probe."),
            lambda s: _probe(s, name),
        ),
        Step(
            f"{name}/bucket", f"{shown}: bucket test",
            ("Unplug the filter, with dry hands. Shut its outlet tap.",
             "Empty bucket on the scale, where a spill meets no socket. Scale to zero.",
             "Lead the outlet hose into the bucket. The tap stops the siphon, the plug does not. Stay there.",
             f"Plug in with dry hands, tap open, {units.bucket}, tap shut, unplug. Three buckets or more."),
            lambda s: _bucket(s, name),
        ),
        Step(
            f"{name}/flow", f"{shown}: clean flow",
            ("The filter is clean. Hoses, taps and outlet are as they will stay.",
             "Plug in with dry hands. Wait ten minutes, until no air comes."),
            lambda s: _flow(s, name),
        ),
    ]  # fmt: skip


def _still(s: Session, name: str) -> Judged:
    s.bench.plug(name, False)
    s.talk.say(f"Counting for {COUNT_S} s ...")
    return judge_still(s.bench.count(name, COUNT_S))


def _running(s: Session, name: str) -> Judged:
    s.bench.plug(name, True)
    s.talk.say(f"Counting for {COUNT_S} s ...")
    return judge_running(s.bench.count(name, COUNT_S), s.sensor(name), s.shown)


def _probe(s: Session, name: str) -> Judged:
    on_bus = s.bench.probes()
    if not on_bus:
        if s.tree.filters[name].probe is None:
            return Judged(Outcome.SKIPPED, "No probe on the bus, and none configured.")
        return Judged(
            Outcome.FAILED, "No probe on the bus, though one is configured.",
            "Look at the plug and the 4.7 kΩ pull-up; `canister check` says whether the bus is switched on.",
        )  # fmt: skip
    s.talk.say(f"On the bus: {', '.join(on_bus)}. Watching for {HAND_S} s ...")
    taken: dict[str, str] = {}
    for other in s.tree.filters:
        done = s.walk.done.get(f"{other}/probe")
        if other != name and done is not None:
            taken |= dict.fromkeys(done.judged.changes.values(), other)
    before, after = s.bench.warm(name, HAND_S)
    probe, judged = warmed(before, after, taken, s.shown)
    if probe is None:
        return judged
    return Judged(
        judged.outcome, judged.line, "", judged.figures, {f"filters.{name}.probe.rom_id": probe}
    )


def _bucket(s: Session, name: str) -> Judged:
    s.bench.plug(name, True)
    catches: list[Catch] = []
    while len(catches) < _MOST_BUCKETS:
        number = len(catches) + 1
        s.bench.start_bucket(name)
        try:
            s.ask(f"Bucket {number}: counting; Enter when the tap is shut")
            pulses, shown_kg = s.bench.stop_bucket(name)
        finally:
            s.bench.close()
        unit, scale = s.shown.mass_unit, s.shown.mass
        hint = (
            "" if shown_kg is None else f"; the simulated scale shows {scale(shown_kg):.2f} {unit}"
        )
        s.talk.say(f"{pulses} pulses{hint}")
        given = s.number(f"Bucket {number}: mass of the water, {unit} (none: spilt, not counted)",
                         scale(_LEAST_KG), scale(_MOST_KG))  # fmt: skip
        mass_kg = None if given is None else s.shown.mass_kg(given)
        if mass_kg is not None and pulses > 0:
            catches.append(Catch(mass_kg, pulses))
        elif mass_kg is not None:
            return Judged(
                Outcome.FAILED, "Water in the bucket and not a pulse.",
                "Go back to the step with the pump on: look at plug, arrow and pin.",
            )  # fmt: skip
        if not s.yes("Another bucket?", len(catches) < 3):
            break
    if not catches:
        return Judged(Outcome.FAILED, "No bucket was weighed.", "Weigh at least one.")
    return _from_buckets(s, name, catches)


def _from_buckets(s: Session, name: str, catches: list[Catch]) -> Judged:
    settings = s.tree.filters[name]
    tank, sensor = settings.tank, settings.flow_sensor
    found = k_factor(catches, tank.temperature_c.value, tank.salinity_g_per_kg.value)
    judged = judge_bucket(found, sensor.pulses_per_litre)
    at = f"filters.{name}.flow_sensor"
    return Judged(
        judged.outcome, judged.line, judged.remedy,
        {**judged.figures, "buckets": ", ".join(_bucket_words(c, s.shown) for c in catches)},
        {f"{at}.pulses_per_litre": round(found.pulses_per_litre, 2),
         f"{at}.error_percent": max(_LEAST_ERROR_PERCENT, round(100 * found.expanded, 2))},
    )  # fmt: skip


def _bucket_words(one: Catch, shown: Shown) -> str:
    return f"{shown.mass(one.mass_kg):.5g} {shown.mass_unit}, {one.pulses} pulses"


def _flow(s: Session, name: str) -> Judged:
    from monitor.settings.convert import installation
    from monitor.sizing.study import certainty

    s.bench.plug(name, True)
    s.talk.say(f"Counting for {FLOW_S} s ...")
    readings = s.bench.count(name, FLOW_S)
    sensor = s.sensor(name)
    flow_l_per_h = sensor.flow_l_per_h(rate_hz(readings))
    settings, model, predicted = s.tree.filters[name], None, None
    error = min(_MOST_ERROR, math.hypot(sensor.error, _WANDERS))
    if settings.pump is not None and flow_l_per_h > 0:

        def describe(sampler: object) -> object:
            draw = getattr(sampler, "draw", None)
            return installation(name, settings, s.tree.materials, draw)

        sure = certainty(describe, [m3_per_s(flow_l_per_h)], error)  # type: ignore[arg-type]
        model = sure.commissioning
        predicted = (sure.spread.low, sure.spread.median, sure.spread.high)
    judged = judge_flow(readings, sensor, error, model, predicted, s.shown)
    changes = {} if judged.outcome is Outcome.FAILED else {
        f"filters.{name}.measured.flows_l_per_h": [round(flow_l_per_h, 1)],
        f"filters.{name}.measured.error_percent": round(100 * error, 2),
    }  # fmt: skip
    return Judged(judged.outcome, judged.line, judged.remedy, judged.figures, changes)
