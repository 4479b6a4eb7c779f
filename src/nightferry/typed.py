"""Paths in commands that somebody may copy into a shell: no character of a name acts there."""

from __future__ import annotations

import shlex

from nightferry.units import show_name


def typed(path: bytes) -> str:
    r"""A path as an argument, for bash and zsh: plain, in single quotes, or as ``$'…'`` for what cannot be typed.

    >>> typed(b"programme.txt"), typed(b"01 kyrie $(x).wav"), typed(b"h\xffndel's\n"), typed(b"-rf")
    ('programme.txt', "'01 kyrie $(x).wav'", "$'h\\xffndel\\'s\\n'", './-rf')
    """
    if path.startswith(b"-"):
        path = b"./" + path  # else it would be an option
    text = path.decode("utf-8", "surrogateescape")
    if text.isprintable():
        return shlex.quote(text)
    return "$'" + show_name(path).replace("'", "\\'") + "'"
