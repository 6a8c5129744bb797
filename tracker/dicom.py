"""DICOM bytes recognised and read: the front of the DICOM rooms.

What the file is (:mod:`tracker.dicomfile`), its pixels (:mod:`tracker.dicompixels`) and what its
header knows (:mod:`tracker.dicomfacts`) need the extra ``dicom``; telling a DICOM file from other
bytes needs nothing, so that without the extra it is refused as what it is.
"""

import struct
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

from numpy.typing import NDArray

from tracker.errors import UnreadableImage
from tracker.settings import ImageLimits
from tracker.values import HeaderFacts, Picture, frozen

_LIBRARIES: Final = frozenset({"pydicom", "imagecodecs"})
_FIRST_VRS: Final = frozenset({b"UI", b"UL", b"OB", b"CS", b"SH", b"LO", b"DA", b"TM"})
_LONGEST_FIRST_VALUE: Final = 256
"""The first elements of a file (character set, identifiers, dates) are short."""


@dataclass(frozen=True, eq=False, slots=True)
class DicomPicture:
    """One frame of a DICOM file.

    Attributes
    ----------
    grey : ndarray of shape (M, N), float32, or None
        As the file says it is to be shown: modality and VOI transformation and photometric
        interpretation applied, 0 … 1.  None for a colour save.
    colour : ndarray of shape (M, N, 3), uint8 or uint16, or None
        Red, green, blue.
    levels : int
        Number of grey levels that the file can hold.
    facts : HeaderFacts
    """

    grey: Picture | None
    colour: NDArray[Any] | None
    levels: int
    facts: HeaderFacts

    def __post_init__(self) -> None:
        for array in (self.grey, self.colour):
            if array is not None:
                frozen(array)


def is_dicom(data: bytes) -> bool:
    """Tell a DICOM file, with or without its preamble.

    Parameters
    ----------
    data : bytes
        The whole file.

    Examples
    --------
    >>> is_dicom(bytes(128) + b"DICM")
    True
    >>> is_dicom(b"GIF89a and so on")
    False
    """
    if data[128:132] == b"DICM":
        return True
    if len(data) < 16:
        return False
    for order in "<>":
        group, element = struct.unpack(f"{order}HH", data[:4])
        if group not in (0x0002, 0x0008) or element > 0x0060:
            continue
        if data[4:6] in _FIRST_VRS:
            return True
        (length,) = struct.unpack(f"{order}I", data[4:8])
        if order == "<" and length <= _LONGEST_FIRST_VALUE:
            return True
    return False


def read(data: bytes, limits: ImageLimits, frame: int | None = None) -> DicomPicture:
    """Return one frame of a DICOM file and what its header knows.

    Parameters
    ----------
    data : bytes
        The whole file.
    limits : ImageLimits
        Kept to before anything is unpacked.
    frame : int, optional
        Which frame of a run, counted from 0.  If not said, the last one: the mean of the frames
        at the end that show the same scene.

    Returns
    -------
    DicomPicture

    Raises
    ------
    UnreadableImage
        The file is damaged, no C-arm picture, past a limit, or the extra is not installed.
    """
    try:
        from tracker import dicomfacts, dicomfile, dicompixels, runs
    except ModuleNotFoundError as error:
        if error.name not in _LIBRARIES:
            raise
        raise UnreadableImage(
            "a DICOM file, and the extra that reads them is not installed",
            hint="install rim-tracker[dicom]",
        ) from None
    with dicomfile.in_plain_words():
        dataset = dicomfile.read_dataset(data, limits)
        layout = dicompixels.layout(dataset, limits)
        number = dicompixels.frame_number(layout, frame)
        read_frame = partial(dicompixels.stored_values, dataset, layout)
        averaged = 1
        if frame is None and layout.frames > 1 and layout.is_grey:
            stored, averaged = runs.mean_of_end(read_frame, number)
        else:
            stored = read_frame(number)
        if layout.is_grey:
            shown = dicompixels.shown(stored, dataset, layout)
            grey, colour = shown, None
        else:
            grey, colour = None, dicompixels.colours(stored, dataset, layout)
        facts = replace(dicomfacts.facts_of(dataset, number), averaged=averaged)
    return DicomPicture(grey, colour, 2**layout.bits_stored, facts)


def shape_of(data: bytes, limits: ImageLimits) -> tuple[int, int]:
    """Return rows and columns of a DICOM file that was read before."""
    from tracker import dicomfile

    with dicomfile.in_plain_words():
        dataset = dicomfile.read_dataset(data, limits)
        return int(dataset.Rows), int(dataset.Columns)


def facts_of(data: bytes, limits: ImageLimits) -> HeaderFacts:
    """Return what the header of a DICOM file knows that was read before, of its last frame."""
    from tracker import dicomfacts, dicomfile

    with dicomfile.in_plain_words():
        facts = dicomfacts.facts_of(dicomfile.read_dataset(data, limits))
    return replace(facts, frame=facts.frames - 1)
