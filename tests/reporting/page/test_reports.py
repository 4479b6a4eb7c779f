"""Where morning reports go, how many stay, and that a night without one is the night it was."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from box import CONCERT, Box
from effects_faults import KILLED, Call, CountingEffects, FailingCalls, in_child
from nightferry.night.context import Clock, Unwatched
from nightferry.night.run import Result, run_night
from nightferry.reporting.page import reports
from nightferry.reporting.page.reports import leave_night_report
from nightferry.settings import load
from nightferry.tree.effects import Effects


@pytest.fixture
def box(tmp_path: Path) -> Box:
    box = Box(tmp_path)
    box.ok("pair", "--yes", "recordings")
    box.fill()
    return box


def night(box: Box, effects: Effects | None = None) -> Result:
    settings = load(box.config)
    (pair,) = settings.chosen([])
    return run_night(
        pair, settings.state_dir, Unwatched(), effects=effects, clock=Clock(), report=leave_night_report
    )  # fmt: skip


def places(box: Box) -> tuple[Path, Path]:
    return box.secondary() / "records" / "reports", box.folder() / "reports"


def pages(folder: Path) -> list[str]:
    return sorted(each.name for each in folder.glob("*.html"))


def test_run_leaves_a_page_in_both_places(box: Box) -> None:
    box.ok("run")
    box.ok("run")
    for folder in places(box):
        names = pages(folder)
        assert len(names) == 3 and names[0] == "latest.html" and names[2].startswith("night-000002-")
        assert (folder / "latest.html").read_bytes() == (folder / names[2]).read_bytes()
        assert stat.S_IMODE((folder / "latest.html").stat().st_mode) == 0o644
    assert stat.S_IMODE(places(box)[1].stat().st_mode) == 0o755  # to be opened by anybody on the box, or over a share
    assert os.listdir(box.secondary() / "staging") == []
    assert "night 2" in (places(box)[1] / "latest.html").read_text()


def test_the_oldest_pages_go_and_nothing_else(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reports, "KEPT_ON_SECONDARY", 3)
    monkeypatch.setattr(reports, "KEPT_IN_STATE", 2)
    night(box)
    for folder in places(box):
        (folder / "night-notes.html").write_text("a person's own")
    for _ in range(4):
        night(box)
    for folder, kept in zip(places(box), (3, 2), strict=True):
        names = pages(folder)
        assert "night-notes.html" in names and "latest.html" in names
        assert [name[:12] for name in names if name[6].isdigit()] == [f"night-00000{n}" for n in range(6 - kept, 6)]


def of_report(call: Call, _: int) -> bool:
    return any(isinstance(each, bytes) and each.startswith(b".report-") for each in call.args)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EROFS])
def test_a_secondary_that_takes_no_page_is_said_in_the_notes(box: Box, number: int) -> None:
    effects = FailingCalls(of_report, number)
    result = night(box, effects)
    assert effects.failed
    assert result.outcome == "complete" and result.state == "sound"
    notes = " ".join(result.notes)
    assert "could not be written to the secondary" in notes and "beside the state" in notes
    assert notes.count(os.strerror(number)) == 2
    # the audit says so as well, and the next night is as any other
    assert "could not be written to the secondary" in " ".join(box.json("lastnight")["pairs"][0]["notes"])
    assert night(box).notes == []
    assert all(pages(folder) for folder in places(box))


def test_no_hard_links_means_a_second_file(box: Box) -> None:
    effects = FailingCalls(
        lambda call, _: call.name == "link" and of_report(Call("", call.args[1:], {}), 0), errno.EPERM
    )
    assert night(box, effects).notes == []
    assert len(effects.failed) == 2
    for folder in places(box):
        one, other = (folder / name for name in pages(folder))
        assert one.read_bytes() == other.read_bytes() and one.stat().st_ino != other.stat().st_ino


class DyingInReport(CountingEffects):
    """The process ends before the n-th change (from 1), counted from the first that the report makes."""

    def __init__(self, n: int) -> None:
        super().__init__()
        self._left = n
        self._has_begun = False

    def _perform(self, call: Callable[..., object], what: Call) -> object:
        self._has_begun = self._has_begun or of_report(what, 0)
        self._left -= self._has_begun
        if self._has_begun and self._left == 0:
            os._exit(KILLED)
        return super()._perform(call, what)


def test_rule_E_killed_anywhere_while_reporting_the_page_is_whole_and_the_next_night_quiet(box: Box) -> None:
    night(box)
    number = 1
    while not in_child(partial(night, box, DyingInReport(number))):
        for folder in places(box):
            assert (folder / "latest.html").read_text().rstrip().endswith("</html>")
        result = night(box)
        assert (result.outcome, result.state) == ("complete", "sound")
        assert os.listdir(box.secondary() / "staging") == []
        assert not list(box.folder().glob(".report-*"))
        number += 2  # each name and each sync is met before or after; one by one takes twice as long
    assert number > 12


def test_where_no_night_could_run_the_state_has_a_page_that_says_why(box: Box) -> None:
    box.ok("run")
    card = box.secondary() / ".nightferry-volume.toml"
    card.rename(box.root / "card")
    on_drive = (places(box)[0] / "latest.html").read_bytes()
    done = box.run("run")
    assert done.returncode == 3
    page = (places(box)[1] / "latest.html").read_text()
    assert "and not since: no night could begin" in page
    assert "the last that ran" in page and CONCERT in page
    assert (places(box)[0] / "latest.html").read_bytes() == on_drive  # nothing is written to a drive that was refused
    assert len(pages(places(box)[1])) == 2


def test_before_the_first_night_the_page_says_that_there_is_no_copy(box: Box) -> None:
    (box.secondary() / ".nightferry-volume.toml").rename(box.root / "card")
    assert box.run("run").returncode == 3
    assert "Not yet safe" in (places(box)[1] / "latest.html").read_text()


def test_rule_A_nothing_of_it_is_on_the_primary(box: Box) -> None:
    box.ok("run")
    assert not list(box.primary().rglob("*.html"))
