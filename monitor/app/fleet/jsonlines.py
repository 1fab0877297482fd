"""Reads a file of JSON lines strictly; every fault is one line that names the line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import msgspec

from monitor.errors import UserMistake

_T = TypeVar("_T")
MOST_LINES = 100_000


def read_lines(
    file: Path, kind: type[_T], fault: Callable[[_T], str | None], wanted: str
) -> list[_T]:
    """Return what a file says, one value a line; empty lines are passed over.

    Args:
        file: UTF-8.
        kind: of each value.
        fault: says what is wrong with a value beyond its type, `None` for nothing.
        wanted: what a line should be, in words.

    Raises:
        UserMistake: the file cannot be read, is too long, or a line is not as described.
    """
    try:
        lines = file.read_bytes().splitlines()
    except OSError as error:
        raise UserMistake(
            f"{file}: cannot be read: {error.strerror}; name a file of JSON lines"
        ) from error
    if len(lines) > MOST_LINES:
        raise UserMistake(f"{file}: {len(lines)} lines, at the most {MOST_LINES}; split it")
    decoder, found = msgspec.json.Decoder(kind), []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            value = decoder.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError) as error:
            said = str(error) if isinstance(error, msgspec.DecodeError) else "not UTF-8 text"
            raise UserMistake(f"{file}, line {number}: {said}; expected {wanted}") from error
        wrong = fault(value)
        if wrong is not None:
            raise UserMistake(f"{file}, line {number}: {wrong}")
        found.append(value)
    return found
