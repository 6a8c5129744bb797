"""Data set -> the pixels of one frame: unpacking, stored values, and how they are to be shown.

Only the frame that is asked for is unpacked, and only after the size in the header, and in the
packed frame itself, has been found sound.  Overlay planes are never looked at, and those hidden
in unused bits of the pixels are masked away.
"""

import math
import struct
from dataclasses import dataclass
from typing import Any, Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset
from pydicom.encaps import get_frame
from pydicom.pixels.processing import apply_color_lut, convert_color_space
from pydicom.uid import (
    JPEG2000,
    UID,
    ExplicitVRBigEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

from tracker.dicomfile import damaged
from tracker.errors import UnreadableImage
from tracker.settings import ImageLimits
from tracker.values import Picture

Stored = NDArray[np.int32]

_GREY: Final = frozenset({"MONOCHROME1", "MONOCHROME2"})
_COLOUR: Final = frozenset(
    {"RGB", "PALETTE COLOR", "YBR_FULL", "YBR_FULL_422", "YBR_RCT", "YBR_ICT"}
)
_JPEG: Final = frozenset({JPEGBaseline8Bit, JPEGExtended12Bit, JPEGLossless, JPEGLosslessSV1})
_JPEG_LS: Final = frozenset({JPEGLSLossless, JPEGLSNearLossless})
_JPEG_2000: Final = frozenset({JPEG2000, JPEG2000Lossless})
_LOSSY: Final = frozenset({JPEGBaseline8Bit, JPEGExtended12Bit, JPEGLSNearLossless, JPEG2000})
_FRAME_MARKERS: Final = (frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}) | {0xF7}
_END_OF_CODE: Final = b"\xff\xd9"
_ROWS_AT_A_TIME: Final = 256


@dataclass(frozen=True, slots=True)
class Layout:
    """How the pixels lie in the file.

    Attributes
    ----------
    rows, columns, samples, frames : int
    bits_allocated, bits_stored, shift : int
        ``shift`` is the place of the lowest stored bit.
    signed : bool
    planar : bool
        Colours plane by plane.
    photometric : str
    syntax : UID
        Transfer syntax.
    """

    rows: int
    columns: int
    samples: int
    frames: int
    bits_allocated: int
    bits_stored: int
    shift: int
    signed: bool
    planar: bool
    photometric: str
    syntax: UID

    @property
    def is_grey(self) -> bool:
        """True where a pixel is one grey value."""
        return self.photometric in _GREY

    @property
    def frame_bytes(self) -> int:
        """Size of one unpacked frame."""
        return self.rows * self.columns * self.samples * self.bits_allocated // 8

    @property
    def kind(self) -> np.dtype[Any]:
        """Type of one unpacked value, as it lies in an uncompressed file."""
        if self.bits_allocated == 8:
            return np.dtype(np.uint8)
        return np.dtype(">u2" if self.syntax == ExplicitVRBigEndian else "<u2")


def layout(dataset: FileDataset, limits: ImageLimits) -> Layout:
    """Return how the pixels lie, after checking that this can be and is within the limits.

    Raises
    ------
    UnreadableImage
    """
    rows, columns = int(dataset.Rows), int(dataset.Columns)
    size = f"{columns} x {rows} pixels"
    if min(rows, columns) < limits.min_side_px:
        raise UnreadableImage(
            f"the picture has {size}; at least {limits.min_side_px} a side are needed",
            hint="export it in full size",
        )
    if max(rows, columns) > limits.max_side_px or rows * columns > limits.max_pixels:
        raise UnreadableImage(
            f"the picture has {size}; at most {limits.max_side_px} a side"
            f" and {limits.max_pixels / 1e6:.0f} million in all are read",
            hint="export a smaller picture",
        )
    allocated, stored = int(dataset.BitsAllocated), int(dataset.BitsStored)
    high = int(dataset.get("HighBit", stored - 1))
    samples = int(dataset.get("SamplesPerPixel", 1))
    photometric = str(dataset.PhotometricInterpretation).strip()
    found = Layout(
        rows=rows,
        columns=columns,
        samples=samples,
        frames=int(dataset.get("NumberOfFrames", 1) or 1),
        bits_allocated=allocated,
        bits_stored=stored,
        shift=high + 1 - stored,
        signed=bool(int(dataset.get("PixelRepresentation", 0))),
        planar=samples == 3 and bool(int(dataset.get("PlanarConfiguration", 0) or 0)),
        photometric=photometric,
        syntax=_syntax(dataset),
    )
    wanted = 1 if found.is_grey or photometric == "PALETTE COLOR" else 3
    if allocated not in (8, 16) or not 6 <= stored <= allocated:
        raise UnreadableImage(
            f"the DICOM file has {stored} of {allocated} bits a pixel; 8 to 16 are read"
        )
    if photometric not in _GREY | _COLOUR or samples != wanted:
        raise UnreadableImage("the DICOM file's kind of colour is not read")
    if not 0 <= found.shift <= allocated - stored or found.frames < 1:
        raise damaged()
    _check_square(dataset)
    return found


def frame_number(found: Layout, asked: int | None) -> int:
    """Return which frame is read: the one asked for, counted from 0, else the last."""
    if asked is None:
        return found.frames - 1
    if not 0 <= asked < found.frames:
        raise UnreadableImage(
            f"the run has {found.frames} frames, so there is no frame {asked + 1}",
            hint="ask for another frame",
        )
    return asked


def stored_values(dataset: FileDataset, found: Layout, number: int) -> Stored:
    """Return the stored values of one frame.

    Parameters
    ----------
    dataset : FileDataset
    found : Layout
        Of the same data set.
    number : int
        Counted from 0.

    Returns
    -------
    ndarray of shape (M, N) or (M, N, 3), int32
    """
    element = dataset["PixelData"]
    buffer = bytes(element.value)
    if found.syntax.is_compressed:
        packed = get_frame(buffer, number, number_of_frames=found.frames)
        raw = _unpacked(packed, found)
    else:
        whole = found.frame_bytes * found.frames
        if not whole <= len(buffer) <= whole + 1:
            raise damaged()
        part = buffer[number * found.frame_bytes : (number + 1) * found.frame_bytes]
        if found.syntax == ExplicitVRBigEndian and found.bits_allocated == 8 and element.VR == "OW":
            part = np.frombuffer(part, ">u2").astype("<u2").tobytes()
        raw = _shaped(np.frombuffer(part, found.kind), found)
    if raw.shape[:2] != (found.rows, found.columns) or raw.size != (
        found.rows * found.columns * found.samples
    ):
        raise damaged()
    values = raw.reshape(found.rows, found.columns, found.samples).astype(np.int32)
    top = 2**found.bits_stored - 1
    values >>= found.shift
    # A lossy codec may carry a value past the ends; elsewhere what lies above is no pixel.
    lossy = found.syntax in _LOSSY and not found.signed
    if lossy:
        np.clip(values, 0, top, out=values)
    else:
        values &= top
    if found.signed:
        sign = 1 << (found.bits_stored - 1)
        values ^= sign
        values -= sign
    return values[:, :, 0] if found.samples == 1 else values


def shown(stored: NDArray[Any], dataset: Dataset, found: Layout) -> Picture:
    """Return grey values as the file says they are to be shown.

    Modality transformation, then VOI table or window (the first, if there are several), then
    photometric interpretation; without a window the whole range of the stored bits.

    Parameters
    ----------
    stored : ndarray of shape (M, N), int32 or float64
        Of one frame, or the mean of several.
    dataset : Dataset
    found : Layout

    Returns
    -------
    ndarray of shape (M, N), float32
        0 … 1.
    """
    grey = np.empty(stored.shape, np.float32)
    # A few rows at a time: several doubles for each pixel of a large picture would not fit.
    for top in range(0, len(stored), _ROWS_AT_A_TIME):
        rows = slice(top, top + _ROWS_AT_A_TIME)
        grey[rows] = _shown_rows(stored[rows], dataset, found)
    return grey


def _shown_rows(stored: NDArray[Any], dataset: Dataset, found: Layout) -> NDArray[np.float64]:
    low = -(2 ** (found.bits_stored - 1)) if found.signed else 0
    ends = np.array([low, low + 2**found.bits_stored - 1], np.float64)
    values = stored.astype(np.float64)
    table = _item(dataset, "ModalityLUTSequence")
    if table is not None:
        values, ends = _looked_up(values, table, found)
    elif (slope := _first(dataset, "RescaleSlope")) is not None and slope != 0:
        intercept = _first(dataset, "RescaleIntercept") or 0.0
        values, ends = values * slope + intercept, np.sort(ends * slope + intercept)
    voi = _item(dataset, "VOILUTSequence")
    if voi is not None:
        values, ends = _looked_up(values, voi, found)
        grey = values / ends[1]
    else:
        grey = _windowed(values, dataset, ends)
    if not np.isfinite(grey).all():
        raise damaged()
    if found.photometric == "MONOCHROME1":
        grey = 1 - grey
    return np.asarray(np.clip(grey, 0, 1))


def colours(stored: Stored, dataset: Dataset, found: Layout) -> NDArray[Any]:
    """Return red, green and blue of a colour save.

    Parameters
    ----------
    stored : ndarray of shape (M, N) or (M, N, 3), int32
    dataset : Dataset
    found : Layout

    Returns
    -------
    ndarray of shape (M, N, 3), uint8 or uint16
    """
    kind, depth = (np.uint8, 8) if found.bits_stored <= 8 else (np.uint16, 16)
    values = stored.astype(kind)
    if found.photometric == "PALETTE COLOR":
        return np.asarray(apply_color_lut(values, dataset))[:, :, :3]
    values = (stored << (depth - found.bits_stored)).astype(kind)
    if found.photometric.startswith("YBR_FULL") and found.syntax not in _JPEG | _JPEG_2000:
        if found.photometric == "YBR_FULL_422":
            raise UnreadableImage("the DICOM file's kind of colour is not read")
        values = convert_color_space(values, "YBR_FULL", "RGB")
    return values


# --- inside --------------------------------------------------------------------------------


def _syntax(dataset: FileDataset) -> UID:
    named = dataset.file_meta.get("TransferSyntaxUID") if dataset.file_meta else None
    if named:
        return UID(str(named))
    implicit, little = dataset.original_encoding
    if little:
        return UID("1.2.840.10008.1.2" if implicit else "1.2.840.10008.1.2.1")
    return ExplicitVRBigEndian


def _check_square(dataset: Dataset) -> None:
    """Refuse pixels that are not square: circles on them are none."""
    for keyword in ("PixelAspectRatio", "PixelSpacing", "ImagerPixelSpacing"):
        pair = dataset.get(keyword)
        if pair is None or len(pair) != 2:
            continue
        down, across = float(pair[0]), float(pair[1])
        if down > 0 and across > 0 and abs(down / across - 1) > 0.005:
            raise UnreadableImage(
                f"the header says that the pixels are not square ({down:g} : {across:g})",
                hint="export the picture with square pixels",
            )


def _unpacked(packed: bytes, found: Layout) -> NDArray[Any]:
    """Return one compressed frame's values, once its own header has been found to agree."""
    syntax = found.syntax
    if syntax == RLELossless:
        return _run_lengths(packed, found)
    if syntax in _JPEG | _JPEG_LS:
        _check_code(packed, _jpeg_size(packed), found)
        if syntax in _JPEG_LS:
            return np.asarray(imagecodecs.jpegls_decode(packed))
        if found.samples == 1:
            return np.asarray(imagecodecs.jpeg8_decode(packed))
        space = "RGB" if found.photometric == "RGB" else "YCBCR"
        return np.asarray(imagecodecs.jpeg8_decode(packed, colorspace=space, outcolorspace="RGB"))
    if syntax in _JPEG_2000:
        _check_code(packed, _jpeg_2000_size(packed), found)
        return np.asarray(imagecodecs.jpeg2k_decode(packed, numthreads=1))
    name = syntax.name if syntax.name != str(syntax) else "unknown"
    raise UnreadableImage(
        f"the DICOM file is packed in a way that is not read ({name})",
        hint="export it uncompressed",
    )


def _run_lengths(packed: bytes, found: Layout) -> NDArray[Any]:
    """Return a run-length frame's values (PS3.5, annex G): one segment for each byte of a value.

    Done here because a damaged frame brings the C library's decoder down.
    """
    count, *starts = struct.unpack_from("<16I", packed, 0)
    depth = found.bits_allocated // 8
    if count != found.samples * depth or starts[0] != 64:
        raise damaged()
    ends = [*starts[1:count], len(packed)]
    area = found.rows * found.columns
    segments = [
        np.frombuffer(_run_length_segment(packed[start:end], area), np.uint8)
        for start, end in zip(starts[:count], ends, strict=True)
    ]
    planes = []
    for sample in range(found.samples):
        value = np.zeros(area, np.int32)
        # The most significant byte comes first.
        for segment in segments[sample * depth : (sample + 1) * depth]:
            value = (value << 8) | segment
        planes.append(value)
    return np.stack(planes, axis=-1).reshape(found.rows, found.columns, found.samples)


def _run_length_segment(packed: bytes, wanted: int) -> bytearray:
    unpacked, at, end = bytearray(), 0, len(packed)
    while at < end and len(unpacked) < wanted:
        code = packed[at]
        if code < 128:
            unpacked += packed[at + 1 : at + 2 + code]
            at += 2 + code
        elif code > 128:
            unpacked += packed[at + 1 : at + 2] * (257 - code)
            at += 2
        else:
            at += 1
    # A segment may be padded to an even length; more than that belongs to a larger picture.
    if len(unpacked) != wanted or end - at > 1:
        raise damaged()
    return unpacked


def _check_code(packed: bytes, size: tuple[int, int, int], found: Layout) -> None:
    if size != (found.rows, found.columns, found.samples):
        raise damaged()
    if not packed.rstrip(b"\0").endswith(_END_OF_CODE):
        raise damaged()


def _jpeg_size(packed: bytes) -> tuple[int, int, int]:
    """Return rows, columns and samples of a JPEG or JPEG-LS frame."""
    if packed[:2] != b"\xff\xd8":
        raise damaged()
    at = 2
    while packed[at] == 0xFF:
        marker = packed[at + 1]
        (length,) = struct.unpack_from(">H", packed, at + 2)
        if marker in _FRAME_MARKERS:
            rows, columns, samples = struct.unpack_from(">HHB", packed, at + 5)
            return rows, columns, samples
        at += 2 + length
    raise damaged()


def _jpeg_2000_size(packed: bytes) -> tuple[int, int, int]:
    """Return rows, columns and samples of a JPEG 2000 codestream."""
    if packed[:4] != b"\xff\x4f\xff\x51":
        raise damaged()
    right, bottom, left, top = struct.unpack_from(">IIII", packed, 8)
    (samples,) = struct.unpack_from(">H", packed, 40)
    return bottom - top, right - left, samples


def _shaped(flat: NDArray[Any], found: Layout) -> NDArray[Any]:
    if found.planar:
        return np.moveaxis(flat.reshape(3, found.rows, found.columns), 0, -1)
    return flat.reshape(found.rows, found.columns, found.samples)


def _item(dataset: Dataset, keyword: str) -> Dataset | None:
    items = dataset.get(keyword)
    return items[0] if items else None


def _looked_up(
    values: NDArray[np.float64], table: Dataset, found: Layout
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return values through a table (PS3.3, C.11.1), and the ends of its scale."""
    count, first, bits = (int(number) for number in table.LUTDescriptor)
    count = count or 2**16
    if not (6 <= bits <= 16 and 0 < count <= 2**16):
        raise damaged()
    data = table.LUTData
    if isinstance(data, bytes):
        wide = np.dtype(">u2" if found.syntax == ExplicitVRBigEndian else "<u2")
        kind = np.dtype(np.uint8) if bits <= 8 and len(data) <= count + 1 else wide
        entries = np.frombuffer(data[: count * kind.itemsize], kind)
    else:
        entries = np.asarray(data, np.uint16)
    if len(entries) != count:
        raise damaged()
    places = np.clip(np.rint(values) - first, 0, count - 1).astype(np.intp)
    return entries.astype(np.float64)[places], np.array([0.0, 2.0**bits - 1])


def _windowed(
    values: NDArray[np.float64], dataset: Dataset, ends: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return values through the first window, or over the whole range where there is none.

    The three functions are those of DICOM PS3.3, C.11.2.1.2 and C.11.2.1.3.
    """
    centre, width = _first(dataset, "WindowCenter"), _first(dataset, "WindowWidth")
    function = str(dataset.get("VOILUTFunction", "LINEAR")).strip() or "LINEAR"
    if centre is None or width is None or width < 1 or (width == 1 and function == "LINEAR"):
        return np.asarray((values - ends[0]) / max(float(ends[1] - ends[0]), 1e-12))
    if function == "SIGMOID":
        return np.asarray(1 / (1 + np.exp(np.clip(-4 * (values - centre) / width, -60, 60))))
    if function == "LINEAR_EXACT":
        return np.asarray(np.clip((values - centre) / width + 0.5, 0, 1))
    return np.asarray(np.clip((values - (centre - 0.5)) / (width - 1) + 0.5, 0, 1))


def _first(dataset: Dataset, keyword: str) -> float | None:
    """Return a number, the first where there are several."""
    value = dataset.get(keyword)
    if value is None or value == "":
        return None
    number = float(value if isinstance(value, int | float) else value[0])
    return number if math.isfinite(number) else None
