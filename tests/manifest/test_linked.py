"""Files of several names."""

from __future__ import annotations

from nightferry.manifest.linked import Linked


def test_the_name_that_was_remembered() -> None:
    linked = Linked()
    try:
        assert linked.first(7) is None
        linked.remember(7, b"\xff/01.wav")
        linked.remember(None, b"single")
        assert linked.first(7) == b"\xff/01.wav"
        assert linked.first(None) is None
        linked.remember(-(1 << 63), b"an inode of 64 bits")
        assert linked.first(-(1 << 63)) == b"an inode of 64 bits"
        linked.forget_all()
        assert linked.first(7) is None
    finally:
        linked.close()
