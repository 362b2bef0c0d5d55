"""A small film for tests of matching: smooth shapes that drift by a pixel a frame, another field after every cut."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from pairdiff._records import Rectangle
from pairdiff.light.transfer import nits_to_pq
from pairdiff.match.fingerprint import make_fingerprint

CUTS = (40, 95, 150)


def make_drift(frames=200, cuts=CUTS, seed=1, rows=54, columns=96):
    """Luma signal 0 to 1."""
    pictures = []
    bounds = [0, *cuts, frames]
    for shot in range(len(bounds) - 1):
        length = bounds[shot + 1] - bounds[shot]
        field = gaussian_filter(np.random.default_rng((seed, shot)).normal(size=(rows + length, columns + length)), 4)
        field = (0.5 + 0.2 * field / field.std()).clip(0, 1)
        pictures += [field[n : n + rows, n : n + columns] for n in range(length)]
    return np.stack(pictures)


def to_sdr(film, *, gamma=1.0, noise=0.0, seed=7):
    moved = film**gamma + noise * np.random.default_rng(seed).normal(size=film.shape)
    return np.rint(16 + 219 * moved.clip(0, 1)).astype(np.uint8)


def to_hdr(film, *, white_nits=150.0):
    return np.rint(64 + 876 * nits_to_pq(white_nits * film**2.4)).astype(np.uint16)


def track(pictures, active=None):
    box = active or Rectangle(0, pictures[0].shape[0], 0, pictures[0].shape[1])
    step = 1 if pictures[0].dtype == np.uint8 else 4
    return np.stack([make_fingerprint(picture, active=box, code_step=step) for picture in pictures])


FILM = make_drift()
HDR_TRACK = track(to_hdr(FILM))
