from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.errors import WrongDrive
from nightferry.volumes.card import CARD_LIMIT_BYTES, Card, PairEntry, decode, elsewhere, encode, new_id, with_pair

PAIR = PairEntry(
    id="0a6e7a3b-7b0e-4a55-9c2e-0d1f5b0c6a11",
    name="recordings",
    role="primary",
    partner="3f1d0c55-2f6b-4c0e-8a57-6b8a2d0e9b22",
)
CARD = Card(
    volume="b7c1a1de-53f5-4b5c-9a0e-55d0f3f7c333",
    created=datetime(2026, 5, 3, 18, 4, 5, tzinfo=UTC),
    filesystem="1234-ABCD",
    inode=12,
    pairs=(PAIR,),
)
OTHER = replace(PAIR, id=new_id(), name="scores", partner=new_id())

printable = st.text(
    st.characters(exclude_categories=["C", "Z"], include_characters=' "\\#[]='), min_size=1, max_size=200
)


@given(
    name=printable.filter(str.isprintable), inode=st.integers(0, 2**63 - 1), when=st.datetimes(timezones=st.just(UTC))
)
def test_what_is_written_is_read(name: str, inode: int, when: datetime) -> None:
    card = replace(CARD, created=when.replace(microsecond=0), inode=inode, pairs=(replace(PAIR, name=name), OTHER))
    assert decode(encode(card)) == card


def test_the_file_is_toml_that_tells_its_finder_what_it_is() -> None:
    text = encode(replace(CARD, pairs=(replace(PAIR, name='the "choir"\\band'),))).decode()
    # tomllib of the standard library is the independent reader
    assert tomllib.loads(text) == {
        "format": 1,
        "volume": CARD.volume,
        "created": CARD.created,
        "filesystem": "1234-ABCD",
        "inode": 12,
        "pair": [{"id": PAIR.id, "name": 'the "choir"\\band', "role": "primary", "partner": PAIR.partner}],
    }
    assert "created = 2026-05-03T18:04:05Z\n" in text  # RFC 3339
    comment = text[: text.index("format")]
    assert all(line.startswith("#") for line in comment.strip().splitlines())
    assert "Do not delete it and do not copy it" in comment


def test_a_time_of_another_zone_is_kept_as_utc() -> None:
    local = CARD.created.astimezone(timezone(timedelta(hours=2)))
    assert decode(encode(replace(CARD, created=local))).created.isoformat() == "2026-05-03T18:04:05+00:00"


@pytest.mark.parametrize(
    "wrong",
    [
        replace(CARD, volume="b7c1"),
        replace(CARD, inode=-1),
        replace(CARD, filesystem="x" * 65),
        replace(CARD, filesystem="\x1b[2J"),
        replace(CARD, pairs=(PAIR, replace(OTHER, role="secondary"))),
        replace(CARD, pairs=(PAIR, replace(OTHER, name=PAIR.name))),
        replace(CARD, pairs=(PAIR, replace(OTHER, id=PAIR.id))),
        replace(CARD, pairs=(replace(PAIR, partner=CARD.volume),)),
        replace(CARD, pairs=(replace(PAIR, name=""),)),
        replace(CARD, pairs=(replace(PAIR, name="two\nlines"),)),
        replace(CARD, pairs=(replace(PAIR, name="\udc80"),)),
        replace(CARD, pairs=tuple(replace(PAIR, id=new_id(), name=str(n)) for n in range(65))),
    ],
)
def test_a_card_that_could_not_be_read_is_not_written(wrong: Card) -> None:
    with pytest.raises(ValueError):
        encode(wrong)


GOOD = encode(CARD)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (b"", b"\xff", "not TOML"),
        (b"", b"x = [" + b"[" * 5000, "not TOML"),
        (b"", b"x = " + b"1" * 5000 + b"\n", "not TOML"),
        (b"", b"#" * CARD_LIMIT_BYTES + b"\n", "larger than 65536 bytes"),
        (b"", b"surprise = 1\n", "a key that no card has"),
        (b"name =", b"surprise = 1\nname =", "a key that no card has"),
        (b"format = 1", b"", "format is missing"),
        (b"format = 1", b"format = 0", "format is not a known number"),
        (b"format = 1", b"format = true", "format is not of the type int"),
        (b"format = 1", b'format = "1"', "format is not of the type int"),
        (b'volume = "b7c1a1de', b'volume = "B7C1A1DE', "volume is not a UUID"),
        (b'volume = "', b'volume = "urn:uuid:', "volume is not a UUID"),
        (b"05Z", b"05", "created has no time zone"),
        (b"2026-05-03T18:04:05Z", b"2026-05-03", "created is not of the type datetime"),
        (b"2026-05-03T18:04:05Z", b"0001-01-01T00:00:00+05:00", "created is no time"),
        (b"inode = 12", b"inode = 9223372036854775808", "inode is out of range"),
        (b"inode = 12", b"inode = 12.0", "inode is not of the type int"),
        (b"[[pair]]", b"[pair]", "pair is not a list"),
        (b"inode = 12\n\n[[pair]]", b"inode = 12\npair = [1]\n[x]", "a key that no card has"),
        (b'role = "primary"', b'role = "third"', "role is neither"),
        (b'name = "recordings"', b'name = "\\u001b"', "name is longer than 200 characters, or not printable"),
        (b'name = "recordings"', b"name = []", "name is not of the type str"),
    ],
)
def test_what_is_not_a_card(old: bytes, new: bytes, says: str) -> None:
    content = GOOD.replace(old, new, 1)
    assert content != GOOD
    with pytest.raises(ValueError, match=says):
        decode(content)


@given(st.binary(max_size=200), st.integers(0, len(GOOD)), st.integers(0, 50))
def test_damage_anywhere_is_an_error_or_a_card(junk: bytes, where: int, dropped: int) -> None:
    try:
        card = decode(GOOD[:where] + junk + GOOD[where + dropped :])
    except ValueError:
        return
    assert decode(encode(card)) == card


def test_ids_are_random_uuids() -> None:
    one, other = new_id(), new_id()
    assert one != other
    assert one[14] == "4"  # RFC 9562, section 5.4: the version stands there


def test_a_pair_joins_a_primary_and_replaces_its_namesake() -> None:
    both = with_pair(CARD, OTHER)
    assert both.pairs == (PAIR, OTHER)
    again = replace(PAIR, id=new_id())
    assert with_pair(both, again).pairs == (OTHER, again)


def test_a_secondary_serves_one_pair() -> None:
    secondary = replace(CARD, pairs=(replace(PAIR, role="secondary"),))
    for card, entry in (
        (secondary, OTHER),
        (secondary, replace(OTHER, role="secondary")),
        (CARD, replace(OTHER, role="secondary")),
    ):
        with pytest.raises(WrongDrive, match='already belongs to the pair "recordings"'):
            with_pair(card, entry)
    assert with_pair(secondary, replace(PAIR, role="primary")).pairs == (PAIR,)


def test_elsewhere() -> None:
    assert elsewhere(CARD, 12, "1234-ABCD") is None
    assert elsewhere(CARD, 12, None) is None
    assert elsewhere(replace(CARD, filesystem=""), 12, "1234-ABCD") is None
    assert elsewhere(replace(CARD, inode=0), 99, "1234-ABCD") is None
    assert "file system 1234-ABCD, and this one is 9999-0000" in str(elsewhere(CARD, 12, "9999-0000"))
    assert "file number 12, and here it is number 13" in str(elsewhere(CARD, 13, "1234-ABCD"))
