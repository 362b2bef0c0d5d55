"""A plausible comparison of an invented film, and its still pictures: what the tests of the write-up are fed."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from pairdiff import _records as r
from pairdiff._settings import Settings
from pairdiff.stills.choose import choose_moments
from pairdiff.stills.draw import StillPicture, draw_curved, draw_stills, shrink_pair
from pairdiff.verdict.objections import list_objections

FRAMES = 2880
RATE = Fraction(24000, 1001)
SHOTS = 24
WHITE_NITS = 143.0
CUT = (1440, 1560)
"""HDR frames that the SDR release has not."""


def make_example(*, title: str = "The Salt Ferry") -> r.Comparison:
    """A film of two minutes with real highlights, one scene that only the HDR release has, and something of every state."""
    hdr_frames = tuple(_hdr_levels(frame) for frame in range(FRAMES))
    sdr_frames = tuple(_sdr_levels(frame) for frame in range(FRAMES - 120))
    controls = _setup("controls", white_nits=WHITE_NITS, gamma=2.31, loss=1.18, label="wider-range", stops=1.95)
    setups = (
        _setup("white-100", white_nits=100.0, gamma=2.4, loss=1.61, label="wider-range", stops=2.46),
        _setup("white-203", white_nits=203.0, gamma=2.4, loss=1.32, label="wider-range", stops=1.44),
        _setup("gamma-2.2", white_nits=131.0, gamma=2.2, loss=1.27, label="restrained-hdr", stops=2.08),
        _setup("gamma-2.4", white_nits=152.0, gamma=2.4, loss=1.22, label="wider-range", stops=1.86),
        _setup("gain", white_nits=151.0, gamma=2.4, loss=1.21, label="wider-range", stops=1.87),
        controls,
    )
    assert controls.difference is not None
    pairs = tuple(_pair(number) for number in range(SHOTS * 4))
    settings = Settings()
    example = r.Comparison(
        title=title,
        hdr=r.ReleaseResult(_release("hdr"), _levels("hdr"), FRAMES, ()),
        sdr=r.ReleaseResult(
            _release("sdr"), _levels("sdr"), FRAMES - 120, (r.Damage("truncated", 2760, "the file ends inside a picture"),)
        ),
        alignment=_alignment(),
        setups=setups,
        setup=controls,
        free_fit=r.FreeFit("measured", 391.2, 2.93, 0.0, 11.4, 1.2, 1.4, False),
        screens=(
            _screen("self-emissive", 800.0, 1.7, "wider-range", controls.difference),
            _screen("lcd-dim", 350.0, 0.8, "restrained-hdr", controls.difference),
        ),
        difference=controls.difference,
        headroom=r.Headroom(
            "measured",
            1.87,
            1.87,
            1.95,
            1.44,
            0.92,
            3.12,
            2.05,
            False,
            1.87,
            0.0,
            0.06,
            0.0123,
            r.Estimate(0.34, 0.22, 0.48),
            contrast=r.HighlightContrast("measured", 0.0098, 14.2, 3.3, 13.1, 0.27, 0.06, 0.83),
        ),
        recovered=r.Recovered("measured", 0.0041, 0.31, 9.2, 1.3, 2.1, 0.74),
        shadows=r.Shadows("not_applicable", None, 0.002, None, None),
        colour=r.Colour("measured", 0.0164, 0.0003, {"0-1": 0.0, "1-10": 0.004, "10-100": 0.019, "100-10000": 0.052}, 88.0, _beyond_set()),
        tone=_tone(),
        declared_checks=(
            r.DeclaredCheck("max_cll", "exceeded_by_pixels", 812.0, 934.0, False),
            r.DeclaredCheck("max_fall", "zero", None, 131.0, False),
            r.DeclaredCheck("mastering_peak", "within", 1000.0, 412.0, False),
        ),
        origin_signs=_signs(),
        viewer=r.Viewer("measured", 1.07, 1.12),
        verdict=_verdict(),
        moments=choose_moments(pairs, controls=controls, seed=settings.seed),
        pairs=pairs,
        hdr_frames=hdr_frames,
        sdr_frames=sdr_frames,
        coverage=r.Coverage("sampled", FRAMES, FRAMES - 120, FRAMES - 120, len(pairs), SHOTS, ("4 pairs of each shot were scored",)),
        versions={"pairdiff": "0.1.0", "python": "3.11.4", "numpy": "2.4.6", "av": "18.1.0"},
        settings=dataclasses.asdict(settings),
        hdr_peak=_peak(),
        contaminants=_contaminants(),
    )
    return dataclasses.replace(example, objections=list_objections(example))


def _beyond_set() -> r.BeyondSet:
    """Neon over some of the picture in a fifth of the film."""
    by_level = {"under_1_nits": 0.0, "1_to_10_nits": 0.0, "10_to_100_nits": 0.002, "100_to_300_nits": 0.0077, "over_300_nits": 0.0011}
    volumes = (2_340_000.0, 1_870_000.0, 310_000.0, 6_120_000.0)
    return r.BeyondSet("measured", 0.0142, 0.0108, by_level, 0.0077, 0.19, *volumes)


def _peak() -> r.PeakMoment:
    """The logo in front of the film holds the brightest pixel."""
    logo = r.PeakPassage(2, 22, 0.083, 0.918, 934.0, "hdr_only", ("unmatched",))
    lamp = r.PeakPassage(1800, 1801, 75.075, 75.117, 806.0, "matched", ("single_frame",))
    place = (411, 1920, "upper", 5120, 0.0008)
    return r.PeakMoment(
        "measured", 934.0, 12, 0.5005, *place, 20, 0.834, 21, "hdr_only", "before", ("unmatched",), 790.0, (logo, lamp), 1800, 75.075
    )


def _contaminants() -> r.Contaminants:
    found = (
        r.Contaminant("unmatched", "takes_no_part", 144, None, None, 0.0, 65.065, 934.0, 806.0, 161.3),
        r.Contaminant("subtitle", "masked", 31, 31, 0.012, 12.512, 101.143, 402.0, 934.0, 161.3),
        r.Contaminant("bars", "takes_no_part", FRAMES, None, 0.2556, 0.0, 120.12, None, 934.0, 161.3),
    )
    with_them = r.Headline("wider-range", 1.93, 1.24, 0.8, 0.0141, 0.37, 934.0, 161.3)
    return r.Contaminants("measured", found, with_them, r.Headline("wider-range", 1.87, 1.18, 0.79, 0.0123, 0.34, 806.0, 161.3))


def _screen(name: str, peak_nits: float, stops: float, label: str, difference: r.Difference) -> r.ScreenResult:
    numbers = (peak_nits, 0.05, 300.0, "A middling set.", "own", 1000.0, True, 143.0, 2.4, SHOTS)
    room = r.LitRoom(100.0, 0.37, 0.72, 0.73, 300.0, 0.98)
    return r.ScreenResult(name, f"a set named {name}", *numbers, difference, stops, room, label)


def make_container_example() -> r.Comparison:
    """A black-and-white film whose HDR release shows the SDR picture: most measures do not apply."""
    example = make_example(title="Lanterns at Low Water")
    nothing = r.Estimate(None, None, None)
    verdict = r.Verdict(
        label="sdr-in-hdr-container",
        words="SDR picture in an HDR container",
        sentence="The HDR release shows the same picture as the SDR release set to 203 cd/m2; no axis gains (shadows not applicable).",
        axes={"highlights": "same", "shadows": "not_applicable", "colour": "not_applicable"},
        tone="as the SDR",
        reasons=("no axis gains and tone is not regraded",),
        flips=(),
        support={"sdr-in-hdr-container": 1.0},
    )
    container = dataclasses.replace(
        example,
        verdict=verdict,
        headroom=r.Headroom(
            "measured",
            0.02,
            0.02,
            0.02,
            0.0,
            0.0,
            0.05,
            None,
            False,
            0.02,
            0.0,
            0.0,
            0.0,
            r.Estimate(0.0, 0.0, 0.04),
            contrast=r.HighlightContrast("not_applicable", 0.0, None, None, None, None, None, None),
        ),
        recovered=r.Recovered("not_applicable", None, None, None, None, None, None),
        colour=r.Colour("not_applicable", None, None, None, 1.1, r.BeyondSet("not_applicable")),
        tone=r.Tone("cannot_tell", None, None, (), (), None, None),
        viewer=r.Viewer("not_measured", None, None),
        difference=r.Difference(r.SideBySide("not_measured", None, None), r.OnItsOwn("cannot_tell", *([nothing] * 7))),
        alignment=dataclasses.replace(example.alignment, geometry=()),
    )
    return dataclasses.replace(container, objections=list_objections(container))


def make_stills(comparison: r.Comparison, *, rows: int = 90, columns: int = 160) -> tuple[StillPicture, ...]:
    """Pictures of every moment: a dusk sky, a lamp far above SDR white, a dark quay with grain."""
    drawn = [_light(number, rows=rows, columns=columns) for number in range(len(comparison.moments))]
    stills = [still for moment, both in zip(comparison.moments, drawn, strict=True) for still in _draw(moment, *both)]
    pairs = [shrink_pair(moment, hdr_nits=hdr, sdr_nits=sdr) for moment, (hdr, sdr) in zip(comparison.moments, drawn, strict=True)]
    return (*stills, *draw_curved(pairs, white_nits=WHITE_NITS))


def _light(number: int, *, rows: int, columns: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    random = np.random.default_rng(number)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32) / rows
    aspect = columns / rows
    sky = np.exp(-3.0 * (1 - y))[..., None] * np.array([70.0, 45.0, 38.0]) + np.array([2.0, 5.0, 12.0])
    ground = (y > 0.62 + 0.03 * np.sin(9 * x + number))[..., None]
    picture = np.where(ground, 0.12 * sky * (0.6 + 0.4 * np.sin(40 * x) ** 2)[..., None], sky)
    for place in range(3):
        distance = np.hypot(x - aspect * (0.25 + 0.25 * place), y - (0.4 + 0.05 * number))
        lamp = 900.0 * np.exp(-((distance / 0.035) ** 2)) + 60.0 * np.exp(-distance / 0.09)
        picture = picture + lamp[..., None] * np.array([1.0, 0.82, 0.55])
    hdr = (picture * random.normal(1.0, 0.03, picture.shape)).clip(0).astype(np.float32)
    return hdr, np.minimum(hdr, WHITE_NITS).astype(np.float32)


def _draw(moment: r.Moment, hdr: NDArray[np.float32], sdr: NDArray[np.float32]) -> tuple[StillPicture, ...]:
    difference = 90.0 * np.log10((hdr.max(axis=-1) + 1) / (sdr.max(axis=-1) + 1)).astype(np.float32) + np.float32(0.5)
    return draw_stills(
        moment,
        hdr_nits=hdr,
        sdr_nits=sdr,
        difference_jnd=difference,
        white_nits=WHITE_NITS,
        peak_nits=1000.0,
        margin_jnd=4.0,
    )


def _fact(value: object, source: str = "container and bitstream") -> r.Fact:  # type: ignore[type-arg]
    return r.Fact(value, source, source == "assumed")


def _release(side: r.Side) -> r.Release:
    hdr = side == "hdr"
    signal = r.Signal(
        transfer=_fact("pq" if hdr else "bt1886"),
        primaries=_fact("bt2020" if hdr else "bt709"),
        matrix=_fact("bt2020-ncl" if hdr else "bt709"),
        range=_fact("narrow", "bitstream"),
        bit_depth=_fact(10 if hdr else 8, "pixel format"),
        chroma_sampling=_fact("420", "pixel format"),
        chroma_siting=_fact("top-left" if hdr else "left", "bitstream" if hdr else "assumed"),
        width=_fact(3840 if hdr else 1920, "bitstream"),
        height=_fact(2160 if hdr else 1080, "bitstream"),
        sample_aspect=_fact(Fraction(1), "bitstream"),
        frame_rate=_fact(RATE, "container"),
    )
    mastering = r.Mastering((0.68, 0.32), (0.265, 0.69), (0.15, 0.06), (0.3127, 0.329), 1000.0, 0.0001, "bitstream")
    return r.Release(
        path=f"discs/salt-ferry-{side}.mkv",
        side=side,
        file_id=f"sha256-sampled:{4_812_331_007 if hdr else 1_977_204_551}:{'9c41d0e7' * 8}",
        size_bytes=4_812_331_007 if hdr else 1_977_204_551,
        container="matroska",
        codec="hevc" if hdr else "h264",
        stream_index=0,
        time_base=Fraction(1, 1000),
        start_s=Fraction(0),
        duration_s=Fraction(FRAMES) / RATE,
        signal=signal,
        declared=r.Declared(
            "present" if hdr else "absent",
            812.0 if hdr else None,
            "zero" if hdr else "absent",
            None,
            "bitstream" if hdr else None,
            mastering if hdr else None,
            ("dynamic metadata of SMPTE ST 2094-40",) if hdr else (),
        ),
        notes=("base layer only",) if hdr else ("chroma siting assumed `left`",),
    )


def _levels(side: r.Side) -> r.Levels:
    if side == "sdr":
        condition = "at white 100 cd/m2, gamma 2.4; chroma bilinear"
        return r.Levels("measured", 122.0, 31.531, 54.0, 31.531, 40.2, 100.0, 99.8, 90.1, 5.9, 0.001, 0.0, 0.0, FRAMES - 120, condition)
    return r.Levels(
        "measured", 934.0, 75.075, 161.3, 75.075, 121.0, 806.4, 611.8, 240.0, 6.1, 0.021, 0.0089, 0.0, FRAMES, "absolute; chroma bilinear"
    )


def _shape(frame: int) -> tuple[float, float]:
    shot = frame * SHOTS // FRAMES
    bright = 60.0 + 740.0 * abs(np.sin(1.7 * shot)) ** 3
    return float(bright * (1 + 0.06 * np.sin(frame / 7.0))), float(3.0 + 18.0 * abs(np.cos(1.1 * shot)))


def _hdr_levels(frame: int) -> r.FrameLevels:
    bright, mean = _shape(frame)
    time_s = float(frame / RATE)
    return r.FrameLevels(
        frame, time_s, 1.12 * bright, mean, 0.76 * mean, 1.05 * bright, bright, 0.3 * bright, 0.4 * mean, 0.02, 0.008, 0.0, bright
    )


def _sdr_levels(frame: int) -> r.FrameLevels:
    bright, mean = _shape(frame if frame < CUT[0] else frame + 120)
    top = min(bright, 100.0)
    return r.FrameLevels(
        frame, float(frame / RATE), 1.02 * top, 0.7 * mean, 0.6 * mean, top, 0.99 * top, 0.8 * top, 0.3 * mean, 0.001, 0.0, 0.0, top
    )


def _setup(name: str, *, white_nits: float, gamma: float, loss: float, label: str, stops: float) -> r.Setup:
    own = r.OnItsOwn(
        "measured",
        r.Estimate(loss, loss - 0.2, loss + 0.22),
        r.Estimate(0.51, 0.42, 0.58),
        r.Estimate(0.97, 0.91, 1.0),
        r.Estimate(0.83, 0.72, 0.91),
        r.Estimate(0.55, 0.41, 0.68),
        r.Estimate(0.9 * loss, 0.9 * loss - 0.2, 0.9 * loss + 0.2),
        r.Estimate(0.1 * loss, 0.1 * loss - 0.02, 0.1 * loss + 0.02),
    )
    difference = r.Difference(r.SideBySide("measured", 14.2 * loss, 31.0 * loss), own)
    fitted = name in ("gain", "controls")
    uncertainty = r.SetupUncertainty(4.1 if fitted else None, 0.02 if name == "controls" else None)
    return r.Setup(name, white_nits, gamma, False, uncertainty, difference, label, stops)


def _alignment() -> r.Alignment:
    geometry = r.Geometry(
        hdr_active=r.Rectangle(276, 1884, 0, 3840),
        sdr_active=r.Rectangle(138, 942, 0, 1920),
        scale_columns=2.0,
        scale_rows=2.0,
        shift_columns=0.0,
        shift_rows=0.0,
        hdr_common=(276.0, 1884.0, 0.0, 3840.0),
        sdr_common=(138.0, 942.0, 0.0, 1920.0),
        canvas_rows=804,
        canvas_columns=1920,
        pixels_per_degree=28.3,
        residual_pixels=0.08,
    )
    segments = (
        r.Segment("hdr_only", 0, 24, None, None, None, None),
        r.Segment("matched", 24, CUT[0], 0, CUT[0] - 24, 1.0, 0.99),
        r.Segment("hdr_only", *CUT, None, None, None, None),
        r.Segment("matched", CUT[1], 2700, CUT[0] - 24, 2556, 1.0, 0.98),
        r.Segment("undetermined", 2700, FRAMES, 2556, 2736, None, None),
        r.Segment("sdr_only", None, None, 2736, FRAMES - 120, None, None),
    )
    shots = tuple((number * 120, (number + 1) * 120) for number in range(SHOTS))
    return r.Alignment(0.8875, -24, 0.94, 0.31, segments, (geometry,), shots, ("credits are static and stay undetermined",))


def _tone() -> r.Tone:
    sdr = np.array([0.05, 0.2, 0.6, 1.5, 4.0, 9.0, 18.0, 35.0, 60.0, 90.0, 120.0, 138.0, WHITE_NITS])
    hdr = sdr * np.array([0.7, 0.75, 0.8, 0.86, 0.92, 0.96, 1.0, 1.02, 1.06, 1.2, 1.6, 2.6, 4.4])
    return r.Tone("measured", False, 2.1, tuple(sdr.tolist()), tuple(hdr.tolist()), 5.4, 1.9)


def _signs() -> tuple[r.OriginSign, ...]:
    ceiling = (
        "of 32 pictures of 9 shots in which the SDR reaches its top, 2.00% have their HDR top at the 140 cd/m2 the SDR set shows there"
    )
    clipped = "in 12 pictures of 4 shots whose SDR is clipped, 81% of that area is flat in the HDR beyond both noise floors"
    curve = "one curve from SDR to HDR leaves 5.4 JND, and whole shots lie 7.9 JND off it"
    return (
        r.OriginSign("level ceiling", "measured", "not_seen", 0.02, "taste", "share", 0.9, "at_least", ceiling, 32, 9),
        r.OriginSign(
            "shared clipping", "measured", "seen", 0.81, "a clip can be baked into the master", "share", 0.7, "at_least", clipped, 12, 4
        ),
        r.OriginSign(
            "code comb", "cannot_tell", "cannot_tell", None, "grain can hide one", "share", 0.3, "at_most", "a comb would be hidden", 30, 9
        ),
        r.OriginSign(
            "colour stops at the BT.709 edge", "not_measured", "cannot_tell", None, "a muted palette stays inside BT.709 by itself"
        ),
        r.OriginSign(
            "one fixed curve", "measured", "not_seen", 7.9, "the SDR can be derived from it", "JND", 6.0, "at_most", curve, 40, 10
        ),
    )


def _verdict() -> r.Verdict:
    return r.Verdict(
        label="wider-range",
        words="HDR that widens the picture",
        sentence="The HDR release reaches 1.9 stops above SDR white in its highlights in a third of the film, and colour goes slightly "
        "further; shadows do not apply.",
        axes={"highlights": "clearly_more", "shadows": "not_applicable", "colour": "slightly_more"},
        tone="as the SDR",
        reasons=(
            "highlights are clearly more: 1.87 stops against a threshold of 1.0, over 0.1 % of the picture in 34 % of matched time",
            "detail is recovered where the SDR clips: 9.2 JND against a threshold of 2",
        ),
        flips=(
            "with `headroom_clear_stops` at 2.0 instead of 1.0 the label would be `restrained-hdr`",
            "on a display with a peak of 300 cd/m2 the label would be `restrained-hdr`",
        ),
        support={"wider-range": 0.93, "restrained-hdr": 0.05, "undetermined": 0.02},
    )


def _pair(number: int) -> r.PairScore:
    shot, place = divmod(number, 4)
    frame = shot * 120 + 25 + 30 * place
    bright, mean = _shape(frame)
    loss = 0.2 + bright / 500.0
    partner = frame - 24 if frame < CUT[0] else max(frame - 144, CUT[0] - 24)
    return r.PairScore(
        hdr_frame=frame,
        sdr_frame=partner,
        hdr_time_s=float(frame / RATE),
        sdr_time_s=float(partner / RATE),
        shot=shot,
        similarity=0.95,
        hdr_p999_nits=bright,
        sdr_p999_code=0.99,
        sdr_p999_with_glints_code=0.99,
        sdr_p999_with_marks_code=0.99,
        hdr_p999_with_marks_nits=bright,
        standing_share=0.0,
        level_noise_stops=0.06,
        stops_above_white=0.02,
        hdr_mean_nits=mean,
        sdr_mean_nits=0.9 * mean,
        area_above_white_share=0.012,
        area_above_203_share=0.008,
        rms_jnd={"white-100": 21.0, "white-203": 18.0, "gamma-2.2": 17.5, "gain": 17.0, "controls": 16.0},
        preference_loss={"controls": loss, "white-100": 1.3 * loss},
        tone_part={"controls": 0.9 * loss, "white-100": 1.2 * loss},
        colour_part={"controls": 0.1 * loss, "white-100": 0.1 * loss},
        tone_shift_jnd={"white-100": 9.0, "white-203": 4.0, "gain": 2.4, "controls": 2.1},
        clipped_share=0.004,
        bright_clipped_share=0.3,
        detail_jnd=9.0,
        detail_stops=1.2,
        textured_share=0.7,
        dark_share=0.0,
        shadow_gain_jnd=None,
        shadow_gamma_jnd=None,
        shadow_gained_share=0.0,
        outside_709_share=0.016,
        outside_p3_share=0.0003,
        chroma_p99_jnd=80.0,
        curve_distance_jnd=0.4,
    )
