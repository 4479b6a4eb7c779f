"""The history of names, folders as of a night, and the nights that are kept: for a person."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from nightferry.manifest.asof import Source
from nightferry.manifest.nights import NightState
from nightferry.planning.as_of import kept_since
from nightferry.planning.keeping import Kept
from nightferry.reporting.audit.changes import CHANGED, KINDS, METADATA, MOVED, counted
from nightferry.reporting.audit.folder_listing import Listed, Sum
from nightferry.reporting.audit.history import MENDED, Event, Story, Version
from nightferry.reporting.look import words
from nightferry.reporting.look.terminal import Screen
from nightferry.tree.metadata import Kind
from nightferry.typed import typed
from nightferry.units import format_count, format_size, show_name, show_text

PLACES_SHOWN = 3
NIGHTS_SHOWN = 30
_BELOW = (*KINDS, MENDED)


class Dates:
    """The dates of the nights, for the texts: run -> when it began, Unix time."""

    def __init__(self, began_s: dict[int, float]) -> None:
        self._began_s = began_s

    def of(self, run: int) -> str:
        """Empty where the run is not known, as what stood before a manifest was rebuilt."""
        return words.day(self._began_s[run]) if run in self._began_s else ""

    def night(self, run: int) -> str:
        """ "night 12 (2026-05-14)"."""
        return f"night {run} ({self.of(run)})" if self.of(run) else f"night {run}"


# --- the history of a name


def show_story(screen: Screen, pair: str, story: Story, dates: Dates, *, closed: bool) -> None:
    """One name. ``closed``: a hold or damage is open, so that nothing is let go."""
    slash = "/" if story.kind is Kind.FOLDER else ""
    gone = "" if story.is_there else " (removed)"
    screen.heading(f"{show_name(story.path) or 'the top of the drive'}{slash}{gone}")
    screen.table(("", "", ""), [_row(event, story.kind, dates) for event in story.events])
    if story.kind is Kind.FOLDER:
        _show_below(screen, pair, story, dates)
    elif story.versions:
        screen.text("Its one version:" if len(story.versions) == 1 else "Its versions, newest first:")
        for version in reversed(story.versions):
            show_version(screen, version, dates)
        if closed and any(version.kept for version in story.versions):
            screen.text("Nothing is let go while a hold or damage is open.")


def show_unknown(screen: Screen, spans: Sequence[range]) -> None:
    """Nights whose records are lost."""
    told = [f"night {each.start}" if len(each) == 1 else f"nights {each.start} to {each.stop - 1}" for each in spans]
    if told:
        screen.point(
            f"The records of {' and '.join(told)} were lost. What happened on these nights is not known for certain.",
            state="attention",
        )


def _row(event: Event, kind: Kind, dates: Dates) -> tuple[str, str, str]:
    night = f"night {event.run}" if event.run else "before"
    return night, dates.of(event.run), _happened(event, kind)


def _happened(event: Event, kind: Kind) -> str:
    told = []
    for what in event.kinds:
        if what == MOVED and event.source is not None:
            how = "moved with its folder, from" if event.with_folder else "moved from"
            told.append(f"{how} {show_name(event.source)}")
        elif what == CHANGED:
            told.append(_changed(event))
        elif what == METADATA:
            told.append("metadata: " + ", ".join(event.altered))
        elif what == MENDED:
            told.append("mended: the copy had decayed and was replaced by the same content")
        elif what == "added" and event.run == 0:
            told.append("there when the records begin")
        elif kind is Kind.FILE:
            told.append(f"{what}, {format_size(event.size_bytes)}")
        else:
            told.append(what)
    return "; ".join(told)


def _changed(event: Event) -> str:
    now = format_size(event.size_bytes)
    if event.before_bytes is None or event.before_bytes == event.size_bytes:
        return f"changed, {now} as before"
    return f"changed, {now} (was {format_size(event.before_bytes)})"


def show_version(screen: Screen, version: Version, dates: Dates) -> None:
    """One version, and where it is."""
    stat = version.node.stat
    lines = [_span(version)]
    if stat.kind is Kind.SYMLINK:
        lines[0] += f": leads to {show_name(version.node.content.target or b'')}"
    else:
        lines[0] += f": {format_size(stat.size_bytes)}, written {_written(stat.mtime_ns)}"
        if version.node.content.digest is not None:
            lines.append(f"{version.algorithm} {version.node.content.digest.hex()}")
    lines += _where(version, dates)
    screen.point("\n".join(lines))


def _span(version: Version) -> str:
    if version.until is None:
        return f"night {version.since} to now" if version.since else "until now"
    if version.until == version.since:
        return f"displaced on the primary by a command after night {version.since}"
    last = version.until - 1
    if last == version.since:
        return f"night {last}"
    return f"nights {version.since} to {last}" if version.since else f"until night {last}"


def _written(mtime_ns: int) -> str:
    try:
        return words.when(mtime_ns / 1_000_000_000)
    except (ValueError, OverflowError, OSError):
        return f"at a date that is none ({mtime_ns} ns)"


def _where(version: Version, dates: Dates) -> list[str]:
    lines = [_place(each) for each in version.places[:PLACES_SHOWN]]
    if len(version.places) > PLACES_SHOWN:
        lines.append(f"and {format_count(len(version.places) - PLACES_SHOWN)} more places")
    lines += [f"{_place(each)} is bad" for each in version.bad[:PLACES_SHOWN]]
    if version.kept is not None:
        lines.append(_kept(version.kept, version.places, dates))
    if not version.places:
        if version.node.stat.kind is Kind.SYMLINK:
            lines.append("restored from the manifest")
        elif version.let_go is not None:
            lines.append(f"no longer kept: let go on {dates.night(version.let_go)}")
        else:
            lines.append("no longer kept: it stands nowhere on the secondary")
    return lines


def _place(source: Source) -> str:
    return f"{source.place}/{show_name(source.path)}"


def _kept(kept: Kept, places: Sequence[Source], dates: Dates) -> str:
    until, at_least = words.day(kept.until_s), words.day(kept.at_least_until_s)
    early = "" if at_least >= until else f" (at least until {at_least}, should the room be needed)"
    run = max(each.run for each in places if each.run is not None)
    nights = counted(kept.nights, "completed night")
    return f"kept until {until} or later{early}, and for {nights} after {dates.night(run)}"


def _show_below(screen: Screen, pair: str, story: Story, dates: Dates) -> None:
    if not story.below:
        return
    runs = sorted(story.below)
    screen.text("Names that changed below it:")
    rows = []
    for run in runs[-NIGHTS_SHOWN:]:
        counts = story.below[run]
        told = ", ".join(f"{format_count(counts[kind])} {kind}" for kind in _BELOW if counts.get(kind))
        rows.append((f"night {run}" if run else "before", dates.of(run), told))
    screen.table(("", "", ""), rows)
    if len(runs) > NIGHTS_SHOWN:
        screen.text(f"and {counted(len(runs) - NIGHTS_SHOWN, 'earlier night')}; --json has them all.")
    last = next(run for run in reversed([0, *runs]) if run < _end(story))
    path = next((event.path for event in reversed(story.events) if event.run <= last), story.path)
    screen.text(f"What it held on a night: `nightferry history {pair} {typed(path)} --as-of {last}`")


def _end(story: Story) -> int:
    """The run that removed it, or one that is still to come."""
    return 1 << 62 if story.is_there else story.events[-1].run


# --- as of a night


def as_of_heading(pair: str, path: bytes, night: NightState, *, is_folder: bool) -> str:
    """ "recordings: 2026-05 spring concert/, as of night 12 (2026-05-14 02:41)"."""
    when_s = night.started_s if night.ended_s is None else night.ended_s
    when = "date not known" if when_s is None else words.when(when_s)
    name = show_name(path) + "/" * is_folder if path else "all"
    return f"{pair}: {name}, as of night {night.number} ({when})"


def show_listing(screen: Screen, folder: bytes, names: Iterable[Listed]) -> Sum:
    """Line by line, as they come; returns the sum of all."""
    total = Sum()
    for each in names:
        if each.node.stat.kind is Kind.FOLDER:
            total.folders += 1
        if each.total is not None:
            total.add(each.total)
        screen.line(listing_line(folder, each))
    return total


def listing_line(folder: bytes, each: Listed) -> str:
    """One name, relative to the folder that was asked for."""
    path = each.path[len(folder) + 1 :] if folder else each.path
    kind, stat, total = each.node.stat.kind, each.node.stat, each.total
    if total is None:
        return f"{'':>11}  {_written(stat.mtime_ns):>23}  {show_name(path)}/"
    if kind is Kind.FOLDER:
        files = counted(total.files, "file")
        lost = f"  ({format_count(total.lost_files)} no longer kept)" if total.lost_files else ""
        return f"{format_size(total.size_bytes):>11}  {files:>23}  {show_name(path)}/{lost}"
    arrow = f" → {show_name(each.node.content.target or b'')}" if kind is Kind.SYMLINK else ""
    lost = "  (no longer kept)" if total.lost_files else ""
    return f"{format_size(stat.size_bytes):>11}  {_written(stat.mtime_ns):>23}  {show_name(path)}{arrow}{lost}"


def show_sum(screen: Screen, total: Sum, nights: Sequence[NightState]) -> None:
    """What a listing adds up to."""
    folders = f", {counted(total.folders, 'folder')}" if total.folders else ""
    screen.text(f"{counted(total.files, 'file')}{folders}, {format_size(total.size_bytes)}")
    if total.lost_files:
        since = kept_since(nights)
        told = "" if since is None else f"; all is kept from night {since.number} on"
        screen.point(
            f"{counted(total.lost_files, 'file is', 'files are')} no longer kept as of that night{told}.",
            state="attention",
        )


# --- the nights


def show_nights(screen: Screen, pair: str, nights: Sequence[NightState]) -> None:
    """Which can still be had whole, newest first."""
    if not nights:
        screen.text(f"{pair}: no night has run yet; start one with `nightferry run {pair}`.")
        return
    since = kept_since(nights)
    kept = "Not even the newest state is kept whole." if since is None else f"All is kept from night {since.number} on."
    screen.heading(f"{pair}: {counted(len(nights), 'night')}")
    screen.text(kept)
    rows = [(f"night {each.number}", _began(each), _outcome(each), _state(each)) for each in nights]
    screen.table(("", "began", "outcome", "its state"), rows[: -NIGHTS_SHOWN - 1 : -1])
    if len(rows) > NIGHTS_SHOWN:
        screen.text(f"and {counted(len(rows) - NIGHTS_SHOWN, 'earlier night')}; --json has them all.")


def _began(night: NightState) -> str:
    return "" if night.started_s is None else words.when(night.started_s)


def _outcome(night: NightState) -> str:
    return "without an end" if night.outcome is None else show_text(night.outcome)


def _state(night: NightState) -> str:
    if not night.is_known:
        return "not known: its records were lost"
    if night.is_whole:
        return "kept whole"
    return f"{counted(night.lost_files, 'file')} no longer kept"
