"""Levels counted on raw planes against the plain way: planes to R'G'B' (held against FFmpeg's zscale elsewhere), to light, to levels."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._records import Fact, Rectangle, Signal
from pairdiff.frames.planes import padded_rows, planes_to_rgb
from pairdiff.light.transfer import bt1886_to_nits, pq_to_nits
from pairdiff.match.fingerprint import plan_blocks
from pairdiff.score.levels import frame_light_levels, levels_from_histogram
from pairdiff.score.plane_levels import END_CODE, make_plane_scale, plane_histogram

ROWS, COLUMNS = 61, 93
BOX = Rectangle(5, 57, 3, 90)


@pytest.fixture(params=[93, 94], autouse=True)
def _width(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of an odd number of columns as of an even one, which is counted in integers where chroma is halved both ways."""
    monkeypatch.setattr("tests.score.test_plane_levels.COLUMNS", request.param)


def signal(*, sampling: str = "420", siting: str = "left", bits: int = 10, code_range: str = "narrow", pq: bool = True) -> Signal:
    colours = ("pq", "bt2020", "bt2020-ncl") if pq else ("bt1886", "bt709", "bt709")
    values = (*colours, code_range, bits, sampling, siting, COLUMNS, ROWS, Fraction(1), Fraction(24))
    return Signal(*(Fact(value, "test", False) for value in values))  # type: ignore[arg-type]


def planes(said: Signal, *, seed: int = 3) -> list[NDArray[Any]]:
    """Codes of everything between black and white, with colours, and some beyond."""
    random, bits = np.random.default_rng(seed), said.bit_depth.value
    kind = np.uint8 if bits == 8 else np.uint16
    sampling = said.chroma_sampling.value
    small = (-(-ROWS // 2) if sampling == "420" else ROWS, -(-COLUMNS // 2) if sampling in ("420", "422") else COLUMNS)
    luma = random.integers(0, 2**bits, (ROWS, COLUMNS))
    ends = 0.2 * 2**bits, 0.8 * 2**bits  # beyond twice white a mean is not exact
    chroma = [np.clip(random.normal(2 ** (bits - 1), 2 ** (bits - 3), small), *ends) for _ in range(2)]
    whole = [luma] if sampling == "grey" else [luma, *chroma]
    return [np.asarray(plane).astype(kind) for plane in whole]


def to_nits(said: Signal) -> Any:
    return pq_to_nits if said.transfer.value == "pq" else lambda code: bt1886_to_nits(code, white_nits=100.0, gamma=2.4)


def counted(given: list[NDArray[Any]], said: Signal, box: Rectangle = BOX) -> Any:
    scale = make_plane_scale(said, to_nits(said))
    return levels_from_histogram(plane_histogram(given, said, active=box, scale=scale), bin_nits=scale.step_nits, frame=0, time_s=0.0)


CASES = [
    {"sampling": sampling, "siting": siting, "bits": bits, "code_range": code_range, "pq": pq}
    for sampling, sitings in (("420", ("left", "top-left", "centre")), ("422", ("left", "centre")), ("444", ("left",)), ("grey", ("left",)))
    for siting in sitings
    for bits, code_range, pq in ((10, "narrow", True), (8, "narrow", False), (12, "full", True), (16, "narrow", False))
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: "-".join(map(str, case.values())))
def test_the_count_agrees_with_plain_numpy_in_every_form_of_planes(case: dict[str, Any]) -> None:
    said = signal(**case)
    given = planes(said)
    exact = frame_light_levels(to_nits(said)(planes_to_rgb(given, said).astype(np.float64)), active=BOX)
    found = counted(given, said)
    assert found.max_nits == pytest.approx(exact.max_nits, rel=1e-6)
    assert found.average_nits == pytest.approx(exact.average_nits, rel=2e-5)
    assert found.average_whole_nits == pytest.approx(exact.average_whole_nits, rel=2e-5)
    for name in ("p9999_nits", "p999_nits", "p99_nits", "p50_nits", "wide_nits"):
        assert getattr(found, name) == pytest.approx(getattr(exact, name), rel=1e-3, abs=1e-6), name
    for name in ("area_100_share", "area_203_share", "area_1000_share"):
        assert getattr(found, name) == pytest.approx(getattr(exact, name), abs=1e-3), name


@pytest.mark.parametrize("case", CASES[:8], ids=lambda case: "-".join(map(str, case.values())))
def test_every_level_is_counted_in_the_nearest_step(case: dict[str, Any]) -> None:
    """Plain numpy twin of the kernel."""
    said = signal(**case)
    given = planes(said)
    scale = make_plane_scale(said, to_nits(said))
    level = planes_to_rgb(given, said).max(-1)
    steps = np.clip(np.floor(level.astype(np.float64) * scale.steps_per_code + 0.5), 0, len(scale.step_nits) - 1).astype(int)
    inside = steps[BOX.top : BOX.bottom, BOX.left : BOX.right]
    counts = plane_histogram(given, said, active=BOX, scale=scale).counts
    moved = np.abs(np.cumsum(counts) - np.cumsum(np.bincount(inside.ravel(), minlength=len(counts)))).max()
    assert moved <= 3  # float32 at the edge of a step may fall to either side
    assert counts.sum() == inside.size


@pytest.mark.parametrize(
    "box", [Rectangle(0, 61, 0, 92), Rectangle(5, 57, 4, 91), Rectangle(3, 50, 8, 9), Rectangle(3, 50, 9, 10)], ids=str
)
@pytest.mark.parametrize("siting", ["left", "top-left", "centre"])
@pytest.mark.parametrize("bits", [8, 12])
def test_every_pixel_is_counted_once_whatever_the_area(box: Rectangle, siting: str, bits: int) -> None:
    """Plain numpy twin of the kernel; the largest level to single precision."""
    said = signal(siting=siting, bits=bits)
    given = planes(said, seed=5)
    scale = make_plane_scale(said, to_nits(said))
    level = planes_to_rgb(given, said).max(-1)
    inside = level[box.top : box.bottom, box.left : box.right]
    found = plane_histogram(given, said, active=box, scale=scale)
    assert (int(found.counts.sum()), found.pixels_whole) == (inside.size, level.size)
    assert found.max_nits == pytest.approx(float(to_nits(said)(float(inside.max()))), rel=1e-6)
    steps = np.clip(np.floor(inside.astype(np.float64) * scale.steps_per_code + 0.5), 0, len(scale.step_nits) - 1).astype(int)
    moved = np.abs(np.cumsum(found.counts) - np.cumsum(np.bincount(steps.ravel(), minlength=len(found.counts)))).max()
    assert moved <= 3


@pytest.mark.parametrize("row", [0, 30, 60])
@pytest.mark.parametrize("chroma", [(300, 700), (512, 512), (640, 301)])
def test_the_largest_level_is_found_to_single_precision_wherever_it_lies(row: int, chroma: tuple[int, int]) -> None:
    """One pixel a code above the others, under colours whose levels fall between two steps."""
    said = signal()
    luma = np.full((ROWS, COLUMNS), 450, np.uint16)
    luma[row, 40] = 451
    given = [luma, *(np.full((31, 47), code, np.uint16) for code in chroma)]
    whole = Rectangle(0, ROWS, 0, COLUMNS)
    exact = float(pq_to_nits(float(planes_to_rgb(given, said).max())))
    found = counted(given, said, whole).max_nits
    assert found == pytest.approx(exact, rel=1e-6)
    luma[row, 40] = 450
    assert counted(given, said, whole).max_nits < found


@pytest.mark.parametrize(("bits", "code_range"), [(8, "narrow"), (10, "narrow"), (10, "full"), (12, "narrow")])
def test_means_of_greys_are_exact(bits: int, code_range: str) -> None:
    """Every code of a grey lies in the middle of a step: ST 2084 of the code, and nothing of the counting, is what is left."""
    said = signal(bits=bits, code_range=code_range)
    kind = np.uint8 if bits == 8 else np.uint16
    for code in (2**bits // 3, 2**bits // 2, 2**bits * 3 // 5):
        flat = [np.full((ROWS, COLUMNS), code, kind), *(np.full((31, 47), 2 ** (bits - 1), kind) for _ in range(2))]
        black, span = (16 * 2 ** (bits - 8), 219 * 2 ** (bits - 8)) if code_range == "narrow" else (0, 2**bits - 1)
        assert counted(flat, said).average_nits == pytest.approx(float(pq_to_nits((code - black) / span)), rel=2e-6)


def test_codes_no_picture_should_have_are_counted_at_the_end() -> None:
    said = signal()
    wild = [np.full((ROWS, COLUMNS), 65535, np.uint16), *(np.full((31, 47), 65535, np.uint16) for _ in range(2))]
    scale = make_plane_scale(said, to_nits(said))
    counts = plane_histogram(wild, said, active=BOX, scale=scale).counts
    assert counts[-1] == counts.sum() == (BOX.bottom - BOX.top) * (BOX.right - BOX.left)
    assert len(counts) == int(END_CODE * 876 * 16) + 1
    assert counted(wild, said).max_nits == 10000


def test_padding_between_rows_is_never_counted() -> None:
    said = signal()
    given = planes(said)
    padded = []
    for plane in given:
        room = np.full((plane.shape[0], plane.shape[1] + 13), 1023, plane.dtype)
        room[:, : plane.shape[1]] = plane
        padded.append(room[:, : plane.shape[1]])
    assert counted(padded, said) == counted(given, said)
    fields = [np.repeat(plane, 2, 0)[::2] for plane in given]
    assert counted(fields, said) == counted(given, said)
    assert padded_rows(padded[0]).shape == (ROWS, COLUMNS + 13)
    assert padded_rows(padded[0]).base is not None
    turned = np.asfortranarray(given[0])
    assert np.array_equal(padded_rows(turned), turned)
    assert padded_rows(turned).flags.c_contiguous
    upside_down = given[0][::-1]
    assert np.array_equal(padded_rows(upside_down), upside_down)


def test_the_mean_of_a_flat_picture_is_never_above_its_largest_level() -> None:
    for code in range(200, 900, 7):
        flat = [np.full((ROWS, COLUMNS), code, np.uint16), np.full((31, 47), 400, np.uint16), np.full((31, 47), 600, np.uint16)]
        found = counted(flat, signal())
        assert found.average_nits <= found.max_nits


def test_the_largest_level_is_not_lost_to_rounding() -> None:
    """Rows of colours whose greens, rounded twice, come out a step apart though they hardly differ: the plain way tells the largest."""
    said, whole = signal(siting="top-left"), Rectangle(0, ROWS, 0, COLUMNS)
    blue, red = np.meshgrid(np.arange(380, 512), np.arange(380, 512), indexing="ij")
    green = 0.1646 * (512 - blue) + 0.5714 * (512 - red)  # of BT.2020, in codes: only to choose
    for target in np.linspace(40, 80, 30):
        near = np.argwhere(np.abs(green - target) < 0.02)[:31]
        rows = near[np.arange(31) % len(near)] + 380
        chroma = [np.repeat(rows[:, one : one + 1], 47, 1).astype(np.uint16) for one in (0, 1)]
        given = [np.full((ROWS, COLUMNS), 450, np.uint16), *chroma]
        exact = float(pq_to_nits(float(planes_to_rgb(given, said).max())))
        assert counted(given, said, whole).max_nits == pytest.approx(exact, rel=3e-6), target  # of single precision


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("box", [Rectangle(5, 437, 10, 1930), Rectangle(0, 436, 0, 3840), Rectangle(3, 435, 0, 3840)], ids=str)
def test_blocks_filled_on_the_way_are_those_of_a_walk_of_their_own(bits: int, box: Rectangle) -> None:
    """And the count is the same with them."""
    rows, columns = 440, 1940 if box.right == 1930 else 3840
    values = (*(("pq", "bt2020", "bt2020-ncl") if bits == 10 else ("bt1886", "bt709", "bt709")), "narrow", bits, "420", "left")
    said = Signal(*(Fact(value, "test", False) for value in (*values, columns, rows, Fraction(1), Fraction(24))))  # type: ignore[arg-type]
    random, kind = np.random.default_rng(7), np.uint8 if bits == 8 else np.uint16
    given = [random.integers(0, 2**bits, size).astype(kind) for size in ((rows, columns), *((rows // 2, columns // 2),) * 2)]
    on_the_way, alone = plan_blocks(given[0], active=box), plan_blocks(given[0], active=box)
    assert on_the_way is not None
    assert alone is not None
    scale = make_plane_scale(said, to_nits(said))
    counted_with = plane_histogram(given, said, active=box, scale=scale, blocks=on_the_way)
    assert on_the_way.filled
    alone.fill(given[0])
    assert np.array_equal(on_the_way.means, alone.means)
    block, every = on_the_way.block, on_the_way.every
    first = given[0][box.top : box.top + block, box.left : box.left + block].astype(float).mean()
    second = given[0][box.top + every * block :][:block, box.left : box.left + block].astype(float).mean()
    assert on_the_way.means[:2, 0] == pytest.approx([first, second], abs=0.5)
    without = plane_histogram(given, said, active=box, scale=scale)
    assert np.array_equal(counted_with.counts, without.counts)
    assert (counted_with.sum_nits, counted_with.max_nits) == (without.sum_nits, without.max_nits)
