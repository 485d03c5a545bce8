"""A minimal writer of XDF files, after the specification (XDF 1.0, github.com/sccn/xdf/wiki, from memory).

Chunks: length, tag, content; tag 1 file header, 2 stream header, 3 samples, 4 clock offset, 6 stream footer. Only what
the tests need: samples with a time each, of float64 or text.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

import numpy as np


def write_xdf(path: Path, *streams: bytes) -> Path:
    """A file of streams made by `stream`."""
    header = "<?xml version='1.0'?><info><version>1.0</version></info>"
    path.write_bytes(b"XDF:" + _chunk(1, header.encode()) + b"".join(streams))
    return path


def stream(
    number: int,
    name: str,
    times: np.ndarray,
    values: np.ndarray | Sequence[str],
    *,
    rate: float,
    channels: Sequence[tuple[str, str]] = (),
    offset: float = 0.0,
) -> bytes:
    """Chunks of one stream.  channels: label and unit.  offset: s to add to its clock, measured at both ends."""
    text = not isinstance(values, np.ndarray)
    count = 1 if text else values.shape[1]
    described = "".join(f"<channel><label>{label}</label><unit>{unit}</unit></channel>" for label, unit in channels)
    head = (
        f"<?xml version='1.0'?><info><name>{name}</name><type>{'Markers' if text else 'MoCap'}</type>"
        f"<channel_count>{count}</channel_count><nominal_srate>{rate}</nominal_srate>"
        f"<channel_format>{'string' if text else 'double64'}</channel_format><source_id>s{number}</source_id>"
        f"<desc><channels>{described}</channels></desc></info>"
    )
    rows = [_text_cell(value) if text else np.asarray(value, dtype="<f8").tobytes() for value in values]
    samples = b"".join(b"\x08" + struct.pack("<d", t) + row for t, row in zip(times, rows, strict=True))
    foot = (
        f"<?xml version='1.0'?><info><first_timestamp>{times[0]}</first_timestamp>"
        f"<last_timestamp>{times[-1]}</last_timestamp><sample_count>{len(times)}</sample_count></info>"
    )
    own = struct.pack("<I", number)
    clock = [_chunk(4, own + struct.pack("<dd", at, offset)) for at in (times[0], times[-1])]
    return b"".join(
        [
            _chunk(2, own + head.encode()),
            clock[0],
            _chunk(3, own + _length(len(times)) + samples),
            clock[1],
            _chunk(6, own + foot.encode()),
        ]
    )


def _chunk(tag: int, content: bytes) -> bytes:
    return _length(len(content) + 2) + struct.pack("<H", tag) + content


def _length(value: int) -> bytes:
    return b"\x04" + struct.pack("<I", value)


def _text_cell(text: str) -> bytes:
    return _length(len(text.encode())) + text.encode()
