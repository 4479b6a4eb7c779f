"""One bit flips in a database that nightferry keeps of the files: in any page of it, in names and checksums, in any
of the three. Then nights follow, and the box is lost.

Every night is then restored, by the state and by the secondary alone, and held against what stood on the primary when
it ran, which was written down by walking the tree. No flip is told as damage of a file.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
import shutil
import sqlite3
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Pair
from restore_world import restored

from counts import count_case
from effects_faults import KILLED, Call, CountingEffects, FailingCalls, in_child
from nightferry.errors import Failed, NightferryError
from nightferry.manifest import page_guard
from nightferry.manifest.manifest import Manifest
from nightferry.night.pairing import make_pair
from nightferry.night.run import Result
from nightferry.tree.effects import Effects
from sweeps import ALL, some

PAGE = 4096
NIGHTS = 6
Record = dict[bytes, tuple[object, ...]]


def recorded(top: Path) -> Record:
    found: Record = {}
    for folder, folders, files in os.walk(os.fsencode(top)):
        for name in [*folders, *files]:
            path = os.path.join(folder, name)
            status = os.lstat(path)
            content: object = None
            if stat.S_ISREG(status.st_mode):
                content = hashlib.sha256(Path(os.fsdecode(path)).read_bytes()).digest()
            elif stat.S_ISLNK(status.st_mode):
                content = os.readlink(path)
            shown = path.removeprefix(os.fsencode(top) + b"/")
            if shown != b".nightferry-volume.toml":
                found[shown] = (status.st_mode, status.st_mtime_ns, content)
    return found


def flip(path: Path, offset: int, bit: int) -> None:
    """As a worn-out cell does: nothing that stat tells of the file moves but what it holds."""
    before = os.stat(path)
    with path.open("r+b") as file:
        file.seek(offset)
        (old,) = file.read(1)
        file.seek(offset)
        file.write(bytes([old ^ 1 << bit]))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


class Life:
    """A pair after six nights with everything that a history has; what each of them saw is written down."""

    def __init__(self, base: Path, seed: int = 14) -> None:
        self.numbers = random.Random(seed)
        self.base = base
        self.pair = Pair(
            base / "primary", base / "secondary", base / "state", verify_share=1.0, verify_cycle="1d",
            keep_retired="1000d",
        )  # fmt: skip
        self.nights: dict[int, Record] = {}
        self._restored = 0
        pair = self.pair
        for number in range(120):
            pair.write(f"2025 autumn/{number % 5}/{number:03d} take.wav", self.numbers.randbytes(200))
        pair.write("2026-05 spring concert/01 kyrie.wav", self.numbers.randbytes(9_000))
        os.symlink("01 kyrie.wav", pair.at("2026-05 spring concert/opening"))
        self.night()
        pair.write("2026-05 spring concert/02 gloria.wav", self.numbers.randbytes(3_000))
        self.night()
        pair.write("2026-05 spring concert/01 kyrie.wav", self.numbers.randbytes(8_000))
        self.night()
        shutil.rmtree(pair.at("2025 autumn/3"))
        self.night()
        pair.at("2025 autumn/1").rename(pair.at("2025 autumn/second evening"))
        pair.at("2025 autumn/0/000 take.wav").rename(pair.at("best take.wav"))
        self.night()
        for number in range(20):
            pair.write(f"2026-11 rehearsal/{number:02d}.wav", self.numbers.randbytes(300))
        self.night()

    @property
    def working(self) -> Path:
        return self.pair.state_dir / "recordings/manifest.sqlite3"

    @property
    def sealed(self) -> Path:
        return self.pair.records / "manifest.sqlite3"

    @property
    def previous(self) -> Path:
        return self.pair.records / "manifest.previous.sqlite3"

    def night(self) -> Result:
        seen = recorded(self.pair.primary)
        self.pair.clock.pass_days(1)
        result = self.pair.run_well()
        self.nights[result.number] = seen
        assert result.tally.damage == 0, result.notes
        assert result.open_damage == 0
        assert not any("decayed" in note for note in result.notes)
        return result

    def harm(self, path: Path, page: int) -> str:
        offset, bit = page * PAGE + self.numbers.randrange(PAGE), self.numbers.randrange(8)
        flip(path, offset, bit)
        count_case(f"bits flipped in the {path.name} of a pair")
        return f"{path.name} at {offset}, bit {bit}"

    def check(self, said: str, *, alone: bool, newest: int | None = None) -> None:
        """Each night up to ``newest`` comes back as it was; of those after the first six, in which nothing changed, the
        last."""
        for number, record in self.nights.items():
            if number > (max(self.nights) if newest is None else newest) or NIGHTS < number < max(self.nights):
                continue
            self._restored += 1
            into = self.base / f"restored {self._restored}"
            result = restored(self.pair, into, as_of=str(number), alone=alone)
            found = recorded(into)
            wrong = {path for path in record.keys() | found.keys() if record.get(path) != found.get(path)}
            assert not wrong, f"{said}: night {number}: {wrong}, {result}"
            shutil.rmtree(into)

    def lose_the_box(self) -> None:
        shutil.rmtree(self.pair.state_dir)
        make_pair(self.pair.settings, self.pair.state_dir, lambda _: True)


@pytest.fixture
def life(tmp_path: Path) -> Life:
    return Life(tmp_path)


def pages_of(path: Path) -> range:
    return range(path.stat().st_size // PAGE)


def test_P_a_bit_flipped_in_any_page_of_the_working_manifest(life: Life) -> None:
    for page in some(pages_of(life.working), 9, 1):
        said = life.harm(life.working, page)
        result = life.night()
        assert any("damaged" in note and "manifest here was" in note for note in result.notes), (said, result.notes)
        if ALL:
            life.check(said, alone=True)
    assert life.night().notes == []
    life.check("at the end", alone=False)
    life.check("at the end", alone=True)
    life.lose_the_box()
    life.night()
    life.check("on a new box", alone=False)


def test_P_a_bit_flipped_in_any_page_of_the_sealed_manifest(life: Life) -> None:
    for page in some(pages_of(life.sealed), 9, 2):
        said = life.harm(life.sealed, page)
        if ALL or page % 2:
            life.check(said, alone=True, newest=NIGHTS - 1)  # the box is lost now; the one before is that of night 5
        previous = life.previous.read_bytes()
        result = life.night()
        assert any("sealed on the secondary before this night was damaged" in note for note in result.notes), said
        assert life.previous.read_bytes() == previous
    assert life.night().notes == []
    life.check("at the end", alone=True)
    life.lose_the_box()
    life.night()
    life.check("on a new box", alone=False)


def test_P_a_bit_flipped_in_each_of_the_sealed_manifests(life: Life) -> None:
    """In different pages, which were the same in both: each has what the other lacks, and the box is lost."""
    for page in some(pages_of(life.previous), 11, 3):
        one, other = life.sealed.read_bytes(), life.previous.read_bytes()
        same = [each for each in pages_of(life.previous) if _page(one, each) == _page(other, each)]
        first = next((each for each in same if each >= page), same[0])
        second = life.numbers.choice([each for each in same if each != first])
        said = f"{life.harm(life.previous, first)} and {life.harm(life.sealed, second)}"
        if ALL or page % 2:
            life.check(said, alone=True, newest=max(life.nights) - 1)
        life.night()
    life.check("at the end", alone=True)


def _page(content: bytes, number: int) -> bytes:
    return content[number * PAGE : (number + 1) * PAGE]


def cell(path: Path, content: bytes) -> int:
    at = path.read_bytes().find(content)
    assert at >= 0, f"{content!r} does not stand in {path}"
    return at


def digest_of(life: Life, path: str) -> bytes:
    manifest = Manifest.open(life.working, Effects(), writable=False)
    try:
        return bytes(manifest.entries.find(path.encode()).content.digest)
    finally:
        manifest.close()


def held_of(life: Life) -> bytes:
    manifest = Manifest.open(life.working, Effects(), writable=False)
    try:
        return bytes(next(iter(manifest.past.held_until(10**9))).held)
    finally:
        manifest.close()


CELLS: dict[str, Callable[[Life], tuple[int, int]]] = {
    # (offset, bit); fileformat2.html, 2.1: the row number of the parent stands right before the name
    "name": lambda life: (cell(life.working, b"01 kyrie.wav") + 3, 0),
    "parent": lambda life: (cell(life.working, b"02 gloria.wav") - 1, 1),
    "digest": lambda life: (cell(life.working, digest_of(life, "2026-05 spring concert/01 kyrie.wav")), 4),
    "held": lambda life: (cell(life.working, held_of(life)) + 25, 2),
}


@pytest.mark.parametrize("what", CELLS)
def test_P_a_flipped_cell_is_put_right(life: Life, what: str) -> None:
    offset, bit = CELLS[what](life)
    flip(life.working, offset, bit)
    count_case("bits flipped in cells of the working manifest")
    with (
        pytest.raises(Failed, match="not as it was written"),
        Manifest.look(life.working, Effects(), in_use=False, check=True),
    ):
        pass
    life.check(what, alone=False)  # by the secondary's, meanwhile
    (note,) = life.night().notes
    assert "put right" in note
    life.check(what, alone=False)
    life.check(what, alone=True)


def test_P_a_command_does_not_write_on_such_ground(life: Life) -> None:
    flip(life.working, 5 * PAGE + 100, 3)
    before = life.working.read_bytes()
    with pytest.raises(NightferryError, match="run a night"):
        Manifest.open(life.working, Effects())
    assert life.working.read_bytes() == before


def test_P_what_something_else_wrote_is_no_damage(life: Life) -> None:
    """A transaction by a program that knows nothing of the checksums, as an older nightferry or the shell of SQLite."""
    connection = sqlite3.connect(life.working)
    connection.execute("UPDATE run SET outcome = 'partial' WHERE number = 2")
    connection.commit()
    connection.close()
    assert life.night().notes == []
    with life.pair.manifest() as manifest:
        assert manifest.runs.by_number(2).outcome == "partial"
    life.check("at the end", alone=True)


def test_P_damaged_checksums_say_nothing_of_the_manifest(life: Life) -> None:
    beside = life.working.with_suffix(".pages")
    for block in range(beside.stat().st_size // PAGE):
        flip(beside, block * PAGE + life.numbers.randrange(PAGE), 5)
        assert life.night().notes == []
    flip(life.working, cell(life.working, b"01 kyrie.wav"), 1)  # and they were made anew
    assert any("put right" in note for note in life.night().notes)


def test_P_a_changed_checksum_list_is_written_anew(life: Life) -> None:
    listed = life.pair.records / "checksums.xxh128"
    right = listed.read_bytes()
    flip(listed, 40, 2)
    (note,) = life.night().notes
    assert "checksums.xxh128" in note
    assert listed.read_bytes() == right
    assert life.night().notes == []


def test_P_a_flipped_number_of_a_seal_sends_nobody_away(life: Life) -> None:
    """It would say that the secondary is newer than the state, or older, and what to do about it."""
    for bit in range(8):
        at = cell(life.sealed, b"generation") + len("generation")
        flip(life.sealed, at, bit)
        life.night()


class DiesAtSealing(Effects):
    """The process ends where the log is about to be entered into the database."""

    @staticmethod
    def checkpoint(connection: sqlite3.Connection) -> tuple[int, int, int]:
        os._exit(KILLED)


def test_P_a_flipped_bit_in_the_log_of_a_night_that_was_cut_off(life: Life) -> None:
    """SQLite leaves out what follows it: then the state is older than the secondary, and that is what is told."""
    life.pair.write("2026-12/new.wav", b"new")
    assert not in_child(lambda: life.pair.run(effects=DiesAtSealing()))
    log = Path(f"{life.working}-wal")
    flip(log, log.stat().st_size // PAGE // 2 * PAGE, 3)
    result = life.night()
    assert any("The state here is older than what the secondary holds" in note for note in result.notes)
    assert life.pair.differences() == []
    life.night()
    life.check("at the end", alone=True)


OF_THE_STATE = ("commit", "checkpoint", "set_journal_mode", "pwrite", "fsync", "rename", "unlink", "open")


class DiesAtState(CountingEffects):
    """The process ends before the n-th call that concerns the state's folder, or after it."""

    def __init__(self, state: Path, n: int, *, after: bool) -> None:
        super().__init__()
        self._state, self._n, self._after = os.fsencode(state), n, after
        self.of_state = 0

    def _perform(self, call: Callable, what: Call) -> object:
        if not self._is_of_state(what):
            return super()._perform(call, what)
        self.of_state += 1
        if self.of_state == self._n and not self._after:
            os._exit(KILLED)
        result = super()._perform(call, what)
        if self.of_state == self._n:
            os._exit(KILLED)
        return result

    def _is_of_state(self, what: Call) -> bool:
        if what.name in ("commit", "checkpoint", "set_journal_mode"):
            return True
        fd = what.kwargs.get("dir_fd", what.kwargs.get("src_dir_fd", what.args[0]))
        return isinstance(fd, int) and os.readlink(b"/proc/self/fd/%d" % fd).startswith(self._state)


@pytest.mark.parametrize("log_bytes", [1, page_guard._LOG_BYTES], ids=["entered at each commit", "entered at the end"])
def test_E_P_killed_anywhere_in_a_checkpoint_nothing_false_is_told(
    life: Life, log_bytes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And a bit that flips while the night is dead is found all the same."""
    monkeypatch.setattr(page_guard, "_LOG_BYTES", log_bytes)
    counting = DiesAtState(life.pair.state_dir, 0, after=False)
    life.pair.write("2026-12/0.wav", b"0")
    life.pair.run_well(effects=counting)
    assert counting.of_state > 20
    for n in some(range(1, counting.of_state + 1), 5 if log_bytes > 1 else 17, 2):
        life.pair.write(f"2026-12/{n}.wav", b"%d" % n)
        in_child(lambda n=n: life.pair.run(effects=DiesAtState(life.pair.state_dir, n, after=bool(n % 2))))
        count_case("nights killed at a change of the state")
        result = life.pair.run_well()
        assert not any("damage" in note or "older" in note for note in result.notes), (n, result.notes)
        assert result.tally.damage == 0
        assert page_guard.look(life.working, Effects()).known, f"after {n}"
        assert page_guard.look(life.working, Effects()).fault is None, f"after {n}"
    flip(life.working, cell(life.working, b"01 kyrie.wav"), 1)
    assert any("damage" in note for note in life.pair.run_well().notes)
    life.check("at the end", alone=True)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO], ids=["no room", "an error of the disk"])
@pytest.mark.parametrize("first", [0, 2], ids=["from the start", "later"])
def test_E_P_checksums_that_cannot_be_written_are_let_go(life: Life, number: int, first: int) -> None:
    """The night goes on without, and the next one makes them anew."""
    beside = os.fsencode(life.working.with_suffix(".pages"))

    def is_of_checksums(what: Call, before: int) -> bool:
        return what.name == "pwrite" and before >= first and os.readlink(b"/proc/self/fd/%d" % what.args[0]) == beside

    life.pair.write("2026-12/new.wav", b"new")
    failing = FailingCalls(is_of_checksums, number)
    assert not any("damage" in note for note in life.pair.run_well(effects=failing).notes)
    assert failing.failed
    assert not page_guard.look(life.working, Effects()).known
    assert not any("damage" in note for note in life.pair.run_well().notes)
    assert page_guard.look(life.working, Effects()).known


def test_E_P_somebody_who_reads_meanwhile_keeps_nothing_from_being_guarded(life: Life) -> None:
    """An open question about the state as it was keeps the log from being entered whole."""
    with life.pair.manifest(writable=True) as manifest:
        reader = sqlite3.connect(f"file:{life.working}?mode=ro", uri=True, isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM entry").fetchone()
        with manifest.database.transaction():
            manifest.database.set_meta("note", "meanwhile")
        assert not manifest.database.pages.flush()
        reader.close()
        assert manifest.database.pages.flush()
    assert page_guard.look(life.working, Effects()) == page_guard.look(life.working, Effects())._replace(known=True)
    assert life.night().notes == []
