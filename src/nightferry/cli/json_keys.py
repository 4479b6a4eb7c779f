"""The keys of ``--json``, command by command: what each says, in which unit.

They are stable: a key may be added, none changes its meaning or goes. ``[]`` stands for each item of a
list, a word in capitals for a key that is a word of the report itself (a kind of change, a phase). A
value that does not apply is null, a list that does not apply is empty. Moments are RFC 3339 in UTC.

A name is ``path``; where it is not valid UTF-8, ``path`` has U+FFFD for what is not, and ``path_bytes``
has all of its bytes in base64.
"""

from __future__ import annotations

_EXIT = {
    "command": "the command",
    "exit_code": "what the command returned",
}

_PAIR = {
    "pairs[].pair": "the pair's name",
}

_ERROR = {
    "pairs[].error": "why nothing could be done for this pair, a sentence; null where it could",
}

_REASON = {
    "pairs[].reasons[].code": "why the state is as it is, a stable word: " + ", ".join(
        ("absent_primary", "absent_secondary", "bad_status", "busy", "clock", "damage", "failed", "first_run", "held",
         "interrupted", "last_night", "no_room", "no_status", "refused", "secondary_away", "stale_status",
         "status_not_written", "unexpected", "unreadable", "unsettled", "withheld", "wrong_drive", "wrong_use")
    ),
    "pairs[].reasons[].sentence": "the same for a person, with what to do",
}  # fmt: skip

_COUNTS = {
    "pairs[].counts.KIND.files": "files and symlinks by kind of change: added, changed, moved, removed, metadata",
    "pairs[].counts.KIND.bytes": "bytes of their content",
    "pairs[].counts.KIND.folders": "folders",
}

_FOLDERS = {
    "pairs[].folders[].path": "a folder of the first two levels, largest first; empty for the top of the drive",
    "pairs[].folders[].files": "changes in it and below it",
    "pairs[].folders[].bytes": "bytes of their content",
    "pairs[].folders[].kinds.KIND": "how many of each kind",
}

_NOT_COPIED = {
    "pairs[].not_copied.KIND": (
        "names that were not copied, by kind: unreadable, unsettled, unsupported, other mount, no room, unlisted"
    ),
    "pairs[].not_copied_names[].kind": "the kind of one of them; up to 20 of each kind, all with --all",
    "pairs[].not_copied_names[].path": "its name",
    "pairs[].not_copied_names[].detail": "why it was not copied",
}

_CHANGE = {
    "pairs[].changes[].kind": "with --all, each name: its kind of change",
    "pairs[].changes[].path": "its name, after the change",
    "pairs[].changes[].from.path": "of what moved: its name before; `from` is null for all else",
    "pairs[].changes[].bytes": "bytes of its content (of the displaced version where one was); 0 for a folder",
    "pairs[].changes[].folder": "whether it is a folder",
}

_NIGHT = {
    "pairs[].number": "the number of the night; null where there is none",
    "pairs[].outcome": "complete, partial, held, interrupted or failed; null where it has no end",
    "pairs[].state": "sound, attention or failed",
    "pairs[].started": "when it began",
    "pairs[].ended": "when it ended",
    "pairs[].notes[]": "what else there is to say of it, sentences",
    "pairs[].hold_reasons[]": "why it was held, sentences",
    "pairs[].open_damage": "damaged files that are neither mended nor accepted",
    "pairs[].damage[].path": "the name of one; up to 20",
    "pairs[].damage[].side": "primary or secondary",
    "pairs[].damage[].verdict": "decayed, missing, unreadable or unlisted",
    "pairs[].damage[].detail": "what was found",
    "pairs[].kept_until": "until when what it displaced is kept at the earliest, room permitting",
    "pairs[].kept_at_least_until": "the same, however much room is needed",
    "pairs[].kept_nights": "completed nights that have to pass as well",
}

_ROOM = {
    "pairs[].secondary_room.free_bytes": "free on the secondary",
    "pairs[].secondary_room.total_bytes": "its size",
    "pairs[].secondary_room.free_inodes": "names it has room for; null where its file system does not count them",
}

_SIDE = {
    "path": "where it is mounted",
    "device": "the device",
    "file_system": "its file system",
    "total_bytes": "its size",
    "free_bytes": "free room",
    "names": "names at its top, without the drive's own",
    "has_card": "whether it has an identity card, from this pair or another",
}

_FACT = {
    "number": "its number",
    "started": "when it began",
    "ended": "when it ended",
    "outcome": "how it ended",
}

_STATUS = {
    "pairs[].format": "the format of status.json",
    "pairs[].state": "sound, attention or failed, as it counts now",
    "pairs[].outcome": "of the last run",
    "pairs[].written": "when status.json was written; null where there is none",
    "pairs[].valid_until": "until when it counts; later, a night did not report",
    "pairs[].run.number": "a run in progress: its number; `run` is null where there is none",
    "pairs[].run.phase": "its phase",
    "pairs[].run.files": "files done in this phase",
    "pairs[].run.bytes": "bytes done in this phase",
    "pairs[].run.files_total": "files of this phase; null where not known",
    "pairs[].run.bytes_total": "bytes of this phase; null where not known",
    "pairs[].run.started": "when the run began",
    **{f"pairs[].last_run.{key}": f"the last run: {meaning}" for key, meaning in _FACT.items()},
    **{f"pairs[].last_complete.{key}": f"the last complete run: {meaning}" for key, meaning in _FACT.items()},
    "pairs[].protected_as_of": "when the last complete run began: what stood then is on the secondary",
    "pairs[].notes[]": "what else there is to say of the last run, sentences",
}

KEYS: dict[str, dict[str, str]] = {
    "pair": {
        **_EXIT,
        **_PAIR,
        "pairs[].action": "create (a new pair), adopt (taken over from its secondary), rebuild (its state built anew by"
        " reading the secondary) or none (a pair already)",
        "pairs[].done": "whether it is a pair now",
        "pairs[].generation": "of the state taken over",
        "pairs[].same_file_system": "whether both are on one file system, which protects from little",
        **{f"pairs[].{side}.{key}": f"the {side}: {meaning}" for side in ("primary", "secondary")
           for key, meaning in _SIDE.items()},
        **_ERROR,
    },
    "run": {
        **_EXIT,
        **_PAIR,
        **_NIGHT,
        **_COUNTS,
        **_NOT_COPIED,
        **_REASON,
        **_ROOM,
        **_ERROR,
        "pairs[].exit_code": "what this pair alone would have returned",
        "pairs[].copy_age_s": "of a secondary that is away and may be: how old its copy is, seconds",
        "pairs[].phase_s.PHASE": "how long each phase took, seconds",
    },
    "tonight": {
        **_EXIT,
        **_PAIR,
        **_COUNTS,
        **_FOLDERS,
        **_NOT_COPIED,
        **_CHANGE,
        **_ERROR,
        "pairs[].exit_code": "what this pair alone would have returned",
        "pairs[].copy_age_s": "of a secondary that is away and may be: how old its copy is, seconds",
        "pairs[].first_night": "whether no night has run yet",
        "pairs[].cut_off": "whether an earlier run was cut off, and is finished first",
        "pairs[].would_be_held": "whether the night would be held",
        "pairs[].hold_reasons[]": "why, sentences",
        "pairs[].may_be_held": "whether it would be if all files of the kind undecided turned out to have changed",
        "pairs[].may_hold_reasons[]": "why, sentences",
        "pairs[].released": "whether a held night was released and is to be carried out",
        "pairs[].fits": "whether all copies fit on the secondary",
        "pairs[].needed_bytes": "room that they need",
        "pairs[].missing_bytes": "room that is missing above keep_free",
        "pairs[].missing_inodes": "names for which the secondary has no room",
        "pairs[].freed_bytes": "what retired versions would make room",
        "pairs[].clock_ok": "whether the clock is no earlier than the last run",
        "pairs[].takes_s": "how long it would take at the pace of earlier nights, seconds; null: not known yet",
    },
    "lastnight": {
        **_EXIT,
        **_PAIR,
        **_NIGHT,
        **_COUNTS,
        **_FOLDERS,
        **_NOT_COPIED,
        **_CHANGE,
        **_REASON,
        **_ERROR,
        "pairs[].changes[].kept": "whether the displaced version is still on the secondary; null where there is none",
    },
    "verify": {
        **_EXIT,
        **_PAIR,
        **_ERROR,
        "pairs[].exit_code": "what this pair alone would have returned",
        "pairs[].stopped": "why it stopped before the end: asked to stop, the time was over; null where it did not",
        "pairs[].seconds": "how long it took",
        "pairs[].read.SIDE.files": "files read on the primary and on the secondary (with retired versions)",
        "pairs[].read.SIDE.bytes": "bytes of their content",
        "pairs[].read.SIDE.seconds": "time spent reading them; both sides are read at once",
        "pairs[].read.SIDE.bytes_per_s": "the rate; null where nothing was read",
        "pairs[].read.SIDE.left_files": "files that were asked for and not read",
        "pairs[].read.SIDE.left_bytes": "bytes of what was asked for and not read and found intact",
        "pairs[].past_cache": "whether all was read past the page cache; false: it was emptied before",
        "pairs[].intact": "files read and found intact, both sides together",
        "pairs[].changed": "files of the primary that changed since the last night; no damage",
        "pairs[].found[].side": "what was found bad now: primary, secondary or retired",
        "pairs[].found[].verdict": "decayed, missing, unreadable or unlisted",
        "pairs[].found[].names": "how many",
        "pairs[].looked_for_unlisted": "whether all names on the secondary were looked at",
        "pairs[].closed[].path": "a name that was damaged and is right again",
        "pairs[].closed[].side": "primary, secondary or retired",
        "pairs[].closed[].verdict": "what it was",
        "pairs[].damage[].path": "an open damage, found now or before: its name; on the side retired, below retired/",
        "pairs[].damage[].side": "primary, secondary or retired",
        "pairs[].damage[].verdict": "decayed, missing, unreadable or unlisted",
        "pairs[].damage[].detail": "what was found",
        "pairs[].damage[].found_by": "what found it: verify, copy, retire, mend",
        "pairs[].damage[].found": "when",
        "pairs[].coverage.SIDE.files": "files read and found intact within verify_cycle",
        "pairs[].coverage.SIDE.files_total": "files in all",
        "pairs[].coverage.SIDE.bytes": "bytes read and found intact within verify_cycle",
        "pairs[].coverage.SIDE.bytes_total": "bytes in all",
        "pairs[].coverage.SIDE.oldest": "the oldest reading; null where a file was never read",
    },
    "mend": {
        **_EXIT,
        "pair": "the pair's name",
        "action": "restore, accept, choose (--from) or salvage; null where it only showed",
        "open_damage": "entries of the damage register that are open at the end",
        "not_shown": "damaged names that were not looked at, since there are many; name a path to see one",
        "damage[].path": "a damaged name; below retired/ where in_retired says so",
        "damage[].in_retired": "whether it is a retired version",
        "damage[].found[].side": "where it was found bad: primary, secondary or retired",
        "damage[].found[].verdict": "decayed, missing, unreadable or unlisted",
        "damage[].found[].detail": "what was found",
        "damage[].found[].found_by": "what found it",
        "damage[].changed_since": "whether somebody wrote the file on the primary since it was copied",
        "damage[].places[].side": "a place that may have it: primary, secondary or retired",
        "damage[].places[].path": "where, below the top of that drive",
        "damage[].places[].there": "whether it is there",
        "damage[].places[].right": "whether it has the right content",
        "damage[].places[].readable": "whether all of it can be read",
        "damage[].places[].detail": "what is wrong with it; empty where nothing is",
        "damage[].places[].since_night": "of a retired version: the night that copied it",
        "damage[].places[].until_night": "of a retired version: the night that replaced it",
        "damage[].differences[].start": "where primary and copy differ: the first byte, from 0",
        "damage[].differences[].end": "and the byte behind the last",
        "damage[].differences_complete": "whether those are all; null where the two were not compared",
        "damage[].advice": "what can be done, for a person",
        "damage[].done": "whether the action was carried out",
        "damage[].outcome": "what became of it, or why it was not done; null where there was no action",
        "damage[].salvaged.path": "the new file; `salvaged` is null for all else",
        "damage[].salvaged.bytes": "its size",
        "damage[].salvaged.filled[].start": "a range that could not be read: its first byte",
        "damage[].salvaged.filled[].end": "and the byte behind its last",
        "damage[].salvaged.filled[].from": "what stands there now: copy or zeros",
    },
    "release": {
        **_EXIT,
        "pair": "the pair's name",
        "released": "whether a held night was released now",
        "was_released": "whether it had been released before",
        "night": "the number of the held night; null where nothing is held",
        "removals": "files to be removed",
        "replacements": "files to be replaced",
        "hold_reasons[]": "why it was held, sentences",
    },
    "status": {
        **_EXIT,
        "state": "the worst of all pairs",
        **_PAIR,
        **_STATUS,
        **_REASON,
        **_ROOM,
    },
}  # fmt: skip


def markdown() -> str:
    """All of it as tables, for the documentation."""
    parts = []
    for command, keys in KEYS.items():
        rows = "\n".join(f"| `{key}` | {meaning} |" for key, meaning in keys.items())
        parts.append(f"### `nightferry {command} --json`\n\n| key | says |\n| --- | --- |\n{rows}\n")
    return "\n".join(parts)


if __name__ == "__main__":
    print(markdown())
