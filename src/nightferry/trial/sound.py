"""A small choir that sings on the spot: four voices, two singers each, as 16-bit mono WAV at 22,050 Hz.

Each voice is a sum of a few sine partials with vibrato. Every pitch is a whole number of hertz, as is the
vibrato, so that one second of a chord continues into itself and a long chord is that second repeated: without
that, plain Python would take minutes for what a trial has seconds for.
"""

from __future__ import annotations

import io
import math
import random
import sys
import wave
from array import array
from dataclasses import dataclass
from functools import lru_cache

RATE_HZ = 22_050

_TABLE = 2048  # steps of one period of a voice
_FADE_SAMPLES = RATE_HZ // 20

# Just intonation on C, in hertz: a choir without a piano sings pure thirds and fifths.
_PITCHES_HZ = {
    "F2": 88, "G2": 99, "A2": 110, "C3": 132, "D3": 148.5, "E3": 165, "F3": 176, "G3": 198, "A3": 220, "B3": 247.5,
    "C4": 264, "D4": 297, "E4": 330, "F4": 352, "G4": 396, "A4": 440, "B4": 495, "C5": 528, "D5": 594,
}  # fmt: skip

# Bass, tenor, alto, soprano.
_CHORDS = {
    "I": ("C3", "G3", "E4", "C5"),
    "I6": ("E3", "G3", "C4", "G4"),
    "IV": ("F2", "A3", "F4", "C5"),
    "IVa": ("F3", "A3", "C4", "A4"),
    "V": ("G2", "B3", "D4", "B4"),
    "Va": ("G2", "B3", "G4", "D5"),
    "vi": ("A2", "A3", "E4", "C5"),
    "iii": ("E3", "B3", "E4", "G4"),
    "end": ("C3", "C4", "E4", "G4"),
}
PROGRESSIONS = (
    ("I", "IV", "V", "vi", "IVa", "Va", "I"),
    ("I6", "vi", "IV", "I6", "V", "vi", "IVa", "end"),
    ("vi", "iii", "IVa", "I6", "IV", "V", "end"),
    ("I", "V", "vi", "iii", "IVa", "I6", "Va", "I"),
)
# Keys as ratios to C; more keys cost time and add little.
KEYS = (1.0, 9 / 8, 5 / 6)

# Loudness of the partials of each voice, from the fundamental up: an "ah", darker the lower the voice.
_PARTIALS = (
    (1.0, 0.8, 0.65, 0.45, 0.25, 0.15, 0.08),
    (1.0, 0.7, 0.5, 0.25, 0.12, 0.06),
    (1.0, 0.5, 0.3, 0.12, 0.05),
    (1.0, 0.35, 0.18, 0.06),
)
_LOUDNESS = (3400, 2700, 2700, 3000)  # of one singer of each voice; eight of them stay below 32,767
_VIBRATO_HZ = 5
_VIBRATO_DEPTH = 0.006  # a tenth of a semitone each way
_SECOND_SINGER_S = 0.37  # behind the first, a little before the vibrato of both would agree


@dataclass(frozen=True)
class Song:
    """What is sung: one of ``PROGRESSIONS`` in one of ``KEYS``, with the seed of its timing."""

    progression: int
    key: int
    seed: str
    chords: int | None = None  # a rehearsal breaks off after so many
    verses: int = 1

    def names(self) -> tuple[str, ...]:
        return (PROGRESSIONS[self.progression % len(PROGRESSIONS)] * self.verses)[: self.chords]

    def pitches_hz(self) -> list[tuple[int, ...]]:
        """Bass to soprano, for each chord."""
        ratio = KEYS[self.key % len(KEYS)]
        return [tuple(round(_PITCHES_HZ[pitch] * ratio) for pitch in _CHORDS[name]) for name in self.names()]


def sing(song: Song) -> bytes:
    """The song as a WAV file, some four to sixteen seconds long; the same bytes for the same song."""
    timing = random.Random(song.seed)
    samples = array("h")
    chords = song.pitches_hz()
    for number, pitches in enumerate(chords, start=1):
        is_last = number == len(chords)
        length = round(RATE_HZ * (1.7 if is_last else 0.65 + 0.5 * timing.random()))
        samples += _sustained(pitches, round(timing.random() * RATE_HZ), length, slow_end=is_last)
    if sys.byteorder == "big":
        samples.byteswap()
    target = io.BytesIO()
    with wave.open(target, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(samples.tobytes())
    return target.getvalue()


def _sustained(pitches: tuple[int, ...], start: int, length: int, *, slow_end: bool) -> array[int]:
    second = _second_of(pitches)
    sound = (second[start:] + second * (length // RATE_HZ + 1))[:length]
    end = length // 2 if slow_end else _FADE_SAMPLES
    for n in range(_FADE_SAMPLES):
        sound[n] = sound[n] * n // _FADE_SAMPLES
    for n in range(1, end + 1):
        sound[-n] = sound[-n] * n // end
    return sound


@lru_cache(maxsize=64)
def _second_of(pitches: tuple[int, ...]) -> array[int]:
    bass, tenor, alto, soprano = (_voice(voice, pitch) for voice, pitch in enumerate(pitches))
    return array("h", [a + b + c + d for a, b, c, d in zip(bass, tenor, alto, soprano, strict=True)])


@lru_cache(maxsize=128)
def _voice(voice: int, pitch_hz: int) -> list[int]:
    """One second of the two singers of a voice, who never shake together."""
    table, step = _period(voice), pitch_hz * _TABLE / RATE_HZ
    # A swing of the pitch by d hertz at v hertz is a swing of the phase by d / (2 pi v) periods.
    swing = _VIBRATO_DEPTH * pitch_hz / (2 * math.pi * _VIBRATO_HZ) * _TABLE
    singer = [table[int(step * n + swing * shake) % _TABLE] for n, shake in enumerate(_vibrato())]
    # The second is the first one some whole periods later: at any other distance they would cancel each other.
    later = round(RATE_HZ * round(pitch_hz * _SECOND_SINGER_S) / pitch_hz)
    return [a + b for a, b in zip(singer, singer[later:] + singer[:later], strict=True)]


@lru_cache(maxsize=1)
def _vibrato() -> list[float]:
    return [math.sin(2 * math.pi * _VIBRATO_HZ * n / RATE_HZ) for n in range(RATE_HZ)]


@lru_cache(maxsize=4)
def _period(voice: int) -> list[int]:
    partials = _PARTIALS[voice]
    wave_form = [
        sum(
            loudness * math.sin(2 * math.pi * harmonic * n / _TABLE)
            for harmonic, loudness in enumerate(partials, start=1)
        )
        for n in range(_TABLE)
    ]
    peak = max(map(abs, wave_form))
    return [round(_LOUDNESS[voice] * value / peak) for value in wave_form]
