"""Bad input: refused with the right exit code, in a sentence that says what and where, and nothing is written."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from harness import CARD, Pair, contents, explain, footprint

from drives import MIB, Drive, DriveFactory, requires_root_and_loops, run
from nightferry.errors import AbsentDrive, Failed, NightferryError, WrongDrive, WrongUse
from nightferry.night.pairing import Proposal, make_pair
from nightferry.settings import PairSettings

pytestmark = requires_root_and_loops

KYRIE = "2026-05 spring concert/01 kyrie.wav"


@contextmanager
def _refused(kind: type[NightferryError], *says: object, roots: tuple[Path, ...]) -> Iterator[None]:
    """The block has to raise exactly this, saying all that, and leave the roots as they are."""
    before = footprint(*roots)
    with pytest.raises(NightferryError) as caught:
        yield
    assert isinstance(caught.value, kind), repr(caught.value)
    message = str(caught.value)
    for each in says:
        assert str(each) in message, message
    assert "\n" not in message
    assert len(message) < 700
    assert footprint(*roots) == before


@pytest.fixture
def paired(drives: DriveFactory, tmp_path: Path) -> tuple[Pair, Drive, Drive]:
    """Two drives, one night done."""
    one, other = drives("ext4", 32 * MIB), drives("ext4", 32 * MIB)
    pair = Pair(one, other, tmp_path / "state")
    pair.write(KYRIE, b"kyrie" * 1000)
    pair.run_well()
    return pair, one, other


# --- the two paths


def _overlapping(tmp_path: Path, primary: Path, secondary: Path) -> Pair:
    for path in (primary, secondary):
        path.mkdir(parents=True, exist_ok=True)
    (primary / "01 kyrie.wav").write_bytes(b"kyrie")
    return Pair(primary, secondary, tmp_path / "state", paired=False)


def test_one_inside_the_other_is_refused_by_the_settings(tmp_path: Path) -> None:
    for primary, secondary in (("a", "a"), ("a", "a/b"), ("a/b", "a")):
        with pytest.raises(ValueError, match="separate folders"):
            PairSettings(name="recordings", primary=tmp_path / primary, secondary=tmp_path / secondary)


@pytest.mark.parametrize("how", ["same", "inside", "contains"])
def test_overlap_through_a_symlink(tmp_path: Path, how: str) -> None:
    real = tmp_path / "drive"
    (real / "below").mkdir(parents=True)
    link = tmp_path / "link"
    link.symlink_to(real)
    primary, secondary = {
        "same": (real, link),
        "inside": (link / "below", real),
        "contains": (real, link / "below"),
    }[how]
    pair = _overlapping(tmp_path, primary, secondary)
    words = {"same": "is the same folder as", "inside": "lies inside", "contains": "contains"}[how]
    with _refused(WrongUse, primary, secondary, words, "separate", roots=(real,)):
        pair.pair()
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize("how", ["same", "inside", "contains"])
def test_overlap_through_a_bind_mount(drives: DriveFactory, tmp_path: Path, how: str) -> None:
    drive = drives("ext4", 32 * MIB)
    (drive.root / "below").mkdir()
    bound = tmp_path / "bound"
    bound.mkdir()
    run("mount", "--bind", drive.root if how == "same" else drive.root / "below", bound)
    try:
        primary, secondary = {
            "same": (drive.root, bound),
            "inside": (bound, drive.root),
            "contains": (drive.root, bound),
        }[how]
        pair = _overlapping(tmp_path, primary, secondary)
        pair.set(require_mount=True)
        with _refused(WrongUse, primary, secondary, roots=(drive.root,)):
            pair.pair()
    finally:
        run("umount", bound)


def test_a_pair_that_overlaps_later_is_refused_by_the_night_too(tmp_path: Path) -> None:
    one, other, link = tmp_path / "one", tmp_path / "other", tmp_path / "link"
    other.mkdir()
    link.symlink_to(other)
    pair = Pair(one, link, tmp_path / "state")
    pair.write("01 kyrie.wav", b"kyrie")
    pair.run_well()
    link.unlink()
    link.symlink_to(one)
    with _refused(WrongUse, one, link, "the same folder", roots=(one, other)):
        pair.run()


# --- drives that are not there, or not these


@pytest.mark.parametrize("role", ["primary", "secondary"])
def test_rule_F_nothing_is_written_into_a_bare_mount_point(paired: tuple[Pair, Drive, Drive], role: str) -> None:
    pair, one, other = paired
    gone = one if role == "primary" else other
    gone.unmount()
    with _refused(AbsentDrive, gone.root, role, "mount", roots=(one.root, other.root)):
        pair.run()
    assert os.listdir(gone.root) == []
    with _refused(AbsentDrive, gone.root, role, "mount", roots=(one.root, other.root)):
        pair.pair()
    assert os.listdir(gone.root) == []
    gone.mount()
    pair.run_well()


@pytest.mark.parametrize("role", ["primary", "secondary"])
def test_rule_F_a_path_that_is_not_there(paired: tuple[Pair, Drive, Drive], role: str) -> None:
    pair, one, other = paired
    gone = one if role == "primary" else other
    gone.unmount()
    gone.root.rmdir()
    rest = (other if role == "primary" else one).root
    with _refused(AbsentDrive, gone.root, role, "No such file or directory", roots=(rest,)):
        pair.run()
    assert not gone.root.exists()
    gone.root.write_bytes(b"a file")
    with _refused(WrongDrive, gone.root, "not a folder", roots=(rest,)):
        pair.run()
    gone.root.unlink()


def test_rule_F_swapped_paths(paired: tuple[Pair, Drive, Drive]) -> None:
    pair, one, other = paired
    pair.set(primary=other.root, secondary=one.root)
    with _refused(WrongDrive, "swap", other.root, roots=(one.root, other.root)):
        pair.run()
    with _refused(WrongDrive, "swap", roots=(one.root, other.root)):
        pair.pair()


def test_rule_F_swapped_drives(paired: tuple[Pair, Drive, Drive]) -> None:
    """Each at the other's mount point, as after a changed order of devices."""
    pair, one, other = paired
    one.unmount()
    other.unmount()
    one.root, other.root = other.root, one.root
    one.mount()
    other.mount()
    with _refused(WrongDrive, "swap", roots=(one.root, other.root)):
        pair.run()


@pytest.mark.parametrize("role", ["primary", "secondary"])
def test_rule_F_a_drive_without_a_card(paired: tuple[Pair, Drive, Drive], drives: DriveFactory, role: str) -> None:
    pair, one, other = paired
    strange = drives("ext4", 32 * MIB)
    (strange.root / "somebody's files").write_bytes(b"precious")
    pair.set(**{role: strange.root})
    with _refused(WrongDrive, strange.root, "no identity card", roots=(one.root, other.root, strange.root)):
        pair.run()
    with _refused(WrongDrive, strange.root, roots=(one.root, other.root, strange.root)):
        pair.pair()


@pytest.mark.parametrize("role", ["primary", "secondary"])
def test_rule_F_a_drive_of_another_pair(
    paired: tuple[Pair, Drive, Drive], drives: DriveFactory, tmp_path: Path, role: str
) -> None:
    pair, one, other = paired
    others = Pair(drives("ext4", 32 * MIB), drives("ext4", 32 * MIB), tmp_path / "state", name="sheet-music")
    others.run_well()
    foreign = others.primary if role == "primary" else others.secondary
    pair.set(**{role: foreign})
    with _refused(WrongDrive, foreign, "sheet-music", roots=(one.root, other.root, foreign)):
        pair.run()
    with _refused(WrongDrive, foreign, roots=(one.root, other.root, foreign)):
        pair.pair()


def test_rule_F_a_pair_of_the_same_name_from_another_box(
    paired: tuple[Pair, Drive, Drive], drives: DriveFactory, tmp_path: Path
) -> None:
    pair, one, _ = paired
    namesake = Pair(drives("ext4", 32 * MIB), drives("ext4", 32 * MIB), tmp_path / "another box")
    namesake.run_well()
    pair.set(secondary=namesake.secondary)
    with _refused(WrongDrive, namesake.secondary, "not to each other", roots=(one.root, namesake.secondary)):
        pair.run()
    pair.set(primary=namesake.primary)  # a good pair, but not the one whose state is here
    with _refused(WrongDrive, tmp_path / "state", roots=(namesake.primary, namesake.secondary)):
        pair.run()


@pytest.mark.parametrize("role", ["primary", "secondary"])
def test_rule_F_a_card_copied_to_a_third_drive(
    paired: tuple[Pair, Drive, Drive], drives: DriveFactory, role: str
) -> None:
    pair, one, other = paired
    third = drives("ext4", 32 * MIB)
    origin = one if role == "primary" else other
    run("cp", "-a", f"{origin.root}/.", third.root)
    pair.set(**{role: third.root})
    with _refused(WrongDrive, third.root, "copied", roots=(one.root, other.root, third.root)):
        pair.run()


def test_rule_F_an_image_of_the_primary_as_secondary(paired: tuple[Pair, Drive, Drive], drives: DriveFactory) -> None:
    pair, one, other = paired
    other.unmount()
    one.sync()
    one.remount(read_only=True)
    shutil.copyfile(one.image, other.image)
    one.remount()
    run("losetup", "--detach", other.device)
    other.device = ""
    other.mount()
    with _refused(WrongDrive, other.root, roots=(one.root, other.root)):
        pair.run()


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"", "cannot be understood"), (b"\xff\xfe", "cannot be understood"), (b"format = 99\n", "newer nightferry")],
)
def test_rule_I_a_card_that_is_none(paired: tuple[Pair, Drive, Drive], content: bytes, says: str) -> None:
    pair, one, other = paired
    (other.root / CARD).write_bytes(content)
    with _refused(WrongDrive, other.root, says, roots=(one.root, other.root)):
        pair.run()


def test_rule_I_a_card_that_leads_elsewhere(paired: tuple[Pair, Drive, Drive], tmp_path: Path) -> None:
    pair, one, other = paired
    shutil.copy2(other.root / CARD, tmp_path / "card")
    (other.root / CARD).unlink()
    (other.root / CARD).symlink_to(tmp_path / "card")
    with _refused(WrongDrive, other.root, "symbolic link", roots=(one.root, other.root)):
        pair.run()


# --- a secondary that cannot be used as it is


def test_a_new_secondary_with_content_in_copy(drives: DriveFactory, tmp_path: Path) -> None:
    one, other = drives("ext4", 32 * MIB), drives("ext4", 32 * MIB)
    (other.root / "copy").mkdir()
    (other.root / "copy" / "somebody's.wav").write_bytes(b"precious")
    pair = Pair(one, other, tmp_path / "state", paired=False)
    with _refused(WrongDrive, other.root, "copy/", roots=(one.root, other.root)):
        pair.pair()


def test_rule_B_unknown_content_in_a_copy_is_kept(paired: tuple[Pair, Drive, Drive]) -> None:
    """Put there by hand between two nights, where a file of the primary is to come: moved to retired/, and named."""
    pair, _, other = paired
    (other.root / "copy/by hand.wav").write_bytes(b"precious")
    (other.root / "copy/untouched.wav").write_bytes(b"not in the way")
    pair.write("by hand.wav", b"from the primary")
    result = pair.run()
    assert pair.left_out(2) == {b"by hand.wav": "unlisted"}, explain(pair, result)
    assert (other.root / "copy/by hand.wav").read_bytes() == b"from the primary"
    assert pair.held(2)[b"by hand.wav"].content == b"precious"
    assert (other.root / "copy/untouched.wav").read_bytes() == b"not in the way"


def test_rule_F_a_copy_that_is_gone(paired: tuple[Pair, Drive, Drive]) -> None:
    pair, one, other = paired
    (other.root / "copy").rename(other.root / "copy by hand")
    with _refused(WrongDrive, other.root, "copy/", "missing", roots=(one.root, other.root)):
        pair.run()


@pytest.mark.parametrize("name", ["copy", "retired", "staging", "records"])
def test_rule_I_a_symlink_in_place_of_a_folder(paired: tuple[Pair, Drive, Drive], tmp_path: Path, name: str) -> None:
    pair, one, other = paired
    elsewhere = tmp_path / "elsewhere"
    (other.root / name).rename(other.root / "aside")
    shutil.copytree(other.root / "aside", elsewhere)
    (other.root / name).symlink_to(elsewhere)
    with _refused(WrongDrive, other.root, f"{name}/", "not a folder", roots=(one.root, other.root, elsewhere)):
        pair.run()


def test_rule_F_a_secondary_mounted_read_only(paired: tuple[Pair, Drive, Drive]) -> None:
    pair, one, other = paired
    pair.write("02 gloria.wav", b"gloria")
    other.remount(read_only=True)
    with _refused(WrongDrive, other.root, "read-only", roots=(one.root, other.root)):
        pair.run()


def test_a_new_drive_mounted_read_only_is_not_paired(drives: DriveFactory, tmp_path: Path) -> None:
    for role in (0, 1):
        both = [drives("ext4", 32 * MIB), drives("ext4", 32 * MIB)]
        both[role].remount(read_only=True)
        pair = Pair(both[0], both[1], tmp_path / f"state {role}", paired=False)
        with _refused(WrongDrive, both[role].root, "read-only", roots=(both[0].root, both[1].root)):
            pair.pair()


# --- the state


def test_rule_F_a_state_older_than_the_secondary(paired: tuple[Pair, Drive, Drive], tmp_path: Path) -> None:
    """A system card restored from an old image: going on would take the newer nights for accidents."""
    pair, one, other = paired
    shutil.copytree(tmp_path / "state", tmp_path / "old")
    pair.write("02 gloria.wav", b"gloria")
    pair.run_well()
    shutil.rmtree(tmp_path / "state")
    (tmp_path / "old").rename(tmp_path / "state")
    folder = tmp_path / "state/recordings"
    with _refused(WrongDrive, folder, "older", "nightferry pair", roots=(one.root, other.root)):
        pair.run()
    folder.rename(tmp_path / "away")  # what the message says
    proposal = pair.pair()
    assert isinstance(proposal, Proposal)
    assert (proposal.action, proposal.generation) == ("adopt", 2)
    pair.run_quiet()


def test_a_lost_state_is_taken_over_from_the_secondary(paired: tuple[Pair, Drive, Drive], tmp_path: Path) -> None:
    pair, one, other = paired
    pair.write(KYRIE, b"second take")
    pair.run_well()
    shutil.rmtree(tmp_path / "state")
    with _refused(WrongDrive, tmp_path / "state", "nightferry pair recordings", roots=(one.root, other.root)):
        pair.run()
    before = footprint(one.root, other.root)
    proposal = pair.pair()
    assert isinstance(proposal, Proposal)
    assert proposal.action == "adopt"
    assert footprint(one.root, other.root) == before
    pair.run_quiet()
    assert pair.held()[KYRIE.encode()].content == b"kyrie" * 1000
    assert pair.differences() == []


def test_rule_I_the_manifest_of_another_pair_is_not_taken_over(
    paired: tuple[Pair, Drive, Drive], drives: DriveFactory, tmp_path: Path
) -> None:
    pair, one, other = paired
    others = Pair(drives("ext4", 32 * MIB), drives("ext4", 32 * MIB), tmp_path / "state", name="sheet-music")
    others.run_well()
    shutil.copy2(others.records / "manifest.sqlite3", pair.records / "manifest.sqlite3")
    shutil.rmtree(tmp_path / "state/recordings")
    _only_rebuilding_is_proposed(pair, one, other)


def test_rule_I_a_manifest_that_is_none(paired: tuple[Pair, Drive, Drive], tmp_path: Path) -> None:
    pair, one, other = paired
    (pair.records / "manifest.sqlite3").write_bytes(os.urandom(8192))
    shutil.rmtree(tmp_path / "state")
    _only_rebuilding_is_proposed(pair, one, other)
    (tmp_path / "state/recordings").mkdir(parents=True, exist_ok=True)
    (tmp_path / "state/recordings/manifest.sqlite3").write_bytes(os.urandom(8192))
    with _refused(
        Failed, tmp_path / "state/recordings", "damaged", "nightferry pair recordings", roots=(one.root, other.root)
    ):
        pair.run()


def _only_rebuilding_is_proposed(pair: Pair, one: Drive, other: Drive) -> None:
    """No manifest in ``records/`` can be trusted: a person is asked, and says no; then nothing was written."""
    before = footprint(one.root, other.root)
    proposed: list[str] = []
    assert make_pair(pair.settings, pair.state_dir, lambda found: bool(proposed.append(found.action))) is None
    assert proposed == ["rebuild"]
    assert footprint(one.root, other.root) == before
    assert not (pair.state_dir / "recordings/manifest.sqlite3").exists()


# --- rights


def _as_nobody(pair: Pair, code: str) -> subprocess.CompletedProcess[str]:
    """A run in a process of its own, as the user 65534."""
    script = textwrap.dedent(
        f"""
        import os, sys
        from datetime import timedelta
        from pathlib import Path
        from nightferry.errors import NightferryError
        from nightferry.night.context import Unwatched
        from nightferry.night.pairing import make_pair
        from nightferry.night.run import run_night
        from nightferry.settings import PairSettings
        os.setgroups([]); os.setgid(65534); os.setuid(65534)
        settings = PairSettings(
            name="recordings", primary={str(pair.primary)!r}, secondary={str(pair.secondary)!r},
            require_mount=False, settle_quiet=timedelta(0), keep_free=0, exclude=(),
        )
        state = Path({str(pair.state_dir)!r})
        try:
            {code}
        except NightferryError as error:
            print(type(error).__name__, error)
            sys.exit(error.exit_code)
        print(result.outcome, result.failure, result.tally, result.notes)
        sys.exit(result.exit_code)
        """
    )
    return subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120, check=False)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user may pass through; pytest's own are closed to others."""
    with tempfile.TemporaryDirectory(prefix="choir-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.fixture
def open_drives(open_folder: Path) -> Iterator[tuple[Drive, Drive]]:
    factory = DriveFactory(open_folder / "drives")
    try:
        yield factory("ext4", 32 * MIB), factory("ext4", 32 * MIB)
    finally:
        factory.close()


NIGHT = "result = run_night(settings, state, Unwatched())"


def test_without_the_right_to_write_nothing_is_begun(open_drives: tuple[Drive, Drive], open_folder: Path) -> None:
    one, other = open_drives
    pair = Pair(one, other, open_folder / "state")
    pair.write(KYRIE, b"kyrie" * 1000)
    pair.run_well()
    assert pwd.getpwuid(65534).pw_name == "nobody"
    before = footprint(one.root, other.root)
    done = _as_nobody(pair, NIGHT)
    assert done.returncode == 4, done.stdout + done.stderr
    assert str(open_folder / "state") in done.stdout
    assert "as root" in done.stdout
    assert footprint(one.root, other.root) == before
    run("chown", "-R", "65534:65534", open_folder / "state")
    before = footprint(one.root, other.root)
    done = _as_nobody(pair, NIGHT)
    assert (done.returncode, done.stderr) == (3, ""), done.stdout + done.stderr
    assert str(other.root) in done.stdout
    assert footprint(one.root, other.root) == before


def test_without_the_right_to_write_nothing_is_paired(open_drives: tuple[Drive, Drive], open_folder: Path) -> None:
    one, other = open_drives
    pair = Pair(one, other, open_folder / "state", paired=False)
    pair.state_dir.mkdir()
    os.chown(pair.state_dir, 65534, 65534)
    before = footprint(one.root, other.root)
    done = _as_nobody(pair, "result = make_pair(settings, state, lambda _: True)")
    assert done.returncode in (3, 4), done.stdout + done.stderr
    assert done.stderr == ""
    assert footprint(one.root, other.root) == before


def test_rule_G_a_user_copies_what_that_user_may_read(open_folder: Path) -> None:
    one, other, state = (open_folder / name for name in ("one", "other", "state"))
    for folder in (one, other, state):
        folder.mkdir()
        os.chown(folder, 65534, 65534)
    (one / "readable.wav").write_bytes(b"readable")
    (one / "secret.wav").write_bytes(b"secret")
    (one / "secret.wav").chmod(0o600)
    (one / "closed").mkdir(0o700)
    (one / "closed" / "inside.wav").write_bytes(b"inside")
    pair = Pair(one, other, state, paired=False)
    done = _as_nobody(pair, f"make_pair(settings, state, lambda _: True); {NIGHT}")
    assert done.returncode == 1, done.stdout + done.stderr
    assert done.stdout.startswith("partial"), done.stdout
    assert (other / "copy/readable.wav").read_bytes() == b"readable"
    assert not (other / "copy/secret.wav").exists()
    assert set(pair.left_out(1)) == {b"secret.wav", b"closed"}
    assert set(pair.left_out(1).values()) == {"unreadable"}


# --- full


def test_a_full_secondary_is_partial_and_the_old_copy_stands(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 64 * MIB), drives("ext4", 16 * MIB, format_options=("-m", "0")), tmp_path / "state")
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    before = contents(pair.copy)
    pair.write("a large one.wav", os.urandom(40 * MIB))
    result = pair.run()
    assert (result.outcome, result.exit_code) == ("partial", 1), explain(pair, result)
    assert pair.left_out(2) == {b"a large one.wav": "no room"}
    assert contents(pair.copy) == before


def _fill_up(root: Path, leave_bytes: int = 0) -> None:
    with (root / "filler").open("wb", buffering=0) as file:
        for size in (MIB, 65536, 4096, 512, 1):
            while True:
                found = os.statvfs(root)
                if found.f_bavail * found.f_frsize <= leave_bytes + (size if leave_bytes else 0):
                    break
                try:
                    file.write(b"\0" * size)
                except OSError:
                    break


def test_a_secondary_filled_by_others_fails_and_loses_nothing(drives: DriveFactory, tmp_path: Path) -> None:
    pair = Pair(drives("ext4", 64 * MIB), drives("ext4", 16 * MIB, format_options=("-m", "0")), tmp_path / "state")
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    before = contents(pair.copy)
    _fill_up(pair.secondary)
    pair.write("02 gloria.wav", b"gloria" * 1000)
    pair.write(KYRIE, b"second take" * 1000)
    try:
        result = pair.run()
    except Failed as error:
        assert str(pair.secondary) in str(error)
        assert "room" in str(error)
    else:
        assert result.exit_code in (1, 4), explain(pair, result)
        assert result.failure is None or "room" in result.failure
    assert contents(pair.copy) == before
    (pair.secondary / "filler").unlink()
    pair.run_well()
    assert pair.differences() == []
    assert pair.held()[KYRIE.encode()].content == b"kyrie"


def test_a_full_state_directory_fails_and_is_carried_on_later(drives: DriveFactory, tmp_path: Path) -> None:
    system = drives("ext4", 8 * MIB, format_options=("-m", "0"))
    pair = Pair(drives("ext4", 64 * MIB), drives("ext4", 64 * MIB), system.root / "state")
    pair.write(KYRIE, b"kyrie")
    pair.run_well()
    before = contents(pair.copy)
    _fill_up(system.root)
    for number in range(3000):
        pair.write(f"voices/{number % 10}/{number} part.wav", b"%d" % number)
    pair.write(KYRIE, b"second take")
    try:
        result = pair.run()
    except NightferryError as error:
        assert error.exit_code == 4
        message = str(error)
    else:
        assert (result.outcome, result.exit_code) == ("failed", 4), explain(pair, result)
        message = result.failure or ""
    assert str(system.root / "state/recordings") in message
    assert "make room" in message
    after = contents(pair.copy)
    assert all(after[path] == digest for path, digest in before.items() if path != KYRIE.encode())
    (system.root / "filler").unlink()
    pair.run_well()
    assert pair.differences() == []
    assert pair.held()[KYRIE.encode()].content == b"kyrie"
    pair.run_quiet()


def test_a_full_state_directory_pairs_nothing(drives: DriveFactory, tmp_path: Path) -> None:
    system = drives("ext4", 8 * MIB, format_options=("-m", "0"))
    one, other = drives("ext4", 32 * MIB), drives("ext4", 32 * MIB)
    pair = Pair(one, other, system.root / "state", paired=False)
    _fill_up(system.root)
    with pytest.raises(Failed) as caught:
        pair.pair()
    assert str(system.root / "state") in str(caught.value)
    assert [(drive.root / CARD).exists() for drive in (one, other)] == [False, False]
    (system.root / "filler").unlink()
    pair.pair()
    pair.run_well()
