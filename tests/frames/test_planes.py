"""Planes to R'G'B': outside values, laws, shapes, refusals, and a plain twin of the compiled loop."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from pairdiff._errors import InputRefused
from pairdiff._records import Fact, Signal
from pairdiff.frames.planes import planes_to_grid, planes_to_rgb, some_rows_to_rgb
from pairdiff.frames.quantisation import code_to_signal, rgb_to_ycbcr, signal_to_code, ycbcr_to_rgb
from pairdiff.light.picture import POWER_END, hdr_code_to_nits, power_decoding, pq_decoding
from pairdiff.match.geometry import resample_area

# phase of the first chroma sample in luma samples: (across, down), ITU-T H.264 (08/2021) figure E-1
PHASES = {"left": (0.0, 0.5), "top-left": (0.0, 0.0), "centre": (0.5, 0.5)}


def signal_of(*, sampling="420", siting="left", matrix="bt2020-ncl", bits=10, code_range="narrow") -> Signal:
    def say(value):
        return Fact(value, "container", False)

    return Signal(
        transfer=say("pq"),
        primaries=say("bt2020"),
        matrix=say("rgb" if sampling == "rgb" else matrix),
        range=say(code_range),
        bit_depth=say(bits),
        chroma_sampling=say(sampling),
        chroma_siting=say(siting),
        width=say(0),
        height=say(0),
        sample_aspect=say(Fraction(1)),
        frame_rate=say(Fraction(24)),
    )


def random_planes(rows, columns, *, sampling="420", bits=10):
    rng = np.random.default_rng(3)
    kind = np.uint16 if bits > 8 else np.uint8
    small = (-(-rows // 2) if sampling == "420" else rows, -(-columns // 2) if sampling in ("420", "422") else columns)
    sizes = [(rows, columns)] + ([] if sampling == "grey" else [small, small])
    return [rng.integers(0, 2**bits, size).astype(kind) for size in sizes]


def plain_twin(planes, signal):
    """The same in float64 numpy: linear interpolation at stated positions, then the matrix of `quantisation`."""
    sampling, bits, code_range = signal.chroma_sampling.value, signal.bit_depth.value, signal.range.value
    luma = code_to_signal(planes[0], bit_depth=bits, code_range=code_range, component="luma")
    if sampling == "grey":
        return np.repeat(luma[..., None], 3, axis=-1)
    if sampling == "rgb":
        return np.stack([code_to_signal(plane, bit_depth=bits, code_range=code_range, component="luma") for plane in planes], axis=-1)
    across, down = PHASES[signal.chroma_siting.value]
    both = [code_to_signal(plane, bit_depth=bits, code_range=code_range, component="chroma") for plane in planes[1:]]
    rows, columns = luma.shape
    if sampling in ("420", "422"):
        at = (np.arange(columns) - across) / 2
        both = [np.stack([np.interp(at, np.arange(line.size), line) for line in plane]) for plane in both]
    if sampling == "420":
        at = (np.arange(rows) - down) / 2
        both = [np.stack([np.interp(at, np.arange(line.size), line) for line in plane.T]).T for plane in both]
    return ycbcr_to_rgb(np.stack([luma, *both], axis=-1), matrix=signal.matrix.value)


# BT.2111-2 colour bars, 100 % narrow range and 58 % PQ full range, 10 bits: Y'CbCr codes (rounded) and R'G'B' codes
BARS = [
    ("narrow", (940, 512, 512), (940, 940, 940)),
    ("narrow", (888, 64, 548), (940, 940, 64)),
    ("narrow", (710, 637, 64), (64, 940, 940)),
    ("narrow", (658, 189, 100), (64, 940, 64)),
    ("narrow", (346, 835, 924), (940, 64, 940)),
    ("narrow", (294, 387, 960), (940, 64, 64)),
    ("narrow", (116, 960, 476), (64, 64, 940)),
    ("full", (558, 216, 536), (593, 593, 0)),
    ("full", (156, 429, 809), (593, 0, 0)),
    ("full", (35, 809, 488), (0, 0, 593)),
]


@pytest.mark.parametrize(("code_range", "ycbcr", "rgb"), BARS)
def test_published_colour_bars_come_out(code_range, ycbcr, rgb):
    planes = [np.full(size, code, np.uint16) for size, code in zip([(4, 6), (2, 3), (2, 3)], ycbcr, strict=True)]
    out = planes_to_rgb(planes, signal_of(code_range=code_range))
    expected = code_to_signal(rgb, bit_depth=10, code_range=code_range, component="luma")
    # a code of luma and half a code of each chroma, through the largest matrix entry (1.8814)
    np.testing.assert_allclose(out, np.broadcast_to(expected, out.shape), atol=2.0 / 876)


# SMPTE RP 219-1: 75 % bars, BT.709, 8 bits
@pytest.mark.parametrize(("ycbcr", "rgb"), [((180, 128, 128), (1, 1, 1)), ((168, 44, 136), (1, 1, 0))])
def test_bt709_bars_of_8_bits_come_out(ycbcr, rgb):
    planes = [np.full((2, 2), code, np.uint8) for code in ycbcr]
    out = planes_to_rgb(planes, signal_of(sampling="444", matrix="bt709", bits=8))
    np.testing.assert_allclose(out, np.broadcast_to(0.75 * np.array(rgb), out.shape), atol=2.0 / 219)


@pytest.mark.parametrize("siting", ["left", "top-left", "centre"])
@pytest.mark.parametrize("sampling", ["420", "422", "444", "rgb", "grey"])
@pytest.mark.parametrize(("bits", "code_range"), [(8, "narrow"), (10, "narrow"), (12, "full"), (16, "narrow")])
def test_the_compiled_loop_agrees_with_plain_numpy(siting, sampling, bits, code_range):
    signal = signal_of(sampling=sampling, siting=siting, bits=bits, code_range=code_range)
    planes = random_planes(36, 54, sampling=sampling, bits=bits)
    np.testing.assert_allclose(planes_to_rgb(planes, signal), plain_twin(planes, signal), atol=1e-5)


@pytest.mark.parametrize("sampling", ["420", "422"])
@pytest.mark.parametrize("siting", ["left", "top-left", "centre"])
@pytest.mark.parametrize(("rows", "columns"), [(1, 1), (2, 3), (3, 2), (37, 55)])
def test_odd_sizes_repeat_the_edge(sampling, siting, rows, columns):
    signal = signal_of(sampling=sampling, siting=siting)
    planes = random_planes(rows, columns, sampling=sampling)
    out = planes_to_rgb(planes, signal)
    assert out.shape == (rows, columns, 3)
    np.testing.assert_allclose(out, plain_twin(planes, signal), atol=1e-5)


@pytest.mark.parametrize("matrix", ["bt709", "bt2020-ncl", "bt601"])
@pytest.mark.parametrize("siting", ["left", "top-left", "centre"])
def test_a_constant_picture_stays_constant(matrix, siting):
    colour = np.array([0.6, 0.3, 0.1])
    ycbcr = rgb_to_ycbcr(colour, matrix=matrix)
    codes = [
        int(signal_to_code(part, bit_depth=12, code_range="narrow", component="chroma" if place else "luma"))
        for place, part in enumerate(ycbcr)
    ]
    planes = [np.full((20, 30) if place == 0 else (10, 15), code, np.uint16) for place, code in enumerate(codes)]
    out = planes_to_rgb(planes, signal_of(matrix=matrix, siting=siting, bits=12))
    assert np.ptp(out, axis=(0, 1)).max() < 1e-6
    np.testing.assert_allclose(out[0, 0], colour, atol=2.0 / 3504)


@pytest.mark.parametrize(("siting", "row", "column"), [("left", 10.5, 20), ("top-left", 10, 20), ("centre", 10.5, 20.5)])
def test_a_chroma_sample_lands_where_its_siting_says(siting, row, column):
    planes = [np.full((40, 60), 502, np.uint16), np.full((20, 30), 512, np.uint16), np.full((20, 30), 512, np.uint16)]
    planes[2][5, 10] = 700
    red = planes_to_rgb(planes, signal_of(siting=siting))[..., 0].astype(np.float64)
    bump = red - red[0, 0]
    rows, columns = np.indices(bump.shape)
    assert np.isclose((bump * rows).sum() / bump.sum(), row, atol=1e-4)
    assert np.isclose((bump * columns).sum() / bump.sum(), column, atol=1e-4)


def test_super_white_and_negative_values_are_kept():
    out = planes_to_rgb([np.array([[254, 1]], np.uint8)], signal_of(sampling="grey", bits=8))
    np.testing.assert_allclose(out[0, :, 0], [(254 - 16) / 219, (1 - 16) / 219], rtol=1e-6)


def test_views_padding_and_byte_order_make_no_difference():
    planes = random_planes(12, 20)
    signal = signal_of()
    expected = planes_to_rgb(planes, signal)
    padded = [np.pad(plane, ((0, 0), (0, 6)))[:, : plane.shape[1]] for plane in planes]
    for plane in padded:
        plane.flags.writeable = False
    np.testing.assert_array_equal(planes_to_rgb(padded, signal), expected)
    np.testing.assert_array_equal(planes_to_rgb([plane.astype(">u2") for plane in planes], signal), expected)
    np.testing.assert_array_equal(planes_to_rgb([np.stack([plane, plane], -1)[..., 0] for plane in planes], signal), expected)


def test_the_result_is_float32_and_the_planes_are_left_alone():
    planes = random_planes(8, 8)
    before = [plane.copy() for plane in planes]
    assert planes_to_rgb(planes, signal_of()).dtype == np.float32
    for plane, copy in zip(planes, before, strict=True):
        np.testing.assert_array_equal(plane, copy)


def test_a_wrong_number_of_planes_is_refused():
    with pytest.raises(InputRefused, match=r"A 420 picture has 3 plane\(s\), but 1 were given"):
        planes_to_rgb(random_planes(8, 8)[:1], signal_of())


def test_planes_that_do_not_fit_the_sampling_are_refused():
    with pytest.raises(InputRefused, match="The chroma plane is 8 x 4 pixels, but 422 beside a luma plane of 16 x 8 needs 8 x 8"):
        planes_to_rgb(random_planes(8, 16), signal_of(sampling="422"))


# ---------------------------------------------------------------- straight onto a grid


@pytest.mark.parametrize("siting", ["left", "top-left", "centre"])
@pytest.mark.parametrize(("sampling", "bits"), [("420", 10), ("422", 8), ("444", 16), ("rgb", 12), ("grey", 10)])
@pytest.mark.parametrize("step", [1, 3, 8])
def test_some_rows_are_those_of_the_whole_picture(siting, sampling, bits, step):
    signal = signal_of(sampling=sampling, siting=siting, bits=bits)
    planes = random_planes(37, 55, sampling=sampling, bits=bits)
    assert np.array_equal(some_rows_to_rgb(planes, signal, step=step), planes_to_rgb(planes, signal)[::step])


def plain_grid(light, region, rows, columns):
    """Area average by the integral of the picture, whose edge pixels repeat, in float64."""

    def along(values, start, stop, count):
        size = values.shape[0]
        spare = 64
        padded = np.concatenate([np.repeat(values[:1], spare, 0), values, np.repeat(values[-1:], spare, 0)])
        summed = np.concatenate([np.zeros_like(padded[:1]), np.cumsum(padded, 0)])
        edges = np.linspace(start, stop, count + 1) + spare
        flat = summed.reshape(size + 2 * spare + 1, -1)
        at = np.stack([np.interp(edges, np.arange(flat.shape[0]), column) for column in flat.T], -1)
        return (np.diff(at, axis=0) / np.diff(edges)[:, None]).reshape(count, *values.shape[1:])

    top, bottom, left, right = region
    tall = along(light, top, bottom, rows)
    return np.swapaxes(along(np.swapaxes(tall, 0, 1), left, right, columns), 0, 1)


@pytest.mark.parametrize("sampling", ["420", "422", "444"])
@pytest.mark.parametrize(
    ("region", "rows", "columns"),
    [
        ((0.0, 36.0, 0.0, 54.0), 36, 54),
        ((0.0, 36.0, 0.0, 54.0), 18, 27),
        ((2.0, 34.0, 4.0, 52.0), 16, 24),
        ((1.3, 33.9, 2.25, 50.5), 13, 17),
        ((-1.5, 37.25, -0.75, 55.0), 20, 30),
        ((3.0, 30.0, 5.0, 50.0), 50, 90),
    ],
)
@pytest.mark.parametrize("mixed", [False, True])
def test_light_on_a_grid_is_the_area_average_of_the_decoded_picture(sampling, region, rows, columns, mixed):
    signal = signal_of(sampling=sampling)
    planes = random_planes(36, 54, sampling=sampling)
    table = (np.linspace(0, 1, 4097) ** 2 * 1000).astype(np.float32)
    matrix = np.array([[0.6, 0.3, 0.1], [0.1, 0.8, 0.1], [0.0, 0.1, 0.9]], np.float32) if mixed else None
    found = planes_to_grid(planes, signal, table=table, matrix=matrix, region=region, rows=rows, columns=columns)
    light = np.interp(plain_twin(planes, signal), np.linspace(0, 1, 4097), table.astype(np.float64))
    light = light if matrix is None else light @ matrix.T.astype(np.float64)
    np.testing.assert_allclose(found, plain_grid(light, region, rows, columns), rtol=2e-4, atol=0.02)
    assert found.dtype == np.float32


def test_light_on_a_grid_is_that_of_the_two_steps_to_the_last_bit():
    signal, planes, region = signal_of(), random_planes(36, 54), (1.3, 33.9, 2.25, 50.5)
    size = {"region": region, "rows": 13, "columns": 17}
    light = hdr_code_to_nits(planes_to_rgb(planes, signal), transfer="pq", primaries="bt2020", hlg_peak_nits=1000.0)
    assert np.array_equal(planes_to_grid(planes, signal, table=pq_decoding(), matrix=None, **size), resample_area(light, **size))


@pytest.mark.parametrize("sampling", ["420", "444"])
def test_an_sdr_picture_on_a_grid_is_averaged_in_its_light_super_white_and_colours_beyond_it_too(sampling):
    signal = signal_of(bits=8, sampling=sampling, matrix="bt709")
    planes, region = random_planes(36, 54, bits=8, sampling=sampling), (1.3, 33.9, 2.25, 50.5)
    code = plain_twin(planes, signal)
    assert code.max() > 1.5
    light = plain_grid(np.maximum(code, 0) ** 2.4, region, 13, 17)
    given = {"table": power_decoding(2.4), "table_end": POWER_END, "matrix": None, "region": region, "rows": 13, "columns": 17}
    np.testing.assert_allclose(planes_to_grid(planes, signal, **given), light, rtol=2e-5, atol=1e-6)


def test_a_grid_refuses_planes_that_do_not_fit():
    planes = random_planes(36, 54, sampling="422")
    with pytest.raises(InputRefused, match="420 beside a luma plane"):
        planes_to_grid(planes, signal_of(), table=pq_decoding(), matrix=None, region=(0.0, 36.0, 0.0, 54.0), rows=18, columns=27)
