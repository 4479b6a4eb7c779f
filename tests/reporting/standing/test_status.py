"""status.json: written in one step, read with care, judged by its age."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from nightferry.manifest.fixity import Coverage
from nightferry.reporting.standing import status
from nightferry.reporting.standing.status import Reason, RoomLeft, RunFact, RunProgress, Status

WRITTEN_S = 1_777_766_400.0  # 2026-05-03T00:00:00Z, as `date -u -d @1777766400` says


def example(**fields: object) -> Status:
    values: dict[str, object] = {
        "pair": "recordings",
        "state": "attention",
        "outcome": "held",
        "reasons": (Reason("held", "Too much would go."),),
        "written": status.moment(WRITTEN_S),
        "valid_until": status.moment(WRITTEN_S + 3600),
        "run": RunProgress(13, "copy", 3, 4000, 10, None, status.moment(WRITTEN_S)),
        "last_run": RunFact(12, status.moment(1.0), None, None),
        "last_complete": RunFact(11, status.moment(1.0), status.moment(2.0), "complete"),
        "protected_as_of": status.moment(1.0),
        "secondary_room": RoomLeft(1, 2, None),
        "notes": ("A note.",),
        "coverage": {
            "primary": Coverage(1, 2, 30, 40, 1, 0, 0, 1.0, ((1, 30), (0, 0), (0, 0), (0, 0), (0, 0))),
            "secondary": Coverage(),
            "retired": Coverage(),
        },
        "verify_cycle_s": 2_592_000.0,
    }
    return Status(**{**values, **fields})  # type: ignore[arg-type]


def test_moments_are_utc() -> None:
    assert status.moment(WRITTEN_S) == "2026-05-03T00:00:00Z"
    assert status.unix("2026-05-03T00:00:00Z") == WRITTEN_S
    with pytest.raises(ValueError, match="zone"):
        status.unix("2026-05-03T00:00:00")


def test_what_was_written_is_read(tmp_path: Path) -> None:
    for each in (example(), example(run=None, last_run=None, secondary_room=None, protected_as_of=None, notes=())):
        status.write(tmp_path, each)
        assert status.read(tmp_path) == each
    assert os.listdir(tmp_path) == ["status.json"]


def test_it_is_json_with_its_keys(tmp_path: Path) -> None:
    status.write(tmp_path, example())
    found = json.loads((tmp_path / "status.json").read_bytes())
    assert found["reasons"] == [{"code": "held", "sentence": "Too much would go."}]
    assert found["run"]["phase"] == "copy" and found["format"] == 1


def test_one_without_a_coverage_can_be_read(tmp_path: Path) -> None:
    status.write(tmp_path, example())
    found = json.loads((tmp_path / "status.json").read_bytes())
    assert found["coverage"]["primary"]["oldest"] == "1970-01-01T00:00:01Z"
    del found["coverage"], found["verify_cycle_s"]
    (tmp_path / "status.json").write_text(json.dumps(found))
    assert status.read(tmp_path) == example(coverage={}, verify_cycle_s=None)


@pytest.mark.parametrize("wrong", [[], {"primary": {}}, {"primary": []}, "all"])
def test_a_wrong_coverage_is_no_status(tmp_path: Path, wrong: object) -> None:
    status.write(tmp_path, example())
    found = json.loads((tmp_path / "status.json").read_bytes())
    (tmp_path / "status.json").write_text(json.dumps({**found, "coverage": wrong}))
    assert status.judged("recordings", tmp_path, WRITTEN_S)[1:2] == ("failed",)


def test_none_is_there(tmp_path: Path) -> None:
    assert status.read(tmp_path) is None


def test_it_is_never_followed_out_of_its_folder(tmp_path: Path) -> None:
    (tmp_path / "elsewhere.json").write_text("{}")
    (tmp_path / "status.json").symlink_to("elsewhere.json")
    with pytest.raises(OSError, match="symbolic"):
        status.read(tmp_path)
    (tmp_path / "status.json.new").symlink_to("elsewhere.json")
    with pytest.raises(OSError, match="symbolic"):
        status.write(tmp_path, example())
    assert (tmp_path / "elsewhere.json").read_text() == "{}"


def test_a_pipe_in_its_place_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "status.json")
    _, state, reasons = status.judged("recordings", tmp_path, WRITTEN_S)
    assert (state, reasons[0].code) == ("failed", "bad_status")


def test_a_reader_finds_a_whole_one_at_any_instant(tmp_path: Path) -> None:
    """Cut off between writing and renaming, the old one stands."""
    status.write(tmp_path, example())
    before = (tmp_path / "status.json").read_bytes()
    (tmp_path / "status.json.new").write_bytes(b'{"half')
    assert (tmp_path / "status.json").read_bytes() == before
    status.write(tmp_path, example(state="sound"))
    found = status.read(tmp_path)
    assert found is not None and found.state == "sound"


@pytest.mark.parametrize(
    ("later_s", "state", "code"),
    [(0, "attention", "held"), (3600, "attention", "held"), (3601, "failed", "stale_status"), (-61, "failed", "clock")],
)
def test_its_age_counts(tmp_path: Path, later_s: float, state: str, code: str) -> None:
    status.write(tmp_path, example())
    _, judged, reasons = status.judged("recordings", tmp_path, WRITTEN_S + later_s)
    assert (judged, reasons[0].code) == (state, code)


def test_rule_M_during_a_run_nothing_better_is_claimed() -> None:
    run = RunProgress(14, "settle", 0, 0, None, None, status.moment(WRITTEN_S))
    during = status.while_running(example(run=None), "recordings", run, WRITTEN_S + 100, WRITTEN_S + 9999)
    assert (during.state, during.run, during.written) == ("attention", run, status.moment(WRITTEN_S + 100))
    assert during.valid_until == example().valid_until, "a run that never ends must not put off the alarm"
    first = status.while_running(None, "recordings", run, WRITTEN_S, WRITTEN_S + 9999)
    assert (first.state, first.reasons[0].code) == ("attention", "first_run")
