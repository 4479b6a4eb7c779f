"""The invented primary: what an amateur choir keeps on its drive.

The choir, its people and its evenings are made up. The works named are in the public domain; what is heard under
their names are chords made up for the trial, not the works.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from nightferry.trial.picture import page_of_music, poster
from nightferry.trial.sound import Song, sing

CHOIR = "the Millrace Evening Choir"


@dataclass(frozen=True)
class Concert:
    folder: str
    day: datetime
    place: str
    pieces: tuple[tuple[str, str], ...]  # title, composer


SPRING = Concert(
    "2025-05-17 spring concert", datetime(2025, 5, 17, 19, 30, tzinfo=UTC), "the old mill hall",
    (
        ("Kyrie", "William Byrd"), ("Sicut cervus", "Giovanni Pierluigi da Palestrina"),
        ("If ye love me", "Thomas Tallis"), ("Ave verum corpus", "Wolfgang Amadeus Mozart"),
        ("Locus iste", "Anton Bruckner"), ("Abendlied", "Josef Rheinberger"),
        ("Cantique de Jean Racine", "Gabriel Fauré"), ("The silver swan", "Orlando Gibbons"),
        ("Now is the month of maying", "Thomas Morley"),
    ),
)  # fmt: skip
ADVENT = Concert(
    "2024-12-14 Adventskonzert", datetime(2024, 12, 14, 17, 0, tzinfo=UTC), "St. Anne's",
    (
        ("Es ist ein Ros entsprungen", "Michael Praetorius"), ("Maria durch ein Dornwald ging", "traditional"),
        ("Übers Gebirg Maria geht", "Johannes Eccard"), ("O du fröhliche", "traditional"),
        ("In dulci jubilo", "traditional"), ("Coventry Carol", "traditional"),
        ("Tochter Zion", "George Frideric Handel"), ("Vom Himmel hoch", "Johann Sebastian Bach"),
    ),
)  # fmt: skip
SERENADE = Concert(
    "2024-06-22 summer serenade", datetime(2024, 6, 22, 20, 0, tzinfo=UTC), "the mill garden",
    (
        ("Weep, o mine eyes", "John Bennet"), ("Il est bel et bon", "Pierre Passereau"),
        ("Innsbruck, ich muss dich lassen", "Heinrich Isaac"), ("Abschied vom Walde", "Felix Mendelssohn"),
        ("Waldesnacht", "Johannes Brahms"), ("Come again", "John Dowland"),
        ("Fair Phyllis", "John Farmer"), ("Die Nacht", "Franz Schubert"),
    ),
)  # fmt: skip
CONCERTS = (SPRING, ADVENT, SERENADE)

_REHEARSALS = tuple(datetime(2025, 4, 8, 21, 0, tzinfo=UTC) + timedelta(weeks=week) for week in range(6))
_TAKES = 4
_MEMBERS = (
    ("soprano", "Ada Fenwick, Ines Moreau, Lotte Brandt, Mira Okafor, Rosa Lindqvist, Tessa Hale"),
    ("alto", "Brigitte Löwe, Clara Novák, Edith Marlow, Hanne Sørby, Noor Haddad, Wilma Štern"),
    ("tenor", "Aurel Popa, Finn Calder, Jonas Grünwald, Pavel Dvorský"),
    ("bass", "Bram Visser, Emil Östlund, Otto Kessler, Samuel Reed, Theo Marchetti"),
)
_MINUTES = (
    ("2024-09-10", "The attic piano is beyond tuning. We sing pure thirds from now on."),
    ("2024-11-05", "Aurel brings two microphones and the long cable. Hanne brings soup."),
    ("2025-01-14", "The recordings are on one drive. A second drive is to be bought."),
    ("2025-03-04", "The second drive is here. Somebody has to copy every night; nobody wants to."),
)


def put(path: Path, content: bytes | str, when: datetime) -> None:
    """Writes a file with a date of its own, to the nanosecond."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    time_ns = int(when.timestamp()) * 1_000_000_000 + 123_456_789
    os.utime(path, ns=(time_ns, time_ns))


def take_name(day: datetime, take: int) -> str:
    return f"rehearsals/{day:%Y-%m-%d}/take {take}.wav"


def rehearsal_take(day: datetime, take: int) -> bytes:
    """A rehearsal breaks off after a few chords, now and then a little later."""
    return sing(Song(take + day.day, day.day, f"{day:%Y-%m-%d} {take}", 3 + take % 3))


def make_recordings(root: Path) -> None:
    """Fills an empty folder; the same names, content and dates every time. Raises ``OSError``."""
    for number, concert in enumerate(CONCERTS):
        _concert(root / concert.folder, concert, number)
    for day in _REHEARSALS:
        for take in range(1, _TAKES + 1):
            put(root / take_name(day, take), rehearsal_take(day, take), day + timedelta(minutes=20 * take))
    # A name with a line break, as a phone made it of a two-line title.
    put(
        root / f"rehearsals/{_REHEARSALS[-1]:%Y-%m-%d}/note\nto the altos.txt",
        "Bar 12 is an F. It has always been an F.\n",
        _REHEARSALS[-1],
    )
    for number, (title, _) in enumerate(SPRING.pieces):
        put(root / f"scores/{title}.png", _score(number), SPRING.day - timedelta(days=90 - number))
    for date, text in _MINUTES:
        when = datetime.fromisoformat(f"{date}T22:10:00+00:00")
        put(root / f"minutes/{date}.txt", f"Minutes of {date}\n\n{text}\n", when)
    put(root / "members.csv", members(_MEMBERS), datetime(2025, 3, 4, 22, 30, tzinfo=UTC))
    _best_of(root)
    (root / "2025-10 autumn concert").mkdir()


def members(voices: Sequence[tuple[str, str]] = _MEMBERS) -> str:
    lines = [f"{name},{voice}" for voice, names in voices for name in names.split(", ")]
    return "\n".join(["name,voice", *lines, ""])


def programme(concert: Concert) -> str:
    lines = [f"{number:2}  {title} ({composer})" for number, (title, composer) in enumerate(concert.pieces, start=1)]
    return "\n".join(
        [f"{CHOIR[0].upper()}{CHOIR[1:]}, {concert.day:%d.%m.%Y}, {concert.place}", "", *lines, "",
         "Please keep the tune until the last chord has gone.", ""]
    )  # fmt: skip


def recording_name(concert: Concert, number: int) -> str:
    return f"{concert.folder}/{number:02} {concert.pieces[number - 1][0]}.wav"


def _concert(folder: Path, concert: Concert, number: int) -> None:
    songs = [Song(number + piece, number, f"{title} {number}") for piece, (title, _) in enumerate(concert.pieces)]
    for track, song in enumerate(songs, start=1):
        name = Path(recording_name(concert, track)).name
        put(folder / name, sing(replace(song, verses=2)), concert.day + timedelta(minutes=6 * track))
    melody = [chord[-1] for chord in songs[0].pitches_hz()]
    put(folder / "poster.png", poster(concert.folder, melody), concert.day - timedelta(days=30))
    put(folder / "programme.txt", programme(concert), concert.day - timedelta(days=7))


def _score(number: int) -> bytes:
    chords = Song(number, number, "").pitches_hz()
    return page_of_music([[chord[voice] for chord in chords] for voice in (3, 2, 1, 0)])


def _best_of(root: Path) -> None:
    """A playlist with relative paths, a symlink, and a recording under a second name (a hard link)."""
    chosen = [recording_name(SPRING, 5), recording_name(ADVENT, 3), recording_name(SERENADE, 5)]
    lines = ["#EXTM3U", *(f"../{name}" for name in chosen), ""]
    put(root / "best of/best of.m3u8", "\n".join(lines), datetime(2025, 5, 17, 23, 0, tzinfo=UTC))
    os.symlink(f"../{ADVENT.folder}/poster.png", root / "best of/cover.png")
    os.link(root / chosen[0], root / "best of/Locus iste.wav")
