"""model.py: defaults, and settings that do not go together. As built from Python, without a file."""

from datetime import time, timedelta
from pathlib import Path

import pytest
from pydantic import ValidationError

from nightferry.errors import WrongUse
from nightferry.settings import PairSettings, Settings


def _pair(**changes: object) -> PairSettings:
    values: dict[str, object] = {
        "name": "recordings",
        "primary": Path("/srv/recordings"),
        "secondary": Path("/srv/recordings-second"),
    }
    return PairSettings.model_validate({**values, **changes})


def test_defaults_are_those_of_the_design() -> None:
    pair = _pair()
    assert (pair.start, pair.finish_by) == (time(2, 30), time(6, 30))
    assert pair.exclude == ("*.part",)
    assert (pair.hash, pair.read_back) == ("xxh3_128", 1.0)
    assert (pair.keep_retired, pair.keep_retired_at_least) == (timedelta(days=30), timedelta(days=7))
    assert pair.keep_free == 20 * 2**30
    assert (pair.verify_cycle, pair.rehearse_every) == (timedelta(days=30), timedelta(days=30))
    assert (pair.hold_share, pair.hold_count) == (0.2, 100)
    assert pair.require_mount is True
    assert (pair.may_be_absent, pair.settle_quiet, pair.settle_limit) == (
        timedelta(0),
        timedelta(seconds=5),
        timedelta(minutes=10),
    )
    assert Settings(pair=[pair]).state_dir == Path("/var/lib/nightferry")


def test_a_pair_is_frozen_and_can_be_a_key() -> None:
    pair = _pair()
    with pytest.raises(ValidationError):
        pair.name = "other"
    assert {pair: 1}[_pair()] == 1


def test_values_of_python_are_taken_as_they_are() -> None:
    pair = _pair(keep_free=1, hold_share=None, hold_count=None, keep_retired=timedelta(days=400), read_back=0.25)
    assert (pair.keep_free, pair.hold_share, pair.hold_count) == (1, None, None)
    assert (pair.keep_retired.days, pair.read_back) == (400, 0.25)


@pytest.mark.parametrize(
    ("primary", "secondary", "relation"),
    [
        ("/srv/a", "/srv/a", "is the same as"),
        ("/srv/a", "/srv/a/", "is the same as"),
        ("/srv/a", "//srv/./a", "is the same as"),
        ("/srv/a", "/srv/a/b", "lies inside"),
        ("/srv/a/b", "/srv/a", "contains"),
    ],
)
def test_primary_and_secondary_stand_apart(primary: str, secondary: str, relation: str) -> None:
    with pytest.raises(ValidationError, match=f"secondary: .* {relation} the primary"):
        _pair(primary=primary, secondary=secondary)


def test_a_common_beginning_of_the_text_is_no_containment() -> None:
    assert _pair(primary="/srv/a", secondary="/srv/ab").secondary == Path("/srv/ab")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"keep_retired": "3d"},
            r'keep_retired_at_least: "7d" \(the default\) is more than keep_retired, "3d"; allowed',
        ),
        ({"keep_retired_at_least": "31d"}, r'"31d" is more than keep_retired, "30d" \(the default\)'),
        ({"settle_quiet": "11min"}, r'settle_quiet: "11min" is more than settle_limit, "10min" \(the default\)'),
        ({"finish_by": "02:30"}, r'finish_by: "02:30" is also the start'),
    ],
)
def test_settings_that_contradict(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        _pair(**changes)


def test_equal_limits_are_allowed() -> None:
    pair = _pair(keep_retired="7d", settle_quiet="10min", start="22:00", finish_by="05:00")
    assert pair.keep_retired == pair.keep_retired_at_least


def _two(**second: object) -> Settings:
    values = {"name": "away", "primary": "/srv/recordings", "secondary": "/srv/away", **second}
    return Settings(pair=[_pair(), _pair(**values)])


def test_pairs_may_share_a_primary() -> None:
    assert len(_two().pair) == 2


@pytest.mark.parametrize(
    ("second", "message"),
    [
        ({"name": "Recordings"}, 'pair "Recordings": name: .* already the name of pair "recordings"'),
        ({"secondary": "/srv/recordings-second"}, 'pair "away": secondary: .* is the same as the secondary of'),
        ({"secondary": "/srv/recordings-second/b"}, "lies inside the secondary of"),
        ({"primary": "/srv/x", "secondary": "/srv/recordings"}, "secondary: .* is the same as the primary of"),
        ({"primary": "/srv/recordings-second"}, "primary: .* is the same as the secondary of"),
        ({"primary": "/srv/recordings-second/copy"}, "primary: .* lies inside the secondary of"),
    ],
)
def test_pairs_that_collide(second: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        _two(**second)


@pytest.mark.parametrize("root", ["/srv/recordings", "/srv/recordings-second/state"])
def test_the_state_lies_on_no_drive_that_is_copied(root: str) -> None:
    with pytest.raises(ValidationError, match=r"state_dir: .* lies on the (primary|secondary) of pair"):
        Settings(state_dir=Path(root), pair=[_pair()])


def test_no_pairs_and_too_many_pairs() -> None:
    with pytest.raises(ValidationError, match="no pair is configured"):
        Settings(pair=[])
    with pytest.raises(ValidationError, match="201 pairs are too many"):
        Settings(pair=[_pair()] * 201)


def test_chosen() -> None:
    settings = _two()
    assert settings.chosen([]) == settings.pair
    assert [pair.name for pair in settings.chosen(["away", "recordings", "away"])] == ["away", "recordings"]
    with pytest.raises(WrongUse) as refused:
        settings.chosen(["recordigns", "away", "\x1b[2J"])
    assert str(refused.value).splitlines() == [
        'There is no pair "recordigns" (did you mean "recordings"?); the configured pairs are: recordings, away',
        r'There is no pair "\x1b[2J"; the configured pairs are: recordings, away',
    ]
