"""The history of names, folders as of a night, and the nights: under the stable names of ``--json``."""

from __future__ import annotations

from typing import Any

from nightferry.manifest.asof import AsOf, Source
from nightferry.manifest.nights import NightState
from nightferry.reporting.audit.changes import KINDS
from nightferry.reporting.audit.folder_listing import Listed
from nightferry.reporting.audit.history import MENDED, Event, Story, Version, algorithm_of
from nightferry.reporting.look.moments import moment
from nightferry.tree.metadata import Kind
from nightferry.units import json_name

_KINDS = {Kind.FOLDER: "folder", Kind.FILE: "file", Kind.SYMLINK: "symlink"}


def night_as_json(night: NightState) -> dict[str, Any]:
    """One night, and what is left of its state."""
    return {
        "number": night.number,
        "outcome": night.outcome,
        "started": None if night.started_s is None else moment(night.started_s),
        "ended": None if night.ended_s is None else moment(night.ended_s),
        "lost_files": night.lost_files,
        "known": night.is_known,
    }


def story_as_json(story: Story) -> dict[str, Any]:
    """One name over all nights."""
    return {
        **json_name(story.path),
        "kind": _KINDS[story.kind],
        "there": story.is_there,
        "events": [_event(each) for each in story.events],
        "versions": [_version(each) for each in story.versions],
        "below": [
            {"night": run, **{kind: counts.get(kind, 0) for kind in (*KINDS, MENDED)}}
            for run, counts in sorted(story.below.items())
        ],
    }


def listed_as_json(each: Listed, as_of: AsOf) -> dict[str, Any]:
    """One name as of a night."""
    node, total = each.node, each.total
    return {
        **json_name(each.path),
        "kind": _KINDS[node.stat.kind],
        "bytes": None if total is None else total.size_bytes,
        "files": None if total is None else total.files,
        "lost_files": None if total is None else total.lost_files,
        "modified_ns": str(node.stat.mtime_ns),
        "mode": f"{node.stat.mode:04o}",
        "uid": node.stat.uid,
        "gid": node.stat.gid,
        "algorithm": algorithm_of(node),
        "checksum": None if node.content.digest is None else node.content.digest.hex(),
        "target": None if node.content.target is None else json_name(node.content.target),
        "since_night": node.since,
        "until_night": node.until,
        "places": [_place(place) for place in as_of.sources(node)],
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "night": event.run,
        "kinds": list(event.kinds),
        **json_name(event.path),
        "from": None if event.source is None else json_name(event.source),
        "with_folder": event.with_folder,
        "bytes": event.size_bytes,
        "bytes_before": event.before_bytes,
        "altered": list(event.altered),
    }


def _version(version: Version) -> dict[str, Any]:
    content, kept = version.node.content, version.kept
    return {
        "since_night": version.since,
        "until_night": version.until,
        **json_name(version.path),
        "bytes": version.node.stat.size_bytes,
        "modified_ns": str(version.node.stat.mtime_ns),
        "algorithm": version.algorithm,
        "checksum": None if content.digest is None else content.digest.hex(),
        "target": None if content.target is None else json_name(content.target),
        "places": [_place(each) for each in version.places],
        "bad_places": [_place(each) for each in version.bad],
        "let_go_night": version.let_go,
        "kept_until": None if kept is None else moment(kept.until_s),
        "kept_at_least_until": None if kept is None else moment(kept.at_least_until_s),
        "kept_nights": None if kept is None else kept.nights,
    }


def _place(source: Source) -> dict[str, Any]:
    return {"place": source.place, **json_name(source.path), "night": source.run}
