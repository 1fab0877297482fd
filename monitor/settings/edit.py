"""Changes values of a configuration in place: comments, order and all other keys stay as they are."""

from __future__ import annotations

import os
import shlex
import shutil
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.errors import SettingsError, StorageError


def edited(text: str, changes: Mapping[str, Any]) -> str:
    """Return the text of a configuration with some values changed.

    Args:
        text: TOML.
        changes: new values by dotted key, such as `filters.left.tank.min_c`; `None` takes one out.
            Tables that are not there are made.

    Raises:
        SettingsError: the text is not TOML, a key lies below a value, or the file is written in a way
            that cannot be changed without harm.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError
    from tomlkit.items import InlineTable

    def table_in(above: Any) -> Any:
        return tomlkit.inline_table() if isinstance(above, InlineTable) else tomlkit.table()

    try:
        wanted = tomllib.loads(text)
        document = tomlkit.parse(text)
    except (tomllib.TOMLDecodeError, TOMLKitError) as error:
        raise SettingsError([f"not valid TOML: {error}; mend that line"]) from error
    for dotted, value in changes.items():
        _put(wanted, dotted.split("."), value, lambda _: {})
    try:
        for dotted, value in changes.items():
            _put(document, dotted.split("."), value, table_in)
        result = tomlkit.dumps(document)
        # The proof that nothing else was touched: both ways of changing it end in the same tree.
        if tomllib.loads(result) == wanted:
            return result
    except (TOMLKitError, tomllib.TOMLDecodeError, LookupError, TypeError, ValueError):
        pass
    named = ", ".join(changes)
    raise SettingsError(
        [f"the file is written in a way that cannot be changed in place; write by hand: {named}"]
    )


def _put(tree: Any, path: Sequence[str], value: Any, new: Any) -> None:
    here = tree
    for depth, step in enumerate(path[:-1]):
        if step not in here:
            if value is None:
                return
            here[step] = new(here)
        here = here[step]
        if not isinstance(here, Mapping):
            raise SettingsError(
                [f"{'.'.join(path[: depth + 1])}: expected a table; write it as one"]
            )
    if value is None:
        if path[-1] in here:
            del here[path[-1]]
    else:
        here[path[-1]] = value


def replaced(file: Path, text: str, stamp: str) -> Path | None:
    """Put a text into the place of a file, whole or not at all; return the copy of the old one.

    Rights, owner and group stay. The copy is named after `stamp`; `None` where there was no old file.

    Raises:
        StorageError: it cannot be written; the old one is as it was.
    """
    file = file.resolve()
    copy: Path | None = None
    new = file.with_name(f".{file.name}.new")
    try:
        mode = 0o640
        if file.exists():
            copy = _free(file.with_name(f"{file.name}.{stamp}"))
            shutil.copy2(file, copy)
            mode = file.stat().st_mode & 0o7777
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        if copy is not None:
            owner = file.stat()
            if (owner.st_uid, owner.st_gid) != (os.geteuid(), os.getegid()):
                os.chown(new, owner.st_uid, owner.st_gid)
                os.chown(copy, owner.st_uid, owner.st_gid)
        os.chmod(new, mode)
        os.replace(new, file)
    except OSError as error:
        new.unlink(missing_ok=True)
        raise StorageError(
            f"{file}: cannot be written: {error.strerror}; look at the rights of {file.parent}"
        ) from error
    return copy


def _free(wanted: Path) -> Path:
    """A name that nothing bears yet: an older copy is never written over."""
    number, found = 1, wanted
    while found.exists():
        number += 1
        found = wanted.with_name(f"{wanted.name}-{number}")
    return found


def writable(file: Path) -> bool:
    """Return whether this user may put another file into the place of this one."""
    return os.access(file.resolve().parent, os.W_OK | os.X_OK)


def install_line(ready: Path, file: Path, stamp: str) -> str:
    """Return what an administrator types to put a file that lies ready into the place of another.

    Rights, owner and group stay; the old one is kept under its name with `stamp`.
    """
    file = file.resolve()
    owner = file.stat()
    words = [
        "sudo", "install", "-b", "-S", f".{stamp}", "-o", str(owner.st_uid), "-g", str(owner.st_gid),
        "-m", f"{owner.st_mode & 0o7777:o}", str(ready), str(file),
    ]  # fmt: skip
    return shlex.join(words)
