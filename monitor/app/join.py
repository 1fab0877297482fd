"""Takes the bundle of a fleet's hub: this board's site, broker and password, into the configuration."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import msgspec

from monitor.app.commission.walk import put
from monitor.errors import MachineError, UserMistake
from monitor.fleet import bundle as bundles
from monitor.fleet.bundle import Bundle
from monitor.runtime.lock import running_process
from monitor.settings.edit import edited, install_line, replaced, writable
from monitor.settings.load import load
from monitor.settings.model import SettingsTree

PASSWORD_FILE = "fleet.password"
CA_FILE = "fleet-ca.pem"
_READY = "canister.toml.joined"


class Joined(msgspec.Struct, frozen=True):
    """What was done, in lines; `in_place` is false while an administrator has to do the last step."""

    lines: tuple[str, ...]
    in_place: bool = True


def join(file: Path, bundle_file: Path, stamp: str) -> Joined:
    """Let this board publish to the fleet's broker.

    The password and the certificate authority go into storage.folder, the rest into the configuration,
    whose old text is kept beside it. All is checked before anything is written.

    Args:
        file: the configuration.
        bundle_file: what `canister hub enrol` or `rotate` wrote.
        stamp: names the copy of the old configuration.

    Raises:
        UserMistake: the bundle or the configuration cannot be used.
        StorageError: something cannot be written.
    """
    bundle = _read(bundle_file)
    tree = load(file, sound=False).tree
    _no_homes(tree)
    folder = Path(tree.storage.folder).resolve()
    wanted = _wanted(bundle, folder)
    old = file.read_text(encoding="utf-8")
    changes = {key: value for key, value in wanted.items() if _now(tree, key) != value}
    new = edited(old, changes)
    load(file, sound=False, text=new)
    _keep_secrets(bundle, folder)
    lines = [f"{bundle.site}: broker {bundle.host}:{bundle.port}, user {bundle.username}."]
    if tree.site.id != bundle.site:
        lines.append(f"The site was {tree.site.id}; the hub knows it as {bundle.site}.")
    if new == old:
        done = Joined(("The configuration says so already; the password is the new one.",))
    else:
        done = _put_in_place(file, folder, new, stamp)
    last = f"Delete {bundle_file}: it holds the password."
    return Joined((*lines, *done.lines, last), done.in_place)


def _put_in_place(file: Path, folder: Path, new: str, stamp: str) -> Joined:
    if writable(file):
        copy = replaced(file, new, stamp)
        again = running_process(folder) is not None
        lines = (f"{file} written, the old one is {copy}.",)
        return Joined((*lines, "Restart canister run to take it up.") if again else lines)
    ready = folder / _READY
    put(ready, new.encode(), 0o600)
    line = install_line(ready, file, stamp)
    told = "This user may not write the configuration. To put it in place:"
    return Joined((told, f"  {line}", "and restart canister run."), in_place=False)


def _read(file: Path) -> Bundle:
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise UserMistake(
            f"{file}: no such file; `canister hub enrol` makes it on the hub's machine"
        ) from None
    except PermissionError:
        raise UserMistake(
            f"{file}: this user may not read it; give it to the user that runs canister (chown)"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise MachineError(f"{file}: cannot be read: {reason}; fetch it anew") from error
    return bundles.read(text, str(file))


def _no_homes(tree: SettingsTree) -> None:
    """The fleet's broker lets a site write its own branch only, and under one client id only."""
    if tree.mqtt is None:
        return
    for key, on in (("homie", tree.mqtt.homie.enabled), ("discovery", tree.mqtt.discovery.enabled)):
        if on:
            raise UserMistake(
                f"mqtt.{key}.enabled: the fleet's broker does not take it, since a site writes its own topics "
                "only; set it to false, and let canister run once so that it clears what stands at the old broker"
            )


def _wanted(bundle: Bundle, folder: Path) -> dict[str, Any]:
    ca = str(folder / CA_FILE) if bundle.ca_pem else ""
    return {
        "site.id": bundle.site,
        "mqtt.host": bundle.host,
        "mqtt.port": bundle.port,
        "mqtt.version": "5",
        "mqtt.username": bundle.username,
        "mqtt.password": None,
        "mqtt.password_file": str(folder / PASSWORD_FILE),
        "mqtt.client_id": bundle.client_id,
        "mqtt.topic_root": bundle.topic_root,
        "mqtt.tls.enabled": bundle.tls,
        "mqtt.tls.ca_file": ca,
        "mqtt.tls.cert_file": "",
        "mqtt.tls.key_file": "",
    }


def _now(tree: SettingsTree, dotted: str) -> Any:
    """What the configuration says now, defaults included; so no default is written out."""
    here: Any = tree
    for step in dotted.split("."):
        if here is None:
            return _DEFAULTS.get(dotted)
        here = getattr(here, step)
    return here


# Of a configuration without a table [mqtt].
_DEFAULTS: dict[str, Any] = {
    "mqtt.version": "5",
    "mqtt.topic_root": "canister",
    "mqtt.tls.enabled": False,
    "mqtt.tls.ca_file": "",
    "mqtt.tls.cert_file": "",
    "mqtt.tls.key_file": "",
}


def _keep_secrets(bundle: Bundle, folder: Path) -> None:
    put(folder / PASSWORD_FILE, (bundle.password + "\n").encode(), 0o600)
    _to_owner(folder, folder / PASSWORD_FILE)
    if bundle.ca_pem:
        put(folder / CA_FILE, bundle.ca_pem.encode())
        _to_owner(folder, folder / CA_FILE)


def _to_owner(folder: Path, file: Path) -> None:
    """The daemon's user owns the folder and must read the file, though root put it there."""
    owner = folder.stat()
    if os.geteuid() == 0 and owner.st_uid != 0:
        os.chown(file, owner.st_uid, owner.st_gid)
