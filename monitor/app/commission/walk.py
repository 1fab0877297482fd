"""The walk's state: what was found at each step, kept in one file so that it can be left and resumed."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from monitor.app.commission.verdicts import Judged
from monitor.errors import StorageError, UserMistake

FILE_NAME = "commissioning.json"
_VERSION = 1


class Done(msgspec.Struct, frozen=True):
    """A step that was walked: how it turned out and when, ISO 8601 in UTC."""

    judged: Judged
    at: str


class Walk(msgspec.Struct):
    """Everything that is kept of one walk. `done` is by the id of the step."""

    config: str
    began: str
    by: str = ""
    done: dict[str, Done] = {}
    written: str = ""
    version: int = _VERSION

    def changes(self) -> dict[str, Any]:
        """Return what all steps together change in the configuration; later ones win."""
        found: dict[str, Any] = {}
        for one in self.done.values():
            found.update(one.judged.changes)
        return found


def kept(folder: Path, config: Path) -> Walk | None:
    """Return the walk that was left, `None` for none.

    Raises:
        StorageError: it cannot be read.
        UserMistake: it is of another configuration, or not one of ours.
    """
    file = folder / FILE_NAME
    try:
        walk = msgspec.json.decode(file.read_bytes(), type=Walk)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StorageError(f"{file}: cannot be read: {error.strerror}; run it with sudo") from error
    except msgspec.DecodeError as error:
        raise UserMistake(
            f"{file}: is not a walk that was left ({error}); begin anew with --restart"
        ) from error
    if walk.version != _VERSION:
        raise UserMistake(f"{file}: was written by another version; begin anew with --restart")
    if walk.config != str(config):
        raise UserMistake(
            f"{file}: the walk that was left is of {walk.config}, not of {config}; name that one with "
            "--config, or begin anew with --restart"
        )
    return walk


def keep(folder: Path, walk: Walk) -> None:
    """Save the walk at once and whole.

    Raises:
        StorageError: it cannot be written.
    """
    put(folder / FILE_NAME, msgspec.json.format(msgspec.json.encode(walk), indent=1), 0o600)


def put(file: Path, body: bytes, mode: int = 0o644) -> None:
    """Write a file whole or not at all, its folder with it.

    Raises:
        StorageError: it cannot be written.
    """
    new = file.with_name(file.name + ".new")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "wb") as stream:
            stream.write(body)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(new, file)
    except OSError as error:
        raise StorageError(
            f"{file}: cannot be written: {error.strerror}; look at the free space and the rights of "
            f"{file.parent}, or name another storage.folder"
        ) from error


def stamp(when: datetime) -> str:
    """Return a time as it stands in file names: 2026-11-25-1306."""
    return when.strftime("%Y-%m-%d-%H%M")
