import dataclasses
import os
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pairdiff import _block_file, _keep
from pairdiff._errors import OutputRefused
from pairdiff._film_array import FilmArray
from pairdiff._parts import Parts
from pairdiff._records import Damage, Fact, FrameLevels, Rectangle, Release, Signal
from pairdiff.score.scan import Track

RNG = np.random.default_rng(2)


def make_track(frames=7, damage=2):
    return Track(
        Rectangle(21, 139, 0, 320),
        RNG.normal(size=(frames, 576)).astype(np.float16),
        RNG.integers(0, 2160, (frames, 4, 8)).astype(np.uint16),
        tuple(Fraction(n * 1001, 24000) for n in range(frames)),
        tuple(FrameLevels(n, n * 1001 / 24000, *RNG.uniform(0, 1000, 11)) for n in range(frames)),
        tuple(Damage("corrupt picture", n, 'says "é" \n twice') for n in range(damage)),
    )


def make_release(**other):
    def said(value):
        return Fact(value, "container", False)

    signal = Signal(
        *map(said, ("pq", "bt2020", "bt2020-ncl", "narrow", 10, "420", "top-left", 320, 180, Fraction(1), Fraction(24000, 1001)))
    )
    stated = {name: said(value) for name, value in other.items() if hasattr(signal, name)}
    rest = {name: value for name, value in other.items() if not hasattr(signal, name)}
    made = Release(
        "a.mkv",
        "hdr",
        "sha256-sampled:12:ab",
        12,
        "matroska",
        "hevc",
        0,
        Fraction(1, 1000),
        Fraction(0),
        None,
        dataclasses.replace(signal, **stated),
        None,  # type: ignore[arg-type]
        (),
    )
    return dataclasses.replace(made, **rest)


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv(_keep.FOLDER_VARIABLE, str(tmp_path / "kept"))
    return tmp_path / "kept"


@pytest.mark.parametrize(("frames", "damage"), [(7, 2), (1, 0)])
def test_what_was_kept_comes_back_equal(frames, damage):
    track = make_track(frames, damage)
    _keep.store_track("k", track)
    back = _keep.load_track("k")
    assert np.array_equal(back.fingerprints, track.fingerprints)
    assert back.fingerprints.dtype == np.float16
    for name in ("active", "times_s", "levels", "damage"):
        assert getattr(back, name) == getattr(track, name), name
    assert all(type(level.frame) is int for level in back.levels)


def test_fingerprints_in_a_file_are_kept_and_come_back_in_one(folder, tmp_path, monkeypatch):
    """More than are written at a time; numpy, by which the others are kept, reads the archive too."""
    plain = make_track(_keep.BLOCK_FRAMES + 3)
    monkeypatch.setattr(_block_file, "LEAST_FILE_BYTES", 0)
    prints = _block_file.in_files(tmp_path)(plain.fingerprints.shape, np.float16)
    prints[:] = plain.fingerprints
    _keep.store_track("k", dataclasses.replace(plain, fingerprints=prints))
    back = _keep.load_track("k").fingerprints
    assert isinstance(back, FilmArray)
    assert np.array_equal(back[:], plain.fingerprints)
    with np.load(folder / "k.npz", allow_pickle=False) as archive:
        assert np.array_equal(archive["fingerprints"], plain.fingerprints)
        assert archive["fingerprints"].dtype == np.float16


def test_a_scan_that_was_kept_in_one_piece_is_read(folder):
    """As `numpy.savez_compressed` writes all arrays at once, which earlier versions did."""
    track = make_track()
    _keep.store_track("k", track)
    with np.load(folder / "k.npz", allow_pickle=False) as archive:
        arrays = {name: archive[name] for name in archive.files}
    np.savez_compressed(folder / "k.npz", **arrays)
    assert np.array_equal(_keep.load_track("k").fingerprints, track.fingerprints)


def test_how_fields_are_joined_and_what_repeats_come_back():
    track = dataclasses.replace(make_track(), field_order="top", field_joins="oobboob", repeats=np.arange(7) % 3 == 0, in_order=True)
    _keep.store_track("k", track)
    back = _keep.load_track("k")
    assert back.field_joins == "oobboob"
    assert back.in_order
    assert np.array_equal(back.repeats, track.repeats)


def test_luma_codes_and_where_parts_begin_come_back():
    starts = ((0, Fraction(0)), (3, Fraction(1001, 8000)), (5, Fraction(5 * 1001, 24000)))
    codes = RNG.integers(0, 2**40, 256)
    _keep.store_track("k", dataclasses.replace(make_track(), codes=codes, part_starts=starts))
    back = _keep.load_track("k")
    assert np.array_equal(back.codes, codes)
    assert back.codes.dtype == np.int64
    assert back.part_starts == starts
    assert all(type(n) is int and type(time) is Fraction for n, time in back.part_starts)


def test_where_frames_are_set_aside_and_what_was_noted_come_back():
    track = dataclasses.replace(make_track(), field_order="bottom", set_aside=np.arange(7) % 2 == 0, notes=('a "note"', "another"))
    _keep.store_track("k", track)
    back = _keep.load_track("k")
    assert (back.field_order, back.notes) == ("bottom", ('a "note"', "another"))
    assert np.array_equal(back.set_aside, track.set_aside)


def test_what_was_never_kept_is_none():
    assert _keep.load_track("nothing") is None


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 0.7, 0.98])
def test_a_cut_file_is_none(folder, share):
    _keep.store_track("k", make_track())
    path = folder / "k.npz"
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    assert _keep.load_track("k") is None


@pytest.mark.parametrize("seed", range(12))
def test_a_file_with_flipped_bytes_is_none_or_equal(folder, seed):
    track = make_track()
    _keep.store_track("k", track)
    path = folder / "k.npz"
    stored = bytearray(path.read_bytes())
    for place in np.random.default_rng(seed).integers(0, len(stored), 40):
        stored[place] ^= 0xFF
    path.write_bytes(stored)
    back = _keep.load_track("k")
    assert back is None or (back.levels == track.levels and np.array_equal(back.fingerprints, track.fingerprints))


def test_a_file_of_another_kind_is_none(folder):
    folder.mkdir()
    np.savez(folder / "k.npz", active=np.zeros(4), times=np.array([[1, 0]]))
    assert _keep.load_track("k") is None
    (folder / "k.npz").write_text("not an archive")
    assert _keep.load_track("k") is None


def test_a_stopped_write_leaves_what_was_there(folder, monkeypatch):
    track = make_track()
    _keep.store_track("k", track)

    def stop(file, **arrays):
        file.write(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr(np, "savez_compressed", stop)
    with pytest.raises(KeyboardInterrupt):
        _keep.store_track("k", make_track())
    monkeypatch.undo()
    os.environ[_keep.FOLDER_VARIABLE] = str(folder)
    assert _keep.load_track("k").levels == track.levels
    assert [path.name for path in folder.iterdir()] == ["k.npz"]
    del os.environ[_keep.FOLDER_VARIABLE]


def test_a_folder_that_cannot_be_made_is_passed_over(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv(_keep.FOLDER_VARIABLE, str(tmp_path / "file" / "kept"))
    _keep.store_track("k", make_track())
    assert _keep.load_track("k") is None


def test_a_picture_is_kept_whole_and_under_its_name(folder):
    path = _keep.store_picture("p.png", b"the picture")
    assert path == folder / "pictures" / "p.png"
    assert path.read_bytes() == b"the picture"
    assert [entry.name for entry in path.parent.iterdir()] == ["p.png"]


def test_a_picture_that_cannot_be_kept_is_refused_with_the_folder_and_the_variable(tmp_path, monkeypatch):
    """Unlike a scan: without the picture nothing can be measured."""
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv(_keep.FOLDER_VARIABLE, str(tmp_path / "file"))
    with pytest.raises(OutputRefused, match=r"file/pictures cannot be written \((Not a directory|File exists)\).*PAIRDIFF_KEEP_DIR\.$"):
        _keep.store_picture("p.png", b"the picture")


def test_a_picture_for_which_the_disk_has_no_room_leaves_nothing(folder, monkeypatch):
    def full(name, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OutputRefused, match=r"pictures cannot be written \(No space left on device\)"):
        _keep.store_picture("p.png", b"the picture")
    assert list((folder / "pictures").iterdir()) == []


def test_a_full_disk_is_passed_over_and_leaves_nothing(folder, monkeypatch):
    def full(file, **arrays):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(np, "savez_compressed", full)
    _keep.store_track("k", make_track())
    assert list(folder.iterdir()) == []


def test_other_errors_are_not_passed_over(monkeypatch):
    def broken(file, **arrays):
        raise ZeroDivisionError

    monkeypatch.setattr(np, "savez_compressed", broken)
    with pytest.raises(ZeroDivisionError):
        _keep.store_track("k", make_track())


def test_the_folder_is_the_named_one_or_the_users_own(monkeypatch, tmp_path):
    assert _keep.keep_folder() == tmp_path / "kept"
    monkeypatch.delenv(_keep.FOLDER_VARIABLE)
    assert _keep.keep_folder().parts[-2:] == ("pairdiff", "scans")
    assert _keep.keep_folder() != Path("scans")


@pytest.mark.parametrize(
    "other",
    [
        {"file_id": "sha256-sampled:12:ac"},
        {"stream_index": 1},
        {"transfer": "hlg"},
        {"primaries": "p3-d65"},
        {"matrix": "bt709"},
        {"range": "full"},
        {"chroma_siting": "left"},
        {"stated_rate": Fraction(25)},
        {"opened": "kept/another.png"},
    ],
    ids=lambda other: next(iter(other)),
)
def test_another_reading_has_another_key(other):
    assert _keep.scan_key(make_release(), hlg_peak_nits=1000.0) != _keep.scan_key(make_release(**other), hlg_peak_nits=1000.0)


def test_the_key_knows_the_peak_and_the_version_and_not_the_path(monkeypatch):
    first = _keep.scan_key(make_release(), hlg_peak_nits=1000.0)
    assert first == _keep.scan_key(make_release(path="elsewhere/b.mkv"), hlg_peak_nits=1000.0)
    assert first != _keep.scan_key(make_release(), hlg_peak_nits=600.0)
    monkeypatch.setattr(_keep, "SCAN_VERSION", _keep.SCAN_VERSION + 1)
    assert first != _keep.scan_key(make_release(), hlg_peak_nits=1000.0)


def test_what_killed_runs_left_half_written_goes_after_a_month(folder):
    (folder / "parts" / "old").mkdir(parents=True)
    (folder / "parts" / "young").mkdir()
    for name, days in (("a.part", 31), ("b.part", 29), ("c.npz", 31), ("parts/old", 31), ("parts/young", 29)):
        path = folder / name
        if not path.is_dir():
            path.write_bytes(b"half")
        os.utime(path, (time.time() - days * 24 * 3600,) * 2)
    _keep.store_track("k", make_track())
    assert sorted(path.name for path in folder.iterdir()) == ["b.part", "c.npz", "k.npz", "parts"]
    Parts("k")
    assert [path.name for path in (folder / "parts").iterdir()] == ["young"]
