"""config.example.toml: loads, mentions every setting, and states the real defaults."""

import re
import tomllib
from pathlib import Path

import pytest

from nightferry.settings import PairSettings, Settings, load

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"
NEEDED = {"name", "primary", "secondary"}


def _uncommented() -> str:
    """The example with every commented setting and table set; prose has a blank after its "#"."""
    return re.sub(r"(?m)^#(?=[a-z_]+ = |\[)", "", EXAMPLE.read_text(encoding="utf-8"))


def test_the_example_loads() -> None:
    settings = load(EXAMPLE)
    assert [pair.name for pair in settings.pair] == ["recordings"]
    assert settings.pair[0].primary == Path("/srv/recordings")


def test_only_what_is_needed_is_set() -> None:
    """So that the example is the least that works, and everything else in it is a default."""
    tables = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    assert set(tables) == {"pair"}
    assert set(tables["pair"][0]) == NEEDED


def test_every_setting_appears_in_the_example() -> None:
    tables = tomllib.loads(_uncommented())
    assert set(tables) - {"defaults"} == set(Settings.model_fields)
    assert set(tables["pair"][0]) == set(PairSettings.model_fields)


def test_every_default_in_the_example_is_the_real_default(write, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = load(write(_uncommented()))
    for name, field in Settings.model_fields.items():
        if name != "pair":
            assert name in settings.model_fields_set
            assert getattr(settings, name) == field.default, name
    for name, field in PairSettings.model_fields.items():
        if name not in NEEDED:
            assert name in settings.pair[0].model_fields_set
            assert getattr(settings.pair[0], name) == field.default, name
    assert tomllib.loads(_uncommented())["defaults"] == {
        "finish_by": f"{PairSettings.model_fields['finish_by'].default:%H:%M}"
    }


def test_the_commented_second_pair_rotates_a_secondary(write) -> None:
    first, second = load(write(_uncommented())).pair
    assert second.primary == first.primary
    assert second.secondary != first.secondary
    assert second.may_be_absent.days == 14


def test_every_setting_is_explained() -> None:
    """A block of prose stands directly above each setting."""
    lines = EXAMPLE.read_text(encoding="utf-8").splitlines()
    places = [n for n, line in enumerate(lines) if re.match(r"#?[a-z_]+ = ", line)]
    # Those at the top, one of [defaults], and those of the first pair.
    count = len(Settings.model_fields) - 1 + 1 + len(PairSettings.model_fields)
    first_pair = places[:count]
    assert len(first_pair) == count
    for n in first_pair:
        above = lines[n - 1] if not lines[n - 1].startswith("#[") else lines[n - 2]
        assert above.startswith("# "), lines[n]
