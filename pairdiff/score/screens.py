"""The same pair on home displays: what a set with a lower peak, a black that is not black and a lit room leave of the difference.

The HDR side is rolled off to the display's peak (light/display.py), the SDR side is shown at the title's `controls`, or as bright as the
display goes where that is dimmer; one neutral veil lies over both. Labels need no picture again: the roll-off is monotone, so the level
of the brightest pixels goes through it as they do.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Declared, FloatArray, LitRoom, PairScore, ScreenResult, Setup
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.light.display import Display, read_displays
from pairdiff.light.display import veil_nits as room_veil_nits
from pairdiff.light.ictcp import JND_SCALE
from pairdiff.light.picture import hlg_to_peak, nits_to_pq_picture, sdr_code_to_nits, show_hdr_picture
from pairdiff.score.colour import LUMINANCE
from pairdiff.score.difference import BlurredLight, Seen, blur_optics, compare_seen, pool_difference, see
from pairdiff.score.headroom import Weighting, headroom_stops
from pairdiff.score.notice import PreferenceLoss
from pairdiff.score.pair import PairPictures
from pairdiff.score.pooling import level_reached, weighted_quantile

DARK_SHARES = (0.01, 0.25)
"""The shadows of a picture lie between these shares of its pixels, darkest first (own)."""
SHADOW_STEP_PIXELS = 7
"""One pixel in so many tells the shadows; no divisor of usual widths, so that the columns vary (own)."""
LEAST_SHADOW_JND = 5.0
"""A picture whose shadows span less than this, |dI| x 720, has none to lose (own)."""


@dataclass(frozen=True, slots=True)
class Screen:
    """A display with what is shown on it."""

    display: Display
    transfer: str
    """`pq` or `hlg`."""
    hlg_peak_nits: float
    """Peak that HLG pictures were decoded at, cd/m2."""
    source_peak_nits: float
    """Peak that PQ pictures are rolled off from, cd/m2."""
    setup: Setup
    """The SDR set: `controls`, its white no higher than the display's peak."""

    @property
    def rolls_off(self) -> bool:
        """Whether the HDR picture is changed on its way to this display."""
        return self.transfer == "hlg" or self.source_peak_nits > self.display.peak_nits

    def show(self, hdr_nits: FloatArray) -> FloatArray:
        """HDR light, (row, column, 3) linear BT.2020 cd/m2 on the reference, as this display shows it, without the veil."""
        if self.transfer == "hlg":
            return hlg_to_peak(hdr_nits, from_nits=self.hlg_peak_nits, to_nits=self.display.peak_nits)
        return show_hdr_picture(hdr_nits, display=self.display, source_peak_nits=self.source_peak_nits)

    def show_levels(self, nits: FloatArray) -> NDArray[np.float64]:
        """The same for levels of neutral light, any shape, cd/m2."""
        grey = np.repeat(np.asarray(nits, np.float32).reshape(-1, 1, 1), 3, axis=2)
        return self.show(grey)[:, 0, 0].astype(np.float64).reshape(np.shape(nits))


@dataclass(frozen=True, slots=True)
class ScreenMeasure:
    """A pair on one display."""

    rms_jnd: float
    counts: NDArray[np.int32]
    """Histogram of dE_ITP."""
    preference_loss: PreferenceLoss


@dataclass(frozen=True, slots=True)
class ShadowLevels:
    """Luminance of the shadows of a pair at both ends of `DARK_SHARES`, cd/m2, SDR at `controls`."""

    hdr_nits: tuple[float, float]
    sdr_nits: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ShownPair:
    """A pair on every display."""

    shadows: ShadowLevels
    measures: tuple[ScreenMeasure, ...]
    """In the order of the displays."""


def source_peak_nits(declared: Declared | None, measured_nits: float) -> float:
    """Peak that a PQ release is rolled off from: the declared mastering peak where it holds what was measured, else what was measured.

    Parameters
    ----------
    declared : what the release says; None for pictures without a file.
    measured_nits : highest 99.99th percentile of its frames, cd/m2.

    Returns
    -------
    cd/m2.
    """
    mastering = None if declared is None or declared.mastering is None else declared.mastering.max_nits
    return max(mastering if mastering is not None and mastering >= measured_nits else measured_nits, 1.0)


def list_screens(
    settings: Settings, *, transfer: str, source_peak_nits: float, controls: Setup, measured_nits: float | None = None
) -> tuple[Screen, ...]:
    """The home displays that the settings name, with what is shown on each.

    Parameters
    ----------
    settings : `displays`, `own_displays`, `hlg_peak_nits`.
    transfer : of the HDR release.
    source_peak_nits : as from `source_peak_nits`.
    controls : the SDR set.
    measured_nits : highest 99.99th percentile of the release's frames. A display that reaches it needs no roll-off, whatever peak was
        declared, and gets none: an SDR picture that stays within the display's peak is then the same light on both sides.

    Returns
    -------
    One for each display, in the order of the settings.
    """
    displays = read_displays(settings.displays, settings.own_displays)
    return tuple(
        Screen(
            one,
            transfer,
            settings.hlg_peak_nits,
            measured_nits if measured_nits is not None and measured_nits <= one.peak_nits else source_peak_nits,
            replace(controls, white_nits=min(controls.white_nits, one.peak_nits)),
        )
        for one in displays
    )


def score_on_screen(pictures: PairPictures, screen: Screen, *, blurred: BlurredLight | None = None) -> ScreenMeasure:
    """Both differences of a pair on one display in a dark room.

    Parameters
    ----------
    pictures : both sides on the canvas.
    screen : where they are shown.
    blurred : light of the pair after the eye's optics, where it is at hand.

    Returns
    -------
    ScreenMeasure.
    """
    return _show(pictures, screen, pictures.blurred() if blurred is None else blurred, [])


def _show(pictures: PairPictures, screen: Screen, light: BlurredLight, sides: list[Seen]) -> ScreenMeasure:
    """`score_on_screen`; `sides` holds pictures whose memory may be written over, and after it those of this display."""
    ppd, veil = pictures.pixels_per_degree, room_veil_nits(screen.display, 0.0)
    old_hdr, old_sdr = sides if sides else (None, None)
    # the optics keep a neutral veil as it is, and a factor too
    hdr_light = blur_optics(screen.show(pictures.hdr_nits), pixels_per_degree=ppd) if screen.rolls_off else light.hdr()
    sdr_light = light.sdr(screen.setup.gamma)
    hdr = see(hdr_light, veil_nits=veil, pixels_per_degree=ppd, reuse=old_hdr)
    sdr = see(sdr_light, gain=screen.setup.white_nits, veil_nits=veil, pixels_per_degree=ppd, reuse=old_sdr)
    sides[:] = hdr, sdr
    found = compare_seen(hdr, sdr)
    return ScreenMeasure(found.rms_jnd, found.counts, found.loss)


def measure_shadows(pictures: PairPictures, controls: Setup) -> ShadowLevels:
    """Luminance at both ends of a pair's shadows."""
    hdr, code = (np.ascontiguousarray(side.reshape(-1, 3)[::SHADOW_STEP_PIXELS]) for side in (pictures.hdr_nits, pictures.sdr_code))
    sdr = sdr_code_to_nits(code, white_nits=controls.white_nits, gamma=controls.gamma)
    weights = np.asarray(LUMINANCE, np.float32)
    ends = [np.quantile(side @ weights, DARK_SHARES) for side in (hdr, sdr)]
    return ShadowLevels((float(ends[0][0]), float(ends[0][1])), (float(ends[1][0]), float(ends[1][1])))


def shadows_kept(levels_nits: NDArray[np.float64], *, veil_nits: float, gain: float = 1.0) -> NDArray[np.float64]:
    """Share of the shadows' steps that a veil leaves, per picture; NaN where there are none to lose.

    Parameters
    ----------
    levels_nits : (picture, 2) luminance at both ends, cd/m2.
    veil_nits : light over every pixel, cd/m2.
    gain : factor by which the set is turned up.

    Returns
    -------
    (picture,) shares; above 1 where turning up more than makes good for the veil. Steps are counted as |dI| of neutral light (BT.2124).
    """
    ends = levels_nits, levels_nits * gain + veil_nits
    span, left = (np.diff(nits_to_pq_picture(side).astype(np.float64), axis=1)[:, 0] for side in ends)
    return np.asarray(np.where(span * JND_SCALE >= LEAST_SHADOW_JND, left / np.maximum(span, 1e-9), np.nan))


class ScreenCollector:
    """Shows some of a title's pairs on every display and keeps what was measured there.

    Parameters
    ----------
    screens : displays with what is shown on them.
    wanted : HDR frames of the pairs to show.
    """

    def __init__(self, screens: Sequence[Screen], *, wanted: Iterable[int]) -> None:
        self._screens, self._wanted = tuple(screens), frozenset(wanted)
        self._measures: dict[str, list[ScreenMeasure]] = {one.display.name: [] for one in screens}
        self._shadows: list[ShadowLevels] = []
        self._frames: list[int] = []

    def add(self, pictures: PairPictures, *, hdr_frame: int) -> None:
        """See one matched pair on the canvas; it is shown if it is wanted."""
        self.take(self.measure(pictures, hdr_frame=hdr_frame), hdr_frame=hdr_frame)

    def measure(self, pictures: PairPictures, *, hdr_frame: int, blurred: BlurredLight | None = None) -> ShownPair | None:
        """Measure one matched pair on every display without keeping it, for `take`; None where it is not wanted."""
        if hdr_frame not in self._wanted or not self._screens:
            return None
        light = pictures.blurred() if blurred is None else blurred
        shadows = measure_shadows(pictures, self._screens[0].setup)
        sides: list[Seen] = []  # memory of both pictures as they are seen, used again on the next display
        return ShownPair(shadows, tuple(_show(pictures, one, light, sides) for one in self._screens))

    def take(self, shown: ShownPair | None, *, hdr_frame: int) -> None:
        """Keep what `measure` found of a pair."""
        if shown is None:
            return
        self._frames.append(hdr_frame)
        self._shadows.append(shown.shadows)
        for one, measure in zip(self._screens, shown.measures, strict=True):
            self._measures[one.display.name].append(measure)

    def pool(self, pairs: Sequence[PairScore], weighting: Weighting, *, settings: Settings) -> tuple[tuple[Screen, ScreenResult], ...]:
        """Film figures on every display.

        Parameters
        ----------
        pairs : every scored pair of the title.
        weighting : what each stands for.
        settings : thresholds, room light, reach of the set.

        Returns
        -------
        Displays with their figures, labels still None.
        """
        place = {frame: number for number, frame in enumerate(column(pairs, "hdr_frame").tolist())}
        shown = np.array([place[frame] for frame in self._frames], np.int64)
        if not shown.size:
            return ()
        stand_for = _spread_time(shown, weighting)
        return tuple((one, self._pool_screen(one, pairs, weighting, shown, stand_for, settings)) for one in self._screens)

    def _pool_screen(
        self,
        screen: Screen,
        pairs: Sequence[PairScore],
        weighting: Weighting,
        shown: NDArray[np.int64],
        stand_for: Weighting,
        settings: Settings,
    ) -> ScreenResult:
        display, setup, measures = screen.display, screen.setup, self._measures[screen.display.name]
        scores = [
            replace(
                pairs[n],
                rms_jnd={"screen": m.rms_jnd},
                preference_loss={"screen": m.preference_loss.jod},
                tone_part={"screen": m.preference_loss.tone_jod},
                colour_part={"screen": m.preference_loss.colour_jod},
            )
            for n, m in zip(shown, measures, strict=True)
        ]
        counts = np.sum([m.counts * (s / m.counts.sum()) for m, s in zip(measures, stand_for.seconds, strict=True)], axis=0)
        stops = headroom_stops(screen.show_levels(column(pairs, "hdr_p999_nits")), column(pairs, "sdr_p999_code"), setup=setup)
        return ScreenResult(
            name=display.name,
            words=display.words,
            peak_nits=display.peak_nits,
            black_nits=display.black_nits,
            full_field_nits=display.full_field_nits,
            reasoning=display.reasoning,
            origin=display.origin,
            source_peak_nits=screen.source_peak_nits,
            rolls_off=screen.rolls_off,
            white_nits=setup.white_nits,
            gamma=setup.gamma,
            pairs=len(measures),
            difference=pool_difference(scores, stand_for, setup_name="screen", counts=counts),
            headroom_stops=level_reached(stops, settings.headroom_time_share, weights=weighting.seconds),
            lit_room=_lit_room(screen, self._shadows, weights=stand_for.seconds, settings=settings),
            label=None,
        )


def _spread_time(shown: NDArray[np.int64], weighting: Weighting) -> Weighting:
    """What the shown pairs stand for: the time of their shots, which they share among them; only its proportions count."""
    shots = weighting.shots[shown]
    total = {shot: weighting.seconds[weighting.shots == shot].sum() for shot in np.unique(shots)}
    seconds = np.array([total[shot] / (shots == shot).sum() for shot in shots])
    return Weighting(seconds, shots, weighting.sampled_fraction * shown.size / weighting.seconds.size, weighting.confidence)


def choose_pairs(shots: Sequence[int], *, most: int) -> list[int]:
    """Places of pairs to show: the middle pair of every shot; of shots spread over the film where there are more than wanted.

    Parameters
    ----------
    shots : shot of every pair, in order.
    most : pairs to choose at most.

    Returns
    -------
    Places in `shots`, ascending.
    """
    numbers = np.asarray(shots)
    middles = [int(members[len(members) // 2]) for members in (np.flatnonzero(numbers == shot) for shot in np.unique(numbers))]
    picks = np.unique(np.linspace(0, len(middles) - 1, min(most, len(middles))).round().astype(int))
    return [middles[n] for n in picks]


def _lit_room(screen: Screen, shadows: Sequence[ShadowLevels], *, weights: NDArray[np.float64], settings: Settings) -> LitRoom:
    veil = room_veil_nits(screen.display, settings.room_lux)
    brightest = min(settings.white_high_nits, screen.display.peak_nits)
    gain = max(brightest / screen.setup.white_nits, 1.0)
    hdr, sdr = (np.array([getattr(one, name) for one in shadows]) for name in ("hdr_nits", "sdr_nits"))

    def middle(kept: NDArray[np.float64]) -> float | None:
        known = ~np.isnan(kept)
        return weighted_quantile(kept[known], 0.5, weights=weights[known]) if known.any() else None

    return LitRoom(
        room_lux=settings.room_lux,
        veil_nits=veil,
        hdr_shadows_kept_share=middle(shadows_kept(hdr, veil_nits=veil)),
        sdr_shadows_kept_share=middle(shadows_kept(sdr, veil_nits=veil)),
        sdr_turned_up_nits=screen.setup.white_nits * gain,
        sdr_turned_up_shadows_kept_share=middle(shadows_kept(sdr, veil_nits=veil, gain=gain)),
    )
