"""How urgent each alarm is: high where animals or the home are in danger within hours.

ISA-18.2 has about 5 in 100 alarms of the highest and 80 of the lowest priority (as quoted in the open
literature); which is which here is common practice, no source.
"""

from __future__ import annotations

from monitor.records import AlarmKind, Priority

PRIORITIES: dict[AlarmKind, Priority] = {
    AlarmKind.FLOW_STOPPED: Priority.HIGH,
    AlarmKind.FLOW_HIGH: Priority.HIGH,
    AlarmKind.TEMPERATURE_HIGH: Priority.HIGH,
    AlarmKind.TEMPERATURE_LOW: Priority.HIGH,
    AlarmKind.POWER_GONE: Priority.HIGH,
    AlarmKind.LEAK: Priority.HIGH,
    AlarmKind.TEST: Priority.HIGH,
    AlarmKind.FLOW_LOW: Priority.MEDIUM,
    AlarmKind.FLOW_UNKNOWN: Priority.MEDIUM,
    AlarmKind.READER_DEAD: Priority.MEDIUM,
    AlarmKind.JOURNAL_FAILING: Priority.MEDIUM,
    AlarmKind.DELIVERY_REFUSED: Priority.MEDIUM,
    AlarmKind.CLEANING_DUE: Priority.LOW,
    AlarmKind.TEMPERATURE_UNKNOWN: Priority.LOW,
    AlarmKind.STORAGE_VOLATILE: Priority.LOW,
    AlarmKind.DISK_FILLING: Priority.LOW,
    AlarmKind.CERTIFICATE_ENDING: Priority.LOW,
    AlarmKind.CLOCK_UNSET: Priority.LOW,
    AlarmKind.UNDER_VOLTAGE: Priority.LOW,
    AlarmKind.BOARD_HOT: Priority.LOW,
}
