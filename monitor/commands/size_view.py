"""What `canister size` and `canister compare` show, as text, JSON fields and a plot."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.commands.common import flow_words, literal, percent, temperature_words
from monitor.drawing.chart import Line, Mark, line_chart
from monitor.errors import MachineError
from monitor.sizing.commissioning import Commissioning, what_fits
from monitor.sizing.report import Installation, SizeReport
from monitor.sizing.study import BoreChoice, Certainty, Study, curves
from monitor.sizing.tank import TankReport
from monitor.sizing.uncertainty import Spread
from monitor.units import LITRES_PER_US_GALLON, l_per_h

_NAMED_INFLUENCES = 4


def whole(study: Study, sure: Certainty) -> dict[str, Any]:
    """Return everything as the fields of one JSON object; flows in L/h."""
    report, spread = study.report, sure.spread
    return {
        "filter": report.filter_id,
        "temperature_c": report.temperature_c,
        "clean_flow_l_per_h": _flow(report.clean_m3_per_s),
        "plausible_l_per_h": [_flow(spread.low), _flow(spread.high)],
        "median_l_per_h": _flow(spread.median),
        "influences": [{"input": i.label, "share": round(i.share, 3)} for i in spread.influences],
        "head_m": round(report.head_m, 4),
        "rated_flow_l_per_h": _flow(report.rated_m3_per_s),
        "share_of_rated": round(report.share_of_rated, 4),
        "rule_of_trade_l_per_h": _flow(report.rule_m3_per_s),
        "turnover_per_h": _rounded(report.turnover_per_h, 2),
        "losses": [
            {"part": x.label, "group": x.group, "head_m": round(x.head_m, 5), "share": round(x.share, 5)}
            for x in report.losses
        ],
        "tank": _tank_fields(study.tank),
        "sensor_bores": [
            {"bore_mm": round(b.bore_m * 1000, 1), "clean_flow_l_per_h": _flow(b.clean_m3_per_s)}
            for b in study.bores
        ],
        "commissioning": _commissioning_fields(sure.commissioning),
        "remarks": [*report.remarks, *study.tank.remarks, *study.stack],
    }  # fmt: skip


def _flow(flow_m3_per_s: float) -> float:
    return round(l_per_h(flow_m3_per_s), 1)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _tank_fields(tank: TankReport) -> dict[str, Any]:
    return {
        "stocking": tank.stocking,
        "turnover_per_h": _rounded(tank.turnover_per_h, 2),
        "turnover_wanted_per_h": list(tank.turnover_wanted),
        "media_kg": round(tank.media_kg, 2),
        "biological_kg": round(tank.biological_kg, 2),
        "biological_needed_kg": _rounded(tank.biological_needed_kg, 2),
        "media_share_of_tank": _rounded(tank.media_share_of_tank, 4),
        "serves_l": round(tank.serves_m3 * 1000, 0),
        "serves_limited_by": tank.serves_by,
        "full_kg": _rounded(tank.full_kg, 1),
    }


def _commissioning_fields(found: Commissioning | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "measured_l_per_h": _flow(found.measured),
        "plausible_l_per_h": [_flow(found.plausible[0]), _flow(found.plausible[1])],
        "surprise": round(found.surprise, 4),
        "clean_flow_l_per_h": None if found.median is None else _flow(found.median),
        "range_l_per_h": None
        if found.low is None or found.high is None
        else [_flow(found.low), _flow(found.high)],
        "shifts": [
            {"input": s.label, "before": round(s.before, 5), "after": round(s.after, 5)}
            for s in found.shifts
        ],
        "verdict": found.verdict,
    }


def shown(out: Any, study: Study, title: str, us: bool) -> None:
    """Print the report of the likely values."""
    report = study.report
    _head(out, report, title, us)
    _losses(out, report)
    _tank(out, study.tank, us)
    if study.bores:
        _bores(out, study.bores, us)
    for remark in (*report.remarks, *study.tank.remarks, *study.stack):
        out.print(f"• {remark}")


def _head(out: Any, report: SizeReport, title: str, us: bool) -> None:
    clean = flow_words(l_per_h(report.clean_m3_per_s), us)
    rated = flow_words(l_per_h(report.rated_m3_per_s), us)
    out.print(
        f"[bold]{literal(title)}[/bold]: clean flow [bold]{clean}[/bold], {percent(report.share_of_rated)} "
        f"of the pump's {rated} at zero head ({temperature_words(report.temperature_c, us)})"
    )
    out.print(
        "The trade's rule of about half of rated (common practice, no source): "
        f"{flow_words(l_per_h(report.rule_m3_per_s), us)}"
    )


def _losses(out: Any, report: SizeReport) -> None:
    from rich.table import Table

    table = Table("part", "kind", "head", "share", box=None, pad_edge=False)
    table.columns[2].justify = table.columns[3].justify = "right"
    for loss in sorted(report.losses, key=lambda row: -row.head_m):
        table.add_row(loss.label, str(loss.group), _head_words(loss.head_m), f"{loss.share:.1%}")
    table.add_row("whole circuit", "", f"{report.head_m:.3f} m", "100.0%", style="bold")
    out.print(table)


def _head_words(head_m: float) -> str:
    """Metres, or millimetres where metres would show as nothing."""
    return f"{head_m:.3f} m" if head_m >= 0.01 else f"{head_m * 1000:.1f} mm"


def _tank(out: Any, tank: TankReport, us: bool) -> None:
    if tank.turnover_per_h is not None:
        low, high = tank.turnover_wanted
        out.print(
            f"Turnover: {tank.turnover_per_h:.1f} tank volumes an hour when clean ({low:g} to "
            f"{high:g} for {tank.stocking} stocking is common practice, no source)"
        )
    weights = f"Media: {tank.media_kg:.1f} kg dry, {tank.biological_kg:.1f} kg of it biological"
    if tank.biological_needed_kg is not None:
        weights += f" of {tank.biological_needed_kg:.1f} kg for its share of the stock"
    if tank.full_kg is not None:
        weights += f"; full canister about {tank.full_kg:.1f} kg"
    out.print(weights)
    volume = tank.serves_m3 * 1000
    words = f"{volume / LITRES_PER_US_GALLON:.0f} US gal" if us else f"{volume:.0f} L"
    out.print(f"Serves a tank of about {words}, limited by its {tank.serves_by}")


def _bores(out: Any, bores: tuple[BoreChoice, ...], us: bool) -> None:
    said = ", ".join(
        f"{b.bore_m * 1000:g} mm {flow_words(l_per_h(b.clean_m3_per_s), us)}" for b in bores
    )
    out.print(f"Clean flow by bore of the flow sensor: {said}")


def shown_certainty(out: Any, sure: Certainty, us: bool) -> None:
    """Print the plausible range, what decides it, and measured flows against it."""
    out.print(range_line(sure.spread, us))
    if sure.spread.influences:
        named = ", ".join(
            f"{i.label} {i.share:.0%}" for i in sure.spread.influences[:_NAMED_INFLUENCES]
        )
        out.print(f"What decides the range: {named}")
    found = sure.commissioning
    if found is not None:
        _commissioning(out, found, us)
    out.print()


def range_line(spread: Spread, us: bool) -> str:
    """Return the plausible range in one line."""
    low, high = flow_words(l_per_h(spread.low), us), flow_words(l_per_h(spread.high), us)
    median = flow_words(l_per_h(spread.median), us)
    return f"Plausible: {low} to {high}, nine times in ten; median {median}"


def _commissioning(out: Any, found: Commissioning, us: bool) -> None:
    low, high = (flow_words(l_per_h(q), us) for q in found.plausible)
    out.print(
        f"Measured {flow_words(l_per_h(found.measured), us)}, plausible {low} to {high}. {found.verdict}"
    )
    if found.median is None or found.low is None or found.high is None:
        out.print(
            "No input within its range explains it: the description or the filter is not right."
        )
        return
    out.print(
        f"With the measurement clean flow is {flow_words(l_per_h(found.median), us)}, "
        f"{flow_words(l_per_h(found.low), us)} to {flow_words(l_per_h(found.high), us)}. "
        + what_fits(found.shifts)
    )
    for shift in found.shifts[:_NAMED_INFLUENCES]:
        out.print(f"    {shift.label}: {shift.before:.4g} → {shift.after:.4g}")


def shown_plot(installation: Installation, title: str, file: Path, us: bool) -> None:
    """Draw the curves into an SVG file.

    Raises:
        MachineError: the file cannot be written.
    """
    found = curves(installation)
    factor, unit = (1 / LITRES_PER_US_GALLON, "gal/h") if us else (1.0, "L/h")

    def in_unit(points: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
        return [(l_per_h(q) * factor, h) for q, h in points]

    lines = [Line("pump", in_unit(found.pump)), Line("clean circuit", in_unit(found.clean), True)]
    for share, points in found.fouled:
        dashes = "7 4" if share >= 0.6 else "2 4"
        lines.append(Line(f"fouled, {share:.0%} of clean", in_unit(points), dashes=dashes))
    marks = [Mark(f"{x:.0f}", x, y) for x, y in in_unit(found.points)]
    picture = line_chart(title, f"flow, {unit}", "head, m", lines, marks)
    try:
        file.write_text(picture, encoding="utf-8")
    except OSError as error:
        raise MachineError(
            f"{file}: cannot be written: {error.strerror}; name another file"
        ) from error
