"""Where things stand: tank, canister, hoses, the sensor in the outlet hose, supply and board."""

from __future__ import annotations

from monitor.drawing.sheet import framed, lettering

_WIDTH, _HEIGHT = 412, 548
_LINE = 'fill="none" stroke="currentColor" stroke-width="2"'
_HOSE = 'fill="none" stroke="currentColor" stroke-opacity="0.35" stroke-width="9"'
_CABLE = 'fill="none" class="cable" stroke-width="2" stroke-dasharray="7 3"'


def scene() -> str:
    """Return the picture as SVG; it is the same for every filter."""
    return framed(
        "Where things stand",
        _WIDTH,
        _HEIGHT,
        [
            "<style>.water{fill:#0b7285;fill-opacity:.16}.cable{stroke:#b3420a}"
            "@media screen and (prefers-color-scheme:dark){.cable{stroke:#ff9d5c}}</style>",
            '<text x="8" y="24" font-size="16" font-weight="600" fill="currentColor">'
            "Where things stand</text>",
            *_dry_side(),
            *_wet_side(),
            *_cables(),
        ],
    )


def _dry_side() -> list[str]:
    return [
        _box(222, 50, 72, 44, "socket", "on RCD"),
        _box(328, 62, 72, 44, "5 V", "supply"),
        f'<path d="M318 112H404M318 204H404" {_LINE}/>',
        _box(328, 154, 72, 44, "board"),
        *_lines(8, 62, "Sockets, supply and", "board: on the wall,", "above the tank's rim,"),
        *_lines(8, 116, "beside it, never over", "or under the water."),
    ]


def _wet_side() -> list[str]:
    return [
        '<rect class="water" x="20" y="258" width="170" height="106"/>',
        f'<path d="M20 240V364H190V240" {_LINE}/>',
        lettering(30, 350, "tank", "start", bold=True),
        # inlet: from the tank over its rim down to the canister
        f'<path d="M168 336V238Q168 230 176 230H200Q208 230 208 238V470" {_HOSE}/>',
        f'<path d="M208 392l-5 -9h10z" fill="currentColor" {_ink()}/>',
        lettering(198, 394, "inlet", "end"),
        # outlet: from the canister straight up through the sensor
        f'<path d="M258 470V224Q258 210 244 210H118Q110 210 110 218V280" {_HOSE}/>',
        f'<path d="M258 268l-5 9h10z" fill="currentColor" {_ink()}/>',
        lettering(270, 258, "outlet", "start"),
        _box(242, 336, 32, 44),
        f'<path class="accent" d="M258 344V372M258 344l-5 9M258 344l5 9" {_ink()}/>',
        *_lines(276, 288, "sensor: arrow", "up, a clamp", "at each end"),
        _box(182, 470, 116, 56, "canister"),
        f'<path d="M166 526V534H314V526" {_LINE}/>',
        lettering(322, 530, "tray", "start"),
    ]


def _cables() -> list[str]:
    return [
        # both cords hang lower than where they end, so that water drips off before
        f'<path d="M258 94V124Q258 140 278 140Q304 140 304 110Q304 84 328 84" {_CABLE}/>',
        *_lines(212, 158, "drip loop"),
        f'<path d="M364 106V154" {_CABLE}/>',
        f'<path d="M274 366H288Q304 366 304 392Q304 424 340 424Q390 424 390 380V198" {_CABLE}/>',
        *_lines(322, 444, "drip loop"),
    ]


def _box(x: int, y: int, width: int, height: int, *words: str) -> str:
    parts = [
        f'<rect class="paper" x="{x}" y="{y}" width="{width}" height="{height}" rx="4" {_ink()}/>'
    ]
    first = y + height / 2 - 8.5 * (len(words) - 1)
    parts += [
        lettering(x + width / 2, first + 17 * n, line, "middle", bold=True)
        for n, line in enumerate(words)
    ]
    return "\n".join(parts)


def _lines(x: int, y: int, *words: str) -> list[str]:
    return [lettering(x, y + 18 * n, line, "start") for n, line in enumerate(words)]


def _ink() -> str:
    return 'stroke="currentColor" stroke-width="2"'
