"""The recordings are sound files that a player takes, and what is heard is the chords that were asked for."""

from __future__ import annotations

import io
import math
import wave
from array import array

import pytest

from nightferry.trial.sound import KEYS, PROGRESSIONS, RATE_HZ, Song, sing


def samples_of(content: bytes) -> array[int]:
    with wave.open(io.BytesIO(content)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 22_050)
        frames = file.readframes(file.getnframes())
        assert len(frames) == 2 * file.getnframes()
    found = array("h")
    found.frombytes(frames)
    return found


def strength(samples: array[int], hz: float) -> float:
    """How much of a frequency is in it (Goertzel, 1958: one term of the Fourier transform)."""
    factor = 2 * math.cos(2 * math.pi * hz / RATE_HZ)
    before, last = 0.0, 0.0
    for sample in samples:
        before, last = last, sample + factor * last - before
    return math.sqrt(max(0.0, last**2 + before**2 - factor * last * before)) / len(samples)


ALL = [Song(progression, key, "x") for progression in range(len(PROGRESSIONS)) for key in range(len(KEYS))]


@pytest.mark.parametrize("song", ALL, ids=str)
def test_it_is_loud_enough_and_never_clips(song: Song) -> None:
    samples = samples_of(sing(song))
    assert 4 * RATE_HZ < len(samples) < 12 * RATE_HZ
    assert 10_000 < max(map(abs, samples)) < 32_767
    assert math.sqrt(sum(each * each for each in samples) / len(samples)) > 2_000
    assert abs(samples[0]) < 100 and abs(samples[-1]) < 100, "it starts and ends without a click"


def test_the_first_chord_sounds_and_nothing_between_its_tones() -> None:
    song = Song(0, 0, "x")
    assert song.pitches_hz()[0] == (132, 198, 330, 528), "C major in just intonation: 4 : 6 : 10 : 16"
    first = samples_of(sing(song))[2_000:12_000]
    quietest = min(strength(first, hz) for hz in song.pitches_hz()[0])
    # Quarter tones away from every tone and from every overtone of the lower voices.
    assert quietest > 5 * max(strength(first, hz) for hz in (115, 165, 231, 300, 362, 497))


def test_the_same_song_is_the_same_bytes_and_another_seed_is_not() -> None:
    assert sing(Song(1, 1, "a")) == sing(Song(1, 1, "a"))
    assert sing(Song(1, 1, "a")) != sing(Song(1, 1, "b"))


def test_a_rehearsal_breaks_off_and_a_concert_has_verses() -> None:
    whole = len(sing(Song(0, 0, "a")))
    assert len(sing(Song(0, 0, "a", chords=3))) < whole < len(sing(Song(0, 0, "a", verses=2)))
    assert Song(0, 0, "a", verses=2).names() == PROGRESSIONS[0] * 2
