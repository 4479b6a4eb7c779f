"""Settings that are secret: shown in no message, no representation and no JSON, also where they are wrong."""

from __future__ import annotations

import json
import traceback

import pytest

from nightferry.errors import WrongUse
from nightferry.settings import load

SECRET = "hunter2-in-an-address"
LEAST = '[[pair]]\nname = "recordings"\nprimary = "/srv/recordings"\nsecondary = "/srv/recordings-second"\n'


@pytest.mark.filterwarnings("ignore:Pydantic serializer warnings")  # of settings that are not JSON's own types
def test_what_is_right_is_not_shown(write) -> None:
    settings = load(
        write(
            f'heartbeat_url = "https://watch.example.org/{SECRET}"\n{LEAST}'
            f'alert_urls = ["json://localhost/{SECRET}"]\nalert_command = ["/bin/tell", "{SECRET}"]\n'
        )
    )
    for shown in (repr(settings), str(settings), f"{settings}", settings.model_dump_json(), str(settings.pair[0])):
        assert SECRET not in shown
    assert json.loads(settings.model_dump_json())["pair"][0]["alert_urls"] == "**********"
    # Or nothing could have shown it.
    assert settings.pair[0].alert_urls[0].get_secret_value().endswith(SECRET)
    assert settings.heartbeat_url is not None and settings.heartbeat_url.get_secret_value().endswith(SECRET)
    assert settings.pair[0].alert_command[1] == SECRET


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (f'alert_urls = "{SECRET}"', "it is not a list of texts"),
        (f'alert_urls = ["{SECRET}"]', "number 1 is not an address"),
        (f'alert_urls = ["json://localhost", "json://\\n{SECRET}"]', "number 2 is not an address"),
        (f"alert_urls = {json.dumps(['json://' + SECRET] * 11)}", "11 addresses are too many"),
        (f'alert_command = "{SECRET}"', "it is not a list of texts"),
        (f'alert_command = ["{SECRET}"]', "not a whole path"),
        (f'heartbeat_url = "https://{SECRET}"', "it belongs"),  # not to a pair
        (f'alert_url = ["json://{SECRET}"]', 'did you mean "alert_urls"?'),
    ],
)
def test_what_is_wrong_is_not_shown(write, line: str, said: str) -> None:
    with pytest.raises(WrongUse) as caught:
        load(write(LEAST + line))
    shown = "".join(traceback.format_exception(caught.value))
    assert SECRET not in shown
    assert said in str(caught.value) or said == "it belongs"


@pytest.mark.parametrize("value", [f'"ftp://{SECRET}"', f'["{SECRET}"]', f'"{SECRET}"', f'"https://{SECRET}\\u0007"'])
def test_a_wrong_heartbeat_is_not_shown(write, value: str) -> None:
    with pytest.raises(WrongUse, match="heartbeat_url: it is not an address") as caught:
        load(write(f"heartbeat_url = {value}\n{LEAST}"))
    assert SECRET not in str(caught.value)


def test_the_environment_sets_them_too(write, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTFERRY_HEARTBEAT_URL", f"https://watch.example.org/{SECRET}")
    monkeypatch.setenv("NIGHTFERRY_STATUS_PUBLIC", "true")
    monkeypatch.setenv("NIGHTFERRY_DEFAULTS__ALERT_URLS", f'["json://localhost/{SECRET}"]')
    monkeypatch.setenv("NIGHTFERRY_DEFAULTS__WATCH_DAY", "false")
    settings = load(write(LEAST))
    assert settings.status_public and not settings.pair[0].watch_day
    assert settings.heartbeat_url is not None and len(settings.pair[0].alert_urls) == 1
    monkeypatch.setenv("NIGHTFERRY_HEARTBEAT_URL", SECRET)
    with pytest.raises(WrongUse, match="environment variable NIGHTFERRY_HEARTBEAT_URL: it is not") as caught:
        load(write(LEAST))
    assert SECRET not in str(caught.value)


def test_what_may_be_off(write) -> None:
    settings = load(write(f'heartbeat_url = "off"\nmetrics_file = "off"\n{LEAST}'))
    assert settings.heartbeat_url is None and settings.metrics_file is None
    with pytest.raises(WrongUse, match=r'metrics_file: .*or "off"'):
        load(write(f'metrics_file = "metrics.prom"\n{LEAST}'))
