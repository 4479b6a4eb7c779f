"""Whether a night may remove and replace, or has to wait for a person."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace

from nightferry.manifest.records import Hold
from nightferry.units import format_count

# Below this many removals and replacements a share says nothing: one of three files is a third.
SHARE_FLOOR_FILES = 5
# A drive that lost all its files at once is held at any number; so is one with a single file.
ENCRYPTION_FLOOR_FILES = 10
ENCRYPTION_SHARE = 0.8
# Encrypted or compressed bytes fill the byte values evenly: 8 bits of entropy a byte at the most
# (Shannon, 1948). 4 KiB of random bytes measure about 7.95; text, PCM sound and bitmaps stay well below.
NOISE_BITS_PER_BYTE = 7.8
# Renaming everything to one new ending is the other mark of it.
SUFFIX_SHARE = 0.8
# How a sentence ends that speaks of a limit, by which a later night knows it from a mark of an attack.
_OF_LIMIT = ("(hold_share)", "(hold_count)")


@dataclass(frozen=True)
class Limits:
    share: float | None  # of the files in the copy; None: no limit
    count: int | None  # files; None: no limit


@dataclass(frozen=True)
class Proposed:
    """What tonight would do to what the copy holds."""

    files_before: int  # files of the copy as it stands; counted only where something would be displaced
    removals: int
    replacements: int
    primary_files: int
    # Of a sample of the files to be replaced: how many turned from something readable to noise.
    sampled: int = 0
    sampled_to_noise: int = 0
    # New names, and of these the most common ending that the copy did not have before.
    additions: int = 0
    additions_with_new_suffix: int = 0
    new_suffix: str = ""

    @property
    def displaced(self) -> int:
        return self.removals + self.replacements


@dataclass(frozen=True)
class Released:
    """What a person has let pass, as it stood when the night was held."""

    removals: int
    replacements: int


@dataclass(frozen=True)
class Standing:
    """An earlier night was held, and nobody has released it."""

    removals: int
    replacements: int
    reasons: list[str]
    files_before: int  # in the copy now, without what came since the first held night


def released_or_standing(hold: Hold | None, files_before: int) -> tuple[Released | None, Standing | None]:
    """What an open hold means for tonight. ``files_before`` as in ``Standing``."""
    if hold is None:
        return None, None
    if hold.released_s is not None:
        return Released(hold.removals, hold.replacements), None
    return None, Standing(hold.removals, hold.replacements, hold.reasons.split("\n"), files_before)


def reasons_to_hold(
    proposed: Proposed, limits: Limits, released: Released | None = None, standing: Standing | None = None
) -> list[str]:
    """Each reason as a sentence; empty where the night may go on.

    A release covers what was held and as much again as the limits allow any night: should more
    have gone since, a person is asked again.

    A standing hold is judged anew by the limits of tonight. Where a limit was its only reason, it is over once what is
    still to go is within all limits: any night may do that much. Its share is of the copy as it was before the hold, so
    that new files alone never end it. Marks of an attack, or an empty primary, are no matter of limits, and may be gone
    the next night (new files under a new ending were copied that night): with them the hold stays while half of what it
    held is still to go.
    """
    displaced = proposed.displaced
    if displaced == 0 or proposed.files_before == 0:
        return []
    if standing is None:
        return _reasons(proposed, limits, released)
    before = max(1, min(proposed.files_before, standing.files_before))
    reasons = _reasons(replace(proposed, files_before=before), limits, None)
    if all(_is_of_limit(reason) for reason in reasons) and 2 * displaced >= standing.removals + standing.replacements:
        reasons += [reason for reason in standing.reasons if not _is_of_limit(reason)]
    return reasons


def _is_of_limit(reason: str) -> bool:
    return reason.endswith(_OF_LIMIT)


def _reasons(proposed: Proposed, limits: Limits, released: Released | None) -> list[str]:
    displaced = proposed.displaced
    allowance = 0
    if released is not None:
        allowance = released.removals + released.replacements
        if displaced <= allowance:
            return []
    counted = displaced - allowance
    reasons = []
    if proposed.primary_files == 0 and allowance == 0:
        reasons.append(f"the primary came up empty, and the copy holds {format_count(proposed.files_before)} files")
    share = counted / proposed.files_before
    if limits.share is not None and share > limits.share and counted > SHARE_FLOOR_FILES:
        reasons.append(
            f"{_what(proposed)}, {share:.0%} of {format_count(proposed.files_before)} files,"
            f" where the limit is {limits.share:.0%} {_OF_LIMIT[0]}"
        )
    if limits.count is not None and counted > limits.count:
        reasons.append(f"{_what(proposed)}, where the limit is {format_count(limits.count)} {_OF_LIMIT[1]}")
    if allowance == 0:
        reasons += _encryption(proposed)
    return reasons


def _what(proposed: Proposed) -> str:
    """ "40 files would be removed and 3 replaced"."""
    counts = [(proposed.removals, "removed"), (proposed.replacements, "replaced")]
    (first, done), *others = [each for each in counts if each[0]]
    told = f"{format_count(first)} {'file' if first == 1 else 'files'} would be {done}"
    return told + "".join(f" and {format_count(count)} {what}" for count, what in others)


def _encryption(proposed: Proposed) -> list[str]:
    reasons = []
    if (
        proposed.replacements >= ENCRYPTION_FLOOR_FILES
        and proposed.sampled >= ENCRYPTION_FLOOR_FILES
        and proposed.sampled_to_noise >= ENCRYPTION_SHARE * proposed.sampled
    ):
        reasons.append(
            f"of {proposed.sampled} changed files looked into, {proposed.sampled_to_noise} turned into noise,"
            " as encryption does"
        )
    if (
        proposed.removals >= ENCRYPTION_FLOOR_FILES
        and proposed.additions_with_new_suffix >= SUFFIX_SHARE * proposed.removals
        and proposed.additions_with_new_suffix >= SUFFIX_SHARE * proposed.additions
    ):
        reasons.append(
            f"{format_count(proposed.removals)} files went and"
            f" {format_count(proposed.additions_with_new_suffix)} came with one new ending, {proposed.new_suffix!r},"
            " as mass encryption does"
        )
    return reasons


def entropy_bits_per_byte(sample: bytes) -> float:
    """Shannon's entropy of the byte values; 0 for no bytes, at most 8.

    >>> entropy_bits_per_byte(bytes(range(256)))
    8.0
    """
    if not sample:
        return 0.0
    counts = Counter(sample)
    total = len(sample)
    return -sum(n / total * math.log2(n / total) for n in counts.values()) + 0.0


def turned_to_noise(before: bytes, after: bytes) -> bool:
    """Whether the head of a file lost what it began with and became noise.

    Media are compressed and look like noise further in, but they keep the mark they begin with,
    whoever edits them; encryption does not.
    """
    # Four bytes: after them a RIFF file (WAV, WebP) has its size, which every edit changes.
    return before[:4] != after[:4] and len(after) >= 1024 and entropy_bits_per_byte(after) >= NOISE_BITS_PER_BYTE
