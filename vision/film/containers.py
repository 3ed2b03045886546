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
_HEAD_BYTES = 16


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
    raise InputError(f"{path}: this is not a film in an MP4, MOV, MKV or WebM file; convert it to one of these.")
