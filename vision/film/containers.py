"""What kind of file a film comes in, told from its first bytes, and what the decoder may do with it.

A demuxer chosen by the file's name, or left to guess, opens playlists, and through them other files and the network.
So the container is named to the decoder, which may read this one file and use only the codecs that cameras use.
"""

from pathlib import Path

from calibration.errors import InputError

# Codecs of phones and cameras, and of what they are usually converted to.
CODECS = ("h264", "hevc", "vp8", "vp9", "av1", "mpeg4", "mjpeg", "prores")
# The names that their decoders go by.
DECODERS = (*CODECS, "libdav1d", "libvpx", "libvpx-vp9")
# Codes of the transfer characteristics of film of high dynamic range (ISO/IEC 23091-2).
PQ, HLG = 16, 18
# First boxes of an MP4 or MOV file (ISO/IEC 14496-12 and the QuickTime file format).
_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
_EBML = b"\x1a\x45\xdf\xa3"
# Brands of still pictures in the same boxes (ISO/IEC 23008-12, and the AV1 image format).
_STILL_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"avif")
_STILL_HEADS = (b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"BM", b"II*\x00", b"MM\x00*")
_HEAD_BYTES = 1024
_TEXT, _SOUND = "a text file", "a file of sound"
# What other files begin with, by the place of those bytes, and what they are called.
_OTHERS = (
    (8, b"AVI ", "an AVI file"),
    (8, b"WAVE", _SOUND),
    (0, b"ID3", _SOUND),
    (0, b"fLaC", _SOUND),
    (0, b"\x00\x00\x01\xba", "an MPEG program stream"),
    (0, b"\x00\x00\x01\xb3", "a bare MPEG stream"),
)
# A transport stream has this byte every so many bytes, from the first or the fifth on (ISO/IEC 13818-1; with times of
# arrival before its packets as camcorders store it, from memory).
_TS_SYNC, _TS_PACKETS = 0x47, ((0, 188), (4, 192))


def container_format(path: Path) -> str:
    """The demuxer's name for a file: "mov" or "matroska". Raises InputError for anything that is no such film."""
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "there is no such name"
        raise InputError(f"{path}: the film cannot be read ({why}).") from error
    if head.startswith(_STILL_HEADS) or (head[4:8] == b"ftyp" and head[8:12] in _STILL_BRANDS):
        raise InputError(f"{path}: this is a still picture, not a film; give a film of the table.")
    if head[4:8] in _BOXES:
        return "mov"
    if head[:4] == _EBML:
        return "matroska"
    if not head:
        raise InputError(f"{path}: the file is empty, so it is not a film; copy the film anew.")
    what = _other_kind(head)
    if what == _TEXT:
        raise InputError(
            f"{path}: this is {what}, not a film; give a film of the table (a shot file goes with --shot)."
        )
    if what == _SOUND:
        raise InputError(f"{path}: this is {what}, not a film; give a film of the table.")
    is_what = f"is {what}," if what else "is"
    raise InputError(f"{path}: this {is_what} not a film in an MP4, MOV, MKV or WebM file; convert it to one of these.")


def _other_kind(head: bytes) -> str:
    """What a file is by its first bytes, as part of a sentence; empty when they do not tell."""
    for at, mark, what in _OTHERS:
        if head[at : at + len(mark)] == mark:
            return what
    for first, step in _TS_PACKETS:
        if len(head) > first + 2 * step and all(byte == _TS_SYNC for byte in head[first::step]):
            return "an MPEG transport stream"
    # Higher bytes UTF-8 does not have.
    printable = all(0x20 <= byte < 0xF8 or byte in b"\t\n\r\f" for byte in head)
    return _TEXT if printable else ""
