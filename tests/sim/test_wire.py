"""Frames are cut out of the stream the same way however the bytes arrive."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.wire import FRAMINGS, Request, ascii_frame, rtu

READS = st.tuples(st.integers(1, 247), st.integers(1, 4), st.integers(0, 65535), st.integers(1, 125))


def frame(wire: str, read: tuple[int, int, int, int]) -> bytes:
    unit, function, address, count = read
    pdu = bytes([function]) + address.to_bytes(2, "big") + count.to_bytes(2, "big")
    if wire == "rtu":
        return rtu(unit, pdu)
    if wire == "ascii":
        return ascii_frame(unit, pdu)
    return b"\x12\x34\x00\x00\x00\x06" + bytes([unit]) + pdu


def cut(wire: str, chunks: list[bytes]) -> tuple[list[Request], bytes]:
    """All requests of a stream that arrives in these chunks."""
    found, left = [], b""
    for chunk in chunks:
        requests, left = FRAMINGS[wire].cut(left + chunk)  # type: ignore[index]
        found.extend(requests)
    return found, left


@pytest.mark.parametrize("wire", ["rtu", "ascii", "tcp"])
@given(reads=st.lists(READS, min_size=1, max_size=5), cuts=st.lists(st.integers(0, 200), max_size=6))
def test_requests_are_whole_however_the_bytes_arrive(
    wire: str, reads: list[tuple[int, int, int, int]], cuts: list[int]
) -> None:
    stream = b"".join(frame(wire, read) for read in reads)
    places = [0, *sorted(place % (len(stream) + 1) for place in cuts), len(stream)]
    requests, left = cut(wire, [stream[a:b] for a, b in itertools.pairwise(places)])
    assert left == b""
    assert [(request.unit, request.function) for request in requests] == [read[:2] for read in reads]
    assert all(request.whole for request in requests)
    assert b"".join(request.data for request in requests) == stream


@pytest.mark.parametrize("wire", ["rtu", "ascii", "tcp", "text"])
@given(noise=st.binary(max_size=60))
def test_noise_is_never_taken_for_more_than_it_is(wire: str, noise: bytes) -> None:
    requests, left = FRAMINGS[wire].cut(noise)  # type: ignore[index]
    assert sum(len(request.data) for request in requests) + len(left) <= len(noise)
    if wire == "rtu":
        assert all(rtu(request.unit, request.data[1:-2]) == request.data for request in requests)


def test_a_write_of_many_registers_is_cut_at_its_own_length() -> None:
    write = rtu(1, bytes([16]) + b"\x00\x01\x00\x02\x04" + b"\x00\x01\x00\x02")
    read = frame("rtu", (1, 3, 0, 1))
    requests, left = cut("rtu", [write + read])
    assert [request.data for request in requests] == [write, read]
    assert left == b""


def test_a_frame_with_a_wrong_checksum_waits_for_silence() -> None:
    good = frame("rtu", (1, 3, 0, 1))
    bad = good[:-1] + bytes([good[-1] ^ 1])
    assert cut("rtu", [bad + good]) == ([], bad + good)


def test_an_ascii_line_with_a_wrong_check_is_no_request_but_the_next_one_is() -> None:
    good = frame("ascii", (1, 3, 0, 1))
    bad = good.replace(b"FB", b"FC")
    requests, _ = cut("ascii", [bad + good])
    assert [request.whole for request in requests] == [False, True]
