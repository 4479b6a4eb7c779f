"""Where settings come from: a TOML file, and above it environment variables.

Both are read into the same shape, which `Document` merges: tables of settings, each pair under its position in the
file, so that a variable can change one setting of one pair.
"""

import os
import stat
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_origin

from pydantic import Field
from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, InitSettingsSource, PydanticBaseSettingsSource

from nightferry.settings.model import PairSettings, Settings
from nightferry.settings.problems import nearest, refusal
from nightferry.units import format_count, quoted, show_text

DEFAULT_FILE = Path("/etc/nightferry.toml")
PREFIX = "NIGHTFERRY_"
FILE_VARIABLE = "NIGHTFERRY_CONFIG"
# Asks the command line for tracebacks; no setting.
DEBUG_VARIABLE = "NIGHTFERRY_DEBUG"
LARGEST_FILE_BYTES = 256 * 1024

PAIR_SETTINGS = tuple(PairSettings.model_fields)
# Those of the program as a whole.
TOP_SETTINGS = tuple(name for name in Settings.model_fields if name != "pair")
# What makes a pair this pair cannot be the same for all.
DEFAULT_SETTINGS = tuple(name for name in PAIR_SETTINGS if name not in ("name", "primary", "secondary"))


def file_to_read(path: Path | None) -> Path:
    """The configuration file: as given, else what NIGHTFERRY_CONFIG says, else /etc/nightferry.toml."""
    if path is not None:
        return path
    named = os.environ.get(FILE_VARIABLE)
    if named == "":
        raise refusal([f"{FILE_VARIABLE} is set and empty; allowed: the path of a configuration file, or not set"])
    return DEFAULT_FILE if named is None else Path(named)


def read_file(path: Path) -> dict[str, Any]:
    """The tables of a TOML file; WrongUse where there is no such file, or it is not TOML in UTF-8."""
    where = show_text(str(path))
    content = _content(path, where)
    try:
        text = content.decode("utf-8-sig")  # some editors put a byte order mark first
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise refusal(
            [f"{where}: line {line} holds the byte 0x{content[error.start]:02x}, which is not UTF-8; allowed: UTF-8"]
        ) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise refusal([f"{where}: is not valid TOML: {show_text(str(error))}"]) from None
    except RecursionError:
        raise refusal([f"{where}: is not valid TOML: lists or tables are nested too deeply"]) from None
    except (ValueError, OverflowError) as error:  # a number with thousands of digits
        raise refusal([f"{where}: holds a value that cannot be read: {show_text(str(error))}"]) from None


def _content(path: Path, where: str) -> bytes:
    try:
        # Without O_NONBLOCK, a FIFO would make the program wait for ever.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise refusal([f"{where}: is not a regular file; allowed: a file in TOML"])
            content = b""
            while len(content) <= LARGEST_FILE_BYTES and (block := os.read(descriptor, LARGEST_FILE_BYTES + 1)):
                content += block
        finally:
            os.close(descriptor)
    except FileNotFoundError:
        raise refusal(
            [
                f"{where}: there is no such file; name one with --config or {FILE_VARIABLE}, or create it "
                "from config.example.toml"
            ]
        ) from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        reason = error.strerror if isinstance(error, OSError) else str(error)
        todo = "; run as root, or as a user that may read it" if isinstance(error, PermissionError) else ""
        raise refusal([f"{where}: cannot be read: {reason}{todo}"]) from None
    if len(content) > LARGEST_FILE_BYTES:
        raise refusal([f"{where}: is larger than {format_count(LARGEST_FILE_BYTES)} bytes, which are allowed"])
    return content


@dataclass
class Environment:
    """What the variables say: values in the shape of the file, the variable behind each, and what was wrong."""

    top: dict[str, Any] = field(default_factory=dict)
    defaults: dict[str, Any] = field(default_factory=dict)
    pair: dict[str, dict[str, Any]] = field(default_factory=dict)
    variables: dict[tuple[str, ...], str] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)


def read_environment(environ: Mapping[str, str], names: Sequence[str]) -> Environment:
    """Read every NIGHTFERRY_ variable that is a setting, for pairs of these names in the order of the file."""
    found = Environment()
    for variable, text in sorted(environ.items()):
        if variable.startswith(PREFIX) and variable not in (FILE_VARIABLE, DEBUG_VARIABLE):
            try:
                _read_variable(found, variable, text, names)
            except ValueError as error:
                found.problems.append(f"environment variable {show_text(variable)}: {error}")
    return found


def _read_variable(found: Environment, variable: str, text: str, names: Sequence[str]) -> None:
    kind, _, rest = variable.removeprefix(PREFIX).partition("__")
    if kind.lower() in TOP_SETTINGS and not rest:
        _keep(found, found.top, (kind.lower(),), variable, text)
    elif kind == "DEFAULTS" and rest:
        setting = _setting(rest, DEFAULT_SETTINGS)
        _keep(found, found.defaults, ("defaults", setting), variable, text)
    elif kind == "PAIR" and "__" in rest:
        name, _, setting = rest.rpartition("__")
        position = _position(name, names)
        # The name is what the variables themselves go by.
        setting = _setting(setting, [known for known in PAIR_SETTINGS if known != "name"])
        _keep(found, found.pair.setdefault(position, {}), ("pair", position, setting), variable, text)
    else:
        raise ValueError(
            f"is not known; allowed: {FILE_VARIABLE}, "
            f"{', '.join(PREFIX + name.upper() for name in TOP_SETTINGS)}, "
            "NIGHTFERRY_DEFAULTS__<SETTING> and NIGHTFERRY_PAIR__<NAME>__<SETTING>"
        )


def _keep(found: Environment, table: dict[str, Any], key: tuple[str, ...], variable: str, text: str) -> None:
    if key in found.variables:
        raise ValueError(f"sets what {show_text(found.variables[key])} sets already; allowed: one of the two")
    found.variables[key] = variable
    table[key[-1]] = _typed(key[-1], text)


def _setting(name: str, known: Sequence[str]) -> str:
    if name.lower() in known:
        return name.lower()
    hint = nearest(name, known) or f"; allowed: {', '.join(known).upper()}"
    raise ValueError(f"there is no setting {quoted(name)}{hint}")


def _position(name: str, names: Sequence[str]) -> str:
    matching = [position for position, known in enumerate(names) if _variable_part(known) == name.upper()]
    if len(matching) == 1:
        return str(matching[0])
    if matching:
        meant = " and ".join(quoted(names[position]) for position in matching[:5])
        raise ValueError(f"could mean the pairs {meant}; set this in the file instead")
    # Names as they stand in the file, unchecked as yet.
    known = ", ".join(quoted(_variable_part(known)) for known in names[:20] if known) or "none"
    raise ValueError(f"there is no pair {quoted(name)}; the configured pairs, as variables write them, are: {known}")


def _variable_part(name: str) -> str:
    return name.upper().replace("-", "_").replace(".", "_")


def _typed(setting: str, text: str) -> Any:
    """Text as the type that the setting has in TOML, where that is no text; as it is where it does not fit."""
    if setting in _SWITCHES:
        return {"true": True, "false": False}.get(text.lower(), text)
    if setting in _LISTS and text.lstrip().startswith("["):
        try:
            return tomllib.loads(f"list = {text}")["list"]
        except (ValueError, RecursionError, OverflowError):
            return text
    return text


_FIELDS = {**PairSettings.model_fields, **Settings.model_fields}
_SWITCHES = frozenset(name for name, info in _FIELDS.items() if info.annotation is bool)
_LISTS = frozenset(name for name, info in _FIELDS.items() if get_origin(info.annotation) in (tuple, frozenset))


class _EnvironmentSource(PydanticBaseSettingsSource):
    """The variables as a source of pydantic-settings, whose own cannot address an item of a list by its name."""

    def __init__(self, settings_cls: type[BaseSettings], names: Sequence[str]) -> None:
        super().__init__(settings_cls)
        self._found = read_environment(os.environ, names)

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        value = getattr(self._found, field_name) or None
        return value, field_name, False

    def __call__(self) -> dict[str, Any]:
        # In ``top`` a value may be empty: a mistake to be reported, not a variable that is not set.
        values = {name: self.get_field_value(info, name)[0] for name, info in self.settings_cls.model_fields.items()}
        return {name: value for name, value in values.items() if value is not None}


class Document(BaseSettings):
    """The merged tables, values still as they were written: the environment above the file."""

    top: dict[str, Any] = Field(default_factory=dict)
    defaults: dict[str, Any] = Field(default_factory=dict)
    pair: dict[str, dict[str, Any]] = Field(default_factory=dict)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment first, then the file, whose tables are the arguments of the constructor."""
        assert isinstance(init_settings, InitSettingsSource)
        return _EnvironmentSource(settings_cls, pair_names(init_settings.init_kwargs["pair"])), init_settings


def pair_names(tables: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """The names in the file, in its order; empty text where one is missing or not text."""
    return [name if isinstance(name := table.get("name"), str) else "" for table in tables.values()]
