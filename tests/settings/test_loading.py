"""loading.py: every wrong thing is one sentence with its place, and nothing else ever comes out."""

import os
import subprocess
import sys
import unicodedata
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from nightferry.errors import WrongUse
from nightferry.settings import PairSettings, Settings, load
from nightferry.settings.source import LARGEST_FILE_BYTES

PAIR = '[[pair]]\nname = "recordings"\nprimary = "/srv/recordings"\nsecondary = "/srv/second"\n'


def _refused(path: Path) -> list[str]:
    with pytest.raises(WrongUse) as refused:
        load(path)
    assert refused.value.exit_code == 2
    return str(refused.value).splitlines()


def test_the_least_that_works(write) -> None:
    loaded = load(write(PAIR))
    assert loaded == Settings(
        pair=[PairSettings(name="recordings", primary=Path("/srv/recordings"), secondary=Path("/srv/second"))]
    )


def test_a_byte_order_mark_and_windows_line_ends(write) -> None:
    assert load(write(b"\xef\xbb\xbf" + PAIR.replace("\n", "\r\n").encode())).pair[0].name == "recordings"


@pytest.mark.parametrize(
    ("content", "sentences"),
    [
        (b"", ["no pair is configured; add a [[pair]] table with name, primary and secondary"]),
        (b"pair = []", ["no pair is configured; add a [[pair]] table with name, primary and secondary"]),
        (b"\n\nx = \xff", ["line 3 holds the byte 0xff, which is not UTF-8; allowed: UTF-8"]),
        (b"\nx = = 1", ["is not valid TOML: Invalid value (at line 2, column 5)"]),
        (b"x = [", ["is not valid TOML: Invalid value (at end of document)"]),
        (b"x = 1\nx = 2\n", ["is not valid TOML: Cannot overwrite a value (at line 2, column 6)"]),
        (b"x = " + b"[" * 9999, ["is not valid TOML: lists or tables are nested too deeply"]),
        (b'[pair]\nname = "a"', ["pair: found one table, [pair]; allowed: a list of tables, each under [[pair]]"]),
        (b"pair = 5", ["pair: found 5; allowed: tables, each under [[pair]]"]),
        (b"pair = [5]", ["pair: found a list of 1; allowed: tables, each under [[pair]]"]),
        (
            b"[[pair]]",
            [
                f"pair number 1: {needed}: is missing; it has no default, so it has to be given"
                for needed in ("name", "primary", "secondary")
            ],
        ),
    ],
)
def test_documents_that_are_wrong_as_a_whole(write, content: bytes, sentences: list[str]) -> None:
    path = write(content)
    assert _refused(path) == [f"{path}: {sentence}" for sentence in sentences]


def test_a_number_of_thousands_of_digits(write) -> None:
    (line,) = _refused(write(PAIR + "hold_count = " + "9" * 5000))
    assert "holds a value that cannot be read" in line


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            'keep_retird = "3d"',
            'pair "recordings": keep_retird: "keep_retird" is not a setting here (did you mean "keep_retired"?)',
        ),
        (
            'keep_retired = "30"',
            'pair "recordings": keep_retired: "30" is not a duration; '
            'allowed: a number and a unit (s, min, h, d or w), such as "30d", up to 36500d',
        ),
        (
            "hold_count = 2.5",
            'pair "recordings": hold_count: 2.5 is not a count; '
            'allowed: a whole number from 1 to 1,000,000,000,000, or "off" or 0 for no such limit',
        ),
        (
            'keep_retired = "3d"',
            'pair "recordings": keep_retired_at_least: "7d" (the default) is more than keep_retired, "3d"; '
            "allowed: at most keep_retired",
        ),
    ],
)
def test_a_wrong_setting_is_named_with_its_place(write, text: str, sentence: str) -> None:
    path = write(PAIR + text)
    assert _refused(path) == [f"{path}: {sentence}"]


def test_top_level_settings(write) -> None:
    path = write('state_dri = "/x"\nkeep_free = "1GiB"\nprimary = "/x"\n' + PAIR)
    assert _refused(path) == [
        f'{path}: "state_dri" is not a setting here (did you mean "state_dir"?)',
        f'{path}: "keep_free" is not a setting here; it belongs into a [[pair]] table or into [defaults]',
        f'{path}: "primary" is not a setting here; it belongs into a [[pair]] table',
    ]
    path = write('state_dir = "x"\n' + PAIR)
    assert _refused(path)[0].startswith(f'{path}: state_dir: "x" is not an absolute path')


def test_a_wrong_default_is_one_problem_also_for_many_pairs(write) -> None:
    second = PAIR.replace("recordings", "more").replace("/second", "/third")
    path = write('[defaults]\nkeep_free = "20"\nname = "x"\nstrat = "01:00"\n' + PAIR + second)
    lines = _refused(path)
    assert lines[:2] == [
        f'{path}: [defaults]: "name" is not a setting here; it belongs to each [[pair]] itself',
        f'{path}: [defaults]: "strat" is not a setting here (did you mean "start"?)',
    ]
    assert lines[2].startswith(f'{path}: [defaults]: keep_free: "20" is not a size')
    assert len(lines) == 3
    assert _refused(write("defaults = 5\n" + PAIR)) == [f"{path}: defaults: found 5; allowed: a [defaults] table"]


def test_a_wrong_default_that_every_pair_overrides_is_still_wrong(write) -> None:
    (line,) = _refused(write('[defaults]\nstart = "x"\n' + PAIR + 'start = "01:00"'))
    assert "[defaults]: start" in line


def test_all_problems_come_at_once(write) -> None:
    lines = _refused(write(PAIR + 'start = "x"\nhash = "md5"\nnosuch = 1\n[[pair]]\nname = "b"\nprimary = 1'))
    assert [line.partition(": ")[2].split(": ")[:2] for line in lines] == [
        ['pair "recordings"', "start"],
        ['pair "recordings"', "hash"],
        ['pair "recordings"', "nosuch"],
        ['pair "b"', "primary"],
        ['pair "b"', "secondary"],
    ]


def test_pairs_that_collide(write) -> None:
    path = write(PAIR + PAIR.replace('"recordings"', '"RECORDINGS"'))
    lines = _refused(path)
    assert lines[0].startswith(
        f'{path}: pair "RECORDINGS": name: "RECORDINGS" is already the name of pair "recordings"'
    )
    assert lines[1].startswith(f'{path}: pair "RECORDINGS": secondary: "/srv/second" is the same as the secondary')


def test_too_many_pairs(write) -> None:
    assert _refused(write("[[pair]]\n" * 201))[0].endswith("201 pairs are too many; allowed: at most 200")


def test_two_hundred_pairs(write) -> None:
    text = "".join(f'[[pair]]\nname = "p{n}"\nprimary = "/a/{n}"\nsecondary = "/b/{n}"\n' for n in range(200))
    assert len(load(write(text)).pair) == 200


def test_files_that_cannot_be_read(tmp_path: Path, write) -> None:
    assert _refused(tmp_path / "no\nsuch") == [
        rf"{tmp_path}/no\nsuch: there is no such file; name one with --config or NIGHTFERRY_CONFIG, "
        "or create it from config.example.toml"
    ]
    assert _refused(tmp_path) == [f"{tmp_path}: is not a regular file; allowed: a file in TOML"]
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    assert "is not a regular file" in _refused(fifo)[0]
    assert "is not a regular file" in _refused(Path("/dev/zero"))[0]
    assert "cannot be read: Not a directory" in _refused(write(PAIR) / "x")[0]
    assert "cannot be read: File name too long" in _refused(tmp_path / ("x" * 300))[0]
    assert "cannot be read: " in _refused(Path("/x\0y"))[0]
    assert "cannot be read: " in _refused(Path("/\ud800"))[0]
    (tmp_path / "loop").symlink_to("loop")
    assert "cannot be read: Too many levels of symbolic links" in _refused(tmp_path / "loop")[0]


def test_a_file_without_permission(write) -> None:
    """As nobody, since root may read everything."""
    path = write(PAIR)
    path.chmod(0o600)
    code = (
        "import os, sys; from pathlib import Path; from nightferry.settings import load\n"
        "if os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "else: os.chmod(sys.argv[1], 0)\n"
        "try: load(Path(sys.argv[1]))\n"
        "except Exception as error: print(type(error).__name__, error)"
    )
    out = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    told = f"WrongUse {path}: cannot be read: Permission denied; run as root, or as a user that may read it\n"
    assert out.stdout == told


def test_a_file_that_is_too_large(write) -> None:
    line = "# the choir\n"
    fits = PAIR + line * ((LARGEST_FILE_BYTES - len(PAIR)) // len(line))
    assert load(write(fits)).pair[0].name == "recordings"
    assert _refused(write(fits + line))[0].endswith("is larger than 262,144 bytes, which are allowed")


# --- fuzzing: only Settings or WrongUse comes out ---

_FUZZ = settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def _only_settings_or_a_refusal(path: Path) -> bool:
    try:
        loaded = load(path)
    except WrongUse as refused:
        lines = str(refused).split("\n")
        assert 1 <= len(lines) <= 41
        for line in lines:
            assert {"Cc", "Cf", "Zl", "Zp", "Cs", "Cn"}.isdisjoint(map(unicodedata.category, line))
            assert len(line) < 3000
            assert "pydantic" not in line
            assert "Traceback" not in line
            assert line.startswith((f"{path}: ", "environment variable ", "and "))
        return False
    assert type(loaded) is Settings
    return True


@_FUZZ
@given(st.binary(max_size=300))
@example(b"\x00")
@example(b"x = 1979-05-27T07:32:00+24:00")
@example(b"x = 1e99999")
@example(b"a." * 5000 + b"a = 1")
@example(b"x = 0x" + b"f" * 6000)
def test_random_bytes(write, content: bytes) -> None:
    _only_settings_or_a_refusal(write(content))


@_FUZZ
@given(st.data())
def test_the_real_file_with_bytes_changed(write, data: st.DataObject) -> None:
    content = bytearray((PAIR + '[defaults]\nstart = "01:00"\nexclude = ["*.part"]\nhold_count = 5\n').encode())
    for _ in range(data.draw(st.integers(0, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    _only_settings_or_a_refusal(write(bytes(content)))


def _toml(value: object) -> str:
    """A value in TOML 1.0's inline notation."""
    match value:
        case bool():
            return str(value).lower()
        case float() | int():
            return repr(value)
        case str():
            return '"' + "".join(c if c.isalnum() or c in "/.-_ *" else f"\\U{ord(c):08x}" for c in value) + '"'
        case datetime() | date() | time():
            return value.isoformat()
        case list():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{_toml(key)} = {_toml(inner)}" for key, inner in value.items()) + "}"
    raise AssertionError(value)


_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
_PLAUSIBLE = st.sampled_from(
    ["recordings", "/srv/recordings", "/srv/second", "/srv/second/x", "/", "30d", "5s", "20GiB", "20%", "off", "all",
     "02:30", "06:30", "sha256", "0", 0, 1, 100, 0.5, True, ["*.part"], ["["], []]
)  # fmt: skip
_VALUE = _PLAUSIBLE | st.recursive(
    _TEXT | st.booleans() | st.integers() | st.floats() | st.times() | st.dates() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_TEXT, inner, max_size=3),
    max_leaves=4,
)
_SETTING = st.sampled_from(sorted(PairSettings.model_fields))
_TABLE = st.dictionaries(_SETTING | _TEXT, _VALUE, max_size=6)
_WHOLE_PAIR = st.builds(
    lambda base, extra: {**base, **extra},
    st.fixed_dictionaries(
        {
            "name": st.sampled_from(["recordings", "Recordings", "a-b", "a_b"]),
            "primary": st.sampled_from(["/srv/a", "/srv/b"]),
            "secondary": st.sampled_from(["/srv/c", "/srv/d", "/srv/c/e"]),
        }
    ),
    st.dictionaries(_SETTING, _VALUE, max_size=2),
)
_DOCUMENT = st.dictionaries(st.sampled_from(["state_dir", "defaults", "pair"]) | _TEXT, _VALUE | _TABLE, max_size=3) | (
    st.fixed_dictionaries(
        {"pair": st.lists(_WHOLE_PAIR | _TABLE, max_size=3)}, optional={"defaults": _TABLE, "state_dir": _VALUE}
    )
)
_VARIABLE = st.sampled_from(
    ["NIGHTFERRY_STATE_DIR", "NIGHTFERRY_X", "NIGHTFERRY_PAIR", "NIGHTFERRY_PAIR__A_B__START",
     *(f"NIGHTFERRY_{place}__{name.upper()}" for place in ("DEFAULTS", "PAIR__RECORDINGS")
       for name in PairSettings.model_fields)]
)  # fmt: skip
_ENVIRONMENT_TEXT = st.text(st.characters(exclude_characters="\0", max_codepoint=0xD7FF), max_size=20)


def _write_document(write: Any, document: dict[str, Any]) -> Path:
    return write("".join(f"{_toml(key)} = {_toml(value)}\n" for key, value in document.items()))


@_FUZZ
@given(_DOCUMENT)
def test_random_documents(write, document: dict[str, Any]) -> None:
    _only_settings_or_a_refusal(_write_document(write, document))


@_FUZZ
@given(
    _WHOLE_PAIR,
    st.dictionaries(_VARIABLE, _ENVIRONMENT_TEXT | _PLAUSIBLE.map(_toml) | _PLAUSIBLE.map(str), max_size=3),
)
def test_random_environments(write, pair: dict[str, Any], variables: dict[str, str]) -> None:
    with mock.patch.dict(os.environ, variables):
        _only_settings_or_a_refusal(_write_document(write, {"pair": [pair]}))


def test_the_fuzzed_documents_are_not_all_wrong(write) -> None:
    """A check of the fuzzing itself: the same writer also makes documents that load."""
    pair = {"name": "recordings", "primary": "/srv/a", "secondary": "/srv/c", "exclude": ["*.part"], "start": "01:00"}
    assert _only_settings_or_a_refusal(_write_document(write, {"pair": [pair], "defaults": {"hold_share": 0.5}}))
