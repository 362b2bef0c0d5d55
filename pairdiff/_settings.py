"""The one list of options: defaults, units, help texts and where each default comes from.

The command line and the settings file (TOML, flat `name = value`) are both made from `Settings`. `own` as an origin means: this
project's choice, no outside source; change it in the settings file and the report prints what was used.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


def option(default: Any, group: str, text: str, origin: str = "own", choices: tuple[str, ...] = ()) -> Any:
    """A field of `Settings` that carries its help text, its group and the origin of its default."""
    return field(default=default, metadata={"group": group, "help": text, "origin": origin, "choices": choices})


TRANSFERS = ("pq", "hlg", "bt1886")
PRIMARIES = ("bt709", "p3-d65", "bt2020")
MATRICES = ("bt709", "bt2020-ncl", "bt601", "rgb")
RANGES = ("narrow", "full")
SITINGS = ("left", "top-left", "centre")
HDR_STILLS = ("both", "png", "avif", "none")
DECODERS = ("software", "cuda", "auto")


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that scales an answer, and every threshold. Units end the names."""

    # signal: how to read the files, where they do not say
    hdr_transfer: str | None = option(None, "signal", "Transfer of the HDR release, over what its tags say.", "user", TRANSFERS)
    hdr_primaries: str | None = option(None, "signal", "Primaries of the HDR release.", "user", PRIMARIES)
    hdr_matrix: str | None = option(None, "signal", "Y'CbCr matrix of the HDR release.", "user", MATRICES)
    hdr_range: str | None = option(
        None, "signal", "Code range of the HDR release; narrow is also called limited, TV or studio range.", "user", RANGES
    )
    hdr_siting: str | None = option(None, "signal", "Chroma siting of the HDR release.", "user", SITINGS)
    hdr_frame_rate: str | None = option(
        None,
        "signal",
        "Pictures a second of an HDR release that states none (numbered pictures, bare streams): 24, 24000/1001.",
        "user",
    )
    hdr_stream: int | None = option(None, "signal", "Number of the HDR video stream among the file's video streams, from 0.", "user")
    sdr_transfer: str | None = option(None, "signal", "Transfer of the SDR release.", "user", TRANSFERS)
    sdr_primaries: str | None = option(None, "signal", "Primaries of the SDR release.", "user", PRIMARIES)
    sdr_matrix: str | None = option(None, "signal", "Y'CbCr matrix of the SDR release.", "user", MATRICES)
    sdr_range: str | None = option(
        None, "signal", "Code range of the SDR release; narrow is also called limited, TV or studio range.", "user", RANGES
    )
    sdr_siting: str | None = option(None, "signal", "Chroma siting of the SDR release.", "user", SITINGS)
    sdr_frame_rate: str | None = option(None, "signal", "The same of an SDR release.", "user")
    sdr_stream: int | None = option(None, "signal", "Number of the SDR video stream among the file's video streams, from 0.", "user")
    hdr_linear_nits: float | None = option(
        None,
        "signal",
        "Light of the number 1 in an HDR picture of linear light, cd/m2: to be stated for OpenEXR, 203 for a gain map.",
        "user",
    )
    hlg_peak_nits: float = option(1000.0, "signal", "Peak of the display an HLG release is shown on, cd/m2.", "BT.2100 reference display")

    # set-up: what the SDR set can do
    sdr_white: float | None = option(None, "set-up", "White of the reader's own SDR set, cd/m2; adds the set-up `bench`.", "user")
    sdr_gamma: float | None = option(None, "set-up", "Gamma of the reader's own SDR set; adds the set-up `bench`.", "user")
    white_low_nits: float = option(48.0, "set-up", "Lowest white an SDR set is turned to, cd/m2.")
    white_high_nits: float = option(300.0, "set-up", "Highest white an SDR set is turned to, cd/m2.")
    gamma_low: float = option(2.0, "set-up", "Lowest gamma an SDR set offers.")
    gamma_high: float = option(2.6, "set-up", "Highest gamma an SDR set offers.")

    # displays
    displays: str = option(
        "self-emissive, lcd-bright, lcd-dim", "displays", "Home displays that both releases are shown on, by name, with commas."
    )
    own_displays: str | None = option(
        None,
        "displays",
        "Displays of yours: NAME: peak 600, black 0.02, full-field 200, reflectance 0.01; several with semicolons (cd/m2; share of light).",
        "user",
    )
    room_lux: float = option(
        100.0, "displays", "Light of the room on the screen in a lit room, lux.", "a lamp-lit living room; common practice, no source"
    )
    screen_pairs: int = option(48, "displays", "Most pairs shown on home displays.")

    # sampling
    seed: int = option(20260, "sampling", "Seed of every random choice; printed in the report.")
    pairs_per_shot: int = option(4, "sampling", "Matched pairs scored from each shot (unless --full).")
    max_pairs: int = option(240, "sampling", "Most matched pairs scored (unless --full).")
    fit_pixels_per_pair: int = option(1500, "sampling", "Pixels of each pair that the set-up fit sees.")

    # stills
    hdr_stills: str = option(
        "both",
        "stills",
        "HDR pictures of each moment, both sides at their true levels, for an HDR screen: as PNG of 16 bits, AVIF of 10 bits, both, none.",
        choices=HDR_STILLS,
    )

    # canvas and eye
    canvas_max_columns: int = option(1920, "canvas", "Widest canvas for pair scoring, pixels.")
    pixels_per_degree_2160: float = option(
        56.55, "canvas", "Pixels per visual degree of a 2160-line picture.", "geometry: 1.5 picture heights"
    )

    # matching
    min_score: float = option(0.45, "matching", "Least mean similarity for two releases to belong together.")
    anchor: str | None = option(
        None, "matching", "Moments that belong together, HDR time = SDR time, several with commas: 0:01:00=0:00:52.", "user"
    )
    only: str | None = option(None, "matching", "Passage of the HDR film to match, START-END, as times: 0:10:00-0:20:00.", "user")
    min_matched_s: float = option(1.0, "matching", "Least matched time for a verdict, seconds.")
    min_tone_jnd: float = option(20.0, "verdict", "Least range of tone, |dI| x 720, that both releases must have for a verdict.")
    min_matched_share: float = option(0.2, "matching", "Least matched share of the shorter release for a verdict.")

    # verdict thresholds
    headroom_slight_stops: float = option(0.3, "verdict", "Headroom from which highlights are `slightly_more`, stops.")
    headroom_clear_stops: float = option(1.0, "verdict", "Headroom from which highlights are `clearly_more`, stops.")
    headroom_area_share: float = option(0.001, "verdict", "Share of the picture that must reach the level.")
    headroom_time_share: float = option(0.1, "verdict", "Share of matched time that must reach the level.")
    peak_ratio_below_code: float = option(
        0.85, "verdict", "SDR 99.9th percentile signal below which the peak ratio takes the place of headroom."
    )
    mark_steady_ratio: float = option(1.25, "verdict", "Highest over lowest level, over the film, of a mark that stands still.")
    mark_most_share: float = option(0.03, "verdict", "Largest share of the picture that counts as standing marks.")
    ends_share: float = option(
        0.15, "contaminants", "Largest share of the release, at its start or its end, that logos or credits may take to be left out."
    )
    ends_above_ratio: float = option(
        1.41, "contaminants", "How far above what 95 % of the film's frames reach their level must lie, as a ratio."
    )
    left_out_most_share: float = option(
        0.5, "contaminants", "Share of the matched frames above which frames that look like none of the film's are kept all the same."
    )
    flash_frames: int = option(2, "contaminants", "Most frames in a row that count as a flash.")
    flash_ratio: float = option(2.0, "contaminants", "Frame average over that of the frames beside from which a frame is a flash.")
    flash_trace_share: float = option(
        0.05, "contaminants", "Change of the SDR frame from which a flash is the film's own, as a share of its average."
    )
    power_law_jnd: float = option(
        2.0, "verdict", "Free-fit residual, |dI| x 720, 95th percentile over tone bins, below which HDR is a power law of SDR."
    )
    power_law_gamma_most: float = option(
        2.9, "verdict", "Gamma above which a power law is steeper than any set is turned to (sets go up to 2.6 or 2.8, common practice)."
    )
    regraded_jnd: float = option(2.5, "verdict", "Shift of tone and colour at flat places, dE_ITP, from which tone is `regraded`.")
    gamut_margin_jnd: float = option(4.0, "verdict", "dE_ITP to the gamut's edge beyond which a pixel counts as outside.")
    colour_slight_share: float = option(0.005, "verdict", "Share of picture outside BT.709 from which colour is `slightly_more`.")
    colour_clear_share: float = option(0.05, "verdict", "Share of picture outside BT.709 from which colour is `clearly_more`.")
    saturated_jnd: float = option(
        45.0,
        "verdict",
        "Chroma from which a colour beyond the SDR set counts as saturated, 720 x sqrt(T^2 + P^2) (skin reaches 42 and a tungsten lamp 31 "
        "at 300 cd/m2, fire 67 at 100, the primaries of BT.709 104 to 220).",
    )
    monochrome_jnd: float = option(6.0, "verdict", "Chroma (99th percentile) below which a film counts as black-and-white.")
    clip_floor_code: float = option(
        0.95, "verdict", "Lowest SDR signal a title can be clipped at; a lower ceiling is a surface or a choice of the grade."
    )
    clip_pile_up: float = option(
        5.0, "verdict", "How many times fuller a clipped 8-bit code is than those two and three below it (bright surfaces 3, clips 15)."
    )
    clip_pile_up_shared: float = option(
        2.0, "verdict", "The same of a channel at another one's top code, against the codes two and three below and above."
    )
    clip_pile_up_spread: float = option(
        4.0,
        "verdict",
        "The same of a clip at white that coding has spread over five codes, against codes five to nine below (shoulders 2.4).",
    )
    clip_above_share: float = option(
        0.25, "verdict", "Least of such a clip above white, as a share of what lies below: coding spreads to both sides (shoulders 0.2)."
    )
    clip_concentration: float = option(
        0.5, "verdict", "Least share of a clip's three codes that its middle one holds (clips 0.7 to 0.9, bright surfaces under 0.4)."
    )
    clip_overshoot_share: float = option(
        0.25, "verdict", "Most that may lie above the top code, as a share of the pile-up: ringing and chroma of a codec."
    )
    clip_far_codes: float = option(10.0, "verdict", "Distance above the top code, 8-bit codes, that ringing does not reach.")
    clip_far_share: float = option(0.05, "verdict", "Most that may lie further above than that, as a share of the pile-up.")
    clip_least_share: float = option(1e-5, "verdict", "Least share of the title's pixels at the top code for it to be a clip.")
    clip_tolerance_codes: float = option(2.0, "verdict", "How many 8-bit codes below the title's top code still count as clipped.")
    highlight_above_stops: float = option(
        0.15, "verdict", "How far above SDR white a place must lie for highlight contrast: half the slight threshold of headroom."
    )
    clipped_share: float = option(0.001, "verdict", "Share of picture clipped in SDR from which recovered detail applies.")
    recovered_jnd: float = option(
        1.0, "verdict", "Local detail in clipped areas below which HDR counts as flat there, |dPQ| x 720; encoders leave up to 0.8."
    )
    recovered_spread: float = option(
        0.4, "verdict", "Spread of HDR level in the film's clipped areas, as a share of the headroom, below which HDR is flat there."
    )
    recovered_spread_stops: float = option(
        0.4,
        "verdict",
        "The same in stops, however large the headroom: even lamps differ by 0.7, what one curve lifted by up to 0.33.",
    )
    stretched_clip_share: float = option(0.5, "verdict", "Share of what lies above SDR white that must be SDR-clipped for `stretched`.")
    stretched_area_share: float = option(
        0.02, "verdict", "Share of the picture that must be SDR-clipped, over matched time, for `stretched`: lamps are flat in any grade."
    )
    stretched_gradual_share: float = option(
        0.06,
        "verdict",
        "Share of the rim of SDR-clipped areas that must fall off gradually for `stretched`: evenly lit surfaces have edges.",
    )
    stretched_leap_share: float = option(
        0.65, "verdict", "Share of the gain above SDR white made from 90 % of it to the SDR's top, up to which a curve can be `stretched`."
    )
    stretched_rise_codes: float = option(
        1.0,
        "verdict",
        "Rise of the SDR's signal with the HDR level inside what looks clipped, 8-bit codes, from which it is a shoulder and no clip "
        "(clips 0.3, a sky held in six codes 2.7).",
    )
    stretched_residual_jnd: float = option(6.0, "verdict", "What one tone curve may leave, |dI| x 720, and still explain the film.")
    shadow_codes: float = option(2.0, "verdict", "How many 8-bit codes above the title's darkest count as the SDR's last codes.")
    shadow_area_share: float = option(0.01, "verdict", "Share of picture at the SDR's last codes from which shadow detail applies.")
    shadow_jnd: float = option(2.0, "verdict", "Local contrast there, |dPQ| x 720, from which HDR shows detail that SDR lacks.")
    shadow_slight_share: float = option(0.02, "verdict", "Share of picture with such detail from which shadows are `slightly_more`.")
    shadow_clear_share: float = option(0.1, "verdict", "Share of picture with such detail from which shadows are `clearly_more`.")
    support_min: float = option(0.8, "verdict", "Support below which the label is `undetermined`.")
    support_draws: int = option(400, "verdict", "Draws behind the support figures.")
    threshold_spread: float = option(
        0.2, "verdict", "How far each threshold is varied in those draws, as a share of itself (of a signal: of its light)."
    )

    # limits: what a file may take of the machine
    decoder: str = option(
        "software",
        "limits",
        "What decodes: the processor (software), an NVIDIA card (cuda), or such a card where there is one (auto). The codes are the same.",
        choices=DECODERS,
    )
    decode_limit_s: float = option(20.0, "limits", "Longest that a decoder may work on one piece of a file, s; then the run is given up.")
    memory_limit_gib: float = option(8.0, "limits", "Most memory that a run may take, GiB; then it is given up.")
    picture_limit_megapixels: float = option(80.0, "limits", "Largest picture that is measured, million pixels: 8K has 33.")
