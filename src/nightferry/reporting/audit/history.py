"""The history of one name as plain values: what happened to it on which night, its versions, where each is now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from nightferry.manifest.asof import AsOf, Node, Source
from nightferry.manifest.history import History, Stretch
from nightferry.manifest.manifest import Manifest
from nightferry.planning.dates import elapsed_s
from nightferry.planning.keeping import Kept, kept_until
from nightferry.reporting.audit.changes import ADDED, CHANGED, METADATA, MOVED, REMOVED
from nightferry.tree.digests import by_id
from nightferry.tree.metadata import Kind

MENDED = "mended"  # the copy had decayed, and was replaced by the same content


class Event(NamedTuple):
    """What one night did to a name.

    ``kinds``: added, changed, moved, metadata, removed, mended; several where it did several. ``source``: of what
    moved, its path before; ``with_folder``: a folder above it moved, and not the name itself. ``altered``: of what
    changed in its metadata, in words.
    """

    run: int
    kinds: tuple[str, ...]
    path: bytes
    source: bytes | None
    with_folder: bool
    size_bytes: int
    before_bytes: int | None
    altered: tuple[str, ...]


class Version(NamedTuple):
    """One content that a name had, from run ``since`` to ``until`` - 1 (None: it has it now).

    ``until`` the same as ``since``: no night copied it; a person's command displaced it on the primary after that run.
    ``places``: where the content stands now, the likeliest first; ``bad``: where it stands and is known to be bad.
    ``let_go``: the run that let its content go, where it stands nowhere. ``kept``: until when, where only ``retired/``
    has it; None where the copy has it, or where the settings are not known.
    """

    since: int
    until: int | None
    path: bytes  # the last it had
    node: Node
    algorithm: str | None
    places: list[Source]
    bad: list[Source]
    let_go: int | None
    kept: Kept | None


@dataclass
class Story:
    """All that is known of one name. ``below``: of a folder, what changed below it, by run and kind."""

    path: bytes
    kind: Kind
    is_there: bool
    events: list[Event] = field(default_factory=list)
    versions: list[Version] = field(default_factory=list)
    below: dict[int, dict[str, int]] = field(default_factory=dict)


class Retaining(NamedTuple):
    """The settings that say how long versions are kept, seconds."""

    keep_s: float
    floor_s: float


class Teller:
    """Tells the story of names, from one manifest."""

    def __init__(self, manifest: Manifest, retaining: Retaining | None) -> None:
        self.history = History(manifest)
        self._manifest = manifest
        self._retaining = retaining
        self._kept: dict[int, Kept | None] = {}

    def story(self, entry: int, *, below: bool = True) -> Story | None:
        """``below``: with what changed below a folder. None where nothing is known of the row."""
        life = self.history.life(entry)
        if not life:
            return None
        last = life[-1]
        story = Story(last.path, last.node.stat.kind, last.until is None, events(life))
        if story.kind is Kind.FOLDER:
            story.below = self._below(entry) if below else {}
        else:
            story.versions = [self._version(stretches) for stretches in _by_content(life)]
            story.versions += self._displaced(entry)
        return story

    def _displaced(self, entry: int) -> list[Version]:
        found = []
        for node, path in self.history.displaced(entry):
            as_of = AsOf(self._manifest, node.since)
            places = as_of.sources(node)
            let_go = None if places else self._manifest.past.let_go_in(entry, node.content.digest)
            found.append(
                Version(
                    node.since, node.since, path, node, algorithm_of(node), places, as_of.suspects(node), let_go,
                    self._until(places),
                )
            )  # fmt: skip
        return found

    def version_as_of(self, node: Node, run: int) -> Version | None:
        """The version that a file or symlink had as of a run."""
        for stretches in _by_content(self.history.life(node.entry)):
            if any(each.since <= run and (each.until is None or run < each.until) for each in stretches):
                return self._version(stretches)
        return None

    def _below(self, entry: int) -> dict[int, dict[str, int]]:
        return {run: dict(counts) for run, counts in sorted(self.history.nights_below(entry).items())}

    def _version(self, stretches: Sequence[Stretch]) -> Version:
        first, last = stretches[0], stretches[-1]
        as_of = AsOf(self._manifest, last.since)
        places = as_of.sources(last.node)
        return Version(
            first.since,
            last.until,
            last.path,
            last.node,
            algorithm_of(last.node),
            places,
            as_of.suspects(last.node),
            None if places else self._manifest.past.let_go_in(last.node.entry, last.node.content.digest),
            self._until(places),
        )

    def _until(self, places: Sequence[Source]) -> Kept | None:
        """The last of the places to go; nothing in the copy goes by its age."""
        if not places or any(each.place == "copy" for each in places):
            return None
        found = [kept for each in places if each.run is not None and (kept := self._kept_since(each.run))]
        return max(found, key=lambda kept: kept.until_s, default=None)

    def _kept_since(self, run: int) -> Kept | None:
        if run not in self._kept:
            self._kept[run] = self._ask_kept(run)
        return self._kept[run]

    def _ask_kept(self, number: int) -> Kept | None:
        runs = self._manifest.runs
        run, newest = runs.by_number(number), runs.last()
        if self._retaining is None or run is None or newest is None:
            return None
        return kept_until(
            newest.started_s,
            elapsed_s(runs.starts_from(number)),
            runs.completed_since(number),
            keep_s=self._retaining.keep_s,
            floor_s=self._retaining.floor_s,
        )


def events(life: Sequence[Stretch]) -> list[Event]:
    """What happened to a name, night by night."""
    found: list[Event] = []
    before: Stretch | None = None
    for stretch in life:
        if before is None or before.until != stretch.since:
            if before is not None:
                found.append(_removed(before))
            found.append(_event(stretch, (ADDED,)))
        else:
            event = _between(before, stretch)
            if event.kinds:
                found.append(event)
        before = stretch
    if before is not None and before.until is not None:
        found.append(_removed(before))
    return found


def _between(before: Stretch, after: Stretch) -> Event:
    was, now = before.node, after.node
    kinds: list[str] = []
    same_content = was.content == now.content and was.stat.kind is now.stat.kind
    if before.path != after.path:
        kinds.append(MOVED)
    if was is not now and before.reason == "decayed":
        kinds.append(MENDED)
    elif not same_content or (was is not now and before.reason == "changed"):
        kinds.append(CHANGED)
    altered = _altered(was, now) if same_content else ()
    if altered and CHANGED not in kinds:
        kinds.append(METADATA)
    return _event(
        after,
        tuple(kinds),
        source=before.path if MOVED in kinds else None,
        with_folder=MOVED in kinds and (was.parent, was.name) == (now.parent, now.name),
        before_bytes=was.stat.size_bytes if CHANGED in kinds else None,
        altered=altered,
    )


def _altered(was: Node, now: Node) -> tuple[str, ...]:
    """What differs in the metadata. A folder's own time moves with every name in it, and says nothing."""
    found = []
    if was.stat.mode != now.stat.mode and now.stat.kind is not Kind.SYMLINK:
        found.append(f"mode {was.stat.mode:04o} → {now.stat.mode:04o}")
    if (was.stat.uid, was.stat.gid) != (now.stat.uid, now.stat.gid):
        found.append(f"owner {was.stat.uid}:{was.stat.gid} → {now.stat.uid}:{now.stat.gid}")
    if was.xattrs != now.xattrs:
        found.append("attributes")
    if was.stat.mtime_ns != now.stat.mtime_ns and now.stat.kind is not Kind.FOLDER:
        found.append("time")
    return tuple(found)


def _removed(stretch: Stretch) -> Event:
    assert stretch.until is not None
    return _event(stretch, (REMOVED,))._replace(run=stretch.until)


def _event(
    stretch: Stretch,
    kinds: tuple[str, ...],
    *,
    source: bytes | None = None,
    with_folder: bool = False,
    before_bytes: int | None = None,
    altered: tuple[str, ...] = (),
) -> Event:
    size_bytes = stretch.node.stat.size_bytes
    return Event(stretch.since, kinds, stretch.path, source, with_folder, size_bytes, before_bytes, altered)


def _by_content(life: Sequence[Stretch]) -> list[list[Stretch]]:
    found: list[list[Stretch]] = []
    for stretch in life:
        last = found[-1][-1] if found else None
        if last is not None and last.until == stretch.since and last.node.content == stretch.node.content:
            found[-1].append(stretch)
        else:
            found.append([stretch])
    return found


def algorithm_of(node: Node) -> str | None:
    """The name of the checksum of a file; None for what has none."""
    if node.content.algorithm is None:
        return None
    try:
        return by_id(node.content.algorithm).name
    except KeyError:
        return f"algorithm {node.content.algorithm}"
