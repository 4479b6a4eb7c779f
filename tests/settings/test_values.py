"""values.py: what each kind of setting takes and refuses, as written in a file."""

from datetime import date, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from nightferry.settings import PairSettings, values
from nightferry.settings.values import WRITTEN, shown

NEEDED = {"name": "recordings", "primary": "/srv/recordings", "secondary": "/srv/second"}


def _read(setting: str, value: object) -> Any:
    return getattr(PairSettings.model_validate({**NEEDED, setting: value}, context=WRITTEN), setting)


@pytest.mark.parametrize(
    ("setting", "value", "expected"),
    [
        ("name", "2026.spring_Concert-1", "2026.spring_Concert-1"),
        ("name", "a" * 64, "a" * 64),
        ("primary", "//mnt//x/./y/", Path("/mnt/x/y")),
        ("primary", "/mnt/Große Messe", Path("/mnt/Große Messe")),
        ("start", "03:15", time(3, 15)),
        ("start", time(3, 15), time(3, 15)),
        ("exclude", [], ()),
        ("exclude", ["*.tmp", "/scratch/"], ("*.tmp", "/scratch/")),
        ("hash", "sha256", "sha256"),
        ("read_back", "10%", 0.1),
        ("read_back", "off", 0.0),
        ("read_back", 0.5, 0.5),
        ("keep_free", "0", 0),
        ("keep_free", 0, 0),
        ("keep_free", "1GB", 10**9),
        ("keep_retired", "26w", timedelta(days=182)),
        ("hold_share", "off", None),
        ("hold_share", "5%", 0.05),
        ("hold_count", "off", None),
        ("hold_count", 0, None),
        ("hold_count", "0", None),
        ("hold_count", 7, 7),
        ("require_mount", False, False),
        ("may_be_absent", "14d", timedelta(days=14)),
    ],
)
def test_taken(setting: str, value: object, expected: object) -> None:
    assert _read(setting, value) == expected


@pytest.mark.parametrize(
    ("setting", "value", "found"),
    [
        *(
            ("name", wrong, "is not a pair name")
            for wrong in ("", ".hidden", "..", "-x", "a/b", "a" * 65, "a\n", "é", "a b", 5, None)
        ),
        ("primary", "srv/x", "is not an absolute path"),
        ("primary", "", "is not an absolute path"),
        ("primary", "~/x", "is not an absolute path"),
        ("primary", "/srv/../x", "holds '..'"),
        ("primary", "/", "is the root of the whole system"),
        ("primary", "//.", "is the root of the whole system"),
        ("primary", "/x\0y", "holds a NUL"),
        ("primary", "/" + "é" * 2048, "a path of 4097 bytes is too long"),
        ("primary", "/\ud800", "cannot be a path"),
        ("primary", ["/x"], "a list of 1 is not a path"),
        ("start", "25:00", '"25:00" is not a time of day'),
        ("start", time(2, 30, 1), "is not a time of day"),
        ("start", 230, "230 is not a time of day"),
        ("exclude", "*.part", "is not a list of patterns"),
        ("exclude", [1], "is not a list of patterns"),
        ("exclude", [""], "empty or too long"),
        ("exclude", ["x" * 4097], "empty or too long"),
        ("exclude", ["[z-a]"], r'"[z-a]" is not a pattern'),
        ("exclude", ["!"], '"!" is not a pattern'),
        ("exclude", ["a\nb"], "line break"),
        ("exclude", ["x"] * 1001, "1001 patterns are too many"),
        ("hash", "md5", '"md5" is not a hash'),
        ("hash", [], "is not a hash"),
        ("read_back", 1, "1 is not a share"),
        ("read_back", 1.5, "1.5 is not a share"),
        ("read_back", float("nan"), "nan is not a share"),
        ("read_back", True, "true is not a share"),
        ("keep_free", 20, "20 has no unit"),
        ("keep_free", False, "false is not a size"),
        ("keep_free", "20G", '"20G" is not a size'),
        ("keep_retired", 30, "30 is not a duration"),
        ("keep_retired", "30", '"30" is not a duration'),
        ("verify_cycle", "23h", 'is out of range; allowed: from "1d" to "36500d"'),
        ("rehearse_every", "0d", "is out of range"),
        ("rehearse_share", 1, "1 is not a share"),
        ("rehearse_limit", "0", "is not a limit"),
        ("rehearse_limit", "20G", '"20G" is not a size'),
        ("rehearse_scratch", "ram", "is not an absolute path"),
        ("rehearse_scratch", "tmp/x", "is not an absolute path"),
        ("rehearse_scratch_limit", 256, "256 has no unit"),
        ("settle_quiet", "2h", 'is out of range; allowed: from "0s" to "1h"'),
        ("settle_limit", "13h", 'is out of range; allowed: from "0s" to "12h"'),
        ("hold_share", "0%", "is not a limit"),
        ("hold_share", "off ", "is not a limit"),
        ("hold_share", 20, "20 is not a share"),
        ("hold_count", -1, "-1 is not a count"),
        ("hold_count", True, "true is not a count"),
        ("hold_count", 1.0, "1.0 is not a count"),
        ("hold_count", 10**12 + 1, "is not a count"),
        pytest.param("hold_count", 16**9999, "a number of more than 38 digits is not a count", id="huge"),
        ("require_mount", "true", "is not a yes or no"),
        ("require_mount", 1, "is not a yes or no"),
    ],
)
def test_refused(setting: str, value: object, found: str) -> None:
    with pytest.raises(ValidationError) as refused:
        _read(setting, value)
    (detail,) = refused.value.errors()
    assert detail["loc"] == (setting,)
    sentence = str(detail["ctx"]["error"])
    assert found in sentence
    assert "allowed" in sentence
    assert sentence.isprintable()


def test_what_was_found_is_shown_short() -> None:
    assert shown("\x1b" * 10_000) == '"' + r"\x1b" * 60 + '…"'
    assert shown({"a": 1}) == "a table"
    assert shown(date(2026, 5, 3)) == "the date or time 2026-05-03"
    assert shown(None) == "a value of type NoneType"


_ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.times() | st.dates() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)


@given(st.sampled_from(sorted(PairSettings.model_fields)), _ANYTHING)
def test_anything_is_taken_or_refused_in_a_sentence(setting: str, value: object) -> None:
    try:
        _read(setting, value)
    except ValidationError as refused:
        for detail in refused.errors():
            assert detail["type"] == "value_error"
            assert "allowed" in str(detail["ctx"]["error"])


def test_days() -> None:
    assert values.days("daily") == frozenset(range(7))
    assert values.days(["mon", "sun"]) == {0, 6}
    for wrong in ([], "mon", ["monday"], ["mon", 3], 5, True, {"mon": 1}, None):
        with pytest.raises(ValueError, match="allowed"):
            values.days(wrong)


def test_time_zone() -> None:
    assert values.time_zone("local") is None
    assert str(values.time_zone("America/St_Johns")) == "America/St_Johns"
    for wrong in ("Europe/Nowhere", "../../etc/passwd", "/etc/localtime", "", "x" * 5000, "a\0b", 3, True, []):
        with pytest.raises(ValueError, match="allowed"):
            values.time_zone(wrong)


def test_if_missed() -> None:
    assert values.if_missed("in window") == "in window"
    for wrong in ("", "run", True, None, ["always"]):
        with pytest.raises(ValueError, match="allowed"):
            values.if_missed(wrong)


def test_whole_number() -> None:
    read = values.whole_number(1, 1_000)
    assert (read(1), read("1000")) == (1, 1_000)
    for wrong in (0, 1_001, -1, True, 1.5, "1e3", "", None, "9" * 99):
        with pytest.raises(ValueError, match="allowed"):
            read(wrong)
