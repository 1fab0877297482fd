"""What the figures of a commissioning step mean; pure: no clock, no file, nobody is asked.

The limits without a source beside them are of our own choice, from memory of such sensors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any

import msgspec

from monitor.app.commission.shown import METRIC, Shown
from monitor.condition.stuck import MAINS_HZ
from monitor.records import PulseReading, Quality
from monitor.sizing.bucket import KFactor
from monitor.sizing.commissioning import Commissioning
from monitor.units import l_per_h

_NEAR_MAINS = 0.004  # grids keep within this share (from memory)
_LAST_TURNS = 5  # so few pulses in all may be a rotor that has not come to rest
_UNEVEN = 0.2  # spread of the parts of a count, as a share of their mean, that wants a look
_PARTS = 6
_LEAST_RISE_C, _CLEAR_LEAD_C = 2.0, 1.5  # a hand is some 10 °C warmer than the room (from memory)
_SURE_K = 0.05
_OTHER_THAN_CONFIGURED = 0.25
_PER_MINUTE = 60.0


class Outcome(StrEnum):
    """How a step turned out."""

    PASSED = "passed"
    LOOK = "passed, with a remark"
    FAILED = "failed"
    SKIPPED = "skipped"


class Judged(msgspec.Struct, frozen=True):
    """The verdict on one step.

    `figures` stand on the sheet as they are, in words with their units; `changes` go into the
    configuration, by dotted key, `None` takes a key out; `remedy` says what to do.
    """

    outcome: Outcome
    line: str
    remedy: str = ""
    figures: dict[str, str] = {}
    changes: dict[str, Any] = {}


class Sensor(msgspec.Struct, frozen=True):
    """The flow sensor as it is believed to be now: f = K·Q − a; error as a share."""

    pulses_per_litre: float
    offset_hz: float
    min_l_per_h: float
    max_l_per_h: float
    error: float

    def flow_l_per_h(self, rate_hz: float) -> float:
        """Return the flow in L/h at a pulse rate in Hz; no pulses are no flow."""
        return (rate_hz + self.offset_hz) / self.pulses_per_litre * 3600 if rate_hz > 0 else 0.0


def rate_hz(readings: Sequence[PulseReading]) -> float:
    """Return pulses a second over all readings, 0 for none."""
    span_s = sum(r.span_s for r in readings)
    return sum(r.pulses for r in readings) / span_s if span_s > 0 else 0.0


def near_mains_hz(rate: float, span_s: float) -> float | None:
    """Return the mains rate that a pulse rate in Hz cannot be told from, `None` for none.

    One count more or less over `span_s` seconds is allowed beside what grids wander.
    """
    if span_s <= 0:
        return None
    for mains in MAINS_HZ:
        if abs(rate - mains) <= max(_NEAR_MAINS * mains, 1.0 / span_s):
            return mains
    return None


def judge_still(readings: Sequence[PulseReading]) -> Judged:
    """Judge a count with the pump unplugged and the water at rest: there must be no pulse at all."""
    pulses, span_s = sum(r.pulses for r in readings), sum(r.span_s for r in readings)
    figures = {"pulses with the pump off": f"{pulses} in {span_s:.0f} s"}
    if span_s <= 0 or any(r.quality is Quality.DISCONNECTED for r in readings):
        return Judged(
            Outcome.FAILED, "The pin gives no counts.",
            "Run `canister check`; it tells what is wrong with the pin.", figures,
        )  # fmt: skip
    rate = pulses / span_s
    figures["rate with the pump off"] = f"{rate:.2f} Hz"
    if any(r.quality is Quality.NOISY for r in readings):
        return Judged(
            Outcome.FAILED,
            f"Far more edges than a rotor makes ({rate:.0f} Hz): the wire is open, or nothing pulls it up.",
            "Look at the sensor's plug and the 10 kΩ pull-up to 3.3 V; keep the wire off mains cords.",
            figures,
        )
    if pulses == 0:
        return Judged(Outcome.PASSED, f"No pulse in {span_s:.0f} s.", "", figures)
    mains = near_mains_hz(rate, span_s)
    if mains is not None:
        return Judged(
            Outcome.FAILED,
            f"{rate:.1f} pulses a second without flow: hum of the mains ({mains:.0f} Hz) on the wire.",
            "The wire is open or not pulled up: look at the sensor's plug, its ground, the 10 kΩ "
            "pull-up to 3.3 V; keep the wire off mains cords.",
            figures,
        )
    if pulses <= _LAST_TURNS:
        return Judged(
            Outcome.FAILED, f"{pulses} pulses: the rotor may not have come to rest.",
            "Shut the outlet tap, or lift the hose's end above the water: water runs by siphon. "
            "Wait a minute, then do it again.", figures,
        )  # fmt: skip
    return Judged(
        Outcome.FAILED, f"{rate:.1f} pulses a second with the pump off.",
        "Water may run by siphon: shut the outlet tap. If it is shut, look for a loose plug, a "
        "missing pull-up, a bad ground.", figures,
    )  # fmt: skip


def judge_running(
    readings: Sequence[PulseReading], sensor: Sensor, shown: Shown = METRIC
) -> Judged:
    """Judge a count with the pump on: pulses come, within the sensor's range, and steadily."""
    pulses, span_s = sum(r.pulses for r in readings), sum(r.span_s for r in readings)
    rate = rate_hz(readings)
    flow = sensor.flow_l_per_h(rate)
    figures = {
        "pulses with the pump on": f"{pulses} in {span_s:.0f} s ({rate:.1f} Hz)",
        "flow by that": f"{shown.flow(flow)} at {sensor.pulses_per_litre:g} pulses per litre",
    }
    failed = _broken(readings, sensor, flow, pulses, shown)
    if failed is not None:
        return Judged(Outcome.FAILED, *failed, figures)
    uneven = unevenness(readings)
    if uneven > _UNEVEN:
        return Judged(
            Outcome.LOOK, f"{shown.flow(flow)}, but it swings by {uneven:.0%}.",
            "Air leaves a filter for some minutes: tilt it gently, wait, do it again.", figures,
        )  # fmt: skip
    return Judged(Outcome.PASSED, f"{shown.flow(flow)}, steady.", "", figures)


def _broken(
    readings: Sequence[PulseReading], sensor: Sensor, flow: float, pulses: int, shown: Shown
) -> tuple[str, str] | None:
    if any(r.quality is Quality.NOISY for r in readings) or flow > sensor.max_l_per_h:
        return (
            f"{shown.flow(flow)} is more than the sensor is sold for ({shown.flow(sensor.max_l_per_h)}).",
            "Look at plug, ground and pull-up; is flow_sensor.max_flow_l_per_h right?",
        )
    if pulses == 0:
        return (
            "No pulse with the pump on.",
            "Does water run? Then look at the arrow on the sensor, its 5 V, its plug, the number of "
            "the pin; a rotor can stick: tap it.",
        )
    if flow < sensor.min_l_per_h:
        return (
            f"{shown.flow(flow)} is below what turns the rotor evenly ({shown.flow(sensor.min_l_per_h)}).",
            "Open the taps, look for a kink and for air; a smaller sensor if it stays so.",
        )
    return None


def unevenness(readings: Sequence[PulseReading]) -> float:
    """Return how far the parts of a count lie apart, as a share of their mean, counting steps left out."""
    size = max(1, len(readings) // _PARTS)
    parts = [readings[n : n + size] for n in range(0, len(readings) - size + 1, size)]
    rates = [rate_hz(part) for part in parts]
    mean = sum(rates) / len(rates) if rates else 0.0
    if mean <= 0:
        return 0.0
    one_count_hz = 1.0 / min(sum(r.span_s for r in part) for part in parts)
    return max(0.0, max(rates) - min(rates) - 2.0 * one_count_hz) / mean


def warmed(
    before: Mapping[str, float],
    after: Mapping[str, float],
    taken: Mapping[str, str],
    shown: Shown = METRIC,
) -> tuple[str | None, Judged]:
    """Return which probe was held in the hand, and the verdict.

    Args:
        before, after: temperatures in °C by ROM id.
        taken: the filter by ROM id of probes that already belong to another filter.
        shown: how figures are shown.
    """
    rises = sorted(((after[p] - before[p], p) for p in before if p in after), reverse=True)
    read, unit = shown.temperature, shown.degrees
    figures = {p: f"{read(before[p]):.1f} to {read(after[p]):.1f} {unit}" for _, p in rises}
    silent = sorted(set(before) - set(after))
    if not rises:
        return None, Judged(
            Outcome.FAILED, "No probe gave a temperature.",
            "Look at the plug, the three wires and the 4.7 kΩ pull-up.", figures,
        )  # fmt: skip
    rise, probe = rises[0]
    if rise < _LEAST_RISE_C:
        also = f" {', '.join(silent)} fell silent." if silent else ""
        return None, Judged(
            Outcome.FAILED, f"No probe warmed by {shown.rise(_LEAST_RISE_C, 0)}; the most was {shown.rise(rise)}.{also}",
            "Hold the steel tip tightly for the whole minute. Where the room is as warm as a hand, "
            "cool the probe in cold water first.", figures,
        )  # fmt: skip
    if len(rises) > 1 and rise - rises[1][0] < _CLEAR_LEAD_C:
        return None, Judged(
            Outcome.FAILED, f"{probe} and {rises[1][1]} warmed alike.",
            "Lay the others where nothing warms them, wait two minutes, do it again.", figures,
        )  # fmt: skip
    if probe in taken:
        return None, Judged(
            Outcome.FAILED, f"{probe} warmed, but it is already that of {taken[probe]}.",
            "Hold the probe of this filter.", figures,
        )  # fmt: skip
    return probe, Judged(Outcome.PASSED, f"{probe} warmed by {shown.rise(rise)}: it is this filter's.",
                         "", figures)  # fmt: skip


def judge_bucket(found: KFactor, configured: float) -> Judged:
    """Judge a bucket test against the pulses per litre that were configured before."""
    figures = {
        "pulses per litre": f"{found.pulses_per_litre:.1f} ± {found.expanded:.2%} (k = 2)",
        "each bucket": ", ".join(f"{k:.1f}" for k in found.each),
        "configured before": f"{configured:g} pulses per litre",
    }
    share = found.pulses_per_litre / configured
    for factor in (_PER_MINUTE, 1 / _PER_MINUTE):
        if abs(share / factor - 1) < _OTHER_THAN_CONFIGURED:
            return Judged(
                Outcome.LOOK, f"{found.pulses_per_litre:.1f} pulses per litre, ±{found.expanded:.1%}.",
                "The figure configured before was in Hz per L/min, a factor of 60 off.", figures,
            )  # fmt: skip
    remarks = list(found.remarks)
    if found.expanded > _SURE_K:
        remarks.append("Not sure to 5 %: take more water or more buckets.")
    if abs(share - 1) > _OTHER_THAN_CONFIGURED:
        remarks.append(f"{share:.2f} times what was configured: were all pulses counted, all water caught?")  # fmt: skip
    outcome = Outcome.LOOK if remarks else Outcome.PASSED
    line = f"{found.pulses_per_litre:.1f} pulses per litre, ±{found.expanded:.1%}."
    return Judged(outcome, line, " ".join(remarks), figures)


def judge_flow(
    readings: Sequence[PulseReading], sensor: Sensor, error: float, model: Commissioning | None,
    predicted_m3_per_s: tuple[float, float, float] | None, shown: Shown = METRIC,
) -> Judged:  # fmt: skip
    """Judge the clean flow against what the sizing model finds plausible.

    Args:
        readings: a count over the running, clean filter.
        sensor: with the pulses per litre that are believed now.
        error: of the flow as a share, twice the standard uncertainty.
        model: measurement beside model, `None` where the pump is not described.
        predicted_m3_per_s: low, median, high of the model.
        shown: how figures are shown.
    """
    flow = sensor.flow_l_per_h(rate_hz(readings))
    figures = {"clean flow measured": f"{shown.flow(flow)} ± {error:.1%} (k = 2)"}
    if predicted_m3_per_s is not None:
        low, middle, high = (l_per_h(q) for q in predicted_m3_per_s)
        figures["clean flow predicted"] = (
            f"{shown.flow(middle)}, {shown.bare_flow(low)} to {shown.bare_flow(high)}"
        )
    running = judge_running(readings, sensor, shown)
    if running.outcome is Outcome.FAILED:
        return Judged(Outcome.FAILED, running.line, running.remedy, figures)
    if model is None:
        return Judged(
            Outcome.LOOK, f"Clean flow {shown.flow(flow)}; the pump is not described, nothing to compare with.",
            running.remedy, figures,
        )  # fmt: skip
    low, high = (l_per_h(q) for q in model.plausible)
    figures["plausible for a measurement"] = f"{shown.bare_flow(low)} to {shown.flow(high)}"
    if not low <= flow <= high:
        return Judged(Outcome.FAILED, f"Clean flow {shown.flow(flow)} is out of the plausible range.",
                      model.verdict, figures)  # fmt: skip
    return Judged(running.outcome, f"Clean flow {shown.flow(flow)}. {model.verdict}", running.remedy, figures)  # fmt: skip
