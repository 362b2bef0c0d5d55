"""Compare pictures that are already in memory: an HDR picture in cd/m2 and an SDR picture as signal.

A small scene is made here: textured walls and two bright lamps with structure in them. The SDR grade rolls the lamps off;
one HDR version keeps them, the other is the SDR picture at 150 cd/m2 and nothing more.
"""

import numpy as np
from scipy.ndimage import gaussian_filter

import pairdiff

# Linear BT.709 to linear BT.2020, ITU-R BT.2087.
TO_BT2020 = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])


def make_scene(rows: int = 360, columns: int = 640) -> np.ndarray:
    """Scene light, linear BT.709, 1.0 is a white wall: (row, column, 3)."""
    noise = np.random.default_rng(5).normal(size=(rows, columns, 3))
    walls = gaussian_filter(noise, (25, 25, 0))
    grain = gaussian_filter(noise, (1.5, 1.5, 0))
    scene = 0.18 * 2 ** (1.2 * walls / walls.std() + 0.25 * grain / grain.std())
    y, x = np.mgrid[:rows, :columns]
    for row, column in ((90, 160), (120, 470)):
        lamp = np.exp(-((((y - row) ** 2 + (x - column) ** 2) / 30.0**2) ** 3))
        scene += (9 * lamp * (1 + 0.4 * np.sin(x / 3)))[..., np.newaxis]
    return scene


def main() -> None:
    scene = make_scene()
    sdr_signal = np.minimum(scene / (1 + 0.6 * scene), 1) ** (1 / 2.4)  # a gentle shoulder, BT.1886 signal
    versions = {
        "graded for HDR": np.minimum(100 * scene @ TO_BT2020.T, 1000),
        "SDR at 150 cd/m2": 150 * sdr_signal**2.4 @ TO_BT2020.T,
    }
    for name, hdr_nits in versions.items():
        result = pairdiff.compare_pictures(hdr_nits.astype(np.float32), sdr_signal.astype(np.float32))
        print(f"{name}: {result.verdict.words}")
        print(f"  SDR set-up: white {result.setup.white_nits:.0f} cd/m2, gamma {result.setup.gamma:.2f}")
        print(f"  difference that is left: {result.difference.side_by_side.rms:.1f} dE_ITP (rms)")
        if result.headroom.stops is not None:
            print(f"  highlight headroom: {result.headroom.stops:.2f} stops")


if __name__ == "__main__":
    main()
