"""The checksums that content is known by.

The numbers are written into manifests: they never change, and a new algorithm gets a new one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import xxhash


class Hasher(Protocol):
    """A checksum under way. ``update`` releases the interpreter's lock on large blocks, all three do."""

    def update(self, data: bytes | bytearray | memoryview, /) -> None: ...

    def digest(self) -> bytes: ...


@dataclass(frozen=True, slots=True)
class Algorithm:
    """One way to make a checksum.

    Attributes:
        id: its number in manifests.
        name: its name in the configuration.
        digest_bytes: length of a digest in bytes; in hexadecimal it is what the ordinary tool prints.
        tool: the ordinary command that makes the same checksum.
        new: makes a ``Hasher``.
    """

    id: int
    name: str
    digest_bytes: int
    tool: str
    new: Callable[[], Hasher] = field(repr=False)


# XXH3, 128 bits, seed 0, in the canonical (big-endian) form: github.com/Cyan4973/xxHash, doc/xxhash_spec.md.
# It finds accidents at memory speed; it does not withstand somebody who makes collisions on purpose.
XXH3_128 = Algorithm(1, "xxh3_128", 16, "xxhsum -H2", xxhash.xxh3_128)
SHA256 = Algorithm(2, "sha256", 32, "sha256sum", hashlib.sha256)  # FIPS 180-4
BLAKE2B = Algorithm(3, "blake2b", 64, "b2sum", hashlib.blake2b)  # RFC 7693, 64-byte digest, no key

ALGORITHMS = (XXH3_128, SHA256, BLAKE2B)
_BY_ID = {algorithm.id: algorithm for algorithm in ALGORITHMS}
_BY_NAME = {algorithm.name: algorithm for algorithm in ALGORITHMS}


def by_id(number: int) -> Algorithm:
    """The algorithm with this number; raises ``ValueError`` for one that this version does not know."""
    try:
        return _BY_ID[number]
    except KeyError:
        raise ValueError(f"{number} is not the number of a known checksum algorithm") from None


def by_name(name: str) -> Algorithm:
    """The algorithm with this name; raises ``ValueError`` for one that this version does not know."""
    try:
        return _BY_NAME[name]
    except KeyError:
        known = ", ".join(_BY_NAME)
        raise ValueError(f"{name!r} is not a known checksum algorithm; known are {known}") from None
