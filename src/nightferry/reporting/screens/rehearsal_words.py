"""What a restore test came to, in sentences: what was shown, by which formula, and what was not."""

from __future__ import annotations

from nightferry.planning import links
from nightferry.planning.assurance import Assurance
from nightferry.planning.restore_time import GIGABIT_SHARE_BYTES_PER_S
from nightferry.planning.sampling import DRAWN_LIMIT
from nightferry.recovery.rehearsing.result import Rehearsal
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.screens.rehearsal_line import percent
from nightferry.units import format_count, format_duration, format_rate, format_size

FORMULAS = {
    "files": (
        "the largest K with P(at most k bad among n drawn | K bad of N) > 1 - confidence, hypergeometric: for k = 0,"
        " C(N - K, n) / C(N, n) > 0.05"
    ),
    "bytes": (
        "the share p at which P(at most k of n draws meet a bad file | p) = 1 - confidence, binomial: for k = 0,"
        " 1 - 0.05 ** (1 / n)"
    ),
}
SOURCES = {
    "files": (
        "T. Wright, Exact Confidence Bounds when Sampling from Small Finite Universes, Springer 1991; for k = 0 about"
        " 3 / n: J. A. Hanley and A. Lippman-Hand, JAMA 1983;249:1743-1745"
    ),
    "bytes": (
        "C. J. Clopper and E. S. Pearson, Biometrika 1934;26:404-413; the draws are those of monetary-unit sampling:"
        " D. A. Leslie, A. D. Teitlebaum and R. J. Anderson, Dollar-Unit Sampling, 1979"
    ),
}
_COUNTED = "none is needed: all of it was tried, and what failed was counted"
_STOPPED = {"limit": "rehearse_limit was reached", "time": "the window closed", "asked": "it was asked to stop"}
_HEADLINES = {
    "passed": "the rehearsal passed",
    "short": "nothing was wrong, and less was tried than was wanted",
    "mismatches": "the rehearsal found what does not come back right",
    "impossible": "the secondary alone was not enough",
}


def formula(assurance: Assurance) -> str:
    """How the statement was computed."""
    return _COUNTED if assurance.is_counted else FORMULAS[assurance.counted]


def source(assurance: Assurance) -> str:
    """Where the formula is from."""
    return "a count, which needs none" if assurance.is_counted else SOURCES[assurance.counted]


def headline(rehearsal: Rehearsal) -> str:
    """The outcome in a few words."""
    return f"{rehearsal.pair}: {_HEADLINES[rehearsal.outcome]}"


def proved(assurance: Assurance) -> str:
    """One statement, whole."""
    sure = f"With {assurance.confidence:.0%} confidence"
    if assurance.counted == "files":
        return _about_files(assurance, sure)
    return _about_bytes(assurance, sure)


def _about_files(assurance: Assurance, sure: str) -> str:
    if assurance.population == 0:
        return "There are no files of which anything could be said."
    total = counted(assurance.population, "file")
    if assurance.is_counted:
        if assurance.failed == 0:
            return f"All {total} were tried, and each came back right."
        return f"All {total} were tried; {format_count(assurance.failed)} did not come back right."
    of = f"{format_count(assurance.done)} of {total}, drawn blindly, {_failed(assurance.failed)}"
    most = f"at most {format_count(assurance.most)} of the {total} ({percent(assurance.share)})"
    return f"{of}. {sure}, {most} cannot be restored.{_undone(assurance)}"


def _about_bytes(assurance: Assurance, sure: str) -> str:
    if assurance.population == 0:
        return "There are no bytes of which anything could be said."
    size = format_size(assurance.population)
    if assurance.is_counted:
        if assurance.failed == 0:
            return f"All of the {size} came back right."
        return f"All of the {size} was tried; files that hold {percent(assurance.share)} of it did not come back right."
    of = f"{counted(assurance.done, 'draw')} among the bytes, each meeting the file that holds it, {_met(assurance)}"
    most = f"the files that cannot be restored hold at most {percent(assurance.share)} of the {size}"
    return f"{of}. {sure}, {most}.{_undone(assurance)}"


def _failed(failed: int) -> str:
    if failed == 0:
        return "all came back right"
    return f"were tried, and {format_count(failed)} of them did not come back right"


def _met(assurance: Assurance) -> str:
    if assurance.failed == 0:
        return "met none that is wrong"
    return f"were tried, and {format_count(assurance.failed)} of them met one that did not come back right"


def _undone(assurance: Assurance) -> str:
    if not assurance.counts_undone:
        return ""
    return f" ({format_count(assurance.planned - assurance.done)} planned and not carried out count as failed here.)"


def assumptions(rehearsal: Rehearsal) -> list[str]:
    """What the times of a whole restore rest on."""
    rate = rehearsal.pace.rate_bytes_per_s
    if rate is None:
        return ["Too little was read to measure a rate, so that no time is told."]
    found = [
        f"{format_count(rehearsal.population.files)} files at {rehearsal.pace.per_file_s * 1000:.1f} ms each, and"
        f" {format_size(rehearsal.population.size_bytes)} at {format_rate(rate)}: a straight line through the times of"
        " what was restored.",
        "The new drive takes data at least as fast as the secondary gives it, and nobody else works on either.",
        f"Over the network: of 1 Gb/s, {format_rate(links.ethernet_payload_bytes_per_s(1e9))} are content (1,448 of"
        " 1,538 bytes of a frame: TCP over IPv4 with timestamps, MTU 1,500), and sharing files gives"
        f" {links.FILE_SHARING_SHARE:.0%} of that, {format_rate(GIGABIT_SHARE_BYTES_PER_S)} (common practice, no"
        " source). Nothing else uses it.",
        "Only what the copy holds now; no retired versions. Not counted: finding and fitting a drive.",
    ]
    if rehearsal.place.in_memory:
        found.append("Files were written into memory, which is faster than a drive.")
    if not rehearsal.past_cache:
        found.append("The cache of this drive was emptied, and not passed by, so that the rate may be too good.")
    return found


def not_covered(rehearsal: Rehearsal) -> list[str]:
    """What this rehearsal says nothing about."""
    if rehearsal.impossible is not None:
        return ["Everything: no file could be restored."]
    population = rehearsal.population
    found = ["Files that no night has copied yet, and whatever is not on this one secondary."]
    retired = sum(each.pick.side == "retired" for each in rehearsal.tested)
    if population.retired_files:
        found.append(
            f"Of {counted(population.retired_files, 'retired version')} {format_count(retired)} were restored; of the"
            " others it proves nothing."
        )
    found.append("Symlinks and folders but those restored, whose content is in the manifest.")
    if any(each.pick.stat.nlink > 1 for each in rehearsal.tested):
        found.append("That names which share one file (hard links) would share it again: each was restored by itself.")
    streamed, streamed_bytes = rehearsal.restored(streamed=True)
    if streamed:
        why = rehearsal.place.why_none or "too large for the scratch place, or of a name that it cannot hold"
        found.append(
            f"The metadata of {counted(streamed, 'file')} ({format_size(streamed_bytes)}) that could only be read and"
            f" compared: {why}."
        )
    if rehearsal.lost:
        lost = ", ".join(f"{what} ({format_count(n)})" for what, n in sorted(rehearsal.lost.items()))
        found.append(f"What the scratch place's file system ({rehearsal.place.file_system}) cannot hold: {lost}.")
    if rehearsal.passed_over:
        found.append(f"{counted(len(rehearsal.passed_over), 'file')} larger than rehearse_limit allows.")
    if rehearsal.stopped is not None:
        found.append(f"What was drawn and not reached, since {_STOPPED[rehearsal.stopped]}.")
    if any(each.planned >= DRAWN_LIMIT and not each.is_counted for each in rehearsal.assurances):
        found.append(f"More than {format_count(DRAWN_LIMIT)} draws: for that, `nightferry verify` reads everything.")
    found.append("Damage that comes after today; a drive that fails as a whole: keep a third copy elsewhere.")
    return found


def times(rehearsal: Rehearsal) -> str:
    """How long a whole restore would take."""
    whole = rehearsal.whole
    if whole is None or whole.local_s is None or whole.network_s is None:
        return "How long a whole restore would take cannot be told from so little."
    return (
        f"All of it ({format_size(whole.size_bytes)} in {counted(whole.files, 'file')}) would take"
        f" {format_duration(whole.local_s)} to a drive in the same machine, and {format_duration(whole.network_s)} over"
        " a gigabit network."
    )
