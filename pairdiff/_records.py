"""What each stage hands to the next: frozen records, in the order of the data. Facts only, no computing.

    clip -> frames -> light -> match -> score -> stills -> verdict -> writeup

Arrays are (time, row, column, channel). `None` means "there is no value"; it is never replaced by 0.
`status` is one of `measured`, `not_applicable`, `cannot_tell`, `not_measured`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Generic, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
Side = Literal["hdr", "sdr"]
LevelKind = Literal["as_defined", "without_specks", "lasting", "scored_pictures"]
"""How a highest level was taken: every pixel of every frame that counts, as CTA-861.3 defines MaxCLL; what more than
`levels.SPECK_PIXELS` pixels of a frame reach; what lasts two frames; scored pictures alone, outside what is laid over them."""
SIDES: tuple[Side, Side] = ("hdr", "sdr")
Status = Literal["measured", "not_applicable", "cannot_tell", "not_measured"]
Presence = Literal["absent", "zero", "present"]
DeclaredName = Literal["max_cll", "max_fall", "mastering_peak"]
DeclaredState = Literal[
    "absent", "zero", "agrees", "within", "above_measured", "far_above_measured", "exceeded_by_pixels", "exceeded", "cannot_tell"
]
AxisState = Literal["same", "slightly_more", "clearly_more", "cannot_tell", "not_applicable"]
FieldOrder = Literal["top", "bottom"]
StopReason = Literal["settled", "last_look", "budget", "decoded"]
SegmentKind = Literal["matched", "hdr_only", "sdr_only", "undetermined"]
ObjectionSide = Literal["defends", "doubts", "both"]
AnswerState = Literal["answered", "partly", "cannot_answer"]
Treatment = Literal["left_out", "masked", "takes_no_part", "named_only"]
T = TypeVar("T")


# ---------------------------------------------------------------- clip: what the release says it is


@dataclass(frozen=True, slots=True)
class Fact(Generic[T]):
    """One thing a release says about itself, with the place that says it."""

    value: T
    """The value; its type is the field's."""
    source: str
    """`container`, `bitstream`, `container and bitstream`, `option`, `pixel format`, `standard: ...` or `assumed`."""
    assumed: bool
    """True when nothing in the file and no option states it."""


@dataclass(frozen=True, slots=True)
class Signal:
    """How code values are to be read."""

    transfer: Fact[str]
    """`pq`, `hlg` or `bt1886`."""
    primaries: Fact[str]
    """`bt709`, `p3-d65` or `bt2020`."""
    matrix: Fact[str]
    """`bt709`, `bt2020-ncl`, `bt601` or `rgb`."""
    range: Fact[str]
    """`narrow` or `full`."""
    bit_depth: Fact[int]
    """Bits of one code value, 8 to 16."""
    chroma_sampling: Fact[str]
    """`420`, `422`, `444`, `rgb` or `grey`."""
    chroma_siting: Fact[str]
    """`left`, `top-left` or `centre` (420 and 422 only; `left` elsewhere)."""
    width: Fact[int]
    """Coded picture width, pixels."""
    height: Fact[int]
    """Coded picture height, pixels."""
    sample_aspect: Fact[Fraction]
    """Width of a pixel over its height."""
    frame_rate: Fact[Fraction | None]
    """Frames per second, exact; None when the file does not say."""


@dataclass(frozen=True, slots=True)
class GainMap:
    """How the other rendition of a picture is made of its base picture and its gain map (ISO 21496-1), red, green and blue."""

    base_headroom: float
    """Of the base picture: highest light over SDR white, stops."""
    alternate_headroom: float
    """Of the other rendition."""
    least: tuple[float, float, float]
    """Gain where the map is coded as 0, stops."""
    most: tuple[float, float, float]
    """Gain where the map is coded as 1, stops."""
    gamma: tuple[float, float, float]
    """Exponent by which the map was coded."""
    base_offset: tuple[float, float, float]
    """Light added to the base before the gain, 1 at SDR white."""
    alternate_offset: tuple[float, float, float]
    """Light taken off the other rendition after it."""
    in_base_primaries: bool
    """Whether the gain is applied in the primaries of the base; in those of the other rendition where not."""


@dataclass(frozen=True, slots=True)
class Mastering:
    """ST 2086 mastering display; a part that the file leaves out is None."""

    red_xy: tuple[float, float] | None
    green_xy: tuple[float, float] | None
    blue_xy: tuple[float, float] | None
    white_xy: tuple[float, float] | None
    max_nits: float | None
    min_nits: float | None
    source: str
    """`container`, `bitstream` or `container and bitstream`."""


@dataclass(frozen=True, slots=True)
class Declared:
    """Light levels that the release declares (CTA-861.3). Zero means unknown by the standard, and is told apart from absent."""

    max_cll_state: Presence
    max_cll_nits: float | None
    """None when absent or zero."""
    max_fall_state: Presence
    max_fall_nits: float | None
    """None when absent or zero."""
    light_level_source: str | None
    """`container`, `bitstream`, `container and bitstream`; None when absent."""
    mastering: Mastering | None
    dynamic: tuple[str, ...]
    """Dynamic metadata and second layers found, in words; none of them is applied."""


@dataclass(frozen=True, slots=True)
class Release:
    """One file and everything it says before a picture is measured."""

    path: str
    side: Side
    file_id: str
    """Size and SHA-256 over sampled blocks (or of the whole file with `--hash`), as `sha256-sampled:<size>:<hex>`."""
    size_bytes: int
    container: str
    codec: str
    stream_index: int
    """Index of the video stream in the container."""
    time_base: Fraction
    """Seconds per time stamp unit."""
    start_s: Fraction
    """Time of the first picture, seconds."""
    duration_s: Fraction | None
    """As the container says it; None when it does not."""
    signal: Signal
    declared: Declared
    notes: tuple[str, ...]
    """What a reader of the report must know: assumptions, overrides, layers not decoded."""
    field_order: FieldOrder | None = None
    """Which field comes first where pictures are put together from fields of neighbouring frames; None: frames are taken as they are."""
    field_joins: str = ""
    """A letter a frame, as in `pulldown.Pulldown`, once the film has been read: with which neighbour it is put together. Results leave it
    empty."""
    one_field: bool = False
    """Whether the top field of each frame alone is read, as a picture of half the lines: interlaced video, whose frames hold two moments.
    `signal` is then that of the field."""
    opened: str | None = None
    """The file that is read in its place, where pictures were handed on: linear light as PQ, Display P3 as BT.709, numbered OpenEXR and
    AVIF pictures as a film."""
    parts: tuple[Release, ...] = ()
    """Of several files read as one release: each of them, in order. What stands above is then of the first, size and length of all."""
    part_starts: tuple[tuple[int, Fraction], ...] = ()
    """Once the film has been read: number and time (seconds) of the first picture of each part."""
    stated_rate: Fraction | None = None
    """Pictures a second that the user states of numbered pictures or a bare stream; None where the file has times or nothing is stated."""
    changed_ns: int = 0
    """When the youngest of numbered pictures was last written, nanoseconds of the system's clock; 0 for one file. What is kept of pictures
    written since is not used again."""
    stamps_of_coding: bool = False
    """Whether the file's time stamps follow the order of coding, so that times follow from the frame rate."""
    decoder: str = "software"
    """`software` or `cuda`: what decodes; the codes are the same."""
    in_order: bool = False
    """Whether pictures are decoded one after another. A damaged stream of which several are decoded at a time comes out differently each
    time."""


# ---------------------------------------------------------------- frames: code values


@dataclass(frozen=True, slots=True)
class Frame:
    """One decoded picture as raw planes. The planes are read-only views; copy what must outlive the next frame."""

    index: int
    """Number of the picture in its release, in display order, from 0."""
    time_s: Fraction
    """Exact presentation time since the first picture, seconds."""
    planes: tuple[NDArray[np.unsignedinteger[Any]], ...]
    """Y, Cb, Cr (or R, G, B; or Y alone), each (row, column), uint8 or uint16 code values."""
    key_frame: bool
    picture_type: str
    """`I`, `P`, `B` or `?`."""


@dataclass(frozen=True, slots=True)
class Damage:
    """One fault met while decoding."""

    kind: str
    """`truncated`, `decode error`, `missing time stamp`, `missing pictures` or `corrupt picture`."""
    frame: int
    """Number of the picture before which it was met."""
    detail: str


# ---------------------------------------------------------------- match: which frame and which region


@dataclass(frozen=True, slots=True)
class Rectangle:
    """Rows and columns of a picture, stop exclusive, pixels."""

    top: int
    bottom: int
    left: int
    right: int


@dataclass(frozen=True, slots=True)
class PictureSpan:
    """A passage of one release whose picture fills the same area. Frame numbers, stop exclusive."""

    start: int
    stop: int
    area: Rectangle


@dataclass(frozen=True, slots=True)
class Segment:
    """A run of frames that belong together, or that have no partner. Frame numbers, stop exclusive."""

    kind: SegmentKind
    hdr_start: int | None
    hdr_stop: int | None
    sdr_start: int | None
    sdr_stop: int | None
    speed: float | None
    """SDR film seconds per HDR film second; None where nothing is matched."""
    confidence: float | None
    """Mean similarity of the partners' fingerprints, 0 to 1, no probability; None where nothing is matched."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """Where the common picture lies on both sides, and how the two are scaled."""

    hdr_active: Rectangle
    """Active picture of the HDR release, letterbox excluded."""
    sdr_active: Rectangle
    scale_columns: float
    """HDR pixels per SDR pixel along a row."""
    scale_rows: float
    shift_columns: float
    """HDR column of the SDR column 0 edge: hdr = shift + scale x sdr, pixel edges."""
    shift_rows: float
    hdr_common: tuple[float, float, float, float]
    """Top, bottom, left, right edge of the common picture on the HDR side, pixels, sub-pixel."""
    sdr_common: tuple[float, float, float, float]
    canvas_rows: int
    canvas_columns: int
    pixels_per_degree: float
    residual_pixels: float | None
    """Median misregistration that is left, canvas pixels; None when it could not be measured."""
    hdr_start: int = 0
    """First HDR frame it holds for."""
    hdr_stop: int | None = None
    """First HDR frame behind them; None for the end of the release."""
    common_share_hdr: float = 1.0
    """Share of the HDR picture area that the SDR release shows as well; what is missing to 1 is left out."""
    common_share_sdr: float = 1.0
    registered: bool = False
    """True where scale and shift were found on pairs of these frames alone; False where they are those of the whole title."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """The edit map: which HDR frame belongs to which SDR frame."""

    matched_share: float
    """Matched HDR frames over all HDR frames."""
    offset_frames: int
    """SDR frame number minus HDR frame number of matched frames."""
    score: float
    """Mean similarity of matched frames, -1 to 1."""
    runner_up: float
    """Score of the best offset elsewhere."""
    segments: tuple[Segment, ...]
    geometry: tuple[Geometry, ...]
    shots: tuple[tuple[int, int], ...]
    """Shots inside matched segments, HDR frame numbers, stop exclusive."""
    notes: tuple[str, ...]
    partners: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64), compare=False, repr=False)
    """SDR frame of every HDR frame that is matched, -1 for the others and for repeats that the SDR release has not, (HDR frame,)."""
    hdr_times_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)
    """Time of every HDR frame; the next field of every SDR frame."""
    sdr_times_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)


# ---------------------------------------------------------------- score: measures


@dataclass(frozen=True, slots=True)
class FrameLevels:
    """Light levels of one picture at native size; level = max of linear R, G, B, cd/m2 (CTA-861.3)."""

    frame: int
    time_s: float
    max_nits: float
    """Largest level of the active picture."""
    average_nits: float
    """Mean level over the active picture (frame average light level)."""
    average_whole_nits: float
    """Mean level over the whole coded picture, letterbox included."""
    p9999_nits: float
    p999_nits: float
    p99_nits: float
    p50_nits: float
    area_100_share: float
    """Share of the active picture above 100 cd/m2; the next two above 203 and 1000."""
    area_203_share: float
    area_1000_share: float
    wide_nits: float
    """Highest level that more than `levels.SPECK_PIXELS` pixels reach: a few bright pixels do not move it."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Light levels of a whole release."""

    status: Status
    max_cll_nits: float | None
    max_cll_time_s: float | None
    max_fall_nits: float | None
    """Largest frame average over the active picture."""
    max_fall_time_s: float | None
    max_fall_whole_nits: float | None
    """The same over the whole coded picture, letterbox included."""
    p9999_nits: float | None
    """Highest per-frame 99.99th percentile; a companion that no single bright pixel moves."""
    p999_nits: float | None
    p99_nits: float | None
    p50_nits: float | None
    """Median over frames of the per-frame median."""
    area_100_share: float | None
    area_203_share: float | None
    area_1000_share: float | None
    frames: int
    condition: str
    """`absolute`, `at a 1000 cd/m2 display`, `at white 100 cd/m2, gamma 2.4`; and the chroma filter."""


@dataclass(frozen=True, slots=True)
class SignalReading:
    """One way to read a pair, and the SDR set on which its two releases then agree in mid-tones."""

    side: Side
    """The side that is read in this way."""
    field: Literal["transfer", "range"]
    value: str
    """What the field is taken as."""
    white_nits: float
    gamma: float
    residual_jnd: float
    """What that set leaves, |dI| x 720, 95th percentile over tone bins, noise subtracted."""


@dataclass(frozen=True, slots=True)
class SignalCheck:
    """Whether the levels of a pair fit the way its signals are read."""

    status: Status
    """`cannot_tell` where the pictures hold too few tones."""
    as_read: SignalReading | None
    better: tuple[SignalReading, ...]
    """Other ways that the levels fit, the nearest first; empty where the way they are read is as good."""
    state: Literal["fits", "doubtful", "contradicted"]
    ranges: tuple[tuple[Side, str], ...]
    """Sides whose luma codes alone speak for another range, and that range."""
    cautions: tuple[str, ...] = ()
    """The same in words, for the reader."""


@dataclass(frozen=True, slots=True)
class DeclaredCheck:
    """One declared level held against the measured one; it never moves a verdict."""

    name: DeclaredName
    state: DeclaredState
    declared_nits: float | None
    measured_nits: float | None
    """MaxCLL or MaxFALL as measured; MaxCLL for the mastering peak."""
    looks_stamped: bool
    """Round figures that are far from what the picture holds: likely not measured on it."""


@dataclass(frozen=True, slots=True)
class PeakPassage:
    """A stretch of the HDR release in which its highest level is reached. Frame numbers, stop exclusive."""

    start: int
    stop: int
    start_s: float
    stop_s: float
    nits: float
    """Highest level in it."""
    passage: SegmentKind | None
    """What the edit map calls its brightest frame; None where it says nothing."""
    causes: tuple[str, ...]
    """What this stretch belongs to that is not the film's picture; keys as in `PeakMoment.causes`."""


@dataclass(frozen=True, slots=True)
class PeakMoment:
    """When and where the highest level of the HDR release (its MaxCLL) occurs, and what it belongs to."""

    status: Status
    nits: float | None
    frame: int | None
    time_s: float | None
    row: int | None
    """Of the brightest pixel in the coded picture."""
    column: int | None
    place: str | None
    """The same in words: `upper left`, `centre`, ..."""
    area_pixels: int | None
    """Of the one connected patch around it: pixels joined to it that reach `contaminants.PEAK_RATIO` of its level."""
    area_share: float | None
    """The same as a share of the active picture."""
    lasts_frames: int | None
    """Frames of the stretch around that one in which that ratio of it is reached; gaps of a few frames are closed."""
    lasts_s: float | None
    frames_reaching: int | None
    """Frames of the whole release that do."""
    passage: SegmentKind | None
    position: Literal["before", "within", "behind"] | None
    """Before the first matched frame, behind the last one, or between."""
    causes: tuple[str, ...]
    """`unmatched`, `logo_or_credits`, `flash`, `damaged_frame`, `standing_mark`, `subtitle`, `single_frame`, `speck` (no more than
    `levels.SPECK_PIXELS` pixels), in this order; empty where it is none of these."""
    usual_nits: float | None
    """Highest level that 95 % of the film's frames do not exceed; what was left out does not count."""
    passages: tuple[PeakPassage, ...]
    """Where that ratio of the peak is reached, the brightest first, no more than `contaminants.MOST_PASSAGES`."""
    film_frame: int | None = None
    """Frame of the highest level without what is not the film's picture; None where that is not the level of one frame."""
    film_time_s: float | None = None


@dataclass(frozen=True, slots=True)
class PixelPlace:
    """When and where one release has its brightest pixel."""

    nits: float
    frame: int
    time_s: float
    row: int
    """In the coded picture, as the column."""
    column: int
    place: str
    """The same in words: `upper left`, `centre`, ..."""
    area_pixels: int
    """Of the one connected patch around it that reaches `contaminants.PEAK_RATIO` of its level."""
    area_share: float
    """The same as a share of the active picture."""


@dataclass(frozen=True, slots=True)
class Contaminant:
    """One kind of thing in the files that is not the film's picture."""

    kind: str
    """A key of `PeakMoment.causes`, `damaged_partner` (SDR frames that are damaged), or `bars`."""
    treatment: Treatment
    """Frames left out of the scores; places masked in scored pictures; never scored anyway; named and still counted."""
    frames: int
    """HDR frames that hold it, as far as was looked at."""
    pictures: int | None
    """Scored pictures that it was left out of; None where it is counted in frames alone."""
    area_share: float | None
    """Share of those pictures that it covers, mean."""
    first_s: float | None
    """HDR film time of its first frame; the next field of the end of its last one."""
    last_s: float | None
    level_nits: float | None
    """Highest level of the frames that hold it; of a subtitle its own level."""
    max_cll_without_nits: float | None
    """MaxCLL of the HDR release if only this were left out."""
    max_fall_without_nits: float | None
    max_cll_kind: LevelKind = "as_defined"
    """What kind of figure the two last ones are."""


@dataclass(frozen=True, slots=True)
class Headline:
    """The figures a reader quotes."""

    label: str
    headroom_stops: float | None
    preference_loss: float | None
    notice_probability: float | None
    area_share: float | None
    """Of the picture above SDR white, mean over matched time."""
    time_share: float | None
    """Of matched time at the slight threshold or more."""
    max_cll_nits: float | None
    max_fall_nits: float | None


@dataclass(frozen=True, slots=True)
class Contaminants:
    """What in the files is not the film's picture, and the headline figures with it and without it."""

    status: Status
    found: tuple[Contaminant, ...]
    with_them: Headline | None
    """Everything counted. None where the figures were not made."""
    without_them: Headline | None
    """What the verdict rests on."""
    notes: tuple[str, ...] = ()
    max_cll_without_kinds: tuple[LevelKind, ...] = ()
    """What makes MaxCLL of `without_them` another kind of figure; empty where it counts every pixel of the frames that are left."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with the ends of its 95 % interval; an end is None where it was not estimated."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class SideBySide:
    """dE_ITP with both sets in view, pooled over pixels of scored pictures."""

    status: Status
    rms: float | None
    p95: float | None


@dataclass(frozen=True, slots=True)
class OnItsOwn:
    """What remains after adaptation to each picture: prediction of a model fitted to a published metric."""

    status: Status
    preference_loss: Estimate
    """Mean over matched time, JOD."""
    notice_probability: Estimate
    """Mean of Phi(0.6745 x loss): chance of preferring the HDR side in a blind two-way test; 0.5 is no preference."""
    share_025: Estimate
    """Share of matched time at a loss of 0.25 JOD or more; the next two at 0.5 and 1."""
    share_05: Estimate
    share_1: Estimate
    tone_part: Estimate
    """What brightness and contrast have in the mean loss, JOD; with `colour_part` it adds up to the loss."""
    colour_part: Estimate


@dataclass(frozen=True, slots=True)
class Difference:
    """The two visibilities; never mixed."""

    side_by_side: SideBySide
    on_its_own: OnItsOwn


@dataclass(frozen=True, slots=True)
class SetupUncertainty:
    """One standard deviation from resampled shots."""

    white_nits: float | None
    gamma: float | None


@dataclass(frozen=True, slots=True)
class Setup:
    """How the SDR release is shown beside the HDR one."""

    name: str
    """`white-100`, `white-203`, `gamma-2.2`, `gamma-2.4`, `gain`, `controls`, `bench` or `free`."""
    white_nits: float
    gamma: float
    at_bound: bool
    """True when the fit stopped at the edge of what the set can do."""
    uncertainty: SetupUncertainty
    difference: Difference | None
    """None until the pictures were scored at this set-up."""
    label: str | None
    """Verdict label if the case rested on this set-up alone."""
    headroom_stops: float | None = None
    """HDR level over white, or over what the SDR shows above it, reached in the stated share of matched time; None until scored."""


@dataclass(frozen=True, slots=True)
class FreeFit:
    """White, gamma and lift without bounds: a diagnostic, never a set-up.

    Light = white x ((signal + lift) / (1 + lift)) ^ gamma, the form of BT.1886; with a lift it also follows the curves of BT.709 and sRGB.
    """

    status: Status
    white_nits: float | None
    gamma: float | None
    lift: float | None
    """0 where white and gamma alone explain the picture."""
    p95_jnd: float | None
    """95th percentile over tone bins of each picture of |median dI| x 720 at that fit."""
    noise_jnd: float | None
    """Noise of the pair from pixel to pixel, |dI| x 720, one standard deviation; it cancels in `p95_jnd`."""
    peak_ratio_stops: float | None
    """log2 of HDR 99.9th percentile over what this fit makes of the SDR's, reached in 10 % of matched time."""
    power_law: bool | None
    """True when the HDR picture is the SDR picture through one power law (of the lifted signal), its highlights too."""


@dataclass(frozen=True, slots=True)
class HighlightContrast:
    """Local contrast of both pictures where HDR lies above SDR white at `controls`, noise taken off; medians over matched time by area."""

    status: Status
    """`not_applicable` where no picture has highlights above SDR white over at least the stated share."""
    area_share: float | None
    """Mean share of the picture that lies above SDR white, rims left out."""
    hdr_jnd: float | None
    """Standard deviation in windows of half a degree, |dPQ| x 720 of luminance."""
    sdr_jnd: float | None
    gain_jnd: float | None
    """HDR over SDR in power, as its root; never below 0."""
    hdr_stops: float | None
    """The same standard deviation, in stops of luminance."""
    sdr_stops: float | None
    gained_share: float | None
    """Share of the highlights where the gain is at least 1 JND."""


@dataclass(frozen=True, slots=True)
class Headroom:
    """Highlight headroom of HDR above SDR white; film value = level reached in 10 % of matched time."""

    status: Status
    stops: float | None
    """The value the verdict uses: lower of the two set-ups (or the peak ratio where `uses_peak_ratio`)."""
    stops_gain: float | None
    """Above SDR white at `gain`, or above what the SDR shows as super-white in that picture; the next at `controls`."""
    stops_controls: float | None
    stops_203: float | None
    """The same against 203 cd/m2."""
    median_stops: float | None
    highest_shot_stops: float | None
    peak_ratio_stops: float | None
    """log2 of HDR 99.9th percentile over what the SDR reaches in that picture, at `controls`."""
    uses_peak_ratio: bool
    """True where the SDR's 99.9th percentile signal stays below the stated limit, so that its white is never reached."""
    stops_with_marks: float | None
    """`stops` if marks that stand still over the whole film counted as highlights."""
    standing_share: float | None
    """Share of the picture left out because such a mark stands there."""
    noise_stops: float | None
    """Most by which noise can have lifted the level, mean over matched time."""
    area_share: float | None
    """Mean share of the picture above SDR white (`controls`) by 0.1 stops or more."""
    time_share: Estimate
    """Share of matched time with at least the slight threshold over at least the stated area."""
    area_interval: Estimate = Estimate(None, None, None)
    """`area_share` with the ends of its interval."""
    stops_interval: Estimate = Estimate(None, None, None)
    """`stops` with the ends of its interval: shots resampled, the set refitted on them."""
    contrast: HighlightContrast | None = None
    """What the highlights hold beside what the SDR shows there; None in results made by hand."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """HDR detail where the SDR is clipped, per channel; never below 0."""

    status: Status
    clipped_share: float | None
    """Mean share of the picture that is clipped in the SDR (any channel)."""
    bright_clipped_share: float | None
    """Share of what lies above SDR white (at `controls`; area x stops) that is in SDR-clipped areas."""
    detail_jnd: float | None
    """Median of HDR minus SDR local contrast in clipped areas, above both noise floors, |dPQ| x 720; pictures by clipped area."""
    detail_stops: float | None
    """Spread (5th to 95th percentile) of HDR level inside clipped areas, stops; median over pictures by clipped area."""
    film_stops: float | None
    """The same spread over all clipped areas of the film together: one curve gives one level, light gives many."""
    textured_share: float | None
    """Share of the clipped area where that detail is at least 1."""
    gradual_rim_share: float | None = None
    """Share of the rim round clipped areas (0.3 degrees outside) at which the SDR is hardly darker than in them: what is evenly lit ends
    at an edge, what is cut goes on below the cut. None in results of before it was measured."""
    rise_codes: float | None = None
    """How far the SDR's signal rises with the HDR level where all channels are clipped, 8-bit codes: what is clipped does not, a shoulder
    that ends within a few codes does. None where no white is clipped, and in results of before it was measured."""


@dataclass(frozen=True, slots=True)
class Shadows:
    """Shadow detail that SDR lacks, where it lies at its last codes above black."""

    status: Status
    gain_jnd: float | None
    """Median there over matched time, |dPQ| x 720, at the SDR gamma that leaves the least."""
    dark_share: float | None
    """Share of the picture where the SDR lies at its last codes, mean over matched time."""
    gained_share: float | None
    """Share of the picture that gains at least `shadow_jnd`, the level reached in a tenth of matched time."""
    gamma_jnd: float | None
    """By how much the choice of the SDR gamma moves the gain, median, |dPQ| x 720."""


@dataclass(frozen=True, slots=True)
class BeyondSet:
    """Colours that the HDR release reaches and the SDR set at `controls` cannot show; `score/colour_volume.py` says how they are told."""

    status: Status
    """`not_applicable` for a black-and-white film."""
    beyond_share: float | None = None
    """Mean share of the picture beyond the set's colour volume by more than the margin, bright neutral light included."""
    saturated_share: float | None = None
    """Mean share of the picture that is beyond it and saturated."""
    saturated_by_level: Mapping[str, float] | None = None
    """The same by luminance band (key names the band in cd/m2)."""
    saturated_100_to_300_share: float | None = None
    """Of it what has 100 to 300 cd/m2."""
    saturated_100_to_300_time_share: float | None = None
    """Share of matched time with such colour over at least the area that headroom asks for."""
    hdr_volume_jnd3: float | None = None
    """Volume of the colours that the film reaches, JND^3 of dE_ITP."""
    sdr_volume_jnd3: float | None = None
    """The same of the SDR release at `controls`."""
    beyond_volume_jnd3: float | None = None
    """Of the HDR's what lies beyond the set."""
    set_volume_jnd3: float | None = None
    """All that the set at `controls` can show."""


@dataclass(frozen=True, slots=True)
class Colour:
    """Picture outside a gamut by more than the stated margin."""

    status: Status
    outside_709_share: float | None
    outside_p3_share: float | None
    outside_709_by_level: Mapping[str, float] | None
    """Share of the picture outside BT.709, by luminance band (key names the band in cd/m2)."""
    chroma_p99_jnd: float | None
    """99th percentile of chroma, 720 x sqrt(T^2 + P^2); tells a black-and-white picture."""
    beyond_set: BeyondSet | None = None
    """Against what the SDR set can show; None in results made by hand."""


@dataclass(frozen=True, slots=True)
class Tone:
    """How SDR intensity maps to HDR intensity."""

    status: Status
    regraded: bool | None
    shift_median_jnd: float | None
    """Shift of tone and colour between both pictures at flat places, dE_ITP, at `controls`; `regraded` rests on it."""
    curve_sdr_nits: tuple[float, ...]
    """Monotone title curve: SDR intensity at `controls` as cd/m2 of the equal grey."""
    curve_hdr_nits: tuple[float, ...]
    residual_p95_jnd: float | None
    """What one curve for the film leaves, |dI| x 720: 95th percentile over tone bins of each picture of the median, with its sign."""
    shot_spread_jnd: float | None
    """Standard deviation between shots of their median distance from the title curve."""


@dataclass(frozen=True, slots=True)
class OriginSign:
    """A sign of SDR origin: supports a verdict, never makes one."""

    name: str
    status: Status
    state: Literal["seen", "not_seen", "cannot_tell"]
    value: float | None
    innocent: str
    """The innocent explanation, always printed."""
    unit: str = "share"
    """Of value and limit: `share` or `JND`."""
    limit: float | None = None
    """What the value is held against."""
    seen_when: Literal["at_least", "at_most"] = "at_least"
    """On which side of the limit the sign is seen, other conditions of it given."""
    found: str = ""
    """What was found, in words."""
    pictures: int = 0
    """Pictures that were counted, and the shots they come from."""
    shots: int = 0


@dataclass(frozen=True, slots=True)
class Viewer:
    """The viewer's side."""

    status: Status
    sdr_reserve_stops: float | None
    """log2(set's SDR white limit / `controls` white)."""
    light_ratio: float | None
    """Mean light of HDR over SDR at its set-up."""


@dataclass(frozen=True, slots=True)
class PairScore:
    """Everything measured on one matched pair; the film's figures are pooled from these."""

    hdr_frame: int
    sdr_frame: int
    hdr_time_s: float
    sdr_time_s: float
    shot: int
    similarity: float
    hdr_p999_nits: float
    """99.9th percentile of max(R, G, B) on the canvas, less what noise can add, without standing marks."""
    sdr_p999_code: float
    """The same of the SDR signal, 0 to 1 (super-white above 1, that of a pixel or two left out)."""
    sdr_p999_with_glints_code: float
    """`sdr_p999_code` with super-white of a pixel or two, which can be ringing."""
    hdr_p999_with_marks_nits: float
    sdr_p999_with_marks_code: float
    """The two levels with standing marks."""
    standing_share: float
    """Share of the picture left out of the levels because a mark stands there through the film."""
    level_noise_stops: float
    """Most by which noise can have lifted the HDR level."""
    hdr_mean_nits: float
    sdr_mean_nits: float
    """At `controls`."""
    stops_above_white: float
    """Mean over the picture of the stops by which HDR lies above SDR white (`controls`), 0 below it."""
    area_above_white_share: float
    """Of SDR white at `controls`, by 0.1 stops or more."""
    area_above_203_share: float
    rms_jnd: Mapping[str, float]
    """Root mean square dE_ITP by set-up name."""
    preference_loss: Mapping[str, float]
    """JOD by set-up name; `controls` always there."""
    tone_part: Mapping[str, float]
    """What brightness and contrast have in the loss, JOD by set-up name; with `colour_part` it adds up to the loss."""
    colour_part: Mapping[str, float]
    tone_shift_jnd: Mapping[str, float]
    """Shift of tone and colour at flat places, dE_ITP, by set-up name, and under `free` at the free fit."""
    clipped_share: float
    bright_clipped_share: float | None
    detail_jnd: float | None
    detail_stops: float | None
    textured_share: float | None
    dark_share: float
    """Share of the picture where the SDR lies at its last codes above black."""
    shadow_gain_jnd: float | None
    shadow_gamma_jnd: float | None
    shadow_gained_share: float
    """Share of the picture with at least `shadow_jnd` of shadow detail that SDR lacks."""
    outside_709_share: float
    outside_p3_share: float
    chroma_p99_jnd: float
    curve_distance_jnd: float
    """Median distance of HDR intensity from the title curve, signed."""
    highlight_share: float = 0.0
    """Share of the picture above SDR white at `controls`, rims left out; the next five are its local contrast, None without."""
    contrast_hdr_jnd: float | None = None
    contrast_sdr_jnd: float | None = None
    contrast_gain_jnd: float | None = None
    contrast_hdr_stops: float | None = None
    contrast_sdr_stops: float | None = None
    contrast_gained_share: float | None = None
    gradual_rim_share: float | None = None
    """`Recovered.gradual_rim_share` of this picture."""
    rise_codes: float | None = None
    """`Recovered.rise_codes` of this picture."""


@dataclass(frozen=True, slots=True)
class LitRoom:
    """What the light of a room takes from the shadows on a display: median over pictures of the share of their steps that is left."""

    room_lux: float
    veil_nits: float
    """Black of the display and reflection of the room together, cd/m2."""
    hdr_shadows_kept_share: float | None
    """The HDR picture cannot be turned up; None where no picture has shadows."""
    sdr_shadows_kept_share: float | None
    """At the set-up of the dark room."""
    sdr_turned_up_nits: float
    """White of the SDR set turned up as far as set and display go, cd/m2."""
    sdr_turned_up_shadows_kept_share: float | None
    """With that white; above 1 where it more than makes good for the veil."""


@dataclass(frozen=True, slots=True)
class ScreenResult:
    """Both releases on one home display in a dark room, and their shadows in a lit one."""

    name: str
    words: str
    peak_nits: float
    black_nits: float
    full_field_nits: float | None
    """What the display manages over its whole area, cd/m2; not modelled."""
    reasoning: str
    """Why these numbers."""
    origin: str
    source_peak_nits: float
    """Peak that PQ pictures are rolled off from, cd/m2."""
    rolls_off: bool
    """Whether the HDR picture is changed on its way to this display."""
    white_nits: float
    """Of the SDR set: `controls`, no higher than the display's peak."""
    gamma: float
    pairs: int
    """Pairs that were shown on it."""
    difference: Difference
    headroom_stops: float
    """Of the brightest pixels as shown, over SDR white there; reached in the stated share of matched time."""
    lit_room: LitRoom
    label: str | None
    """Verdict label if the case rested on this display."""


# ---------------------------------------------------------------- stills, verdict


@dataclass(frozen=True, slots=True)
class Moment:
    """A matched pair that was chosen to be shown."""

    rule: str
    """`most different`, `brightest`, `typical`, `random` or `asked for`."""
    reason: str
    """The rule in words with the figure that chose it."""
    hdr_frame: int
    sdr_frame: int
    hdr_time_s: float
    sdr_time_s: float
    hdr_picture_type: str
    sdr_picture_type: str
    shot: int
    loss: float | None = None
    """Preference loss of that pair at `controls`, JOD; None where it was not scored."""
    published_loss: float | None = None
    """The same by the published metric's own package; None where that is not installed."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One sentence and what carries it."""

    label: str
    words: str
    sentence: str
    axes: Mapping[str, AxisState]
    """`highlights`, `shadows`, `colour`."""
    tone: str
    """`regraded`, `as the SDR` or `cannot tell`."""
    reasons: tuple[str, ...]
    flips: tuple[str, ...]
    """What would change the label: threshold, display or set-up."""
    support: Mapping[str, float]
    """Share of draws that gave each label."""


@dataclass(frozen=True, slots=True)
class Objection:
    """A standard objection to a comparison, and what the numbers of this run answer to it."""

    name: str
    objection: str
    """One neutral sentence."""
    raised_by: ObjectionSide
    """The side of the argument that usually raises it."""
    state: AnswerState
    answer: str
    """One to three sentences with the figures of this run, or why it has none."""
    changes: str
    """What would change the answer."""


# ---------------------------------------------------------------- writeup: the whole result


@dataclass(frozen=True, slots=True)
class ReleaseResult:
    """One side of a comparison."""

    release: Release
    levels: Levels
    frames: int
    """Pictures decoded."""
    damage: tuple[Damage, ...]


@dataclass(frozen=True, slots=True)
class SurveyCoverage:
    """What a survey read, and why it stopped."""

    looks: int
    """Looks taken at the figures; the next field of those that there are at most."""
    most_looks: int
    stopped: StopReason
    """The label was settled; all windows were read; the time or the pictures that it may take were spent."""
    windows: int
    """Windows drawn; the next field of those that were found in the SDR release."""
    windows_found: int
    decoded_frames: int
    """Of both releases together."""
    confidence: float
    """Of each interval at each look; together they hold in 95 of 100 or more."""
    undetermined_share: float
    """HDR frames between windows that do not agree, or at the ends, over all HDR frames."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much was looked at."""

    mode: Literal["full", "sampled", "survey"]
    """`survey`: the releases were not read whole; frame numbers are those of even pictures at the stated rate."""
    hdr_frames: int
    sdr_frames: int
    matched_frames: int
    scored_pairs: int
    shots: int
    """Shots that the pairs come from; of a survey its windows."""
    notes: tuple[str, ...]
    survey: SurveyCoverage | None = None
    """None where the releases were read whole."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What `pairdiff.compare` returns and `result.json` holds."""

    title: str
    hdr: ReleaseResult
    sdr: ReleaseResult
    alignment: Alignment
    setups: tuple[Setup, ...]
    setup: Setup
    """The `controls` one."""
    free_fit: FreeFit
    screens: tuple[ScreenResult, ...]
    """Both releases on home displays."""
    difference: Difference
    headroom: Headroom
    recovered: Recovered
    shadows: Shadows
    colour: Colour
    tone: Tone
    declared_checks: tuple[DeclaredCheck, ...]
    """Of the HDR release."""
    origin_signs: tuple[OriginSign, ...]
    viewer: Viewer
    verdict: Verdict
    moments: tuple[Moment, ...]
    pairs: Sequence[PairScore]
    hdr_frames: Sequence[FrameLevels]
    sdr_frames: Sequence[FrameLevels]
    coverage: Coverage
    versions: Mapping[str, str]
    settings: Mapping[str, Any]
    """Every setting with its value, as printed in the report."""
    objections: tuple[Objection, ...] = ()
    """The standard objections with this run's answers; made last, from all that stands above."""
    hdr_peak: PeakMoment | None = None
    """None in results that were not asked where their peak lies."""
    contaminants: Contaminants | None = None
    signal_check: SignalCheck | None = None
    """None in results that were not asked whether their levels fit their tags."""
    steps: Mapping[str, int] = field(default_factory=dict)
    """Version of each step; one that changes makes results of before and after it worth a re-run."""
    measured_versions: Mapping[str, str] | None = None
    """What ran when it was measured, where it was concluded from that later and something else ran; None where `versions` says it."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """What `pairdiff.measure` returns: one release alone."""

    result: ReleaseResult
    active: Rectangle
    frames: Sequence[FrameLevels]
    versions: Mapping[str, str]
    settings: Mapping[str, Any]
    peak: PixelPlace | None = None
    """Its brightest pixel; None where that was not looked for."""


@dataclass(frozen=True, slots=True)
class PictureComparison:
    """What `pairdiff.compare_pictures` returns: the same measures for pictures already in memory."""

    setup: Setup
    setups: tuple[Setup, ...]
    free_fit: FreeFit
    difference: PictureDifference
    headroom: Headroom
    recovered: Recovered
    shadows: Shadows
    colour: Colour
    tone: Tone
    origin_signs: tuple[OriginSign, ...]
    viewer: Viewer
    verdict: Verdict
    pictures: tuple[PictureComparison, ...]
    """For a stack: each picture at the joint set-up; empty for a single picture."""


@dataclass(frozen=True, slots=True)
class PictureSideBySide:
    """dE_ITP over the pixels of the picture."""

    rms: float
    p95: float


@dataclass(frozen=True, slots=True)
class PictureOnItsOwn:
    """Model prediction for the picture."""

    preference_loss: float
    notice_probability: float
    tone_part: float
    """What brightness and contrast have in the loss, JOD; with `colour_part` it adds up to the loss."""
    colour_part: float


@dataclass(frozen=True, slots=True)
class PictureDifference:
    """The two visibilities of one picture (mean over a stack)."""

    side_by_side: PictureSideBySide
    on_its_own: PictureOnItsOwn


@dataclass(frozen=True, slots=True)
class FileCheck:
    """What became of one file."""

    file: str
    state: Literal["as written", "written again", "changed", "missing", "not readable"]
    """`written again`: other bytes, the same light to within the stated share."""
    detail: str

    @property
    def holds(self) -> bool:
        """Whether what the file says still holds."""
        return self.state in ("as written", "written again")
