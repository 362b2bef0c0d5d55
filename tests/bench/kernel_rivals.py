"""The fused kernels against plain numpy and against well-kept general parts for the same figures: printed, never asserted.

    OPENBLAS_NUM_THREADS=1 python -m tests.bench.kernel_rivals CLIP [CLIP ...] [--runs 3] [--only light fingerprint pair watch]

Needs what the tests need, and ffmpeg; rows whose parts are missing are left out with the reason. Clips are 4:2:0, PQ or SDR.

All work on the same decoded pictures. Milliseconds are those of one core for a picture: processor time of this process and, for
FFmpeg, of a process with one thread that filters the pictures' raw planes, less what the same process takes without the filter.
Each way is timed in turn, `--runs` times, and the median counts. Beside it stands how far its figures lie from ours on the same
pictures, so that it is seen whether it computes the same.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Frame, Rectangle, Signal
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_alone
from pairdiff.frames.fields import compare_weaves, sample_rows
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.frames.quantisation import LUMA_WEIGHTS
from pairdiff.light.ictcp import JND_SCALE, LMS_TO_ICTCP_PQ, RGB_TO_LMS, delta_e_itp, nits_to_ictcp
from pairdiff.light.picture import hdr_code_to_nits, itp_difference, nits_to_itp, nits_to_itp_planes, sdr_code_to_nits
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import PQ_C1, PQ_C2, PQ_C3, PQ_M1, PQ_M2, bt1886_to_nits, pq_to_nits
from pairdiff.match.fingerprint import BLOCK_ROWS_EVERY, EQUALISED_COLUMNS, GRID_COLUMNS, GRID_ROWS, make_fingerprint
from pairdiff.score._picture_kernels import count_apart
from pairdiff.score.difference import HISTOGRAM_BINS, HISTOGRAM_STEP_JND
from pairdiff.score.levels import levels_from_histogram
from pairdiff.score.plane_levels import PlaneScale, make_plane_scale, plane_histogram
from pairdiff.score.readings import SPARE_LINES, count_luma
from tests.bench.throughput import bench_loops, core_ms, numpy_fingerprint, read_pictures

FFMPEG = shutil.which("ffmpeg")
LOOPS = 6
"""How often FFmpeg is shown the pictures."""
SLOW_PICTURES = 2
"""Pictures of ways that take seconds for each."""
LEAST_S = 0.3
"""Processor time over which a quick way is timed in one run."""
SDR_WHITE_NITS, SDR_GAMMA = 100.0, 2.4
PIPE_SIZE, SET_PIPE_SIZE = 1 << 20, 1031
"""As large as a pipe may be without rights of its own (Linux, F_SETPIPE_SZ)."""
COLORAIDE_PIXELS = 1000
SITING_NAMES = {"left": "left", "top-left": "topleft", "centre": "center"}
MATRIX_NAMES = {"bt2020-ncl": "2020_ncl", "bt709": "709"}
COLOUR_WEIGHTS = {"bt2020-ncl": "ITU-R BT.2020", "bt709": "ITU-R BT.709"}

Planes = list[NDArray[Any]]
Figures = tuple[float, float, float]
Tell = Callable[[list[Any], list[Any]], str]


@dataclass(frozen=True, slots=True)
class Clip:
    """Pictures of one clip."""

    name: str
    path: str
    signal: Signal
    pictures: list[Frame]
    raw: Path
    """Their planes, one picture after the other."""
    scale: PlaneScale

    @property
    def pq(self) -> bool:
        return bool(self.signal.transfer.value == "pq")

    @property
    def size(self) -> tuple[int, int]:
        rows, columns = self.pictures[0].planes[0].shape
        return rows, columns

    @property
    def whole(self) -> Rectangle:
        return Rectangle(0, self.size[0], 0, self.size[1])

    @property
    def kind(self) -> str:
        bits = self.signal.bit_depth.value
        return f"{self.size[0]}p, {bits} bits, {'PQ' if self.pq else 'SDR'}"


@dataclass(frozen=True, slots=True)
class Way:
    """One way to a measure: what it costs, and how far its figures lie from ours."""

    name: str
    spend_ms: Callable[[], float]
    agreement: Callable[[], str]


def in_process(name: str, function: Callable[[Any], Any], inputs: Sequence[Any], ours: Callable[[Any], Any] | None, tell: Tell) -> Way:
    """A way that runs here."""

    def agreement() -> str:
        return "" if ours is None else tell([ours(one) for one in inputs], [function(one) for one in inputs])

    return Way(name, lambda: core_ms(function, inputs, least_s=LEAST_S), agreement)


# ---------------------------------------------------------------- FFmpeg


def children_s() -> float:
    """Processor time of all processes that were started and have ended."""
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def ffmpeg_words(clip: Clip, chain: str, *to: str, loops: int = LOOPS) -> list[str]:
    """FFmpeg with one thread, from raw planes."""
    bits = clip.signal.bit_depth.value
    rows, columns = clip.size
    kind = "yuv420p" if bits == 8 else f"yuv420p{bits}le"
    source = ["-f", "rawvideo", "-pix_fmt", kind, "-video_size", f"{columns}x{rows}", "-stream_loop", str(loops - 1), "-i", str(clip.raw)]
    return [str(FFMPEG), "-v", "error", "-nostdin", "-threads", "1", "-filter_threads", "1", *source, "-vf", chain, "-threads", "1", *to]


def filter_ms(clip: Clip, chain: str) -> float:
    """Milliseconds of a filter a picture, nothing read from it."""
    spent = []
    for one in (chain, "null"):
        before = children_s()
        subprocess.run(ffmpeg_words(clip, one, "-f", "null", "-"), check=True, stdout=subprocess.DEVNULL)
        spent.append(children_s() - before)
    return 1e3 * (spent[0] - spent[1]) / (LOOPS * len(clip.pictures))


def filtered(clip: Clip, chain: str, *, kind: type, loops: int = LOOPS) -> Iterator[NDArray[Any]]:
    """What a filter to three planes gives: G, B, R of each picture, in memory that is used again."""
    import fcntl

    room = np.empty((3, *clip.size), kind)
    with subprocess.Popen(ffmpeg_words(clip, chain, "-f", "rawvideo", "-", loops=loops), stdout=subprocess.PIPE, bufsize=0) as process:
        assert process.stdout is not None
        if sys.platform == "linux":
            fcntl.fcntl(process.stdout, SET_PIPE_SIZE, PIPE_SIZE)
        view = memoryview(room.reshape(-1).view(np.uint8))
        while True:
            done = 0
            while done < len(view) and (got := process.stdout.readinto(view[done:])):  # type: ignore[attr-defined]
                done += got
            if done < len(view):
                break
            yield room


def filter_and_read_ms(clip: Clip, chain: str, *, kind: type, function: Callable[[NDArray[Any]], Any]) -> float:
    """Milliseconds of a filter, of reading what it gives, and of figures from that, a picture."""
    before, start, done = children_s(), time.process_time(), 0
    for planes in filtered(clip, chain, kind=kind):
        function(planes)
        done += 1
    spent = children_s() - before + time.process_time() - start
    before = children_s()
    subprocess.run(ffmpeg_words(clip, "null", "-f", "null", "-"), check=True, stdout=subprocess.DEVNULL)
    return 1e3 * (spent - (children_s() - before)) / done


@lru_cache(maxsize=8)
def has_filter(name: str) -> bool:
    """Whether FFmpeg is there, with a filter."""
    if FFMPEG is None:
        return False
    said = subprocess.run([FFMPEG, "-hide_banner", "-filters"], capture_output=True, text=True, check=True).stdout
    return any(line.split()[1:2] == [name] for line in said.splitlines())


def filter_ways(clip: Clip, filters: dict[str, tuple[str, str]]) -> list[Way]:
    """Ways that are a filter alone: name of the way, chain and what is to be said of its figures."""
    found = []
    for name, (chain, word) in filters.items():
        if has_filter(chain.split("=")[0]):
            found.append(Way(name, lambda chain=chain: filter_ms(clip, chain), lambda word=word: word))  # type: ignore[misc]
        else:
            print(f"left out: {name}: no ffmpeg with this filter on this machine", file=sys.stderr)
    return found


# ---------------------------------------------------------------- planes to signal


def code_line(signal: Signal) -> tuple[float, float, float, float]:
    """Black, and codes from black to white; the middle of chroma, and codes from -0.5 to 0.5 of it (H.273 8.3)."""
    bits = signal.bit_depth.value
    unit = 2.0 ** (bits - 8)
    if signal.range.value == "narrow":
        return 16 * unit, 219 * unit, 128 * unit, 224 * unit
    return 0.0, 2.0**bits - 1, 2.0 ** (bits - 1), 2.0**bits - 1


def chroma_matrix(signal: Signal) -> NDArray[np.float64]:
    """What Cb and Cr add to R', G' and B'."""
    red, blue = LUMA_WEIGHTS[signal.matrix.value]
    green, from_cb, from_cr = 1 - red - blue, 2 * (1 - blue), 2 * (1 - red)
    return np.array([[0, from_cr], [-from_cb * blue / green, -from_cr * red / green], [from_cb, 0]])


def numpy_doubled(plane: NDArray[Any], *, cosited: bool) -> NDArray[Any]:
    """A plane of twice the rows, bilinear."""
    out = np.empty((2 * plane.shape[0], plane.shape[1]), plane.dtype)
    after = np.concatenate([plane[1:], plane[-1:]])
    if cosited:
        out[::2], out[1::2] = plane, 0.5 * (plane + after)
    else:
        before = np.concatenate([plane[:1], plane[:-1]])
        out[::2], out[1::2] = 0.25 * before + 0.75 * plane, 0.75 * plane + 0.25 * after
    return out


def numpy_ycbcr(frame: Frame, signal: Signal) -> Planes:
    """Codes of Y, Cb and Cr at the size of Y, single precision, in plain numpy."""
    siting, (rows, columns) = signal.chroma_siting.value, frame.planes[0].shape
    found = [frame.planes[0].astype(np.float32)]
    for plane in frame.planes[1:]:
        tall = numpy_doubled(plane.astype(np.float32), cosited=siting == "top-left")
        found.append(numpy_doubled(tall.T, cosited=siting != "centre").T[:rows, :columns])
    return found


def numpy_signal(frame: Frame, signal: Signal) -> Planes:
    """R', G' and B' in plain numpy, single precision."""
    black, span, middle, chroma_span = code_line(signal)
    y, cb, cr = numpy_ycbcr(frame, signal)
    y, cb, cr = (y - black) / span, (cb - middle) / chroma_span, (cr - middle) / chroma_span
    mix = chroma_matrix(signal).astype(np.float32)
    return [y + mix[0, 1] * cr, y + mix[1, 0] * cb + mix[1, 1] * cr, y + mix[2, 0] * cb]


def opencv_enlarged(small: NDArray[Any], signal: Signal, size: tuple[int, int]) -> NDArray[Any]:
    """Half-size chroma at the size of luma, bilinear at its siting, by OpenCV."""
    siting = signal.chroma_siting.value
    across, down = (-0.25 if siting == "centre" else 0.0), (0.0 if siting == "top-left" else -0.25)
    place = np.array([[0.5, 0, across], [0, 0.5, down]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(small, place, size[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE))


# ---------------------------------------------------------------- light levels


def figures_of_light(level_nits: NDArray[Any]) -> Figures:
    """Largest, mean and 99.9th percentile of levels."""
    percentile = np.percentile(level_nits, 99.9, method="inverted_cdf")
    return float(level_nits.max()), float(level_nits.mean(dtype=np.float64)), float(percentile)


def figures_of_counts(counts: NDArray[Any], nits: NDArray[np.float64], *, largest_nits: float | None = None) -> Figures:
    """The same of a histogram of levels."""
    running = np.cumsum(counts)
    top = float(nits[np.flatnonzero(counts)[-1]]) if largest_nits is None else largest_nits
    place = np.searchsorted(running, 0.999 * running[-1] - 1e-6)
    return top, float((counts * nits).sum() / running[-1]), float(nits[place])


def tell_levels(ours: list[Figures], theirs: list[Figures]) -> str:
    apart = np.abs(np.array(theirs) / np.array(ours) - 1).max(0)
    return "max {:.2g} %, mean {:.2g} %, 99.9th percentile {:.2g} %".format(*(100 * apart))


def ocio_decoder(clip: Clip) -> Any:
    """Codes of Y, Cb and Cr to light, 1 = 100 cd/m2, as one processor."""
    import PyOpenColorIO as ocio  # noqa: N813

    black, span, middle, chroma_span = code_line(clip.signal)
    mix = np.eye(4)
    mix[:3, 0] = 1 / span
    mix[:3, 1:3] = chroma_matrix(clip.signal) / chroma_span
    offset = np.zeros(4)
    offset[:3] = -mix[:3, :3] @ (black, middle, middle)
    group = ocio.GroupTransform()
    group.appendTransform(ocio.MatrixTransform(mix.ravel().tolist(), offset.tolist()))
    for one in ocio_eotf(clip):
        group.appendTransform(one)
    return ocio.Config.CreateRaw().getProcessor(group).getDefaultCPUProcessor()


def ocio_eotf(clip: Clip) -> list[Any]:
    """The curve, and before it what ends PQ at 0 and 10 000 cd/m2: OpenColorIO goes on beyond both."""
    import PyOpenColorIO as ocio  # noqa: N813

    if clip.pq:
        return [ocio.RangeTransform(0.0, 1.0, 0.0, 1.0), ocio.BuiltinTransform(style="CURVE - ST-2084_to_LINEAR")]
    return [ocio.ExponentTransform([SDR_GAMMA] * 3 + [1.0], ocio.NEGATIVE_CLAMP)]


def colour_nits(rgb: NDArray[Any], *, pq: bool) -> NDArray[Any]:
    """R'G'B' to cd/m2 by colour-science, which goes on beyond signal 0 and 1 in PQ: these are cut off first."""
    import colour

    return np.asarray(colour.eotf(np.clip(rgb, 0, 1), "ST 2084") if pq else colour.eotf(rgb, "ITU-R BT.1886", L_B=0, L_W=SDR_WHITE_NITS))


def zscale_chain(clip: Clip, *, linear: bool) -> str:
    """zscale from the clip's Y'CbCr to R, G and B, float light, or full 16-bit codes (cut off at signal 0 and 1) with the transfer kept."""
    signal = clip.signal
    matrix, siting = MATRIX_NAMES[signal.matrix.value], SITING_NAMES[signal.chroma_siting.value]
    transfer, primaries = ("smpte2084", "2020") if clip.pq else ("709", "709")
    span = "limited" if signal.range.value == "narrow" else "full"
    reading = f"zscale=min={matrix}:tin={transfer}:pin={primaries}:rin={span}:cin={siting}:f=bilinear:m=gbr:p={primaries}:r=full"
    if linear:
        return f"{reading}:t=linear" + (":npl=10000" if clip.pq else "") + ",format=gbrpf32le"
    return f"{reading}:t={transfer},format=gbrp16le"


def light_ways(clip: Clip) -> list[Way]:
    """Largest, mean and percentiles of max(R, G, B), from planes."""
    signal, scale, pictures, slow = clip.signal, clip.scale, clip.pictures, clip.pictures[:SLOW_PICTURES]
    bits = signal.bit_depth.value
    black, span, middle, chroma_span = code_line(signal)
    steps, per_code = len(scale.step_nits), scale.steps_per_code

    def ours(frame: Frame) -> Figures:
        counted = plane_histogram(frame.planes, signal, active=clip.whole, scale=scale)
        found = levels_from_histogram(counted, bin_nits=scale.step_nits, frame=0, time_s=0.0)
        return found.max_nits, found.average_nits, found.p999_nits

    def by_numpy(frame: Frame) -> Figures:
        light = [scale.code_to_nits(one.astype(np.float64)) for one in numpy_signal(frame, signal)]
        return figures_of_light(np.maximum(np.maximum(light[0], light[1]), light[2]))

    def by_numpy_counted(frame: Frame) -> Figures:
        red, green, blue = numpy_signal(frame, signal)
        level = np.maximum(np.maximum(red, green), blue)
        place = np.clip(level * np.float32(per_code) + np.float32(0.5), 0, steps - 1).astype(np.uint16)
        largest = float(scale.code_to_nits(np.asarray(float(level.max()))))
        return figures_of_counts(np.bincount(place.ravel(), minlength=steps), scale.step_nits, largest_nits=largest)

    mix = chroma_matrix(signal) / chroma_span
    small_mix = np.column_stack([mix, -mix.sum(1) * middle - black / span])

    def by_opencv(frame: Frame) -> Figures:
        small = cv2.merge([plane.astype(np.float32) for plane in frame.planes[1:]])
        red, green, blue = cv2.split(opencv_enlarged(cv2.transform(small, small_mix), signal, clip.size))
        level = cv2.scaleAdd(frame.planes[0].astype(np.float32), 1 / span, cv2.max(cv2.max(red, green), blue))
        level = cv2.max(level, 0.0)
        counts = cv2.calcHist([level], [0], None, [steps], [-0.5 / per_code, (steps - 0.5) / per_code]).ravel().astype(np.float64)
        largest = float(scale.code_to_nits(np.asarray(cv2.minMaxLoc(level)[1])))
        return figures_of_counts(counts, scale.step_nits, largest_nits=largest)

    def by_colour(frame: Frame) -> Figures:
        import colour

        ycbcr = np.stack(numpy_ycbcr(frame, signal), -1)
        narrow = signal.range.value == "narrow"
        weights = colour.WEIGHTS_YCBCR[COLOUR_WEIGHTS[signal.matrix.value]]
        rgb = colour.YCbCr_to_RGB(ycbcr, K=weights, in_bits=bits, in_legal=narrow, in_int=True, out_legal=False, out_int=False)
        return figures_of_light(colour_nits(rgb, pq=clip.pq).max(-1))

    def of_float_planes(planes: NDArray[Any]) -> Figures:
        level = cv2.max(cv2.max(planes[0], planes[1]), planes[2])
        if clip.pq:
            level = cv2.min(level, 1.0)  # zscale goes on beyond 10 000 cd/m2
        return tuple(nits * (10_000.0 if clip.pq else SDR_WHITE_NITS) for nits in figures_of_light(level))  # type: ignore[return-value]

    code16_nits = scale.code_to_nits(np.arange(65536) / 65535)

    def of_code_planes(planes: NDArray[Any]) -> Figures:
        level = cv2.max(cv2.max(planes[0], planes[1]), planes[2])
        return figures_of_counts(cv2.calcHist([level], [0], None, [65536], [0, 65536]).ravel().astype(np.float64), code16_nits)

    def luma_word() -> str:
        return "luma codes alone (lowest, mean, highest), no light; " + tell_signalstats(clip)

    found = [
        in_process("ours (eleven figures; three of them compared)", ours, pictures, None, tell_levels),
        in_process("numpy, every pixel decoded", by_numpy, slow, ours, tell_levels),
        in_process("numpy, codes counted as we do", by_numpy_counted, slow, ours, tell_levels),
        in_process("OpenCV, codes counted as we do", by_opencv, slow, ours, tell_levels),
    ]
    try:
        decoder = ocio_decoder(clip)

        def by_ocio(frame: Frame) -> Figures:
            chroma = [opencv_enlarged(plane.astype(np.float32), signal, clip.size) for plane in frame.planes[1:]]
            picture = cv2.merge([frame.planes[0].astype(np.float32), *chroma])
            decoder.applyRGB(picture)
            red, green, blue = cv2.split(picture)
            return tuple(100 * nits for nits in figures_of_light(cv2.max(cv2.max(red, green), blue)))  # type: ignore[return-value]

        found.append(in_process("OpenColorIO (matrix and curve in one), OpenCV, numpy", by_ocio, slow, ours, tell_levels))
    except ImportError:
        print("left out: OpenColorIO is not installed", file=sys.stderr)
    found.append(in_process("colour-science, numpy", by_colour, pictures[:1], ours, tell_levels))
    if has_filter("zscale"):
        for name, rest, linear, function in (
            ("float light", "OpenCV, numpy", True, of_float_planes),
            ("16-bit codes", "OpenCV", False, of_code_planes),
        ):
            chain, kind = zscale_chain(clip, linear=linear), np.float32 if linear else np.uint16
            found.append(
                Way(f"FFmpeg zscale to {name}, nothing read", lambda chain=chain: filter_ms(clip, chain), lambda: "")  # type: ignore[misc]
            )
            found.append(
                Way(
                    f"FFmpeg zscale to {name}, pipe, {rest}",
                    lambda chain=chain, kind=kind, function=function: filter_and_read_ms(  # type: ignore[misc]
                        clip, chain, kind=kind, function=function
                    ),
                    lambda chain=chain, kind=kind, function=function: tell_levels(  # type: ignore[misc]
                        [ours(one) for one in pictures],
                        [function(planes) for planes in filtered(clip, chain, kind=kind, loops=1)],
                    ),
                )
            )
    else:
        print("left out: zscale: no ffmpeg with this filter on this machine", file=sys.stderr)
    if has_filter("signalstats"):
        found.append(Way("FFmpeg signalstats", lambda: filter_ms(clip, "signalstats"), luma_word))
    else:
        print("left out: signalstats: no ffmpeg with this filter on this machine", file=sys.stderr)
    return found


def tell_signalstats(clip: Clip) -> str:
    """Largest difference of its mean luma from numpy's."""
    words = ffmpeg_words(clip, "signalstats,metadata=print:key=lavfi.signalstats.YAVG:file=-", "-f", "null", "-")
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    theirs = [float(line.split("=")[1]) for line in said.splitlines() if "YAVG=" in line]
    apart = [abs(mean - frame.planes[0].mean()) for mean, frame in zip(theirs, clip.pictures, strict=False)]
    return f"mean luma within {max(apart):.2g} codes of numpy's"


# ---------------------------------------------------------------- fingerprints


def fingerprint_ways(clip: Clip) -> list[Way]:
    """A fingerprint of the luma plane."""
    from scipy.stats import rankdata
    from skimage.exposure import equalize_hist

    bits, pictures, slow = clip.signal.bit_depth.value, clip.pictures, clip.pictures[:SLOW_PICTURES]
    block = max(round(clip.size[1] / EQUALISED_COLUMNS), 1)
    small_size, every = (clip.size[1] // block, clip.size[0] // block), BLOCK_ROWS_EVERY if block > 1 else 1

    def ours(frame: Frame) -> NDArray[Any]:
        return make_fingerprint(frame.planes[0], active=clip.whole, code_step=2.0 ** (bits - 8))

    def ranked(equal: NDArray[Any]) -> NDArray[Any]:
        rank = rankdata(cv2.resize(equal, (GRID_COLUMNS, GRID_ROWS), interpolation=cv2.INTER_AREA), axis=None)
        return np.asarray((rank - rank.mean()) / np.linalg.norm(rank - rank.mean()))

    def by_skimage(frame: Frame) -> NDArray[Any]:
        small = cv2.resize(frame.planes[0], small_size, interpolation=cv2.INTER_AREA)[::every]
        return ranked(equalize_hist(small, nbins=2**bits).astype(np.float32))

    def by_opencv(frame: Frame) -> NDArray[Any]:
        small = cv2.resize(frame.planes[0], small_size, interpolation=cv2.INTER_AREA)[::every]
        return ranked(cv2.equalizeHist((small >> (bits - 8)).astype(np.uint8)).astype(np.float32))

    def tell(first: list[Any], second: list[Any]) -> str:
        return f"correlation {min(float(np.dot(a.astype(np.float64), b)) for a, b in zip(first, second, strict=True)):.4f}"

    found = [
        in_process("ours", ours, pictures, None, tell),
        in_process("numpy", lambda frame: numpy_fingerprint(frame.planes[0]), slow, ours, tell),
        in_process("OpenCV resize, scikit-image equalize_hist, SciPy rankdata", by_skimage, pictures, ours, tell),
        in_process("OpenCV resize and equalizeHist (8 bits), SciPy rankdata", by_opencv, pictures, ours, tell),
    ]
    words = {"FFmpeg signature (MPEG-7 video signature)": ("signature", "another fingerprint: of what it tells, nothing compares")}
    return found + filter_ways(clip, words)


# ---------------------------------------------------------------- difference of a pair


def opencv_pq(light: NDArray[Any]) -> NDArray[Any]:
    """Light, 1 = 10 000 cd/m2, to PQ signal by OpenCV's power (ST 2084)."""
    flat = light.reshape(light.shape[0], -1)  # a limit is for the first channel alone
    power = cv2.pow(cv2.min(cv2.max(flat, 0.0), 1.0), PQ_M1)
    return np.asarray(cv2.pow(cv2.divide(PQ_C2 * power + np.float32(PQ_C1), PQ_C3 * power + np.float32(1)), PQ_M2)).reshape(light.shape)


def opencv_pq_light(code: NDArray[Any]) -> NDArray[Any]:
    """PQ signal to light, 1 = 10 000 cd/m2, by OpenCV's power."""
    power = cv2.pow(cv2.min(cv2.max(code.reshape(code.shape[0], -1), 0.0), 1.0), 1 / PQ_M2)
    light = cv2.pow(cv2.max(cv2.divide(power - np.float32(PQ_C1), np.float32(PQ_C2) - PQ_C3 * power), 0.0), 1 / PQ_M1)
    return np.asarray(light).reshape(code.shape)


def ocio_itp(clip: Clip) -> Any:
    """R'G'B' to I, T, P x 720 as one processor."""
    import PyOpenColorIO as ocio  # noqa: N813

    def matrix(three: NDArray[np.float64]) -> Any:
        whole = np.eye(4)
        whole[:3, :3] = three
        return ocio.MatrixTransform(whole.ravel().tolist())

    to_lms = RGB_TO_LMS if clip.pq else RGB_TO_LMS @ conversion_matrix("bt709", "bt2020")
    group = ocio.GroupTransform()
    steps = [
        *ocio_eotf(clip),
        matrix(to_lms),
        ocio.BuiltinTransform(style="CURVE - LINEAR_to_ST-2084"),
        matrix(JND_SCALE * np.array([[1.0], [0.5], [1.0]]) * LMS_TO_ICTCP_PQ),
    ]
    for step in steps:
        group.appendTransform(step)
    return ocio.Config.CreateRaw().getProcessor(group).getDefaultCPUProcessor()


def length(step: NDArray[Any]) -> NDArray[Any]:
    """Euclidean length of (row, column, 3) by OpenCV."""
    one, two, three = cv2.split(step)
    return np.asarray(cv2.sqrt(one * one + two * two + three * three))


def pair_ways(clip: Clip) -> list[Way]:
    """dE_ITP of a picture and of its mirror image, both R'G'B' signal: decoded, turned into ICtCp, subtracted."""
    signals = [planes_to_rgb(frame.planes, clip.signal) for frame in clip.pictures[:SLOW_PICTURES]]
    pairs = [(one, np.ascontiguousarray(one[:, ::-1])) for one in signals]
    to_2020 = None if clip.pq else conversion_matrix("bt709", "bt2020")
    room = [np.empty((3, *clip.size), np.float32) for _ in range(2)]
    counts = np.zeros(HISTOGRAM_BINS, np.int32)

    def light(code: NDArray[Any]) -> NDArray[Any]:
        if clip.pq:
            return hdr_code_to_nits(code, transfer="pq", primaries="bt2020", hlg_peak_nits=1000.0)
        return sdr_code_to_nits(code, white_nits=SDR_WHITE_NITS, gamma=SDR_GAMMA)

    def ours(pair: Any) -> NDArray[Any]:
        return itp_difference(*(nits_to_itp(light(code)) for code in pair))

    def ours_scored(pair: Any) -> float:
        one, two = (nits_to_itp_planes(light(code), out=out).reshape(3, -1) for code, out in zip(pair, room, strict=True))
        total = count_apart(one, two, np.float32(JND_SCALE), np.float32(HISTOGRAM_STEP_JND), counts)
        return float(np.sqrt(total / one.shape[1]))

    def exact_light(code: NDArray[Any]) -> NDArray[Any]:
        if to_2020 is None:
            return pq_to_nits(code)
        return np.asarray(bt1886_to_nits(code, white_nits=SDR_WHITE_NITS, gamma=SDR_GAMMA) @ to_2020.T)

    def by_numpy(pair: Any) -> NDArray[Any]:
        return delta_e_itp(*(nits_to_ictcp(exact_light(code)) for code in pair))

    to_itp = JND_SCALE * np.array([[1.0], [0.5], [1.0]]) * LMS_TO_ICTCP_PQ

    def opencv_itp(code: NDArray[Any]) -> NDArray[Any]:
        if to_2020 is None:
            shown, to_lms = opencv_pq_light(code), RGB_TO_LMS
        else:
            shown, to_lms = cv2.pow(np.maximum(code, 0), SDR_GAMMA), RGB_TO_LMS @ to_2020 * (SDR_WHITE_NITS / 10_000)
        return np.asarray(cv2.transform(opencv_pq(cv2.transform(shown, to_lms)), to_itp))

    def by_opencv(pair: Any) -> NDArray[Any]:
        return length(cv2.subtract(*(opencv_itp(code) for code in pair)))

    def by_colour(pair: Any) -> NDArray[Any]:
        import colour

        shown = [colour_nits(code, pq=clip.pq) for code in pair]
        if to_2020 is not None:
            shown = [np.asarray(colour.RGB_to_RGB(one, "ITU-R BT.709", "ITU-R BT.2020")) for one in shown]
        return np.asarray(colour.difference.delta_E_ITP(*(colour.RGB_to_ICtCp(one) for one in shown)))

    def tell(first: list[Any], second: list[Any]) -> str:
        apart = [np.abs(a.astype(np.float64) - b) for a, b in zip(first, second, strict=True)]
        return f"any pixel {max(float(one.max()) for one in apart):.2g} JND, mean {max(float(one.mean()) for one in apart):.1g} JND"

    def tell_rms(first: list[Any], second: list[Any]) -> str:
        apart = [abs(b - np.sqrt(np.square(a, dtype=np.float64).mean())) for a, b in zip(first, second, strict=True)]
        return f"root mean square {max(apart):.1g} JND"

    found = [
        in_process("ours, a map", ours, pairs, None, tell),
        in_process("ours as pairs are scored: a histogram and the root mean square", ours_scored, pairs, ours, tell_rms),
        in_process("numpy", by_numpy, pairs, ours, tell),
        in_process("OpenCV (pow, transform), single precision", by_opencv, pairs, ours, tell),
    ]
    try:
        processor = ocio_itp(clip)

        def by_ocio(pair: Any) -> NDArray[Any]:
            made = [code.copy() for code in pair]
            for one in made:
                processor.applyRGB(one)
            return length(cv2.subtract(*made))

        found.append(in_process("OpenColorIO (curves and matrices in one), OpenCV", by_ocio, pairs, ours, tell))
    except ImportError:
        print("left out: OpenColorIO is not installed", file=sys.stderr)
    found.append(in_process("colour-science", by_colour, pairs[:1], ours, tell))
    if clip.pq:
        found.append(coloraide_way(pairs[0], ours))
    return found


def coloraide_way(pair: Any, ours: Callable[[Any], NDArray[Any]]) -> Way:
    """coloraide takes one colour at a time: some pixels, and the time of as many as a picture has."""
    from coloraide.everything import ColorAll

    places = np.random.default_rng(1).integers(0, pair[0].shape[0] * pair[0].shape[1], COLORAIDE_PIXELS)
    some = [np.clip(one.reshape(-1, 3)[places], 0, 1) for one in pair]

    def differences() -> list[float]:
        colours = [[ColorAll("rec2100-pq", list(map(float, pixel))) for pixel in side] for side in some]
        return [a.delta_e(b, method="itp") for a, b in zip(*colours, strict=True)]

    def spend_ms() -> float:
        start = time.process_time()
        differences()
        return 1e3 * (time.process_time() - start) * pair[0].shape[0] * pair[0].shape[1] / COLORAIDE_PIXELS

    def agreement() -> str:
        apart = np.abs(np.array(differences()) - ours([one[None] for one in some])[0])
        return f"{COLORAIDE_PIXELS} pixels, time scaled; any pixel {apart.max():.2g} JND"

    return Way("coloraide", spend_ms, agreement)


# ---------------------------------------------------------------- combing, edges, luma codes


def numpy_weaves(before: NDArray[Any], after: NDArray[Any]) -> NDArray[np.int64]:
    """What `compare_weaves` computes, in plain numpy."""
    p, c = before.astype(np.int32), after.astype(np.int32)

    def combing(beside: NDArray[Any], own: NDArray[Any]) -> NDArray[Any]:
        upper, lower, middle = beside[:, :-2], beside[:, 2:], own[:, 1:-1]
        return np.maximum(np.minimum(upper, lower) - middle, 0) + np.maximum(middle - np.maximum(upper, lower), 0)

    a, b, inner, outer = combing(p, p), combing(c, c), combing(c, p), combing(p, c)
    odd = (np.arange(1, p.shape[1] - 1) % 2 == 1)[None, :, None]
    top, bottom = np.where(odd, inner, outer), np.where(odd, outer, inner)
    squares = [np.square(one, dtype=np.float64).sum() for one in (a - top, a - bottom, b - top, b - bottom, top - bottom)]
    return np.array([*(one.sum(dtype=np.int64) for one in (a, b, top, bottom)), *squares]).astype(np.int64)


def watch_ways(clip: Clip) -> list[Way]:
    """Combing of a frame, of the one before and of both ways to exchange their fields."""
    pairs = list(zip(clip.pictures, clip.pictures[1:], strict=False))
    sampled = [(sample_rows(one.planes[0]), two.planes[0]) for one, two in pairs]
    every = [(one.planes[0][None], two.planes[0][None]) for one, two in pairs]
    rows = sampled[0][0].shape[0] * sampled[0][0].shape[1]

    def ours(pair: Any) -> NDArray[Any]:
        return compare_weaves(pair[0], sample_rows(pair[1]))

    def tell(first: list[Any], second: list[Any]) -> str:
        apart = np.abs(np.array(first) - np.array(second)).astype(np.float64) / np.maximum(np.array(first), 1)
        return f"four sums {apart[:, :4].max():.1g}, five of squares {apart[:, 4:].max():.1g} (relative)"

    found = [
        in_process(f"ours: {rows} of {clip.size[0]} rows", ours, sampled, None, tell),
        in_process("numpy, the same rows", lambda pair: numpy_weaves(pair[0], sample_rows(pair[1])), sampled, ours, tell),
    ]
    idet = filter_ways(clip, {"FFmpeg idet (every row)": ("idet", "its own figures: which field comes first, no sums")})
    whole = in_process("ours, every row", lambda pair: compare_weaves(*pair), every, None, tell)
    return [*found, *idet, whole]


def luma_way(clip: Clip) -> Way:
    """The thinned luma codes by OpenCV; numpy is in `throughput.py`."""
    top = 2**clip.signal.bit_depth.value

    def by_opencv(frame: Frame) -> NDArray[Any]:
        thin = np.ascontiguousarray(frame.planes[0][::SPARE_LINES, ::SPARE_LINES])
        return np.asarray(cv2.calcHist([thin], [0], None, [256], [0, top])).ravel()

    def ours(frame: Frame) -> NDArray[Any]:
        return count_luma(frame.planes[0], active=clip.whole, bit_depth=clip.signal.bit_depth.value)

    def tell(first: list[Any], second: list[Any]) -> str:
        return f"any count {max(np.abs(a - b).max() for a, b in zip(first, second, strict=True)):.0f} apart"

    return in_process("luma codes: OpenCV calcHist", by_opencv, clip.pictures, ours, tell)


# ---------------------------------------------------------------- tables

PARTS: dict[str, tuple[str, Callable[[Clip], list[Way]]]] = {
    "light": ("light levels", light_ways),
    "fingerprint": ("fingerprint", fingerprint_ways),
    "pair": ("dE_ITP of two pictures", pair_ways),
    "watch": ("combing", watch_ways),
}


def open_clip(path: str, folder: Path) -> Clip:
    """Decode a few pictures, and lay their planes down raw for FFmpeg."""
    release = probe_alone(path, settings=Settings())
    signal, pictures = release.signal, read_pictures(release)
    transfer, sampling, matrix = signal.transfer.value, signal.chroma_sampling.value, signal.matrix.value
    if transfer not in ("pq", "bt1886") or sampling != "420" or matrix not in MATRIX_NAMES or signal.bit_depth.value > 12:
        sys.exit(f"{path} is {transfer}, {sampling}, {matrix}: give clips of PQ or SDR, 4:2:0, BT.2020 or BT.709, of 8 to 12 bits.")
    raw = folder / "planes.raw"
    with raw.open("wb") as file:
        for frame in pictures:
            for plane in frame.planes:
                file.write(np.ascontiguousarray(plane).tobytes())
    pq = transfer == "pq"
    scale = make_plane_scale(signal, pq_to_nits if pq else lambda code: bt1886_to_nits(code, white_nits=SDR_WHITE_NITS, gamma=SDR_GAMMA))
    return Clip(Path(path).name, path, signal, pictures, raw, scale)


def print_part(title: str, ways: list[Way], runs: int) -> None:
    """Time the ways in turn, and print a row for each."""
    spent: list[list[float]] = [[] for _ in ways]
    for _ in range(runs):
        for way, times in zip(ways, spent, strict=True):
            times.append(way.spend_ms())
    ours_ms = statistics.median(spent[0])
    print(f"\n| {title} | ms of a core | ours is ahead by | apart from ours |\n|---|---|---|---|")
    for way, times in zip(ways, spent, strict=True):
        ms = statistics.median(times)
        ahead = "" if way.name.startswith("ours") else f"{ms / ours_ms:.1f} x"
        print(f"| {way.name} | {ms:.3g} | {ahead} | {way.agreement()} |", flush=True)


def print_loops(clip: Clip, runs: int) -> None:
    """Picture edges and luma codes as `throughput.py` has them, and OpenCV beside the second."""
    wanted, opencv = ("picture edges", "luma codes"), luma_way(clip)
    found, opencv_ms = [], []
    for _ in range(runs):
        found.append({loop.name: loop for loop in bench_loops(clip.path)[0] if loop.name in wanted})
        opencv_ms.append(opencv.spend_ms())
    print("\n| as in `throughput.py` | ours, ms of a core | the other way | ours is ahead by | apart from ours |\n|---|---|---|---|---|")
    for name in wanted:
        ours, theirs = (statistics.median(getattr(one[name], field) for one in found) for field in ("ours_ms", "numpy_ms"))
        print(f"| {name}: numpy | {ours:.3g} | {theirs:.3g} | {theirs / ours:.1f} x | |")
    theirs = statistics.median(opencv_ms)
    print(f"| {opencv.name} | {ours:.3g} | {theirs:.3g} | {theirs / ours:.1f} x | {opencv.agreement()} |", flush=True)


def main() -> None:
    """Run it and print tables."""
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("clips", nargs="+")
    reader.add_argument("--runs", type=int, default=3)
    reader.add_argument("--only", nargs="+", choices=[*PARTS, "loops"], default=[*PARTS, "loops"])
    given = reader.parse_args()
    cv2.setNumThreads(1)
    for path in given.clips:
        with tempfile.TemporaryDirectory() as folder:
            clip = open_clip(path, Path(folder))
            print(f"\n{clip.name}: {clip.kind}")
            for key, (title, make_ways) in PARTS.items():
                if key in given.only:
                    print_part(f"{title}, {clip.kind}", make_ways(clip), given.runs)
            if "loops" in given.only:
                print_loops(clip, given.runs)


if __name__ == "__main__":
    main()
