"""What watches a run is told now and then, of everything and in its phase."""

from __future__ import annotations

from nightferry.night.context import Clock, Unwatched
from nightferry.night.timing import PhaseTimes


class Told(Unwatched):
    def __init__(self) -> None:
        self.events: list[tuple[object, ...]] = []

    def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
        self.events.append(("phase", name))

    def advance(self, files: int = 0, size_bytes: int = 0) -> None:
        self.events.append(("advance", files, size_bytes))

    def note(self, event: str, **details: object) -> None:
        self.events.append(("note", event))


def test_the_first_file_of_a_phase_is_told_at_once_and_all_before_the_next() -> None:
    told = Told()
    times = PhaseTimes(told, Clock())
    times.phase("copy")
    times.advance(files=1, size_bytes=5)
    assert told.events == [("phase", "copy"), ("advance", 1, 5)]
    for _ in range(10_000):
        times.advance(files=1, size_bytes=7)
    times.note("not copied")
    assert told.events[-1] == ("note", "not copied")
    counts = [event for event in told.events if event[0] == "advance"]
    assert (sum(each[1] for each in counts), sum(each[2] for each in counts)) == (10_001, 5 + 70_000)  # type: ignore[misc]
    assert len(counts) < 10_001
    times.advance(files=2)
    times.phase("retire")
    assert told.events[-2:] == [("advance", 2, 0), ("phase", "retire")]
