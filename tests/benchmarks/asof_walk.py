"""How long it takes to walk the whole tree as of an old night, beside a plain count of the same rows in SQL.

    python tests/benchmarks/asof_walk.py [NAMES]

A manifest of 200,000 names in 2,000 folders, of which each tenth file has changed three times since, each twentieth
has been removed, and each hundredth folder was renamed. The count is what SQLite needs to look at each row once; the
walk answers the whole state with its paths. Then where each content stands, and one night's lost files.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from nightferry.manifest.asof import AsOf
from nightferry.manifest.history import History
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.nights import nights
from nightferry.manifest.records import Content
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

FILES_A_FOLDER = 100
CHANGES = (10, 20, 30)  # runs
REMOVED_RUN, RENAMED_RUN, LAST_RUN = 35, 40, 60


def stat_of(kind: Kind, inode: int) -> Stat:
    return Stat(kind, 1_000_000, 1_700_000_000_000_000_000, 1_700_000_000_000_000_000, inode, 0o644, 0, 0, 1, 0)


def digest(number: int, change: int) -> bytes:
    return number.to_bytes(12, "big") + change.to_bytes(4, "big")


def fill(manifest: Manifest, names: int) -> None:
    entries, past = manifest.entries, manifest.past
    with manifest.database.transaction():
        for run in range(1, LAST_RUN + 1):
            manifest.database.connection.execute(
                "INSERT INTO run (number, stamp, started_s, ended_s, outcome) VALUES (?, '', ?, ?, 'complete')",
                (run, run * 86_400.0, run * 86_400.0 + 3_600),
            )
        entries.insert(0, b"", stat_of(Kind.FOLDER, 1), Content(), None, 1)
        inode = 2
        for number in range(names // FILES_A_FOLDER):
            folder = entries.insert(1, b"concert %06d" % number, stat_of(Kind.FOLDER, inode), Content(), None, 1)
            for file in range(FILES_A_FOLDER):
                inode += 1
                stat, name = stat_of(Kind.FILE, inode), b"%03d kyrie.wav" % file
                row = entries.insert(folder, name, stat, Content(1, digest(inode, 0)), None, 1)
                for change, run in enumerate(CHANGES, start=1) if file % 10 == 0 else ():
                    past.keep(row, run, "changed", b"%06d/concert %06d/%s" % (run, number, name))
                    entries.replace(row, stat, Content(1, digest(inode, change)), None, run, None, None)
                if file % 20 == 5:
                    past.keep(row, REMOVED_RUN, "removed", b"%06d/concert %06d/%s" % (REMOVED_RUN, number, name))
                    entries.delete(row)
            if number % 100 == 0:
                past.keep(folder, RENAMED_RUN, "moved", None)
                entries.move(folder, 1, b"renamed %06d" % number)


def timed(what: str, work: Callable[[], object]) -> None:
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    found = work()
    wall_s, cpu_s = time.perf_counter() - begin_s, time.process_time() - begin_cpu_s
    print(f"{what:<44} {wall_s:8.2f} s   {cpu_s:8.2f} s of computing   {found}")


def main() -> None:
    names = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / FILE_NAME
        manifest = Manifest.create(path, Effects(), pair_id="p", pair_name="recordings")
        fill(manifest, names)
        manifest.close()
        with Manifest.look(path, Effects(), in_use=False) as manifest:
            measure(manifest)


def measure(manifest: Manifest) -> None:
    one = manifest.database.connection.execute

    def count(run: int) -> int:
        found: int = one(
            "SELECT (SELECT count(digest) FROM entry WHERE since <= ?1)"
            " + (SELECT count(digest) FROM past WHERE since <= ?1 AND until > ?1)",
            (run,),
        ).fetchone()[0]
        return found

    def walk(run: int) -> int:
        as_of = AsOf(manifest, run)
        root = as_of.find(b"")
        assert root is not None
        return sum(node.content.digest is not None for _, node in as_of.below(root, b""))

    def sources(run: int) -> int:
        as_of = AsOf(manifest, run)
        root = as_of.find(b"")
        assert root is not None
        return sum(len(as_of.sources(node)) for _, node in as_of.below(root, b""))

    timed("plain count in SQL, night 15", lambda: count(15))
    timed("walk as of night 15", lambda: walk(15))
    timed("plain count in SQL, night 60", lambda: count(LAST_RUN))
    timed("walk as of night 60", lambda: walk(LAST_RUN))
    timed("walk as of night 15, with where each stands", lambda: sources(15))
    timed("what every night has lost", lambda: sum(night.lost_files for night in nights(manifest)))
    history = History(manifest)
    timed("names that fit a pattern, over all nights", lambda: sum(1 for _ in history.matching(_fits)))
    timed("the top, night by night", lambda: len(history.nights_below(1)))


def _fits(path: bytes, is_folder: bool) -> bool:
    return path.endswith(b"000 kyrie.wav")


if __name__ == "__main__":
    main()
