"""What the sizing model says of each filter, worked out in a process of its own.

The model and its library take some 20 MB that the daemon needs for a fraction of a second. A
child that ends gives them back: `python -m monitor.app.prediction FILE` prints one JSON object,
what the model says by filter, or the problems that it sees.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import msgspec

from monitor.app.plans import Predicted
from monitor.errors import CanisterError, MachineError, SettingsError

_WITHIN_S = 120.0  # a small board that just booted is slow


class Prediction(msgspec.Struct):
    """What the model says by filter, `None` where the pump is not described; or problems."""

    filters: dict[str, Predicted | None]
    problems: list[str]


def predicted_by_child(file: Path) -> dict[str, Predicted | None]:
    """Return what the sizing model says of every filter of a configuration file.

    Raises:
        SettingsError: what the file describes cannot be.
        MachineError: the child failed.
    """
    command = [sys.executable, "-m", "monitor.app.prediction", str(file)]
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_WITHIN_S, check=False
        )
        found = msgspec.json.decode(done.stdout, type=Prediction)
    except (OSError, subprocess.TimeoutExpired, msgspec.DecodeError) as error:
        raise MachineError(
            f"the sizing model could not be run ({error}); try canister size -c {file}"
        ) from error
    if found.problems:
        raise SettingsError(found.problems)
    return found.filters


def _main() -> None:
    from monitor.app.plans import predict
    from monitor.settings.load import load

    filters: dict[str, Predicted | None] = {}
    problems: list[str] = []
    try:
        tree = load(Path(sys.argv[1])).tree
        filters = {name: predict(name, tree) for name in tree.filters}
    except SettingsError as error:
        problems += error.problems
    except CanisterError as error:
        problems.append(f"{sys.argv[1]}: {error}")
    sys.stdout.buffer.write(msgspec.json.encode(Prediction(filters, problems)))


if __name__ == "__main__":
    _main()
