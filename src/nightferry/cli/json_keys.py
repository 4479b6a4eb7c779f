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
        "pairs[].action": "create (a new pair), adopt (taken over from its secondary) or none (a pair already)",
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
