"""The figures: read by the parser of Prometheus, named by its rules, written only where they changed."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pytest
from prometheus_client import Metric
from prometheus_client.parser import text_string_to_metric_families

from box import CONCERT, Box
from nightferry.reporting.standing.status import unix
from nightferry.reporting.telling.metrics import leave_metrics, metrics
from nightferry.settings import load

# What https://prometheus.io/docs/practices/naming/ asks for, and what `promtool check metrics` looks for (its linter,
# github.com/prometheus/client_golang, prometheus/testutil/promlint/validations; from memory): base units, no colon, no
# camelCase, no type or unit other than base in a name, `_total` for counters and for nothing else, none of the suffixes
# of a histogram, labels that are not in the name, and help for each.
NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*\Z")
BASE_UNITS = ("seconds", "bytes", "ratio", "joules", "celsius", "volts", "amperes", "grams", "meters")
NOT_BASE = (
    "milliseconds", "microseconds", "nanoseconds", "minutes", "hours", "days", "weeks", "kilobytes", "megabytes",
    "gigabytes", "kibibytes", "mebibytes", "gibibytes", "bits", "percent", "ms", "us", "ns", "kb", "mb", "gb",
)  # fmt: skip
TYPES = ("gauge", "counter", "histogram", "summary", "untyped")
SUFFIXES_OF_OTHERS = ("_count", "_sum", "_bucket")


def families(text: bytes) -> dict[str, Metric]:
    found = list(text_string_to_metric_families(text.decode()))
    assert len(found) == len({each.name for each in found})
    return {each.name: each for each in found}


def sample(found: dict[str, Metric], name: str, **labels: str) -> float | None:
    """None where there is no such sample."""
    family = found[f"nightferry_{name}"]
    values = [each.value for each in family.samples if labels.items() <= each.labels.items()]
    assert len(values) <= 1
    return values[0] if values else None


@pytest.fixture
def box(tmp_path: Path) -> Box:
    made = Box(tmp_path)
    made.config.write_text(f'metrics_file = "{tmp_path}/figures/nightferry.prom"\n' + made.config.read_text())
    (tmp_path / "figures").mkdir()
    made.fill(files=8)
    made.ok("pair", "--yes", "recordings")
    made.ok("run")
    return made


def written(box: Box) -> bytes:
    return (box.root / "figures/nightferry.prom").read_bytes()


def lint(found: dict[str, Metric]) -> list[str]:
    """What the rules have against a set of metrics."""
    problems = []
    for name, family in found.items():
        parts = name.split("_")
        if not NAME.match(name):
            problems.append(f"{name}: letters of one case, digits, and underscores between words")
        if parts[0] != "nightferry":
            problems.append(f"{name}: no prefix of the application")
        if not family.documentation:
            problems.append(f"{name}: no help")
        if any(part in NOT_BASE for part in parts):
            problems.append(f"{name}: a unit that is none of the base units")
        if any(part in TYPES for part in parts[1:]):
            problems.append(f"{name}: a type in its name")
        units = [part for part in parts if part in BASE_UNITS]
        if units and parts[-1] not in BASE_UNITS and family.type != "counter":
            problems.append(f"{name}: its unit is not at the end")
        if len(units) > 1:
            problems.append(f"{name}: two units")
        for each in family.samples:
            if (family.type == "counter") != each.name.endswith("_total"):
                problems.append(f"{each.name}: _total is for counters, and for all of them")
            if family.type == "gauge" and each.name.endswith(SUFFIXES_OF_OTHERS):
                problems.append(f"{each.name}: a suffix of histograms and summaries")
            problems += [f"{name}: its name holds its label {label}" for label in each.labels if label in parts[1:-1]]
            problems += [f"{name}: label {label}" for label in each.labels if not NAME.match(label)]
    return problems


def test_names_follow_the_published_rules(box: Box) -> None:
    found = families(written(box))
    assert len(found) > 20
    assert lint(found) == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("# HELP nightferry_age_days a\n# TYPE nightferry_age_days gauge\nnightferry_age_days 1\n", "base units"),
        ("# HELP nightferry_fullBytes a\n# TYPE nightferry_fullBytes gauge\nnightferry_fullBytes 1\n", "one case"),
        ("# HELP nightferry_x_total a\n# TYPE nightferry_x_total gauge\nnightferry_x_total 1\n", "_total"),
        ("# HELP nightferry_bytes_free a\n# TYPE nightferry_bytes_free gauge\nnightferry_bytes_free 1\n", "at the end"),
        ("# TYPE nightferry_free_bytes gauge\nnightferry_free_bytes 1\n", "no help"),
        ("# HELP free_bytes a\n# TYPE free_bytes gauge\nfree_bytes 1\n", "no prefix"),
        ("# HELP nightferry_files_count a\n# TYPE nightferry_files_count gauge\nnightferry_files_count 1\n", "suffix"),
    ],
)
def test_the_rules_are_held_against_what_breaks_them(line: str, said: str) -> None:
    assert any(said in problem for problem in lint(families(line.encode()))), lint(families(line.encode()))


def test_what_they_say_is_what_the_status_says(box: Box) -> None:
    found, status = families(written(box)), box.status()
    pair = {"pair": "recordings"}
    assert sample(found, "state", state="sound", **pair) == 1
    assert sample(found, "state", state="attention", **pair) == sample(found, "state", state="failed", **pair) == 0
    assert sample(found, "last_run_end_timestamp_seconds", **pair) == unix(status["last_run"]["ended"])
    assert sample(found, "protected_timestamp_seconds", **pair) == unix(status["protected_as_of"])
    assert sample(found, "status_valid_until_timestamp_seconds", **pair) == unix(status["valid_until"])
    assert sample(found, "secondary_size_bytes", **pair) == status["secondary_room"]["total_bytes"]
    assert sample(found, "unprotected_files", **pair) == sample(found, "open_damage_files", **pair) == 0
    assert sample(found, "hold", **pair) == sample(found, "run_in_progress", **pair) == 0
    assert sample(found, "fixity_verified_bytes", place="secondary", **pair) == 8 * 3000
    assert [each.value for each in found["nightferry_runs"].samples if each.name.endswith("_total")] == [1.0]
    assert sample(found, "rehearsal_passed", **pair) is None, "what is not known has no sample"
    assert not found["nightferry_reason"].samples


def test_trouble_is_in_them(box: Box) -> None:
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    box.ok("run", code=1)
    found = families(written(box))
    assert sample(found, "state", pair="recordings", state="attention") == 1
    assert sample(found, "hold", pair="recordings") == 1
    assert sample(found, "reason", pair="recordings", code="held") == 1
    assert [each.value for each in found["nightferry_runs"].samples if each.name.endswith("_total")] == [2.0]


def test_rule_M_a_status_that_is_old_counts_as_failed(box: Box) -> None:
    settings = load(box.config)
    found = families(metrics(settings, unix(box.status()["valid_until"]) + 1))
    assert sample(found, "state", pair="recordings", state="failed") == 1
    assert sample(found, "reason", pair="recordings", code="stale_status") == 1


def test_it_is_written_where_it_changed_whole_and_for_everybody(box: Box) -> None:
    path, settings = box.root / "figures/nightferry.prom", load(box.config)
    now_s = unix(box.status()["written"])
    assert leave_metrics(settings, now_s) is None
    before = path.stat()
    assert before.st_mode & 0o777 == 0o644
    assert leave_metrics(settings, now_s) is None
    assert path.stat().st_ino == before.st_ino, "a flash card takes it only where it says something else"
    path.write_bytes(b"half of it")
    assert leave_metrics(settings, now_s) is None
    assert path.stat().st_ino != before.st_ino
    assert [each.name for each in path.parent.iterdir()] == ["nightferry.prom"]
    assert b"_created" not in path.read_bytes(), "the moment of writing, which is new each time"


def test_it_is_never_followed_out_of_its_folder(box: Box) -> None:
    """Whoever may write to that folder has no other file of ours written by it."""
    other = box.root / "of somebody else"
    other.write_text("theirs")
    (box.root / "figures/.nightferry.prom.new").symlink_to(other)
    problem = leave_metrics(load(box.config), unix(box.status()["written"]) + 10)
    assert other.read_text() == "theirs"
    assert problem is None or "cannot be written" in problem


@pytest.mark.parametrize("gone", ["folder", "library"])
def test_what_cannot_be_written_is_said_and_changes_nothing_of_a_night(
    box: Box, gone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if gone == "folder":
        (box.root / "figures").rename(box.root / "away")
        said = "see that its folder is there"
    else:
        monkeypatch.setitem(sys.modules, "prometheus_client", None)
        said = "pip install 'nightferry[metrics]'"
    problem = leave_metrics(load(box.config), unix(box.status()["written"]))
    assert problem is not None and said in problem
    if gone == "folder":
        done = box.run("run")
        assert done.returncode == 0 and said in done.stderr


def test_a_pair_that_never_had_a_night(tmp_path: Path) -> None:
    box = Box(tmp_path)
    os.makedirs(box.state, exist_ok=True)
    found = families(metrics(load(box.config), 1_795_000_000.0))
    assert sample(found, "state", pair="recordings", state="failed") == 1
    assert sample(found, "reason", pair="recordings", code="no_status") == 1
    assert sample(found, "last_run_end_timestamp_seconds", pair="recordings") is None
    assert sample(found, "next_run_timestamp_seconds", pair="recordings") is not None
    assert lint(found) == []
