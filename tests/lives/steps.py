"""What a step may be: each kind with how it is done and how a life draws one."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from random import Random
from typing import TYPE_CHECKING, Any, NamedTuple

from lives.looking import Tree

if TYPE_CHECKING:
    from lives.world import World

Args = dict[str, Any]


class Kind(NamedTuple):
    """``do`` changes a world; ``draw`` finds arguments for one as it stands, None where there is nothing to do it with.

    ``weight``: how often it is drawn, 0 for never.
    """

    name: str
    do: Callable[..., Any]
    draw: Callable[[Draw], Args | None]
    weight: float
    group: str  # change, event, other


KINDS: dict[str, Kind] = {}


def add(
    name: str,
    do: Callable[..., Any],
    draw: Callable[[Draw], Args | None],
    *,
    weight: float = 1.0,
    group: str = "change",
) -> None:
    """Enters a kind of step. Of a change, what the file system refuses does nothing."""
    KINDS[name] = Kind(name, _lenient(do) if group == "change" else do, draw, weight, group)


def _lenient(do: Callable[..., Any]) -> Callable[..., Any]:
    def done(world: World, **args: Any) -> None:
        with suppress(OSError):
            do(world, **args)

    return done


FOLDERS = (b"2025-12 advent", b"2026-05 spring concert", b"scans", b"archive", b"Scans", b"rehearsals")
FILES = (b"kyrie.wav", b"gloria.wav", b"Kyrie.wav", b"credo.wav", b"poster.png", b"notes.txt", "Händel.wav".encode())
ODD = (b"new\nline.wav", b"\xff\xfe.wav", b"n" * 251 + b".wav", b"-rf", b" a space ", b"\x1b[31m.wav")
SIZES = (0, 1, 40, 900, 4096, 5000, 20_000)
DEEPEST = 5


class Draw:
    """Random choices for one life. ``tree`` is the primary as it stands when a step is drawn."""

    def __init__(self, world: World, random: Random) -> None:
        self.world, self.random = world, random
        self.tree = Tree({}, {})
        self._numbers = 0

    def refresh(self) -> None:
        """Looks at the primary anew, by names and kinds only as much as is drawn from."""
        self.tree = self.world.oracle.look_primary()

    def number(self) -> int:
        """One that no content of this life has had yet."""
        self._numbers += 1
        return self._numbers

    def size(self) -> int:
        return self.random.choice(SIZES)

    def of(self, kinds: str) -> bytes | None:
        """The path of something of these kinds."""
        found = [path for path, thing in self.tree.things.items() if thing.kind in kinds and path]
        return self.random.choice(found) if found else None

    def two(self, kinds: str) -> tuple[bytes, bytes] | None:
        """Two different paths, neither inside the other."""
        one, other = self.of(kinds), self.of(kinds)
        if one is None or other is None or one == other:
            return None
        inside = (one + b"/").startswith(other + b"/") or (other + b"/").startswith(one + b"/")
        return None if inside else (one, other)

    def folder(self) -> bytes:
        """A folder, the top among them."""
        found = [path for path, thing in self.tree.things.items() if thing.kind == "d" and path.count(b"/") < DEEPEST]
        return self.random.choice(found) if found else b""

    def free(self, *, folder: bool = False) -> bytes:
        """A path that nothing has yet."""
        for _ in range(30):
            names = FOLDERS if folder else ODD if self.random.random() < 0.08 else FILES
            name = self.random.choice(names)
            if self.random.random() < 0.3:
                name = b"%d %s" % (self.random.randrange(20), name[:240])
            path = joined(self.folder(), name)
            if path not in self.tree.things:
                return path
        return b"take %d.wav" % self.number()

    def chance(self, probability: float) -> bool:
        return self.random.random() < probability


def joined(folder: bytes, name: bytes) -> bytes:
    return folder + b"/" + name if folder else name


def drawn(draw: Draw, group: str) -> tuple[str, Args] | None:
    """A step of a group, by weight; None where the one that was drawn has nothing to do it with."""
    kinds = [
        kind for kind in KINDS.values() if kind.group == group and kind.weight and kind.name not in draw.world.without
    ]
    if group == "event" and draw.world.only:
        kinds = [kind for kind in kinds if kind.name in draw.world.only]
    kind = draw.random.choices(kinds, [each.weight for each in kinds])[0]
    args = kind.draw(draw)
    return None if args is None else (kind.name, args)
