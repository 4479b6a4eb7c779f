"""Makes a frozen pair: both drives and the state as the present code leaves them, and what each of its nights held.

    python tests/frozen/make_frozen.py FOLDER

Run once for each format that was released, by the code that was released with it, and never again: what stands in
FOLDER afterwards (``ext4/`` and ``exfat/``, each with ``primary.img.xz``, ``secondary.img.xz``, ``state.tar.xz`` and
``nights.json``) is what every later version has to open. The record is taken from outside (tree_record.py). Needs root
and loop devices.
"""

from __future__ import annotations

import json
import lzma
import os
import random
import shutil
import sys
import tarfile
import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "night"))

from harness import OWN_NAMES, Pair
from tree_record import Record, record, sha256

from drives import MIB, Drive, DriveFactory, Kind

NIGHTS = 9
HELD_NIGHT, DAMAGE_NIGHT = 5, 8
DAMAGED = "2026-05 spring concert/01 kyrie.wav"
RETIRED = "00 carol.wav"
_SIZE_BYTES: dict[Kind, int] = {"ext4": 16 * MIB, "exfat": 8 * MIB}
# Names that exFAT has too, and such as only file systems of names made of bytes have.
_ODD = ["-rf take.wav", "Größe 大 é.txt", "a" * 200 + ".txt", "'quoted' $HOME `x`.txt", " space and dot. x"]
_ODD_BYTES = [
    os.fsdecode(each) for each in (b"new\nline.txt", b"h\xe4ndel \xff.wav", b"\x1b[31m<b>&.txt", b"back\\slash")
]


class Story:
    """Nights of a small choir. Content is the same each time it is made."""

    def __init__(self, primary: Drive, secondary: Drive, state_dir: Path) -> None:
        self.random = random.Random(1)
        self.primary, self.secondary = primary, secondary
        self.odd = _ODD if secondary.kind == "exfat" else _ODD + _ODD_BYTES
        self.pair = Pair(
            primary, secondary, state_dir, keep_retired=timedelta(days=3), keep_retired_at_least=timedelta(days=1),
            verify_cycle=timedelta(days=1),
        )  # fmt: skip
        self.nights: list[dict[str, Any]] = []

    def sound(self, size_bytes: int) -> bytes:
        return self.random.randbytes(size_bytes)

    def tell(self) -> None:
        for number in range(1, NIGHTS + 1):
            getattr(self, f"day_{number}")()
            seen = record(self.pair.primary, OWN_NAMES)
            if number == HELD_NIGHT:  # nothing was removed: what was there stays
                seen = self.nights[-1]["held"] | seen
            if number == DAMAGE_NIGHT:
                self.decay()
            elif number > DAMAGE_NIGHT:  # decay is not what the night holds
                seen[DAMAGED] = self.nights[-1]["held"][DAMAGED]
            result = self.pair.run()
            assert result.number == number, result
            print(number, result.outcome, result.failure, result.hold_reasons, result.notes, file=sys.stderr)
            self.nights.append({
                "number": number, "outcome": result.outcome, "now_s": int(self.pair.clock.now_s()), "held": seen,
            })  # fmt: skip
            self.pair.clock.pass_days(1)

    def decay(self) -> None:
        """A file on the primary, and a retired version that nothing else has."""
        (retired,) = self.pair.retired.rglob(RETIRED)
        for drive, path in ((self.primary, self.pair.at(DAMAGED)), (self.secondary, retired)):
            drive.flip_byte(path, 100)
            drive.drop_caches()

    def day_1(self) -> None:
        pair = self.pair
        pair.write(DAMAGED, self.sound(9_000))
        for name in ("02 gloria.wav", "03 credo.wav", "04 sanctus.wav"):
            pair.write(f"2026-05 spring concert/{name}", self.sound(3_000))
        os.link(pair.at("2026-05 spring concert/02 gloria.wav"), pair.at("favourite.wav"))
        os.link(pair.at("2026-05 spring concert/02 gloria.wav"), pair.at("2026-05 spring concert/encore.wav"))
        os.symlink("2026-05 spring concert/01 kyrie.wav", pair.at("opening"))
        os.symlink("../gone/nowhere", pair.at("2026-05 spring concert/dangling"))
        for number in range(6):
            pair.write(f"2025-12 christmas/{number:02} carol.wav", self.sound(500))
        pair.write("rehearsals/monday/01 warm-up.wav", self.sound(2_000))
        pair.write("rehearsals/monday/notes.txt", "altos late\n")
        for name in self.odd:
            pair.write(f"odd names/{name}", f"content of {name!r}\n")
        pair.at("empty folder").mkdir()
        pair.write("empty.txt", b"")
        pair.write("programme.txt", "Kyrie, Gloria\n")
        pair.write("draft.txt", "first draft\n")
        programme = pair.at("programme.txt")
        os.setxattr(programme, "user.conductor", "Ana Müller".encode())
        os.setxattr(pair.at("rehearsals"), "user.room", b"cellar\0x")
        programme.chmod(0o640)
        os.chown(programme, 1234, 2345)
        pair.at("empty folder").chmod(0o1770)
        os.utime(programme, ns=(1, 1_600_000_000_123_456_789))
        os.utime(pair.at("empty.txt"), ns=(1, -86_400_000_000_001))  # before 1970
        os.utime(pair.at("opening"), ns=(1, 1_500_000_000_000_000_007), follow_symlinks=False)

    def day_2(self) -> None:
        self.pair.write("2026-05 spring concert/05 agnus dei.wav", self.sound(4_000))
        self.pair.write("draft.txt", "second draft, longer\n")
        self.pair.at("rehearsals/monday/notes.txt").write_text("altos on time\n")

    def day_3(self) -> None:
        pair = self.pair
        pair.at("2026-05 spring concert/03 credo.wav").rename(pair.at("credo, moved.wav"))
        pair.at("2026-05 spring concert/04 sanctus.wav").unlink()
        pair.at("rehearsals/monday/01 warm-up.wav").chmod(0o600)
        os.chown(pair.at("opening"), 77, 88, follow_symlinks=False)

    def day_4(self) -> None:
        pair = self.pair
        pair.at("rehearsals/monday").rename(pair.at("rehearsals/mondays in the cellar"))
        pair.write("rehearsals/mondays in the cellar/notes.txt", "basses late\n")
        pair.at("opening").unlink()
        os.symlink("credo, moved.wav", pair.at("opening"))

    def day_5(self) -> None:
        """Somebody deletes a folder: the night holds, and copies what is new."""
        self.pair.set(hold_count=3)
        shutil.rmtree(self.pair.at("2025-12 christmas"))
        self.pair.write("2026-06 summer/01 swing low.wav", self.sound(2_500))

    def day_6(self) -> None:
        self.pair.release()
        self.pair.write("programme.txt", "Kyrie, Gloria, Credo\n")

    def day_7(self) -> None:
        """Versions of the second night expire."""
        pair = self.pair
        pair.write("2026-06 summer/02 shenandoah.wav", self.sound(2_500))
        pair.at("favourite.wav").unlink()

    def day_8(self) -> None:
        """Two files decay (``decay``), and nobody touched them."""
        self.pair.write("2026-06 summer/03 danny boy.wav", self.sound(1_500))

    def day_9(self) -> None:
        self.pair.write("draft.txt", "third draft\n")
        self.pair.at("2026-06 summer").rename(self.pair.at("2026-06 summer concert"))

    def account(self) -> dict[str, Any]:
        """What the nights held, and of which files no place on the secondary has the content any more."""
        there = {
            sha256(path)
            for top in ("copy", "retired")
            for path in (self.pair.secondary / top).rglob("*")
            if is_file(path)
        }
        gone = {
            night["number"]: sorted(
                path for path, one in night["held"].items() if one.get("sha256", "") and one["sha256"] not in there
            )
            for night in self.nights
        }
        return {"damaged": DAMAGED, "gone": gone, "nights": self.nights}


def is_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def write_json(account: dict[str, Any], path: Path) -> None:
    """A line for each name."""
    lines = []
    for night in account["nights"]:
        held: Record = night["held"]
        names = ",\n".join(f"  {json.dumps(name)}: {json.dumps(held[name])}" for name in sorted(held))
        head = json.dumps({key: value for key, value in night.items() if key != "held"})
        lines.append(f'{head[:-1]}, "held": {{\n{names}\n }}}}')
    rest = json.dumps({key: value for key, value in account.items() if key != "nights"})
    path.write_text(f'{rest[:-1]}, "nights": [\n ' + ",\n ".join(lines) + "\n]}\n")


def make(into: Path, kind: Kind, work: Path) -> None:
    factory = DriveFactory(work / "drives")
    try:
        primary, secondary = factory("ext4", _SIZE_BYTES["ext4"]), factory(kind, _SIZE_BYTES[kind])
        story = Story(primary, secondary, work / "state")
        story.tell()
        account = story.account()
        into.mkdir(parents=True)
        write_json(account, into / "nights.json")
        for name, drive in (("primary", primary), ("secondary", secondary)):
            drive.unmount()
            (into / f"{name}.img.xz").write_bytes(lzma.compress(drive.image.read_bytes(), preset=9))
        with tarfile.open(into / "state.tar.xz", "w:xz") as archive:
            archive.add(work / "state", "state")
    finally:
        factory.close()


def main() -> None:
    into = Path(sys.argv[1])
    for kind in ("ext4", "exfat"):
        with tempfile.TemporaryDirectory() as work:
            make(into / kind, kind, Path(work))


if __name__ == "__main__":
    main()
