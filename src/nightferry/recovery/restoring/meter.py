"""How much content a restore has been through, told to whoever watches."""

from __future__ import annotations

from nightferry.night.context import Progress


class Meter:
    """Counts bytes of content that are through, and tells who watches."""

    def __init__(self, progress: Progress) -> None:
        self.progress, self.size_bytes = progress, 0

    def advance(self, size_bytes: int) -> None:
        self.size_bytes += size_bytes
        self.progress.advance(size_bytes=size_bytes)

    def take_back(self, before_bytes: int) -> None:
        """What has come since was for nothing: the same bytes are to be told again."""
        self.advance(before_bytes - self.size_bytes)
