"""From settings to plans: what the pure middle, the sources and the broker need to know."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from pathlib import Path

import msgspec

from monitor.alarms.life import Announcing
from monitor.alarms.rules import Limits
from monitor.alarms.watch import WatchPlan
from monitor.condition.consequence import Stock
from monitor.condition.cycle import CyclePlan
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.condition.thermal import Band
from monitor.delivery.mqtt import BrokerAddress
from monitor.errors import SettingsError
from monitor.settings.load import password
from monitor.settings.model import AlarmSettings, FilterSettings, LearningSettings, SettingsTree
from monitor.settings.outward import MqttSettings
from monitor.units import LITRES_PER_M3, SECONDS_PER_DAY, m3_per_s

_USUAL_EXPONENT = 2.0  # a parabola against losses that go with the square of the flow


class Predicted(msgspec.Struct, frozen=True):
    """Clean flow in m³/s, and n of the filter's curve (see monitor.condition.fouling)."""

    clean_m3_per_s: float
    exponent: float


def watch_plans(
    tree: SettingsTree, predicted: Mapping[str, Predicted | None] | None = None
) -> dict[str, WatchPlan]:
    """Return the plan of each filter, with the clean flow that the sizing model predicts.

    Args:
        tree: the settings.
        predicted: what the sizing model says by filter; `None` asks it here.

    Raises:
        SizingError: a described filter cannot move water.
    """
    if predicted is None:
        predicted = {name: predict(name, tree) for name in tree.filters}
    how, latching = announcing(tree.alarms), frozenset(tree.alarms.latching)
    return {
        name: msgspec.structs.replace(
            watch_plan(name, s, predicted.get(name)), announcing=how, latching=latching
        )
        for name, s in tree.filters.items()
    }


def watch_plan(name: str, settings: FilterSettings, predicted: Predicted | None) -> WatchPlan:
    """Return the plan of one filter; `predicted` is what the sizing model says, if it is described."""
    sensor = settings.flow_sensor
    return WatchPlan(
        ConditionPlan(
            name,
            Sensor(
                sensor.pulses_per_litre * LITRES_PER_M3,
                m3_per_s(sensor.max_flow_l_per_h),
                sensor.offset_hz,
                m3_per_s(sensor.min_flow_l_per_h),
                sensor.error_percent / 100,
            ),
            learning(settings.learning),
            None if predicted is None else predicted.clean_m3_per_s,
            CyclePlan(
                settings.limits.cleaning_due_share,
                _USUAL_EXPONENT if predicted is None else predicted.exponent,
            ),
            Band(settings.tank.min_c, settings.tank.max_c),
        ),
        limits(settings),
        Stock(
            settings.tank.stocking,
            settings.tank.salinity_g_per_kg.value,
            settings.tank.min_c,
            settings.tank.max_c,
        ),
    )


def predict(name: str, tree: SettingsTree) -> Predicted | None:
    """Return what the sizing model says of a filter, `None` where the pump is not described.

    Raises:
        SizingError: the described filter cannot move water.
    """
    settings = tree.filters[name]
    if settings.pump is None:
        return None
    from monitor.settings.convert import installation
    from monitor.sizing.report import fouling_exponent, size

    described = installation(name, settings, tree.materials)
    clean = size(described).clean_m3_per_s
    return Predicted(clean, fouling_exponent(described, clean))


def announcing(settings: AlarmSettings) -> Announcing:
    """Return how alarms are said again."""
    return Announcing(
        settings.repeat_min * 60,
        settings.repeat_at_most_h * 3600,
        settings.escalate_min * 60,
        settings.acknowledged_for_h * 3600,
        settings.low_acknowledged_for_days * SECONDS_PER_DAY,
    )


def learning(settings: LearningSettings) -> Learning:
    """Return how the clean flow is learned."""
    return Learning(settings.settle_min * 60, settings.learn_min * 60, settings.steady_within)


def limits(described: FilterSettings) -> Limits:
    """Return the user's limits for one filter."""
    settings, tank = described.limits, described.tank
    return Limits(
        settings.cleaning_due_share,
        settings.cleaning_due_hold_min * 60,
        settings.flow_low_share,
        settings.flow_low_hold_s,
        settings.flow_stopped_share,
        settings.flow_stopped_hold_s,
        settings.flow_unknown_hold_s,
        settings.clear_margin,
        settings.clear_hold_s,
        settings.flow_high_share,
        settings.flow_high_hold_s,
        tank.min_c,
        tank.max_c,
        settings.temperature_hold_s,
        settings.probe_hold_s,
        described.probe is not None,
    )


def broker_address(mqtt: MqttSettings, site: str) -> BrokerAddress:
    """Return how to reach the broker.

    Raises:
        SettingsError: the password or a certificate file cannot be read.
    """
    for key in ("ca_file", "cert_file", "key_file"):
        file = getattr(mqtt.tls, key)
        if mqtt.tls.enabled and file and not Path(file).is_file():
            raise SettingsError([f"mqtt.tls.{key}: {file}: no such file; put it there"])
    return BrokerAddress(
        host=mqtt.host,
        port=mqtt.port or (8883 if mqtt.tls.enabled else 1883),
        version5=mqtt.version == "5",
        client_id=mqtt.client_id or f"canister-{site}-{socket.gethostname()}"[:64],
        keepalive_s=mqtt.keepalive_s,
        username=mqtt.username,
        password=password(mqtt),
        tls=mqtt.tls.enabled,
        ca_file=mqtt.tls.ca_file,
        cert_file=mqtt.tls.cert_file,
        key_file=mqtt.tls.key_file,
    )
