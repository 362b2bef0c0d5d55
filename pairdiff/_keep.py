"""What a scan found, kept on disk so that an interrupted or repeated run need not decode the film again.

The key is the file's identity, how its signal is read, and the version of what a scan computes. Files are written under another name
and moved into place. A kept file that cannot be read is as good as none.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO, cast

import numpy as np
from numpy.typing import NDArray

from pairdiff._block_file import BlockFile, in_files
from pairdiff._errors import OutputRefused
from pairdiff._film_array import FilmTimes, Prints
from pairdiff._records import Damage, FieldOrder, FrameLevels, Rectangle, Release
from pairdiff._tables import Table, column
from pairdiff.match.motion import BLOCK_FRAMES
from pairdiff.score.scan import Track

SCAN_VERSION = 16
"""Raise it whenever what a scan computes changes: re-runs go by it too."""
FOLDER_VARIABLE = "PAIRDIFF_KEEP_DIR"
"""Environment variable that names another folder for what is kept."""
LEFT_S = 30 * 24 * 3600.0
"""Age at which what stopped runs left, and no run went on with, is removed, seconds (own: a month)."""
PRINTS_NAME = "fingerprints.npy"
"""Place of the fingerprints in a kept scan, an archive as `numpy.savez_compressed` writes it."""


def keep_folder() -> Path:
    """Folder for what is kept between runs."""
    import platformdirs

    named = os.environ.get(FOLDER_VARIABLE)
    return Path(named) if named else Path(platformdirs.user_cache_dir("pairdiff")) / "scans"


def remove_left(folder: Path, pattern: str = "*") -> None:
    """Remove what stopped runs left there long ago."""
    with contextlib.suppress(OSError):
        for one in folder.glob(pattern):
            if time.time() - one.stat().st_mtime > LEFT_S:
                shutil.rmtree(one) if one.is_dir() else one.unlink()


def scan_key(release: Release, *, hlg_peak_nits: float) -> str:
    """Key of a release's scan."""
    signal = release.signal
    handed_on = Path(release.opened or "").name
    parts: list[Any] = [
        SCAN_VERSION,
        release.file_id,
        release.stream_index,
        hlg_peak_nits,
        str(release.stated_rate),
        handed_on,
        release.changed_ns,
    ]
    parts += [str(getattr(signal, name).value) for name in ("transfer", "primaries", "matrix", "range", "chroma_siting")]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]


def store_track(key: str, track: Track) -> None:
    """Keep a scan; a folder that cannot be written is passed over, since nothing depends on it."""
    remove_left(keep_folder(), "*.part")
    with contextlib.suppress(OSError):
        write_whole(keep_folder() / f"{key}.npz", lambda file: _write_track(file, track))


def _write_track(file: BinaryIO, track: Track) -> None:
    """All but the fingerprints packed; these a stretch at a time, since they need not lie in memory, and as they are (own: packing takes
    long and saves a fifth).
    """
    np.savez_compressed(file, **_to_arrays(track))
    prints = track.fingerprints
    header = {"descr": np.lib.format.dtype_to_descr(np.dtype(prints.dtype)), "fortran_order": False, "shape": prints.shape}
    with zipfile.ZipFile(file, "a", zipfile.ZIP_STORED) as archive, archive.open(PRINTS_NAME, "w", force_zip64=True) as member:
        np.lib.format.write_array_header_1_0(member, header)
        for start in range(0, len(prints), BLOCK_FRAMES):
            member.write(prints[start : start + BLOCK_FRAMES].tobytes())


def store_picture(name: str, data: bytes) -> Path:
    """Keep a picture that is read in another one's place.

    Parameters
    ----------
    name : of the file, told by what is in it.
    data : the file.

    Returns
    -------
    Where it lies.

    Raises
    ------
    OutputRefused : a folder that cannot be written: without the picture nothing can be measured.
    """
    path = keep_folder() / "pictures" / name
    _hand_on(path, lambda file: file.write(data))
    return path


def store_film(name: str, write: Callable[[BinaryIO], object], *, fresh: bool) -> Path:
    """Keep a film that is read in the place of numbered pictures; one that is there is taken as it is, unless `fresh`.

    Parameters
    ----------
    name : of the file, told by what is in it.
    write : writes the film.
    fresh : write it anew even where it is there.

    Returns
    -------
    Where it lies.

    Raises
    ------
    OutputRefused : a folder that cannot be written.
    """
    path = keep_folder() / "pictures" / name
    if fresh or not path.is_file() or not path.stat().st_size:
        _hand_on(path, write)
    return path


def _hand_on(path: Path, write: Callable[[BinaryIO], object]) -> None:
    remove_left(path.parent, "*.part")
    try:
        write_whole(path, write)
    except OSError as error:
        raise OutputRefused(
            f"{path.parent} cannot be written ({error.strerror}): what is read in place of pictures is handed on there. Name another "
            f"folder with {FOLDER_VARIABLE}."
        ) from error


def write_whole(path: Path, write: Callable[[BinaryIO], object]) -> None:
    """Write a file under another name and move it into place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(handle, "w+b") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


def load_track(key: str) -> Track | None:
    """A kept scan, or None."""
    path = keep_folder() / f"{key}.npz"
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            prints = _read_prints(file)
            return _from_arrays({name: arrays[name] for name in arrays.files if name != "fingerprints"}, prints)
    except Exception:  # a spoilt archive raises a dozen kinds, depending on which byte is spoilt; none of them may stop a run
        return None


def _read_prints(file: BinaryIO) -> Prints:
    with zipfile.ZipFile(file) as archive, archive.open(PRINTS_NAME) as member:
        np.lib.format.read_magic(member)
        shape, _, kind = np.lib.format.read_array_header_1_0(member)
        prints = in_files(keep_folder())(shape, kind)
        for start in range(0, shape[0], BLOCK_FRAMES):
            rows = min(BLOCK_FRAMES, shape[0] - start)
            data = member.read(rows * int(np.prod(shape[1:])) * kind.itemsize)
            prints[start : start + rows] = np.frombuffer(data, kind).reshape(rows, *shape[1:])
    return prints


def _to_arrays(track: Track) -> dict[str, Any]:
    names = list(asdict(track.levels[0])) if track.levels else []
    return {
        "active": np.array([track.active.top, track.active.bottom, track.active.left, track.active.right]),
        "edges": track.edges,
        "times": _parts_of_times(track.times_s),
        "levels": np.stack([column(track.levels, name) for name in names], axis=-1).astype(np.float64) if names else np.zeros(0),
        "damage": np.array(json.dumps([asdict(fault) for fault in track.damage])),
        "field_order": np.array(track.field_order or ""),
        "set_aside": track.set_aside,
        "notes": np.array(json.dumps(track.notes)),
        "field_joins": np.array(track.field_joins),
        "repeats": track.repeats,
        "in_order": np.array(track.in_order),
        "part_starts": np.array([[n, time.numerator, time.denominator] for n, time in track.part_starts], np.int64).reshape(-1, 3),
        "one_field": np.array(track.one_field),
        "codes": track.codes,
    }


def _from_arrays(arrays: dict[str, Any], prints: Prints) -> Track:
    return Track(
        Rectangle(*(int(edge) for edge in arrays["active"])),
        prints,
        arrays["edges"],
        FilmTimes(arrays["times"]),
        Table(FrameLevels, _each_levels(arrays["levels"]), keep=BlockFile(keep_folder()).keep),
        tuple(Damage(**fault) for fault in json.loads(str(arrays["damage"]))),
        cast("FieldOrder | None", str(arrays["field_order"]) or None),
        arrays["set_aside"],
        tuple(json.loads(str(arrays["notes"]))),
        str(arrays["field_joins"]),
        arrays["repeats"],
        bool(arrays["in_order"]),
        tuple((int(n), Fraction(int(top), int(bottom))) for n, top, bottom in arrays["part_starts"]),
        bool(arrays["one_field"]),
        arrays["codes"],
    )


def _each_levels(rows: NDArray[np.float64]) -> Iterator[FrameLevels]:
    return (FrameLevels(int(row[0]), *(float(value) for value in row[1:])) for row in rows)


def _parts_of_times(times_s: Sequence[Fraction]) -> NDArray[np.int64]:
    if isinstance(times_s, FilmTimes):
        return times_s.parts
    return np.array([time.as_integer_ratio() for time in times_s], np.int64).reshape(-1, 2)
