"""What is known to be damaged on the primary, by which it is known again under any name.

Damage belongs to content. A damaged file is told by its row, which follows its renames; and where its wrong content
turns up elsewhere (a swap, a copy), by that content. That is wrong also once the damage is over: a link that was made
before the file was mended has it still.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing

from nightferry.manifest.contents import Contents
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content, Damage


class OpenDamage:
    """Open damage of the primary, of at most ``DAMAGE_LIMIT`` files; and as many wrong contents of before."""

    def __init__(self, manifest: Manifest) -> None:
        self._manifest = manifest
        self._is_read = False
        self._by_row: dict[int, Damage] = {}
        self._by_content: dict[tuple[int, bytes], Damage] = {}
        self._of_before: dict[tuple[int, bytes], Damage] | None = None  # read once, when it is asked for

    def forget(self) -> None:
        """The register has changed."""
        self._is_read = False

    def of_row(self, entry: int) -> Damage | None:
        self._read()
        return self._by_row.get(entry)

    def with_content(self, digests: Mapping[int, bytes]) -> Damage | None:
        """Damage whose wrong content this is, open or over; ``digests`` by algorithm."""
        self._read()
        found = next((found for each in digests.items() if (found := self._by_content.get(each))), None)
        return found or next((found for each in digests.items() if (found := self._over(each))), None)

    def _over(self, wrong: tuple[int, bytes]) -> Damage | None:
        """Not where the copy has that content by now, or the right one is nowhere: then there is nothing better."""
        if self._of_before is None:
            self._of_before = {
                (each.algorithm, each.bad.digest): each
                for each in self._manifest.runs.wrong_contents()
                if each.algorithm is not None and each.bad is not None and each.bad.digest is not None
            }
        damage = self._of_before.get(wrong)
        if damage is not None:
            with closing(Contents(self._manifest)) as contents:
                counts = next(contents.names(Content(*wrong)), None) is not None
                has_right = next(contents.places(Content(damage.algorithm, damage.digest)), None) is not None
            if counts or not has_right:
                del self._of_before[wrong]
                return None
        return damage

    def _read(self) -> None:
        if self._is_read:
            return
        self._by_row.clear()
        self._by_content.clear()
        for damage in self._manifest.runs.damage():
            if damage.side != "primary":
                continue
            if damage.entry is not None:
                self._by_row[damage.entry] = damage
            if damage.bad is not None and damage.bad.digest is not None and damage.algorithm is not None:
                self._by_content.setdefault((damage.algorithm, damage.bad.digest), damage)
        self._is_read = True
