"""The wiring pictures: one circuit for each way a sensor can reach its pin, the probe, the header."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.drawing.sheet import (
    Capacitor,
    Dot,
    Frame,
    Part,
    Pin,
    Resistor,
    Sheet,
    Wire,
    Words,
    level_width,
)
from monitor.wiring import header
from monitor.wiring.electrics import PIN_HIGH_V, PIN_LOW_V, SUPPLY_V
from monitor.wiring.plan import (
    DIVIDER_OHM,
    LED_OHM,
    PROBE_OHM,
    SERIES_OHM,
    Circuit,
    SensorWiring,
    circuit_for,
    figures,
    pins,
)

COLUMNS = 44
_SENSOR_EDGE, _BOARD_EDGE = 10, 31
_LABEL = 15
_PIN_5V, _PIN_3V3 = header.POWER_5V[0], header.POWER_3V3[0]
_PROBE_3V3 = header.POWER_3V3[1]


def ohms(value: float) -> str:
    """Return a resistance as it is written on the part: `4.7 kΩ`."""
    return f"{value / 1e3:g} kΩ" if value >= 1e3 else f"{value:g} Ω"


def farads(value: float) -> str:
    """Return a capacitance in nF."""
    return f"{value * 1e9:g} nF"


def sensor_sheet(sensor: SensorWiring) -> Sheet:
    """Return the circuit of one flow sensor with its own pin and values."""
    draw = {Circuit.PULL_UP: _pull_up, Circuit.DIVIDER: _divider, Circuit.OPTO: _opto}
    words = {
        Circuit.PULL_UP: "open collector",
        Circuit.DIVIDER: "drives 5 V",
        Circuit.OPTO: "opto-coupler",
    }
    circuit = circuit_for(sensor)
    parts = [*draw[circuit](sensor), Words((21, 0), words[circuit], "middle")]
    return Sheet(f"Sensor {sensor.filter_id}", COLUMNS, 12, parts)


def _ends(sensor: SensorWiring, power_row: int, signal_row: int, ground_row: int) -> list[Part]:
    """The sensor at the left, the board's header at the right, and the words at their edges."""
    place, ground = pins(sensor)
    left = [(power_row, "+"), (signal_row, "output"), (ground_row, "−")]
    right = [(power_row, _PIN_5V), (signal_row, place), (ground_row, ground)]
    return [
        Frame((0, 0), _SENSOR_EDGE + 1, 12, "sensor"),
        Frame((_BOARD_EDGE, 0), COLUMNS - _BOARD_EDGE, 12, "header"),
        *(Words((_SENSOR_EDGE - 2, row), words, "end") for row, words in left),
        *_board_pins(right),
    ]


def _board_pins(rows: list[tuple[int, int]]) -> list[Part]:
    """Position, bold, and what it is, at the board's edge."""
    parts: list[Part] = []
    for row, place in rows:
        parts.append(Words((_BOARD_EDGE + 3, row), str(place), "end", bold=True))
        parts.append(Words((_BOARD_EDGE + 5, row), header.name(place)))
    return parts


def _pull_up(sensor: SensorWiring) -> list[Part]:
    found = figures(sensor)
    assert found.pull_up_ohm is not None
    assert found.capacitor_f is not None
    series = f"R2 {ohms(SERIES_OHM)}"
    series_end = 14 + level_width(series)
    return [
        *_ends(sensor, 1, 6, 10),
        *_board_pins([(3, _PIN_3V3)]),
        Wire([(_SENSOR_EDGE, 1), (_BOARD_EDGE, 1)]),
        Wire([(_BOARD_EDGE, 3), (13, 3), (13, 6)]),
        Wire([(_SENSOR_EDGE, 6), (15, 6)]),
        Wire([(series_end, 6), (_BOARD_EDGE, 6)]),
        Wire([(28, 6), (28, 10)]),
        Wire([(_SENSOR_EDGE, 10), (_BOARD_EDGE, 10)]),
        Resistor((13, 4), f"R1 {ohms(found.pull_up_ohm)}", upright=True),
        Resistor((15, 6), series),
        Words((25, 8), f"C1 {farads(found.capacitor_f)}", "end", bold=True),
        Capacitor((28, 8), ""),
        Dot((13, 6)),
        Dot((28, 6)),
        Dot((28, 10)),
    ]


def _divider(sensor: SensorWiring) -> list[Part]:
    found = figures(sensor)
    assert found.capacitor_f is not None
    upper, lower = (f"R{n} {ohms(value)}" for n, value in enumerate(DIVIDER_OHM, 1))
    upper_end = 11 + level_width(upper)
    joint = 28
    return [
        *_ends(sensor, 1, 4, 10),
        Wire([(_SENSOR_EDGE, 1), (_BOARD_EDGE, 1)]),
        Wire([(_SENSOR_EDGE, 4), (12, 4)]),
        Wire([(upper_end, 4), (_BOARD_EDGE, 4)]),
        Wire([(joint, 4), (joint, 10)]),
        Wire([(joint, 5), (15, 5), (15, 10)]),
        Wire([(_SENSOR_EDGE, 10), (_BOARD_EDGE, 10)]),
        Resistor((15, 6), lower, upright=True),
        Words((25, 8), f"C1 {farads(found.capacitor_f)}", "end", bold=True),
        Capacitor((joint, 8), ""),
        Resistor((12, 4), upper),
        Dot((joint, 4)),
        Dot((joint, 5)),
        Dot((15, 10)),
        Dot((joint, 10)),
    ]


def _opto(sensor: SensorWiring) -> list[Part]:
    found = figures(sensor)
    assert found.pull_up_ohm is not None
    left, right = 13, 28
    return [
        *_ends(sensor, 1, 7, 10),
        *_board_pins([(2, _PIN_3V3)]),
        Wire([(_SENSOR_EDGE, 1), (_BOARD_EDGE, 1)]),
        Wire([(left, 1), (left, 5), (15, 5)]),
        Wire([(_BOARD_EDGE, 2), (right, 2), (right, 7)]),
        Wire([(_SENSOR_EDGE, 7), (15, 7)]),
        Wire([(25, 5), (right, 5)]),
        Wire([(right, 7), (_BOARD_EDGE, 7)]),
        Wire([(25, 7), (26, 7), (26, 10)]),
        Wire([(_SENSOR_EDGE, 10), (_BOARD_EDGE, 10)]),
        Frame((15, 4), 11, 5, "opto"),
        Words((16, 5), "LED+"),
        Words((16, 7), "LED−"),
        Words((24, 5), "C", "end"),
        Words((24, 7), "E", "end"),
        Resistor((left, 3), "", upright=True),
        Words((15, 2), f"R1 {ohms(LED_OHM)}", bold=True),
        Resistor((right, 4), "", upright=True),
        Words((26, 3), f"R2 {ohms(found.pull_up_ohm)}", "end", bold=True),
        Dot((left, 1)),
        Dot((right, 5)),
        Dot((26, 10)),
    ]


def probe_sheet(gpio: int) -> Sheet:
    """Return the circuit of the 1-Wire bus on a pin; more probes go side by side on its wires."""
    place = header.position(gpio)
    return Sheet(
        "Temperature probe (DS18B20)",
        COLUMNS,
        9,
        [
            Frame((0, 0), _SENSOR_EDGE + 1, 9, "probe"),
            Frame((_BOARD_EDGE, 0), COLUMNS - _BOARD_EDGE, 9, "header"),
            Words((_SENSOR_EDGE - 2, 1), "+", "end"),
            Words((_SENSOR_EDGE - 2, 4), "data", "end"),
            Words((_SENSOR_EDGE - 2, 7), "−", "end"),
            *_board_pins([(1, _PROBE_3V3), (4, place), (7, header.nearest_ground(place))]),
            Wire([(_SENSOR_EDGE, 1), (_BOARD_EDGE, 1)]),
            Wire([(_SENSOR_EDGE, 4), (_BOARD_EDGE, 4)]),
            Wire([(_SENSOR_EDGE, 7), (_BOARD_EDGE, 7)]),
            Wire([(17, 1), (17, 4)]),
            Resistor((17, 2), f"R1 {ohms(PROBE_OHM)}", upright=True),
            Dot((17, 1)),
            Dot((17, 4)),
        ],
    )


def header_sheet(sensors: list[SensorWiring], probe_pin: int | None) -> Sheet:
    """Return the header, each pin by its place, with what goes to it."""
    used = header_use(sensors, probe_pin)
    parts: list[Part] = [
        Words((0, 0), "Board's edge at the right. Pin 1: inner row,"),
        Words((0, 1), "at the card slot's end; its pad is square."),
    ]
    for row in range(20):
        for place, ring, number, words, anchor in (
            (2 * row + 1, 20, 18, 15, "end"),
            (2 * row + 2, 23, 25, 28, "start"),
        ):
            at = row + 3
            parts.append(Pin((ring, at), place in used))
            parts.append(
                Words((number, at), str(place), "end" if anchor == "end" else "start", bold=True)
            )
            said = used.get(place, header.name(place))
            parts.append(Words((words, at), said, "end" if anchor == "end" else "start"))
    cut = [s for s in sensors if used[header.position(s.pin)].endswith("…")]
    for row, sensor in enumerate(cut, 24):
        place = header.position(sensor.pin)
        parts.append(Words((3, row), str(place), "end", bold=True))
        parts.append(Words((5, row), f"{header.name(place)} {sensor.filter_id}"))
    return Sheet("The header of the board", COLUMNS, 24 + len(cut), parts)


def header_use(sensors: list[SensorWiring], probe_pin: int | None) -> Mapping[int, str]:
    """Return what goes to which position of the header."""
    used: dict[int, str] = {_PIN_5V: "5 V sensors"}
    for sensor in sensors:
        place, ground = pins(sensor)
        said = f"{header.name(place)} {sensor.filter_id}"
        used[place] = said if len(said) <= _LABEL else said[: _LABEL - 1] + "…"
        used[ground] = "ground"
        if circuit_for(sensor) is not Circuit.DIVIDER:
            used[_PIN_3V3] = "3.3 V pull-ups"
    if probe_pin is not None:
        place = header.position(probe_pin)
        used[place] = f"GPIO{probe_pin} probe"
        used[_PROBE_3V3] = "3.3 V probe"
        used[header.nearest_ground(place)] = "ground"
    return used


def described(sensor: SensorWiring) -> list[str]:
    """Return what the values come to, a line each, for people."""
    found = figures(sensor)
    limits = f"a pin reads low up to {PIN_LOW_V:g} V, high from {PIN_HIGH_V:g} V"
    lines = [f"At the pin: low {found.low_v:.1f} V, high {found.high_v:.1f} V ({limits})."]
    if found.circuit is Circuit.DIVIDER:
        lines.append(
            f"With 5 % too much supply and the worst of 5 % resistors: {found.highest_v:.2f} V, "
            f"still below {SUPPLY_V:g} V."
        )
    lines.append(
        f"Up to {sensor.rate_hz:.0f} pulses a second; each rises in {found.rise_s * 1e6:.0f} µs"
        + (f", the filter's corner is at {found.corner_hz:.0f} Hz." if found.corner_hz else ".")
    )
    lines.append(f"The sensor's output carries {found.sink_ma:.1f} mA.")
    return lines
