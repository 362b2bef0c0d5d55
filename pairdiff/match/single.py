"""Two single pictures: there is nothing that moves, so that they belong together is told by what they show."""

from __future__ import annotations

import numpy as np

from pairdiff._records import FloatArray
from pairdiff.match.cadence import Cadence
from pairdiff.match.grid import GridMap, fit_map, likely_maps, mask_track, resample_track
from pairdiff.match.timeline import EditMap

LEAST_SIMILARITY = 0.85
"""Similarity of the fingerprints from which two pictures show the same (own: 184 pairs of one picture in two grades, half of them cropped,
had 0.92 and more; of 552 pairs of other views of the same places 95 in 100 had 0.80 or less)."""


def pair_pictures(hdr_print: FloatArray, sdr_print: FloatArray, *, hdr_aspect: float, sdr_aspect: float) -> EditMap:
    """The edit map of two single pictures.

    Parameters
    ----------
    hdr_print, sdr_print : fingerprints, (cell,).
    hdr_aspect, sdr_aspect : width over height of the active pictures as shown.

    Returns
    -------
    EditMap of one frame, matched where the pictures are alike under one of the likely crops; its score is their similarity.
    """
    hdr, sdr = np.asarray(hdr_print)[None], np.asarray(sdr_print)[None]

    def similarity(grid_map: GridMap) -> float:
        return float((resample_track(hdr, grid_map).astype(np.float32) * mask_track(sdr, grid_map)).sum())

    likeliest = max(likely_maps(hdr_aspect, sdr_aspect), key=similarity)
    grid_map, score = fit_map(likeliest, similarity)
    matched = score >= LEAST_SIMILARITY
    whole = Cadence(np.zeros(1, np.int64), np.ones(1, np.int64), 0.0, None)
    place = np.zeros(1, np.int64) if matched else np.full(1, -1, np.int64)
    return EditMap(
        path=place,
        path_stop=place + 1 if matched else place,
        partners=place,
        state=np.array([1 if matched else -1], np.int8),
        faint=np.zeros(1, bool),
        ambiguous=np.zeros(1, bool),
        similarity=np.array([score if matched else np.nan], np.float32),
        score=score,
        runner_up=0.0,
        weight=max(score, 0.0),
        windows=1,
        candidate_frames=0,
        maps=((0, 1, grid_map),),
        elsewhere=(),
        hdr_cadence=whole,
        sdr_cadence=whole,
    )
