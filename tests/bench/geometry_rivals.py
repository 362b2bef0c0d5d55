"""The cases of geometry by general methods on the same pairs: printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python tests/bench/geometry_rivals.py [CASE ...]

Both start from nothing, on whole frames, the SDR frame stretched to the HDR frame's size; the median over pairs is taken. ECC alone:
`cv2.findTransformECC`, affine, from the identity, on luma less its blur. Phase correlation (scikit-image): scale from the log-polar
spectrum, then `phase_cross_correlation` at a hundredth of a pixel. Partners are the true ones for all three; ours begins, as it does in a
comparison, from the edges of the picture areas and a coarse map of the grids, here the true one off by a hundredth.
"""

from __future__ import annotations

import sys

import cv2
import numpy as np
from skimage.filters import difference_of_gaussians, window
from skimage.registration import phase_cross_correlation
from skimage.transform import warp_polar

from pairdiff._records import Rectangle
from pairdiff.match.active import ActiveFinder
from pairdiff.match.geometry import geometry_from_map, make_luma_pair, refine_geometry
from pairdiff.match.grid import GridMap
from tests.match._cases import telling_cases
from tests.match._films import Case, picture, show
from tests.match._placing import EYE
from tests.match._shapes import Truth, exact, shape_cases, to_shape, true_place

CASES = (
    "half size",
    "crop 2 %",
    "shift 3.5 px",
    "gamma 1.25",
    "grain 8 %",
    "open matte SDR",
    "pillarbox 4:3 in 16:9",
    "anamorphic 64:45",
    "3:2 scale, crop 3 %",
    "shift 3.5 px, crop 4 %",
    "dark film with bars",
    "letterbox, caption in the bar",
)
FRAMES = range(20, 860, 70)

Place = tuple[tuple[float, float], tuple[float, float]]


def true_pairs(case: Case) -> tuple[list[tuple[np.ndarray, np.ndarray]], Truth]:
    """Some pairs that belong together, and where they lie."""
    hdr, sdr = to_shape(case.hdr_look), to_shape(case.sdr_look)
    planes = (show(case, "hdr"), show(case, "sdr")) if case.crf is not None else None
    pairs, truth = [], None
    for frame in FRAMES:
        if case.hdr[frame] not in case.sdr:
            continue
        partner = case.sdr.index(case.hdr[frame])
        if planes is None:
            pairs.append((hdr(picture(case.hdr[frame]), frame), sdr(picture(case.sdr[partner]), partner)))
        else:
            pairs.append((planes[0][frame], planes[1][partner]))
        truth = truth or true_place(hdr, sdr, hdr_frame=frame, sdr_frame=partner)
    assert truth is not None
    return pairs, truth


def _detail(luma: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    flat = cv2.resize(luma.astype(np.float32), size[::-1], interpolation=cv2.INTER_AREA)
    return flat - cv2.GaussianBlur(flat, (0, 0), 8)


def by_correlation(pairs: list[tuple[np.ndarray, np.ndarray]]) -> Place | None:
    """ECC alone."""
    found = []
    for hdr, sdr in pairs:
        try:
            first, second = _detail(hdr, hdr.shape), _detail(sdr, hdr.shape)
            warp = cv2.findTransformECC(second, first, np.eye(2, 3, dtype=np.float32), cv2.MOTION_AFFINE, (3, 100, 1e-5))[1]
        except cv2.error:
            continue
        found.append([warp[1, 1], warp[0, 0], warp[1, 2] + 0.5 - 0.5 * warp[1, 1], warp[0, 2] + 0.5 - 0.5 * warp[0, 0]])
    return _to_place(found, pairs)


def by_phase(pairs: list[tuple[np.ndarray, np.ndarray]]) -> Place | None:
    """Log-polar scale, then phase correlation."""
    found = []
    for hdr, sdr in pairs:
        rows, columns = hdr.shape
        first, second = _detail(hdr, hdr.shape), _detail(sdr, hdr.shape)
        spectra = [
            np.abs(np.fft.fftshift(np.fft.fft2(difference_of_gaussians(one, 1, 20) * window("hann", one.shape)))) for one in (first, second)
        ]
        radius = min(rows, columns) // 4
        polar = [warp_polar(one, radius=radius, output_shape=(360, columns), scaling="log")[:180] for one in spectra]
        turn = phase_cross_correlation(*polar, upsample_factor=20, normalization=None)[0]
        scale = float(np.exp(-turn[1] * np.log(radius) / columns))
        scale = scale if 0.7 < scale < 1.4 else 1.0
        middle = columns / 2 - 0.5, rows / 2 - 0.5
        grown = cv2.warpAffine(
            second,
            np.array([[scale, 0, middle[0] * (1 - scale)], [0, scale, middle[1] * (1 - scale)]]),
            (columns, rows),
            flags=cv2.INTER_CUBIC,
        )
        shift = phase_cross_correlation(first, grown, upsample_factor=100)[0]
        found.append([scale, scale, shift[0] + rows / 2 * (1 - scale), shift[1] + columns / 2 * (1 - scale)])
    return _to_place(found, pairs)


def _to_place(found: list[list[float]], pairs: list[tuple[np.ndarray, np.ndarray]]) -> Place | None:
    """Median over pairs, from the stretched SDR frame back to its own pixels."""
    if not found:
        return None
    scale_rows, scale_columns, shift_rows, shift_columns = np.median(found, axis=0)
    hdr, sdr = pairs[0][0].shape, pairs[0][1].shape
    return (scale_rows * hdr[0] / sdr[0], scale_columns * hdr[1] / sdr[1]), (shift_rows, shift_columns)


def by_pairdiff(case: Case, pairs: list[tuple[np.ndarray, np.ndarray]], truth: Truth) -> Place:
    """Ours, from the edges of the picture areas and a coarse map."""
    areas: list[Rectangle] = []
    for side in (0, 1):
        step = 4.0 if pairs[0][side].dtype == np.uint16 else 1.0
        finder = ActiveFinder(black_code=16 * step, code_step=step)
        for pair in pairs:
            finder.add(pair[side])
        areas.append(finder.rectangle())
    aspects = [float(to_shape(look).pixel_aspect) for look in (case.hdr_look, case.sdr_look)]
    limits = EYE | {"pixel_aspects": (aspects[0], aspects[1])}
    hdr, sdr = areas
    size, other = (hdr.bottom - hdr.top, hdr.right - hdr.left), (sdr.bottom - sdr.top, sdr.right - sdr.left)
    coarse = GridMap(
        truth.scale[0] * other[0] / size[0],
        truth.scale[1] * other[1] / size[1],
        (truth.shift[0] + truth.scale[0] * sdr.top - hdr.top) / size[0] + 0.01,
        (truth.shift[1] + truth.scale[1] * sdr.left - hdr.left) / size[1] - 0.01,
    )
    guess = geometry_from_map(hdr, sdr, grid_map=coarse, **limits)
    found = refine_geometry(guess, [make_luma_pair(*pair) for pair in pairs], **limits)
    return (found.scale_rows, found.scale_columns), (found.shift_rows, found.shift_columns)


def main(wanted: list[str]) -> None:
    print("| case | ECC alone | phase correlation, log-polar | ours |")
    print("|---|---|---|---|")
    for case in (*map(exact, telling_cases()), *shape_cases()):
        if case.name not in (wanted or CASES):
            continue
        pairs, truth = true_pairs(case)
        columns = to_shape(case.hdr_look).raster[1]
        told = [
            "none" if place is None else f"{truth.worst_pixels(scale=place[0], shift=place[1], hdr_columns=columns):.2f}"
            for place in (by_correlation(pairs), by_phase(pairs), by_pairdiff(case, pairs, truth))
        ]
        print(f"| {case.name} | " + " | ".join(told) + " |", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
