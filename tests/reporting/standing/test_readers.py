"""Who may open the reports: another user of this machine tries, on real drives."""

from __future__ import annotations

import os
import stat
import subprocess
from pathlib import Path

import pytest
from harness import Pair

from drives import MIB, DriveFactory, requires_root_and_loops
from nightferry.manifest.manifest import FILE_NAME
from nightferry.night.context import Unwatched
from nightferry.night.run import Result, run_night
from nightferry.reporting.page.reports import leave_night_report
from nightferry.reporting.standing import status
from nightferry.reporting.standing.readers import settle_readers
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root

NOBODY = 65534
PAGE = "records/reports/latest.html"


def reads(root: Path, path: str) -> bool:
    """Whether nobody may read a file; begun in the folder, since the way to it is only root's in a test."""
    done = subprocess.run(
        ["cat", "--", path], cwd=root, user=NOBODY, group=NOBODY, extra_groups=[], capture_output=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0 or b"Permission denied" in done.stderr, done.stderr
    return done.returncode == 0


def lists(root: Path, path: str) -> bool:
    done = subprocess.run(
        ["ls", "-A", "--", path], cwd=root, user=NOBODY, group=NOBODY, extra_groups=[], capture_output=True,
        timeout=60, check=False,
    )  # fmt: skip
    return done.returncode == 0


def night(pair: Pair) -> Result:
    return run_night(pair.settings, pair.state_dir, Unwatched(), clock=pair.clock, report=leave_night_report)


@pytest.fixture
def pair(drives: DriveFactory, tmp_path: Path) -> Pair:
    made = Pair(drives("ext4", 64 * MIB), drives("ext4", 64 * MIB), tmp_path / "state")
    made.write("private/letter.txt", b"to nobody else")
    return made


@requires_root_and_loops
def test_another_user_opens_the_page_and_nothing_else(pair: Pair) -> None:
    assert night(pair).notes == []
    assert reads(pair.secondary, PAGE)
    assert lists(pair.secondary, "records/reports") and not lists(pair.secondary, "records")
    for name in (FILE_NAME, "checksums.xxh128"):
        assert (pair.secondary / "records" / name).exists()
        assert not reads(pair.secondary, f"records/{name}")
    state = pair.state_dir / "recordings"
    assert reads(state, "reports/latest.html") and not reads(state, FILE_NAME) and not lists(state, ".")


@requires_root_and_loops
def test_a_drive_of_before_is_opened_and_its_records_closed(pair: Pair) -> None:
    night(pair)
    records = pair.secondary / "records"
    state = pair.state_dir / "recordings"
    for folder in (records, records / "reports", state, state / "reports"):
        folder.chmod(0o700)
    for each in records.iterdir():
        if each.is_file():
            each.chmod(0o644)
    (state / FILE_NAME).chmod(0o644)
    assert not reads(pair.secondary, PAGE)
    night(pair)
    assert reads(pair.secondary, PAGE) and reads(state, "reports/latest.html")
    names = {each.name: stat.S_IMODE(each.stat().st_mode) for each in records.iterdir() if each.is_file()}
    assert "manifest.previous.sqlite3" in names and set(names.values()) == {0o600}
    assert not reads(state, FILE_NAME)


@requires_root_and_loops
def test_kept_private_where_that_is_asked_for(pair: Pair) -> None:
    night(pair)
    pair.set(reports_public=False)
    night(pair)
    assert not reads(pair.secondary, PAGE) and not lists(pair.secondary, "records/reports")
    state = pair.state_dir / "recordings"
    assert not reads(state, "reports/latest.html")
    # A status that everybody may read stays so, and does not open the reports.
    (state / status.FILE_NAME).write_text("{}")
    (state / status.FILE_NAME).chmod(0o644)
    night(pair)
    assert reads(state, status.FILE_NAME) and not reads(state, "reports/latest.html")
    pair.set(reports_public=True)
    night(pair)
    assert reads(pair.secondary, PAGE) and reads(state, "reports/latest.html")


@requires_root_and_loops
def test_on_exfat_the_mount_options_count_and_nothing_is_noted(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 64 * MIB), drives("exfat", 64 * MIB), tmp_path / "state")
    pair.write("letter.txt", b"to nobody else")
    assert [each for each in night(pair).notes if "report" in each] == []
    page = pair.secondary / PAGE
    assert page.read_bytes().startswith(b"<!DOCTYPE html>")
    state = pair.state_dir / "recordings"
    assert reads(state, "reports/latest.html") and not reads(state, FILE_NAME)


def test_a_public_status_leaves_the_reports_as_they_are(tmp_path: Path) -> None:
    (tmp_path / "reports").mkdir(mode=0o755)
    (tmp_path / FILE_NAME).write_bytes(b"")
    status.publish(tmp_path)
    assert stat.S_IMODE((tmp_path / "reports").stat().st_mode) == 0o755
    assert stat.S_IMODE((tmp_path / FILE_NAME).stat().st_mode) == 0o600


def test_what_stands_beside_is_closed_first_and_links_are_left_alone(tmp_path: Path) -> None:
    """Where the closing fails, the way to the reports stays closed."""
    outside = tmp_path / "outside"
    outside.write_bytes(b"")
    outside.chmod(0o644)
    records = tmp_path / "drive" / "records"
    (records / "reports").mkdir(parents=True)
    records.chmod(0o700)
    (records / "manifest.sqlite3").write_bytes(b"")
    (records / "manifest.sqlite3").chmod(0o644)
    (records / "link").symlink_to(outside)

    class Refusing(Effects):
        def chmod(self, *args: object, **kwargs: object) -> None:
            raise PermissionError(1, "Operation not permitted")

    root = Root(os.open(tmp_path / "drive", os.O_RDONLY), Refusing())
    with pytest.raises(PermissionError):
        settle_readers(root, b"records", public=True)
    assert stat.S_IMODE(records.stat().st_mode) == 0o700
    root.close()
    root = Root(os.open(tmp_path / "drive", os.O_RDONLY), Effects())
    settle_readers(root, b"records", public=True)
    root.close()
    assert stat.S_IMODE(records.stat().st_mode) == 0o711
    assert stat.S_IMODE((records / "manifest.sqlite3").stat().st_mode) == 0o600
    assert stat.S_IMODE(outside.stat().st_mode) == 0o644
