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
        ("absent_primary", "absent_secondary", "alert_failed", "bad_status", "busy", "clock", "damage", "drive_hung",
         "ended_early", "failed", "first_run", "given_up", "held", "interrupted", "last_night", "missed", "no_room",
         "no_status", "overdue", "refused", "rehearsal", "released", "secondary_away", "stale_status",
         "status_not_written", "surge", "taken_over", "unexpected", "unreadable", "unsettled", "withheld",
         "wrong_drive", "wrong_use")
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

_DAY = {
    "pairs[].day.format": "the day before the night, where the daemon watched it and this is the newest; else null: 1",
    "pairs[].day.since": "from when it was watched",
    "pairs[].day.until": "until when: the start of the night",
    "pairs[].day.complete": "whether nothing can have been missed",
    "pairs[].day.incomplete[]": "why something may have been missed, sentences",
    "pairs[].day.created": "files that appeared",
    "pairs[].day.changed": "times that a file which was there before was written",
    "pairs[].day.deleted": "files that vanished, and were there before",
    "pairs[].day.moved": "files that got another name, and were there before",
    "pairs[].day.came_and_went_count": "files that appeared and vanished, so that no night could copy them",
    "pairs[].day.came_and_went[].path": "the name of one of them; up to 1,000",
    "pairs[].day.came_and_went[].came": "when it appeared",
    "pairs[].day.came_and_went[].went": "when it vanished",
    "pairs[].day.busiest[].path": "a folder that was written to, the busiest first; up to 20",
    "pairs[].day.busiest[].writes": "how often a file in it was written",
    "pairs[].day.busiest[].last": "when last",
}

_COVERAGE = {
    "pairs[].verify_cycle_s": "verify_cycle, seconds, by which the coverage is told; null where none is known",
    "pairs[].coverage.PLACE.files": "files read and found intact within verify_cycle, of the primary, the secondary"
    " (its copy) and retired (versions): as the night left them; empty where not known",
    "pairs[].coverage.PLACE.files_total": "files in all",
    "pairs[].coverage.PLACE.bytes": "bytes read and found intact within verify_cycle",
    "pairs[].coverage.PLACE.bytes_total": "bytes in all",
    "pairs[].coverage.PLACE.never_files": "files never read, or found bad when they were last read",
    "pairs[].coverage.PLACE.overdue_files": "files not read within verify_cycle and a day, that were there before it",
    "pairs[].coverage.PLACE.overdue_bytes": "their bytes",
    "pairs[].coverage.PLACE.oldest": "the oldest reading of those that were read; null where there was none",
    "pairs[].coverage.PLACE.ages[].younger_than_s": "files by the age of their last reading, youngest first: seconds;"
    " null for those older than the age before it. Those never read are in none",
    "pairs[].coverage.PLACE.ages[].files": "how many",
    "pairs[].coverage.PLACE.ages[].bytes": "their bytes",
}

_REHEARSAL = {
    "pairs[].rehearsal.stamp": "the restore test of this night, in status the last one: its report is"
    " records/reports/rehearsal-STAMP.json; `rehearsal` is null where there was none",
    "pairs[].rehearsal.ended": "when it ended",
    "pairs[].rehearsal.outcome": "passed; short (nothing wrong, and less was shown than was wanted); mismatches;"
    " impossible (the secondary alone was not enough)",
    "pairs[].rehearsal.files": "names that came back right",
    "pairs[].rehearsal.bytes": "bytes of their content",
    "pairs[].rehearsal.mismatches": "what did not come back right",
    "pairs[].rehearsal.confidence": "with this confidence",
    "pairs[].rehearsal.files_share": "no more than this share of the files is unrestorable",
    "pairs[].rehearsal.bytes_share": "no more than this share of the bytes lies in files that are",
    "pairs[].rehearsal.rate_bytes_per_s": "how fast files came back; null where too little was read",
    "pairs[].rehearsal.local_s": "how long all would take to a drive in the same machine, seconds",
    "pairs[].rehearsal.network_s": "and over a gigabit network",
}

_CHANGE = {
    "pairs[].changes[].kind": "with --all, each name: its kind of change",
    "pairs[].changes[].path": "its name, after the change",
    "pairs[].changes[].from.path": "of what moved: its name before; `from` is null for all else",
    "pairs[].changes[].bytes": "bytes of its content after the change (of what was removed: before it); 0 for a folder",
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
    "pairs[].open_damage": "names that were damaged when it ended",
    "pairs[].still_damaged": "of those, damaged now; null where there were none",
    "pairs[].damage[].path": "the name of one; up to 20",
    "pairs[].damage[].side": "primary, secondary or retired",
    "pairs[].damage[].verdict": "decayed, missing, unreadable or unlisted",
    "pairs[].damage[].detail": "what was found",
    "pairs[].damage[].closed_night": "the night in which, or after which, it was mended or accepted; null: it is open",
    "pairs[].damage[].closed_by_command": "whether a command did so after that night, and not the night itself",
    "pairs[].damage[].became": "what became of it; null: it is open",
    "pairs[].damage_ended_count": "damaged names that the night itself mended, or found right again",
    "pairs[].damage_ended[].path": "the name of one; up to 20",
    "pairs[].damage_ended[].side": "where it was found bad: primary, secondary or retired",
    "pairs[].damage_ended[].verdict": "decayed, missing, unreadable or unlisted",
    "pairs[].damage_ended[].detail": "what was found",
    "pairs[].damage_ended[].closed_night": "this night",
    "pairs[].damage_ended[].closed_by_command": "false",
    "pairs[].damage_ended[].became": "what became of it",
    "pairs[].damage_since_count": "names that a command by hand found damaged after it, and before the next night",
    "pairs[].damage_since[].path": "the name of one; up to 20",
    "pairs[].damage_since[].side": "primary, secondary or retired",
    "pairs[].damage_since[].verdict": "decayed, missing, unreadable or unlisted",
    "pairs[].damage_since[].detail": "what was found",
    "pairs[].damage_since[].closed_night": "as in damage",
    "pairs[].damage_since[].closed_by_command": "as in damage",
    "pairs[].damage_since[].became": "as in damage",
    "pairs[].drive_damage[].drive": "primary or secondary: one on which files went bad within 90 days",
    "pairs[].drive_damage[].tonight": "of them, found or mended by this night",
    "pairs[].drive_damage[].mended": "of those, mended by it",
    "pairs[].drive_damage[].lately": "within 90 days up to its end",
    "pairs[].drive_damage[].nights": "and after how many different nights",
    "pairs[].old_dates_count": "files that it copied as changed, though their date is no newer than before",
    "pairs[].old_dates[].path": "the name of one; up to 20",
    "pairs[].old_dates[].bytes_before": "its size before",
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
    "pairs[].next_run": "when the next night starts by the configuration; the daemon or a timer has to begin it",
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
    "pairs[].unprotected.files": "new and changed files of which the secondary had no copy, or an older one, when a"
    " night ended; `unprotected` is null where no night has got so far as to know",
    "pairs[].unprotected.bytes": "bytes of their content",
    "pairs[].unprotected.as_of": "when that night began; what came since is not counted",
    "pairs[].open_damage": "names whose damage is neither mended nor accepted; null where not known",
    "pairs[].hold.night": "the night that was held; `hold` is null where none is open",
    "pairs[].hold.removals": "files that it would remove",
    "pairs[].hold.replacements": "files that it would replace",
    "pairs[].hold.released": "whether somebody has released it since",
    "pairs[].hold.reasons[]": "why, sentences",
    "pairs[].full.soonest": "when the room above keep_free is used up at the pace of the last nights, the early bound"
    " (95%); null: never. `full` is null where too few nights noted how full the secondary was",
    "pairs[].full.likely": "when that is likely",
    "pairs[].full.latest": "the late bound",
    "pairs[].full.bytes_per_day": "that pace; negative: it empties",
    "pairs[].full.nights": "the nights that it was taken from",
}

_FINDING = {
    "findings[].state": "ok, note, attention, failure (a night could not run) or not_known",
    "findings[].code": "what it is about, a stable word: " + ", ".join(
        ("clock", "configuration", "drive", "file_system", "health", "health_figures", "health_past", "identity",
         "inodes", "io_errors", "link", "mount", "network", "power", "power_together", "read_back", "read_only", "room",
         "same_drive", "self_test", "shared", "sleep", "temperature", "third_copy", "voltage", "writable")
    ),
    "findings[].about": "whom it concerns: box, pair, primary, secondary",
    "findings[].found": "what was found, a sentence; of what is not known, what that is",
    "findings[].meaning": "what that means, or why it is not known; null where that goes without saying",
    "findings[].todo": "what to do about it; null where there is nothing",
}  # fmt: skip

_SPREAD = {
    "median": "bytes a second: of all that was measured, or the median of the nights",
    "low": "the lower quartile, of half seconds or of nights",
    "high": "the upper quartile",
    "count": "of how many",
}

_MEASURED = ("primary_read", "secondary_write", "secondary_read", "both_read", "copy", "hash")
_REACHED = ("copy", "read_back", "verify_primary", "verify_secondary")
_LIMIT = "what limits it: primary, secondary, link, hash, network, new_drive"

_PLAN = {
    "pairs[].measured.measured_s": "when --measure last measured this pair, Unix time",
    "pairs[].measured.direct": "whether all was read past the page cache",
    **{f"pairs[].measured.{part}.{key}": says for part in _MEASURED for key, says in _SPREAD.items()},
    **{
        f"pairs[].measured.{part}_judged": "whether that is what such a drive behind such a link should give"
        for part in _MEASURED[:3]
    },
    **{f"pairs[].nights.{part}.{key}": says for part in _REACHED for key, says in _SPREAD.items()},
    **{
        f"pairs[].rates.{key}": "bytes a second that the plan is made with"
        for key in ("primary_read", "secondary_write", "secondary_read", "network", "copying")
    },
    "pairs[].rates.copying_limited_by": _LIMIT,
    "pairs[].first_copy.copy_s": "how long the first copy takes",
    "pairs[].first_copy.read_back_s": "and reading it back",
    "pairs[].first_copy.full_drive_s": "how long copying a full drive takes",
    "pairs[].first_copy.read_back_limited_by": _LIMIT,
    **{
        f"pairs[].night.{key}": "of a usual night, seconds"
        for key in ("scan_s", "copy_s", "read_back_s", "verify_s", "whole_s", "window_s", "margin_s")
    },
    "pairs[].night.limited_by": _LIMIT,
    "pairs[].verify_cycle_s": "the shortest cycle in which all can be verified; null: it is not possible",
    "pairs[].restore.here_s": "how long restoring all takes, in the box",
    "pairs[].restore.here_limited_by": _LIMIT,
    "pairs[].restore.network_s": "the same over the network",
    "pairs[].restore.network_limited_by": _LIMIT,
    "pairs[].restore.network_bytes_per_s": "at this rate",
    "pairs[].days_kept": "for how many days there is room for old versions; null: without end",
    "pairs[].full.soonest_days": "when the secondary is full, the early bound (95%); null: never",
    "pairs[].full.likely_days": "when that is likely",
    "pairs[].full.latest_days": "the late bound",
    "pairs[].full.nights": "by so many nights; null: by an assumed growth",
    "pairs[].recovery_point_s": "how old the newest safe state may be",
    "pairs[].best_change.what": "the one change that makes a usual night shorter most",
    "pairs[].best_change.gained_s": "by so much",
    "pairs[].read_error_chance": "the chance of a bad spot in reading all once",
    "pairs[].power.running_ma": "what the drives draw from the box, milliamperes",
    "pairs[].power.peak_ma": "at the worst moment",
    "pairs[].power.total_ma": "what many boards give in all",
    "pairs[].power.over_port[]": "drives that ask for more than their port has to give",
    "pairs[].power.over_total": "whether together they ask for more than such a board gives",
    "pairs[].power.needs_own_supply": "whether a powered hub is needed, or drives with a supply of their own",
    "pairs[].layouts[].layout": "the same drives as: single, stripe, mirror, mirrored_stripe, two_drives",
    "pairs[].layouts[].drives": "how many of them it uses",
    "pairs[].layouts[].usable_bytes": "the room for files",
    **{
        f"pairs[].layouts[].{part}.{key}": f"bytes a second, one large file, {where}; the {word} to expect"
        for part, where in (("write", "on the box"), ("read", "on the box"), ("network_write", "from a client"),
                            ("network_read", "by a client"))
        for key, word in (("low", "least"), ("high", "most"))
    },
    **{
        f"pairs[].layouts[].survives.{threat}": "yes, but_the_day, in_part, no"
        for threat in ("drive", "deletion", "overwrite", "encryption", "decay", "fault", "site")
    },
    "pairs[].layouts[].at_risk_h": "how old the newest safe state may be, hours",
    "pairs[].layouts[].back_h": "how long filling a new drive takes; null: there is nothing to fill it from",
    "pairs[].layouts[].drive_loss_per_year": "the chance of losing data to failing drives alone",
    "pairs[].advice[]": "what speaks for each layout, sentences",
    "pairs[].assumptions[]": "what was assumed, sentences",
    "pairs[].notes[]": "where each number comes from: formula and source",
}  # fmt: skip

KEYS: dict[str, dict[str, str]] = {
    "pair": {
        **_EXIT,
        **_PAIR,
        "pairs[].action": "create (a new pair), adopt (taken over from its secondary), rebuild (its state built anew by"
        " reading the secondary) or none (a pair already)",
        "pairs[].done": "whether it is a pair now",
        "pairs[].generation": "of the state taken over",
        "pairs[].older_generation": "of an older state here, which is kept aside; null where there is none",
        "pairs[].found.night": "the last night that the state to be taken over knows; `found` is null for all else",
        "pairs[].found.outcome": "complete, partial, held, interrupted or failed; null where it has no end",
        "pairs[].found.ended": "when it ended",
        "pairs[].found.files": "files and symlinks of the copy",
        "pairs[].found.bytes": "bytes of their content",
        "pairs[].found.retired_versions": "versions kept below retired/",
        "pairs[].found.open_damage": "damaged files that are neither mended nor accepted",
        "pairs[].found.held": "whether a night was held and waits for a person",
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
        **_COVERAGE,
        **_REHEARSAL,
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
        "pairs[].clock_ok": "whether the clock fits the dates of the last nights, so that old versions may expire",
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
        "pairs[].changes[].bytes_before": "of a changed file: the size that it had; null for all else",
        "pairs[].nights[].number": "with a range of nights or a filter, each night that was asked: its number. Then"
        " counts, folders and changes are of all of them, and the keys about one night are absent",
        "pairs[].nights[].started": "when it began",
        "pairs[].nights[].outcome": "how it ended",
        "pairs[].nights[].state": "in which state",
        "pairs[].changes[].night": "and the number of the night of each change",
        "pairs[].changes[].detail": "of what was not copied, why; null for changes",
        **_COVERAGE,
        **_REHEARSAL,
        "pairs[].changes[].kept": "whether the displaced version is still on the secondary; null where there is none",
        **_DAY,
    },
    "history": {
        **_EXIT,
        **_PAIR,
        **_ERROR,
        "pairs[].kept_since_night": "from this night on every state is still whole; null where not even the newest is",
        "pairs[].as_of.number": "with --as-of: the night that is meant; `as_of` is null for all else",
        "pairs[].as_of.outcome": "how it ended",
        "pairs[].as_of.started": "when it began",
        "pairs[].as_of.ended": "when it ended",
        "pairs[].as_of.lost_files": "files of its state whose content stands nowhere on the secondary any more",
        "pairs[].as_of.known": "false: its records were lost, and what it left is not known for certain",
        "pairs[].nights[].number": "without a path, each night: its number",
        "pairs[].nights[].outcome": "complete, partial, held, interrupted or failed; null where it has no end",
        "pairs[].nights[].started": "when it began",
        "pairs[].nights[].ended": "when it ended",
        "pairs[].nights[].lost_files": "files of its state whose content stands nowhere on the secondary any more",
        "pairs[].nights[].known": "false: its records were lost, and what it left is not known for certain",
        "pairs[].names[].path": "each name that ever stood at a path that was asked for: its path now, or its last one",
        "pairs[].names[].kind": "file, folder or symlink",
        "pairs[].names[].there": "whether it is in the copy now",
        "pairs[].names[].events[].night": "what happened to it: on which night; 0: before the records begin",
        "pairs[].names[].events[].kinds[]": "added, changed, moved, metadata, removed, mended (its copy had decayed)",
        "pairs[].names[].events[].path": "its path after that night; of what was removed, before it",
        "pairs[].names[].events[].from.path": "of what moved: its path before; `from` is null for all else",
        "pairs[].names[].events[].with_folder": "of what moved: whether a folder above it did, and not the name itself",
        "pairs[].names[].events[].bytes": "its size after that night; of what was removed, before it",
        "pairs[].names[].events[].bytes_before": "of what changed: its size before",
        "pairs[].names[].events[].altered[]": "of changed metadata: what, in words",
        "pairs[].names[].versions[].since_night": "a content that it had: the night that brought it",
        "pairs[].names[].versions[].until_night": "the night that displaced it; null: it has it now; if it is"
        " since_night, no night copied it, and a command displaced it on the primary after that night",
        "pairs[].names[].versions[].path": "its last path with that content",
        "pairs[].names[].versions[].bytes": "its size",
        "pairs[].names[].versions[].modified_ns": "when it was written (mtime), nanoseconds since 1970, as text",
        "pairs[].names[].versions[].algorithm": "which checksum",
        "pairs[].names[].versions[].checksum": "the checksum, hexadecimal",
        "pairs[].names[].versions[].target.path": "where a symlink leads; `target` is null for all else",
        "pairs[].names[].versions[].places[].place": "where the content is now, the likeliest first: copy or retired",
        "pairs[].names[].versions[].places[].path": "its path below copy/ or retired/ on the secondary",
        "pairs[].names[].versions[].places[].night": "of what is in retired/: the night that put it there",
        "pairs[].names[].versions[].bad_places[].place": "where it should be and is known to be bad",
        "pairs[].names[].versions[].bad_places[].path": "its path there",
        "pairs[].names[].versions[].bad_places[].night": "of what is in retired/: the night that put it there",
        "pairs[].names[].versions[].let_go_night": "of what is in no place: the night that let it go",
        "pairs[].names[].versions[].kept_until": "of what only retired/ has: until when it is kept at the earliest",
        "pairs[].names[].versions[].kept_at_least_until": "the same, however much room is needed",
        "pairs[].names[].versions[].kept_nights": "completed nights that have to pass as well",
        "pairs[].names[].below[].night": "of a folder that was asked for: a night that changed something below it",
        **{
            f"pairs[].names[].below[].{kind}": f"how many names it {told}"
            for kind, told in (
                ("added", "added"), ("changed", "changed"), ("moved", "moved, into it and out of it too"),
                ("removed", "removed"), ("metadata", "altered in their metadata"), ("mended", "mended"),
            )
        },
        "pairs[].listing[].path": "with --as-of, each name: its path on that night",
        "pairs[].listing[].kind": "file, folder or symlink",
        "pairs[].listing[].bytes": "its size, of a folder that of all below it; null for a folder with --recursive",
        "pairs[].listing[].files": "files and symlinks in that",
        "pairs[].listing[].lost_files": "how many of them stand nowhere on the secondary any more",
        "pairs[].listing[].modified_ns": "when it was written (mtime), nanoseconds since 1970, as text",
        "pairs[].listing[].mode": "permissions, octal",
        "pairs[].listing[].uid": "owner",
        "pairs[].listing[].gid": "group",
        "pairs[].listing[].algorithm": "which checksum",
        "pairs[].listing[].checksum": "the checksum, hexadecimal; null for what has none",
        "pairs[].listing[].target.path": "where a symlink leads; `target` is null for all else",
        "pairs[].listing[].since_night": "the night that wrote this version",
        "pairs[].listing[].until_night": "the night that displaced it; null: it is the present one",
        "pairs[].listing[].places[].place": "where its content is now, the likeliest first: copy or retired",
        "pairs[].listing[].places[].path": "its path below copy/ or retired/ on the secondary",
        "pairs[].listing[].places[].night": "of what is in retired/: the night that put it there",
    },
    "verify": {
        **_EXIT,
        **_PAIR,
        **_ERROR,
        "pairs[].exit_code": "what this pair alone would have returned",
        "pairs[].stopped": "why it stopped before the end: asked to stop, the time was over, too many reads"
        " failed; null where it did not",
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
        "pairs[].damage[].found_by": "what found it: verify, copy, retire, mend, rehearsal",
        "pairs[].damage[].found": "when",
        **_COVERAGE,
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
    "rehearse": {
        **_EXIT,
        **_PAIR,
        **_ERROR,
        "pairs[].exit_code": "what this pair alone would have returned",
        "pairs[].rehearsal": "the whole report, as it stands in records/reports/; null where none could be made. Its"
        " keys: nightferry/reporting/schemas/rehearsal.schema.json (JSON Schema 2020-12)",
    },
    "restore": {
        **_EXIT,
        "pair": "the pair's name",
        "error": "why nothing could be restored, a sentence; null where it could",
        "into.path": "the folder; all that follows is null where nothing was restored",
        "night": "the number of the night as which it was restored; null for the plain tree without a manifest",
        "newest": "whether that was the newest",
        "written.files": "files written and named",
        "written.links": "further names of the same files (hard links)",
        "written.symlinks": "symlinks written",
        "written.folders": "folders made",
        "written.bytes": "bytes of the files' content",
        "written.replaced": "of all these: in the place of something else (--overwrite)",
        "written.altered": "names whose content was right and whose metadata was put right (--overwrite)",
        "right_already.files": "files and symlinks that were there as they should be",
        "right_already.bytes": "bytes of their content",
        "left.count": "names in the target that were left as they are, since something else stands there",
        "left.names[].path": "one of them; up to 1,000, as in all lists here",
        "left.names[].why": "what stands there",
        "refused.count": "names that the target would not take",
        "refused.names[].path": "one of them",
        "refused.names[].why": "why",
        "elsewhere.count": "files restored right, but not from where they should stand",
        "elsewhere.names[].path": "one of them",
        "elsewhere.names[].why": "what is wrong there, and where it was taken from",
        "bad.count": "files not restored, since no place has the right content",
        "bad.names[].path": "one of them",
        "bad.names[].why": "what each place has",
        "damaged.count": "files restored under a marked name, since no place has the right content (--bad)",
        "damaged.names[].path": "one of them",
        "damaged.names[].restored_as.path": "its marked name",
        "damaged.names[].why": "what each place has",
        "damaged.names[].filled[].start": "a range that could not be read: its first byte",
        "damaged.names[].filled[].end": "and the byte behind its last",
        "damaged.names[].filled[].from": "what stands there now: another place or zeros",
        "unverified": "files restored with no checksum to compare with",
        "metadata_lost.owner": "names whose owner or group the target could not hold",
        "metadata_lost.mode": "names whose permissions it could not hold",
        "metadata_lost.time": "names whose exact time it could not hold",
        "metadata_lost.attributes": "names whose extended attributes it could not hold",
        "metadata_lost.links": "names that share their file with others in the copy, and are files of their own here",
        "notes[]": "what else there is to say, sentences",
        "stopped": "whether it was asked to stop before its end",
        "seconds": "how long it took",
        "bytes_per_s": "the rate of content written or compared; null where there was none",
        "is_primary": "whether the target is the pair's primary now (--new-primary)",
    },
    "preflight": {
        **_EXIT,
        **{f"box.{key}": meaning for key, meaning in _FINDING.items()},
        **_PAIR,
        "pairs[].exit_code": "what this pair alone would have returned",
        **{f"pairs[].{key}": meaning for key, meaning in _FINDING.items()},
    },
    "plan": {
        **_EXIT,
        "pairs[].pair": "the pair's name; null for drives that are not bought yet",
        "pairs[].exit_code": "0 where a usual night fits its window, 1 where not; what went wrong otherwise",
        **_ERROR,
        **_PLAN,
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
        "command": "the command; the whole document has a schema: nightferry/reporting/schemas/status.schema.json"
        " (JSON Schema 2020-12), #/$defs/report; status.json is what its top says",
        "exit_code": "what the command returned",
        "state": "the worst of all pairs",
        **_PAIR,
        **_STATUS,
        "pairs[].exit_code": "what this pair alone would have returned",
        **_COVERAGE,
        **_REHEARSAL,
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
