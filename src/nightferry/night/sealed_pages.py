"""The checksums of a sealed manifest's pages: a file of its own in ``records/``, bound to that very seal by its number.

It is durable before the manifest gets its name, so that a crash leaves a sealed manifest with its own checksums, or
with none: then it is checked as without them. Checksums of another seal are not taken for its own.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from nightferry.errors import Failed
from nightferry.manifest import page_guard, page_repair
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.page_guard import PageGuard
from nightferry.manifest.pages import (
    SUMS,
    Comparison,
    Header,
    Kind,
    PageChecksums,
    PageHasher,
    feed,
    read_at,
    read_page_one,
    write_at,
)
from nightferry.manifest.untrusted import UntrustedError, generation_of, open_untrusted
from nightferry.night.context import RECORDS
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root, join
from nightferry.units import show_text

MANIFEST = RECORDS + b"/" + FILE_NAME.encode()
PREVIOUS = RECORDS + b"/manifest.previous.sqlite3"

_NAME = re.compile(rb"manifest\.(\d{12})\.pages")
# Two belong to the sealed manifests; more stay where a night was cut off.
_CANDIDATES_LIMIT = 8
# Reads a manifest into a hasher; False where it cannot be read.
Read = Callable[[PageHasher], bool]


def name_of(generation: int) -> bytes:
    return join(RECORDS, b"manifest.%012d.pages" % generation)


def names(root: Root) -> list[bytes]:
    """Of all that there are, the newest first. Raises ``OSError``."""
    try:
        found = root.names(RECORDS)
    except (FileNotFoundError, NotADirectoryError):
        return []
    return sorted((join(RECORDS, name) for name in found if _NAME.fullmatch(name)), reverse=True)


class SealedVerdict(NamedTuple):
    """``header``: of its own checksums. ``bad``: pages with the checksums that they should have."""

    header: Header
    bad: tuple[tuple[int, bytes], ...]
    bad_pages: int

    @property
    def fault(self) -> str | None:
        return page_guard.words_of(self.bad_pages, self.header.pages, "sealed") if self.bad_pages else None


def check(root: Root, name: bytes, *, path: str | None = None, read: Read | None = None) -> SealedVerdict | None:
    """Holds a sealed manifest against its own checksums; None where it has none. Raises ``OSError``.

    ``path``: where SQLite finds it, if not through the root's own descriptor.

    Which are its own is decided by the pages first, since a bit may have flipped in the very number of the seal. Where
    a program wrote to it after it was sealed, which the change counter tells, none are: it is judged by what it says.
    """
    effects = root.effects
    with ExitStack() as stack:
        fd = root.open_to_read(name)
        stack.callback(effects.close, fd)
        comparisons: list[tuple[Header, Comparison, PageChecksums]] = []
        for each in names(root)[:_CANDIDATES_LIMIT]:
            with suppress(OSError):
                beside = root.open_to_read(each)
                stack.callback(effects.close, beside)
                checksums = PageChecksums(beside, effects)
                header = checksums.header()
                if header is not None and header.kind is Kind.SEALED:
                    comparisons.append((header, Comparison(checksums, header), checksums))
        if not comparisons:
            return None
        one = read_page_one(read_at(fd, effects, 0, 100).ljust(100, b"\0"))
        if one.is_whole and all(one.counter != each[0].counter for each in comparisons):
            return None

        def take(number: int, sums: bytes) -> None:
            for _, comparison, _ in comparisons:
                comparison.take(number, sums)

        hasher = PageHasher(comparisons[0][0].page_bytes, take)
        if read is None:
            feed(fd, effects, hasher)
        elif not read(hasher):
            return None
        for _, comparison, _ in comparisons:
            comparison.end(hasher.pages)
        header, nearest, checksums = min(comparisons, key=lambda each: (each[1].bad_pages, each[1].unknown))
        if nearest.unknown or (one.is_whole and one.counter != header.counter):
            return None
        said = generation_of(path or f"/proc/self/fd/{root.fd}/{os.fsdecode(name)}")
        is_other_seal = nearest.bad_pages > 1 and said not in (None, header.generation)
        if is_other_seal or nearest.bad_pages > header.pages // 2:
            return None  # or another file altogether
        bad, bad_pages = nearest.bad, nearest.bad_pages
        if not one.is_whole and not any(page == 1 for page, _ in bad):
            bad, bad_pages = [(1, (checksums.sums(1) or b"")[:8]), *bad], bad_pages + 1
        return SealedVerdict(header, tuple(bad), bad_pages)


def write(root: Root, staged: bytes, generation: int, database: int, guard: PageGuard | None) -> None:
    """Leaves the checksums of a manifest about to be sealed in ``staged``, synced. Raises ``OSError``.

    ``guard``: has those of the working manifest, of which it is a copy page by page; None: they are made from what is
    open as ``database``.
    """
    effects = root.effects
    fd = root.create(staged)
    try:
        checksums = PageChecksums(fd, effects)
        start = read_at(database, effects, 0, 100)
        page_bytes = int.from_bytes(start[16:18], "big")  # fileformat2.html, 1.3.2
        header = Header(
            Kind.SEALED, 65536 if page_bytes == 1 else page_bytes, 0, read_page_one(start).counter, generation
        )
        if guard is None or not _copy(guard, checksums, header):
            checksums.make(database, header)
        checksums.sync()
    finally:
        effects.close(fd)


def _copy(guard: PageGuard, to: PageChecksums, header: Header) -> bool:
    pages = guard.header.pages
    for block in range(1, (pages + SUMS - 1) // SUMS + 1):
        sums = guard.sums(block)
        if sums is None:
            return False
        to.write_block(block, sums)
    to.set_header(header._replace(pages=pages))
    return True


def is_as_written(root: Root, staged: bytes, read: Read) -> bool:
    """Whether what ``read`` reads back has the checksums left in ``staged``. Raises ``OSError``."""
    effects = root.effects
    fd = root.open_to_read(staged)
    try:
        checksums = PageChecksums(fd, effects)
        header = checksums.header()
        if header is None:
            return False
        comparison = Comparison(checksums, header)
        hasher = PageHasher(header.page_bytes, comparison.take)
        if not read(hasher):
            return False
        comparison.end(hasher.pages)
        return comparison.is_sound
    finally:
        effects.close(fd)


# --- reading one


@contextmanager
def open_sealed(
    root: Root, name: bytes, *, path: str, shown: str, pair_id: str, state: Path | None = None, lenient: bool = False
) -> Iterator[Manifest]:
    """A sealed manifest, opened for reading only, with nothing followed, and checked whole (untrusted.py).

    Where pages of it are bad and the very pages stand in the other sealed one, or in the working one in ``state``, a
    private copy that is put right is read instead. ``lenient``: where they stand nowhere, it is read as it is.

    Raises ``UntrustedError``, and ``OSError`` where there is none.
    """
    effects = root.effects
    with ExitStack() as stack:
        fd = root.open_to_read(name)
        stack.callback(effects.close, fd)
        found = check(root, name, path=path)

        def as_it_is() -> AbstractContextManager[Manifest]:
            return open_untrusted(path, effects, shown=shown, pair_id=pair_id, expected=effects.fstat(fd))

        if found is None or found.fault is None:
            yield stack.enter_context(as_it_is())
            return
        pages = None
        if len(found.bad) == found.bad_pages:
            sources = [fd, *_sources(root, name, state, stack)]
            pages = page_repair.find_pages(found.bad, found.header.page_bytes, sources, effects)
        if pages is None and not lenient:
            with as_it_is():  # which says more where it is that of another pair, or of a newer nightferry
                raise UntrustedError(f"The manifest {show_text(shown)} cannot be used: {found.fault}.", found.fault)
        copy = stack.enter_context(_private_copy(fd, shown, state, effects))
        if pages is not None:
            target = effects.open(copy, os.O_RDWR | os.O_CLOEXEC)
            try:
                page_repair.write_pages(target, pages, found.header, effects, has_log=False)
            finally:
                effects.close(target)
        yield stack.enter_context(open_untrusted(str(copy), effects, shown=shown, pair_id=pair_id))


def _sources(root: Root, name: bytes, state: Path | None, stack: ExitStack) -> Sequence[int]:
    found: list[int] = []
    effects = root.effects
    with suppress(OSError):
        found.append(root.open_to_read(PREVIOUS if name == MANIFEST else MANIFEST))
        stack.callback(effects.close, found[-1])
    if state is not None:
        with suppress(OSError):
            found.append(effects.open(state / FILE_NAME, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC))
            stack.callback(effects.close, found[-1])
    return found


@contextmanager
def _private_copy(fd: int, shown: str, state: Path | None, effects: Effects) -> Iterator[Path]:
    # A night may write in its state's folder; where somebody has the drive alone, there is none.
    place = str(state) if state is not None and state.is_dir() else os.environ.get("TMPDIR") or "/var/tmp"
    try:
        folder = Path(tempfile.mkdtemp(prefix="nightferry-", dir=place))
    except OSError as error:
        raise _no_copy(shown, place, error) from error
    try:
        copy = folder / FILE_NAME
        try:
            target = effects.open(copy, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
            try:
                at = 0
                while data := read_at(fd, effects, at, 1 << 20):
                    write_at(target, effects, at, data)
                    at += len(data)
            finally:
                effects.close(target)
        except OSError as error:
            raise _no_copy(shown, place, error) from error
        yield copy
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _no_copy(shown: str, place: str, error: OSError) -> Failed:
    return Failed(
        f"The manifest {show_text(shown)} is damaged in places and cannot be copied to {place} to be put right"
        f" ({error.strerror}): make room there, or set TMPDIR to a folder that has room."
    )
