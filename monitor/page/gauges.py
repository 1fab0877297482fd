"""Two small drawings beside the figures: flow against clean, temperature in its band. Pure SVG.

Their meaning stands in words beside them, so a screen reader passes over them.
"""

from __future__ import annotations

_WIDTH = 400


def flow_bar(share: float | None, limits: tuple[float, float, float]) -> str:
    """Return flow as a filled length of clean flow, with the three limits as ticks.

    Args:
        share: of clean flow; `None` leaves the bar empty.
        limits: shares at which cleaning is due, flow is low, flow has stopped.
    """
    top = 1.25

    def x(value: float) -> float:
        return _WIDTH * min(max(value, 0.0), top) / top

    fill = (
        ""
        if share is None
        else f'<rect class="fill" y="6" width="{x(share):.1f}" height="14" rx="3"/>'
    )
    ticks = "".join(
        f'<path class="tick" d="M{x(limit):.1f} 2V24"/>'
        f'<text x="{x(limit):.1f}" y="37" text-anchor="middle">{word}</text>'
        for limit, word in zip(limits, ("due", "low", "stop"), strict=True)
    )
    clean = f'<path class="whole" d="M{x(1.0):.1f} 0V26"/><text x="{x(1.0):.1f}" y="37" text-anchor="middle">clean</text>'
    return (
        f'<svg class="gauge" viewBox="0 0 {_WIDTH} 40" aria-hidden="true" focusable="false">'
        f'<rect class="trough" y="6" width="{_WIDTH}" height="14" rx="3"/>{fill}{ticks}{clean}</svg>'
    )


def temperature_ruler(celsius: float | None, low: float | None, high: float | None) -> str:
    """Return a ruler with the band as a thick stretch and the temperature as a pointer.

    Empty without a band or a temperature: a ruler with nothing on it says nothing.
    """
    if celsius is None or low is None or high is None or high <= low:
        return ""
    span = high - low
    left, right = low - span * 0.5, high + span * 0.5

    def x(value: float) -> float:
        return _WIDTH * (min(max(value, left), right) - left) / (right - left)

    at = min(max(x(celsius), 8.0), _WIDTH - 8.0)
    return (
        f'<svg class="gauge" viewBox="0 0 {_WIDTH} 26" aria-hidden="true" focusable="false">'
        f'<path class="rule" d="M0 18H{_WIDTH}"/>'
        f'<rect class="band" x="{x(low):.1f}" y="14" width="{x(high) - x(low):.1f}" height="8" rx="3"/>'
        f'<path class="pointer" d="M{at - 7:.1f} 0h14l-7 13z"/></svg>'
    )
