"""Figures of drives on the command line: rates, currents, chances. A refusal names the option."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Callable
from typing import TypeVar

from nightferry.errors import WrongUse
from nightferry.units import parse_duration, parse_share, parse_size, quoted

_Value = TypeVar("_Value")

_LINE = re.compile(r"(\d{1,6}(?:\.\d{1,3})?) ?([kMGT])(?:b|bit)/s")
_CURRENT = re.compile(r"(\d{1,6}(?:\.\d{1,3})?) ?(mA|A)")
_BITS = {"k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}


class Taker:
    """Takes options of a command line, and says which one was wrong."""

    def __init__(self, args: argparse.Namespace) -> None:
        self._args = args

    def __call__(self, name: str, read: Callable[[str], _Value], default: str = "") -> _Value:
        """Raises ``WrongUse``."""
        text = getattr(self._args, name)
        try:
            return read(default if text is None else text)
        except ValueError as error:
            raise WrongUse(f"--{name.replace('_', '-')}: {error}.") from error

    def optional(self, name: str, read: Callable[[str], _Value]) -> _Value | None:
        """None where nothing was said. Raises ``WrongUse``."""
        return None if getattr(self._args, name) is None else self(name, read)


def size(text: str) -> int:
    found = parse_size(text)
    if found <= 0:
        raise ValueError(f"{quoted(text)} is nothing; allowed: a size above 0")
    return found


def size_or_none(text: str) -> int:
    return parse_size(text)


def rate(text: str) -> float:
    """`112MB/s`: bytes a second."""
    if not text.strip(" ").endswith("/s"):
        raise ValueError(f'{quoted(text)} is not a rate; allowed: a size a second, such as "112MB/s"')
    return float(size(text.strip(" ").removesuffix("/s")))


def size_per_day(text: str) -> int:
    """`5GB/day` or `5GB`."""
    return parse_size(text.strip(" ").removesuffix("/day"))


def duration(text: str) -> float:
    seconds = parse_duration(text).total_seconds()
    if seconds <= 0:
        raise ValueError(f"{quoted(text)} is no time; allowed: a time above 0")
    return seconds


def line_rate(text: str) -> float:
    """`1Gb/s`: bits a second, as network links are named."""
    match = _LINE.fullmatch(text.strip(" "))
    if match is None or float(match[1]) <= 0:
        raise ValueError(f'{quoted(text)} is not the rate of a network link; allowed: such as "1Gb/s" or "100Mb/s"')
    return float(match[1]) * _BITS[match[2]]


def current(text: str) -> int:
    """`1000mA` or `1A`: milliamperes."""
    match = _CURRENT.fullmatch(text.strip(" "))
    if match is None:
        raise ValueError(f'{quoted(text)} is not a current; allowed: such as "1000mA" or "1A"')
    return round(float(match[1]) * (1000 if match[2] == "A" else 1))


def chance(text: str) -> float:
    found = parse_share(text)
    if found >= 1:
        raise ValueError(f"{quoted(text)} is certain; allowed: below 100%")
    return found


def error_rate(text: str) -> float:
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not 0 <= found <= 1e-6:
        raise ValueError(f'{quoted(text)} is not a bit error rate; allowed: from 0 to 1e-6, such as "1e-14"')
    return found
