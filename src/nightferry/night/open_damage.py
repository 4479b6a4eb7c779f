"""What is known to be damaged on the primary, by which it is known again under any name.

Damage belongs to content. A damaged file is told by its row, which follows its renames; and where its wrong content
turns up elsewhere (a swap, a copy), by that content.
"""

from __future__ import annotations

from collections.abc import Mapping

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Damage


class OpenDamage:
    """Open damage of the primary, of at most ``DAMAGE_LIMIT`` files."""

    def __init__(self, manifest: Manifest) -> None:
        self._manifest = manifest
        self._is_read = False
        self._by_row: dict[int, Damage] = {}
        self._by_content: dict[tuple[int, bytes], Damage] = {}

    def forget(self) -> None:
        """The register has changed."""
        self._is_read = False

    def of_row(self, entry: int) -> Damage | None:
        self._read()
        return self._by_row.get(entry)

    def with_content(self, digests: Mapping[int, bytes]) -> Damage | None:
        """Damage whose wrong content this is; ``digests`` by algorithm."""
        self._read()
        if not self._by_content:
            return None
        return next((found for each in digests.items() if (found := self._by_content.get(each))), None)

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
