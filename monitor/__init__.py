"""Watches a canister filter at its outlet: flow against clean flow, cleaning due, flow stopped."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("canister-monitor")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+unknown"
