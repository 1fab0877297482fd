"""Every error the program raises on purpose, and what a person can do about it.

    CanisterError
    ├── UserMistake            exit code 2: something that was asked for or written cannot be right
    │   ├── SettingsError      the configuration, all its problems at once
    │   ├── RecordingError     a file that is to be replayed
    │   └── SizingError        a filter whose water cannot move as described
    └── MachineError           exit code 1: the machine, a sensor, the disk or the network
        ├── StorageError       the journal cannot be opened, read or written
        ├── SensorError        a pin or a probe cannot be used
        └── BrokerError        the MQTT broker cannot be reached
            └── Refused        it answers, and its answer is no

Foreign exceptions are translated into one of these at the edge where they arise. Each message is
one line that says what, where, what was expected and what to do.
"""

from __future__ import annotations

from collections.abc import Sequence


class CanisterError(Exception):
    """The root: anything the program reports in one line and without a traceback."""

    exit_code = 1


class UserMistake(CanisterError):
    """Something asked for or written cannot be right; the user can mend it."""

    exit_code = 2


class SettingsError(UserMistake):
    """The configuration cannot be used; `problems` holds one line for each thing to mend."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class RecordingError(UserMistake):
    """A recording cannot be read as asked."""


class SizingError(UserMistake):
    """The described filter has no operating point, or one of its parts is impossible."""


class MachineError(CanisterError):
    """The machine, a sensor, the disk or the network failed."""


class StorageError(MachineError):
    """The journal cannot be opened, read or written."""


class SensorError(MachineError):
    """A pin or a probe cannot be used."""


class BrokerError(MachineError):
    """The MQTT broker cannot be reached."""


class Refused(BrokerError):
    """The broker answered, and its answer is no; trying at once again is useless."""
