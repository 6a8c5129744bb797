"""DICOM files made for the tests: every kind that a C-arm can give, of nobody."""

from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import dcmwrite
from pydicom.pixels.encoders.base import get_encoder
from pydicom.uid import (
    JPEG2000,
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

CLASSES = {
    "XA": "1.2.840.10008.5.1.4.1.1.12.1",
    "RF": "1.2.840.10008.5.1.4.1.1.12.2",
    "CR": "1.2.840.10008.5.1.4.1.1.1",
    "DX": "1.2.840.10008.5.1.4.1.1.1.1",
    "SC": "1.2.840.10008.5.1.4.1.1.7",
}
MADE_UP_NAME = "Nobody^Imaginary"
ROOT = "1.2.826.0.1.3680043.8.498."

UNPACKED = {
    "implicit": ImplicitVRLittleEndian,
    "explicit": ExplicitVRLittleEndian,
    "big endian": ExplicitVRBigEndian,
    "deflated": DeflatedExplicitVRLittleEndian,
}
LOSSLESS = {
    "RLE": RLELossless,
    "JPEG lossless": JPEGLosslessSV1,
    "JPEG-LS": JPEGLSLossless,
    "JPEG 2000 lossless": JPEG2000Lossless,
}
LOSSY = {
    "JPEG baseline": JPEGBaseline8Bit,
    "JPEG extended": JPEGExtended12Bit,
    "JPEG-LS near": JPEGLSNearLossless,
    "JPEG 2000": JPEG2000,
}


def pattern(rows: int = 144, columns: int = 160, bits: int = 12) -> NDArray[np.uint16]:
    """A smooth picture with every bit in use."""
    y, x = np.mgrid[:rows, :columns]
    wave = 0.5 + 0.3 * np.sin(x / 11.0) * np.cos(y / 7.0) + 0.2 * x / columns * (y / rows)
    wave = (wave - wave.min()) / (wave.max() - wave.min())
    return np.asarray(np.rint(wave * (2**bits - 1)), np.uint16)


def packed(frame: NDArray[Any], syntax: UID, dataset: Dataset) -> bytes:
    """One frame in a compressed transfer syntax."""
    if syntax == RLELossless:
        return bytes(
            get_encoder(RLELossless).encode(
                np.ascontiguousarray(frame),
                rows=dataset.Rows,
                columns=dataset.Columns,
                samples_per_pixel=dataset.SamplesPerPixel,
                bits_allocated=dataset.BitsAllocated,
                bits_stored=dataset.BitsStored,
                photometric_interpretation=dataset.PhotometricInterpretation,
                pixel_representation=dataset.PixelRepresentation,
                number_of_frames=1,
                planar_configuration=0,
            )
        )
    bits = int(dataset.BitsStored)
    if syntax == JPEGBaseline8Bit:
        return bytes(imagecodecs.jpeg8_encode(frame, level=95))
    if syntax == JPEGExtended12Bit:
        return bytes(imagecodecs.jpeg8_encode(frame, level=98, bitspersample=bits))
    if syntax == JPEGLosslessSV1:
        return bytes(imagecodecs.jpeg8_encode(frame, lossless=True, bitspersample=bits))
    if syntax in (JPEGLSLossless, JPEGLSNearLossless):
        return bytes(imagecodecs.jpegls_encode(frame, level=int(syntax == JPEGLSNearLossless)))
    lossless = syntax == JPEG2000Lossless
    return bytes(
        imagecodecs.jpeg2k_encode(
            frame,
            level=0 if lossless else 60,
            reversible=lossless,
            codecformat="j2k",
            bitspersample=bits,
            mct=False,
        )
    )


def dataset_of(pixels: NDArray[Any], kind: str = "XA", **changes: Any) -> FileDataset:
    """A data set of one frame (M, N), a run (F, M, N) or a colour save (M, N, 3)."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(CLASSES[kind])
    meta.MediaStorageSOPInstanceUID = UID(ROOT + "1")
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    dataset.SOPClassUID, dataset.SOPInstanceUID = CLASSES[kind], ROOT + "1"
    dataset.Modality = {"SC": "OT"}.get(kind, kind)
    dataset.StudyInstanceUID, dataset.SeriesInstanceUID = ROOT + "2", ROOT + "3"
    dataset.PatientID, dataset.PatientName = "made-up 7", MADE_UP_NAME
    colour = pixels.ndim == 3 and pixels.shape[-1] == 3
    dataset.SamplesPerPixel = 3 if colour else 1
    if colour:
        dataset.PlanarConfiguration = 0
    elif pixels.ndim == 3:
        dataset.NumberOfFrames = pixels.shape[0]
    dataset.Rows, dataset.Columns = pixels.shape[:2] if colour else pixels.shape[-2:]
    dataset.PhotometricInterpretation = "RGB" if colour else "MONOCHROME2"
    size = pixels.dtype.itemsize * 8
    bits = changes.pop("bits", 8 if size == 8 else 12)
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = size, bits, bits - 1
    dataset.PixelRepresentation = int(pixels.dtype.kind == "i")
    for keyword, value in changes.items():
        setattr(dataset, keyword, value)
    dataset.PixelData = pixels.tobytes() + bytes(pixels.nbytes % 2)
    dataset["PixelData"].VR = "OB" if size == 8 else "OW"
    return dataset


def as_file(dataset: FileDataset, syntax: UID = ExplicitVRLittleEndian) -> bytes:
    """The file's bytes in a transfer syntax; the data set itself stays as it is."""
    kept = dataset.PixelData
    if syntax.is_compressed:
        dtype = np.dtype(np.uint8 if dataset.BitsAllocated == 8 else "<u2")
        frames = int(dataset.get("NumberOfFrames", 1))
        shape = (frames, dataset.Rows, dataset.Columns, dataset.SamplesPerPixel)
        count = int(np.prod(shape))
        pixels = np.frombuffer(kept, dtype, count=count).reshape(shape)
        codes = [packed(one[:, :, 0] if shape[3] == 1 else one, syntax, dataset) for one in pixels]
        dataset.PixelData = encapsulate(codes)
        dataset["PixelData"].is_undefined_length = True
    elif syntax == ExplicitVRBigEndian and dataset.BitsAllocated == 16:
        dataset.PixelData = np.frombuffer(kept, "<u2").astype(">u2").tobytes()
    dataset.file_meta.TransferSyntaxUID = syntax
    buffer = DicomBytesIO()
    dcmwrite(
        buffer,
        dataset,
        implicit_vr=syntax == ImplicitVRLittleEndian,
        little_endian=syntax != ExplicitVRBigEndian,
        enforce_file_format=syntax != ExplicitVRBigEndian,
        force_encoding=syntax == ExplicitVRBigEndian,
    )
    dataset.PixelData = kept
    dataset["PixelData"].is_undefined_length = False
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return bytes(buffer.getvalue())
