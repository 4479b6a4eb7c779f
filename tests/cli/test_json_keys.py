"""What ``--json`` prints has the keys that are documented, and no others."""

from __future__ import annotations

import os
import shutil
from typing import Any

from box import CONCERT, Box
from nightferry.cli.json_keys import KEYS, markdown
from nightferry.planning.day import Day
from nightferry.reporting.standing.day_report import write as write_day
from nightferry.reporting.standing.status import unix

# Keys that are words of the report: a kind of change or of what was not copied, a phase.
WORDS = {"counts": "KIND", "not_copied": "KIND", "kinds": "KIND", "phase_s": "PHASE", "coverage": "PLACE"}


def keys_of(value: Any, at: str = "") -> set[str]:
    """Each leaf's path, as json_keys writes it."""
    if isinstance(value, dict):
        found: set[str] = set()
        for key, below in value.items():
            name = WORDS.get(at.rsplit(".", 1)[-1], key)
            found |= keys_of(below, f"{at}.{name}" if at else name)
        return found
    if isinstance(value, list):
        return set().union(*(keys_of(each, f"{at}[]") for each in value)) if value else set()
    return {at}


def check(command: str, *documents: dict[str, Any], never: tuple[str, ...] = ()) -> None:
    """``never``: documented keys that these documents have no occasion for."""
    documented = set(KEYS[command])
    found = set().union(*map(keys_of, documents))
    for key in list(found):
        # Null where it does not apply: then its own keys are documented, and not it.
        if any(each.startswith((key + ".", key + "[]")) for each in documented):
            found.remove(key)
    found = {key for key in found if not key.endswith("path_bytes")}
    assert found - documented == set(), "printed and not documented"
    missing = {key for key in documented - found if not key.startswith(never)} if never else documented - found
    assert missing == set(), "documented and never printed"


def watched(box: Box, night_s: float) -> None:
    """As if the daemon had watched the day before the night."""
    day = Day(night_s - 60_000)
    for at_s, path in enumerate((b"came.wav", b"went.wav"), 1):
        day.file_created(path, day.since_s + at_s)
        day.file_written(path, day.since_s + at_s)
    day.file_deleted(b"went.wav", day.since_s + 9)
    day.may_be_incomplete("The drive was unmounted.")
    write_day(box.folder(), day, night_s)


def test_all_commands(box: Box) -> None:
    (box.primary() / CONCERT).mkdir()
    made = box.json("pair", "--yes", "recordings")
    box.fill(files=20)
    (box.primary() / CONCERT / "h\udcffndel.wav").write_bytes(b"x" * 9000)
    os.mkfifo(box.primary() / "a pipe")
    first_tonight = box.json("tonight", "--all")
    first = box.json("run")
    (box.primary() / CONCERT / "01 kyrie.wav").rename(box.primary() / CONCERT / "01 gloria.wav")
    (box.primary() / CONCERT / "02 kyrie.wav").unlink()
    moved_tonight = box.json("tonight", "--all")
    moved = box.json("run")
    watched(box, unix(moved["pairs"][0]["started"]))
    audit = box.json("lastnight", "--all")
    sound = box.json("status")
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    held_tonight = box.json("tonight", code=1)
    held = box.json("run", code=1)
    held_audit = box.json("lastnight", "--all")
    asked = box.json("lastnight", "--all", "--night", "1..2")
    attention = box.json("status", code=1)
    may = box.json("tonight", code=1)
    shutil.rmtree(box.folder())
    check("pair", made, box.json("pair", "--yes", "recordings"))
    check("release", box.json("release", "recordings"))
    damage = (
        "pairs[].damage[]", "pairs[].damage_ended[]", "pairs[].damage_since[]", "pairs[].drive_damage[]",
        "pairs[].notes[]", "pairs[].old_dates[]",
    )  # fmt: skip
    check("run", first, moved, held, never=damage)
    check("lastnight", audit, held_audit, asked, never=damage)
    check("tonight", first_tonight, moved_tonight, held_tonight, may, never=("pairs[].may_hold_reasons[]",))
    check("status", sound, attention, never=("pairs[].run.", "pairs[].notes[]", "pairs[].full."))


def test_preflight_and_plan(box: Box) -> None:
    box.ok("pair", "--yes", "recordings")
    check("preflight", box.json("preflight", code=1))
    box.fill(files=2, size_bytes=20 << 20)
    box.ok("run")
    figures = ("--read", "112MB/s", "--write", "109MB/s", "--size", "1TB")
    # Folders of this machine tell no rate of a drive; what was measured has the keys all the same.
    check(
        "plan", box.json("plan", *figures), box.json("plan", "recordings", "--measure"),
        never=("pairs[].nights.", "pairs[].best_change.", "pairs[].power.", "pairs[].measured.both"),
    )  # fmt: skip


def test_a_name_that_is_not_utf8_comes_with_its_bytes(box: Box) -> None:
    import base64

    box.ok("pair", "--yes", "recordings")
    with open(os.fsencode(box.primary()) + b"/h\xffndel.wav", "wb"):
        pass
    change = box.json("tonight", "--all")["pairs"][0]["changes"][0]
    assert change["path"] == "h\ufffdndel.wav"
    assert base64.b64decode(change["path_bytes"]) == b"h\xffndel.wav"


def test_the_tables_have_every_key() -> None:
    text = markdown()
    for command, keys in KEYS.items():
        assert f"### `nightferry {command} --json`" in text
        for key in keys:
            assert f"| `{key}` | " in text
