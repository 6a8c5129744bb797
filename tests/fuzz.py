"""Damaged and hostile picture files by the thousand: does anything but a picture or a refusal come?

    python -m tests.fuzz --count 20000          in a minute or two; prints a table
    python -m tests.fuzz --count 20000 --seed 7

Every kind of file that the decoder takes is damaged in many ways from a seed and given to the
decoder that the service uses; of what can be read all the same, what would be kept is made too.
After every hundred a good picture must come out as it always does.  A run of 20,000 and more is
kept in docs/fuzz.json, of which docs/validation.md is made.
"""

import argparse
import contextlib
import dataclasses
import json
import struct
import sys
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests import dicom_files, test_stripping
from tracker import __version__
from tracker.decoding import LONGEST_S, MOST_MEMORY, Decoder
from tracker.errors import UnreadableImage
from tracker.identity import blank_of
from tracker.settings import DEFAULTS, ImageLimits

KEPT = Path(__file__).resolve().parents[1] / "docs" / "fuzz.json"
LEAST_KEPT = 20_000
KEY = bytes(32)
ROWS, COLUMNS = 144, 160
EVERY = 100
"""So often a good picture is looked at."""
ODD = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
"""Numbers at which lengths, sizes and offsets go wrong."""
PNG_MAGIC = b"\x89PNG\r\n\x1a\n"


# --- whole files of every kind -----------------------------------------------------------


def seeds() -> dict[str, bytes]:
    """A good file of every kind, small so that many can be tried."""
    grey8 = (dicom_files.pattern(ROWS, COLUMNS, 8)).astype(np.uint8)
    grey16 = dicom_files.pattern(ROWS, COLUMNS, 16)
    colour = np.repeat(grey8[:, :, None], 3, axis=2)
    alpha = np.concatenate([colour, np.full((ROWS, COLUMNS, 1), 255, np.uint8)], axis=2)
    tiff, webp = cv2.IMWRITE_TIFF_COMPRESSION, cv2.IMWRITE_WEBP_QUALITY
    files = {
        "PNG 8": _cv(".png", grey8),
        "PNG 16": _cv(".png", grey16),
        "PNG colour": _cv(".png", colour),
        "PNG alpha": _cv(".png", alpha),
        "PNG one bit": _cv(
            ".png", (grey8 > 127).astype(np.uint8) * 255, cv2.IMWRITE_PNG_BILEVEL, 1
        ),
        "JPEG": _cv(".jpg", grey8),
        "JPEG colour": _cv(".jpg", colour),
        "JPEG progressive": _cv(".jpg", grey8, cv2.IMWRITE_JPEG_PROGRESSIVE, 1),
        "TIFF": _cv(".tif", grey16, tiff, 1),
        "TIFF LZW": _cv(".tif", grey8, tiff, 5),
        "TIFF deflate": _cv(".tif", grey16, tiff, 8),
        "TIFF packed bits": _cv(".tif", grey8, tiff, 32773),
        "BMP": _cv(".bmp", grey8),
        "BMP colour": _cv(".bmp", colour),
        "WebP": _cv(".webp", colour, webp, 80),
        "WebP lossless": _cv(".webp", colour, webp, 101),
    }
    for kind, syntax in (dicom_files.UNPACKED | dicom_files.LOSSLESS).items():
        files[f"DICOM {kind}"] = dicom_files.as_file(dicom_files.dataset_of(grey16 >> 4), syntax)
    for kind, syntax in dicom_files.LOSSY.items():
        files[f"DICOM {kind}"] = dicom_files.as_file(dicom_files.dataset_of(grey8), syntax)
    for kind in ("PNG", "JPEG", "TIFF", "WebP"):
        files[f"{kind} with notes"] = _named(kind, grey8, colour)
    run = np.stack([grey16 >> 4] * 3)
    files["DICOM run"] = dicom_files.as_file(dicom_files.dataset_of(run))
    files["DICOM without preamble"] = files["DICOM explicit"][132:]
    return files


def _named(kind: str, grey: NDArray[np.uint8], colour: NDArray[np.uint8]) -> bytes:
    """A file with EXIF, text, profiles and the like beside its pixels."""
    if kind == "TIFF":
        return test_stripping.tiff(grey, 3)
    made = {"PNG": test_stripping.png, "JPEG": test_stripping.jpeg, "WebP": test_stripping.webp}
    return made[kind](
        colour if kind == "WebP" else grey, test_stripping.secret_exif(3, camera=True)
    )


def _cv(ending: str, pixels: NDArray[np.uint8] | NDArray[np.uint16], *options: int) -> bytes:
    made, data = cv2.imencode(ending, pixels, list(options))
    assert made, ending
    return data.tobytes()


# --- damage ------------------------------------------------------------------------------


def flip(data: bytearray, chance: Generator) -> None:
    """Turn a few bits over."""
    for at in chance.integers(0, len(data), chance.integers(1, 17)):
        data[at] ^= 1 << int(chance.integers(8))


def flip_front(data: bytearray, chance: Generator) -> None:
    """Turn bits over where the header stands."""
    for at in chance.integers(0, min(len(data), 600), chance.integers(1, 9)):
        data[at] ^= 1 << int(chance.integers(8))


def odd_number(data: bytearray, chance: Generator) -> None:
    """Write a number at which something goes wrong, in either order of bytes."""
    near = min(len(data), 800) if chance.random() < 0.8 else len(data)
    at = int(chance.integers(0, max(near - 4, 1)))
    size = (">B", ">H", "<H", ">I", "<I")[int(chance.integers(5))]
    value = ODD[int(chance.integers(len(ODD)))] % (1 << 8 * struct.calcsize(size))
    data[at : at + struct.calcsize(size)] = struct.pack(size, value)


def cut(data: bytearray, chance: Generator) -> None:
    """Leave the end away."""
    del data[int(chance.integers(0, len(data))) :]


def take_out(data: bytearray, chance: Generator) -> None:
    """Leave a piece away."""
    at = int(chance.integers(0, len(data)))
    del data[at : at + int(chance.integers(1, 200))]


def double(data: bytearray, chance: Generator) -> None:
    """Have a piece twice."""
    at, length = int(chance.integers(0, len(data))), int(chance.integers(1, 400))
    data[at:at] = data[at : at + length]


def put_in(data: bytearray, chance: Generator) -> None:
    """Put chance bytes in."""
    at = int(chance.integers(0, len(data)))
    data[at:at] = chance.bytes(int(chance.integers(1, 64)))


def blank(data: bytearray, chance: Generator) -> None:
    """Set a piece to one value."""
    at, length = int(chance.integers(0, len(data))), int(chance.integers(1, 300))
    piece = data[at : at + length]
    data[at : at + length] = bytes([int(chance.choice([0, 0xFF, 0x80]))]) * len(piece)


DAMAGES: tuple[Callable[[bytearray, Generator], None], ...] = (
    flip, flip_front, odd_number, cut, take_out, double, put_in, blank,
)  # fmt: skip


def damaged(data: bytes, others: list[bytes], chance: Generator) -> bytes:
    """Damage a file in one to three ways; sometimes go on with another file's end."""
    found = bytearray(data)
    if data.startswith(PNG_MAGIC) and chance.random() < 0.3:
        return repacked(data, chance)
    if chance.random() < 0.05:
        other = others[int(chance.integers(len(others)))]
        del found[int(chance.integers(0, len(found))) :]
        found += other[int(chance.integers(0, len(other))) :]
    for _ in range(int(chance.integers(1, 4))):
        if found:
            DAMAGES[int(chance.integers(len(DAMAGES)))](found, chance)
    if found.startswith(PNG_MAGIC) and chance.random() < 0.7:
        return with_sums(bytes(found))
    return bytes(found)


def repacked(data: bytes, chance: Generator) -> bytes:
    """Damage a PNG's rows behind its compression: the damage gets past every sum."""
    chunks, at = [], len(PNG_MAGIC)
    while at < len(data):
        (length,) = struct.unpack_from(">I", data, at)
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + length]))
        at += 12 + length
    rows = bytearray(zlib.decompress(b"".join(body for kind, body in chunks if kind == b"IDAT")))
    flip(rows, chance)
    header = bytearray(chunks[0][1])
    if chance.random() < 0.3:
        header[8 + int(chance.integers(5))] ^= 1 << int(chance.integers(5))
    made = (bytes(header), zlib.compress(bytes(rows)), b"")
    found = bytearray(PNG_MAGIC)
    for kind, body in zip((b"IHDR", b"IDAT", b"IEND"), made, strict=True):
        found += struct.pack(">I", len(body)) + kind + body + bytes(4)
    return with_sums(bytes(found))


def with_sums(data: bytes) -> bytes:
    """Make a PNG's checksums right again, so that its damage gets past them."""
    found, at = bytearray(data), len(PNG_MAGIC)
    while at + 12 <= len(found):
        (length,) = struct.unpack_from(">I", found, at)
        end = at + 8 + length
        if end + 4 > len(found):
            break
        struct.pack_into(">I", found, end, zlib.crc32(found[at + 4 : end]))
        at = end + 4
    return bytes(found)


# --- the run -----------------------------------------------------------------------------


@dataclass
class Tally:
    """What became of one kind of file."""

    tried: int = 0
    read: int = 0
    kept: int = 0
    refused: int = 0
    lost: int = 0
    slowest_s: float = 0.0


@dataclass
class Report:
    """What became of a run."""

    kinds: dict[str, Tally] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    most_memory: int = 0
    elapsed_s: float = 0.0

    @property
    def total(self) -> Tally:
        """All kinds together."""
        every = self.kinds.values()
        return Tally(
            sum(one.tried for one in every),
            sum(one.read for one in every),
            sum(one.kept for one in every),
            sum(one.refused for one in every),
            sum(one.lost for one in every),
            max((one.slowest_s for one in every), default=0.0),
        )


def run(count: int, seed: int, decoder: Decoder) -> Report:
    """Damage files from a seed and decode them; say what went wrong, if anything."""
    chance, report, limits = np.random.default_rng(seed), Report(), ImageLimits()
    files = seeds()
    names, contents = list(files), list(files.values())
    good = decoder.decode(files["PNG 16"], "good.png", limits).grey
    started = time.monotonic()
    for number in range(count):
        kind = names[number % len(names)]
        tally = report.kinds.setdefault(kind, Tally())
        data = damaged(files[kind], contents, chance)
        tally.tried += 1
        lost, begun = decoder.lost, time.monotonic()
        took_s = 0.0
        try:
            took_s = _try(data, f"{number}: {kind}", decoder, tally, report)
        except Exception as error:  # noqa: BLE001  anything else is what is looked for
            report.wrong.append(f"{number}: {kind}: {type(error).__name__}")
            took_s = time.monotonic() - begun
        tally.lost += decoder.lost - lost
        tally.slowest_s = max(tally.slowest_s, took_s)
        if took_s > LONGEST_S + 1.0:
            report.wrong.append(f"{number}: {kind}: took {took_s:.1f} s")
        if number % EVERY == EVERY - 1 or number == count - 1:
            again = decoder.decode(files["PNG 16"], "good.png", limits).grey
            if not np.array_equal(again, good):
                report.wrong.append(f"{number}: the good picture came out otherwise")
            report.most_memory = max(report.most_memory, *map(peak, decoder.children()))
    if report.most_memory > MOST_MEMORY:
        report.wrong.append("a child took more memory than it may")
    report.elapsed_s = time.monotonic() - started
    return report


def _try(data: bytes, what: str, decoder: Decoder, tally: Tally, report: Report) -> float:
    """Read a file, and make what is kept of it; return how long the longer of both took, s."""
    limits, begun = ImageLimits(), time.monotonic()
    try:
        still = decoder.decode(data, "bad", limits)
    except UnreadableImage:
        tally.refused += 1
        return time.monotonic() - begun
    reading_s = time.monotonic() - begun
    tally.read += 1
    grey = still.grey
    if not (np.isfinite(grey).all() and grey.min() >= 0 and grey.max() <= 1):
        report.wrong.append(f"{what}: grey values outside 0 to 1")
    blank, begun = blank_of(still, DEFAULTS), time.monotonic()
    with contextlib.suppress(UnreadableImage):
        decoder.keep(data, "bad", limits, KEY, blank=blank)
        tally.kept += 1
    return max(reading_s, time.monotonic() - begun)


def peak(pid: int) -> int:
    """Most memory that a process has ever held, bytes."""
    with open(f"/proc/{pid}/status", encoding="ascii") as file:  # noqa: PTH123  no real file
        for line in file:
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    return 0


def table(report: Report) -> str:
    """The run as a table."""
    lines = [
        "| kind | mutations | read | kept | refused | decoder lost | slowest ms |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for kind, one in [*report.kinds.items(), ("all", report.total)]:
        lines.append(
            f"| {kind} | {one.tried} | {one.read} | {one.kept} | {one.refused} | {one.lost}"
            f" | {one.slowest_s * 1000:.0f} |"
        )
    return "\n".join(lines)


def write(report: Report, seed: int) -> None:
    """Keep a run for the document."""
    plain = {"software": __version__, "settings": DEFAULTS.digest(), "seed": seed}
    plain |= dataclasses.asdict(report)
    KEPT.write_text(json.dumps(plain, indent=1) + "\n", encoding="utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description="Damage picture files and decode them.")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    decoder = Decoder()
    try:
        report = run(options.count, options.seed, decoder)
    finally:
        decoder.close()
    sys.stdout.write(
        f"{table(report)}\n\n{report.elapsed_s:.0f} s, at most"
        f" {report.most_memory / 1e6:.0f} MB in a child, {len(report.wrong)} wrong\n"
    )
    if options.count >= LEAST_KEPT:
        write(report, options.seed)
    for line in report.wrong:
        sys.stdout.write(f"{line}\n")
    return 1 if report.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
