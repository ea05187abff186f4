"""Raw data comes back from its blob exactly as it went in, or not at all."""

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leverarm_daemon.store.chunks import BadChunk, Raw, between, join, pack, unpack

TIMES = st.integers(0, 2**62)
COUNTS = st.integers(-(2**31), 2**31 - 1)
READINGS = st.integers(-30_000, 130_000).map(lambda steps: round(steps * 0.01, 2))
RAWS = st.builds(
    Raw,
    edges=st.lists(st.tuples(TIMES, st.integers(0, 2**40))).map(tuple),
    loads=st.lists(st.tuples(TIMES, st.one_of(st.none(), COUNTS))).map(tuple),
    temps=st.lists(
        st.tuples(
            TIMES,
            st.sampled_from(("head", "drum")),
            st.one_of(READINGS, st.sampled_from(("open", "short"))),
        )
    ).map(tuple),
    marks=st.lists(st.tuples(TIMES, st.text(max_size=20))).map(tuple),
)

SECOND = Raw(
    edges=tuple((10_000_000 + 17_000 * k, 500 + k) for k in range(59)),
    loads=tuple(
        (10_000_000 + 12_500 * k, None if k == 7 else 41_000 + (k * 37) % 90) for k in range(80)
    ),
    temps=((10_100_000, "head", 148.25), (10_600_000, "drum", "open")),
    marks=((10_000_500, "running key loop shield"),),
)


@given(RAWS)
def test_everything_comes_back(raw: Raw) -> None:
    assert unpack(pack(raw)) == raw


@pytest.mark.parametrize("step", [2**31 - 1, 2**31, -(2**31), -(2**31) - 1, 2**62])
def test_steps_around_what_fits_into_32_bits(step: int) -> None:
    raw = Raw(loads=((1, 0), (2, step)))
    assert unpack(pack(raw)) == raw


def test_a_failed_conversion_is_no_number() -> None:
    assert unpack(pack(SECOND)).loads[7] == (10_087_500, None)


def test_a_second_is_small() -> None:
    assert len(pack(SECOND)) < 2 * (2 * len(SECOND.edges) + 2 * len(SECOND.loads))


@pytest.mark.parametrize("at", [0, 3, 4, 20, -1])
def test_one_flipped_bit_is_noticed(at: int) -> None:
    blob = bytearray(pack(SECOND))
    blob[at] ^= 0x10
    with pytest.raises(BadChunk, match="damaged"):
        unpack(bytes(blob))


@pytest.mark.parametrize("body", [b"", b"\x04abcd", b"\x07edge_usi\xff\xff\xff\xff"])
def test_a_foreign_layout_is_told(body: bytes) -> None:
    packed = zlib.compress(body)
    with pytest.raises(BadChunk, match="layout"):
        unpack(zlib.crc32(packed).to_bytes(4, "little") + packed)


def test_two_stretches_become_one_and_are_cut_by_time() -> None:
    later = Raw(edges=((11_003_000, 559),))
    whole = join((SECOND, later))
    assert whole.edges == SECOND.edges + later.edges
    assert between(whole, 11_000_000, 12_000_000) == later
    assert between(whole, 10_000_000, 10_000_500).marks == SECOND.marks
