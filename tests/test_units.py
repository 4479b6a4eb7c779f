"""units.py, against coreutils (numfmt, date), bash's printf and Python's own codecs."""

import ast
import base64
import json
import subprocess
import sys
import unicodedata
from datetime import UTC, datetime, time, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from nightferry import units

# Control, format, line and paragraph separators, surrogates, unassigned (Unicode Standard, table 4-4).
_UNSAFE = {"Cc", "Cf", "Zl", "Zp", "Cs", "Cn"}

# --- reading ---


def _date_seconds(phrase: str) -> int:
    out = subprocess.run(
        ["date", "-u", "-d", f"1970-01-01 UTC + {phrase}", "+%s"], capture_output=True, text=True, check=True
    )
    return int(out.stdout)


@pytest.mark.parametrize(
    ("text", "phrase"),
    [
        ("30d", "30 days"),
        ("12h", "12 hours"),
        ("90min", "90 minutes"),
        ("45s", "45 seconds"),
        ("2w", "2 weeks"),
        ("36500d", "36500 days"),
        ("0s", "0 seconds"),
        (" 5 D ", "5 days"),
    ],
)
def test_durations_as_date_of_coreutils_counts_them(text: str, phrase: str) -> None:
    assert units.parse_duration(text).total_seconds() == _date_seconds(phrase)


def test_durations_with_decimals() -> None:
    assert units.parse_duration("1.5h") == timedelta(minutes=90)
    assert units.parse_duration("0.000001s") == timedelta(microseconds=1)


@pytest.mark.parametrize(
    "text",
    ["", "30", "d", "-1d", "+1d", "1m", "1mo", "1y", "1d2h", "1e3d", "nan", "inf", "infd", "36501d", "9" * 5000 + "d",
     "1.d", ".5d", "٣d", "1 \nd", "1d\n", "0x1d", "1_0d", "1  d"],
)  # fmt: skip
def test_durations_refused(text: str) -> None:
    with pytest.raises(ValueError, match="allowed: a number and a unit") as refused:
        units.parse_duration(text)
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 400


def test_m_is_refused_with_a_hint() -> None:
    with pytest.raises(ValueError, match='minutes are written "min"'):
        units.parse_duration("5m")


def _numfmt(kind: str, text: str) -> int:
    out = subprocess.run(["numfmt", f"--from={kind}", text], capture_output=True, text=True, check=True)
    return int(out.stdout)


@pytest.mark.parametrize("number", ["1", "20", "1.5", "7.25", "0"])
@pytest.mark.parametrize("prefix", list("KMGTPE"))
def test_sizes_as_numfmt_of_coreutils_reads_them(number: str, prefix: str) -> None:
    if prefix == "E" and float(number) > 7:  # beyond the largest file
        number = "7.5"
    assert units.parse_size(f"{number}{prefix}iB") == _numfmt("iec-i", f"{number}{prefix}i")
    assert units.parse_size(f"{number}{prefix}B") == _numfmt("si", f"{number}{prefix}")


def test_sizes_at_the_edges() -> None:
    assert units.parse_size("0") == 0
    assert units.parse_size("20 GiB") == 21_474_836_480
    assert units.parse_size("1kB") == units.parse_size("1KB") == 1000
    assert units.parse_size("9223372036854775807B") == 2**63 - 1
    assert units.parse_size("0.1KiB") == 102  # 102.4, rounded down


@pytest.mark.parametrize(
    "text",
    ["", "5", "20G", "20gib", "20Gb", "-1GiB", "nan", "inf", "1e3GiB", "8EiB", "9223372036854775808B", "0.5B",
     "9" * 5000 + "B", "1,5GiB", "GiB", "0.0"],
)  # fmt: skip
def test_sizes_refused(text: str) -> None:
    with pytest.raises(ValueError, match="allowed: a number and a unit") as refused:
        units.parse_size(text)
    assert len(str(refused.value)) < 400


@pytest.mark.parametrize(
    ("text", "share"),
    [("20%", 0.2), ("12.5 %", 0.125), ("100%", 1.0), ("0%", 0.0), ("0.2", 0.2), ("1.0", 1.0), ("0", 0.0),
     ("all", 1.0), ("off", 0.0)],
)  # fmt: skip
def test_shares(text: str, share: float) -> None:
    assert units.parse_share(text) == share


@pytest.mark.parametrize(
    "text", ["", "1", "20", "101%", "100.1%", "-1%", "1.1", "nan", "inf", "nan%", "1e-1", "All", "%", "." + "1" * 99]
)
def test_shares_refused(text: str) -> None:
    with pytest.raises(ValueError, match="allowed: a percentage"):
        units.parse_share(text)


@given(st.times())
def test_clock_reads_what_isoformat_writes(moment: time) -> None:
    moment = moment.replace(second=0, microsecond=0)
    assert units.parse_clock(moment.isoformat(timespec="minutes")) == moment


def test_clock_with_one_digit() -> None:
    assert units.parse_clock("2:30") == time(2, 30)


@pytest.mark.parametrize("text", ["", "24:00", "02:60", "2", "02:30:00", "0230", "-2:30", "2:3", "02:30 pm", "02:30\n"])
def test_clock_refused(text: str) -> None:
    with pytest.raises(ValueError, match="allowed: hours and minutes"):
        units.parse_clock(text)


@given(st.text() | st.from_regex(r"[0-9.]{1,30} ?(s|min|d|w|GiB|EB|%)?", fullmatch=True))
@example("\ud800")
def test_readers_give_a_value_in_range_or_one_sentence(text: str) -> None:
    limits = (
        (units.parse_duration, timedelta(0), units.LONGEST_DURATION),
        (units.parse_size, 0, units.LARGEST_SIZE_BYTES),
        (units.parse_share, 0.0, 1.0),
        (units.parse_clock, time.min, time.max),
    )
    for read, least, most in limits:
        try:
            value = read(text)
        except ValueError as refused:
            assert type(refused) is ValueError
            assert "allowed:" in str(refused)
            assert _UNSAFE.isdisjoint(map(unicodedata.category, str(refused)))
        else:
            assert least <= value <= most


@given(st.timedeltas(timedelta(0), units.LONGEST_DURATION))
def test_a_written_duration_reads_back(duration: timedelta) -> None:
    whole = timedelta(seconds=duration // timedelta(seconds=1))
    assert units.parse_duration(units.write_duration(duration)) == whole


def test_a_written_duration_uses_the_largest_unit() -> None:
    written = [units.write_duration(timedelta(seconds=s)) for s in (0, 59, 60, 5400, 7200, 86400, 14 * 86400)]
    assert written == ["0s", "59s", "1min", "90min", "2h", "1d", "14d"]
    with pytest.raises(ValueError, match="negative"):
        units.write_duration(timedelta(seconds=-1))


# --- showing ---


def test_sizes_shown_as_numfmt_of_coreutils_shows_them() -> None:
    sizes = [1024, 1100, 1536, 1024**2 - 1, 1024**2, 1_503_238_554, 10**10, 1024**3 * 1000, 1024**4, 2**60, 2**63 - 1]
    out = subprocess.run(
        ["numfmt", "--to=iec-i", "--round=nearest", "--format=%.1f", *map(str, sizes)],
        capture_output=True,
        text=True,
        check=True,
    )
    expected = [f"{shown[:-2]} {shown[-2:]}B" for shown in out.stdout.split()]
    assert [units.format_size(size).replace(",", "") for size in sizes] == expected


def test_small_and_odd_sizes() -> None:
    assert units.format_size(0) == "0 B"
    assert units.format_size(1023) == "1023 B"
    assert units.format_size(-1536) == "-1.5 KiB"
    assert units.format_size(2**80).endswith(",576.0 EiB")


@given(st.integers(1024, 2**63))
def test_a_shown_size_is_within_half_of_its_last_digit(size_bytes: int) -> None:
    number, unit = units.format_size(size_bytes).split(" ")
    unit_bytes = units.parse_size(f"1{unit}")
    tenths = int(number.replace(",", "").replace(".", ""))
    assert abs(tenths * unit_bytes - size_bytes * 10) * 2 <= unit_bytes
    assert 10 <= tenths < 10240


def test_rates() -> None:
    assert units.format_rate(40_055_603.2) == "38.2 MiB/s"
    assert units.format_rate(0.0) == "0 B/s"
    assert [units.format_rate(float(odd)) for odd in ("nan", "inf", "-inf")] == ["unknown"] * 3


@pytest.mark.parametrize(
    ("duration_s", "shown"),
    [(0, "0.0 s"), (-0.01, "0.0 s"), (0.44, "0.4 s"), (9.94, "9.9 s"), (9.96, "10 s"), (45, "45 s"), (59.4, "59 s"),
     (59.6, "1 min 00 s"), (303, "5 min 03 s"), (3599.6, "1 h 00 min"), (7500, "2 h 05 min"), (7529, "2 h 05 min"),
     (7530, "2 h 06 min"), (172_799, "2 d 00 h"), (273_600, "3 d 04 h"), (-45, "-45 s")],
)  # fmt: skip
def test_durations_shown(duration_s: float, shown: str) -> None:
    assert units.format_duration(duration_s) == shown


@given(st.floats(0, 1e12))
def test_a_shown_duration_is_within_half_of_its_last_unit(duration_s: float) -> None:
    words = units.format_duration(duration_s).replace(",", "").split(" ")
    seconds = {"s": 1, "min": 60, "h": 3600, "d": 86400}
    read_s = sum(float(number) * seconds[unit] for number, unit in zip(words[::2], words[1::2], strict=True))
    last_s = seconds[words[-1]] if "." not in words[0] else 0.1
    assert abs(read_s - duration_s) <= last_s / 2 + 1e-3


def test_endless_durations() -> None:
    assert [units.format_duration(float(odd)) for odd in ("nan", "inf", "-inf")] == ["unknown"] * 3


def test_counts() -> None:
    assert [units.format_count(n) for n in (0, 999, 1000, 12345, -1234567)] == [
        "0",
        "999",
        "1,000",
        "12,345",
        "-1,234,567",
    ]


def test_moments() -> None:
    summer = timezone(timedelta(hours=2), "CEST")
    assert units.format_moment(datetime(2026, 5, 3, 2, 30, 7, 999_999, summer)) == "2026-05-03 02:30:07 +02:00"
    assert units.format_moment(datetime(2026, 1, 3, tzinfo=UTC)) == "2026-01-03 00:00:00 +00:00"
    with pytest.raises(ValueError, match="without a time zone"):
        units.format_moment(datetime(2026, 5, 3))


# --- names ---

HOSTILE = [
    b"2026-05 spring concert/01 kyrie.wav",
    b"new\nline", b"tab\there", b"\x1b[2J\x1b]0;title\x07", b"\x00\x7f", b"\xff\xfe", b"caf\xc3\xa9", b"caf\xe9",
    b"back\\slash\\n", b"\\x1b", "\u202egnp.exe".encode(), "zero\u200bwidth".encode(), "\u0085\u009b31m".encode(),
    "\u2028\u2029".encode(), "\U000e0041".encode(), "\u0378".encode(), b"\xed\xa0\x80", b"\xc3(", "\ufffd".encode(),
    "Große Messe 🎶".encode(), b"-rf", b"'quote' \"double\" $HOME `id` %s", b"a" * 255,
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_bash_reads_a_shown_name_back(name: bytes) -> None:
    out = subprocess.run(
        ["bash", "-c", 'printf %b "$1"', "bash", units.show_name(name)],
        capture_output=True,
        check=True,
        env={"LC_ALL": "C.UTF-8", "PATH": "/usr/bin:/bin"},
    )
    assert out.stdout == name


@pytest.mark.parametrize(
    ("name", "shown"),
    [(b"a\nb", r"a\nb"), (b"\x1b[0m", r"\x1b[0m"), ("\u202e".encode(), r"\u202e"), (b"\\", r"\\"), (b"\xff", r"\xff"),
     ("\u0085".encode(), r"\u0085"), (b"\x85", r"\x85"), ("é 🎶".encode(), "é 🎶")],
)  # fmt: skip
def test_shown_forms(name: bytes, shown: str) -> None:
    assert units.show_name(name) == shown


def _read_shown(shown: str) -> bytes:
    """Undo the form with Python's own reader of escapes, which shares no code with the writer."""
    out = bytearray()
    rest = shown
    while rest:
        length = {"\\": {"x": 4, "u": 6, "U": 10}.get(rest[1:2], 2)}.get(rest[0], 1)
        piece, rest = rest[:length], rest[length:]
        if piece.startswith("\\"):
            piece_is_byte = piece[1] == "x"
            character = ast.literal_eval(f"'{piece}'")
            out += bytes([ord(character)]) if piece_is_byte else character.encode()
        else:
            out += piece.encode()
    return bytes(out)


_NAMES = st.binary(max_size=80) | st.text(max_size=40).map(lambda text: text.encode("utf-8", "surrogatepass"))


@given(_NAMES)
def test_a_shown_name_is_safe_and_stands_for_one_name_only(name: bytes) -> None:
    shown = units.show_name(name)
    assert _UNSAFE.isdisjoint(map(unicodedata.category, shown))
    assert len(shown.splitlines()) <= 1
    shown.encode()
    assert _read_shown(shown) == name


def test_every_character_of_an_unsafe_category_is_escaped() -> None:
    for code in range(sys.maxunicode + 1):
        category = unicodedata.category(chr(code))
        shown = units.show_text(chr(code))
        assert (shown == chr(code)) == (category not in _UNSAFE and code != 0x5C), hex(code)


@given(_NAMES)
@example(b"caf\xe9")
def test_names_in_json(name: bytes) -> None:
    found = json.loads(json.dumps(units.json_name(name)))
    if "path_bytes" in found:
        assert base64.b64decode(found["path_bytes"], validate=True) == name
        assert "\ufffd" in found["path"]
        with pytest.raises(UnicodeDecodeError):
            name.decode()
    else:
        assert found == {"path": name.decode()}


def test_importing_units_is_cheap() -> None:
    """`--help` imports it: no third-party module, nor a slow one of the standard library, comes along."""
    # -I and -S: no site-packages, whose start-up files import things of their own.
    source = Path(units.__file__).parents[1]
    code = f"import sys; sys.path.insert(0, {str(source)!r}); import nightferry.units; print(*sys.modules)"
    out = subprocess.run([sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in out.stdout.split()}
    assert loaded <= {*sys.stdlib_module_names, "nightferry", "__main__"}
    assert not loaded & {"decimal", "fractions", "typing", "asyncio", "inspect", "subprocess"}
