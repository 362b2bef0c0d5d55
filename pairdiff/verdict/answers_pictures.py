"""Answers to objections about the pictures: light, colour, tone, shadows, and what the files declare about them."""

from __future__ import annotations

import math
from collections.abc import Callable

from pairdiff._records import AnswerState, BeyondSet, Comparison, PairScore, Presence
from pairdiff.score.declared import agrees_with
from pairdiff.score.tone import shift_of_shots_jnd
from pairdiff.verdict.answer import (
    STATUS_WORDS,
    Answer,
    capital,
    count,
    has_headroom,
    headroom_limits,
    join,
    quote,
    say_axis,
    say_distance,
    say_least,
    say_limits,
    say_room,
    setting,
)
from pairdiff.verdict.figures import (
    say_decimals,
    say_declared_nits,
    say_gamma,
    say_jnd,
    say_nits,
    say_number,
    say_share,
    say_stops,
    say_volume,
)
from pairdiff.verdict.judge import crosses_without_noise

SHADOW_CODE = 0.05
"""SDR signal at which the doubt that the set's gamma leaves in the shadows is stated (own)."""
GAMMA_ROOMS = (2.2, 2.4)
"""Gammas of sets in a lit and in a dark room; their distance is stated beside that doubt (the second BT.1886, the first own)."""
DECLARED_WORDS = {"max_cll": "MaxCLL", "max_fall": "MaxFALL", "mastering_peak": "mastering peak"}
MORE_TONE = "More matched pictures with tones between dark and bright."


def answer_intent(comparison: Comparison) -> Answer:
    """What was meant is no figure; what can be seen is."""
    found = comparison.origin_signs
    seen, open_signs = (sum(sign.state == state for sign in found) for state in ("seen", "cannot_tell"))
    measured = any(sign.status == "measured" for sign in found)
    told = f"of {count(len(found), 'sign')} of SDR origin {seen} seen and {open_signs} open"
    signs = told if measured else "signs of SDR origin not measured"
    open_ = comparison.verdict.label == "undetermined"
    room = f"highlights {say_room(comparison)}" if has_headroom(comparison) else "highlight headroom not measured"
    return Answer(
        "cannot_answer",
        f"Two files do not tell what was meant, and no label is about it. They tell what can be seen: "
        f"{'which label fits is open' if open_ else quote(comparison.verdict.label)}; {room}; {signs}. That holds whatever was meant.",
        "No figure of this report; a statement about the aim is evidence of another kind and can stand beside the figures.",
    )


def answer_another_grade(comparison: Comparison) -> Answer:
    """The shift of tone, and how one curve follows it."""
    tone, limit = comparison.tone, f"{setting(comparison, 'regraded_jnd'):g} JND"
    if tone.status != "measured" or tone.shift_median_jnd is None:
        answer = f"The relation of tones {STATUS_WORDS[tone.status]}, so nothing here says whether the grade is another one."
        return Answer("cannot_answer", answer, MORE_TONE)
    spread = (
        ""
        if tone.shot_spread_jnd is None
        else f", and shots lie {say_jnd(tone.shot_spread_jnd)} around that curve (one standard deviation)"
    )
    regraded = comparison.verdict.tone == "regraded"
    outcome = "another grade, which by itself is not more range" if regraded else "the grade of the SDR release on an adjusted set"
    return Answer(
        "answered",
        f"At flat places tone and colour are shifted by {say_jnd(tone.shift_median_jnd)} at controls, the median over matched time "
        f"(another grade from {limit}{_shots_shift(comparison)}). One tone curve for the film leaves "
        f"{say_jnd(tone.residual_p95_jnd)}{spread}. It counts as {outcome}.",
        f"A shift on the other side of {limit}. A shift that one power law explains is that of a set, and no other grade.",
    )


def _shots_shift(comparison: Comparison) -> str:
    """The shots with the least and the most shift, and how many lie above the limit."""
    shots = shift_of_shots_jnd(comparison.pairs, "controls")
    if len(shots) < 2:
        return ""
    above = sum(one >= setting(comparison, "regraded_jnd") for one in shots)
    return f"; shots: {say_jnd(min(shots))} to {say_jnd(max(shots))}, {above} of {len(shots)} above it, what the SDR clips left out"


def answer_average_brightness(comparison: Comparison) -> Answer:
    """Mean light and headroom, apart."""
    ratio = comparison.viewer.light_ratio
    light = "" if ratio is None else f"the mean light of the HDR release is {say_number(ratio)} times that of the SDR release at controls"
    highlights = f"the highlights reach {say_room(comparison)}" if has_headroom(comparison) else ""
    parts = [part for part in (light, highlights) if part]
    missing = [name for name, part in (("mean light", light), ("highlight headroom", highlights)) if not part]
    states: tuple[AnswerState, ...] = ("cannot_answer", "partly", "answered")
    sentences = ["Average brightness takes no part in the label."]
    sentences += [f"Measured apart: {join(parts)}."] if parts else []
    sentences += [f"Not measured: {join(missing)}."] if missing else []
    brighter = next((one.headroom_stops for one in comparison.setups if one.name == "white-203"), None)
    turned = "" if brighter is None else f"; on a set at 203 cd/m2 the highlights reach {say_stops(brighter)}"
    return Answer(states[len(parts)], " ".join(sentences), f"Both are taken at the fitted set, and another white moves both{turned}.")


def answer_peaks_high(comparison: Comparison) -> Answer:
    """One pixel against a part of the picture in a part of the time."""
    levels, room = comparison.hdr.levels, comparison.headroom
    known = levels.max_cll_nits is not None
    peak = f"The brightest pixel is {say_nits(levels.max_cll_nits)}, and one pixel moves no label. " if known else ""
    if not has_headroom(comparison):
        answer = f"{peak}Headroom over the SDR set {STATUS_WORDS[room.status]}."
        return Answer("partly" if known else "cannot_answer", answer, "A measured headroom.")
    area, time = (say_share(setting(comparison, f"headroom_{name}_share")) for name in ("area", "time"))
    law = " One power law turns the SDR picture into this one, peaks included." if comparison.free_fit.power_law else ""
    flat = " Where they lie the SDR is clipped and the HDR is flat." if comparison.verdict.label == "stretched-sdr" else ""
    return Answer(
        "answered",
        f"{peak}What counts is what {area} of the picture reaches in {time} of matched time: {say_room(comparison)} "
        f"({say_limits(comparison)}).{law}{flat}",
        say_distance(comparison),
    )


def answer_peaks_low(comparison: Comparison) -> Answer:
    """The distance to the SDR set counts, not an absolute peak."""
    levels, room, axes = comparison.hdr.levels, comparison.headroom, comparison.verdict.axes
    if not has_headroom(comparison):
        return Answer("cannot_answer", f"Headroom over the SDR set {STATUS_WORDS[room.status]}.", "A measured headroom.")
    above = levels.area_1000_share
    absolute = "" if above is None else f"{capital(say_share(above))} of the picture lies above 1000 cd/m2, and no label asks for that. "
    time = room.time_share.value
    reached = "" if time is None else f", and in {say_share(time)} of matched time they are at least slightly more"
    return Answer(
        "answered",
        f"{absolute}What counts is how far the highlights go: {say_room(comparison)} ({say_limits(comparison)}){reached}. "
        f"Other gains count apart: {say_axis(axes, 'shadows')}, {say_axis(axes, 'colour')}.",
        say_distance(comparison),
    )


def answer_gamut(comparison: Comparison) -> Answer:
    """Shares outside two gamuts, by more than a margin."""
    colour, margin = comparison.colour, setting(comparison, "gamut_margin_jnd")
    changes = f"Another margin: only what lies {margin:g} JND or more beyond the edge of a gamut counts."
    if colour.status == "not_applicable":
        limit = f"{setting(comparison, 'monochrome_jnd'):g} JND"
        chroma = "" if colour.chroma_p99_jnd is None else f" (chroma {say_jnd(colour.chroma_p99_jnd)}, limit {limit})"
        answer = f"The picture is black-and-white{chroma}, so colour takes no part."
        return Answer("answered", answer, f"Chroma above {limit}, 99th percentile.")
    if colour.status != "measured" or colour.outside_709_share is None:
        return Answer("cannot_answer", f"Colour {STATUS_WORDS[colour.status]}, so nothing here says how far the colours go.", changes)
    slight, clear = (say_share(setting(comparison, f"colour_{name}_share")) for name in ("slight", "clear"))
    beyond = colour.beyond_set
    least = setting(comparison, "colour_slight_share")
    where = _in_shots(comparison, lambda pair: pair.outside_709_share >= least)
    return Answer(
        "answered",
        f"{capital(say_share(colour.outside_709_share))} of the picture lies outside BT.709 by more than {margin:g} JND, and "
        f"{say_share(colour.outside_p3_share)} outside P3: {say_axis(comparison.verdict.axes, 'colour')} (slightly more from {slight}, "
        f"clearly more from {clear}){where}. Colour alone is named, and is not called a wider range."
        f"{'' if beyond is None else _say_beyond(beyond)}",
        changes,
    )


def _say_beyond(beyond: BeyondSet) -> str:
    """What the SDR set cannot show of the film's colours, whether it lies inside BT.709 or not."""
    if beyond.status != "measured":
        return ""
    return (
        f" The fitted SDR set cannot show the saturated colour of {say_share(beyond.saturated_share)} of the picture (at 100 to 300 cd/m2 "
        f"{say_share(beyond.saturated_100_to_300_share)}, in {say_share(beyond.saturated_100_to_300_time_share)} of matched time), and "
        f"{say_volume(beyond.beyond_volume_jnd3)} of the {say_volume(beyond.hdr_volume_jnd3)} of colour that the film reaches lie beyond."
    )


def answer_shadows(comparison: Comparison) -> Answer:
    """The gain, and the doubt that the gamma of the SDR set leaves."""
    shadows, spread = comparison.shadows, comparison.setup.uncertainty.gamma
    codes = f"{setting(comparison, 'shadow_codes'):g} codes of its darkest"
    rooms = say_decimals(_gamma_stops(GAMMA_ROOMS[1] - GAMMA_ROOMS[0]), 2)
    fitted = "" if spread is None else f"; the fitted gamma is sure to {say_least(_gamma_stops(spread))} stops there"
    doubt = (
        f"Gamma {GAMMA_ROOMS[0]:g} for {GAMMA_ROOMS[1]:g} moves {say_share(SHADOW_CODE)} signal of the SDR side by {rooms} stops{fitted}."
    )
    if shadows.status == "not_applicable":
        found = "too little" if shadows.dark_share is None else f"{say_share(shadows.dark_share)}"
        least = say_share(setting(comparison, "shadow_area_share"))
        answer = f"The SDR release lies within {codes} over {found} of the picture, and counts as lacking something from {least}. {doubt}"
        return Answer("answered", answer, "A brighter shadow that the SDR release holds as well is tone, and no gain at any gamma.")
    if shadows.status != "measured" or shadows.gain_jnd is None:
        answer = f"Shadow detail {STATUS_WORDS[shadows.status]}, and counts as no gain. {doubt}"
        return Answer("cannot_answer", answer, "Shadow detail, once measured, could add a gain.")
    moved = "" if shadows.gamma_jnd is None else f" (the choice of gamma moves it by {say_jnd(shadows.gamma_jnd)})"
    enough = setting(comparison, "shadow_jnd")
    slight, clear = (say_share(setting(comparison, f"shadow_{name}_share")) for name in ("slight", "clear"))
    axis = say_axis(comparison.verdict.axes, "shadows")
    return Answer(
        "answered" if shadows.gamma_jnd is not None and shadows.gamma_jnd < enough else "partly",
        f"Where the SDR release lies within {codes}, the HDR release holds {say_jnd(shadows.gain_jnd)} of detail more, at the SDR gamma "
        f"that leaves the least{moved}. It counts from {enough:g} JND, over {say_share(shadows.gained_share)} of the picture: {axis} "
        f"(slightly more from {slight}, clearly more from {clear}). {doubt}",
        "The gamma of a real set, stated with --sdr-white and --sdr-gamma; a brighter shadow that the SDR release holds as well is tone.",
    )


def _gamma_stops(gammas: float) -> float:
    """By how much a step of gamma moves the light of `SHADOW_CODE`, stops."""
    return abs(gammas * math.log2(SHADOW_CODE))


def answer_one_curve(comparison: Comparison) -> Answer:
    """What one curve leaves, and that it has no direction."""
    tone, free = comparison.tone, comparison.free_fit
    if tone.residual_p95_jnd is None and free.p95_jnd is None:
        return Answer("cannot_answer", "Neither the tone curve nor the free fit was measured.", MORE_TONE)
    limit, law_limit = (f"{setting(comparison, name):g} JND" for name in ("stretched_residual_jnd", "power_law_jnd"))
    found = []
    if tone.residual_p95_jnd is not None:
        found.append(f"one curve for the film leaves {say_jnd(tone.residual_p95_jnd)} (it explains the picture up to {limit})")
    if free.p95_jnd is not None:
        highlights = f" and {say_stops(free.peak_ratio_stops)} of highlights" if free.peak_ratio_stops is not None else ""
        found.append(f"one power law leaves {say_jnd(free.p95_jnd)} (limit {law_limit}){highlights}")
    gains = comparison.verdict.axes.get("highlights") in ("slightly_more", "clearly_more")
    more = gains and comparison.verdict.label != "stretched-sdr"
    curved = tone.residual_p95_jnd is None or tone.residual_p95_jnd <= setting(comparison, "stretched_residual_jnd")
    seen = comparison.recovered
    held = seen.status == "measured" and (seen.film_stops or 0.0) >= setting(comparison, "recovered_spread_stops")
    outcome = "and either way would give such a pair"
    if not curved:
        outcome = "and no one curve explains this pair"
    elif more and held:
        outcome = "but where the SDR is clipped the HDR holds more than one level, which no one curve makes of it"
    elif more:
        outcome = "and highlights that lie above the SDR's can have been taken away by one or drawn up by the other"
    detailed = (seen.detail_jnd or 0.0) >= setting(comparison, "recovered_jnd")
    return Answer(
        "answered" if (more and held and detailed) or not curved else "partly",
        f"{capital(join(found))}. Which of the two was made first cannot be read from that, {outcome}. The label says what the HDR "
        "release shows more of, not which came first.",
        "Detail that the SDR release has not would settle it; a curve by itself never does, and a curve that differs from place to "
        "place or from shot to shot (a gain map, a power window) makes several levels of one.",
    )


def answer_layers(comparison: Comparison) -> Answer:
    """What is carried and was not applied."""
    sides = (comparison.hdr.release, comparison.sdr.release)
    carried = [f"the {side.side.upper()} release carries {words}" for side in sides for words in side.declared.dynamic]
    if not carried:
        return Answer(
            "answered",
            "Neither release carries any that was found (0 met), so nothing that these files carry was left out.",
            "A copy of the release with them.",
        )
    answer = f"That is so: {join(carried)}. It was not applied; the base layer alone was measured."
    return Answer("cannot_answer", answer, "A measurement with them applied, which this version does not make.")


def answer_stretched(comparison: Comparison) -> Answer:
    """What the HDR holds where the SDR is clipped; or one power law."""
    found, free = comparison.recovered, comparison.free_fit
    if free.power_law:
        above = (comparison.headroom.stops or 0.0) >= setting(comparison, "headroom_slight_stops")
        steep = above and (free.gamma or 0.0) > setting(comparison, "power_law_gamma_most")
        outcome = "steeper than any set is turned to, so that either can have been made from the other" if steep else ""
        answer = (
            f"One power law (white {say_nits(free.white_nits)}, gamma {say_gamma(free.gamma)}) turns the SDR picture into the HDR one; it "
            f"leaves {say_jnd(free.p95_jnd)} and {say_stops(free.peak_ratio_stops)} of highlights: "
            f"{outcome or 'the same picture at another brightness'}."
        )
        return Answer("partly" if steep else "answered", answer, f"A rest of {setting(comparison, 'power_law_jnd'):g} JND or more.")
    if found.status == "not_applicable":
        answer = (
            "The SDR release is clipped nowhere over enough of the picture, so there is no place where stretched highlights would be flat."
        )
        return Answer("partly", answer, "An SDR release that clips; until then the free fit and the tone curve are what there is.")
    if found.status != "measured" or found.bright_clipped_share is None or found.detail_jnd is None:
        answer = f"What the HDR release holds where the SDR is clipped {STATUS_WORDS[found.status]}."
        return Answer("cannot_answer", answer, "Highlights where the SDR release clips.")
    names = ("stretched_clip_share", "recovered_jnd", "recovered_spread", "recovered_spread_stops")
    share, detail, part, most = (setting(comparison, name) for name in names)
    spread = "" if found.film_stops is None else f" and the level spreads over {say_decimals(found.film_stops, 2)} stops"
    stops = comparison.headroom.stops or 0.0
    flat = f", here {say_decimals(min(part * stops, most), 2)} stops" if stops > 0 else ""
    least = setting(comparison, "clipped_share")
    where = _in_shots(comparison, lambda pair: pair.clipped_share >= least, what="the SDR is clipped")
    if where:
        there = _count_shots(comparison, lambda pair: (pair.bright_clipped_share or 0.0) >= share)
        where += f", and in {there} so much of what lies above white is there"
    held = comparison.verdict.support.get("stretched-sdr", 0.0)
    even = found.bright_clipped_share >= share and found.detail_jnd < detail and (found.film_stops or 0.0) < min(part * stops, most)
    open_ = comparison.verdict.label == "undetermined" and (held > 0 or even)
    outcome = "so it is here" if comparison.verdict.label == "stretched-sdr" else "not so here"
    if comparison.verdict.axes.get("highlights") == "same":
        outcome += ", where too little lies far enough above SDR white to be stretched"
    if open_:
        outcome = (
            f"it is one in {say_share(held)} of the draws, so that this stays open" if held > 0 else "evenly lit surfaces look the same"
        )
    return Answer(
        "partly" if open_ else "answered",
        f"Of what lies above SDR white, stops times area, {say_share(found.bright_clipped_share)} lies where the SDR is clipped "
        f"(stretched from {say_share(share)}); there HDR detail is {say_jnd(found.detail_jnd)}{spread}{where}. "
        f"By the rule for a stretched picture: {outcome}.",
        f"Flat means detail below {detail:g} JND and a spread below {say_share(part)} of the headroom and {most:g} stops{flat}; "
        "grain laid on afterwards looks like detail, a source that was clipped in the camera is flat in any grade of it, and a stretch "
        "that differs from place to place or from shot to shot has no one level and is not told.",
    )


def _in_shots(comparison: Comparison, shows: Callable[[PairScore], bool], *, what: str = "that is seen") -> str:
    """In how many of the scored shots a scored pair shows it."""
    if not comparison.pairs:
        return ""
    return f"; {what} in {_count_shots(comparison, shows)} of {count(_count_shots(comparison, lambda _: True), 'shot')}"


def _count_shots(comparison: Comparison, shows: Callable[[PairScore], bool]) -> int:
    return len({pair.shot for pair in comparison.pairs if shows(pair)})


def answer_noise(comparison: Comparison) -> Answer:
    """Noise against what was found."""
    room, noise, rms = comparison.headroom, comparison.free_fit.noise_jnd, comparison.difference.side_by_side.rms
    parts = []
    if noise is not None and rms is not None:
        parts.append(f"the noise of the pair is {say_jnd(noise)} from pixel to pixel, the difference side by side {say_jnd(rms)} (RMS)")
    lifts = room.noise_stops is not None and has_headroom(comparison)
    if lifts:
        parts.append(
            f"noise can have lifted the highlights by {say_decimals(room.noise_stops or 0.0, 2)} stops, to {say_stops(room.stops)}"
        )
    changes = "Noise that carries the highlights over a threshold; in every draw the support takes a part of it off."
    if not parts:
        return Answer("cannot_answer", "Neither the noise of the pair nor what it does to the highlights was measured.", changes)
    crossed = lifts and not comparison.free_fit.power_law and crosses_without_noise(room, headroom_limits(comparison))
    outcome = (
        "Without it the highlights would be on the other side of a threshold."
        if crossed
        else "Tone and colour are averaged at flat places with their sign, so that the noise of two encodings cancels."
    )
    return Answer("answered" if lifts and not crossed else "partly", f"{capital('; '.join(parts))}. {outcome}", changes)


def answer_metadata(comparison: Comparison) -> Answer:
    """Declared against measured."""
    levels, declared = comparison.hdr.levels, comparison.hdr.release.declared
    changes = "No declaration changes a label; a declared mastering peak only sets from where home displays roll off."
    if levels.status != "measured" or levels.max_cll_nits is None:
        return Answer(
            "cannot_answer",
            f"What the HDR release declares has nothing to stand against: its level {STATUS_WORDS[levels.status]}.",
            changes,
        )
    peak = None if declared.mastering is None else declared.mastering.max_nits
    rows = [
        _say_declared("MaxCLL", declared.max_cll_state, declared.max_cll_nits, levels.max_cll_nits),
        _say_declared("MaxFALL", declared.max_fall_state, declared.max_fall_nits, levels.max_fall_nits),
        f"mastering peak {'not declared' if peak is None else say_declared_nits(peak)}, 99.99th percentile {say_nits(levels.p9999_nits)}",
    ]
    stated = sum(value is not None for value in (declared.max_cll_nits, declared.max_fall_nits, peak))
    states: tuple[AnswerState, ...] = ("cannot_answer", "partly", "partly", "answered")
    checks = comparison.declared_checks
    stamped = join([DECLARED_WORDS[one.name] for one in checks if one.looks_stamped])
    told = f" Round, and far from what the picture holds: {stamped}." if stamped else ""
    shown = any(one.state == "cannot_tell" for one in checks)  # HLG: its light is that of the display
    told += f" The measured levels hold {levels.condition.partition(';')[0]} only." if shown else ""
    told += "" if shown else _explain_declared(comparison)
    state = "partly" if shown and stated else states[stated]
    return Answer(state, f"{'; '.join(rows)}. Declarations take no part in the label; the measured pictures do.{told}", changes)


def _explain_declared(comparison: Comparison) -> str:
    """What a declared MaxCLL that is not the measured one would fit: the level without what is not the film's picture."""
    declared, measured = comparison.hdr.release.declared.max_cll_nits, comparison.hdr.levels.max_cll_nits
    found = comparison.contaminants
    without = None if found is None or found.without_them is None else found.without_them.max_cll_nits
    if agrees_with(declared, measured) or not agrees_with(declared, without):
        return ""
    return (
        f" The declared MaxCLL does not fit the measured one, which counts every pixel as defined (CTA-861.3), but the {say_nits(without)} "
        "that are left without logos, specks and what else is not the film's picture: it may have been measured without them."
    )


def _say_declared(name: str, state: Presence, stated: float | None, measured: float | None) -> str:
    if stated is None:
        return f"{name} {'declared as 0, which means unknown' if state == 'zero' else 'not declared'}, measured {say_nits(measured)}"
    apart = f" ({say_stops(math.log2(measured / stated))})" if measured else ""
    return f"{name} declared {say_declared_nits(stated)}, measured {say_nits(measured)}{apart}"
