"""Files of named arrays as tables: NumPy, MATLAB, Parquet, and streams recorded from Lab Streaming Layer (XDF)."""

from __future__ import annotations

import math
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np

from imuswing.errors import MissingExtraError, RecordingError
from imuswing.formats.table import Table
from imuswing.formats.text import MOST_VALUES
from imuswing.recording.model import FloatArray

RATE_NAMES: Final = (
    "fs",
    "rate",
    "rate_hz",
    "sampling_rate",
    "samplingrate",
    "sampling_frequency",
    "sample_rate",
    "freq",
)
AXES: Final = ("x", "y", "z")


def read_npz(path: Path) -> list[Table]:
    """Arrays of a NumPy file (`numpy.savez`); pickled objects are refused, since they can run code."""
    try:
        with zipfile.ZipFile(path) as packed:
            _check_size(path, sum(entry.file_size for entry in packed.infolist()) // 8)
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
    except (OSError, ValueError, EOFError, KeyError) as error:
        raise RecordingError(
            path, f"cannot be read as NPZ ({_short(error)})", "save plain arrays with numpy.savez"
        ) from error
    except (zipfile.BadZipFile, zlib.error) as error:
        raise RecordingError(path, f"is a damaged NPZ file ({_short(error)})", "copy it again") from error
    return _tables(path, arrays)


def read_mat(path: Path) -> list[Table]:
    """Arrays of a MATLAB file up to version 7, also inside of structures."""
    from scipy.io import loadmat, whosmat
    from scipy.io.matlab import MatReadError

    try:
        _check_size(path, sum(math.prod(shape) for _, shape, _ in whosmat(path)))
        content = loadmat(path, simplify_cells=True)
    except NotImplementedError as error:
        raise RecordingError(path, "is a MATLAB 7.3 file", "save it in MATLAB with the option -v7") from error
    except (MatReadError, OSError, ValueError, TypeError, EOFError, zlib.error) as error:
        raise RecordingError(
            path, f"cannot be read as a MATLAB file ({_short(error)})", "save it again with -v7"
        ) from error
    return _tables(path, _flat({name: value for name, value in content.items() if not name.startswith("__")}))


def _check_size(path: Path, values: int) -> None:
    """Refuse a file before it fills the memory."""
    if values > MOST_VALUES:
        raise RecordingError(
            path, f"holds more than {MOST_VALUES} numbers, far more than a lesson", "cut it into lessons"
        )


def _flat(content: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    arrays: dict[str, Any] = {}
    for name, value in content.items():
        arrays |= _flat(value, f"{prefix}{name}_") if isinstance(value, dict) else {f"{prefix}{name}": value}
    return arrays


def _tables(path: Path, arrays: Mapping[str, Any]) -> list[Table]:
    """One table for each length that two-dimensional or long arrays have."""
    rate: float | None = None
    lengths: dict[int, dict[str, FloatArray]] = {}
    for name, value in arrays.items():
        array = np.asarray(value)
        if array.dtype.kind == "M":
            array = array.astype("datetime64[ns]").astype(np.float64) / 1e9
        if array.dtype.kind not in "fiu":
            continue
        array = np.squeeze(array).astype(np.float64)
        if array.ndim == 0:
            if name.lower().rsplit("_", 1)[-1] in RATE_NAMES or name.lower() in RATE_NAMES:
                rate = float(array)
            continue
        if array.ndim == 2 and array.shape[0] < array.shape[1]:
            array = array.T
        if array.ndim > 2 or len(array) < 2:
            continue
        lengths.setdefault(len(array), {}).update(_columns(name, array))
    if not lengths:
        raise RecordingError(path, "holds no arrays of samples", "save arrays of N rows with 3 columns, and time")
    several = len(lengths) > 1
    return [
        Table(source=path, name=f"{path.stem} {n}" if several else path.stem, columns=columns, rate=rate)
        for n, columns in lengths.items()
    ]


def _columns(name: str, array: FloatArray) -> dict[str, FloatArray]:
    """An array by columns; of three they are x, y and z, of six those of accelerometer and gyroscope if so named."""
    if array.ndim == 1:
        return {name: array}
    if array.shape[1] == 3:
        return {f"{name}_{axis}": array[:, k] for k, axis in enumerate(AXES)}
    return {f"{name} column {k + 1}": array[:, k] for k in range(array.shape[1])}


def read_parquet(path: Path) -> list[Table]:
    """The numeric columns of a Parquet file, and its times of day."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(path)
        _check_size(path, file.metadata.num_rows * file.metadata.num_columns)
        table = file.read()
    except (pa.ArrowInvalid, OSError) as error:
        raise RecordingError(path, f"cannot be read as Parquet ({_short(error)})", "copy it again") from error
    columns: dict[str, FloatArray] = {}
    dates = []
    for field in table.schema:
        column = table[field.name]
        if pa.types.is_timestamp(field.type):
            whole = column.cast(pa.timestamp("ns", tz=field.type.tz)).cast(pa.int64()).to_numpy()
            columns[field.name] = whole.astype(np.float64) / 1e9
            dates.append(field.name)
        elif pa.types.is_integer(field.type) or pa.types.is_floating(field.type):
            unit = (field.metadata or {}).get(b"unit", b"").decode()
            name = f"{field.name} [{unit}]" if unit else field.name
            columns[name] = column.cast(pa.float64()).fill_null(float("nan")).to_numpy()
    if not columns:
        raise RecordingError(path, "holds no column of numbers", "export the samples, one row each")
    return [Table(source=path, name=path.stem, columns=columns, dates=tuple(dates))]


def read_xdf(path: Path) -> list[Table]:
    """The streams of an XDF file, on the one clock that its reader brings them to; text streams become markers."""
    try:
        pyxdf = import_module("pyxdf")
    except ImportError as error:
        raise MissingExtraError("formats", "Reading XDF files") from error
    try:
        _check_size(path, path.stat().st_size // 8)
        streams, header = pyxdf.load_xdf(str(path), verbose=False)
    except (OSError, ValueError, KeyError, IndexError, EOFError, AttributeError) as error:
        raise RecordingError(path, f"cannot be read as XDF ({_short(error)})", "copy it again") from error
    markers = tuple(
        (float(time), str(label[0]))
        for stream in streams
        if stream["info"]["channel_format"][0] == "string"
        for time, label in zip(stream["time_stamps"], stream["time_series"], strict=True)
    )
    ended = all(stream.get("footer") for stream in streams)
    doubts = () if ended else (f"{path.name} has no end, so it was cut off: taken as far as it goes",)
    tables = [
        replace(_stream(path, stream), markers=markers, doubts=doubts, dated=_begun(header))
        for stream in streams
        if stream["info"]["channel_format"][0] != "string" and len(stream["time_stamps"]) > 1
    ]
    if not tables:
        raise RecordingError(path, "holds no stream of numbers", "record the sensors' streams as well")
    return tables


def _begun(header: Any) -> datetime | None:
    """When the recorder says that it began to write."""
    try:
        told = datetime.fromisoformat(header["info"]["datetime"][0])
    except (KeyError, IndexError, TypeError, ValueError):
        return None
    return told if told.tzinfo else told.replace(tzinfo=UTC)


def _stream(path: Path, stream: Any) -> Table:
    info = stream["info"]
    values = np.asarray(stream["time_series"], dtype=np.float64)
    columns = {"time [s]": np.asarray(stream["time_stamps"], dtype=np.float64)}
    for k, name in enumerate(_labels(info, values.shape[1])):
        columns[name if name not in columns else f"{name} {k + 1}"] = values[:, k]
    rate = float(info["nominal_srate"][0])
    return Table(
        source=path,
        name=str(info["name"][0]),
        columns=columns,
        rate=rate if rate > 0 else None,
        shared_clock="lsl",
        notes=(f"the streams of {path.name} were brought to one clock and their times smoothed (pyxdf)",),
    )


def _labels(info: Any, count: int) -> list[str]:
    """Channel labels with their units, as far as the stream describes them (XDF meta-data, `desc/channels/channel`)."""
    try:
        channels = info["desc"][0]["channels"][0]["channel"]
    except (TypeError, KeyError, IndexError):
        channels = []
    if len(channels) != count:
        return [f"column {k + 1}" for k in range(count)]
    labels = []
    for k, channel in enumerate(channels):
        label, unit = ((channel.get(key) or [None])[0] for key in ("label", "unit"))
        labels.append(f"{label or f'column {k + 1}'}" + (f" [{unit}]" if unit else ""))
    return labels


def _short(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:80]
