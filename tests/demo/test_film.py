"""The demo film as files: tags, metadata, planted order, and light as a second decoder sees it."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest

from pairdiff._demo import PAIRS, TRUTH, DemoFiles, film, grade, make_demo
from pairdiff._demo.encode import MAX_LIGHT_LEVELS, shrink
from pairdiff._demo.paint import Picture
from pairdiff._errors import OutputRefused, UsageError

BT2020_LUMINANCE = np.array([0.2627, 0.6780, 0.0593])
"""BT.2020-2 table 4. Luminance, from 10 cd/m2: below, and in single channels of dark colours, one 10-bit code is over 1 %."""

SHORT = 2
"""Frames of each shot in the shortened film."""


@pytest.fixture(scope="module")
def short_film(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoFiles]:
    """All releases of a shortened film."""
    patch = pytest.MonkeyPatch()
    for name, count in (("HDR_LOGO_FRAMES", 1), ("SDR_LOGO_FRAMES", 3), ("HDR_END_FRAMES", 1), ("SDR_END_FRAMES", 2)):
        patch.setattr(film, name, count)
    yield make_demo(tmp_path_factory.mktemp("film"), frames_per_shot=SHORT)
    patch.undo()


@pytest.fixture(scope="module")
def painted() -> dict[str, Picture]:
    """The second painted frame of each shot of the shortened film."""
    found = {}
    for name, build in film.SHOTS.items():
        found[name] = build()(film.FRAMES_PER_SHOT // SHORT)
    return found


def need(program: str) -> str:
    """Path of a program, or a skip that says it is absent."""
    path = shutil.which(program)
    if path is None:
        pytest.skip(f"{program} is not installed")
    return path


def ask_probe(path: Path) -> dict[str, object]:
    """First frame of a file as ffprobe describes it."""
    command = [need("ffprobe"), "-v", "error", "-show_frames", "-read_intervals", "%+#1", "-select_streams", "v", "-of", "json", str(path)]
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    frame: dict[str, object] = json.loads(done.stdout)["frames"][0]
    return frame


def decode_light(path: Path, *, index: int, size: tuple[int, int], hdr: bool) -> Picture:
    """Linear RGB of one frame by ffmpeg's zscale: cd/m2 for HDR, relative to white for SDR; shape (row, column, 3)."""
    source = "tin=smpte2084:pin=2020:min=2020_ncl:rin=limited:cin=topleft" if hdr else "tin=linear:pin=709:min=709:rin=limited:cin=left"
    target = "transfer=linear:npl=100" if hdr else "transfer=linear"
    primaries = "primaries=2020:matrix=gbr:range=full" if hdr else "primaries=709:matrix=gbr:range=full"
    chain = f"select=eq(n\\,{index}),zscale={source}:{target}:{primaries}:filter=bilinear,format=gbrpf32le"
    command = [need("ffmpeg"), "-v", "error", "-i", str(path), "-vf", chain, "-frames:v", "1", "-f", "rawvideo", "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    green, blue, red = np.frombuffer(raw, "<f4").reshape(3, *size)
    return np.stack([red, green, blue], axis=-1) * np.float32(100.0 if hdr else 1.0)


def average_blocks(light: np.ndarray) -> np.ndarray:
    """Mean of every 12 x 12 pixels: takes the coder's noise (a code or two) out, leaves an error of transfer, matrix or range."""
    rows, columns = light.shape
    return light.reshape(rows // 12, 12, columns // 12, 12).mean(axis=(1, 3))


def relative_error(found: np.ndarray, meant: np.ndarray, *, floor: float) -> float:
    """Median relative error of light where it is above `floor`."""
    where = meant > floor
    return float(np.median(np.abs(found[where] - meant[where]) / meant[where]))


def test_sdr_release_is_tagged_bt709_narrow(short_film: DemoFiles) -> None:
    frame = ask_probe(short_film.sdr)
    tags = (frame["color_primaries"], frame["color_transfer"], frame["color_space"], frame["color_range"])
    assert tags == ("bt709", "bt709", "bt709", "tv")
    assert (frame["width"], frame["height"], frame["pix_fmt"]) == (1280, 720, "yuv420p")


@pytest.mark.parametrize("pair", PAIRS)
def test_hdr_release_is_tagged_pq_bt2020_and_sited_top_left(short_film: DemoFiles, pair: str) -> None:
    frame = ask_probe(short_film.hdr[pair])
    tags = (frame["color_primaries"], frame["color_transfer"], frame["color_space"], frame["color_range"])
    assert tags == ("bt2020", "smpte2084", "bt2020nc", "tv")
    assert frame["chroma_location"] == "topleft"
    assert (frame["width"], frame["height"], frame["pix_fmt"]) == (1920, 1080, "yuv420p10le")


@pytest.mark.parametrize("pair", PAIRS)
def test_hdr_release_declares_its_mastering_display_and_light_levels(short_film: DemoFiles, pair: str) -> None:
    with av.open(str(short_film.hdr[pair])) as file:
        kinds = {data.type.name: bytes(data) for data in next(file.decode(video=0)).side_data}
    assert tuple(np.frombuffer(kinds["CONTENT_LIGHT_LEVEL"], "<u4")[:2]) == MAX_LIGHT_LEVELS[pair]
    mastering = np.frombuffer(kinds["MASTERING_DISPLAY_METADATA"], "<i4")
    assert mastering[18] / mastering[19] == 1000.0


@pytest.mark.parametrize("pair", PAIRS)
def test_declared_light_levels_are_those_of_the_painted_film(painted: dict[str, Picture], pair: str) -> None:
    levels = [grade.grade_hdr(picture[::3, ::3], pair, shot=name).max(axis=-1) for name, picture in painted.items()]
    max_cll, max_fall = MAX_LIGHT_LEVELS[pair]
    assert max(level.max() for level in levels) == pytest.approx(max_cll, rel=0.03)
    assert max(level.mean() for level in levels) == pytest.approx(max_fall, rel=0.05)


@pytest.mark.parametrize("pair", [pytest.param(one, marks=() if one in ("container", "wider") else pytest.mark.slow) for one in PAIRS])
def test_hdr_light_seen_by_a_second_decoder_is_the_light_meant(short_film: DemoFiles, painted: dict[str, Picture], pair: str) -> None:
    for place, (name, picture) in enumerate(painted.items()):
        index = film.HDR_LOGO_FRAMES + place * SHORT + 1
        found = decode_light(short_film.hdr[pair], index=index, size=(1080, 1920), hdr=True)[138:942]
        meant = grade.grade_hdr(picture.astype(np.float64), pair, shot=name)
        assert relative_error(average_blocks(found @ BT2020_LUMINANCE), average_blocks(meant @ BT2020_LUMINANCE), floor=10.0) < 0.01, name


def test_sdr_signal_seen_by_a_second_decoder_is_the_signal_meant(short_film: DemoFiles, painted: dict[str, Picture]) -> None:
    for place, (name, picture) in enumerate(painted.items()):
        index = film.SDR_LOGO_FRAMES + place * SHORT + 1
        found = decode_light(short_film.sdr, index=index, size=(720, 1280), hdr=False)[92:628]
        meant = grade.grade_sdr(shrink(picture).astype(np.float64))
        assert np.median(np.abs(found - meant)) < 1.25 / 219, name


def test_letterbox_is_black_in_both_releases(short_film: DemoFiles) -> None:
    for path, bars, code in ((short_film.sdr, (92, 628), 16), (short_film.hdr["wider"], (138, 942), 64)):
        with av.open(str(path)) as file:
            luma = [frame.to_ndarray()[: frame.height] for frame in file.decode(video=0)]
        for picture in luma:
            off = np.abs(np.concatenate([picture[: bars[0] - 8], picture[bars[1] + 8 :]]).astype(int) - code)
            assert off.mean() < 0.1
            assert np.percentile(off, 99.9) <= code / 16


def test_sdr_film_starts_later_by_the_difference_of_the_logos(short_film: DemoFiles) -> None:
    counts = []
    for path in (short_film.hdr["container"], short_film.sdr):
        with av.open(str(path)) as file:
            counts.append(sum(1 for _ in file.decode(video=0)))
    assert counts == [1 + 5 * SHORT + 1, 3 + 5 * SHORT + 2]
    assert TRUTH["offset_frames"] == 24


def test_whole_releases_are_kept_and_broken_ones_made_again(short_film: DemoFiles, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[list[str]] = []

    def write(wanted: list[tuple[Path, str | None]], **_: object) -> None:
        written.append([path.name for path, _ in wanted])
        for path, _ in wanted:
            path.write_bytes(b"made")

    out = short_film.sdr.parent / "kept"
    monkeypatch.setattr(film, "_write_releases", write)
    first = make_demo(out, pairs=["wider"], frames_per_shot=SHORT)
    make_demo(out, pairs=["wider"], frames_per_shot=SHORT)
    make_demo(out, pairs=["wider", "container"], frames_per_shot=SHORT)
    first.sdr.write_bytes(b"cut")
    make_demo(out, pairs=["wider"], frames_per_shot=SHORT)
    make_demo(out, pairs=["wider"], frames_per_shot=SHORT + 1)
    sdr, wider = first.sdr.name, first.hdr["wider"].name
    assert written == [[sdr, wider], ["lamplighter-hdr-container.mkv"], [sdr], [sdr, wider]]


def test_a_broken_off_making_leaves_no_file_under_a_final_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object, **__: object) -> Iterator[tuple[str, str, Picture]]:
        raise KeyboardInterrupt
        yield

    monkeypatch.setattr(film, "paint_film", stop)
    with pytest.raises(KeyboardInterrupt):
        make_demo(tmp_path, pairs=["wider"], frames_per_shot=1)
    assert list(tmp_path.iterdir()) == []


def test_unknown_pair_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no demo pair louder.*container"):
        make_demo(tmp_path, pairs=["louder"])


def test_too_many_frames_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="choose 1 to 40"):
        make_demo(tmp_path, frames_per_shot=49)


def test_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(OutputRefused, match=r"cannot be written.*--out"):
        make_demo(tmp_path / "file" / "out", pairs=["wider"])
