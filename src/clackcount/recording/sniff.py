"""Which kind of file it is, by its first bytes; the name's ending is never trusted.

Signatures from the published formats: RIFF/WAVE (Microsoft and IBM 1991), RF64 (EBU Tech 3306), ISO base media
(ISO/IEC 14496-12), EBML (RFC 8794), Ogg (RFC 3533), Opus in Ogg (RFC 7845), FLAC (RFC 9639), AMR (RFC 4867),
ADTS (ISO/IEC 14496-3), MPEG audio (ISO/IEC 11172-3).
"""

from __future__ import annotations

from dataclasses import dataclass

HEAD_BYTES = 4096
WILL_DO = "a phone's m4a, 3gp, mp4, wav, flac, ogg or mp3 will do"


@dataclass(frozen=True, slots=True)
class Kind:
    """container: our name. demuxer: ffmpeg's name, "" to let it probe. by_soundfile: soundfile reads it best."""

    container: str
    demuxer: str = ""
    by_soundfile: bool = False


_BY_BRAND = {b"M4A ": "m4a", b"M4B ": "m4a", b"qt  ": "mov", b"3gp": "3gp", b"3g2": "3gp"}
_ISO_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
_PLAIN = {
    b".snd": "au",
    b"caff": "caf",
    b"fLaC": "flac",
    b"riff": "w64",
}


def sniff(head: bytes) -> Kind | None:
    """The kind of the file that begins with head (up to HEAD_BYTES bytes), or None where nothing is recognised."""
    magic, form = head[:4], head[8:12]
    if magic in (b"RIFF", b"RIFX", b"RF64", b"BW64"):
        return Kind("wav", "wav", True) if form == b"WAVE" else Kind("avi", "avi")
    if magic == b"FORM" and form in (b"AIFF", b"AIFC"):
        return Kind("aiff", "aiff", True)
    if magic in _PLAIN:
        # FLAC is left to ffmpeg: both are equally fast, but soundfile gives up at the first damaged frame.
        return Kind(_PLAIN[magic], _PLAIN[magic], magic != b"fLaC")
    if magic == b"OggS":
        # soundfile decodes Opus rightly too, but takes 2.5 x as long.
        return Kind("ogg", "ogg", b"\x01vorbis" in head[:128])
    if head[4:8] in _ISO_BOXES:
        return Kind(_brand(head), "mp4")
    if magic == b"\x1a\x45\xdf\xa3":
        return Kind("webm" if b"webm" in head[:64] else "matroska", "matroska")
    if head.startswith(b"#!AMR"):
        return Kind("amr", "amr")
    return _bare_stream(head)


def _brand(head: bytes) -> str:
    """Name of an ISO base media file by its major brand; "mp4" for the many general ones."""
    brand = head[8:12] if head[4:8] == b"ftyp" else b"qt  "
    return _BY_BRAND.get(brand, _BY_BRAND.get(brand[:3], "mp4"))


def _bare_stream(head: bytes) -> Kind | None:
    if head.startswith(b"ID3"):
        return Kind("mp3")  # a tag in front of MP3, rarely of AAC: ffmpeg looks behind it
    if len(head) >= 2 and head[0] == 0xFF:
        if head[1] & 0xF6 == 0xF0:
            return Kind("aac", "aac")
        if head[1] & 0xE0 == 0xE0 and head[1] & 0x06:
            return Kind("mp3", "mp3")
    if len(head) > 376 and head[0] == head[188] == head[376] == 0x47:
        return Kind("mpegts", "mpegts")
    if head.startswith(b"\x30\x26\xb2\x75\x8e\x66\xcf\x11"):
        return Kind("asf", "asf")
    return None


def looks_like_text(head: bytes) -> bool:
    """True where head holds nothing but readable characters, as no sound file does."""
    try:
        text = head[:1024].decode("utf-8", errors="strict" if len(head) <= 1024 else "ignore")
    except UnicodeDecodeError:
        return False
    return all(char.isprintable() or char in "\r\n\t\f\ufeff" for char in text)
