"""The published schema of a status, held against those of real nights by a validator that is not ours (jsonschema)."""

from __future__ import annotations

import contextlib
import copy
import json
import sqlite3
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from box import CONCERT, Box, wait_for
from nightferry.cli.json_keys import KEYS
from nightferry.manifest.covered import Coverage
from nightferry.reporting.standing import status
from nightferry.reporting.standing.status import (
    FullFact,
    HoldFact,
    Reason,
    RehearsalFact,
    RoomLeft,
    RunFact,
    RunProgress,
    Status,
    UnprotectedFact,
    moment,
)

SCHEMA = json.loads(files("nightferry.reporting").joinpath("schemas/status.schema.json").read_text(encoding="utf-8"))
STATUS = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)
REPORT = Draft202012Validator(
    {"$ref": f"{SCHEMA['$id']}#/$defs/report"},
    registry=Registry().with_resource(SCHEMA["$id"], Resource.from_contents(SCHEMA)),
)


@pytest.fixture
def box(tmp_path: Path) -> Box:
    made = Box(tmp_path)
    made.fill(files=20)
    made.ok("pair", "--yes", "recordings")
    return made


def looked_at(box: Box, code: int = 0) -> dict[str, Any]:
    """The status of the pair, once both documents were found right."""
    found = box.status()
    STATUS.validate(found)
    REPORT.validate(box.json("status", code=code))
    return found


def test_it_is_a_schema() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_each_property_says_what_it_is() -> None:
    def below(found: Any, at: str) -> Iterator[str]:
        for name, each in found.get("properties", {}).items():
            if "$ref" not in each:
                assert each.get("description"), f"{at}.{name}"
                yield f"{at}.{name}"
                yield from below(each, f"{at}.{name}")
        for name, each in found.get("$defs", {}).items():
            yield from below(each, f"{at}.{name}")

    assert len(list(below(SCHEMA, ""))) > 60


def test_it_has_the_keys_that_the_command_documents() -> None:
    pair = SCHEMA["$defs"]["report"]["properties"]["pairs"]["items"]["properties"]
    documented = {key.removeprefix("pairs[].").split(".")[0].split("[")[0] for key in KEYS["status"] if "[]" in key}
    assert set(pair) == documented


def test_statuses_of_real_nights(box: Box) -> None:
    REPORT.validate(box.json("status", code=4))  # none has run
    box.ok("run")
    assert looked_at(box)["unprotected"] | {"as_of": None} == {"files": 0, "bytes": 0, "as_of": None}
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    box.ok("run", code=1)
    held = looked_at(box, 1)
    assert held["hold"] | {"reasons": []} == {
        "night": 2, "removals": 20, "replacements": 0, "released": False, "reasons": [],
    }  # fmt: skip
    assert held["hold"]["reasons"]
    box.ok("release", "recordings")
    assert looked_at(box, 1)["hold"]["released"] is True
    box.ok("run")
    assert looked_at(box)["hold"] is None
    box.secondary().rename(box.root / "unplugged")
    box.ok("run", code=3)
    assert looked_at(box, 3)["secondary_room"] is None


def test_open_damage_and_its_end(box: Box) -> None:
    box.ok("run")
    next((box.primary() / CONCERT).iterdir()).unlink()
    box.ok("run")
    (retired,) = (path for path in (box.secondary() / "retired").rglob("*") if path.is_file())
    retired.write_bytes(b"somebody wrote here")
    box.ok("verify", "recordings", "--all", code=1)
    assert looked_at(box, 1)["open_damage"] == 1
    box.ok("mend", "recordings", "--accept", "--yes")
    assert looked_at(box, 1)["open_damage"] == 0
    box.ok("run")
    assert looked_at(box)["open_damage"] == 0


def test_no_room(box: Box) -> None:
    box.ok("run")
    box.configure(("recordings",), 'keep_free = "100TiB"')
    (box.primary() / CONCERT / "21 agnus dei.wav").write_bytes(b"x" * 5000)
    box.ok("run", code=1)
    found = looked_at(box, 1)
    assert found["unprotected"] == {"files": 1, "bytes": 5000, "as_of": found["last_run"]["started"]}
    assert found["reasons"][0]["code"] == "no_room"
    assert "1 file, 4.9 KiB" in box.ok("status", code=1)


def test_when_it_is_full(box: Box) -> None:
    """Six nights, a day and a gigabyte apart: 94 GB are left of 100 after the last, so in 94 days."""
    for _ in range(6):
        box.ok("run")
    with contextlib.closing(sqlite3.connect(box.folder() / "manifest.sqlite3")) as manifest, manifest:
        manifest.execute(
            "UPDATE run SET started_s = started_s - (7 - number) * 86400.0, ended_s = ended_s - (7 - number) * 86400.0,"
            " summary = json_set(summary, '$.room.secondary.total_bytes', 100000000000,"
            " '$.room.secondary.free_bytes', 100000000000 - number * 1000000000)"
        )
        (started_s,) = manifest.execute("SELECT max(started_s) FROM run").fetchone()
    # The next night looks at the real disk, so the one that refuses is what reads what those say.
    box.secondary().rename(box.root / "unplugged")
    box.ok("run", code=3)
    full = looked_at(box, 3)["full"]
    assert (full["nights"], round(full["bytes_per_day"], -7)) == (6, 1_000_000_000)
    for key in ("soonest", "likely", "latest"):
        assert abs(status.unix(full[key]) - started_s - 94 * 86_400 - 86_400) < 3 * 86_400, key
    assert "full at this pace" in box.ok("status", code=3)


def test_a_run_under_way(box: Box) -> None:
    box.ok("run")
    found = status.read(box.folder())
    run = RunProgress(2, "copy", 3, 4000, 10, None, moment(1e9))
    status.write(box.folder(), status.while_running(found, "recordings", run, 1e9, 2e9))
    STATUS.validate(box.status())
    first = status.while_running(None, "recordings", run, 1e9, 2e9)
    STATUS.validate(json.loads(json.dumps(first.as_json())))


def test_a_real_run_under_way(box: Box) -> None:
    for number in range(300):
        (box.primary() / CONCERT / f"{number:03} gloria.wav").write_bytes(b"x" * 20_000)
    running = box.start("run", "recordings")
    seen: list[dict[str, Any]] = []

    def is_seen() -> bool:
        with contextlib.suppress(FileNotFoundError):
            seen.append(box.status())
        return running.poll() is not None

    wait_for(is_seen)
    running.communicate()
    under_way = [each for each in seen if each["run"] is not None]
    assert under_way
    for each in under_way:
        STATUS.validate(each)


WHEN = moment(1e9)
RIGHT = Status(
    "recordings", "attention", "held", (Reason("held", "Too much would go."),), WHEN, WHEN,
    RunProgress(13, "copy", 3, 4000, 10, None, WHEN), RunFact(12, WHEN, None, None),
    RunFact(11, WHEN, WHEN, "complete"),
    WHEN, RoomLeft(1, 2, None), ("A note.",), {"primary": Coverage(1, 2, 30, 40, 1, 0, 0, 1.0)}, 2_592_000.0,
    RehearsalFact("000012-2026-05-03T003007Z", WHEN, "passed", 3, 4, 0, 0.95, 0.01, 0.01, 5, 1.0, 2.0),
    UnprotectedFact(1, 2, WHEN), 0, HoldFact(12, 20, 0, False, ("20 of 20 files would be removed",)),
    FullFact(WHEN, WHEN, None, 1000, 6),
)  # fmt: skip


@pytest.mark.parametrize("taken", sorted(SCHEMA["required"]))
def test_it_refuses_what_is_none(taken: str) -> None:
    """Of a status that is right, each key taken away or turned into something else."""
    right = json.loads(json.dumps(RIGHT.as_json()))
    STATUS.validate(right)
    without = {key: value for key, value in right.items() if key != taken}
    assert not STATUS.is_valid(without)
    assert not STATUS.is_valid({**copy.deepcopy(right), taken: 1.5 if taken != "verify_cycle_s" else "30d"})


@pytest.mark.parametrize("is_public", [True, False])
def test_who_may_read_it(box: Box, is_public: bool) -> None:
    box.ok("run")
    text = box.config.read_text()
    for public in (is_public, not is_public):
        box.config.write_text(f"status_public = {str(public).lower()}\n{text}")
        box.ok("run")
        path = box.folder() / "status.json"
        assert path.stat().st_mode & 0o777 == (0o644 if public else 0o600)
        if public:
            assert box.folder().stat().st_mode & 0o777 == 0o711
            others = [each for each in box.folder().iterdir() if each.name not in (path.name, "reports")]
            assert others and all(not each.stat().st_mode & 0o077 for each in others)
