"""Uncompressed files, Vorbis and the rarer formats, through soundfile (libsndfile)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO

import numpy as np
import soundfile

from clackcount.recording.reader import TELEPHONE_RATIO, Chunk, Forgiving, Reader, damaged, read_samples

# Read as the type the file holds: 16-bit samples as floats cost soundfile 10 x as much.
_AS_INT16 = ("PCM_16", "PCM_S8", "PCM_U8", "ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM", "GSM610", "G721_32", "DPCM_16")
_AS_INT32 = ("PCM_24", "PCM_32", "ALAC_16", "ALAC_20", "ALAC_24", "ALAC_32")
_STEP = {"PCM_S8": 2.0**-7, "PCM_U8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23, "PCM_32": 2.0**-31}
_CODEC = {
    "PCM_U8": "pcm_u8",
    "PCM_S8": "pcm_s8",
    "PCM_16": "pcm_s16",
    "PCM_24": "pcm_s24",
    "PCM_32": "pcm_s32",
    "FLOAT": "pcm_f32",
    "DOUBLE": "pcm_f64",
    "MPEG_LAYER_III": "mp3",
}


class SoundfileReader(Reader):
    """file: seekable. Raises soundfile.LibsndfileError where it cannot read that."""

    def __init__(self, file: IO[bytes], container: str) -> None:
        self._source = file
        self._file = soundfile.SoundFile(Forgiving(file))
        subtype = self._file.subtype
        super().__init__(
            container=container,
            codec=_CODEC.get(subtype, subtype.lower()),
            sample_rate_hz=self._file.samplerate,
            channels=self._file.channels,
        )
        self.n_frames_hint = self._file.frames if self._file.frames < 1 << 62 else None
        self.sample_step = _STEP.get(subtype, 0.0)
        self.sample_ratio = TELEPHONE_RATIO if subtype in ("ULAW", "ALAW") else 0.0
        self.lossy = subtype in ("VORBIS", "OPUS", "MPEG_LAYER_III")
        self._dtype = "int16" if subtype in _AS_INT16 else "int32" if subtype in _AS_INT32 else "float32"

    def chunks(self) -> Iterator[Chunk]:
        buffer = np.empty((read_samples(self.sample_rate_hz, self.channels), self.channels), self._dtype)
        n_read = 0
        while True:
            try:
                chunk = self._file.read(out=buffer)
            except soundfile.LibsndfileError:
                self.warnings.append(damaged(n_read / self.sample_rate_hz))
                return
            if not len(chunk):
                self.warn_if_short(n_read)
                return
            n_read += len(chunk)
            yield chunk.T

    def close(self) -> None:
        self._file.close()
        self._source.close()  # soundfile leaves what it did not open
