"""Pages that went bad, put right from another place that has the very page: each is proved by its checksum."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress

from nightferry.manifest.pages import (
    JOURNAL_MODE,
    LOG_MODE,
    SUM_BYTES,
    Header,
    Kind,
    read_at,
    read_page_one,
    sum_of,
    with_header_of,
    write_at,
)
from nightferry.tree.effects import Effects

# More than so many is a disk that fails rather than some bits: then the whole file is replaced.
LIMIT = 8


def find_pages(
    bad: Iterable[tuple[int, bytes]], page_bytes: int, sources: Sequence[int], effects: Effects
) -> dict[int, bytes] | None:
    """The right content of each of these pages, found in one of the open files; None where one of them is nowhere.

    ``bad``: numbers from 1, with the checksums that the pages should have.
    """
    found: dict[int, bytes] = {}
    for number, wanted in bad:
        if len(found) >= LIMIT:
            return None
        for source in sources:
            with suppress(OSError):
                page = read_at(source, effects, (number - 1) * page_bytes, page_bytes)
                if len(page) == page_bytes and len(wanted) == SUM_BYTES and sum_of(number, page) == wanted:
                    found[number] = page
                    break
        else:
            return None
    return found


def write_pages(database: int, pages: dict[int, bytes], header: Header, effects: Effects, *, has_log: bool) -> None:
    """Puts them in their places in a database, and syncs it. Raises ``OSError``."""
    if 1 in pages:
        here = read_at(database, effects, 0, header.page_bytes).ljust(header.page_bytes, b"\0")
        mode, counter = _mode(here, header, has_log), _counter(here, header)
        pages = {**pages, 1: with_header_of(pages[1], here, mode=mode, counter=counter)}
    for number, page in pages.items():
        write_at(database, effects, (number - 1) * header.page_bytes, page)
    effects.fsync(database)


def _mode(page: bytes, header: Header, has_log: bool) -> int:
    if header.kind is not Kind.IN_USE:
        return JOURNAL_MODE
    if has_log:
        return LOG_MODE
    # A flipped bit does not make one of the two modes out of the other.
    return next((mode for mode in page[18:20] if mode in (LOG_MODE, JOURNAL_MODE)), LOG_MODE)


def _counter(page: bytes, header: Header) -> int:
    return header.counter if header.kind is Kind.AT_REST else read_page_one(page).counter
