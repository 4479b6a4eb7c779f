"""problems.py: suggestions, and one error for many problems."""

from nightferry.errors import WrongUse
from nightferry.settings.problems import nearest, refusal, unknown_setting


def test_the_nearest_name_is_suggested_in_any_case() -> None:
    assert nearest("keep_retird", ["keep_free", "keep_retired"]) == ' (did you mean "keep_retired"?)'
    assert nearest("RECORDINGS", ["Recordings"]) == ' (did you mean "Recordings"?)'
    assert nearest("zzz", ["keep_free"]) == ""
    assert nearest("k" * 10**6, ["keep_free"]) == ""


def test_an_unknown_setting_without_a_near_one_lists_all() -> None:
    assert unknown_setting("zzz", ["start", "hash"]) == '"zzz" is not a setting here; allowed: start, hash'


def test_a_refusal_says_each_thing_once_and_has_an_end() -> None:
    refused = refusal(["same", "same", *(f"problem {n}" for n in range(100))])
    assert isinstance(refused, WrongUse)
    lines = str(refused).splitlines()
    assert lines[:2] == ["same", "problem 0"]
    assert len(lines) == 41
    assert lines[-1] == "and 61 more problems, not shown"
