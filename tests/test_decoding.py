"""Bytes are decoded in a child that can be killed; the next picture never notices."""

import os
import signal
import struct
import threading
import time
import zlib
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from tests.standins import png
from tracker import decoding, images
from tracker.child import Child, ChildLost
from tracker.decoding import Decoder
from tracker.errors import UnreadableImage
from tracker.settings import ImageLimits

LIMITS = ImageLimits()


@pytest.fixture
def decoder() -> Iterator[Decoder]:
    made = Decoder()
    yield made
    made.close()


def the_child(decoder: Decoder) -> int:
    (pid,) = decoder.children()
    return pid


def test_a_picture_is_what_it_is_without_the_child(decoder: Decoder) -> None:
    there, here = decoder.decode(png(18), "a.png", LIMITS), images.decode(png(18), "a.png", LIMITS)
    np.testing.assert_array_equal(there.grey, here.grey)
    assert (there.name, there.sha256, there.levels) == (here.name, here.sha256, here.levels)


def test_a_refusal_is_what_it_is_without_the_child(decoder: Decoder) -> None:
    for data in (b"", b"no picture", png(1)[:-40]):
        with pytest.raises(UnreadableImage) as here:
            images.decode(data, "a.png", LIMITS)
        with pytest.raises(UnreadableImage) as there:
            decoder.decode(data, "a.png", LIMITS)
        assert (there.value.message, there.value.hint) == (here.value.message, here.value.hint)
    assert decoder.lost == 0


def test_one_child_serves_one_picture_after_another(decoder: Decoder) -> None:
    decoder.decode(png(1), "a.png", LIMITS)
    first = the_child(decoder)
    decoder.decode(png(2), "b.png", LIMITS)
    assert the_child(decoder) == first


def test_a_file_that_hangs_is_refused_in_time_and_the_next_is_read() -> None:
    decoder = Decoder(longest_s=0.5)
    decoder.decode(png(1), "a.png", LIMITS)
    # A stopped child is one that will never answer.
    os.kill(the_child(decoder), signal.SIGSTOP)
    started = time.monotonic()
    with pytest.raises(UnreadableImage, match=r"^bad.png: .*longer than"):
        decoder.decode(png(2), "bad.png", LIMITS)
    assert time.monotonic() - started < 3
    assert decoder.lost == 1
    assert decoder.decode(png(3), "b.png", LIMITS).name == "b.png"
    decoder.close()


def test_a_file_that_breaks_the_decoder_is_refused_and_the_next_is_read(decoder: Decoder) -> None:
    decoder.decode(png(1), "a.png", LIMITS)
    pid = the_child(decoder)
    os.kill(pid, signal.SIGSTOP)
    killer = threading.Timer(0.2, os.kill, (pid, signal.SIGKILL))
    killer.start()
    with pytest.raises(UnreadableImage, match="broke the decoder"):
        decoder.decode(png(2), "bad.png", LIMITS)
    assert decoder.decode(png(3), "b.png", LIMITS).name == "b.png"


def test_a_child_that_died_between_pictures_is_replaced(decoder: Decoder) -> None:
    decoder.decode(png(1), "a.png", LIMITS)
    pid = the_child(decoder)
    os.kill(pid, signal.SIGKILL)
    for _ in range(100):
        if not os.path.exists(f"/proc/{pid}/exe"):  # noqa: PTH110  a dead process has no program
            break
        time.sleep(0.02)
    assert decoder.decode(png(3), "b.png", LIMITS).name == "b.png"
    assert decoder.lost == 0


def bomb(side: int) -> bytes:
    """A small PNG file of very many black pixels, whole and well formed."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        crc = zlib.crc32(body, zlib.crc32(kind))
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", crc)

    packer = zlib.compressobj(1)
    row = bytes(1 + side // 8)
    rows = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    header = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    parts = (chunk(b"IHDR", header), chunk(b"IDAT", rows), chunk(b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def test_a_bomb_meets_the_memory_limit_and_the_next_is_read(decoder: Decoder) -> None:
    # One bit a pixel in the file, eight when unpacked: a megabyte becomes 900.
    generous = replace(LIMITS, max_side_px=30_000, max_pixels=900_000_000)
    with pytest.raises(UnreadableImage, match=r"^bomb.png: "):
        decoder.decode(bomb(30_000), "bomb.png", generous)
    assert decoder.decode(png(3), "b.png", LIMITS).name == "b.png"
    pid = the_child(decoder)
    with open(f"/proc/{pid}/limits", encoding="ascii") as file:  # noqa: PTH123
        limits = file.read()
    assert f"Max address space         {decoding.MOST_MEMORY} " in limits


def test_too_long_a_file_is_never_sent(decoder: Decoder) -> None:
    with pytest.raises(UnreadableImage, match="MB"):
        decoder.decode(bytes(2000), "long.png", replace(LIMITS, max_bytes=1000))
    assert decoder.children() == ()


def test_several_at_once_each_get_their_own_picture(decoder: Decoder) -> None:
    got: dict[int, int] = {}

    def read(tenths: int) -> None:
        still = decoder.decode(png(tenths), f"{tenths}.png", LIMITS)
        got[tenths] = round(float(still.grey[0, 0]) * 255)

    hands = [threading.Thread(target=read, args=(k,)) for k in range(6)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    assert got == {k: k for k in range(6)}
    assert len(decoder.children()) <= 2


def test_a_child_that_talks_nonsense_is_lost() -> None:
    child = Child("this")
    with pytest.raises(ChildLost) as lost:
        child.receive(10.0, most_bytes=100)
    assert not lost.value.late
    assert not child.alive
