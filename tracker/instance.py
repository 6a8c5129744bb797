"""The names that a DICOM file gives itself, read without decoding anything.

They stand in the file meta information, which is always written the same way: explicit little
endian, in front of everything else.
"""

import struct
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

_START: Final = 132
_LONG: Final = frozenset({b"OB", b"OW", b"OF", b"SQ", b"UN", b"UT", b"UC", b"UR"})
_LONGEST_META: Final = 10_000
_LONGEST_UID: Final = 64


@dataclass(frozen=True, slots=True)
class InstanceNames:
    """Unique names of a file's class and instance; empty where it says none."""

    sop_class: str = ""
    sop_instance: str = ""

    @property
    def file_name(self) -> str:
        """A name for people; the instance's own could lead to the patient."""
        return f"dicom {sha256(self.sop_instance.encode()).hexdigest()[:12]}.dcm"


def names_of(data: bytes) -> InstanceNames:
    """Return what a DICOM file calls itself.

    Parameters
    ----------
    data : bytes
        Of the whole file, or its beginning.

    Returns
    -------
    InstanceNames
        Empty where the bytes are no DICOM file with a preamble, or are damaged.
    """
    if data[_START - 4 : _START] != b"DICM":
        return InstanceNames()
    found: dict[int, str] = {}
    at = _START
    while at + 8 <= min(len(data), _START + _LONGEST_META):
        group, element = struct.unpack_from("<HH", data, at)
        if group != 2:
            break
        if data[at + 4 : at + 6] in _LONG:
            if at + 12 > len(data):
                break
            (length,) = struct.unpack_from("<I", data, at + 8)
            at += 12
        else:
            (length,) = struct.unpack_from("<H", data, at + 6)
            at += 8
        if element in (2, 3):
            found[element] = _uid(data[at : at + length])
        at += length
    return InstanceNames(found.get(2, ""), found.get(3, ""))


def _uid(raw: bytes) -> str:
    """Return a unique name's text; empty where it can't be one."""
    text = raw.rstrip(b"\0 ").decode("ascii", "replace")
    return text if len(text) <= _LONGEST_UID and text.replace(".", "").isdigit() else ""
