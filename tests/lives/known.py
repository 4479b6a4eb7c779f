"""Short lives that once failed, each as plain steps. ``FAILS_TODAY`` are those that fail still, by their name.

A life that is put right leaves ``FAILS_TODAY``, and the test of it passes from then on.
"""

from __future__ import annotations

from typing import NamedTuple

from lives.world import Step

NIGHT: Step = ("night", {})


class Known(NamedTuple):
    """``rules``: those that one of the oracle's failures has to name. ``drives``: "tmpfs", or a kind of real drive."""

    name: str
    rules: frozenset[str]
    steps: tuple[Step, ...]
    drives: str = "tmpfs"


def _write(path: bytes, number: int = 1, size: int = 500) -> Step:
    return ("write", {"path": path, "number": number, "size": size})


def _known(name: str, rules: str, *steps: Step, drives: str = "tmpfs") -> Known:
    return Known(name, frozenset(rules.split()), steps, drives)


def _flipped(table: str, column: str) -> Step:
    return ("flip_column", {"place": "working", "table": table, "column": column, "name": b"kyrie.wav", "bit": 0})


_ROT: Step = ("rot_primary", {"path": b"m/kyrie.wav", "at": 7})
# The files of a folder m have the same date, so that the same files can come back.
_DATED: tuple[Step, ...] = tuple(("utime", {"path": b"m/take %d.wav" % each, "time_ns": 10**18}) for each in range(9))
_VERIFY: Step = ("verify", {})

KNOWN = (
    _known(
        "stock_of_a_removed_folder", "restore-wrong",
        _write(b"m/kyrie.wav", 1), _write(b"credo.wav", 9), NIGHT, _write(b"m/gloria.wav", 2), NIGHT,
        _write(b"m/sanctus.wav", 3), NIGHT, ("delete_tree", {"path": b"m"}), NIGHT, NIGHT,
        ("lose_state", {}), ("restore", {"back": 3, "alone": False}), ("history", {"back": 3, "alone": False}),
    ),
    _known(
        "stock_of_a_renamed_folder", "restore-wrong",
        _write(b"m/kyrie.wav", 1), _write(b"m/gloria.wav", 2), NIGHT, _write(b"m/kyrie.wav", 3), NIGHT,
        ("rename", {"old": b"m", "new": b"n"}), NIGHT, ("lose_state_only", {}), ("spoil_records", {"place": "sealed"}),
        ("pair_again", {}), ("restore_all", {}),
    ),
    _known(
        "a_flipped_name", "restore-refused",
        _write(b"m/kyrie.wav", 1), _write(b"m/gloria.wav", 2), NIGHT, NIGHT,
        ("flip_cell", {"place": "working", "needle": b"kyrie.wav", "which": 0, "bit": 0}), NIGHT, NIGHT, NIGHT,
        ("restore_all", {}), ("lose_state", {}), ("restore_all", {}), ("converge", {}),
    ),
    _known(
        "a_flipped_checksum", "intact-called-bad",
        _write(b"m/kyrie.wav", 1), _write(b"m/gloria.wav", 2), NIGHT, NIGHT,
        _flipped("entry", "digest"), NIGHT, NIGHT, _VERIFY,
        ("restore_all", {}), ("converge", {}),
    ),
    _known(
        "a_flipped_parent", "restore-refused",
        _write(b"m/kyrie.wav", 1), _write(b"n/gloria.wav", 2), NIGHT, _write(b"m/kyrie.wav", 3), NIGHT,
        _flipped("past", "parent"),
        NIGHT, NIGHT, ("restore_all", {}), ("converge", {}),
    ),
    *(
        _known(
            f"a_mapped_file_on_{kind}", "store-unseen intact-called-bad",
            _write(b"m/kyrie.wav", 1, 20_000), NIGHT, ("mmap_store", {"path": b"m/kyrie.wav", "number": 2}), NIGHT,
            ("mmap_store", {"path": b"m/kyrie.wav", "number": 3}), NIGHT, _VERIFY, drives=kind,
        )
        for kind in ("ext4", "xfs", "btrfs")
    ),
    _known(
        "mend_over_a_fresh_save", "mend-unasked mend-lost",
        _write(b"m/kyrie.wav", 1), NIGHT, _ROT, _VERIFY,
        ("mend", {"action": "restore", "between": ("save", {"path": b"m/kyrie.wav", "number": 5, "size": 700})}),
    ),
    _known(
        "attribute_set_ahead_of_mend", "complete-false mend-displaced-damage",
        _write(b"m/kyrie.wav", 1), NIGHT, _ROT, _VERIFY, ("attribute", {"path": b"m/kyrie.wav", "value": b"alto"}),
        ("mend", {"action": "restore"}), NIGHT, NIGHT,
    ),
    _known(
        "mend_displaces_damage", "mend-displaced-damage",
        _write(b"m/kyrie.wav", 1), NIGHT, _ROT, _VERIFY, ("mend", {"action": "restore"}),
    ),
    _known(
        "accepted_where_both_are_bad", "restore-wrong",
        _write(b"m/kyrie.wav", 1), NIGHT, _ROT, ("rot_copy", {"path": b"m/kyrie.wav", "at": 30}), _VERIFY,
        ("mend", {"action": "accept"}), NIGHT, ("restore", {"back": 1, "alone": False}),
    ),
    _known(
        "damage_renamed_and_its_name_taken", "rot-crossed",
        _write(b"m/kyrie.wav", 1), NIGHT, _ROT, _VERIFY,
        ("replace_renamed", {"path": b"m/kyrie.wav", "new": b"m/old.wav", "number": 4, "size": 40}), NIGHT, NIGHT,
    ),
    _known(
        "damage_swapped", "rot-crossed",
        _write(b"m/kyrie.wav", 1), _write(b"m/gloria.wav", 2), NIGHT, _ROT, _VERIFY,
        ("swap", {"one": b"m/kyrie.wav", "other": b"m/gloria.wav"}), NIGHT, NIGHT,
    ),
    _known(
        "damage_touched", "rot-crossed",
        _write(b"m/kyrie.wav", 1), NIGHT, _ROT, _VERIFY, ("touch", {"path": b"m/kyrie.wav"}), NIGHT, NIGHT,
    ),
    _known(
        "rot_renamed", "rot-crossed",
        _write(b"m/kyrie.wav", 1), _write(b"m/gloria.wav", 2), NIGHT, _ROT,
        ("rename", {"old": b"m/kyrie.wav", "new": b"n.wav"}), NIGHT, NIGHT,
    ),
    *(
        _known(
            f"killed_after_a_folder_moved_{at}", "restore-gave-up",
            _write(b"m/kyrie.wav", 1), _write(b"m/gloria.wav", 2), NIGHT, ("rename", {"old": b"m", "new": b"n"}),
            ("disturbed_night", {"how": "kill after", "at": at}), ("lose_state_only", {}),
            ("restore", {"back": 0, "alone": True}), ("restore", {"back": 0, "alone": False}),
            ("pair_again", {}), ("restore", {"back": 0, "alone": False}), ("converge", {}),
        )
        for at in (5, 6, 7)
    ),
    _known(
        "names_changed_on_exfat", "complete-false edit-called-rot intact-called-bad",
        _write(b"a.wav", 1), _write(b"b.wav", 2), _write(b"c.wav", 3),
        *(("utime", {"path": path, "time_ns": 1_600_000_000_000_000_000}) for path in (b"a.wav", b"b.wav", b"c.wav")),
        NIGHT, ("delete", {"path": b"a.wav"}), ("rename", {"old": b"b.wav", "new": b"d.wav"}), ("remount", {}), NIGHT,
        ("swap", {"one": b"c.wav", "other": b"d.wav"}), ("remount", {}), NIGHT, NIGHT, drives="exfat",
    ),
    _known(
        "renamed_with_the_number_of_another_on_exfat", "complete-false intact-called-bad",
        _write(b"a.wav", 1), _write(b"b.wav", 2), _write(b"c.wav", 3),
        *(("utime", {"path": path, "time_ns": 1_600_000_000_000_000_000}) for path in (b"a.wav", b"b.wav", b"c.wav")),
        # Numbers are given anew by a mount: in this order d.wav gets the one that a.wav had, which stands there still.
        NIGHT, ("delete", {"path": b"b.wav"}), ("rename", {"old": b"c.wav", "new": b"d.wav"}), ("remount", {}), NIGHT,
        drives="exfat",
    ),
    _known(
        "dated_back_on_exfat", "edit-called-rot intact-called-bad",
        _write(b"a.wav", 1), NIGHT, ("put_back", {"path": b"a.wav", "number": 2}), NIGHT, _VERIFY, drives="exfat",
    ),
    _known(
        "one_night_a_year_ahead", "never-expires",
        _write(b"m/kyrie.wav", 1), NIGHT, _write(b"m/kyrie.wav", 2), ("clock", {"days": 366}), NIGHT,
        ("clock", {"days": 0}),
        *[NIGHT] * 20,
    ),
    _known(
        "mend_from_a_twin", "mend-gave-up",
        _write(b"m/kyrie.wav", 1), ("same_content", {"path": b"m/kyrie.wav", "new": b"twin.wav"}), NIGHT, _ROT,
        ("rot_copy", {"path": b"m/kyrie.wav", "at": 9}), _VERIFY, ("mend", {"action": "restore"}),
    ),
    _known(
        "mend_from_another_retired_row", "mend-gave-up",
        _write(b"m/kyrie.wav", 1), ("same_content", {"path": b"m/kyrie.wav", "new": b"twin.wav"}), NIGHT,
        ("delete", {"path": b"twin.wav"}), NIGHT, _ROT, ("rot_copy", {"path": b"m/kyrie.wav", "at": 9}), _VERIFY,
        ("mend", {"action": "restore"}),
    ),
    _known(
        "restore_from_many_twins", "restore-gave-up",
        ("many_same", {"folder": b"m", "number": 1, "count": 130}), NIGHT,
        *(("rot_copy", {"path": b"m/part %03d.wav" % each, "at": each}) for each in range(115)),
        ("restore", {"back": 0, "alone": True}),
    ),
    _known(
        "linked_on_a_held_night", "links-false",
        ("folder_of", {"path": b"m", "number": 1, "count": 12}), _write(b"n/a.wav", 2), _write(b"n/c.wav", 3), NIGHT,
        ("delete_tree", {"path": b"m"}), ("link", {"path": b"n/a.wav", "new": b"n/b.wav"}), NIGHT, ("release", {}),
        NIGHT, NIGHT, NIGHT,
    ),
    _known("new_primary_of_another_pair", "stuck",
        _write(b"a.wav"), NIGHT, ("second_pair", {}), ("new_primary", {"second": True}), ("converge", {}),
    ),
    *(
        _known(
            f"mass_deletion_cut_short_{at}", "hold-hidden",
            ("folder_of", {"path": b"m", "number": 1, "count": 12}), _write(b"n/a.wav", 2), NIGHT,
            ("delete_tree", {"path": b"m"}), _write(b"n/b.wav", 3), ("disturbed_night", {"how": "stop", "at": at}),
        )
        for at in (2, 6)
    ),
    _known(
        "released_and_then_more", "release-beyond",
        ("folder_of", {"path": b"m", "number": 1, "count": 9}), *_DATED,
        ("folder_of", {"path": b"n", "number": 2, "count": 17}),
        NIGHT, ("delete_tree", {"path": b"m"}), NIGHT, ("release", {}),
        ("folder_of", {"path": b"m", "number": 1, "count": 9}), *_DATED, ("delete_tree", {"path": b"n"}), NIGHT,
    ),
    _known(
        "a_new_link_of_a_bad_file", "rot-crossed",
        _write(b"m/kyrie.wav"), NIGHT, _ROT, ("link", {"path": b"m/kyrie.wav", "new": b"m/link.wav"}), NIGHT,
        ("mend", {"action": "restore"}), NIGHT,
    ),
    _known(
        "a_new_link_of_a_bad_file_put_right_by_hand", "rot-crossed",
        _write(b"m/kyrie.wav"), NIGHT, _ROT, _VERIFY, ("link", {"path": b"m/kyrie.wav", "new": b"m/link.wav"}),
        ("save", {"path": b"m/kyrie.wav", "number": 1, "size": 500}), _VERIFY, NIGHT, NIGHT,
    ),
    _known(
        "links_of_a_file_mended_since", "restore-links",
        _write(b"m/kyrie.wav"), ("link", {"path": b"m/kyrie.wav", "new": b"m/link.wav"}), NIGHT, _ROT,
        ("delete", {"path": b"m/link.wav"}), NIGHT, _VERIFY, ("mend", {"action": "restore"}),
        ("restore", {"back": 1, "alone": False}),
    ),
    _known(
        "links_of_a_file_written_anew_since", "restore-links",
        _write(b"m/kyrie.wav"), ("utime", {"path": b"m/kyrie.wav", "time_ns": 10**18}),
        ("link", {"path": b"m/kyrie.wav", "new": b"m/link.wav"}), NIGHT, ("delete", {"path": b"m/link.wav"}), NIGHT,
        ("save", {"path": b"m/kyrie.wav", "number": 1, "size": 500}),
        ("utime", {"path": b"m/kyrie.wav", "time_ns": 10**18}), NIGHT, ("restore", {"back": 2, "alone": False}),
    ),
    _known(
        "restore_from_a_new_file_of_the_primary", "restore-gave-up",
        _write(b"m/kyrie.wav"), _write(b"m/credo.wav", 2), NIGHT, ("delete", {"path": b"m/kyrie.wav"}), *[NIGHT] * 10,
        _write(b"n/kyrie.wav"), ("restore", {"back": 10, "alone": False}),
    ),
    _known(
        "history_of_an_old_state", "whole-false",
        _write(b"m/kyrie.wav"), _write(b"m/credo.wav", 2), NIGHT, ("delete", {"path": b"m/kyrie.wav"}), *[NIGHT] * 10,
        ("old_state", {"back": 4}), ("history", {"back": 0, "alone": False}),
    ),
    _known(
        "bad_bytes_asked_for_on_a_new_primary", "rot-crossed restore-wrong",
        _write(b"m/kyrie.wav"), _write(b"m/credo.wav", 2), NIGHT, ("rot_copy", {"path": b"m/kyrie.wav", "at": 9}),
        ("new_primary", {}), NIGHT, ("restore_all", {}), ("converge", {}), ("restore_all", {}),
    ),
)  # fmt: skip

# Not put right yet. Whoever puts one right takes its name out.
FAILS_TODAY = frozenset({"mass_deletion_cut_short_6", "released_and_then_more"})
