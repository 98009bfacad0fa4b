"""Sound files as phones and recorders write them, made by the encoders that PyAV's FFmpeg carries."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np


def encode(
    path: Path, sound, rate_hz: int, codec: str, *, options=None, bit_rate=None, film=False, kind=None
):
    """Write `sound`, shape (channels, n) or (n,), full scale ±1; with `film`, beside moving pictures."""
    sound = np.ascontiguousarray(np.atleast_2d(sound), np.float32)
    layout = ["mono", "stereo"][len(sound) - 1]
    with av.open(str(path), "w", format=kind, options=options or {}) as container:
        stream = container.add_stream(codec, rate=rate_hz, layout=layout)
        if bit_rate:
            stream.bit_rate = bit_rate
        if film:
            picture = container.add_stream("mpeg4", rate=25)
            picture.width = picture.height = 64
            picture.pix_fmt = "yuv420p"
            for number in range(sound.shape[1] * 25 // rate_hz):
                still = av.VideoFrame(64, 64, "yuv420p")
                for plane in still.planes:
                    plane.update(bytes(plane.buffer_size))
                still.pts, still.time_base = number, Fraction(1, 25)
                container.mux(picture.encode(still))
            container.mux(picture.encode(None))
        frame = av.AudioFrame.from_ndarray(sound, format="fltp", layout=layout)
        frame.sample_rate, frame.pts, frame.time_base = rate_hz, 0, Fraction(1, rate_hz)
        convert = av.AudioResampler(format=stream.codec_context.format, layout=layout, rate=rate_hz)
        for piece in convert.resample(frame) + convert.resample(None):
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))
    return path


def aac_in_caf(path: Path, m4a: Path, samples: int, priming: int):
    """Repack the AAC packets of `m4a`, which FFmpeg itself cannot write into a CAF.

    Layout after the Core Audio Format specification 1.0: chunks desc, kuki, pakt, data.
    """
    with av.open(str(m4a)) as container:
        stream = container.streams.audio[0]
        rate_hz, setup = stream.rate, bytes(stream.codec_context.extradata)
        packets = [bytes(packet) for packet in container.demux(stream) if packet.size]

    def length(value: int) -> bytes:
        high = length(value >> 7) if value > 127 else b""
        return bytes([byte | 0x80 for byte in high[:-1]] + [high[-1] | 0x80] if high else []) + bytes(
            [value & 127]
        )

    def part(tag: int, body: bytes) -> bytes:
        return bytes([tag]) + length(len(body)) + body

    def chunk(name: bytes, body: bytes) -> bytes:
        return name + struct.pack(">q", len(body)) + body

    decoder = part(4, b"\x40\x15" + bytes(11) + part(5, setup))
    cookie = bytes(4) + part(3, struct.pack(">HB", 1, 0) + decoder + part(6, b"\x02"))
    tail = len(packets) * 1024 - samples - priming
    path.write_bytes(
        b"caff\0\1\0\0"
        + chunk(b"desc", struct.pack(">d4s5I", rate_hz, b"aac ", 0, 0, 1024, 1, 0))
        + chunk(b"kuki", cookie)
        + chunk(
            b"pakt",
            struct.pack(">qqii", len(packets), samples, priming, tail)
            + b"".join(length(len(packet)) for packet in packets),
        )
        + chunk(b"data", bytes(4) + b"".join(packets))
    )
    return path
