"""What a line should not end within: a moment, a number with its unit, a command that somebody may copy."""

from __future__ import annotations

import re

# Dates, times with their zone, and numbers with their units.
WHOLE = re.compile(
    r"(\d{4}-\d\d-\d\d|\d\d:\d\d(?::\d\d)? [+-]\d\d:\d\d|\d[\d.,]* (?:[KMGTPE]i|[kMGTPE])?[Bb](?:/s)?\b"
    r"|\d[\d.,]* (?:min \d\d s|h \d\d min|d \d\d h|s|min|h|d|°C|mA)(?!\w))"
)
_ON_A_TERMINAL = re.compile(rf"`[^`\n]+`|\d{{4}}-\d\d-\d\d \d\d:\d\d(?::\d\d)?(?: [+-]\d\d:\d\d)?|{WHOLE.pattern}")
_LONGEST = 60  # of a command: more would leave half a line empty
# Stands for a space between words that stay together while lines are filled. A noncharacter: no name that is shown has
# it (units.show_text), and a terminal takes one column for it as for a space.
JOINT = "\ufdd0"


def joined(text: str, columns: int) -> str:
    """With ``JOINT`` for such spaces; what is longer than a line is left as it is."""
    if " " not in text:
        return text
    columns = min(columns, _LONGEST)
    return _ON_A_TERMINAL.sub(
        lambda match: match[0].replace(" ", JOINT) if len(match[0]) <= columns else match[0], text
    )
