"""From what validation found to sentences for a person."""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from nightferry.errors import WrongUse
from nightferry.units import quoted

_MOST_SHOWN = 40


@dataclass(frozen=True)
class Problem:
    """One wrong thing: the setting it is about (None: the configuration as a whole), and what to say of it."""

    setting: str | None
    sentence: str
    is_contradiction: bool = False


class ContradictionError(ValueError):
    """Settings that are each allowed, and not together."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("; ".join(f"{problem.setting}: {problem.sentence}" for problem in problems))
        self.problems = problems


def nearest(name: str, known: Iterable[str]) -> str:
    """A suggestion to stand in a sentence, or nothing where no known name is near."""
    by_folded = {candidate.casefold(): candidate for candidate in known}
    found = difflib.get_close_matches(name[:100].casefold(), by_folded, n=1)
    return f' (did you mean "{by_folded[found[0]]}"?)' if found else ""


def refusal(sentences: list[str]) -> WrongUse:
    """One error for all that is wrong, a sentence to a line, each once."""
    lines = list(dict.fromkeys(sentences))
    if len(lines) > _MOST_SHOWN:
        lines[_MOST_SHOWN:] = [f"and {len(lines) - _MOST_SHOWN} more problems, not shown"]
    return WrongUse("\n".join(lines))


def unknown_setting(name: str, known: Iterable[str], elsewhere: str = "") -> str:
    """The sentence about a setting that nobody knows."""
    names = list(known)
    suggestion = nearest(name, names)
    hint = elsewhere or suggestion or f"; allowed: {', '.join(names)}"
    return f"{quoted(name)} is not a setting here{hint}"


def problems_of(error: ValidationError, known: Iterable[str]) -> list[Problem]:
    """What pydantic found, as sentences.

    Every value has a validator of its own that raises ValueError with a sentence, so besides those there are only
    settings that are missing or unknown.
    """
    problems: list[Problem] = []
    for detail in error.errors(include_url=False):
        setting = ".".join(str(part) for part in detail["loc"])
        cause: Any = detail.get("ctx", {}).get("error")
        if isinstance(cause, ContradictionError):
            problems += [Problem(found.setting, found.sentence, is_contradiction=True) for found in cause.problems]
        elif detail["type"] == "missing":
            problems.append(Problem(setting, "is missing; it has no default, so it has to be given"))
        elif detail["type"] == "extra_forbidden":
            problems.append(Problem(setting, unknown_setting(setting, known)))
        else:
            problems.append(Problem(setting, str(cause) if cause else detail["msg"]))
    return problems
