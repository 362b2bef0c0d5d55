"""A ladder of HDR and SDR picture pairs whose true relation is known, for checking the verdict and calibrating the pair score.

Scenes: the eight scene-linear panoramas (CC0) of Debian's blender-data, which tests/run unpacks into `.cache/`.
Photographs: those that scikit-image carries (skimage.data: astronaut, chelsea, coffee, rocket, motorcycle, grass).
Every pair is (HDR in cd/m2, BT.2020 linear, quantised to 10-bit narrow PQ) and (SDR R'G'B' signal 0-1, BT.709, quantised to 8-bit narrow).
Sets: `panorama` (soft, wide strips; 27 rungs), `view` (perspective views; 13), `photograph` (textured SDR pictures, the HDR made from
them; 9). Nothing here is imported from the package.

tests/reference/ladder_jod.csv holds the score of each pair by ColorVideoVDP 0.5.7 (R. K. Mantiuk, P. Hanji, M. Ashraf, Y. Asano,
A. Chapiro, "ColorVideoVDP: A visual difference predictor for image, video and display distortions", ACM Transactions on Graphics, 2024;
PyPI package cvvdp, MIT): HDR as reference, SDR shown at the white and gamma in the same row, a PQ display to 10 000 cd/m2 without ambient
light, 56.55 pixels per degree. 10 means no difference; one JOD below, three viewers in four would pick the better picture. It is a
published model's prediction, not a viewing test.

    python tests/bench/ladder.py WORLD_DIR      lists the pairs
"""

import sys
from pathlib import Path

import av
import cv2
import numpy as np

M1, M2, C1, C2, C3 = 2610 / 16384, 2523 / 32, 3424 / 4096, 2413 / 128, 2392 / 128
TO_2020 = np.array([[0.6274039, 0.3292830, 0.0433131], [0.0690973, 0.9195404, 0.0113623], [0.0163914, 0.0880133, 0.8955953]])
LUMA = np.array([0.2627, 0.6780, 0.0593])
WHITE = 203.0


def pq_encode(nits):
    y = np.clip(nits / 10000, 0, 1) ** M1
    return ((C1 + C2 * y) / (1 + C3 * y)) ** M2


def pq_decode(signal):
    p = np.clip(signal, 0, 1) ** (1 / M2)
    return 10000 * (np.maximum(p - C1, 0) / (C2 - C3 * p)) ** (1 / M1)


def sdr_light(signal, white=100.0, gamma=2.4):
    return white * (np.maximum(signal, 0) ** gamma) @ TO_2020.T


def read_panorama(path):
    """Scene-linear BT.709 light of one panorama, (row, column, 3) float32."""
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0))
        kind = "<f2" if "f16" in frame.format.name else "<f4"
        g, b, r = (np.frombuffer(p, kind).reshape(p.height, -1)[:, : p.width] for p in frame.planes[:3])
        return np.stack([r, g, b], -1).astype(np.float32)


def scenes(world):
    for path in sorted(Path(world).glob("*.exr")):
        picture = np.maximum(read_panorama(path)[120:392], 0).astype(np.float64)
        luminance = picture @ np.array([0.2126, 0.7152, 0.0722])
        yield path.stem, picture * (0.18 / np.exp(np.mean(np.log(luminance + 1e-3))))


def hdr_grade(scene, peak, white=WHITE):
    """Scene 1.0 at `white` cd/m2; shoulder on max(R,G,B) up to `peak`."""
    light = scene @ TO_2020.T * white
    top = light.max(-1, keepdims=True) + 1e-9
    knee = min(0.6 * peak, 0.9 * white)
    rolled = np.where(top < knee, top, knee + (peak - knee) * (1 - np.exp(-(top - knee) / (peak - knee))))
    return light * rolled / top


def sdr_grade(scene):
    rolled = np.where(scene < 0.6, scene, 0.6 + 0.4 * (1 - np.exp(-(scene - 0.6) / 0.4)))
    return np.round(np.clip(rolled ** (1 / 2.4), 0, 1) * 219) / 219


def rungs(scene):
    sdr = sdr_grade(scene)
    base = sdr_light(sdr)
    luminance = (base @ LUMA)[..., None]
    yield "container-100", base, sdr
    yield "container-203", base * 2.03, sdr
    yield "container-150-gamma", (base / 100) ** (2.2 / 2.4) * 150, sdr
    for peak in (220, 260, 320, 400, 600, 1000, 2000, 4000):
        yield f"peak-{peak}", hdr_grade(scene, peak), sdr
    yield "peak-1000-white-100", hdr_grade(scene, 1000, 100.0), sdr
    for lift in (1.5, 2, 4, 8):
        yield f"stretch-{lift}", base * 2.03 * (1 + (lift - 1) * np.clip((luminance - 50) / 50, 0, 1) ** 2), sdr
    for power in (1.05, 1.15, 1.3):
        yield f"contrast-{power}", (base / 100) ** power * 203, sdr
    for name, gains in (("warm-slight", (1.02, 1.0, 0.97)), ("warm", (1.06, 1.0, 0.9)), ("cool", (0.93, 1.0, 1.08))):
        yield name, base * 2.03 * np.array(gains), sdr
    grey = (base @ LUMA)[..., None]
    for amount in (1.1, 1.3):
        yield f"saturation-{amount}", np.maximum(grey + amount * (base - grey), 0) * 2.03, sdr
    for share in (0.1, 0.3, 0.6):
        yield f"mix-{share}", base * 2.03 * (1 - share) + hdr_grade(scene, 1000) * share, sdr


def view(panorama, yaw, size=(960, 540), field=75.0):
    """Perspective view of a panorama whose full height is 180 degrees, looking `yaw` degrees right, level."""
    width, height = size
    x = np.tan(np.radians(field / 2)) * np.linspace(-1, 1, width)
    y = np.tan(np.radians(field / 2)) * height / width * np.linspace(-1, 1, height)[:, None]
    longitude = np.arctan2(x, 1)[None, :] + np.radians(yaw)
    latitude = np.arctan2(y, np.hypot(1, x)[None, :])
    rows, columns = panorama.shape[:2]
    u = ((longitude / (2 * np.pi) + 0.5) % 1 * columns + np.zeros_like(latitude)).astype(np.float32)
    v = ((latitude / np.pi + 0.5) * rows).astype(np.float32)
    return np.maximum(cv2.remap(panorama.astype(np.float32), u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_WRAP), 0).astype(np.float64)


def views(world):
    for k, path in enumerate(sorted(Path(world).glob("*.exr"))):
        picture = view(read_panorama(path), 40.0 * k)
        luminance = picture @ np.array([0.2126, 0.7152, 0.0722])
        yield path.stem, picture * (0.12 / np.exp(np.mean(np.log(luminance + 1e-3))))


def photographs():
    from skimage import data

    for name in ("astronaut", "chelsea", "coffee", "rocket", "motorcycle_left", "grass"):
        picture = data.stereo_motorcycle()[0] if name == "motorcycle_left" else getattr(data, name)()
        picture = np.stack([picture] * 3, -1) if picture.ndim == 2 else picture[..., :3]
        yield name, np.round(picture / 255 * 219) / 219


def smooth_gain(base, lift, radius):
    """HDR = SDR light x a smooth gain where the picture is bright: what a gain map or a power window does."""
    luminance = base @ LUMA
    mask = cv2.GaussianBlur(np.clip((luminance - 25) / 60, 0, 1).astype(np.float32), (0, 0), radius).astype(np.float64)
    return base * 2.03 * (lift**mask)[..., None]


def regrades(sdr):
    base = sdr_light(sdr)
    luminance = (base @ LUMA)[..., None]
    yield "container-203", base * 2.03
    yield "stretch-2", base * 2.03 * (1 + np.clip((luminance - 50) / 50, 0, 1) ** 2)
    yield "stretch-4", base * 2.03 * (1 + 3 * np.clip((luminance - 50) / 50, 0, 1) ** 2)
    yield "smooth-gain-2", smooth_gain(base, 2.0, 24)
    yield "smooth-gain-4", smooth_gain(base, 4.0, 24)
    yield "smooth-gain-4-wide", smooth_gain(base, 4.0, 60)
    yield "contrast-1.25", (base / 100) ** 1.25 * 203
    yield "warm", base * 2.03 * np.array([1.06, 1.0, 0.9])
    yield "saturation-1.3", np.maximum(luminance + 1.3 * (base - luminance), 0) * 2.03


def ladder(world):
    def coded(nits):
        return pq_decode(np.round(pq_encode(nits) * 876) / 876).astype(np.float32)

    for name, scene in scenes(world):
        for rung, hdr, sdr in rungs(scene):
            yield "panorama", name, rung, coded(hdr), sdr.astype(np.float32)
    for name, scene in views(world):
        sdr = sdr_grade(scene)
        for rung, hdr in [*((f"peak-{p}", hdr_grade(scene, p)) for p in (320, 600, 1000, 4000)), *regrades(sdr)]:
            yield "view", name, rung, coded(hdr), sdr.astype(np.float32)
    for name, sdr in photographs():
        for rung, hdr in regrades(sdr):
            yield "photograph", name, rung, coded(hdr), sdr.astype(np.float32)


if __name__ == "__main__":
    for kind, scene_name, rung, hdr, sdr in ladder(sys.argv[1]):
        print(f"{kind:10} {scene_name:15} {rung:20} {hdr.shape} peak {hdr.max():8.1f} cd/m2, SDR max {sdr.max():.3f}")
