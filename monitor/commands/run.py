"""`canister run`: the daemon."""

from __future__ import annotations

import logging
import os
import sys

from monitor.commands.common import ConfigOption, reported


@reported
def run(config: ConfigOption = None) -> None:
    """Watch the filters until stopped: the daemon.

    Example: canister run --config /etc/canister-monitor/canister.toml
    """
    from monitor.settings.load import load

    log_to_standard_error()
    loaded = load(config, sound=False)  # the sizing model checks in a process of its own
    from monitor.app.daemon import run_daemon

    run_daemon(loaded.tree, loaded.file)


def log_to_standard_error() -> None:
    """Log a line a message; the service manager adds its own time."""
    under_manager = "JOURNAL_STREAM" in os.environ
    logging.basicConfig(
        stream=sys.stderr,
        level=logging.INFO,
        format="%(levelname)s %(message)s"
        if under_manager
        else "%(asctime)s %(levelname)s %(message)s",
    )
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
