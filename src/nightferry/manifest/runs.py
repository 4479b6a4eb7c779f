"""Runs, what they left out, holds and damage."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from nightferry.manifest.database import Database
from nightferry.manifest.entries import Entries
from nightferry.manifest.records import BadFile, Damage, Hold, LeftOut, Run, integer_out

_RUN = "number, stamp, started_s, ended_s, outcome, summary"
_HOLD = "run, removals, replacements, reasons, released_s, spent_run"
_DAMAGE = (
    "path, side, verdict, detail, found_by, found_run, found_s, id, entry, past,"
    " inode, size_bytes, mtime_ns, bad_digest, algorithm, digest"
)
# Open damage that is told of and known again by its content; more than that is a drive to be replaced.
DAMAGE_LIMIT = 10_000

# How it begins what became of damage, where a person said that the content counts.
_BY_A_PERSON = ("accepted", "a person chose")

_WEEK_S = 7 * 86_400.0

# Names kept of what one run left out; beyond it they are counted, not listed.
LEFT_OUT_LIMIT = 10_000
# Runs whose left-out names are kept: the same names come again every night.
LEFT_OUT_RUNS = 60


class Runs:
    def __init__(self, database: Database) -> None:
        self._database = database
        self._connection = database.connection

    # --- runs

    def start(self, number: int, stamp: str, started_s: float) -> None:
        with self._database.transaction() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO run (number, stamp, started_s) VALUES (?,?,?)", (number, stamp, started_s)
            )

    def end(self, number: int, ended_s: float, outcome: str, summary: str) -> None:
        with self._database.transaction() as connection:
            connection.execute(
                "UPDATE run SET ended_s = ?, outcome = ?, summary = ? WHERE number = ?",
                (ended_s, outcome, summary, number),
            )
            connection.execute("DELETE FROM left_out WHERE run <= ?", (number - LEFT_OUT_RUNS,))

    def last(self) -> Run | None:
        return self._one(f"SELECT {_RUN} FROM run ORDER BY number DESC LIMIT 1")

    def last_complete(self) -> Run | None:
        return self._one(f"SELECT {_RUN} FROM run WHERE outcome = 'complete' ORDER BY number DESC LIMIT 1")

    def last_sealing(self) -> int:
        """The number of the newest run that came to its end and sealed, or was about to; 0 where none did."""
        row = self._connection.execute("SELECT max(number) FROM run WHERE outcome <> 'failed'").fetchone()
        return int(row[0] or 0)

    def by_number(self, number: int) -> Run | None:
        return self._one(f"SELECT {_RUN} FROM run WHERE number = ?", (number,))

    def all(self) -> Iterator[Run]:
        """Newest first."""
        for row in self._connection.execute(f"SELECT {_RUN} FROM run ORDER BY number DESC"):
            yield Run(*row)

    def completed_since(self, number: int) -> int:
        """Completed nights after the one with this number (a night that moved only what it could counts too)."""
        row = self._connection.execute(
            "SELECT count(*) FROM run WHERE number > ? AND outcome IN ('complete', 'partial')", (number,)
        ).fetchone()
        return int(row[0])

    def dates(self, limit: int) -> list[tuple[int, float]]:
        """(number, when it ended, or began where it has no end) of the newest runs, oldest first."""
        rows = self._connection.execute(
            "SELECT number, coalesce(ended_s, started_s) FROM run ORDER BY number DESC LIMIT ?", (limit,)
        ).fetchall()
        return [(int(number), float(date_s)) for number, date_s in reversed(rows)]

    def starts_from(self, number: int) -> list[float]:
        """When the run with this number began, and all after it, by their numbers.

        Of one during which the clock was set, which lasted less than nothing or more than a week by it, its end.
        """
        rows = self._connection.execute(
            "SELECT CASE WHEN coalesce(ended_s, started_s) - started_s BETWEEN 0 AND ? THEN started_s ELSE ended_s END"
            " FROM run WHERE number >= ? ORDER BY number",
            (_WEEK_S, number),
        )
        return [float(row[0]) for row in rows]

    def _one(self, query: str, values: tuple[int, ...] = ()) -> Run | None:
        row = self._connection.execute(query, values).fetchone()
        return None if row is None else Run(*row)

    # --- left out

    def leave_out(self, run: int, found: Iterable[LeftOut]) -> None:
        with self._database.transaction() as connection:
            connection.executemany(
                "INSERT INTO left_out (run, kind, path, detail) VALUES (?,?,?,?)", ((run, *each) for each in found)
            )

    def left_out(self, run: int) -> Iterator[LeftOut]:
        for row in self._connection.execute(
            "SELECT kind, path, detail FROM left_out WHERE run = ? ORDER BY rowid", (run,)
        ):
            yield LeftOut(*row)

    # --- holds

    def hold(self, run: int, removals: int, replacements: int, reasons: str) -> None:
        with self._database.transaction() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO hold (run, removals, replacements, reasons) VALUES (?,?,?,?)",
                (run, removals, replacements, reasons),
            )

    def open_hold(self) -> Hold | None:
        """The newest hold that no completed run has used up, released or not."""
        row = self._connection.execute(
            f"SELECT {_HOLD} FROM hold WHERE spent_run IS NULL ORDER BY run DESC LIMIT 1"
        ).fetchone()
        return None if row is None else Hold(*row)

    def first_open_hold(self) -> int | None:
        """The run that was the first to be held, of those that no completed run has used up."""
        found = self._connection.execute("SELECT min(run) FROM hold WHERE spent_run IS NULL").fetchone()[0]
        return None if found is None else int(found)

    def release(self, run: int, released_s: float) -> None:
        with self._database.transaction() as connection:
            connection.execute("UPDATE hold SET released_s = ? WHERE run = ?", (released_s, run))

    def spend_holds(self, run: int) -> None:
        """All open holds are over: their changes were carried out, or are gone, as of ``run``."""
        with self._database.transaction() as connection:
            connection.execute("UPDATE hold SET spent_run = ? WHERE spent_run IS NULL AND run <= ?", (run, run))

    # --- damage

    def find_damage(
        self,
        path: bytes,
        side: str,
        verdict: str,
        found_by: str,
        run: int,
        found_s: float,
        detail: str,
        *,
        bad: BadFile | None = None,
        entry: int | None = None,
    ) -> bool:
        """Enters damage, once for a row (a name, where there is no row) and side while it is open.

        ``bad``: of a file on the primary. ``entry``: the row that it is about, where that is not the one of ``path``
        yet. Returns whether it is new in the register.
        """
        with self._database.transaction():
            return self.enter_damage(path, side, verdict, found_by, run, found_s, detail, bad=bad, entry=entry)

    def enter_damage(
        self,
        path: bytes,
        side: str,
        verdict: str,
        found_by: str,
        run: int,
        found_s: float,
        detail: str,
        *,
        bad: BadFile | None = None,
        entry: int | None = None,
    ) -> bool:
        """As ``find_damage``; belongs into a transaction."""
        row, past, algorithm, digest = self._subject(path, side, entry)
        open_one = self._connection.execute(
            "SELECT id FROM damage WHERE side = ?1 AND closed_run IS NULL"
            " AND (entry = ?2 OR (path = ?3 AND (entry IS NULL OR ?2 IS NULL)))",
            (side, row, path),
        ).fetchone()
        if open_one is not None:
            self._note_bad(open_one[0], bad)
            return False
        self._connection.execute(
            "INSERT INTO damage (path, side, verdict, found_by, found_run, found_s, detail, entry, past, algorithm,"
            " digest, inode, size_bytes, mtime_ns, bad_digest) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
            (path, side, verdict, found_by, run, found_s, detail, row, past, algorithm, digest, *_bad_columns(bad)),
        )
        return True

    def _subject(
        self, path: bytes, side: str, entry: int | None = None
    ) -> tuple[int | None, int | None, int | None, bytes | None]:
        """(row of entry, row of past, algorithm, digest) of what stands at a path by the manifest."""
        if side == "retired":
            row = self._connection.execute("SELECT id, algorithm, digest FROM past WHERE held = ?", (path,)).fetchone()
            return (None, None, None, None) if row is None else (None, *row)
        entries = Entries(self._database)
        found = entries.find(path) if entry is None else entries.by_id(entry)
        if found is None:
            return None, None, None, None
        return found.id, None, found.content.algorithm, found.content.digest

    def _note_bad(self, damage: int, bad: BadFile | None) -> None:
        """What the bad file looks like now: more of it may have decayed, and it may be read by now."""
        if bad is not None:
            self._connection.execute(
                "UPDATE damage SET inode = ?, size_bytes = ?, mtime_ns = ?, bad_digest = coalesce(?, bad_digest)"
                " WHERE id = ?",
                (*_bad_columns(bad), damage),
            )

    def move_damage(self, damage: int, path: bytes, bad: BadFile) -> None:
        """The bad file stands under another name now, which has a row of its own. Belongs into a transaction."""
        entry = self._subject(path, "primary")[0]
        self._connection.execute("UPDATE damage SET path = ?, entry = ? WHERE id = ?", (path, entry, damage))
        self._note_bad(damage, bad)

    def follow_moves(self) -> None:
        """Rows have moved: damage is told by their present names. Belongs into the transaction that moves them."""
        entries = Entries(self._database)
        for damage, entry, path in self._connection.execute(
            "SELECT id, entry, path FROM damage WHERE closed_run IS NULL AND entry IS NOT NULL"
        ).fetchall():
            try:
                now = entries.path(entry)
            except KeyError:
                continue  # the name is gone: it is told by the last one
            if now != path:
                self._connection.execute("UPDATE damage SET path = ? WHERE id = ?", (now, damage))

    def follow_retired(self, entry: int, held: bytes) -> None:
        """The bad copy of a row went to ``retired/``: it is damage of that version. Belongs into the transaction that
        retires it."""
        for (damage,) in self._connection.execute(
            "SELECT id FROM damage WHERE entry = ? AND side = 'secondary' AND verdict IN ('decayed', 'unreadable')"
            " AND closed_run IS NULL",
            (entry,),
        ).fetchall():
            _, past, algorithm, digest = self._subject(held, "retired")
            self._connection.execute(
                "UPDATE damage SET side = 'retired', path = ?, entry = NULL, past = ?, algorithm = ?, digest = ?"
                " WHERE id = ?",
                (held, past, algorithm, digest, damage),
            )

    def has_bad_copies(self) -> bool:
        """Whether damage of copies is open."""
        return bool(
            self._connection.execute(
                "SELECT 1 FROM damage WHERE side = 'secondary' AND closed_run IS NULL LIMIT 1"
            ).fetchone()
        )

    def close_one(self, damage: int, run: int, became: str) -> None:
        with self._database.transaction() as connection:
            connection.execute("UPDATE damage SET closed_run = ?, became = ? WHERE id = ?", (run, became, damage))

    def close_damage(self, path: bytes, side: str, run: int, became: str) -> None:
        with self._database.transaction():
            self.settle_damage(path, side, run, became)

    def settle_damage(self, path: bytes, side: str, run: int, became: str) -> None:
        """As ``close_damage``; belongs into a transaction."""
        self._connection.execute(
            "UPDATE damage SET closed_run = ?, became = ? WHERE path = ? AND side = ? AND closed_run IS NULL",
            (run, became, path, side),
        )

    def open_damage(self) -> list[tuple[bytes, str, str, str]]:
        """(path, side, verdict, detail) of what is neither mended nor accepted."""
        return self._connection.execute(
            "SELECT path, side, verdict, detail FROM damage WHERE closed_run IS NULL ORDER BY id LIMIT 10000"
        ).fetchall()

    def damage(self) -> list[Damage]:
        """As ``open_damage``, with all that is known of each."""
        return [
            damage_of(row)
            for row in self._connection.execute(
                f"SELECT {_DAMAGE} FROM damage WHERE closed_run IS NULL ORDER BY id LIMIT {DAMAGE_LIMIT}"
            )
        ]

    def wrong_contents(self) -> list[Damage]:
        """Damage of the primary that is over: its wrong content is wrong still. Not what a person accepted since."""
        found: dict[tuple[int, bytes], Damage] = {}
        for row in self._connection.execute(
            f"SELECT {_DAMAGE}, became FROM damage WHERE side = 'primary' AND bad_digest IS NOT NULL"
            f" AND closed_run IS NOT NULL ORDER BY closed_run DESC, id DESC LIMIT {DAMAGE_LIMIT}"
        ).fetchall()[::-1]:
            damage = damage_of(row)._replace(is_open=False)
            assert damage.bad is not None and damage.bad.digest is not None
            key = (damage.algorithm or 0, damage.bad.digest)
            if str(row[-1]).startswith(_BY_A_PERSON):
                found.pop(key, None)
            else:
                found[key] = damage
        return list(found.values())

    def is_damaged(self, path: bytes, side: str, *, found_run: int | None = None) -> bool:
        """Whether damage of a path is open on a side; with ``found_run``: damage that this run found."""
        row = self._connection.execute(
            "SELECT 1 FROM damage WHERE path = ? AND side = ? AND closed_run IS NULL"
            " AND found_run = coalesce(?, found_run)",
            (path, side, found_run),
        ).fetchone()
        return row is not None

    def accepted_unlisted(self) -> set[tuple[bytes, str]]:
        """(path, side) of what no run put on the secondary and a person said may stay."""
        return set(
            self._connection.execute(
                "SELECT path, side FROM damage WHERE verdict = 'unlisted' AND became LIKE 'accepted%' LIMIT 100000"
            )
        )


def damage_of(row: tuple) -> Damage:  # type: ignore[type-arg]
    bad = None if row[10] is None else BadFile(row[10], row[11], int(row[12]), row[13])
    return Damage(
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8], row[9], bad, row[14], row[15]
    )  # fmt: skip


def _bad_columns(bad: BadFile | None) -> tuple[object, ...]:
    return (None,) * 4 if bad is None else (bad.inode, bad.size_bytes, integer_out(bad.mtime_ns), bad.digest)
