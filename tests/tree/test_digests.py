"""Checksums against the reference programs and the published examples."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from drives import need_tools, run
from nightferry.tree.digests import ALGORITHMS, BLAKE2B, SHA256, XXH3_128, Algorithm, by_id, by_name

# XXH3 takes another path at each of these lengths: 0, 1-3, 4-8, 9-16, 17-128, 129-240, beyond, several blocks
# (xxHash, doc/xxhash_spec.md)
SIZES = [0, 1, 3, 4, 8, 9, 16, 17, 128, 129, 240, 241, 1024, 1025, (1 << 20) + 1]


def _content(size_bytes: int) -> bytes:
    return random.Random(size_bytes).randbytes(size_bytes)


def _digest(algorithm: Algorithm, content: bytes, step: int = 0) -> bytes:
    hasher = algorithm.new()
    for start in range(0, len(content), step or len(content) or 1):
        hasher.update(memoryview(content)[start : start + (step or len(content))])
    return hasher.digest()


@pytest.mark.parametrize("size_bytes", SIZES)
@pytest.mark.parametrize("algorithm", ALGORITHMS, ids=lambda algorithm: algorithm.name)
def test_each_is_what_the_ordinary_tool_prints(tmp_path: Path, algorithm: Algorithm, size_bytes: int) -> None:
    """Debian's xxhash and coreutils."""
    command = algorithm.tool.split()
    need_tools(command[0])
    file = tmp_path / "01 kyrie.wav"
    file.write_bytes(_content(size_bytes))
    printed = run(*command, str(file)).split()[0].decode()
    assert _digest(algorithm, _content(size_bytes)).hex() == printed
    assert _digest(algorithm, _content(size_bytes), step=4093).hex() == printed
    assert len(printed) == 2 * algorithm.digest_bytes


# FIPS 180-4's examples: NIST, "SHA-256 Examples" and "SHA256 additional" (csrc.nist.gov, Cryptographic Standards
# and Guidelines, Examples with Intermediate Values); the million is example B.3 of FIPS 180-2.
SHA256_EXAMPLES = {
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    b"a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}


@pytest.mark.parametrize("message", SHA256_EXAMPLES, ids=["abc", "56 bytes", "million"])
def test_sha256_gives_the_examples_of_the_standard(message: bytes) -> None:
    assert _digest(SHA256, message).hex() == SHA256_EXAMPLES[message]


def test_blake2b_gives_the_example_of_its_rfc() -> None:
    """RFC 7693, appendix A: BLAKE2b-512("abc")."""
    expected = """
        BA 80 A5 3F 98 1C 4D 0D 6A 27 97 B6 9F 12 F6 E9 4C 21 2F 14 68 5A C4 B7 4B 12 BB 6F DB FF A2 D1
        7D 87 C5 39 2A AB 79 2D C2 52 D5 DE 45 33 CC 95 18 D3 8A A8 DB F1 92 5A B9 23 86 ED D4 00 99 23
    """
    assert _digest(BLAKE2B, b"abc") == bytes.fromhex(expected)


def test_numbers_and_names_stay_as_manifests_have_them() -> None:
    assert [(a.id, a.name) for a in ALGORITHMS] == [(1, "xxh3_128"), (2, "sha256"), (3, "blake2b")]
    for algorithm in ALGORITHMS:
        assert by_id(algorithm.id) is algorithm
        assert by_name(algorithm.name) is algorithm
    assert by_id(1) is XXH3_128


def test_an_unknown_algorithm_is_named() -> None:
    with pytest.raises(ValueError, match="9 is not the number"):
        by_id(9)
    with pytest.raises(ValueError, match="'md5' is not a known checksum algorithm; known are xxh3_128, sha256"):
        by_name("md5")


def test_one_changed_bit_changes_every_digest() -> None:
    content = bytearray(_content(5000))
    for algorithm in ALGORITHMS:
        before = _digest(algorithm, bytes(content))
        content[4999] ^= 1
        assert _digest(algorithm, bytes(content)) != before
