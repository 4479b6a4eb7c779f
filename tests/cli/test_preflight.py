"""`nightferry preflight` as a person runs it."""

from __future__ import annotations

from box import Box


def test_before_pairing_and_after(box: Box) -> None:
    first = box.json("preflight", code=3)
    assert first["pairs"][0]["exit_code"] == 3
    box.ok("pair", "--yes", "recordings")
    box.fill()
    box.ok("run")
    document = box.json("preflight", "recordings", code=1)  # both folders lie on one drive: no second copy
    found = {each["code"]: each for each in document["pairs"][0]["findings"]}
    assert found["identity"]["state"] == "ok"
    assert found["writable"]["state"] == "ok"
    text = box.ok("preflight", code=1)
    assert "recordings: " in text
    assert "Keep a third copy elsewhere" in text
    assert text.count("third copy") == 1


def test_an_unknown_pair_is_a_wrong_command(box: Box) -> None:
    box.ok("preflight", "rehearsals", code=2)


def test_one_pair_that_cannot_run_does_not_hide_the_other(box: Box) -> None:
    box.configure(("recordings", "scores"))
    box.ok("pair", "--yes", "scores")
    document = box.json("preflight", code=3)
    assert (document["pairs"][0]["pair"], document["pairs"][0]["exit_code"]) == ("recordings", 3)
    identity = [each for each in document["pairs"][1]["findings"] if each["code"] == "identity"]
    assert [each["state"] for each in identity] == ["ok"]
