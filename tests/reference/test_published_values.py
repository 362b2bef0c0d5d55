"""Every published value of `published_values.csv`, held against our public functions."""

import csv
import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pairdiff._records import Mastering, Rectangle
from pairdiff.clip import st2086
from pairdiff.frames import quantisation
from pairdiff.light import display, ictcp, primaries, transfer
from pairdiff.score import levels

with (Path(__file__).parent / "published_values.csv").open(newline="") as file:
    ROWS = list(csv.DictReader(file))

COUNTS = {
    "pq": 92, "quant": 24, "hlg": 76, "bt1886": 38, "srgb": 4, "matrix": 10, "gamut": 10,
    "itp": 83, "eetf": 25, "bars": 70, "cll": 7, "mdcv": 5, "e2e": 4,
}  # fmt: skip

BARS = {
    "White": (1, 1, 1), "Yellow": (1, 1, 0), "Cyan": (0, 1, 1), "Green": (0, 1, 0),
    "Magenta": (1, 0, 1), "Red": (1, 0, 0), "Blue": (0, 0, 1), "Black": (0, 0, 0),
}  # fmt: skip
CSS = {
    "red": (255, 0, 0), "orange": (255, 165, 0), "yellow": (255, 255, 0), "green": (0, 128, 0), "blue": (0, 0, 255),
    "white": (255, 255, 255), "black": (0, 0, 0), "gray #808080": (128, 128, 128),
}  # fmt: skip


def luma_code(signal: Any, bits: int, code_range: str = "narrow") -> Any:
    return quantisation.signal_to_code(signal, bit_depth=bits, code_range=code_range, component="luma")


def luma_signal(code: Any, bits: int, code_range: str = "narrow") -> Any:
    return quantisation.code_to_signal(code, bit_depth=bits, code_range=code_range, component="luma")


def ycbcr_codes(rgb: Any, bits: int, *, matrix: str, code_range: str = "narrow") -> list[int]:
    luma, cb, cr = quantisation.rgb_to_ycbcr(rgb, matrix=matrix)
    chroma = quantisation.signal_to_code([cb, cr], bit_depth=bits, code_range=code_range, component="chroma")
    return [int(luma_code(luma, bits, code_range)), *(int(v) for v in chroma)]


def ycbcr_to_signal(codes: list[int], bits: int, *, matrix: str) -> Any:
    chroma = quantisation.code_to_signal(codes[1:], bit_depth=bits, code_range="narrow", component="chroma")
    return quantisation.ycbcr_to_rgb([float(luma_signal(codes[0], bits)), *chroma], matrix=matrix)


def sdr709_to_2020(rgb: Any, white_nits: float) -> Any:
    return primaries.convert_primaries(np.asarray(rgb, dtype=float) * white_nits, source="bt709", target="bt2020")


def css_ictcp(name: str) -> Any:
    linear = transfer.srgb_to_linear(np.array(CSS[name]) / 255)
    return ictcp.nits_to_ictcp(sdr709_to_2020(linear, 203))


def grey(nits: float) -> list[float]:
    return [nits, nits, nits]


def hlg_grey(signal: Any, **kwargs: float) -> Any:
    return transfer.hlg_to_nits(np.repeat(np.asarray(signal, dtype=float)[..., None], 3, axis=-1), **kwargs)[..., 0]


def bars(signal: Any, *, matrix: str, code_range: str = "narrow") -> dict[str, Any]:
    return {"rgb10": luma_code(signal, 10, code_range).tolist(), "ycbcr10": ycbcr_codes(signal, 10, matrix=matrix, code_range=code_range)}


def flat_bar(row: dict[str, Any], level: float, code_range: str = "narrow") -> dict[str, Any]:
    return bars(np.array(BARS[row["bar"]]) * level, matrix="bt2020-ncl", code_range=code_range)


def sdr_bar(row: dict[str, Any], level: float) -> dict[str, Any]:
    signal = np.array(BARS[row["bar"]]) * level
    return {"ycbcr10": ycbcr_codes(signal, 10, matrix="bt709"), "ycbcr8": ycbcr_codes(signal, 8, matrix="bt709")}


def pq_code_from_nits(row: dict[str, Any]) -> dict[str, int]:
    signal = transfer.nits_to_pq(row["cd_m2"])
    forms = {"n10": (10, "narrow"), "f10": (10, "full"), "n12": (12, "narrow"), "f12": (12, "full")}
    return {name: int(luma_code(signal, *form)) for name, form in forms.items()}


def pq_trap(row: dict[str, Any]) -> dict[str, Any]:
    """What the misprinted exponent would do: the light whose right code is the wrong code of the light asked for."""
    relative = np.asarray(row["cd_m2"]) / transfer.PQ_PEAK_NITS
    wrong = transfer.nits_to_pq(transfer.PQ_PEAK_NITS * relative ** (653 / 4096 / transfer.PQ_M1))
    step = luma_signal(1, 10) - luma_signal(0, 10)
    return {"wrong_minus_right_n10_codes": ((wrong - transfer.nits_to_pq(row["cd_m2"])) / step).tolist()}


def pq_step_contrast(row: dict[str, Any]) -> dict[str, float]:
    signal = transfer.nits_to_pq(row["cd_m2"])
    half = {bits: (luma_signal(1, bits) - luma_signal(0, bits)) / 2 for bits in (10, 12)}
    span = {bits: transfer.pq_to_nits(signal + h) - transfer.pq_to_nits(signal - h) for bits, h in half.items()}
    return {f"n{bits}": float(100 * value / row["cd_m2"]) for bits, value in span.items()}


def quantised(row: dict[str, Any], code_range: str, component: str) -> list[int]:
    return quantisation.signal_to_code(row["E"], bit_depth=row["bits"], code_range=code_range, component=component).tolist()


def ycbcr_2020(row: dict[str, Any]) -> list[int]:
    return ycbcr_codes(row["rgb_prime"], row["bits"], matrix="bt2020-ncl", code_range="full" if row["full"] else "narrow")


def hlg_inverse(row: dict[str, Any]) -> dict[str, Any]:
    signal = transfer.nits_to_hlg(grey(row["cd_m2"]), peak_nits=1000)[0]
    return {"signal": float(signal), "n10": int(luma_code(signal, 10))}


def itp_of_sdr_codes(row: dict[str, Any]) -> float:
    first, second = (
        ictcp.nits_to_ictcp(grey(transfer.bt1886_to_nits(luma_signal(code, 8), white_nits=row["Lw"], black_nits=row["Lb"])))
        for code in row["code"]
    )
    return float(ictcp.delta_e_itp(first, second))


def itp_of_one_pq_code(row: dict[str, Any]) -> float:
    code = int(luma_code(0.5, row["bits"]))
    first, second = (ictcp.nits_to_ictcp(grey(transfer.pq_to_nits(luma_signal(c, row["bits"])))) for c in (code, code + 1))
    return float(ictcp.delta_e_itp(first, second))


def grey_change_for_one_jnd(row: dict[str, Any]) -> float:
    start = ictcp.nits_to_ictcp(grey(row["cd_m2"]))
    after = ictcp.ictcp_to_nits(start + np.array([1 / ictcp.JND_SCALE, 0, 0]))[0]
    return float(100 * (after / row["cd_m2"] - 1))


def gamut_class(row: dict[str, Any]) -> dict[str, Any]:
    rgb = row["rgb2020"]
    return {
        "in709": bool(primaries.inside_gamut(rgb, source="bt2020", target="bt709")),
        "inP3": bool(primaries.inside_gamut(rgb, source="bt2020", target="p3-d65")),
        "rgb709": primaries.convert_primaries(rgb, source="bt2020", target="bt709").tolist(),
    }


def area_ratios(row: dict[str, Any]) -> dict[str, float]:
    name = {"BT.709": "bt709", "P3-D65": "p3-d65"}[row["gamut"]]
    return {d: primaries.gamut_area(name, diagram=d) / primaries.gamut_area("bt2020", diagram=d) for d in ("xy", "uv")}


def eetf_ends(row: dict[str, Any]) -> dict[str, float]:
    return {
        "source_peak_nits": row["LW"],
        "source_black_nits": row["LB"],
        "target_peak_nits": row["Lmax"],
        "target_black_nits": row["Lmin"],
    }


def eetf_knee(row: dict[str, Any]) -> dict[str, float]:
    knee = display.eetf_knee(**eetf_ends(row))
    return {"maxLum": knee.max_lum, "minLum": knee.min_lum, "KS": knee.knee_start, "knee_nits": knee.knee_nits}


def eetf_rgb(space: str) -> Callable[[dict[str, Any]], Any]:
    return lambda row: display.apply_eetf(row["rgb"], space=space, **eetf_ends(row)).tolist()


def pq_bars_from_709(row: dict[str, Any]) -> dict[str, Any]:
    light = sdr709_to_2020(BARS[row["bar"]], float(transfer.pq_to_nits(0.58)))
    return bars(transfer.nits_to_pq(light), matrix="bt2020-ncl")


def hlg_bars_from_709(row: dict[str, Any]) -> dict[str, Any]:
    scene = sdr709_to_2020(BARS[row["bar"]], float(transfer.hlg_inverse_oetf(0.75)))
    return bars(transfer.hlg_oetf(scene), matrix="bt2020-ncl")


def sdr_in_pq(row: dict[str, Any]) -> dict[str, Any]:
    return bars(transfer.nits_to_pq(sdr709_to_2020(row["rgb709"], row["white_cd_m2"])), matrix="bt2020-ncl")


def step_ramp(_: dict[str, Any]) -> list[int]:
    low, high = quantisation.narrow_code_limits(10)
    return [low, *luma_code(np.linspace(0, 1, 11), 10).tolist(), high]


def pluge(_: dict[str, Any]) -> dict[str, int]:
    """The four codes from what they are for: black; one 8-bit step of four codes each way; the level that PQ and HLG show alike."""
    black = int(luma_code(0.0, 10))
    step = 4 * int(luma_code(1 / 219, 10) - black)
    codes = np.arange(black + 100, black + 600)
    apart = np.abs(transfer.pq_to_nits(luma_signal(codes, 10)) / hlg_grey(luma_signal(codes, 10), peak_nits=1000) - 1)
    return {"higher": int(codes[apart.argmin()]), "black": black, "lighter": black + step, "darker": black - step}


def pixel_light_level(row: dict[str, Any]) -> dict[str, float]:
    rgb = np.asarray(row["rgb_nits"], dtype=float)
    return {"maxrgb": float(levels.pixel_levels(rgb)), "luminance": float(rgb @ np.asarray(transfer.LUMINANCE_WEIGHTS))}


def letterboxed(row: dict[str, Any]) -> dict[str, float]:
    top = (row["h"] - row["active"]) // 2
    picture = np.zeros((row["h"], 8, 3))
    picture[top : top + row["active"]] = row["nits"]
    found = levels.frame_light_levels(picture, active=Rectangle(top=top, bottom=top + row["active"], left=0, right=8))
    return {"maxcll": found.max_nits, "fall_active": found.average_nits, "fall_full": found.average_whole_nits}


def halves(row: dict[str, Any]) -> dict[str, float]:
    picture = np.array([[row["half1"], row["half2"]]] * 4, dtype=float)
    found = levels.frame_light_levels(picture, active=None)
    luminance = float((picture @ np.asarray(transfer.LUMINANCE_WEIGHTS)).mean())
    return {"maxcll": found.max_nits, "fall": found.average_nits, "mean_luminance": luminance}


def two_frames(row: dict[str, Any]) -> float:
    frames = [levels.frame_light_levels(np.full((2, 2, 3), nits), active=None) for nits in row["frame_avgs"]]
    return levels.release_light_levels(frames)[1].average_nits


def spike(row: dict[str, Any]) -> dict[str, float]:
    flat = np.full((row["h"], row["w"], 1), float(row["bg"]))
    flat.reshape(-1)[: row["px"]] = row["spike"]
    found = levels.frame_light_levels(np.broadcast_to(flat, (row["h"], row["w"], 3)), active=None)
    return {"maxcll": found.max_nits, "p99.99": found.p9999_nits, "fall": found.average_nits}


def mean_of_two(row: dict[str, Any]) -> dict[str, float]:
    picture = np.array([[grey(v) for v in row["nits"]]], dtype=float)
    return {
        "linear_mean": levels.frame_light_levels(picture, active=None).average_nits,
        "pq_mean_decoded": float(transfer.pq_to_nits(transfer.nits_to_pq(row["nits"]).mean())),
    }


def mastering_units(name: str, *, max_nits: float, min_nits: float) -> dict[str, list[int]]:
    red, green, blue = primaries.PRIMARIES_XY[name]
    units = st2086.mastering_to_units(Mastering(red, green, blue, primaries.WHITE_D65_XY, max_nits, min_nits, "bitstream"))
    found = {"G": units.green, "B": units.blue, "R": units.red, "WP": units.white, "L": (units.max_luminance, units.min_luminance)}
    return {key: list(pair) for key, pair in found.items()}


def unit_sizes(_: dict[str, Any]) -> dict[str, Any]:
    return {
        "chromaticity": st2086.xy_from_units((1, 1))[0],
        "luminance_cd_m2": st2086.nits_from_units(1),
        "cll_cd_m2": st2086.light_level_from_units(1),
    }


def end_to_end(row: dict[str, Any]) -> dict[str, Any]:
    hdr = transfer.pq_to_nits(ycbcr_to_signal(row["hdr_pq_n10"], 10, matrix="bt2020-ncl"))
    signal = ycbcr_to_signal(row["sdr_bt709_n8"], 8, matrix="bt709")
    sdr = sdr709_to_2020(transfer.bt1886_to_nits(signal, white_nits=row["Lw_sdr"], black_nits=row["Lb"]), 1)
    first, second, scaled = (ictcp.nits_to_ictcp(v) for v in (hdr, sdr, 2.03 * sdr))
    return {
        "hdr_rgb2020": hdr.tolist(),
        "sdr_rgb2020": sdr.tolist(),
        "dE": float(ictcp.delta_e_itp(first, second)),
        "dE_sdr_x2.03": float(ictcp.delta_e_itp(first, scaled)),
    }


CHECKS: dict[tuple[str, str], Callable[[Any], Any]] = {
    ("pq", "constant"): lambda name: getattr(transfer, f"PQ_{name.upper()}"),
    ("pq", "inverse_eotf"): lambda row: transfer.nits_to_pq(row["cd_m2"]),
    ("pq", "inverse_eotf_of_zero"): lambda row: transfer.nits_to_pq(row["cd_m2"]),
    ("pq", "code_from_nits"): pq_code_from_nits,
    ("pq", "eotf_from_narrow10"): lambda row: transfer.pq_to_nits(luma_signal(row["code"], 10)),
    ("pq", "eotf_signal"): lambda row: transfer.pq_to_nits(row["E"]),
    ("pq", "superwhite_code_must_clamp"): lambda row: transfer.pq_to_nits(luma_signal(row["code_n10"], 10)),
    ("pq", "trap_m1_653_over_4096"): pq_trap,
    ("pq", "step_contrast_pct"): pq_step_contrast,
    ("quant", "narrow_luma"): lambda row: quantised(row, "narrow", "luma"),
    ("quant", "narrow_chroma"): lambda row: quantised(row, "narrow", "chroma"),
    ("quant", "full_luma"): lambda row: quantised(row, "full", "luma"),
    ("quant", "ycbcr_ncl_bt2020"): ycbcr_2020,
    ("quant", "chroma_sample_loc_type"): lambda _: quantisation.chroma_siting_to_h273(quantisation.standard_chroma_siting("bt2020-ncl")),
    ("quant", "chroma_sample_loc_type_default"): lambda _: quantisation.chroma_siting_to_h273(quantisation.chroma_siting_from_h273(None)),
    ("quant", "narrow10_video_data_range"): lambda _: list(quantisation.narrow_code_limits(10)),
    ("hlg", "constant"): lambda name: getattr(transfer, f"HLG_{name.upper()}"),
    ("hlg", "oetf"): lambda row: transfer.hlg_oetf(row["E"]),
    ("hlg", "eotf_grey_Lw1000_Lb0"): lambda row: hlg_grey(row["signal"], peak_nits=1000, black_nits=0),
    ("hlg", "system_gamma_note5f"): lambda row: transfer.hlg_system_gamma(row["Lw"]),
    ("hlg", "system_gamma_extended"): lambda row: transfer.hlg_system_gamma(row["Lw"], extended=True),
    ("hlg", "system_gamma_published_2dp"): lambda row: transfer.hlg_system_gamma(row["Lw"]),
    ("hlg", "nits_of_75pct_grey"): lambda row: hlg_grey(0.75, peak_nits=row["Lw"]),
    ("hlg", "black_lift_beta"): lambda row: transfer.hlg_black_lift(row["Lw"], row["Lb"]),
    ("hlg", "eotf_grey_with_black_lift"): lambda row: hlg_grey(row["signal"], peak_nits=row["Lw"], black_nits=row["Lb"]).tolist(),
    ("hlg", "eotf_rgb_Lw1000"): lambda row: transfer.hlg_to_nits(row["signal_rgb"], peak_nits=1000).tolist(),
    ("hlg", "inverse_eotf_grey_Lw1000"): hlg_inverse,
    ("bt1886", "eotf"): lambda row: transfer.bt1886_to_nits(row["V"], white_nits=row["Lw"], black_nits=row["Lb"]),
    ("bt1886", "eotf_from_narrow8_Lb0"): lambda row: transfer.bt1886_to_nits(luma_signal(row["code"], 8)),
    ("srgb", "eotf_rel"): lambda row: transfer.srgb_to_linear(row["V"]),
    ("matrix", "bt709_to_xyz"): lambda _: primaries.rgb_to_xyz_matrix("bt709").tolist(),
    ("matrix", "p3d65_to_xyz"): lambda _: primaries.rgb_to_xyz_matrix("p3-d65").tolist(),
    ("matrix", "bt2020_to_xyz"): lambda _: primaries.rgb_to_xyz_matrix("bt2020").tolist(),
    ("matrix", "bt709_to_bt2020"): lambda _: primaries.conversion_matrix("bt709", "bt2020").tolist(),
    ("matrix", "bt2020_to_bt709"): lambda _: primaries.conversion_matrix("bt2020", "bt709").tolist(),
    ("matrix", "p3d65_to_bt2020"): lambda _: primaries.conversion_matrix("p3-d65", "bt2020").tolist(),
    ("matrix", "bt2020_to_p3d65"): lambda _: primaries.conversion_matrix("bt2020", "p3-d65").tolist(),
    ("matrix", "bt709_to_p3d65"): lambda _: primaries.conversion_matrix("bt709", "p3-d65").tolist(),
    ("matrix", "bt709_to_bt2020_published4dp"): lambda _: primaries.conversion_matrix("bt709", "bt2020").tolist(),
    ("matrix", "bt2020_to_bt709_published4dp"): lambda _: primaries.conversion_matrix("bt2020", "bt709").tolist(),
    ("gamut", "area_ratio_to_bt2020"): area_ratios,
    ("gamut", "classify_rgb2020_linear"): gamut_class,
    ("gamut", "p3_red_in_bt2020"): lambda _: primaries.convert_primaries([1, 0, 0], source="p3-d65", target="bt2020").tolist(),
    ("itp", "deltaE_from_ICtCp"): lambda row: ictcp.delta_e_itp(row["ictcp1"], row["ictcp2"]),
    ("itp", "ictcp_matrix_lms_x4096"): lambda _: (ictcp.RGB_TO_LMS * 4096).tolist(),
    ("itp", "ictcp_matrix_pq_x4096"): lambda _: (ictcp.LMS_TO_ICTCP_PQ * 4096).tolist(),
    ("itp", "ictcp_matrix_hlg_x4096"): lambda _: (ictcp.LMS_TO_ICTCP_HLG * 4096).tolist(),
    ("itp", "rgb2020_nits_to_ictcp"): lambda row: ictcp.nits_to_ictcp(row["rgb"]).tolist(),
    ("itp", "bt709_primary_to_ictcp"): lambda row: ictcp.nits_to_ictcp(sdr709_to_2020(row["rgb709"], row["white_cd_m2"])).tolist(),
    ("itp", "css_colour_to_ictcp_white203"): lambda row: css_ictcp(row["css"]).tolist(),
    ("itp", "deltaE_css_vs_red_white203"): lambda row: ictcp.delta_e_itp(css_ictcp("red"), css_ictcp(row["css"])),
    ("itp", "deltaE_rgb2020_nits"): lambda row: ictcp.delta_e_itp(ictcp.nits_to_ictcp(row["rgb1"]), ictcp.nits_to_ictcp(row["rgb2"])),
    ("itp", "deltaE_of_one_8bit_sdr_code_grey"): itp_of_sdr_codes,
    ("itp", "deltaE_one_code_grey"): itp_of_one_pq_code,
    ("itp", "grey_pct_change_for_dE1"): grey_change_for_one_jnd,
    ("eetf", "grey_nits_in_out"): lambda row: display.eetf(row["nits"], **eetf_ends(row)).tolist(),
    ("eetf", "knee"): eetf_knee,
    ("eetf", "rgb_maxRGB"): eetf_rgb("max-rgb"),
    ("eetf", "rgb_YRGB"): eetf_rgb("y-rgb"),
    ("eetf", "rgb_RGBprime"): eetf_rgb("rgb"),
    ("eetf", "rgb_ICtCp_I"): eetf_rgb("ictcp-i"),
    ("eetf", "rgb_YCbCr"): eetf_rgb("ycbcr"),
    ("bars", "100pct_narrow"): lambda row: flat_bar(row, 1.0),
    ("bars", "hlg_75pct_narrow"): lambda row: flat_bar(row, 0.75),
    ("bars", "pq_58pct_narrow"): lambda row: flat_bar(row, 0.58),
    ("bars", "pq_58pct_full"): lambda row: flat_bar(row, 0.58, "full"),
    ("bars", "pq_bt709_bars_narrow"): pq_bars_from_709,
    ("bars", "hlg_bt709_bars_narrow"): hlg_bars_from_709,
    ("bars", "step_ramp_narrow10_-7..109pct"): step_ramp,
    ("bars", "sdr_75pct_bt709"): lambda row: sdr_bar(row, 0.75),
    ("bars", "sdr_100pct_bt709"): lambda row: sdr_bar(row, 1.0),
    ("bars", "sdr_colour_in_pq_bt2020"): sdr_in_pq,
    ("bars", "pluge_hdr_codes"): pluge,
    ("cll", "pixel_light_level"): pixel_light_level,
    ("cll", "frame_2160_letterbox_1608_lines_500nit"): letterboxed,
    ("cll", "half_frame_pattern"): halves,
    ("cll", "two_frame_max"): two_frames,
    ("cll", "spike_1px_uhd"): spike,
    ("cll", "pixels_above_p99.99_uhd"): lambda row: levels.pixels_above_percentile(row["w"] * row["h"], 99.99),
    ("cll", "mean_of_PQ_is_not_FALL"): mean_of_two,
    ("mdcv", "units"): unit_sizes,
    ("mdcv", "p3d65_1000_0.0001_order_GBR"): lambda _: mastering_units("p3-d65", max_nits=1000, min_nits=0.0001),
    ("mdcv", "bt2020_1000_0.005_order_GBR"): lambda _: mastering_units("bt2020", max_nits=1000, min_nits=0.005),
    ("mdcv", "valid_max_lum_code_range"): lambda _: list(st2086.valid_luminance_units("max")),
    ("mdcv", "valid_min_lum_code_range"): lambda _: list(st2086.valid_luminance_units("min")),
    ("e2e", "hdr10_ycbcr_vs_sdr8_ycbcr"): end_to_end,
}


def flatten(value: Any, path: str = "") -> dict[str, float]:
    """Leaves of a JSON value by their place."""
    if isinstance(value, dict):
        return {k: v for key, part in value.items() for k, v in flatten(part, f"{path}/{key}").items()}
    if isinstance(value, list):
        return {k: v for index, part in enumerate(value) for k, v in flatten(part, f"{path}/{index}").items()}
    return {path: float(value)}


def allowed(tolerance: str, place: str, expected: float) -> float:
    """Largest difference that a row allows at one place of its value."""
    if tolerance == "exact" or (tolerance == "exact (YCbCr +-1)" and not place.startswith("/ycbcr")):
        return 0.0
    if tolerance in ("+-1", "exact (YCbCr +-1)"):
        return 1.0
    parts = dict(part.split(":") for part in tolerance.split(";"))
    assert parts.keys() <= {"abs", "rel"}, f"unknown tolerance {tolerance}"
    return max(float(parts.get("abs", 0)), float(parts.get("rel", 0)) * abs(expected))


@pytest.mark.parametrize("row", ROWS, ids=[f"{i}-{r['topic']}-{r['quantity']}" for i, r in enumerate(ROWS, 2)])
def test_published_value_is_met(row: dict[str, str]) -> None:
    key = (row["topic"], row["quantity"])
    assert key in CHECKS, f"no function is held against {key}"
    expected = flatten(json.loads(row["expected"]))
    found = flatten(CHECKS[key](json.loads(row["input"])))
    assert found.keys() == expected.keys()
    for place, value in expected.items():
        near = abs(found[place] - value) <= allowed(row["tolerance"], place, value)
        assert near, f"{place}: {found[place]} is not {value} ({row['source']})"


def test_no_row_is_lost() -> None:
    assert Counter(row["topic"] for row in ROWS) == COUNTS


def test_every_check_has_a_row() -> None:
    assert {(row["topic"], row["quantity"]) for row in ROWS} == CHECKS.keys()


def test_every_row_names_its_source_and_how_it_was_verified() -> None:
    assert [row for row in ROWS if not (row["source"].strip() and row["verified"].strip())] == []
