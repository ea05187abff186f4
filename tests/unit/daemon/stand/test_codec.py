"""The codec against the lines that stand in PROTOCOL.md, and against garbage."""

import contextlib
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leverarm_daemon.errors import BadLine
from leverarm_daemon.records import (
    Answer,
    CauseSeen,
    Command,
    Edge,
    Hello,
    Limits,
    Load,
    Reply,
    Status,
    Temps,
)
from leverarm_daemon.stand.codec import MAX_LINE, Decoder, Lines, decode_host, encode, seal, unseal

PROTOCOL = (Path(__file__).parents[4] / "daemon" / "PROTOCOL.md").read_text()
GOLDEN = re.findall(r"^    ([A-Za-z] \d+ .* \*[0-9a-f]{8})$", PROTOCOL, flags=re.MULTILINE)
UP = [line for line in GOLDEN if line[0].isupper()]
DOWN = [line for line in GOLDEN if line[0].islower()]

MEANING = {
    "H 0": Hello(0, 1071741824, 1, "bench-one", "0.1.0", 30, 1.0, 80.0, ("head", "drum"),
                 ("loop", "shield", "key"), ("run", "fuel"), "power", False),
    "H 4711": Hello(4711, 120000, 1, "bench-one", "0.1.0", 30, 0.5, 1000.0, (), ("loop",), ("run",), "", True),
    "E 1": Edge(1, 1073700000, 1),
    "E 812": Edge(812, 3258, 4117),
    "L 2": Load(2, 1073702000, 0, (812345,)),
    "L 3": Load(3, 1073714500, 0, (None,)),
    "L 4": Load(4, 1073727000, 1000, (-5, 12, 40, 38, 41, None, 44, 40, 39, 37)),
    "T 5": Temps(5, 1073730000, (("head", 85.34), ("drum", "open"))),
    "T 6": Temps(6, 980000, (("head", -12.5), ("drum", 23.0))),
    "S 7": Status(7, 1073740000, "held", None, frozenset({"loop", "shield"}), frozenset(), 0, None, 9999, 1, 0),
    "S 8": Status(8, 2000000, "running", None, frozenset({"loop", "shield"}), frozenset({"run", "fuel"}),
                  0x2EACE18F, 6, 21, 4190, 1),
    "S 9": Status(9, 2020000, "tripped", "overspeed", frozenset({"loop", "shield", "key"}), frozenset(),
                  0x2EACE18F, 8, 19, 4194, 1),
    "X 10": CauseSeen(10, 2010500, "overspeed", 1, 2010431, 12655, 12755),
    "X 11": CauseSeen(11, 2150000, "pickup-lost", 2, 2150000, 101000, 100000),
    "R 12": Reply(12, 2160000, 118, True, ""),
    "R 13": Reply(13, 2160100, 119, False, "not-held"),
    "a 0": Answer(0, 7, "ok"),
    "a 120": Answer(120, 812, "stop"),
    "a 121": Answer(121, 812, "head-hot"),
    "l 1": Limits(1, (("trip_us", 12755), ("cap_us", 20000), ("slow_us", 60000), ("arm_ms", 2000), ("lost_ms", 100),
                      ("still_ms", 1000), ("age_ms", 100), ("lapse_s", 120), ("shield", 1))),
    "c 2": Command(2, "hello"),
    "c 118": Command(118, "allow"),
    "c 119": Command(119, "reset"),
}


def test_the_page_holds_exactly_the_lines_that_are_checked() -> None:
    assert {" ".join(line.split(" ")[:2]) for line in GOLDEN} == set(MEANING)


@pytest.mark.parametrize("line", UP)
def test_a_line_of_the_page_means_what_the_page_says(line: str) -> None:
    assert Decoder().decode(unseal(line.encode())) == MEANING[" ".join(line.split(" ")[:2])]


@pytest.mark.parametrize("line", DOWN)
def test_the_hosts_lines_are_written_as_on_the_page(line: str) -> None:
    frame = decode_host(line.encode())
    assert frame == MEANING[" ".join(line.split(" ")[:2])]
    assert encode(frame) == line.encode() + b"\n"


def test_the_limits_crc_is_the_one_on_the_page() -> None:
    limits = MEANING["l 1"]
    assert isinstance(limits, Limits)
    assert f"lim={limits.crc():08x}" in PROTOCOL


def test_the_session_on_the_page_is_intact() -> None:
    session = re.findall(r"^[<>] (.*)$", PROTOCOL, flags=re.MULTILINE)
    decoder = Decoder()
    for line in session:
        (decoder.decode(unseal(line.encode())) if line[0].isupper() else decode_host(line.encode()))
    assert len(session) == 10


@pytest.mark.parametrize("cut", [1, 7, 10_000])
def test_lines_come_out_whole_however_the_bytes_arrive(cut: int) -> None:
    lines = Lines()
    data = b"half a line\r\n" + b"".join(line.encode() + b"\n" for line in GOLDEN) + b"rest"
    out: list[bytes] = []
    for start in range(0, len(data), cut):
        out += lines.feed(data[start:start + cut])
    assert out[1:] == [line.encode() for line in GOLDEN]


def test_an_endless_line_is_thrown_away_and_counted_once() -> None:
    lines = Lines()
    for _ in range(1000):
        assert lines.feed(b"x" * 1000) == []
    assert lines.feed(b"tail\nE 1 2 3\n") == [b"E 1 2 3"]
    assert lines.overlong == 1


@pytest.mark.parametrize("line", UP)
def test_every_flipped_bit_is_noticed(line: str) -> None:
    data = line.encode()
    for place in range(len(data)):
        with pytest.raises(BadLine):
            unseal(data[:place] + bytes([data[place] ^ 0x04]) + data[place + 1:])


@pytest.mark.parametrize("body", [
    "", "E", "E 1", "E 1 2", "E 1 2 3 4", "E -1 2 3", "E 1000000 2 3", "E 1 2 x", "E 1 2 nan", "E 1 2 1e308", "E 1 2 ",
    "L 1 2 0", "L 1 2 0 inf", "L 1 2 0 -", "L 1 2 99999999 1", "L 1 2 0 --5", "T 1 2 head", "T 1 2 head=!burnt",
    "T 1 2 head=nan", "T 1 2 head=1 head=2", "S 1 2 st=held", "X 1 2 why=overspeed", "R 1 2 3 maybe", "R 1 2",
    "Q 1 2 3", "H 1 2 stand=a", "E 1 99999999999999999999 3", "E ١ 2 3",
])
def test_what_is_no_line_is_refused(body: str) -> None:
    with pytest.raises(BadLine):
        Decoder().decode(body)


@given(st.binary(max_size=600))
def test_random_bytes_never_do_more_than_raise_badline(data: bytes) -> None:
    with contextlib.suppress(BadLine):
        Decoder().decode(unseal(data))


@given(st.text(alphabet="HELTSXR 0123456789=-!.abcdefst,", max_size=120))
def test_well_sealed_nonsense_never_does_more_than_raise_badline(body: str) -> None:
    with contextlib.suppress(BadLine):
        Decoder().decode(unseal(seal(body).encode()))


def test_a_line_longer_than_allowed_is_refused() -> None:
    with pytest.raises(BadLine, match="512"):
        unseal(seal("E 1 2 " + "3" * MAX_LINE).encode())


def test_another_version_is_read_so_that_it_can_be_refused_by_name() -> None:
    frame = Decoder().decode("H 0 5 v=2 something=else")
    assert isinstance(frame, Hello)
    assert frame.version == 2


@given(st.integers(0, 2**40), st.lists(st.integers(1, 2**28), min_size=1, max_size=30))
def test_the_clock_is_unwrapped_however_often_it_wraps(start: int, gaps: list[int]) -> None:
    decoder = Decoder()
    true = start
    first = decoder.decode(f"E 0 {true % 2**30} 1").device_us
    for n, gap in enumerate(gaps):
        true += gap
        assert decoder.decode(f"E {n + 1} {true % 2**30} 1").device_us - first == true - start


def test_whoever_starts_in_the_middle_takes_the_time_that_is_given() -> None:
    assert Decoder().decode("E 5 100 1", near_us=7 * 2**30 + 90).device_us == 7 * 2**30 + 100


def test_after_a_restart_time_never_runs_back() -> None:
    decoder = Decoder()
    before = decoder.decode(f"E 5 {2**29} 1").device_us
    words = "v=1 stand=b fw=1 wrap=30 ppr=1 load=80 temps=- inputs=loop outputs=run reset=watchdog sim=0"
    assert decoder.decode(f"H 0 10 {words}").device_us == before - 2**29 + 2**30 + 10


def test_lost_lines_are_counted_across_the_wrap_of_the_sequence() -> None:
    decoder = Decoder()
    for seq in (999_998, 999_999, 0, 3):
        decoder.decode(f"E {seq} 5 1")
    assert decoder.lost == 2
