"""``nightferry release``: a person's word."""

from __future__ import annotations

from box import CONCERT, Box, everything


def test_nothing_held(paired: Box) -> None:
    paired.ok("run")
    assert "nothing to release" in paired.ok("release", "recordings")
    found = paired.json("release", "recordings")
    assert (found["released"], found["night"]) == (False, None)


def test_a_held_night_is_released_once(paired: Box) -> None:
    paired.fill(files=20)
    paired.ok("run")
    for path in (paired.primary() / CONCERT).iterdir():
        path.unlink()
    paired.ok("run", code=1)
    before = everything(paired.primary(), paired.copy(), paired.secondary() / "retired", with_access=True)
    assert [reason["code"] for reason in paired.status()["reasons"]] == ["held"]
    shown = paired.ok("release", "recordings")
    found = paired.json("status", code=1)["pairs"][0]
    assert [reason["code"] for reason in found["reasons"]] == ["released"]
    assert "the next run carries it out" in paired.ok("status", code=1)
    assert "night 2 was held" in shown and "hold_share" in shown and "to be removed" in shown and "20" in shown
    after = everything(paired.primary(), paired.copy(), paired.secondary() / "retired", with_access=True)
    assert after == before, "release itself touches nothing but the page that said what waits"
    found = paired.json("release", "recordings")
    assert (found["released"], found["was_released"], found["removals"]) == (False, True, 20)
    assert paired.json("run")["pairs"][0]["counts"]["removed"]["files"] == 20
    assert "nothing to release" in paired.ok("release", "recordings")


def test_what_is_not_a_pair_yet_is_2_and_nothing_is_made(box: Box) -> None:
    done = box.run("release", "recordings")
    assert done.returncode == 2 and not box.state.exists()
