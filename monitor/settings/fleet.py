"""The configuration of a fleet's hub: a file of its own, read here and nowhere else."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from monitor.errors import SettingsError
from monitor.settings.base import FLEET_VARIABLE, Section, key
from monitor.settings.outward import InfluxSettings, NotifySettings, TlsSettings
from monitor.settings.problems import explain
from monitor.settings.web import BoardPageSettings

DEFAULT_FILE = Path("/etc/canister-monitor/fleet.toml")
FILE_VARIABLE = FLEET_VARIABLE


class BooksSettings(Section):
    """What the business itself knows: clients, people, sites, who was told what; an SQLite file."""

    folder: str = key(
        "Folder of the books; must be on a real disk, and be backed up",
        default="/var/lib/canister-fleet",
    )
    name: str = key("Name of the business, for reports", default="", max_length=80)


class BrokerSettings(Section):
    """The broker that all sites publish to."""

    host: str = key(
        "Name or address of the broker", min_length=1, max_length=253, example="localhost"
    )
    port: int | None = key(
        "Port; unset means 1883, or 8883 with TLS", sample=1883, default=None, ge=1, le=65535
    )
    username: str = key("User name of the hub at the broker, empty for none", default="")
    password_file: str = key("File whose first line is its password", default="")
    admin_username: str = key(
        "User who may make other users there (dynamic-security plugin); empty: enrol prints the commands",
        default="",
    )  # fmt: skip
    admin_password_file: str = key("File whose first line is that user's password", default="")
    public_host: str = key(
        "Name under which sites reach the broker, for their bundles; empty: the same as host",
        default="",
    )
    topic_root: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")] = key(
        "First level of every topic, as at the sites", default="canister"
    )
    share: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+$")] = key(
        "Name of the shared subscription; the same for all workers", default="hub"
    )
    session_expiry_s: int = key(
        "The broker keeps what a stopped worker has not acknowledged for this long; longer than a restart",
        "s", default=120, ge=10, le=86400,
    )  # fmt: skip
    tls: TlsSettings = key("Encryption", default_factory=TlsSettings)


class RedisSettings(Section):
    """The live state of all sites."""

    url: Annotated[str, Field(pattern=r"^rediss?://[^\s@?#]+$")] = key(
        "Address of the server, without a name or password in it",
        default="redis://127.0.0.1:6379/0",
    )
    username: str = key("User name, empty for the default user", default="")
    password_file: str = key("File whose first line is the password, empty for none", default="")
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+$")] = key(
        "What all keys begin with", default="fleet", max_length=20
    )
    shards: int = key(
        "Parts that the keys are spread over by site; never change it for a Redis in use", default=16,
        ge=1, le=1024,
    )  # fmt: skip


class WatchSettings(Section):
    """When the hub speaks of a site by itself."""

    silent_after_beats: float = key(
        "A site is silent after so many of its promised signs of life did not come", default=3.0,
        ge=2, le=100,
    )  # fmt: skip
    gather_s: float = key(
        "Alarms of one site within this time make one message", "s", default=8.0, ge=0, le=300
    )
    skew_s: float = key(
        "A site's clock that differs by more than this is called wrong", "s", default=300.0, ge=10
    )
    history_most: int = key(
        "Rows of history that wait for the time-series server at the most; older ones go, counted",
        default=1_000_000, ge=1000,
    )  # fmt: skip


class FleetTree(Section):
    """The whole file."""

    books: BooksSettings = key("Books", default_factory=BooksSettings)
    broker: BrokerSettings = key("Broker")
    redis: RedisSettings = key("Redis", default_factory=RedisSettings)
    influx: InfluxSettings = key("History", default_factory=InfluxSettings)
    notify: NotifySettings = key("Messages to the business", default_factory=NotifySettings)
    watch: WatchSettings = key("Watching the sites", default_factory=WatchSettings)
    page: BoardPageSettings = key("Board page", default_factory=BoardPageSettings)


def chosen_file(option: Path | None) -> Path:
    """Return the file to read: the option, else CANISTER_FLEET_CONFIG, else the usual place."""
    if option is not None:
        return option
    return Path(os.environ.get(FILE_VARIABLE, "") or DEFAULT_FILE)


def load_fleet(option: Path | None = None) -> tuple[FleetTree, Path]:
    """Read and check the configuration of a hub; return it and the file it came from.

    Raises:
        SettingsError: with one line for each problem, all of them at once.
    """
    file = chosen_file(option)
    if not file.is_file():
        raise SettingsError(
            [
                f"{file}: no such file; copy deploy/fleet/fleet.reference.toml there and fill it in, or "
                f"name another with --config or {FILE_VARIABLE}"
            ]
        )
    try:
        raw: dict[str, Any] = tomllib.loads(file.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([f"{file}: not valid TOML: {error}; mend that line"]) from error
    except UnicodeDecodeError as error:
        raise SettingsError([f"{file}: cannot be read: not UTF-8 text"]) from error
    except OSError as error:
        raise SettingsError([f"{file}: cannot be read: {error.strerror}"]) from error

    def where(_path: Sequence[str | int]) -> str:
        return str(file)

    try:
        return FleetTree.model_validate(raw), file
    except ValidationError as error:
        lines = [explain(dict(e), where, FleetTree) for e in error.errors(include_url=False)]
        raise SettingsError(list(dict.fromkeys(lines))) from error


def secret(key_name: str, file: str) -> str | None:
    """Return the first line of a secret file, `None` where no file is named.

    Raises:
        SettingsError: the file cannot be read, or its first line is empty.
    """
    if not file:
        return None
    try:
        lines = Path(file).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise SettingsError(
            [f"{key_name}: cannot read {file}: {reason}; put it there, for the hub's user only"]
        ) from error
    if not lines or not lines[0].strip():
        raise SettingsError([f"{key_name}: {file} is empty; put the secret on line 1"])
    return lines[0].strip()
