"""Two pairs that share a primary: two secondaries, in turn."""

from __future__ import annotations

from pathlib import Path

import pytest
from harness import CARD, Pair, contents, footprint, night_that_keeps_everything

from drives import MIB, DriveFactory, requires_root_and_loops
from nightferry.errors import WrongDrive
from nightferry.night.pairing import Proposal

pytestmark = requires_root_and_loops


def _pairs(drives: DriveFactory, tmp_path: Path) -> tuple[Pair, Pair]:
    primary = drives("ext4", 32 * MIB)
    even = Pair(primary, drives("ext4", 32 * MIB), tmp_path / "state", name="recordings-even")
    odd = Pair(primary, drives("ext4", 32 * MIB), tmp_path / "state", name="recordings-odd")
    return even, odd


def test_each_secondary_has_the_state_of_its_own_last_night(drives: DriveFactory, tmp_path: Path) -> None:
    even, odd = _pairs(drives, tmp_path)
    even.write("2026-05 spring concert/01 kyrie.wav", b"first take")
    even.write("members.txt", b"soprano")
    even.run_well()
    odd.run_well()
    even.write("2026-05 spring concert/01 kyrie.wav", b"second take")
    even.at("2026-05 spring concert").rename(even.at("concert"))
    night_that_keeps_everything(even)
    assert even.differences() == []
    assert (odd.copy / "2026-05 spring concert/01 kyrie.wav").read_bytes() == b"first take"
    even.at("concert/01 kyrie.wav").unlink()
    result = night_that_keeps_everything(odd)
    assert odd.differences() == []
    assert {path: held.content for path, held in odd.held(result.number).items()} == {
        b"2026-05 spring concert/01 kyrie.wav": b"first take"
    }
    result = night_that_keeps_everything(even)
    assert [held.content for held in even.held(result.number).values()] == [b"second take"]
    even.run_quiet()
    odd.run_quiet()


def test_the_primary_has_one_card_for_both_and_it_is_copied_nowhere(drives: DriveFactory, tmp_path: Path) -> None:
    even, odd = _pairs(drives, tmp_path)
    card = (even.primary / CARD).read_text()
    assert card.count("[[pair]]") == 2
    assert 'name = "recordings-even"' in card
    assert 'name = "recordings-odd"' in card
    for pair in (even, odd):
        pair.run_well()
        assert contents(pair.copy) == {}


def test_a_secondary_in_the_other_ones_place_is_refused(drives: DriveFactory, tmp_path: Path) -> None:
    even, odd = _pairs(drives, tmp_path)
    even.write("01 kyrie.wav", b"kyrie")
    even.run_well()
    odd.run_well()
    even.set(secondary=odd.secondary)
    before = footprint(even.primary, odd.secondary)
    with pytest.raises(WrongDrive, match="recordings-odd"):
        even.run()
    assert footprint(even.primary, odd.secondary) == before


def test_one_secondary_away_does_not_concern_the_other(drives: DriveFactory, tmp_path: Path) -> None:
    primary, one, other = (drives("ext4", 32 * MIB) for _ in range(3))
    even = Pair(primary, one, tmp_path / "state", name="recordings-even")
    odd = Pair(primary, other, tmp_path / "state", name="recordings-odd")
    even.write("01 kyrie.wav", b"kyrie")
    even.run_well()
    odd.run_well()
    one.unmount()
    with pytest.raises(WrongDrive, match=str(one.root)):
        even.run()
    even.write("02 gloria.wav", b"gloria")
    odd.run_well()
    assert odd.differences() == []
    one.mount()
    even.run_well()
    assert even.differences() == []


def test_taking_both_over_on_a_new_box(drives: DriveFactory, tmp_path: Path) -> None:
    even, odd = _pairs(drives, tmp_path)
    even.write("01 kyrie.wav", b"kyrie")
    even.run_well()
    odd.run_well()
    for pair in (even, odd):
        pair.state_dir = tmp_path / "new box"
        proposal = pair.pair()
        assert isinstance(proposal, Proposal)
        assert (proposal.action, proposal.generation) == ("adopt", 1)
        pair.run_quiet()
