"""Rule C over months: damage belongs to content, and neither a name nor a date ends it.

Bits are flipped in the image behind the file system, as in ``test_fixity.py``; then people go on working with the file.
What is right and what is wrong is known from ``sha256sum``; where it stands is found by walking and hashing.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from world import World, sha256

from drives import DriveFactory, run
from nightferry.recovery.mending.damage import cases
from nightferry.reporting.screens.mend_text import advice

# Retention of a month is shortened for most: what is over, is over by date and by nights, whatever they are.
SHORT = {"keep_retired": "5d", "keep_retired_at_least": "1d", "verify_cycle": "5d"}
LONGER = 7
KYRIE, GLORIA = "masses/kyrie.wav", "masses/gloria.wav"


class Choir(World):
    """Recordings of one size; one of them decays on the primary."""

    good = bad = ""

    def begin(self) -> None:
        for name in (KYRIE, GLORIA, "masses/sanctus.wav"):
            self.pair.write(name, os.urandom(300_000))
        self.pair.run_well()
        self.good = sha256(self.at(KYRIE))

    def at(self, name: str) -> Path:
        return self.pair.at(name)

    def decay(self) -> None:
        self.rot(0, self.at(KYRIE), 150_000)
        self.bad = sha256(self.at(KYRIE))

    def decay_and_know(self) -> None:
        self.decay()
        self.pair.clock.pass_days(31)
        self.pair.run()
        assert self.bad_names() == [KYRIE]

    def nights(self, count: int) -> list:  # type: ignore[type-arg]
        results = []
        for _ in range(count):
            self.pair.clock.pass_days(1.01)
            results.append(self.pair.run())
        return results

    def bad_names(self) -> list[str]:
        assert {side for _, side, _ in self.open()} <= {"primary"}
        return [os.fsdecode(path) for path, _, _ in self.open()]

    def in_copy(self, name: str) -> str:
        return sha256(self.pair.copy / name)

    def on_secondary(self, digest: str) -> list[Path]:
        roots = (self.pair.copy, self.pair.retired)
        files = [path for root in roots for path in root.rglob("*") if path.is_file() and not path.is_symlink()]
        return [path for path in files if sha256(path) == digest]

    def advice(self, name: str) -> str:
        return advice("recordings", cases(self.damage())[0], self.survey(name))

    def became(self) -> list[str | None]:
        return [row[3] for row in self.register()]

    def never_crossed(self) -> None:
        assert self.on_secondary(self.good), "the good content stands nowhere"
        crossed = [path for path in self.on_secondary(self.bad) if self.pair.copy in path.parents]
        assert not crossed, f"the bad content was copied to {crossed}"


def begun(drives: DriveFactory, tmp_path: Path, **settings: object) -> Choir:
    made = Choir.on_drives(drives, tmp_path, **settings)
    assert isinstance(made, Choir)
    made.begin()
    return made


@pytest.fixture
def choir(drives: DriveFactory, tmp_path: Path) -> Choir:
    return begun(drives, tmp_path, **SHORT)


def _renamed(choir: Choir) -> None:
    choir.at(KYRIE).rename(choir.at("masses/kyrie, old.wav"))


def _renamed_and_another_under_its_name(choir: Choir) -> None:
    _renamed(choir)
    choir.pair.write(KYRIE, os.urandom(200_000))


def _swapped(choir: Choir) -> None:
    choir.at(KYRIE).rename(choir.at("swap"))
    choir.at(GLORIA).rename(choir.at(KYRIE))
    choir.at("swap").rename(choir.at(GLORIA))


def _swapped_under_one_date(choir: Choir) -> None:
    _swapped(choir)
    for name in (KYRIE, GLORIA):
        os.utime(choir.at(name), ns=(10**18, 10**18))


def _touched(choir: Choir) -> None:
    choir.at(KYRIE).touch()


def _touched_and_renamed(choir: Choir) -> None:
    _touched(choir)
    choir.at(KYRIE).rename(choir.at("masses/kyrie, old.wav"))


def _over_another(choir: Choir) -> None:
    choir.at(KYRIE).rename(choir.at(GLORIA))


def _copied_and_removed(choir: Choir) -> None:
    run("cp", "-a", choir.at(KYRIE), choir.at("masses/kyrie, copied.wav"))
    choir.at(KYRIE).unlink()


def _copied_over_another(choir: Choir) -> None:
    run("cp", "-a", "--remove-destination", choir.at(KYRIE), choir.at(GLORIA))
    choir.at(KYRIE).unlink()


def _linked_and_first_name_removed(choir: Choir) -> None:
    os.link(choir.at(KYRIE), choir.at("encore.wav"))
    choir.at(KYRIE).unlink()


def _folder_renamed(choir: Choir) -> None:
    choir.at("masses").rename(choir.at("masses of 2026"))


# What people do with a file that is damaged, and where it stands then.
EVENTS: dict[str, tuple[Callable[[Choir], None], str]] = {
    "renamed": (_renamed, "masses/kyrie, old.wav"),
    "renamed, and another under its name": (_renamed_and_another_under_its_name, "masses/kyrie, old.wav"),
    "names swapped": (_swapped, GLORIA),
    "names swapped, one date": (_swapped_under_one_date, GLORIA),
    "touched": (_touched, KYRIE),
    "touched and renamed": (_touched_and_renamed, "masses/kyrie, old.wav"),
    "renamed over another": (_over_another, GLORIA),
    "copied and removed": (_copied_and_removed, "masses/kyrie, copied.wav"),
    "copied over another": (_copied_over_another, GLORIA),
    "linked and first name removed": (_linked_and_first_name_removed, "encore.wav"),
    "folder renamed": (_folder_renamed, "masses of 2026/kyrie.wav"),
}


@pytest.mark.parametrize("event", EVENTS)
def test_rule_C_damage_goes_with_its_content_and_the_good_copy_with_it(choir: Choir, event: str) -> None:
    choir.decay_and_know()
    act, name = EVENTS[event]
    act(choir)
    results = choir.nights(LONGER)
    choir.never_crossed()
    assert choir.bad_names() == [name]
    assert {result.state for result in results} == {"attention"}
    assert choir.in_copy(name) == choir.good
    assert {result.tally.expired for result in results} == {0}
    assert results[-1].tally.read_bytes == 0  # nothing is read again each night for it


def test_rule_C_after_a_month_of_nights_with_retention_as_it_is_by_default(
    drives: DriveFactory, tmp_path: Path
) -> None:
    choir = begun(drives, tmp_path)
    choir.pair.write("programme.txt", "Kyrie")
    choir.decay()
    _renamed_and_another_under_its_name(choir)
    results = choir.nights(33)
    choir.never_crossed()
    assert choir.bad_names() == ["masses/kyrie, old.wav"]
    assert {result.tally.expired for result in results} == {0}


@pytest.mark.parametrize("event", ["renamed, and another under its name", "names swapped", "copied over another"])
def test_rule_C_it_is_mended_under_its_present_name(choir: Choir, event: str) -> None:
    choir.decay_and_know()
    act, name = EVENTS[event]
    act(choir)
    choir.nights(1)
    (outcome,) = choir.mend("restore")
    assert outcome.done, outcome.told
    assert sha256(choir.at(name)) == choir.good
    (result,) = choir.nights(1)
    assert result.state == "sound"
    assert choir.pair.differences() == []


# --- what is over


def test_rule_C_a_name_of_the_bad_file_that_mend_did_not_know_is_damage_in_the_next_night(choir: Choir) -> None:
    choir.decay()
    os.link(choir.at(KYRIE), choir.at("encore.wav"))
    choir.nights(1)
    (outcome,) = choir.mend("restore")
    assert outcome.done and "1 more name on the primary" in outcome.told
    (result,) = choir.nights(1)
    assert result.state == "attention"
    choir.never_crossed()
    assert choir.bad_names() == ["encore.wav"]
    assert choir.in_copy("encore.wav") == choir.good
    (outcome,) = choir.mend("restore")
    assert outcome.done and "more name" not in outcome.told
    assert choir.nights(2)[-1].state == "sound"
    assert choir.pair.differences() == []


def test_rule_C_mended_content_that_comes_back_is_damage_until_a_person_accepts_it(choir: Choir) -> None:
    choir.decay_and_know()
    assert choir.mend("restore")[0].done
    (displaced,) = choir.on_secondary(choir.bad)
    run("cp", displaced, choir.at(KYRIE))
    assert choir.nights(1)[0].state == "attention"
    choir.never_crossed()
    assert choir.bad_names() == [KYRIE]
    assert choir.mend("accept")[0].done
    assert choir.nights(1)[0].state == "sound"
    run("cp", choir.at(KYRIE), choir.at("encore.wav"))
    assert choir.nights(1)[0].state == "sound"
    assert choir.in_copy(KYRIE) == choir.in_copy("encore.wav") == choir.bad
    assert choir.pair.differences() == []


# --- what nobody had read yet


UNKNOWN = {
    name: EVENTS[name]
    for name in (
        "renamed", "renamed, and another under its name", "names swapped", "renamed over another",
        "linked and first name removed", "folder renamed",
    )
}  # fmt: skip


@pytest.mark.parametrize("event", UNKNOWN)
def test_rule_C_rot_that_nobody_has_read_yet_does_not_cross_under_another_name(choir: Choir, event: str) -> None:
    choir.decay()
    act, name = UNKNOWN[event]
    act(choir)
    results = choir.nights(LONGER)
    choir.never_crossed()
    assert choir.bad_names() == [name]
    assert results[-1].state == "attention"
    assert choir.in_copy(name) == choir.good
    assert {result.tally.expired for result in results} == {0}


def test_rule_C_rot_of_a_file_whose_mode_changed_does_not_cross(choir: Choir) -> None:
    choir.decay()
    choir.at(KYRIE).chmod(0o600)
    (result, *_) = choir.nights(2)
    choir.never_crossed()
    assert choir.bad_names() == [KYRIE]
    assert result.state == "attention"
    assert (choir.pair.copy / KYRIE).stat().st_mode & 0o777 == 0o600


# --- what a person does


def _edit_under_the_old_date(choir: Choir) -> str:
    before = choir.at(KYRIE).stat()
    with choir.at(KYRIE).open("r+b") as file:
        file.write(b"RIFF")
    os.utime(choir.at(KYRIE), ns=(before.st_atime_ns, before.st_mtime_ns))
    choir.bad = sha256(choir.at(KYRIE))
    return choir.bad


def test_rule_C_an_edit_under_the_old_date_is_for_a_person_to_judge(choir: Choir) -> None:
    edited = _edit_under_the_old_date(choir)
    (result,) = choir.nights(1)
    assert (result.state, result.tally.changed) == ("attention", 0)
    choir.never_crossed()
    (damage,) = choir.damage()
    assert "somebody wrote to it and put the date back" in damage.detail
    assert choir.mend("accept")[0].done
    (result,) = choir.nights(1)
    assert (result.state, result.tally.changed) == ("sound", 1)
    assert choir.in_copy(KYRIE) == edited
    assert choir.on_secondary(choir.good)
    assert choir.pair.differences() == []


def test_rule_C_what_was_accepted_is_copied_also_under_the_name_it_has_by_now(choir: Choir) -> None:
    choir.decay_and_know()
    _renamed(choir)
    choir.nights(1)
    assert choir.mend("accept")[0].done
    (result,) = choir.nights(1)
    assert result.state == "sound"
    assert choir.in_copy("masses/kyrie, old.wav") == choir.bad
    assert choir.on_secondary(choir.good)


def test_rule_C_a_file_that_somebody_made_anew_under_the_old_date_is_a_change(choir: Choir) -> None:
    before = choir.at(KYRIE).stat()
    choir.pair.write("new", os.urandom(300_000))
    os.utime(choir.at("new"), ns=(before.st_atime_ns, before.st_mtime_ns))
    choir.at("new").rename(choir.at(KYRIE))
    (result,) = choir.nights(1)
    assert (result.state, result.tally.changed, result.tally.put_back_dates) == ("sound", 1, 1)
    assert choir.in_copy(KYRIE) == sha256(choir.at(KYRIE))


def test_rule_C_a_new_file_with_the_number_and_date_of_one_that_was_removed_is_no_damage(choir: Choir) -> None:
    """As unpacked archives and copied templates have: one size, one date, and the number that ext4 has free."""
    before = choir.at(KYRIE).stat()
    choir.at(KYRIE).unlink()
    choir.pair.write("masses/benedictus.wav", os.urandom(300_000))
    os.utime(choir.at("masses/benedictus.wav"), ns=(before.st_atime_ns, before.st_mtime_ns))
    if choir.at("masses/benedictus.wav").stat().st_ino != before.st_ino:
        pytest.skip("the number was not given again")
    (result,) = choir.nights(1)
    assert (result.state, result.tally.added, result.tally.removed, result.tally.moved) == ("sound", 1, 1, 0)
    assert choir.pair.differences() == []


def test_rule_C_while_it_is_open_the_good_version_of_a_removed_file_is_kept(choir: Choir) -> None:
    choir.decay_and_know()
    choir.at(KYRIE).unlink()
    results = choir.nights(LONGER)
    assert {result.state for result in results} == {"attention"}
    assert choir.bad_names() == [KYRIE]
    assert choir.on_secondary(choir.good)
    assert choir.mend("accept")[0].done
    (result, *_) = choir.nights(1)
    assert result.state == "sound"
    assert not choir.on_secondary(choir.good)  # its time was over, and a person said so


def test_rule_C_a_file_replaced_while_the_good_version_is_bad_too_stays_open(choir: Choir) -> None:
    choir.decay_and_know()
    choir.pair.set(verify_share=0.0)
    choir.rot(1, choir.pair.copy / KYRIE, 5_000)
    choir.pair.write("new", os.urandom(280_000))
    choir.at("new").rename(choir.at(KYRIE))
    (result,) = choir.nights(1)
    assert result.tally.changed == 1
    assert choir.bad_names() == [KYRIE]


def _write_into(kyrie: Path) -> None:
    with kyrie.open("r+b") as file:
        file.write(b"RIFF")


def _append(kyrie: Path) -> None:
    with kyrie.open("ab") as file:
        file.write(b"a tag at the end")


def _save_anew(kyrie: Path) -> None:
    new = kyrie.with_name("new")
    new.write_bytes(kyrie.read_bytes() + b"a tag at the end")
    new.rename(kyrie)


@pytest.mark.parametrize("action", ["accept", "restore"])
@pytest.mark.parametrize("edit", [_write_into, _append, _save_anew])
def test_rule_C_an_edit_of_the_damaged_file_is_copied_and_the_version_of_before_kept(
    choir: Choir, edit: Callable[[Path], None], action: str
) -> None:
    """It has the wrong content still, or may have: only a person can say that the good version may go."""
    choir.decay_and_know()
    edit(choir.at(KYRIE))
    results = choir.nights(LONGER)
    assert results[0].tally.changed == 1
    assert choir.in_copy(KYRIE) == sha256(choir.at(KYRIE))
    assert choir.bad_names() == [KYRIE]
    assert choir.on_secondary(choir.good)
    assert "the right one of before is kept" in choir.advice(KYRIE)
    (outcome,) = choir.mend(action)
    assert outcome.done
    assert "somebody has written it since" in outcome.told
    assert choir.became() == ["accepted as it is"]
    assert choir.nights(1)[0].state == "sound"


@pytest.mark.parametrize("change", ["removed", "replaced"])
def test_rule_C_a_bad_copy_that_is_retired_is_damage_of_that_version(choir: Choir, change: str) -> None:
    """What a command found, and no night could mend before the file went. It is never taken for good."""
    choir.pair.set(verify_share=0.0)
    choir.rot(1, choir.pair.copy / KYRIE, 5_000)
    bad = sha256(choir.pair.copy / KYRIE)
    choir.verify()
    assert [each[1:] for each in choir.open()] == [("secondary", "decayed")]
    choir.at(KYRIE).unlink()
    if change == "replaced":
        choir.pair.write(KYRIE, os.urandom(280_000))
    results = choir.nights(LONGER)
    assert {result.state for result in results} == {"attention"}
    ((path, side, verdict),) = choir.open()
    assert (side, verdict) == ("retired", "decayed")
    assert sha256(choir.pair.retired / os.fsdecode(path)) == bad
    assert choir.became() == [None]
    assert choir.mend("accept")[0].done
    assert choir.nights(1)[0].state == "sound"


@pytest.mark.parametrize("name", [KYRIE, "masses/kyrie, from the copy.wav"])
def test_rule_C_the_right_content_put_back_by_hand_closes_it(choir: Choir, name: str) -> None:
    choir.decay_and_know()
    choir.at(KYRIE).unlink()
    run("cp", choir.pair.copy / KYRIE, choir.at(name))
    (result,) = choir.nights(1)
    assert result.state == "sound"
    assert choir.bad_names() == []
    assert choir.pair.differences() == []
